"""Which passes are worth a night: ranking terms, odds of a clear night, and both in words.

The terms of the ranking are no law of nature; they order a list (common practice, no source).
"""

from __future__ import annotations

import datetime
import zoneinfo
from dataclasses import dataclass

import numpy as np

from appulse.encounters.visibility import best_index
from appulse.observers import quiet_erfa

FULL_NIGHT_HOURS = 6.0
BRIGHTNESS_SCALE_MAG = 4.0
UNKNOWN = 0.5


@dataclass(frozen=True)
class Rank:
    """A pass' score and the terms behind it."""

    score: float  # weighted mean of the terms that could be computed, 0 to 1
    terms: dict  # NaN where a term could not be computed: no site was given


def rank(one, nights, weights, within_arcmin):
    """Score a pass.

    Parameters
    ----------
    one : Pass
    nights : sequence of SiteNight
        All nights of all sites around the pass; empty: no site was given.
    weights : dict
        Term to weight (:data:`appulse.encounters.campaign_file.RANKING_TERMS`).
    within_arcmin : float
        Where closeness has fallen to 0.

    Returns
    -------
    Rank
        ``closeness``: 1 inside the outline, falling to 0 at `within_arcmin` from it. ``brightness``: 1 where
        body and object are equally bright, exp(-(difference / 4 mag)^2); one half where the object's
        magnitude is unknown. ``duration``: longest usable hours of a night over 6. ``moon``: share of the
        sky's light that is not the Moon's, at the best moment. ``airmass``: 1 / airmass there.
        ``elongation``: (1 - cos) / 2.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> one = SimpleNamespace(crossing=None, separation_arcsec=300.0, mag=10.0, elongation=180.0)
    >>> one.target = SimpleNamespace(mag=None)
    >>> rank(one, (), {"closeness": 1.0, "elongation": 1.0}, 10.0).score
    0.75
    """
    distance = one.separation_arcsec / 60 if one.crossing is None else one.crossing.distance_arcmin
    terms = {
        "closeness": float(np.clip(1 - distance / within_arcmin, 0, 1)),
        "brightness": _brightness(one.mag, one.target.mag),
        "elongation": float((1 - np.cos(np.radians(one.elongation))) / 2),
        **_sky_terms(nights),
    }
    # A term that cannot be computed takes its weight with it: it neither raises nor lowers the score.
    known = {term: value for term, value in terms.items() if np.isfinite(value) and weights.get(term, 0)}
    total = sum(weights[term] for term in known)
    score = sum(weights[term] * value for term, value in known.items()) / total if total else 0.0
    return Rank(float(score), terms)


def _brightness(body, target):
    # Neither good nor bad: a nebula without a magnitude must not sink in the list for its catalogue's gap.
    if target is None or not np.isfinite(target) or not np.isfinite(body):
        return UNKNOWN
    return float(np.exp(-(((body - target) / BRIGHTNESS_SCALE_MAG) ** 2)))


def _sky_terms(nights):
    if not len(nights):
        return {"duration": np.nan, "moon": np.nan, "airmass": np.nan}
    usable = [night for night in nights if night.hours > 0]
    if not usable:
        return {"duration": 0.0, "moon": 0.0, "airmass": 0.0}
    best = max(usable, key=lambda night: night.hours)
    at = best_index(best)
    return {
        "duration": float(min(best.hours / FULL_NIGHT_HOURS, 1.0)),
        # share of the sky's light that is not the Moon's
        "moon": float(10 ** (-0.4 * (best.moonless_sky[at] - best.sky[at]))),
        "airmass": float(1 / best.air[at]),
    }


@dataclass(frozen=True)
class Odds:
    """Chance of at least one clear usable night, expected usable hours, usable nights; why there is none."""

    chance: float
    hours: float
    nights: tuple
    reason: str = ""


def odds(nights):
    """Odds of a set of nights, of one site or of several.

    Nights are taken as independent, which is kinder than the weather of one place: clear nights come in
    spells.

    Parameters
    ----------
    nights : sequence of SiteNight

    Returns
    -------
    Odds

    Examples
    --------
    >>> odds([]).chance
    0.0
    """
    usable = tuple(night for night in nights if night.hours > 0.0)
    clear = np.array([night.site.clear_nights[night.evening.month - 1] for night in usable])
    hours = np.array([night.hours for night in usable])
    return Odds(float(1.0 - np.prod(1.0 - clear)), float(np.sum(clear * hours)), usable, why_not(nights))


def together(by_site):
    """Odds of several sites taken together.

    Parameters
    ----------
    by_site : dict
        Site name to :class:`Odds`.

    Returns
    -------
    Odds

    Examples
    --------
    >>> round(together({"ledge": Odds(0.14, 0.3, (1,)), "hosted": Odds(0.85, 4.0, (2,))}).chance, 3)
    0.871
    """
    missed = np.prod([1.0 - site.chance for site in by_site.values()])
    nights = tuple(night for site in by_site.values() for night in site.nights)
    return Odds(float(1.0 - missed), float(sum(site.hours for site in by_site.values())), nights)


def advice(by_site, rented=()):
    """One sentence that compares the sites' odds, and says why a site sees nothing.

    Parameters
    ----------
    by_site : dict
        Site name to :class:`Odds`.
    rented : collection of str
        Sites whose time is hired.

    Returns
    -------
    str

    Examples
    --------
    >>> advice({"ledge": Odds(0.14, 0.3, (1,)), "hosted": Odds(0.85, 4.0, (1,))}, {"hosted"})
    'chance of at least one clear night of those usable: ledge 14%, hosted 85%, together 87%: book hosted.'
    >>> advice({"ledge": Odds(0.0, 0.0, (), "the body stays below 10 degrees in the dark")})
    'from ledge not at all, the body stays below 10 degrees in the dark: choose another site or another pass.'
    """
    serving = {name: site for name, site in by_site.items() if site.nights}
    unusable = {name: site.reason for name, site in by_site.items() if not site.nights}
    blind = [f"from {name} not at all" + f", {reason}" * bool(reason) for name, reason in unusable.items()]
    if not serving:
        return f"{'; '.join(blind)}: choose another site or another pass."
    parts = [f"{name} {chance_text(site)}" for name, site in serving.items()]
    if len(serving) > 1:
        parts.append(f"together {chance_text(together(by_site))}")
    best = max(serving, key=lambda name: serving[name].chance)
    act = "book" if best in rented else "plan for"
    words = f"chance of at least one clear night of those usable: {', '.join(parts)}: {act} {best}"
    return "; ".join([words, *blind]) + "."


def chance_text(one):
    """A chance in words that never claim certainty.

    Examples
    --------
    >>> chance_text(Odds(0.9999, 40.0, (1,))), chance_text(Odds(0.54, 9.0, (1,)))
    ('over 99%', '54%')
    """
    if not one.nights:
        return "not at all"
    return "over 99%" if one.chance > 0.99 else f"{one.chance:.0%}"


def why_not(nights):
    """Why none of some nights of one site serves, in words; empty when one does.

    Parameters
    ----------
    nights : sequence of SiteNight

    Returns
    -------
    str
        The nights with one kind of reason told together, the first one's figures with it.
    """
    if any(night.hours > 0.0 for night in nights):
        return ""
    kinds = {}
    for night in nights:
        kinds.setdefault(night.reason.split(" (")[0], []).append(night.reason)
    if len(kinds) == 1:
        return next(iter(kinds.values()))[0]
    # the figures in brackets differ from night to night: those of the first stand for all
    counted = ((len(reasons), reasons[0]) for reasons in kinds.values())
    return ", ".join(f"{n} {'night' if n == 1 else 'nights'}: {words}" for n, words in counted)


@quiet_erfa()
def local_text(time, site):
    """A UTC time in the site's zone, e.g. ``2027-05-05 01:10 UTC+2``."""
    moment = time.to_datetime(timezone=datetime.UTC).astimezone(zoneinfo.ZoneInfo(site.time_zone))
    return f"{moment:%Y-%m-%d %H:%M} {offset_words(moment)}"


def offset_words(moment):
    """A zone by its distance from UTC, which everybody reads alike.

    Examples
    --------
    >>> zone = datetime.timezone(datetime.timedelta(hours=-3, minutes=-30))
    >>> offset_words(datetime.datetime(2027, 5, 5, tzinfo=zone))
    'UTC\u22123:30'
    """
    minutes = round(moment.utcoffset().total_seconds() / 60)
    if minutes == 0:
        return "UTC"
    hours, rest = divmod(abs(minutes), 60)
    sign = "+" if minutes > 0 else "\u2212"
    return f"UTC{sign}{hours}" + (f":{rest:02d}" if rest else "")


def body_name(one):
    """``(7) Iris``, or the designation alone."""
    if not one.name:
        return one.designation
    return f"({one.designation}) {one.name}" if one.designation.isdigit() else f"{one.designation} {one.name}"

"""What nights come to: odds of a clear one, reasons why none serves, times and names in words."""

from __future__ import annotations

import datetime
import zoneinfo
from dataclasses import dataclass

import numpy as np

from appulse.observers.timescales import quiet_erfa


@dataclass(frozen=True)
class Odds:
    """Chance of at least one clear usable night, expected usable hours, and the nights that serve."""

    chance: float
    hours: float
    nights: tuple


def odds(nights):
    """Odds of a set of nights, of one site or of several.

    Nights are taken as independent, which is kinder than the weather of one place: clear nights come in
    spells.

    Parameters
    ----------
    nights : sequence of Night

    Returns
    -------
    Odds

    Examples
    --------
    >>> odds([]).chance
    0.0
    """
    serving = tuple(night for night in nights if night.hours > 0.0)
    clear = np.array([night.site.clear_nights[night.evening.month - 1] for night in serving])
    hours = np.array([night.hours for night in serving])
    return Odds(float(1.0 - np.prod(1.0 - clear)), float(np.sum(clear * hours)), serving)


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
    missed = np.prod([1.0 - one.chance for one in by_site.values()])
    nights = tuple(night for one in by_site.values() for night in one.nights)
    return Odds(float(1.0 - missed), float(sum(one.hours for one in by_site.values())), nights)


def advice(by_site, rented=()):
    """One sentence that compares the sites' odds.

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
    'from ledge 14%, from hosted 85%, together 87%: book hosted.'
    >>> advice({"ledge": Odds(0.0, 0.0, ())})
    'from ledge it cannot be seen: choose another site or another pass.'
    """
    serving = {name: one for name, one in by_site.items() if one.nights}
    if not serving:
        return f"from {', '.join(by_site)} it cannot be seen: choose another site or another pass."
    parts = [f"from {name} {chance_text(one)}" for name, one in by_site.items()]
    if len(serving) > 1:
        parts.append(f"together {chance_text(together(by_site))}")
    best = max(serving, key=lambda name: serving[name].chance)
    return f"{', '.join(parts)}: {'book' if best in rented else 'plan for'} {best}."


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
    nights : sequence of Night

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
    counted = ((len(told), told[0]) for told in kinds.values())
    return ", ".join(f"{n} {'night' if n == 1 else 'nights'}: {words}" for n, words in counted)


@quiet_erfa()
def local_text(time, site):
    """A UTC time in the site's zone, e.g. ``2027-05-05 01:10 CEST``."""
    moment = time.to_datetime(timezone=datetime.UTC).astimezone(zoneinfo.ZoneInfo(site.time_zone))
    return f"{moment:%Y-%m-%d %H:%M} {moment.tzname()}"


def body_name(one):
    """``(7) Iris``, or the designation alone."""
    if not one.name:
        return one.designation
    return f"({one.designation}) {one.name}" if one.designation.isdigit() else f"{one.designation} {one.name}"

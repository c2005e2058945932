"""What is wrong when several sites measured one body: a site's clock, its place, its plates, or the orbit?

::

    clock of one site        O-C along the motion, at that site alone         rate x tau
    orbit                    the same O-C at all sites                        constant + drift + parallax
    longitude's wrong sign   O-C as large as the parallax between the site and its mirror image, and no other
    another place            O-C by the parallax of a displaced site
    plates of one site       a constant at that site alone

The hypotheses (none, one or two of these) are compared by their evidence as those of a single night are
(:mod:`appulse.astrometry.causes`); a cause is named when it is likelier than all else by the same odds.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from appulse.astrometry.causes import (
    BEYOND,
    CLOCK,
    CLOCK_S,
    HALF_HOUR_SHARE,
    HOUR,
    HOUR_SPREAD_S,
    HOURS,
    LONGITUDE,
    ORBIT,
    ORBIT_ACROSS,
    ORBIT_ARCSEC,
    ORBIT_TIMESCALE_H,
    PLATE,
    PLATE_ARCSEC,
    PRIOR_ODDS,
    SITE,
    SITE_KM,
    STATED_CLOCK_ODDS,
    STATED_ODDS,
    Evidence,
    Hypothesis,
    Part,
    part,
)
from appulse.astrometry.verdict import MISFIT_P, NAMED_ODDS, WELL_ODDS
from appulse.constants import ARCSEC_PER_RAD, AU_KM
from appulse.numerics import chi2_sf

# An orbit's error along its track of so many radians changes its relative distance by three times as much
# (common practice, no source).
DISTANCE_SHARE = 3.0
# Larger odds are not to be believed: the models are not that good.
MOST_ODDS = 1e6
# Odds that a plate which was checked on stars is off by more than stated.
CHECKED_PLATE_ODDS = 0.003


@dataclass(frozen=True)
class SiteOffset:
    """One place's O-C with what its site could do to it.

    Attributes
    ----------
    site : str
    hours : float
        From the middle of all.
    offset : (2,) array
        O-C, arcsec, east and north.
    covariance : (2, 2) array
        Of this place alone.
    speed : (2,) array
        Motion, arcsec/s.
    parallax : (2, 3) array
        Shift of the place per km that the site is displaced, ICRF axes; NaN where the distance is not known.
    mirrored : (2,) array
        Shift if the site's longitude has the wrong sign; NaN where it has none.
    nearness : (2,) array
        Shift per share by which the body is farther than predicted; zero where the distance is not known.
    """

    site: str
    hours: float
    offset: np.ndarray
    covariance: np.ndarray
    speed: np.ndarray
    parallax: np.ndarray
    mirrored: np.ndarray
    nearness: np.ndarray


@dataclass(frozen=True)
class SitesVerdict:
    """The joint verdict: what is named (nothing, or one or two causes), in words, with the odds.

    Attributes
    ----------
    causes : tuple of (cause, site)
        Site empty for the orbit; of "can't tell" those between which the data do not decide.
    cause : str
        'all well', "can't tell", or the causes joined.
    sentence : str
    odds : float
        Of what is named against all else.
    ranked : tuple of (words, chance)
        Hypotheses, likeliest first.
    """

    causes: tuple
    cause: str
    sentence: str
    odds: float
    ranked: tuple


class _SitesEvidence(Evidence):
    """The products of all bases with the O-C of several sites."""

    def __init__(self, offsets, stated: Sequence[Part], parts: Sequence[Part]):
        self.stated, self.parts = list(stated), list(parts)
        pieces = [*self.stated, *self.parts]
        widths = [piece.basis.shape[2] for piece in pieces]
        ends = np.cumsum(widths)
        self.slices = [np.arange(end - width, end) for end, width in zip(ends, widths, strict=True)]
        full = np.concatenate([piece.basis for piece in pieces], axis=2)
        whiten = np.array([np.linalg.inv(np.linalg.cholesky(one.covariance)) for one in offsets])
        design = (whiten @ full).reshape(-1, full.shape[2])
        left = np.einsum("nij,nj->ni", whiten, [one.offset for one in offsets]).ravel()
        self.normal, self.right, self.square = design.T @ design, design.T @ left, float(left @ left)

    def _missed(self, chosen) -> float:
        return 0.0

    def _seen_elsewhere(self, piece: Part, chosen) -> Part:
        return piece


def judge_sites(offsets, *, zero_arcsec, clock_s, orbit_covariance=None) -> SitesVerdict:
    """Which site, or the orbit, makes the O-C of several sites.

    Parameters
    ----------
    offsets : sequence of SiteOffset
        Of two sites or more.
    zero_arcsec : dict of str to float
        1-sigma of each site's plates, arcsec.
    clock_s : dict of str to float
        1-sigma that is stated of a site's clock; sites without one are not in it.
    orbit_covariance : (2, 2) array, optional
        Of the predicted places, arcsec^2, where the orbit states it.

    Returns
    -------
    SitesVerdict

    Examples
    --------
    >>> speed, none = np.array([0.01, 0.0]), np.full(2, np.nan)
    >>> rows = [SiteOffset(site, hours, np.array([late * 0.01, 0.0]), 1e-4 * np.eye(2), speed,
    ...                    np.full((2, 3), np.nan), none, np.zeros(2))
    ...         for site, late in (("A", 0.0), ("B", 60.0), ("C", 0.0)) for hours in (-1.0, 0.0, 1.0)]
    >>> found = judge_sites(rows, zero_arcsec={}, clock_s={})
    >>> found.causes, found.sentence
    ((('clock', 'B'),), "B's clock is late by 59.3 ± 5.4 s (true minus recorded), 34 to 1.")
    """
    offsets = list(offsets)
    names = sorted({one.site for one in offsets})
    site = np.array([names.index(one.site) for one in offsets])
    stated = list(_stated(offsets, names, site, zero_arcsec, clock_s, orbit_covariance))
    parts = list(_parts(offsets, names, site, zero_arcsec, clock_s, orbit_covariance))
    evidence = _SitesEvidence(offsets, stated, parts)
    found = [evidence.weigh(()), *(evidence.weigh((piece,)) for piece in parts)]
    best = max(one.log_odds for one in found) - 12.0
    found += [
        evidence.weigh(pair)
        for pair in combinations(parts, 2)
        if _two_things(*pair) and evidence.bound(pair) > best
    ]
    log_odds = np.array([one.log_odds for one in found])
    chance = np.exp(log_odds - np.logaddexp.reduce(log_odds))
    order = np.argsort(-chance, kind="stable")
    ranked = tuple((_words_of(found[k], names) or "all well", float(chance[k])) for k in order[:8])
    families = [frozenset(_family(piece, names) for piece in one.parts) for one in found]
    named = []
    for family in sorted(set().union(*families)):
        with_it = sum(float(c) for c, held in zip(chance, families, strict=True) if family in held)
        if with_it > NAMED_ODDS * max(1.0 - with_it, 1e-300):
            named.append((family, with_it))
    well = sum(float(c) for c, held in zip(chance, families, strict=True) if not held)
    top = found[order[0]]
    fits = chi2_sf(top.chi2, max(2 * len(offsets), 1)) > MISFIT_P
    if not fits:
        words = f"the O-C of the sites fit none of the causes that are tried (chi-squared {top.chi2:.0f})"
        return SitesVerdict((), "can't tell", f"Cannot tell what is wrong: {words}.", np.nan, ranked)
    if named:
        said = [
            _sentence(family, *_pooled(family, found, chance, names), odds=share / max(1.0 - share, 1e-300))
            for family, share in named
        ]
        if families[order[0]] - {family for family, _ in named}:
            rest = dict.fromkeys(
                _CALLED[cause].format(site=where)
                for k in order[:6]
                for cause, where in sorted(families[k] - {family for family, _ in named})
            )
            said.append(f"something else is off that cannot be told: {', or '.join(rest)}")
        odds = min(share / max(1.0 - share, 1e-300) for _, share in named)
        text = "; ".join(said)
        causes = tuple(family for family, _ in named)
        words = " and ".join(f"{cause} of {where}" if where else cause for cause, where in causes)
        return SitesVerdict(causes, words, text[0].upper() + text[1:] + ".", odds, ranked)
    if well > WELL_ODDS * (1.0 - well):
        text = "The sites agree with each other and with the orbit, within what is stated of them."
        return SitesVerdict((), "all well", text, well / max(1.0 - well, 1e-300), ranked)
    rivals = [words for words, share in ranked if share > 0.02][:5]
    text = f"Cannot tell what is wrong: {', or '.join(rivals)} (none by {NAMED_ODDS:.0f} to 1)."
    open_causes = tuple(dict.fromkeys(f for k in order[:5] for f in families[k] if chance[k] > 0.02))
    return SitesVerdict(open_causes, "can't tell", text, np.nan, ranked)


def _family(piece: Part, names) -> tuple[str, str]:
    cause = {HOUR: CLOCK}.get(piece.cause, piece.cause)
    return cause, names[piece.body] if piece.body >= 0 else ""


def _two_things(a: Part, b: Part) -> bool:
    """Not twice the clock of one site, and not twice where it stands."""
    if a.body != b.body:
        return True
    return a.is_time != b.is_time or {a.cause, b.cause} <= {PLATE, ORBIT}


def _mask(site, j):
    return (site == j)[:, None, None].astype(float)


def _orbit_basis(offsets):
    """Offset and drift common to all, and the parallax of a wrong distance."""
    hours = np.array([one.hours for one in offsets])[:, None, None]
    eye = np.broadcast_to(np.eye(2), (len(offsets), 2, 2))
    nearness = np.array([one.nearness for one in offsets])[:, :, None]
    return np.concatenate([eye, hours * eye, nearness], axis=2)


def _orbit_prior(covariance):
    """Covariance of offset, drift and relative distance of an orbit whose places err by so much."""
    full = np.zeros((5, 5))
    full[:2, :2], full[2:4, 2:4] = covariance, covariance / ORBIT_TIMESCALE_H**2
    full[4, 4] = DISTANCE_SHARE**2 * np.trace(covariance) / ARCSEC_PER_RAD**2
    return full


def _orbit_variants(offsets):
    speed = np.mean([one.speed for one in offsets], axis=0)
    rate = np.hypot(*speed)
    variants = []
    for size in ORBIT_ARCSEC:
        shapes = [np.eye(2)]
        if rate > 0:
            along = np.outer(speed, speed) / rate**2
            shapes.append(along + ORBIT_ACROSS**2 * (np.eye(2) - along))
        for shape in shapes:
            variants.append((1, 0.0, _orbit_prior(size**2 * shape)))
    return variants


def _stated(offsets, names, site, zero, clock, orbit):
    eye = np.broadcast_to(np.eye(2), (len(offsets), 2, 2))
    speed = np.array([one.speed for one in offsets])[:, :, None]
    for j, name in enumerate(names):
        sigma = zero.get(name, 0.05)
        yield part(PLATE, j, _mask(site, j) * eye, [(1, 0.0, max(sigma, 1e-4) ** 2 * np.eye(2))], 1.0)
        if name in clock and np.isfinite(speed).all():
            sigma = max(clock[name], 1e-6)
            yield part(CLOCK, j, _mask(site, j) * speed, [(1, 0.0, sigma**2 * np.eye(1))], 1.0)
    if orbit is not None:
        full = _orbit_prior(orbit) + 1e-10 * np.eye(5)
        yield part(ORBIT, -1, _orbit_basis(offsets), [(1, 0.0, full)], 1.0)


def _parts(offsets, names, site, zero, clock, orbit):
    n = len(offsets)
    eye = np.broadcast_to(np.eye(2), (n, 2, 2))
    speed = np.array([one.speed for one in offsets])[:, :, None]
    moves = np.isfinite(speed).all() and np.any(speed)
    if orbit is None:
        basis, variants = _orbit_basis(offsets), _orbit_variants(offsets)
        odds = PRIOR_ODDS[ORBIT]
    else:
        full = _orbit_prior(orbit) + 1e-10 * np.eye(5)
        basis, variants = _orbit_basis(offsets), [(1, 0.0, factor**2 * full) for factor in BEYOND]
        odds = STATED_ODDS
    yield part(ORBIT, -1, basis, variants, odds)
    parallax = np.array([one.parallax for one in offsets])
    mirrored = np.array([one.mirrored for one in offsets])[:, :, None]
    for j, name in enumerate(names):
        mine = _mask(site, j)
        if moves:
            known = name in clock
            widths = [max(clock[name], 1e-3) * factor for factor in BEYOND] if known else CLOCK_S
            odds = STATED_CLOCK_ODDS if known else PRIOR_ODDS[CLOCK]
            yield part(CLOCK, j, mine * speed, [(1, 0.0, np.eye(1) * s**2) for s in widths], odds)
            hours = [
                (1.0 if h == int(h) else HALF_HOUR_SHARE, h * 3600.0, np.eye(1) * HOUR_SPREAD_S**2)
                for h in HOURS
            ]
            yield part(HOUR, j, mine * speed, hours, PRIOR_ODDS[HOUR])
        own = mirrored[site == j]
        if np.isfinite(own).all() and np.any(own):
            basis = np.where(mine > 0, mirrored, 0.0)
            yield part(LONGITUDE, j, basis, [(1, 1.0, np.eye(1) * 0.01**2)], PRIOR_ODDS[LONGITUDE])
        if np.isfinite(parallax[site == j]).all():
            basis = np.where(mine > 0, parallax, 0.0)
            yield part(SITE, j, basis, [(1, 0.0, np.eye(3) * SITE_KM**2)], PRIOR_ODDS[SITE])
        odds = CHECKED_PLATE_ODDS if name in zero else PRIOR_ODDS[PLATE]
        yield part(PLATE, j, mine * eye, [(1, 0.0, np.eye(2) * s**2) for s in PLATE_ARCSEC], odds)


_CALLED = {
    CLOCK: "{site}'s clock", ORBIT: "the orbit", LONGITUDE: "the sign of {site}'s longitude",
    SITE: "the place of {site}", PLATE: "{site}'s plates",
}  # fmt: skip


def _words_of(one: Hypothesis, names) -> str:
    families = [_family(piece, names) for piece in one.parts]
    return " and ".join(_CALLED[cause].format(site=where) for cause, where in families)


def _pooled(family, found, chance, names):
    """Value and sigma of a named cause over all hypotheses that hold it: they differ in what else is off."""
    values, covariances, weights = [], [], []
    for one, share in zip(found, chance, strict=True):
        for piece, value, covariance in zip(one.parts, one.parameters, one.covariances, strict=True):
            if _family(piece, names) == family and share > 1e-6:
                values.append(value)
                covariances.append(np.diag(covariance))
                weights.append(share)
    mean = np.average(values, axis=0, weights=weights)
    spread = np.average(np.array(covariances) + (np.array(values) - mean) ** 2, axis=0, weights=weights)
    return mean, np.sqrt(spread)


def _sentence(family, value, sigma, *, odds: float) -> str:
    """One named cause with its figures and the odds."""
    cause, where = family
    sure = f"{odds:.0f} to 1" if odds < MOST_ODDS else f"more than {MOST_ODDS:.0f} to 1"
    if cause == CLOCK:
        side = "late" if value[0] > 0 else "early"
        words = f"{where}'s clock is {side} by {abs(value[0]):.1f} ± {sigma[0]:.1f} s (true minus recorded)"
    elif cause == ORBIT:
        words = (
            f"the orbit is off for all sites, by {value[0]:+.2f} ± {sigma[0]:.2f} arcsec east, "
            f"{value[1]:+.2f} ± {sigma[1]:.2f} north"
        )
    elif cause == LONGITUDE:
        words = (
            f"the longitude of {where} has the wrong sign: from there the body stands as seen from the other "
            "side of Greenwich; east is positive"
        )
    elif cause == SITE:
        words = f"the places of {where} come from another site: the body stands there by its parallax"
    else:
        words = (
            f"the plates of {where} are off by {value[0]:+.2f} ± {sigma[0]:.2f} arcsec east, "
            f"{value[1]:+.2f} ± {sigma[1]:.2f} north"
        )
    return f"{words}, {sure}"


def site_offset(name, hours, offset, covariance, speed, observer, time, distance_au) -> SiteOffset:
    """What a place's O-C says of its site.

    `offset` is the O-C and its axes: (arcsec east, arcsec north, (2, 3) unit vectors east and north there);
    `distance_au` is predicted, NaN where it is not known.
    """
    east, north, axes = offset
    when, itrs = time.reshape(1), getattr(observer, "itrs_m", None)
    shift, mirrored, nearness = np.full((2, 3), np.nan), np.full(2, np.nan), np.zeros(2)
    if np.isfinite(distance_au):
        per_au = -np.asarray(axes) / distance_au * ARCSEC_PER_RAD
        if itrs is not None and any(itrs):
            place = np.ravel(observer.posvel_au(when)[0])
            mirror = replace(observer, itrs_m=(itrs[0], -itrs[1], itrs[2]))
            shift, nearness = per_au / AU_KM, -per_au @ place
            mirrored = per_au @ (np.ravel(mirror.posvel_au(when)[0]) - place)
    return SiteOffset(
        name, hours, np.array([east, north]), np.asarray(covariance), np.asarray(speed), shift, mirrored,
        nearness,
    )  # fmt: skip

"""Which passes are worth a night: terms between 0 and 1, shown one by one, weighted by the campaign.

None of the terms is a law of nature; they order a list (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

FULL_NIGHT_HOURS = 6.0
BRIGHTNESS_SCALE_MAG = 4.0
UNKNOWN = 0.5


@dataclass(frozen=True)
class Rank:
    """A pass' score and the terms behind it.

    Attributes
    ----------
    score : float
        Weighted mean of the terms that could be computed, 0 to 1.
    terms : dict
        Term to value, NaN where it could not be computed (no site given).
    """

    score: float
    terms: dict


def rank(one, nights, weights, within_arcmin):
    """Score a pass.

    Parameters
    ----------
    one : Pass
    nights : sequence of Night
        All nights of all sites around the pass; empty: no site was given.
    weights : dict
        Term to weight (:data:`appulse.encounters.campaign.RANKING_TERMS`).
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
    known = {term: value for term, value in terms.items() if np.isfinite(value) and weights.get(term, 0)}
    total = sum(weights[term] for term in known)
    score = sum(weights[term] * value for term, value in known.items()) / total if total else 0.0
    return Rank(float(score), terms)


def _brightness(body, target):
    if target is None or not np.isfinite(target) or not np.isfinite(body):
        return UNKNOWN
    return float(np.exp(-(((body - target) / BRIGHTNESS_SCALE_MAG) ** 2)))


def _sky_terms(nights):
    if not len(nights):
        return {"duration": np.nan, "moon": np.nan, "airmass": np.nan}
    serving = [night for night in nights if night.hours > 0]
    if not serving:
        return {"duration": 0.0, "moon": 0.0, "airmass": 0.0}
    best = max(serving, key=lambda night: night.hours)
    at = best_index(best)
    return {
        "duration": float(min(best.hours / FULL_NIGHT_HOURS, 1.0)),
        "moon": float(10 ** (-0.4 * (best.moonless_sky[at] - best.sky[at]))),
        "airmass": float(1 / best.air[at]),
    }


def best_index(night):
    """Index of the best moment of a night's longest usable stretch: the body highest.

    Raises
    ------
    ValueError
        The night has no usable moment.
    """
    chosen = np.flatnonzero(night.chosen)
    if not len(chosen):
        raise ValueError("the night has no usable moment")
    return int(chosen[np.argmax(night.altitude[chosen])])

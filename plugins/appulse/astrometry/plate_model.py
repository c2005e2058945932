"""Offsets of a plate as a polynomial of the place, with as many terms as its stars carry."""

from dataclasses import dataclass

import numpy as np

from appulse.numerics.robust import extra_scatter, weighted_lstsq

STARS_FOR_ORDER = {0: 3, 1: 9, 2: 25, 3: 50}
"""Least number of stars for shift; shift, scale, turn and skew; and the distortions."""
CLIP = 3.5


@dataclass(frozen=True)
class PlateModel:
    """Offset (east, north) in arcsec = coefficients x terms of (u, v).

    Parameters
    ----------
    order : int
    east, north : (terms,) arrays
        arcsec on the terms 1, u, v, u2, uv, v2, ...; u = (x - centre) / scale.
    cov_east, cov_north : (terms, terms) arrays
    floor : (float, float)
        Scatter per star and axis beyond what catalogue and centroid say, arcsec.
    centre : (float, float)
    scale : float
        Zero-based px.
    """

    order: int
    east: np.ndarray
    north: np.ndarray
    cov_east: np.ndarray
    cov_north: np.ndarray
    floor: tuple[float, float]
    centre: tuple[float, float]
    scale: float

    def terms(self, x, y) -> np.ndarray:
        """Polynomial terms at pixels, shape (n, terms)."""
        return terms(x, y, self.order, self.centre, self.scale)

    def at(self, x: float, y: float) -> tuple[np.ndarray, np.ndarray]:
        """Offset (2,) and covariance (2, 2), arcsec, at a pixel."""
        here = self.terms(np.array([x]), np.array([y]))[0]
        variances = [here @ c @ here for c in (self.cov_east, self.cov_north)]
        return np.array([here @ self.east, here @ self.north]), np.diag(variances)


def terms(x, y, order, centre, scale) -> np.ndarray:
    """Terms 1, u, v, u2, uv, v2, ... up to an order, shape (n, terms)."""
    u, v = (np.asarray(x) - centre[0]) / scale, (np.asarray(y) - centre[1]) / scale
    return np.stack([u ** (k - j) * v**j for k in range(order + 1) for j in range(k + 1)], axis=1)


def fit_plate(x, y, offsets, sigmas, centre, scale, max_order=3):
    """Fit the offsets with as many terms as the stars carry (Bayes' information criterion), outliers out.

    Parameters
    ----------
    x, y : (n,) arrays
        Zero-based px.
    offsets, sigmas : (n, 2) arrays
        East, north, arcsec; sigmas of catalogue and centroid together.
    centre : (float, float)
    scale : float
    max_order : int

    Returns
    -------
    model : PlateModel
    used : (n,) bool array

    Raises
    ------
    numpy.linalg.LinAlgError
        If not even a shift can be fitted.

    Examples
    --------
    >>> rng = np.random.default_rng(8)
    >>> x, y = rng.uniform(0, 1000, (2, 12))
    >>> offsets = np.array([0.3, -0.2]) + rng.normal(0, 0.01, (12, 2))
    >>> model, used = fit_plate(x, y, offsets, np.full((12, 2), 0.01), (500.0, 500.0), 500.0)
    >>> model.order, model.at(500.0, 500.0)[0].round(1).tolist()
    (0, [0.3, -0.2])
    """
    used = _first_clip(offsets, sigmas, len(x))
    best = None
    for order in range(max_order + 1):
        if len(x) < STARS_FOR_ORDER[order]:
            break
        try:
            model, kept, bic = _fit_order(x, y, offsets, sigmas, used, order, centre, scale)
        except np.linalg.LinAlgError:
            if best is None:
                raise
            break
        if best is None or bic < best[2]:
            best = model, kept, bic
    return best[0], best[1]


def _first_clip(offsets, sigmas, n):
    """All stars, but those that no smooth plate explains: beyond ten times the scatter about the median."""
    off = np.hypot(*(offsets - np.median(offsets, axis=0)).T)
    limit = 10 * max(np.median(off), float(np.median(sigmas)))
    keep = off <= limit
    return keep if keep.sum() >= 3 else np.ones(n, bool)


def _fit_order(x, y, offsets, sigmas, used, order, centre, scale):
    design = terms(x, y, order, centre, scale)
    used, floor = used.copy(), np.zeros(2)
    for _ in range(10):
        parts = [_axis(design[used], offsets[used, k], sigmas[used, k]) for k in (0, 1)]
        floor = np.array([part[2] for part in parts])
        total = np.hypot(sigmas, floor)
        residual = offsets - design @ np.stack([part[0] for part in parts], axis=1)
        wild = np.max(np.abs(residual) / total, axis=1)
        again = wild < max(CLIP, 1.1 * np.median(wild))
        if again.sum() < max(STARS_FOR_ORDER[order], 0.5 * len(x)) or np.array_equal(again, used):
            break
        used = again
    # The criterion sees all stars, the wild ones at the clip: an order must not win by throwing stars out.
    z2 = np.minimum((residual / total) ** 2, CLIP**2)
    bic = float(np.sum(z2 + 2 * np.log(total))) + 2 * design.shape[1] * np.log(2 * len(x))
    (east, cov_east, _), (north, cov_north, _) = parts
    return PlateModel(order, east, north, cov_east, cov_north, tuple(floor), centre, scale), used, bic


def _axis(design, values, sigmas):
    """Coefficients, covariance and floor of one axis; the floor makes the residuals as wide as they are."""
    floor = 0.0
    for _ in range(6):
        solution, covariance = weighted_lstsq(design, values, np.hypot(sigmas, floor))
        again = extra_scatter(values - design @ solution, sigmas, design.shape[1])
        if abs(again - floor) < 1e-4 * max(floor, 1e-6):
            break
        floor = again
    return solution, covariance, floor

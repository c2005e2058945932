"""The error budget of one residual: where each part of its sigma comes from, and whether the O-C fits in it.

Limits of chi-squared with 2 degrees of freedom: 68.27% 2.296, 95% 5.991, 99% 9.210, 99.73% 11.829; the
one-sigma ellipse holds 39.35%.
"""

from dataclasses import dataclass

import numpy as np
from astropy import units as u
from astropy.table import QTable

from appulse.errors import MeasurementError
from appulse.numerics import chi2_sf

LIKELY, UNLIKELY = 0.05, 0.0027
THREE_SIGMA_CHI2 = 11.829
"""Chi-squared with two degrees of freedom that chance exceeds in 0.27% of the cases."""
SMALLEST = 1e-6
"""Probabilities below are not told apart in words."""


@dataclass(frozen=True)
class Budget:
    """Error budget of a residual.

    Parameters
    ----------
    lines : QTable
        ``part, sigma_ra, sigma_dec, sigma_along, sigma_across`` (arcsec), ``words``; what is not known is NaN
        and counts as nothing: the words say so.
    covariance : (2, 2) array
        All known parts together (east, north), arcsec^2.
    offset : (2,) array
        O-C that is judged: with the plate's zero point taken off where there is one, arcsec.
    chi2, probability : float
        Of that O-C with 2 degrees of freedom.
    sentence : str
    """

    lines: QTable
    covariance: np.ndarray
    offset: np.ndarray
    chi2: float
    probability: float
    sentence: str


def error_budget(residual, *, clock_sigma_s: float | None = None) -> Budget:
    """Error budget of a measured residual.

    Parameters
    ----------
    residual : Residual
    clock_sigma_s : float, optional
        Error of the clock, s; by default the frame's.

    Returns
    -------
    Budget

    Raises
    ------
    MeasurementError
        If the body was not measured.

    Examples
    --------
    >>> from appulse.astrometry.prediction import Prediction
    >>> from appulse.astrometry.residual import Residual
    >>> residual = Residual("a.fits", "", "7", Prediction("7", 10.0, 0.0, 30.0, 0.0), seen=True,
    ...                     dra_cosdec=0.3, ddec=-0.1, covariance=np.diag([0.01, 0.01]))
    >>> budget = error_budget(residual, clock_sigma_s=12.0)
    >>> round(budget.chi2, 3), round(budget.probability, 3)
    (5.5, 0.064)
    """
    if not residual.seen:
        raise MeasurementError(f"{residual.frame}: {residual.label} was not measured: {residual.flag}")
    parts = _parts(residual, clock_sigma_s)
    turn = residual.rotation
    lines = QTable([[p[0] for p in parts]], names=["part"])
    sky = np.array([_sigmas(p[1]) for p in parts])
    motion = np.array([_sigmas(turn @ p[1] @ turn.T) for p in parts])
    for k, names in ((sky, ("sigma_ra", "sigma_dec")), (motion, ("sigma_along", "sigma_across"))):
        for i, name in enumerate(names):
            lines[name] = k[:, i] * u.arcsec
    lines["words"] = [p[2] for p in parts]
    total = np.sum([np.nan_to_num(p[1]) for p in parts], axis=0)
    checked = np.isfinite(residual.plate_offset).all()
    offset = residual.corrected if checked else np.array([residual.dra_cosdec, residual.ddec])
    chi2 = float(offset @ np.linalg.solve(total, offset))
    probability = float(chi2_sf(chi2, 2))
    return Budget(
        lines, total, offset, chi2, probability, _sentence(residual, lines, total, chi2, probability)
    )


def _sigmas(covariance):
    """Roots of the diagonal; rounding may leave a variance below nothing."""
    return np.sqrt(np.maximum(np.diag(covariance), 0.0))


def _parts(residual, clock_sigma_s):
    """(name, covariance, words) of each part."""
    plate, plate_cov = residual.plate, residual.plate_covariance
    catalogue = np.full((2, 2), np.nan)
    stars = f"zero point of {residual.n_stars} stars"
    if plate is not None and plate.corrected:
        # The zero point's error holds the catalogue's, which more frames of the same field do not shrink.
        catalogue = plate.catalogue_covariance
        plate_cov = _less(plate_cov, catalogue)
        plate_words, catalogue_words = stars, f"places of those stars in {plate.catalogue}"
    elif np.isfinite(plate_cov).all():
        plate_words, catalogue_words = stars, "within the plate's"
    else:
        plate_words = catalogue_words = "no stars: the plate's own error is unknown, taken as zero"
    known = np.isfinite(residual.prediction.covariance).all()
    sigma_s = residual.clock_sigma_s if clock_sigma_s is None else clock_sigma_s
    # A clock is wrong along the motion only: a line, not an ellipse.
    speed = np.array([residual.prediction.ra_rate, residual.prediction.dec_rate]) / 3600.0
    clock_words = f"{sigma_s:g} s at {residual.prediction.rate:.1f} arcsec/h"
    centroid_words = "fit of the body's image"
    if residual.fit is not None and residual.fit.phase_error_px >= 0.0005:
        centroid_words += f", {residual.fit.phase_error_px:.3f} px of pixel-phase error in it"
    centroid, rough = residual.covariance, []
    if np.any(residual.structure_covariance):
        # Frames of one field share it: it is not to shrink with their number as the pixels' noise does.
        centroid = _less(residual.covariance, residual.structure_covariance)
        structure = residual.covariance - centroid
        scatter = 0.0 if plate is None or plate.model is None else plate.model.scatter
        stars_too = scatter**2 * np.eye(2)
        if scatter:
            words = "the stars scatter by so much beyond their errors: images unlike the model"
            rough = [("star images", stars_too, words)]
        if np.trace(structure - stars_too) > 1e-9 * np.trace(structure):
            words = "nebula, wisps and unlisted stars under the body"
            rough.append(("background structure", _less(structure, stars_too), words))
    return [
        ("centroid", centroid, centroid_words),
        *rough,
        ("plate", plate_cov, plate_words),
        ("catalogue", catalogue, catalogue_words),
        ("ephemeris", residual.prediction.covariance,
         "predicted ellipse" if known else "orbit without covariance: unknown"),
        ("clock", np.outer(speed, speed) * sigma_s**2,
         clock_words if np.isfinite(sigma_s) else "no error of the clock stated: not known"),
    ]  # fmt: skip


def _less(total, part):
    """Covariance that remains when a part is named apart; never below nothing."""
    values, vectors = np.linalg.eigh(total - part)
    return (vectors * np.maximum(values, 0.0)) @ vectors.T


def _sentence(residual, lines, total, chi2, probability) -> str:
    """Whether the O-C fits in its errors, and what they are made of."""
    names = list(lines["part"])
    size = np.hypot(np.nan_to_num(lines["sigma_ra"].value), np.nan_to_num(lines["sigma_dec"].value))
    largest = names[int(np.argmax(size))]
    unknown = [n for n, s in zip(names, lines["sigma_ra"].value, strict=True) if not np.isfinite(s)]
    if probability > LIKELY:
        fits = "the O-C is within its errors"
    elif probability > UNLIKELY:
        fits = "the O-C is larger than its errors, but not beyond chance"
    else:
        fits = "the O-C is beyond its errors"
    sigma = np.sqrt(np.diag(total))
    words = (
        f"{residual.frame}, {residual.label}: {fits} (chi-squared {chi2:.1f} with 2 degrees of "
        f"freedom, probability {_chance(probability)}); sigma {sigma[0]:.3f} arcsec east, "
        f"{sigma[1]:.3f} north, most of it from the {largest}"
    )
    if unknown:
        words += "; unknown and taken as zero: " + " and ".join(f"{name} error" for name in unknown)
    return words + "."


def _chance(probability) -> str:
    """A probability as it is read; nobody needs to know how far below one in a million it is."""
    return f"{probability:.2g}" if probability >= SMALLEST else f"below {SMALLEST:g}"

"""How far the brightness of a fit can be trusted where the image is not that of the model."""

import numpy as np

from appulse.astrometry.centroid import SourceFit, fit_source
from appulse.constants import FWHM_PER_SIGMA
from appulse.errors import MeasurementError

WIDE_SIGMAS = 12.0
"""Radius in PSF sigmas that holds the light whatever the profile: half as much again as a fit takes."""
PLAIN_SIGMAS = 8.0
ASSUMED_WIDTH = 0.1
"""A PSF whose width is known no better than this is not one of the frame's own stars."""


def is_plain(fit: SourceFit) -> bool:
    """Whether the pixels are those of the model, within their noise."""
    return bool(fit.chi2_per_dof <= 1.0 + PLAIN_SIGMAS * np.sqrt(2.0 / fit.dof))


def light_doubt(data, fit: SourceFit, noise, saturation=None) -> float:
    """What a wider aperture makes of the same source, as an error of its magnitude.

    A profile of the wrong width or length, and a background free to make up for it, share the light between
    them as the aperture has it; the right one gives the same at every radius.

    Parameters
    ----------
    data : (ny, nx) array
    fit : SourceFit
    noise : Noise
    saturation : float, optional

    Returns
    -------
    float
        Magnitudes; 0 where the model holds, NaN where no wider fit is possible.
    """
    if is_plain(fit) and not fit.psf.width_error > ASSUMED_WIDTH:
        return 0.0
    length = float(np.hypot(*(fit.trail.ends[-1, 1] - fit.trail.ends[0, 0])))
    radius = WIDE_SIGMAS * fit.psf.fwhm / FWHM_PER_SIGMA + length / 2.0
    neighbours = tuple((x, y) for x, y, *_ in fit.neighbours)
    options = {"trail": fit.trail, "neighbours": neighbours, "saturation": saturation, "radius": radius}
    try:
        wide = fit_source(data, fit.x, fit.y, fit.psf, noise, **options)
    except MeasurementError:
        return float("nan")
    return float(abs(2.5 * np.log10(wide.flux / fit.flux))) if wide.flux > 0 else float("nan")

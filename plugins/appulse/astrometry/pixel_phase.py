"""Centroid error of an undersampled image: it runs with the source's place within its pixel."""

import numpy as np

from appulse.astrometry.psf import POINT, PSF, Trail, pixel_image

UNDERSAMPLED_FWHM_PX = 2.0
WIDTH_ERROR_IF_UNKNOWN = 0.1
MAX_CONTRAST = 3.0
"""Beyond it errors of core and wings begin to cancel, which images hold to only while they are Gaussians."""


def phase_error(psf: PSF, trail: Trail = POINT, contrast: float = 0.0) -> float:
    """One-sigma centroid error from an imperfectly known width, over all places within a pixel.

    A fit with a PSF too wide or too narrow is unbiased only where the pixels sample it well; below a FWHM of
    two pixels the error runs with the source's place within its pixel (Anderson & King 2000, PASP 112, 1360).

    Parameters
    ----------
    psf : PSF
        With `width_error`; 10% is taken where that is 0.
    trail : Trail
    contrast : float
        Photon noise of the source against the sky's, as variances, per unit of the pixel image: a fit of a
        bright source leans less on its core, where the width matters; counted up to :data:`MAX_CONTRAST`.

    Returns
    -------
    float
        Px per axis, root mean square over 5 x 5 places within a pixel.

    Examples
    --------
    >>> phase_error(PSF.round(1.2)) > 10 * phase_error(PSF.round(2.5))
    True
    """
    off = psf.scaled(1.0 + (psf.width_error or WIDTH_ERROR_IF_UNKNOWN))
    reach = int(np.ceil(4 * psf.axes[0] / 2.355 + trail.reach + 1))
    rows, columns = (a.ravel() for a in np.mgrid[-reach : reach + 1, -reach : reach + 1])
    shifts = []
    for x in np.arange(5) / 5 - 0.4:
        for y in np.arange(5) / 5 - 0.4:
            value, sx, sy = pixel_image(psf, x, y, columns, rows, trail)
            truth, _, _ = pixel_image(off, x, y, columns, rows, trail)
            design = np.stack([sx, sy, value, np.ones_like(value)], axis=1)
            weight = 1.0 / np.sqrt(1.0 + np.clip(contrast, 0.0, MAX_CONTRAST) * value)
            shifts.append(
                np.linalg.lstsq(design * weight[:, None], (truth - value) * weight, rcond=None)[0][:2]
            )
    return float(np.sqrt(np.mean(np.square(shifts))))

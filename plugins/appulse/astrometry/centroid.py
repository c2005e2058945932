"""Where a source is on the pixels: a variance-weighted fit of its image, with an honest covariance.

The model is a pixel-integrated, trailed PSF on a polynomial background, with neighbours fitted in the same
breath. Weights come from the model, not from the noisy pixels (weights from the data pull a fit to the faint
side), so the fit is repeated until both agree. Pixels that no noise explains (cosmic rays) are taken out, the
worst first, and let in again when the fit that they spoilt has moved.

References: King 1983, PASP 95, 163 (profile fitting); Winick 1986, JOSA A 3, 1809 (the bound).
"""

from dataclasses import replace

import numpy as np

from appulse.astrometry.noise import Noise
from appulse.astrometry.pixel_phase import phase_error
from appulse.astrometry.profile_fit import REJECT, ProfileFit
from appulse.astrometry.psf import POINT, PSF, Trail
from appulse.astrometry.source_fit import SourceFit
from appulse.astrometry.stamp import Stamp, cut
from appulse.constants import FWHM_PER_SIGMA
from appulse.errors import MeasurementError
from appulse.numerics.distributions import chi2_isf

__all__ = ["SourceFit", "fit_source", "phase_error", "with_floor"]

WIDE, NARROW = 8.0, 4.0
"""Radii of the pixels used, in PSF sigmas: with the first a plane under the source costs under 1% of the
precision; a quartic within the second follows a galaxy's flank for a third more sigma, where any polynomial
on the wide stamp is bent by a fifth to half a sigma."""
LEAST_WIDE, LEAST_NARROW = 9.5, 4.5
"""Least radii, px: along a trail a plane is the likeness of a shift, and few pixels leave it loose (2% of the
precision at a FWHM of 2 px)."""
LADDER = ((WIDE, 1, 3, 5e-4), (WIDE, 2, 4, 0.1), (NARROW, 4, None, None))
"""Stamp, order of the background, and the order that must promise nothing more (at this chance) to stay with
it; a quadratic is held to a strict test because what it leaves bends the place."""
MANY_REJECTED = 0.02
"""Share of rejected pixels from which a background is suspected of being too stiff."""
SMOOTHER = 0.8
"""A background too rough for polynomials shows as less scatter within NARROW than in the whole stamp."""


def fit_source(
    data,
    x: float,
    y: float,
    psf: PSF,
    noise: Noise,
    *,
    trail: Trail = POINT,
    neighbours=(),
    background_order: int | None = None,
    radius: float | None = None,
    bad=None,
    saturation: float | None = None,
    free_trail: bool = False,
    max_shift: float | None = None,
    reject: float = REJECT,
) -> SourceFit:
    """Fit one source near (x, y).

    Parameters
    ----------
    data : (ny, nx) array
        The frame's pixels; NaN where bad.
    x, y : float
        First guess, zero-based px, good to about one FWHM.
    psf : PSF
    noise : Noise
    trail : Trail
        Smearing over the exposure, known from the motion.
    neighbours : sequence of (x, y)
        Sources at rest to fit together with this one, px.
    background_order : int, optional
        Of the polynomial: 1 plane, 2 quadratic, 4 quartic; by default as high as the pixels demand.
    radius : float, optional
        Of the pixels used, px; by default eight PSF sigmas, four on a rough background.
    bad : (ny, nx) bool array, optional
    saturation : float, optional
        Stored number from which pixels are not used: the fit then rests on the ring around the core.
    free_trail : bool
        Fit the trail's length and direction too.
    max_shift : float, optional
        How far from the guess the fit may end, px; two FWHM and half the trail by default.
    reject : float
        In sigmas; ``inf`` to keep every pixel.

    Returns
    -------
    SourceFit

    Raises
    ------
    MeasurementError
        If nothing can be fitted there; the message is the reason.

    Examples
    --------
    >>> from appulse.astrometry.psf import pixel_image
    >>> rows, columns = np.mgrid[0:41, 0:41]
    >>> image, _, _ = pixel_image(PSF.round(3.0), 20.3, 19.8, columns.ravel(), rows.ravel())
    >>> rng = np.random.default_rng(5)
    >>> data = 100.0 + 5000.0 * image.reshape(41, 41) + rng.normal(0.0, 5.0, (41, 41))
    >>> fit = fit_source(data, 20.0, 20.0, PSF.round(3.0), Noise(np.inf))
    >>> bool(abs(fit.x - 20.3) < 0.03), round(float(fit.cov[0, 0]) ** 0.5, 3)
    (True, 0.008)
    """
    options = (psf, noise, trail, free_trail, reject)
    best, start = None, (x, y)
    for reach, order, doubt, chance in LADDER:
        if background_order is not None:
            order, doubt = background_order, None
        pixels = radius or _radius(psf, reach)
        stamp = cut(data, x, y, pixels, trail=trail, bad=bad, saturation=saturation)
        near = _within_reach(neighbours, stamp, pixels + psf.fwhm, trail)
        try:
            fit = ProfileFit(stamp, *start, order, near, *options)
        except MeasurementError:
            if best is None:
                raise
            break  # too few pixels for so many terms
        try:
            fit.run()
        except MeasurementError as error:
            if best is None:
                raise
            raise MeasurementError(f"the background is too rough there: {error}") from error
        best = fit
        if np.hypot(fit.p[0] - x, fit.p[1] - y) < psf.fwhm:
            start = float(fit.p[0]), float(fit.p[1])
        if doubt is None or _enough(fit, doubt, chance, _radius(psf, NARROW)):
            break
    limit = max_shift if max_shift is not None else 2.0 * psf.fwhm + 0.5 * trail.length
    best.guess = x, y
    return best.result(limit)


def _radius(psf: PSF, sigmas: float) -> float:
    """Radius of a stamp, px."""
    wide = psf if psf.beta is None else psf.scaled(1.3)
    return max(sigmas * wide.axes[0] / FWHM_PER_SIGMA, LEAST_WIDE if sigmas == WIDE else LEAST_NARROW)


def _within_reach(neighbours, stamp: Stamp, radius: float, trail: Trail) -> list:
    """Neighbours that light the stamp: others have nothing there that a fit could hold on to."""
    places = np.array(neighbours, dtype=float).reshape(-1, 2)
    here = replace(stamp, columns=places[:, 0], rows=places[:, 1])
    return [tuple(place) for place in places[here.within(radius, trail)]]


def _enough(fit: ProfileFit, doubt: int, chance: float, narrow: float) -> bool:
    """Whether the residuals hint at nothing more than the background that was fitted."""
    rejected = int((fit.stamp.good & ~fit.used).sum())
    new = (doubt + 1) * (doubt + 2) // 2 - fit.basis.shape[1]
    if rejected > MANY_REJECTED * len(fit.used) or fit.gain_of(doubt) > chi2_isf(chance, new):
        return False
    inner, n = fit.inner_sky(narrow)
    loose = np.sqrt(0.5 * max(1.0 / n - 1.0 / fit.used.sum(), 0.0))
    return inner > min(SMOOTHER, 1.0 - 4.0 * loose) * fit.sky


def with_floor(fit: SourceFit, floor_px: float) -> SourceFit:
    """The same fit with a systematic error added to its covariance.

    Parameters
    ----------
    fit : SourceFit
    floor_px : float
        One sigma per axis, px.
    """
    return replace(fit, cov=fit.cov + floor_px**2 * np.eye(2))

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
from appulse.errors import MeasurementError

__all__ = ["SourceFit", "fit_source", "phase_error", "with_floor"]

STAMP_SIGMAS = (8.0, 6.4, 5.0)
"""Radii of the pixels used, in PSF sigmas: with the first a plane under the source costs under 1% of the
precision; the others follow where the background is too rough for it."""

SMALLER_IF = 0.8
"""A smaller stamp is taken if its sky scatters less than this share of the larger one's."""

PROMISING = 0.9
"""The smaller stamp is fitted at all if the larger one's residuals scatter less than this within it."""

MAX_ORDER = 4
MANY_REJECTED = 0.02
"""Share of rejected pixels from which a plane is suspected of being too stiff."""


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
        Of the polynomial: 1 plane, 2 quadratic, 3 cubic; by default as high as the pixels demand (BIC).
    radius : float, optional
        Of the pixels used, px; by default eight PSF sigmas, down to five on a rough background.
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
    options = (psf, noise, trail, neighbours, free_trail, reject)
    best = None
    for reach in (radius,) if radius else _radii(psf):
        if best is not None and not _smoother_within(best, reach):
            continue
        stamp = cut(data, x, y, reach, trail=trail, bad=bad, saturation=saturation)
        orders = (background_order,) if background_order is not None else range(1, MAX_ORDER + 1)
        try:
            fit = _best_order(stamp, x, y, orders, options)
        except MeasurementError:
            if best is None:
                raise
            break
        # A background too rough for any polynomial shows as scatter that a smaller stamp lacks.
        if best is not None and fit.sky > SMALLER_IF * best.sky:
            break
        best = fit
    limit = max_shift if max_shift is not None else 2.0 * psf.fwhm + 0.5 * trail.length
    return best.result(limit)


def _radii(psf: PSF) -> list[float]:
    """Stamps that are tried, largest first, px."""
    wide = psf if psf.beta is None else psf.scaled(1.3)
    return [share * max(wide.axes[0] / 2.355, 0.6) for share in STAMP_SIGMAS]


def _smoother_within(fit: ProfileFit, radius: float) -> bool:
    """Whether the residuals within a smaller radius promise less scatter, by more than their own chance."""
    inner, n = fit.inner_sky(radius)
    chance = np.sqrt(0.5 * max(1.0 / n - 1.0 / fit.used.sum(), 0.0))
    return inner < min(PROMISING, 1.0 - 2.5 * chance) * fit.sky


def _best_order(stamp: Stamp, x, y, orders, options) -> ProfileFit:
    """As high an order of the background as the pixels demand, by Bayes' information criterion.

    Raises
    ------
    MeasurementError
        If not even the lowest order settles.
    """
    best, best_bic, worse = None, np.inf, 0
    for order in orders:
        fit = ProfileFit(stamp, x, y, order, *options)
        try:
            fit.run()
        except MeasurementError:
            if best is None:
                raise
            break
        if order == 1 and _plain(fit, orders):
            return fit
        bic = fit.likelihood() + fit.n_parameters * np.log(stamp.good.sum())
        if bic < best_bic:
            best, best_bic, worse = fit, bic, 0
        else:
            worse += 1
        if worse and (order == 1 or worse == 2 or best.order == 1):
            break
    return best


def _plain(fit: ProfileFit, orders) -> bool:
    """Whether nothing hints at more than a plane: few pixels rejected, nothing to gain from a quadratic."""
    rejected = int((fit.stamp.good & ~fit.used).sum())
    if len(orders) == 1 or rejected > MANY_REJECTED * len(fit.used):
        return len(orders) == 1
    return fit.gain_of(2) < 1.5 * np.log(fit.used.sum())


def with_floor(fit: SourceFit, floor_px: float) -> SourceFit:
    """The same fit with a systematic error added to its covariance.

    Parameters
    ----------
    fit : SourceFit
    floor_px : float
        One sigma per axis, px.
    """
    return replace(fit, cov=fit.cov + floor_px**2 * np.eye(2))

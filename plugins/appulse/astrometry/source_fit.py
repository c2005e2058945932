"""What a fit of a source's image returns."""

from dataclasses import dataclass, field

import numpy as np

from appulse.astrometry.psf import PSF, Trail


@dataclass(frozen=True)
class SourceFit:
    """A fitted source.

    Parameters
    ----------
    x, y : float
        Place at the effective middle of the exposure, zero-based px.
    cov : (2, 2) array
        Covariance of (x, y), px^2.
    flux, flux_sigma : float
        Stored units.
    snr : float
        flux / flux_sigma.
    background : float
        Under the source, stored units per pixel.
    sky_sigma : float
        Scatter of the sky, stored units.
    chi2 : float
        Of all pixels used.
    dof : int
    n_rejected, n_saturated : int
        Pixels taken for cosmic rays; saturated pixels.
    background_order : int
        1 plane, 2 quadratic, 3 cubic, 4 quartic.
    psf : PSF
    trail : Trail
        As fitted.
    trail_sigma : (float, float) or None
        Of a free trail's length (px) and direction (deg).
    phase_error_px : float
        One-sigma pixel-phase error that `cov` holds: not 0 for an undersampled PSF only.
    neighbours : tuple of (x, y, flux)
    x0, y0 : int
        Corner of the three images.
    data, model, residual : (h, w) float32 arrays
        Pixels, model of everything, and (data - model) / sigma; NaN where not used.
    """

    x: float
    y: float
    cov: np.ndarray
    flux: float
    flux_sigma: float
    background: float
    sky_sigma: float
    chi2: float
    dof: int
    n_rejected: int
    n_saturated: int
    background_order: int
    psf: PSF
    trail: Trail
    trail_sigma: tuple[float, float] | None = None
    phase_error_px: float = 0.0
    neighbours: tuple = ()
    x0: int = 0
    y0: int = 0
    data: np.ndarray = field(default=None, repr=False)
    model: np.ndarray = field(default=None, repr=False)
    residual: np.ndarray = field(default=None, repr=False)

    @property
    def snr(self) -> float:
        """Signal to noise of the flux."""
        return self.flux / self.flux_sigma

    @property
    def chi2_per_dof(self) -> float:
        """1 for a model that explains the pixels."""
        return self.chi2 / self.dof

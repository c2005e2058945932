"""Where red and blue of a colour frame lie against green: the air's dispersion, or planes stacked apart.

Stars are fitted in each plane with the frame's own star image; what their places differ by is the same for
all stars but for their own colours, which only widen its error::

    o red      the air bends blue more than red: along the vertical, by about tan(z) arcsec
    o green    (z the zenith distance); a body unlike the stars in colour is displaced by a part of it
    o blue
"""

from dataclasses import dataclass

import numpy as np

from appulse.astrometry.psf import FieldPSF
from appulse.astrometry.sky import sky_mesh
from appulse.astrometry.stamp import Noise
from appulse.astrometry.star_fit import Pixels, fit_stars
from appulse.numerics import mad_sigma

MOST_STARS, LEAST_STARS, LEAST_SNR, PLANE_SNR = 60, 5, 20.0, 8.0
CLEAR = 4.0
"""Sigmas from which colours are said to lie apart."""
NAMES = ("red", "blue")


@dataclass(frozen=True)
class ColoursApart:
    """Places of red and blue less that of green."""

    offsets: np.ndarray  # (2, 2): red and blue, each x and y, px
    sigmas: np.ndarray  # of them
    n_stars: int

    @property
    def words(self) -> str:
        """What is said of them."""
        parts = [
            f"{name} {'(' + ', '.join(f'{value:+.2f}' for value in offset) + ')'}"
            for name, offset in zip(NAMES, self.offsets, strict=True)
        ]
        sigma = max(float(self.sigmas.max()), 0.01)
        if not (np.abs(self.offsets) > np.maximum(CLEAR * self.sigmas, 0.01)).any():
            return f"colours: red and blue lie on green within {CLEAR * sigma:.2f} px ({self.n_stars} stars)"
        return (
            f"colours lie apart (the air's dispersion, or planes stacked apart): {' and '.join(parts)} px "
            f"from green in x, y, ± {sigma:.2f} ({self.n_stars} stars); a body of another colour than the "
            "stars is displaced by a part of it"
        )


def colours_apart(
    planes, kinds, sources, psf: FieldPSF, noise: Noise, saturation: float | None
) -> ColoursApart | None:
    """Offsets of a colour frame's planes; None where too few stars show in all of them.

    `planes` are red, green and blue, (3, ny, nx); `kinds` says which pixels are bad (above 0), `sources` is
    the table of the frame's sources, brightest first.
    """
    if len(sources) == 0 or psf.n_stars == 0:
        return None
    bright = np.asarray(sources["snr"]) > LEAST_SNR
    if saturation is not None:
        bright &= np.asarray(sources["peak"]) < 0.7 * saturation
    rows = np.flatnonzero(bright)[:MOST_STARS]
    if len(rows) < LEAST_STARS:
        return None
    x, y, flux = (np.asarray(sources[name], dtype=float) for name in ("x", "y", "flux"))
    fits = []
    for plane in planes:
        plane = np.asarray(plane, dtype=np.float32)
        sigma = sky_mesh(plane).typical[1]
        values = Pixels(plane, kinds, lambda px, py, sigma=sigma: np.full(np.shape(px), sigma), noise)
        fits.append(fit_stars(values, x[rows], y[rows], psf, (x, y, flux)))
    with np.errstate(invalid="ignore"):
        good = np.all([fit.good & (fit.snr > PLANE_SNR) & (fit.n_saturated == 0) for fit in fits], axis=0)
    if good.sum() < LEAST_STARS:
        return None
    green = np.column_stack([fits[1].x, fits[1].y])[good]
    offsets, sigmas = np.zeros((2, 2)), np.zeros((2, 2))
    for k, fit in enumerate((fits[0], fits[2])):
        apart = np.column_stack([fit.x, fit.y])[good] - green
        offsets[k] = np.median(apart, axis=0)
        # A median errs by 1.25 times what a mean does.
        scatter = [mad_sigma(column) for column in apart.T]
        sigmas[k] = 1.25 * np.maximum(scatter, 1e-4) / np.sqrt(len(apart))
    return ColoursApart(offsets, sigmas, int(good.sum()))

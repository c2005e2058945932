"""The PSF of a frame from its own stars: one for all, or one that changes over the field."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from appulse.astrometry.noise import Noise
from appulse.astrometry.psf import PSF, pixel_image
from appulse.astrometry.stamp import cut
from appulse.errors import MeasurementError
from appulse.numerics.robust import mad_sigma

MAX_STARS = 60
FIELD_STARS = 25
"""From so many good stars on, the PSF's moments may change linearly over the field."""
BETAS = (2.2, 2.8, 3.5, 5.0)


@dataclass(frozen=True)
class FieldPSF:
    """PSF as a function of the place in the frame.

    Parameters
    ----------
    moments : (3, 3) array
        Coefficients of xx, yy, xy (px^2) on 1, u, v; u and v run from -1 to 1 over the frame.
    beta : float or None
        Moffat exponent; None for a Gaussian.
    shape : (int, int)
    n_stars : int
        0 where no star could be used.
    width_error : float
        Relative error of the width.
    words : str
        How it was found.
    """

    moments: np.ndarray
    beta: float | None
    shape: tuple[int, int]
    n_stars: int
    width_error: float
    words: str

    def at(self, x: float, y: float) -> PSF:
        """PSF at a place, zero-based px."""
        ny, nx = self.shape
        u, v = np.clip(2 * x / max(nx - 1, 1) - 1, -1, 1), np.clip(2 * y / max(ny - 1, 1) - 1, -1, 1)
        xx, yy, xy = self.moments @ np.array([1.0, u, v])
        xx, yy = max(xx, 0.03), max(yy, 0.03)
        limit = 0.95 * np.sqrt(xx * yy)
        return PSF(float(xx), float(yy), float(np.clip(xy, -limit, limit)), self.beta, self.width_error)

    @property
    def fwhm(self) -> float:
        """At the frame's centre, px."""
        return self.at((self.shape[1] - 1) / 2, (self.shape[0] - 1) / 2).fwhm

    @classmethod
    def fixed(cls, psf: PSF, shape, words="given") -> "FieldPSF":
        """The same PSF everywhere."""
        moments = np.zeros((3, 3))
        moments[:, 0] = psf.xx, psf.yy, psf.xy
        return cls(moments, psf.beta, tuple(shape), 0, psf.width_error, words)


def fit_shape(data, x, y, psf: PSF, noise: Noise, saturation=None, bad=None):
    """Fit place, flux, plane and the three moments of one star.

    Parameters
    ----------
    data : (ny, nx) array
    x, y : float
        Guess, zero-based px.
    psf : PSF
        Guess of the shape; its beta is kept.
    noise : Noise
    saturation : float, optional
    bad : (ny, nx) bool array, optional

    Returns
    -------
    psf : PSF
    place : (x, y)
    chi2_per_dof : float
    moment_sigmas : (3,) array

    Raises
    ------
    MeasurementError
        If the star cannot be fitted.
    """
    stamp = cut(data, x, y, 3.4 * psf.fwhm, bad=bad, saturation=saturation)
    if stamp.n_saturated or not stamp.good.all():
        raise MeasurementError("saturated or bad pixels")
    basis = stamp.background_terms(1)
    p = np.array([x, y, psf.xx, psf.yy, psf.xy])
    start_sigma2 = psf.sigma**2
    rim = np.hypot(stamp.columns - x, stamp.rows - y) > 2.2 * psf.fwhm
    floor = max(mad_sigma(stamp.values[rim]), 1e-6) ** 2
    linear = None
    for count in range(25):
        shape = PSF(*p[2:5], psf.beta)
        value, sx, sy = pixel_image(shape, p[0], p[1], stamp.columns, stamp.rows)
        design = np.column_stack([value, basis])
        light = 0.0 if linear is None else linear[0] * value
        root = np.sqrt(noise.variance(light, floor)) * np.ones(len(value))
        linear = np.linalg.lstsq(design / root[:, None], stamp.values / root, rcond=None)[0]
        flux = linear[0]
        if not flux > 0:
            raise MeasurementError("no light")
        slopes = []
        for k in range(3):
            eps = 1e-3 * start_sigma2
            moved = p[2:5].copy()
            moved[k] += eps
            slopes.append(
                (pixel_image(PSF(*moved, psf.beta), p[0], p[1], stamp.columns, stamp.rows)[0] - value) / eps
            )
        jacobian = (
            np.column_stack([flux * sx, flux * sy, *(flux * s for s in slopes), design]) / root[:, None]
        )
        residual = (stamp.values - design @ linear) / root
        step, *_ = np.linalg.lstsq(jacobian, residual, rcond=None)
        p = p + np.clip(step[:5], -0.4 * start_sigma2, 0.4 * start_sigma2)
        p[2:4] = np.clip(p[2:4], 0.05, 9 * start_sigma2 + 1)
        p[4] = np.clip(p[4], -0.9 * np.sqrt(p[2] * p[3]), 0.9 * np.sqrt(p[2] * p[3]))
        if count > 2 and np.max(np.abs(step[:5])) < 1e-4:
            break
    if np.hypot(p[0] - x, p[1] - y) > psf.fwhm:
        raise MeasurementError("the fit left its place")
    chi2 = float(np.sum(residual**2) / (len(residual) - 9))
    sigmas = np.sqrt(np.maximum(np.diag(np.linalg.pinv(jacobian.T @ jacobian))[2:5], 0) * max(chi2, 1.0))
    return PSF(*p[2:5], psf.beta), (float(p[0]), float(p[1])), chi2, sigmas


def psf_from_stars(data, stars, noise: Noise, *, saturation=None, bad=None) -> FieldPSF:
    """PSF of a frame.

    Parameters
    ----------
    data : (ny, nx) array
    stars : Table
        From :func:`appulse.astrometry.stars.detect_stars`.
    noise : Noise
    saturation : float, optional
    bad : (ny, nx) bool array, optional

    Returns
    -------
    FieldPSF
        With `n_stars` 0 and a width error of 20% where fewer than one star could be fitted.
    """
    picked = _pick(stars, data, saturation)
    guess = float(np.median(stars["fwhm"][picked])) if len(picked) else 3.0
    guess = PSF.round(float(np.clip(guess, 1.0, 15.0)))
    fits = _fit_all(data, stars, picked, guess, noise, saturation, bad)
    if not fits:
        return FieldPSF.fixed(
            replace(guess, width_error=0.2), data.shape, "no star could be fitted: assumed round"
        )
    beta, fits = _choose_beta(data, stars, picked, guess, noise, saturation, bad, fits)
    places = np.array([f[1] for f in fits])
    moments = np.array([[f[0].xx, f[0].yy, f[0].xy] for f in fits])
    sizes = np.sqrt(np.sqrt(np.maximum(moments[:, 0] * moments[:, 1] - moments[:, 2] ** 2, 1e-6)))
    keep = np.abs(sizes - np.median(sizes)) <= max(3.5 * mad_sigma(sizes), 0.02 * np.median(sizes))
    places, moments, sizes = places[keep], moments[keep], sizes[keep]
    scatter = max(mad_sigma(sizes) / np.median(sizes), 0.005) if len(sizes) > 2 else 0.05
    ny, nx = data.shape
    uv = 2 * places / np.array([max(nx - 1, 1), max(ny - 1, 1)]) - 1
    coefficients = np.zeros((3, 3))
    if len(places) >= FIELD_STARS:
        design = np.column_stack([np.ones(len(uv)), uv])
        for k in range(3):
            coefficients[k] = _robust_plane(design, moments[:, k])
        words = f"from {len(places)} stars, changing over the field"
    else:
        coefficients[:, 0] = np.median(moments, axis=0)
        words = f"from {len(places)} star{'s' if len(places) > 1 else ''}"
    words += ", Gaussian" if beta is None else f", Moffat of exponent {beta:g}"
    return FieldPSF(coefficients, beta, data.shape, len(places), float(scatter / np.sqrt(len(places))), words)


def _pick(stars, data, saturation):
    """Bright, not saturated, alone, off the edges; not sharper or wider than the rest."""
    ny, nx = data.shape
    if len(stars) == 0:
        return np.array([], dtype=int)
    x, y, width = (np.asarray(stars[name], dtype=float) for name in ("x", "y", "fwhm"))
    bright = np.flatnonzero(np.asarray(stars["snr"]) > 20)[:400]
    typical = np.median(width[bright]) if len(bright) else np.median(width)
    margin = 4 * typical
    good = (
        (np.asarray(stars["snr"]) > 20) & (x > margin) & (x < nx - margin) & (y > margin) & (y < ny - margin)
    )
    good &= (width < 2.0 * typical) & (width > 0.5 * typical) & (np.asarray(stars["round"]) > 0.6)
    if saturation is not None:
        good &= np.asarray(stars["peak"]) < 0.7 * saturation
    # The very brightest may be beyond the detector's straight response even where no limit is known.
    tree = cKDTree(np.column_stack([x, y]))
    picked = []
    for i in np.flatnonzero(good)[: 6 * MAX_STARS]:
        near = [j for j in tree.query_ball_point((x[i], y[i]), 4.5 * typical) if j != i]
        if all(stars["flux"][j] < 0.02 * stars["flux"][i] for j in near):
            picked.append(i)
        if len(picked) == MAX_STARS:
            break
    return np.array(picked, dtype=int)


def _fit_all(data, stars, picked, guess, noise, saturation, bad):
    fits = []
    for i in picked:
        try:
            fits.append(
                fit_shape(data, float(stars["x"][i]), float(stars["y"][i]), guess, noise, saturation, bad)
            )
        except (MeasurementError, np.linalg.LinAlgError):
            continue
    return fits


def _choose_beta(data, stars, picked, guess, noise, saturation, bad, gaussian):
    """Moffat where it explains the brightest stars clearly better than a Gaussian."""
    few = picked[:12]
    base = np.median([f[2] for f in gaussian[:12]])
    best, best_chi2 = None, base
    if base < 1.15:
        return None, gaussian
    for beta in BETAS:
        fits = _fit_all(data, stars, few, replace(guess, beta=beta), noise, saturation, bad)
        chi2 = np.median([f[2] for f in fits]) if fits else np.inf
        if chi2 < best_chi2 - 0.1 * (base - 1.0):
            best, best_chi2 = beta, chi2
    if best is None:
        return None, gaussian
    fits = _fit_all(data, stars, picked, replace(guess, beta=best), noise, saturation, bad)
    return (best, fits) if len(fits) >= 0.5 * len(gaussian) else (None, gaussian)


def _robust_plane(design, values):
    weight = np.ones(len(values))
    for _ in range(5):
        solution = np.linalg.lstsq(design * weight[:, None], values * weight, rcond=None)[0]
        off = np.abs(values - design @ solution)
        scale = max(1.4826 * np.median(off), 1e-9)
        weight = (off < 3.5 * scale).astype(float)
    return solution

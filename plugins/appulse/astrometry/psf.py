"""The image of a point of light on pixels, at rest or trailed: values and their slopes with position.

A Gaussian of any ellipse, smeared over straight segments, has a closed form (a Gaussian across times a
difference of two error functions along) in the coordinates in which the ellipse is a circle. A pixel's share
is the integral over its square, by Gauss-Legendre points: exact to 1e-4 of the peak at the widths used.

::

      segment b         A self-stacked frame with a pause: two segments, each with its share of the light.
        o-----o   o---------o          The place (x, y) is where the body was at the effective middle.
                  ^ gap

The PSF of a frame comes from its own stars: one for all, or one that changes over the field.
"""

from contextlib import suppress
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from scipy.spatial import cKDTree
from scipy.special import ndtr

from appulse.astrometry.stamp import Noise, cut, line_distance2
from appulse.constants import FWHM_PER_SIGMA
from appulse.errors import MeasurementError
from appulse.numerics import MAD_TO_SIGMA, mad_sigma

POINT_LIKE = 1e-3
"""A segment shorter than this, in sigmas, is a point."""

TAIL = 6.0
"""Beyond this many sigmas of every segment a Gaussian's light (2e-8) is not computed."""

MAX_STARS = 60
FIELD_STARS = 25
"""From so many good stars on, the PSF's moments may change linearly over the field."""
BETAS = (2.2, 2.8, 3.5, 5.0)
"""Moffat exponents tried: long exposures through the air give 2.5 to 5 (common practice, no source)."""


@dataclass(frozen=True)
class PSF:
    """Image of a point source: an elliptical Gaussian, or an elliptical Moffat where `beta` is given.

    Parameters
    ----------
    xx, yy, xy : float
        Second moments of the Gaussian, px^2. For a Moffat, those of the Gaussian of the same FWHM.
    beta : float, optional
        Exponent of a Moffat profile (1 + (r/alpha)^2)^-beta, above 1.
    width_error : float
        Relative one-sigma error of the width, 0 where it is taken as exact.

    Examples
    --------
    >>> psf = PSF.round(2.5)
    >>> round(psf.fwhm, 6), round(psf.sigma, 6)
    (2.5, 1.061652)
    """

    xx: float
    yy: float
    xy: float = 0.0
    beta: float | None = None
    width_error: float = 0.0

    @classmethod
    def round(cls, fwhm: float, beta: float | None = None) -> "PSF":
        """A circular one of this full width at half maximum, px."""
        variance = (fwhm / FWHM_PER_SIGMA) ** 2
        return cls(variance, variance, 0.0, beta)

    @property
    def covariance(self) -> np.ndarray:
        """Second moments, px^2, shape (2, 2)."""
        return np.array([[self.xx, self.xy], [self.xy, self.yy]])

    @property
    def sigma(self) -> float:
        """Geometric mean of the two sigmas, px."""
        return float((self.xx * self.yy - self.xy**2) ** 0.25)

    @property
    def fwhm(self) -> float:
        """Geometric mean of the full widths at half maximum, px."""
        return self.sigma * FWHM_PER_SIGMA

    @property
    def axes(self) -> tuple[float, float]:
        """Full widths at half maximum along the major and minor axes, px."""
        low, high = np.linalg.eigvalsh(self.covariance)
        return float(np.sqrt(high) * FWHM_PER_SIGMA), float(np.sqrt(low) * FWHM_PER_SIGMA)

    def scaled(self, factor: float) -> "PSF":
        """The same shape, wider by `factor`."""
        return replace(self, xx=self.xx * factor**2, yy=self.yy * factor**2, xy=self.xy * factor**2)


@dataclass(frozen=True)
class Trail:
    """How a moving source is smeared over the pixels.

    Parameters
    ----------
    ends : (k, 2, 2) array
        Start and end of each segment as (x, y) in px, relative to the place at the effective middle.
    weights : (k,) array
        Share of the light of each segment, together 1.

    Examples
    --------
    >>> Trail.straight(4.0, 0.0).ends.tolist()
    [[[-2.0, -0.0], [2.0, 0.0]]]
    """

    ends: np.ndarray
    weights: np.ndarray

    @classmethod
    def straight(cls, length: float, angle_deg: float) -> "Trail":
        """One segment of `length` px, at an angle from +x towards +y in degrees."""
        angle = np.radians(angle_deg)
        half = 0.5 * length * np.array([np.cos(angle), np.sin(angle)])
        return cls(np.array([[-half, half]]), np.ones(1))

    @property
    def length(self) -> float:
        """From the first start to the last end, px."""
        return float(np.linalg.norm(self.ends[-1, 1] - self.ends[0, 0]))

    @property
    def angle_deg(self) -> float:
        """Direction of the motion from +x towards +y, degrees."""
        step = self.ends[-1, 1] - self.ends[0, 0]
        return float(np.degrees(np.arctan2(step[1], step[0])))

    @property
    def reach(self) -> float:
        """Largest distance of an end from the middle, px."""
        return float(np.sqrt(np.max(np.sum(self.ends**2, axis=-1))))

    def turned(self, length_factor: float, turn_deg: float) -> "Trail":
        """The same trail, longer by a factor and turned."""
        c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
        return Trail(length_factor * self.ends @ np.array([[c, s], [-s, c]]), self.weights)


POINT = Trail(np.zeros((1, 2, 2)), np.ones(1))
"""A source at rest."""


@lru_cache(maxsize=64)
def _whitener(psf: PSF) -> np.ndarray:
    """Symmetric W with W C W = 1: in W's coordinates the core is a circle of unit sigma."""
    values, vectors = np.linalg.eigh(psf.covariance)
    return (vectors / np.sqrt(values)) @ vectors.T


@lru_cache(maxsize=8)
def _nodes(order: int):
    """Gauss-Legendre points on a unit pixel: offsets and weights, (order^2,) each."""
    points, weights = np.polynomial.legendre.leggauss(order)
    dx, dy = np.meshgrid(points / 2, points / 2)
    return dx.ravel(), dy.ravel(), np.outer(weights, weights).ravel() / 4


@lru_cache(maxsize=64)
def _order(psf: PSF) -> int:
    """Points per pixel side that keep the integral's error below 1e-4 of the peak."""
    narrow = psf.axes[1] / FWHM_PER_SIGMA
    return 2 if narrow > 1.5 else 3 if narrow > 0.8 else 5 if narrow > 0.4 else 9


def pixel_image(psf: PSF, x: float, y: float, columns, rows, trail: Trail = POINT, coarse: bool = False):
    """Light of a source of unit flux in each pixel, with its slopes.

    Parameters
    ----------
    psf : PSF
    x, y : float
        Place of the source (at the effective middle), zero-based px.
    columns, rows : (n,) arrays
        Pixels (x and y of their centres).
    trail : Trail
    coarse : bool
        Several times as quick and good to 1.5% of the peak: a pixel as a Gaussian of its own width.

    Returns
    -------
    value, slope_x, slope_y : (n,) arrays
        Share of the flux in each pixel and its derivative with x and y (per px).

    Examples
    --------
    >>> rows, columns = np.mgrid[-12:13, -12:13]
    >>> value, _, _ = pixel_image(PSF.round(3.0), 0.2, -0.1, columns.ravel(), rows.ravel())
    >>> round(float(value.sum()), 6), round(float((value * columns.ravel()).sum()), 5)
    (1.0, 0.2)
    """
    columns, rows = np.asarray(columns, dtype=float), np.asarray(rows, dtype=float)
    at_rest = trail is POINT or (len(trail.ends) == 1 and not np.any(trail.ends))
    # Most stars of most frames are such: a product instead of a sum over points within each pixel.
    if psf.beta is None and psf.xy == 0.0 and at_rest:
        return _upright_gaussian(psf, columns - x, rows - y)
    order = 1 if coarse else _order(psf)
    if coarse:
        # A unit square has a variance of 1/12 along each axis.
        psf = replace(psf, xx=psf.xx + 1 / 12, yy=psf.yy + 1 / 12)
    result = np.zeros((3, columns.size))
    white = _whitener(psf)
    if psf.beta is None:
        near = _near(columns - x, rows - y, white, trail)
        columns, rows = columns[near], rows[near]
    else:
        near = slice(None)
    dx, dy, share = _nodes(order)
    px = columns[:, None] + dx - x
    py = rows[:, None] + dy - y
    u = white[0, 0] * px + white[0, 1] * py
    v = white[1, 0] * px + white[1, 1] * py
    light = _moffat_segments if psf.beta is not None else _gaussian if at_rest else _gaussian_segments
    value, du, dv = light(u, v, trail.ends @ white, trail.weights, psf.beta)
    scale = np.linalg.det(white)
    result[0, near] = scale * (value @ share)
    # The chain rule through (u, v) = W (px, py); moving the source is moving the pixels the other way.
    gu, gv = scale * (du @ share), scale * (dv @ share)
    result[1, near] = -(white[0, 0] * gu + white[1, 0] * gv)
    result[2, near] = -(white[0, 1] * gu + white[1, 1] * gv)
    return result


def _upright_gaussian(psf, dx, dy):
    """A point's Gaussian along the pixel axes: the integral over a pixel is a product of two differences."""
    sides = []
    for offset, variance in ((dx, psf.xx), (dy, psf.yy)):
        s = np.sqrt(variance)
        low, high = (offset - 0.5) / s, (offset + 0.5) / s
        # From the side on which both tails are small: no cancellation far out.
        share = np.where(offset > 0, ndtr(-low) - ndtr(-high), ndtr(high) - ndtr(low))
        sides.append((share, (_phi(low) - _phi(high)) / s))
    (fx, sx), (fy, sy) = sides
    return np.stack([fx * fy, sx * fy, fx * sy])


def _near(dx, dy, white, trail):
    """Pixels within TAIL sigmas of the line that holds all segments."""
    u = white[0, 0] * dx + white[0, 1] * dy
    v = white[1, 0] * dx + white[1, 1] * dy
    # A pixel reaches out of its centre by half its diagonal, 0.71 px.
    margin = 0.71 * np.linalg.norm(white)
    ends = trail.ends[0, 0] @ white, trail.ends[-1, 1] @ white
    return line_distance2(u, v, *ends) < (TAIL + margin) ** 2


def _gaussian(u, v, _ends, _weights, _beta):
    """Unit circular Gaussian; value and gradient in (u, v)."""
    value = np.exp(-0.5 * (u * u + v * v)) / (2 * np.pi)
    return value, -u * value, -v * value


def _gaussian_segments(u, v, ends, weights, _beta):
    """Unit circular Gaussian smeared over segments; value and gradient in (u, v)."""
    #        v
    #        |            . (u, v)       s along the segment from its middle, n across it.
    #        |          n .              Smeared along s a Gaussian is
    #        |      o-----+---------o      phi(n) [Phi(s + L/2) - Phi(s - L/2)] / L,
    #        |           middle -> s     and its slope with s is a difference of two phi.
    #        +------------------ u
    value, du, dv = np.zeros_like(u), np.zeros_like(u), np.zeros_like(u)
    for (start, end), weight in zip(ends, weights, strict=True):
        step, centre = end - start, 0.5 * (start + end)
        length = float(np.hypot(*step))
        tu, tv = step / length if length > POINT_LIKE else (1.0, 0.0)
        s = (u - centre[0]) * tu + (v - centre[1]) * tv
        n = (v - centre[1]) * tu - (u - centre[0]) * tv
        across = weight * np.exp(-0.5 * n * n) / np.sqrt(2 * np.pi)
        if length > POINT_LIKE:
            # Both tails from the side on which they are small: no cancellation far out.
            side = np.abs(s)
            along = (ndtr(0.5 * length - side) - ndtr(-0.5 * length - side)) / length
            slope = (_phi(s + 0.5 * length) - _phi(s - 0.5 * length)) / length
        else:
            along = _phi(s)
            slope = -s * along
        f, fs = across * along, across * slope
        fn = -n * f
        value += f
        du += fs * tu - fn * tv
        dv += fs * tv + fn * tu
    return value, du, dv


def _moffat_segments(u, v, ends, weights, beta):
    """Circular Moffat with the FWHM of a unit Gaussian; segments by Gauss-Legendre points along them."""
    # A smeared Moffat has no closed form; two points, and two more for every sigma of its length.
    alpha2 = 2 * np.log(2) / (2 ** (1 / beta) - 1)
    value, du, dv = np.zeros_like(u), np.zeros_like(u), np.zeros_like(u)
    for (start, end), weight in zip(ends, weights, strict=True):
        length = float(np.hypot(*(end - start)))
        points, shares = np.polynomial.legendre.leggauss(
            max(1, int(np.ceil(2 + 2 * length))) if length > POINT_LIKE else 1
        )
        for point, share in zip(points, shares / 2, strict=True):
            a, b = (w - (start + end)[i] / 2 - point * (end - start)[i] / 2 for i, w in enumerate((u, v)))
            base = 1 + (a * a + b * b) / alpha2
            f = weight * share * (beta - 1) / (np.pi * alpha2) * base**-beta
            slope = -2 * beta / alpha2 * f / base
            value += f
            du += slope * a
            dv += slope * b
    return value, du, dv


def _phi(t):
    """The normal density."""
    return np.exp(-0.5 * t * t) / np.sqrt(2 * np.pi)


class ShapeFit(NamedTuple):
    """Shape of one star, its place in px, and chi-squared per degree of freedom."""

    psf: PSF
    place: tuple[float, float]
    chi2: float


@dataclass(frozen=True)
class FieldPSF:
    """PSF as a function of the place in the frame."""

    moments: np.ndarray  # (3, 3): xx, yy, xy (px^2) on 1, u, v, which run from -1 to 1 over the frame
    beta: float | None  # Moffat exponent; None for a Gaussian
    shape: tuple[int, int]
    n_stars: int  # 0 where no star could be used
    width_error: float  # relative
    words: str  # how it was found

    def at(self, x: float, y: float) -> PSF:
        """PSF at a place, zero-based px."""
        ny, nx = self.shape
        u, v = np.clip(2 * x / max(nx - 1, 1) - 1, -1, 1), np.clip(2 * y / max(ny - 1, 1) - 1, -1, 1)
        xx, yy, xy = self.moments @ np.array([1.0, u, v])
        # A plane through the stars' moments may leave the ellipses that exist in a corner without stars.
        xx, yy = max(xx, 0.03), max(yy, 0.03)
        limit = 0.95 * np.sqrt(xx * yy)
        return PSF(float(xx), float(yy), float(np.clip(xy, -limit, limit)), self.beta, self.width_error)

    @property
    def fwhm(self) -> float:
        """At the frame's centre, px."""
        return self.at((self.shape[1] - 1) / 2, (self.shape[0] - 1) / 2).fwhm

    @classmethod
    def fixed(cls, psf: PSF, shape, words: str = "given") -> "FieldPSF":
        """The same PSF everywhere."""
        moments = np.zeros((3, 3))
        moments[:, 0] = psf.xx, psf.yy, psf.xy
        return cls(moments, psf.beta, tuple(shape), 0, psf.width_error, words)


def psf_from_stars(data, stars, noise: Noise, *, saturation=None, bad=None) -> FieldPSF:
    """PSF of a frame from its detected stars; round and 20% uncertain where none of them can be fitted."""
    ny, nx = data.shape
    picked = _pick(stars, data.shape, saturation)
    guess = float(np.median(stars["fwhm"][picked])) if len(picked) else 3.0
    guess = PSF.round(float(np.clip(guess, 1.0, 15.0)))

    def fit_all(rows, psf) -> list[ShapeFit]:
        fits = []
        for i in rows:
            # Blends, edges and cosmic rays fail now and then; the others carry the PSF.
            with suppress(MeasurementError, np.linalg.LinAlgError):
                x, y = float(stars["x"][i]), float(stars["y"][i])
                fits.append(fit_shape(data, x, y, psf, noise, saturation, bad))
        return fits

    fits = fit_all(picked, guess)
    if not fits:
        assumed = replace(guess, width_error=0.2)
        return FieldPSF.fixed(assumed, data.shape, "no star could be fitted: assumed round")
    beta, fits = _choose_beta(fit_all, picked, guess, fits)
    places = np.array([fit.place for fit in fits])
    moments = np.array([[fit.psf.xx, fit.psf.yy, fit.psf.xy] for fit in fits])
    sizes = np.sqrt(np.sqrt(np.maximum(moments[:, 0] * moments[:, 1] - moments[:, 2] ** 2, 1e-6)))
    # Galaxies and blends that passed for stars are wider than the rest, hot pixels narrower.
    keep = np.abs(sizes - np.median(sizes)) <= max(3.5 * mad_sigma(sizes), 0.02 * np.median(sizes))
    places, moments, sizes = places[keep], moments[keep], sizes[keep]
    scatter = max(mad_sigma(sizes) / np.median(sizes), 0.005) if len(sizes) > 2 else 0.05
    coefficients = np.zeros((3, 3))
    words = f"from {len(places)} star{'s' if len(places) > 1 else ''}"
    if len(places) >= FIELD_STARS:
        uv = 2 * places / np.array([max(nx - 1, 1), max(ny - 1, 1)]) - 1
        design = np.column_stack([np.ones(len(uv)), uv])
        coefficients[:] = [_robust_plane(design, moments[:, k]) for k in range(3)]
        words += ", changing over the field"
    else:
        coefficients[:, 0] = np.median(moments, axis=0)
    words += ", Gaussian" if beta is None else f", Moffat of exponent {beta:g}"
    return FieldPSF(coefficients, beta, data.shape, len(places), float(scatter / np.sqrt(len(places))), words)


def _pick(stars, shape, saturation) -> np.ndarray:
    """Rows of stars that are bright, unsaturated, alone, off the edges, no sharper or wider than the rest."""
    if len(stars) == 0:
        return np.array([], dtype=int)
    ny, nx = shape
    x, y, width, snr, flux = (np.asarray(stars[c], dtype=float) for c in ("x", "y", "fwhm", "snr", "flux"))
    bright = np.flatnonzero(snr > 20)[:400]
    typical = np.median(width[bright]) if len(bright) else np.median(width)
    margin = 4 * typical
    good = (snr > 20) & (x > margin) & (x < nx - margin) & (y > margin) & (y < ny - margin)
    good &= (width < 2.0 * typical) & (width > 0.5 * typical) & (np.asarray(stars["round"]) > 0.6)
    if saturation is not None:
        # Below the limit by a third: the response bends before it ends.
        good &= np.asarray(stars["peak"]) < 0.7 * saturation
    tree = cKDTree(np.column_stack([x, y]))
    picked = []
    for i in np.flatnonzero(good)[: 6 * MAX_STARS]:
        near = [j for j in tree.query_ball_point((x[i], y[i]), 4.5 * typical) if j != i]
        # Its companion's light would widen the fitted shape.
        if np.all(flux[near] < 0.02 * flux[i]):
            picked.append(i)
        if len(picked) == MAX_STARS:
            break
    return np.array(picked, dtype=int)


def fit_shape(data, x: float, y: float, psf: PSF, noise: Noise, saturation=None, bad=None) -> ShapeFit:
    """Fit place, flux, plane and the three moments of one star; `psf` is the guess, its beta is kept."""
    stamp = cut(data, x, y, 3.4 * psf.fwhm, bad=bad, saturation=saturation)
    if stamp.n_saturated or not stamp.good.all():
        raise MeasurementError("saturated or bad pixels")
    basis = stamp.background_terms(1)
    p = np.array([x, y, psf.xx, psf.yy, psf.xy])
    sigma2 = psf.sigma**2
    rim = np.hypot(stamp.columns - x, stamp.rows - y) > 2.2 * psf.fwhm
    floor = max(mad_sigma(stamp.values[rim]), 1e-6) ** 2

    def image(parameters):
        shape = PSF(*parameters[2:5], psf.beta)
        return pixel_image(shape, parameters[0], parameters[1], stamp.columns, stamp.rows)

    flux = 0.0
    for count in range(25):
        value, slope_x, slope_y = image(p)
        design = np.column_stack([value, basis])
        # Weights from the model of the round before: those of the pixels themselves favour the faint ones.
        root = np.sqrt(noise.variance(flux * value, floor))
        # Flux and plane are linear: solved outright, so that only place and shape are stepped.
        linear = np.linalg.lstsq(design / root[:, None], stamp.values / root, rcond=None)[0]
        flux = linear[0]
        if not flux > 0:
            raise MeasurementError("no light")
        # A PSF has no closed slope with its moments once it is integrated over pixels.
        step = 1e-3 * sigma2
        slopes = [(image(p + step * (np.arange(5) == k))[0] - value) / step for k in (2, 3, 4)]
        columns = [flux * slope for slope in (slope_x, slope_y, *slopes)]
        jacobian = np.column_stack([*columns, design]) / root[:, None]
        residual = (stamp.values - design @ linear) / root
        move = np.linalg.lstsq(jacobian, residual, rcond=None)[0][:5]
        # Short steps, and inside the ellipses that exist: the first guess may be off by a factor of two.
        p = p + np.clip(move, -0.4 * sigma2, 0.4 * sigma2)
        p[2:4] = np.clip(p[2:4], 0.05, 9 * sigma2 + 1)
        p[4] = np.clip(p[4], -0.9 * np.sqrt(p[2] * p[3]), 0.9 * np.sqrt(p[2] * p[3]))
        if count > 2 and np.max(np.abs(move)) < 1e-4:
            break
    if np.hypot(p[0] - x, p[1] - y) > psf.fwhm:
        raise MeasurementError("the fit left its place")
    chi2 = float(np.sum(residual**2) / (len(residual) - 9))
    return ShapeFit(PSF(*p[2:5], psf.beta), (float(p[0]), float(p[1])), chi2)


def _choose_beta(fit_all, picked, guess: PSF, gaussian):
    """Moffat where it explains the brightest stars clearly better than a Gaussian."""
    base = np.median([fit.chi2 for fit in gaussian[:12]])
    best, best_chi2 = None, base
    if base < 1.15:
        return None, gaussian
    for beta in BETAS:
        fits = fit_all(picked[:12], replace(guess, beta=beta))
        chi2 = np.median([fit.chi2 for fit in fits]) if fits else np.inf
        # A tenth of the misfit at least: the exponents differ little, and noise must not choose among them.
        if chi2 < best_chi2 - 0.1 * (base - 1.0):
            best, best_chi2 = beta, chi2
    if best is None:
        return None, gaussian
    fits = fit_all(picked, replace(guess, beta=best))
    return (best, fits) if len(fits) >= 0.5 * len(gaussian) else (None, gaussian)


def _robust_plane(design, values) -> np.ndarray:
    """Coefficients of a plane; stars far off it are left out."""
    weight = np.ones(len(values))
    for _ in range(5):
        solution = np.linalg.lstsq(design * weight[:, None], values * weight, rcond=None)[0]
        off = np.abs(values - design @ solution)
        weight = (off < 3.5 * max(MAD_TO_SIGMA * np.median(off), 1e-9)).astype(float)
    return solution

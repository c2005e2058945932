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

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.special import ndtr

from appulse.astrometry.stamp import line_distance2
from appulse.constants import FWHM_PER_SIGMA

POINT_LIKE = 1e-3
"""A segment shorter than this, in sigmas, is a point."""

TAIL = 6.0
"""Beyond this many sigmas of every segment a Gaussian's light (2e-8) is not computed."""


CORE = 5.0
"""Beyond this many sigmas half as many points per side of a pixel do for a Moffat."""


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
def gauss_nodes(order: int):
    """Gauss-Legendre points on a unit pixel: offsets and weights, (order^2,) each."""
    points, weights = np.polynomial.legendre.leggauss(order)
    dx, dy = np.meshgrid(points / 2, points / 2)
    return dx.ravel(), dy.ravel(), np.outer(weights, weights).ravel() / 4


_line_nodes = lru_cache(maxsize=64)(np.polynomial.legendre.leggauss)


@lru_cache(maxsize=64)
def _order(psf: PSF) -> int:
    """Points per pixel side that keep the integral's error below 1e-4 of the peak."""
    return nodes_per_side(psf.axes[1] / FWHM_PER_SIGMA)


def nodes_per_side(narrow: float) -> int:
    """Points per pixel side for an image whose narrow axis has this sigma, px."""
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
    at_rest = len(trail.ends) == 1 and not np.any(trail.ends)
    # Most stars of most frames are such: a product instead of a sum over points within each pixel.
    if psf.beta is None and psf.xy == 0.0 and at_rest:
        return _upright_gaussian(psf, columns - x, rows - y)
    order = 1 if coarse else _order(psf)
    if coarse:
        # A unit square has a variance of 1/12 along each axis.
        psf = replace(psf, xx=psf.xx + 1 / 12, yy=psf.yy + 1 / 12)
    result, white = np.zeros((3, columns.size)), _whitener(psf)
    dx, dy = columns - x, rows - y
    near = _near(dx, dy, white, trail, TAIL if psf.beta is None else CORE)
    result[:, near] = _integrated(psf, white, dx[near], dy[near], trail, order)
    if psf.beta is not None and not near.all():
        # Far out a Moffat is as good as straight over a pixel.
        far = ~near
        result[:, far] = _integrated(psf, white, dx[far], dy[far], trail, (order + 1) // 2)
    return result


def _integrated(psf: PSF, white, dx, dy, trail: Trail, order: int):
    """Light in pixels at places about the source, and its slopes, by so many points per side of a pixel."""
    at_rest = len(trail.ends) == 1 and not np.any(trail.ends)
    light = _moffat_segments if psf.beta is not None else _gaussian if at_rest else _gaussian_segments
    px, py, share = gauss_nodes(order)
    px, py = dx[:, None] + px, dy[:, None] + py
    u = white[0, 0] * px + white[0, 1] * py
    v = white[1, 0] * px + white[1, 1] * py
    value, du, dv = light(u, v, trail.ends @ white, trail.weights, psf.beta)
    scale = np.linalg.det(white)
    # The chain rule through (u, v) = W (px, py); moving the source is moving the pixels the other way.
    gu, gv = scale * (du @ share), scale * (dv @ share)
    slopes = -(white[0, 0] * gu + white[1, 0] * gv), -(white[0, 1] * gu + white[1, 1] * gv)
    return np.stack([scale * (value @ share), *slopes])


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


def _near(dx, dy, white, trail, reach: float):
    """Pixels within so many sigmas of the line that holds all segments."""
    u = white[0, 0] * dx + white[0, 1] * dy
    v = white[1, 0] * dx + white[1, 1] * dy
    # A pixel reaches out of its centre by half its diagonal, 0.71 px.
    margin = 0.71 * np.linalg.norm(white)
    ends = trail.ends[0, 0] @ white, trail.ends[-1, 1] @ white
    return line_distance2(u, v, *ends) < (reach + margin) ** 2


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
        points, shares = _line_nodes(max(1, int(np.ceil(2 + 2 * length))) if length > POINT_LIKE else 1)
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
        xx, yy, xy = self.moments_at(np.array([x]), np.array([y]))[0]
        return PSF(float(xx), float(yy), float(xy), self.beta, self.width_error)

    def moments_at(self, x, y) -> np.ndarray:
        """Moments xx, yy, xy at places, (n, 3)."""
        ny, nx = self.shape
        u, v = np.clip(2 * x / max(nx - 1, 1) - 1, -1, 1), np.clip(2 * y / max(ny - 1, 1) - 1, -1, 1)
        xx, yy, xy = self.moments @ np.stack([np.ones_like(u), u, v])
        # A plane through the stars' moments may leave the ellipses that exist in a corner without stars.
        xx, yy = np.maximum(xx, 0.03), np.maximum(yy, 0.03)
        limit = 0.95 * np.sqrt(xx * yy)
        return np.stack([xx, yy, np.clip(xy, -limit, limit)], axis=1)

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

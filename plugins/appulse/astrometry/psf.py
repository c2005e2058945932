"""The image of a point of light on pixels, at rest or trailed: values and their slopes with position.

A Gaussian of any ellipse, smeared over straight segments, has a closed form (a Gaussian across times a
difference of two error functions along) in the coordinates in which the ellipse is a circle. A pixel's share
is the integral over its square, by Gauss-Legendre points: exact to 1e-4 of the peak at the widths used.

::

      segment b         A self-stacked frame with a pause: two segments, each with its share of the light.
        o-----o   o---------o          The place (x, y) is where the body was at the effective middle.
                  ^ gap
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.special import ndtr

from appulse.constants import FWHM_PER_SIGMA

POINT_LIKE = 1e-3
"""A segment shorter than this, in sigmas, is a point."""

TAIL = 6.0
"""Beyond this many sigmas of every segment a Gaussian's light (2e-8) is not computed."""


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
    if psf.beta is None and psf.xy == 0.0 and at_rest:
        return _upright_gaussian(psf, columns - x, rows - y)
    order = 1 if coarse else _order(psf)
    if coarse:
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
    first, last = trail.ends[0, 0] @ white, trail.ends[-1, 1] @ white
    step = last - first
    length2 = max(float(step @ step), 1e-30)
    along = np.clip(((u - first[0]) * step[0] + (v - first[1]) * step[1]) / length2, 0.0, 1.0)
    distance2 = (u - first[0] - along * step[0]) ** 2 + (v - first[1] - along * step[1]) ** 2
    margin = 0.71 * np.linalg.norm(white)
    return distance2 < (TAIL + margin) ** 2


def _gaussian(u, v, _ends, _weights, _beta):
    """Unit circular Gaussian; value and gradient in (u, v)."""
    value = np.exp(-0.5 * (u * u + v * v)) / (2 * np.pi)
    return value, -u * value, -v * value


def _gaussian_segments(u, v, ends, weights, _beta):
    """Unit circular Gaussian smeared over segments; value and gradient in (u, v)."""
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
    alpha2 = 2 * np.log(2) / (2 ** (1 / beta) - 1)
    value, du, dv = np.zeros_like(u), np.zeros_like(u), np.zeros_like(u)
    for (start, end), weight in zip(ends, weights, strict=True):
        length = float(np.hypot(*(end - start)))
        points, shares = np.polynomial.legendre.leggauss(
            max(1, int(np.ceil(2 + 2 * length))) if length > POINT_LIKE else 1
        )
        for point, share in zip(points, shares / 2, strict=True):
            a, b = (
                u - (start + end)[0] / 2 - point * (end - start)[0] / 2,
                v - (start + end)[1] / 2 - point * (end - start)[1] / 2,
            )
            base = 1 + (a * a + b * b) / alpha2
            f = weight * share * (beta - 1) / (np.pi * alpha2) * base**-beta
            slope = -2 * beta / alpha2 * f / base
            value += f
            du += slope * a
            dv += slope * b
    return value, du, dv


def _phi(t):
    return np.exp(-0.5 * t * t) / np.sqrt(2 * np.pi)

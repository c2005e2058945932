"""Pixels around a source: which of them can be used, the polynomial of their background, and their noise."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from appulse.errors import MeasurementError
from appulse.numerics import mad_sigma

LEAST_PIXELS = 12
"""Fewer usable pixels carry no fit of place, flux and plane with a chi-squared to judge it by."""


@dataclass(frozen=True)
class Noise:
    """Variance of a pixel, floor + light / gain: the floor is that of the frame's own sky around the source.

    The floor holds sky, read noise, dark current and rounding, whatever their shares; photons come on top.
    """

    gain_e_adu: float  # infinite where the source's own photons are not to count
    read_noise_e: float = 0.0  # per pixel; the least that the floor can be
    source: str = "given"  # where the numbers come from, in words

    def variance(self, light_adu, floor):
        """Variance of pixels, ADU^2, for the modelled light of sources in ADU above the sky."""
        least = (self.read_noise_e / self.gain_e_adu) ** 2
        return np.maximum(floor, least) + np.maximum(light_adu, 0.0) / self.gain_e_adu


def frame_noise(camera, sky_adu: float, sky_sigma_adu: float) -> Noise:
    """Noise of a frame: the camera's own figures where known, else what level and scatter of its sky say."""
    read = float(camera.read_noise_e) if camera.read_noise_e is not None else 0.0
    if camera.gain_e_adu is not None and float(camera.gain_e_adu) > 0:
        words = f"gain {camera.gain_e_adu}"
        words += f", read noise {camera.read_noise_e}" if read else ", read noise in the measured sky"
        return Noise(float(camera.gain_e_adu), read, words)
    if sky_adu > 0 and sky_sigma_adu > 0:
        # Pure photon noise: level over variance. A pedestal makes this gain too large, and the sigma of
        # bright sources too small; the chi-squared of each fit corrects that.
        gain = sky_adu / sky_sigma_adu**2
        return Noise(gain, 0.0, f"gain estimated from the frame's sky, {gain:.3g} e per unit (no gain known)")
    return Noise(np.inf, 0.0, "noise of the frame's sky alone (no gain known, no positive sky level)")


def sky_sigma(values) -> float:
    """Scatter of the sky in a set of pixels, sources clipped away; 0 with fewer than eight."""
    values = np.asarray(values, dtype=float)
    values = values[np.isfinite(values)]
    if values.size < 8:
        return 0.0
    middle = np.median(values)
    for _ in range(3):
        sigma = mad_sigma(values)
        keep = np.abs(values - middle) < 3.5 * sigma if sigma > 0 else np.ones(values.size, bool)
        values, middle = values[keep], np.median(values[keep])
    return mad_sigma(values)


@dataclass(frozen=True)
class Stamp:
    """Pixels of a disc, or of a band along a trail, cut from a frame; places are zero-based px of it."""

    columns: np.ndarray  # (n,)
    rows: np.ndarray
    values: np.ndarray  # stored numbers, float64
    good: np.ndarray  # finite, unsaturated, not masked
    x0: int  # lower corner of the box that the pixels were cut from
    y0: int
    shape: tuple[int, int]  # rows and columns of the box
    index: np.ndarray  # place of each pixel in the flattened box
    n_saturated: int
    centre: tuple[float, float]
    scale: float  # px over which the background's polynomial runs from 0 to 1

    def box(self, values, fill=np.nan) -> np.ndarray:
        """Values of the pixels as an image of the box, float32; `fill` where no pixel was used."""
        image = np.full(self.shape[0] * self.shape[1], fill, dtype=np.float32)
        image[self.index] = values
        return image.reshape(self.shape)

    def within(self, radius: float, trail=None) -> np.ndarray:
        """Pixels within a radius of the centre, or of the line that a trail covers about it."""
        dx, dy = self.columns - self.centre[0], self.rows - self.centre[1]
        return line_distance2(dx, dy, *_ends(trail)) <= radius**2

    def background_terms(self, order: int) -> np.ndarray:
        """Polynomial of the background, shape (n, terms): 1, u, v, u2, uv, v2, ... about the centre."""
        return polynomial_terms(self.columns, self.rows, order, self.centre, self.scale)


def polynomial_terms(x, y, order: int, centre, scale: float) -> np.ndarray:
    """Terms 1, u, v, u2, uv, v2, ... up to an order, shape (n, terms); u = (x - centre) / scale."""
    u, v = (np.asarray(x) - centre[0]) / scale, (np.asarray(y) - centre[1]) / scale
    return np.stack([u ** (k - j) * v**j for k in range(order + 1) for j in range(k + 1)], axis=1)


def cut(data, x: float, y: float, radius: float, *, trail=None, bad=None, saturation=None) -> Stamp:
    """Cut the pixels within `radius` px of a place, or of the line that a trail covers.

    `bad` is a mask of the frame; from the stored number `saturation` on a pixel is saturated.

    Raises
    ------
    MeasurementError
        If the place lies outside the frame or too few pixels remain.
    """
    ny, nx = data.shape
    if not (-0.5 <= x <= nx - 0.5 and -0.5 <= y <= ny - 0.5):
        raise MeasurementError("outside the frame")
    first, last = _ends(trail)
    reach_x, reach_y = (radius + max(abs(first[i]), abs(last[i])) for i in (0, 1))
    x0, x1 = max(0, int(np.floor(x - reach_x))), min(nx, int(np.ceil(x + reach_x)) + 1)
    y0, y1 = max(0, int(np.floor(y - reach_y))), min(ny, int(np.ceil(y + reach_y)) + 1)
    box = np.asarray(data[y0:y1, x0:x1], dtype=float)
    rows, columns = np.mgrid[y0:y1, x0:x1]
    inside = line_distance2(columns - x, rows - y, first, last) <= radius**2
    good = np.isfinite(box)
    if bad is not None:
        good &= ~bad[y0:y1, x0:x1]
    n_saturated = 0
    if saturation is not None:
        full = good & (box >= saturation)
        n_saturated = int(np.sum(full & inside))
        # A full pixel bleeds: its direct neighbours hold charge that did not fall on them.
        good &= ~(ndimage.binary_dilation(full) if full.any() else full)
    index = np.flatnonzero(inside)
    n_good = int(good.ravel()[index].sum())
    if n_good < LEAST_PIXELS:
        raise MeasurementError(f"only {n_good} usable pixels around the place")
    return Stamp(
        columns.ravel()[index].astype(float), rows.ravel()[index].astype(float), box.ravel()[index],
        good.ravel()[index], x0, y0, box.shape, index, n_saturated, (float(x), float(y)),
        float(radius + max(np.hypot(*first), np.hypot(*last))),
    )  # fmt: skip


def _ends(trail):
    """First start and last end of a trail, px about its middle; twice the middle for a source at rest."""
    return (np.zeros(2), np.zeros(2)) if trail is None else (trail.ends[0, 0], trail.ends[-1, 1])


def line_distance2(dx, dy, first, last):
    """Squared distance of places from the segment first-last, px^2."""
    # A point is a segment of no length: the least length keeps the division, and the clip puts it at the end.
    step = last - first
    length2 = max(float(step @ step), 1e-30)
    along = np.clip(((dx - first[0]) * step[0] + (dy - first[1]) * step[1]) / length2, 0.0, 1.0)
    return (dx - first[0] - along * step[0]) ** 2 + (dy - first[1] - along * step[1]) ** 2

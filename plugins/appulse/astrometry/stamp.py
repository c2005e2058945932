"""The pixels around a source, their background as a polynomial, and which of them can be used.

What the pixels' noise is: from the header's gain and read noise, or from the frame itself, and said so.
"""

from dataclasses import dataclass

import numpy as np

from appulse.errors import MeasurementError
from appulse.numerics.robust import mad_sigma


@dataclass
class Stamp:
    """Pixels of a disc (or a band along a trail) cut from a frame.

    Parameters
    ----------
    columns, rows, values : (n,) arrays
        Pixel places (zero-based, of the frame) and stored numbers as float64.
    good : (n,) bool array
        Finite, unsaturated, not masked.
    x0, y0 : int
        Lower corner of the box that the pixels were cut from.
    shape : (int, int)
        Rows and columns of the box.
    index : (n,) array
        Place of each pixel in the flattened box.
    n_saturated : int
    centre : (float, float)
    scale : float
        Pixels over which the background's polynomial runs from 0 to 1.
    """

    columns: np.ndarray
    rows: np.ndarray
    values: np.ndarray
    good: np.ndarray
    x0: int
    y0: int
    shape: tuple[int, int]
    index: np.ndarray
    n_saturated: int
    centre: tuple[float, float]
    scale: float

    def box(self, values, fill=np.nan) -> np.ndarray:
        """Values of the pixels as an image of the box, float32; `fill` where no pixel was used."""
        image = np.full(self.shape[0] * self.shape[1], fill, dtype=np.float32)
        image[self.index] = values
        return image.reshape(self.shape)

    def within(self, radius: float, trail=None) -> np.ndarray:
        """Pixels within a radius of the centre, or of the line that a trail covers about it."""
        first, last = (np.zeros(2), np.zeros(2)) if trail is None else (trail.ends[0, 0], trail.ends[-1, 1])
        dx, dy = self.columns - self.centre[0], self.rows - self.centre[1]
        return _line_distance2(dx, dy, first, last) <= radius**2

    def background_terms(self, order: int) -> np.ndarray:
        """Polynomial of the background, shape (n, terms): 1, u, v, u2, uv, v2, ... about the centre."""
        u = (self.columns - self.centre[0]) / self.scale
        v = (self.rows - self.centre[1]) / self.scale
        return np.stack([u ** (k - j) * v**j for k in range(order + 1) for j in range(k + 1)], axis=1)


def cut(data, x, y, radius, *, trail=None, bad=None, saturation=None, allow_edge=True) -> Stamp:
    """Cut the pixels within `radius` of a place, or of the line that a trail covers.

    Parameters
    ----------
    data : (ny, nx) array
    x, y, radius : float
        Zero-based px.
    trail : Trail, optional
    bad : (ny, nx) bool array, optional
        True where a pixel is not to be used.
    saturation : float, optional
        Stored number from which pixels are saturated; their direct neighbours (bleeding) are left out too.
    allow_edge : bool

    Returns
    -------
    Stamp

    Raises
    ------
    MeasurementError
        If the place lies outside the frame or too few pixels remain.

    Examples
    --------
    >>> int(cut(np.zeros((20, 20)), 10.0, 10.0, 3.0).good.sum())
    29
    """
    ny, nx = data.shape
    if not (-0.5 <= x <= nx - 0.5 and -0.5 <= y <= ny - 0.5):
        raise MeasurementError("outside the frame")
    first, last = (np.zeros(2), np.zeros(2)) if trail is None else (trail.ends[0, 0], trail.ends[-1, 1])
    reach_x, reach_y = (radius + max(abs(first[i]), abs(last[i])) for i in (0, 1))
    x0, x1 = max(0, int(np.floor(x - reach_x))), min(nx, int(np.ceil(x + reach_x)) + 1)
    y0, y1 = max(0, int(np.floor(y - reach_y))), min(ny, int(np.ceil(y + reach_y)) + 1)
    box = np.asarray(data[y0:y1, x0:x1], dtype=float)
    rows, columns = np.mgrid[y0:y1, x0:x1]
    inside = _line_distance2(columns - x, rows - y, first, last) <= radius**2
    good = np.isfinite(box)
    if bad is not None:
        good &= ~bad[y0:y1, x0:x1]
    n_saturated = 0
    if saturation is not None:
        full = good & (box >= saturation)
        n_saturated = int(np.sum(full & inside))
        good &= ~_grown(full)
    index = np.flatnonzero(inside)
    stamp = Stamp(
        columns.ravel()[index].astype(float), rows.ravel()[index].astype(float), box.ravel()[index],
        good.ravel()[index], x0, y0, box.shape, index, n_saturated, (float(x), float(y)),
        float(radius + max(np.hypot(*first), np.hypot(*last))),
    )  # fmt: skip
    if stamp.good.sum() < 12:
        raise MeasurementError(f"only {int(stamp.good.sum())} usable pixels around the place")
    return stamp


def _line_distance2(dx, dy, first, last):
    """Squared distance from the segment first-last."""
    step = last - first
    length2 = max(float(step @ step), 1e-30)
    along = np.clip(((dx - first[0]) * step[0] + (dy - first[1]) * step[1]) / length2, 0.0, 1.0)
    return (dx - first[0] - along * step[0]) ** 2 + (dy - first[1] - along * step[1]) ** 2


def _grown(mask):
    """The mask and its direct neighbours."""
    if not mask.any():
        return mask
    grown = mask.copy()
    grown[1:] |= mask[:-1]
    grown[:-1] |= mask[1:]
    grown[:, 1:] |= mask[:, :-1]
    grown[:, :-1] |= mask[:, 1:]
    return grown


@dataclass(frozen=True)
class Noise:
    """Variance of a pixel as a function of the light in it.

    ``variance = floor + source / gain``: the floor is measured on the frame's own sky around the source (it
    holds sky, read noise, dark current and rounding whatever their shares), the source's photons come on top.

    Parameters
    ----------
    gain_e_adu : float
        Electrons per unit of the stored numbers; infinite where the source's own photons are not to count.
    read_noise_e : float
        Electrons per pixel; the least that the floor can be.
    source : str
        Where the numbers come from, in words.
    model_error : float
        Relative error of the PSF model per pixel: a bright star's misfit is not to pass for cosmic rays.

    Examples
    --------
    >>> noise = Noise(2.0, 10.0)
    >>> float(noise.variance(np.array(100.0), floor=25.0))
    75.0
    """

    gain_e_adu: float
    read_noise_e: float = 0.0
    source: str = "given"
    model_error: float = 0.0

    def variance(self, source_adu, floor):
        """Variance of pixels, ADU^2, for the modelled light of sources in ADU above the sky."""
        least = (self.read_noise_e / self.gain_e_adu) ** 2
        return np.maximum(floor, least) + np.maximum(source_adu, 0.0) / self.gain_e_adu


def frame_noise(frame, sky_adu: float, sky_sigma_adu: float) -> Noise:
    """Noise of a frame: the camera's own figures where known, else what its sky tells.

    Parameters
    ----------
    frame : SolvedFrame
    sky_adu, sky_sigma_adu : float
        Typical level and scatter of the sky, stored units.

    Returns
    -------
    Noise
        Without a gain, the sky is taken as pure photon noise: the gain is level over variance, right for a
        frame without pedestal, too large with one (the sigma of bright sources is then too small by what
        `source` says; the chi-squared of the fit corrects it).
    """
    camera = frame.camera
    read = float(camera.read_noise_e) if camera.read_noise_e is not None else 0.0
    if camera.gain_e_adu is not None and float(camera.gain_e_adu) > 0:
        words = f"gain {camera.gain_e_adu}"
        words += f", read noise {camera.read_noise_e}" if read else ", read noise in the measured sky"
        return Noise(float(camera.gain_e_adu), read, words)
    if sky_adu > 0 and sky_sigma_adu > 0:
        gain = sky_adu / sky_sigma_adu**2
        return Noise(gain, 0.0, f"gain estimated from the frame's sky, {gain:.3g} e per unit (no gain known)")
    return Noise(np.inf, 0.0, "noise of the frame's sky alone (no gain known, no positive sky level)")


def sky_sigma(values) -> float:
    """Scatter of the sky in a set of pixels: robust, from the side that sources do not reach.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> sky = rng.normal(100.0, 2.0, 4000)
    >>> abs(sky_sigma(np.append(sky, np.full(400, 500.0))) - 2.0) < 0.2
    True
    """
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

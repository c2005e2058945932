"""The pixels around a source, their background as a polynomial, and which of them can be used."""

from dataclasses import dataclass

import numpy as np

from appulse.errors import MeasurementError


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

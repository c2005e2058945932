"""Level and scatter of a frame's sky, on a coarse mesh that follows nebulae and gradients but not stars."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from appulse.errors import MeasurementError

SAMPLES_PER_BOX = 900
"""Enough for a median good to a twentieth of the sky's scatter."""
MOST_BOXES = 2500
"""A large frame gets larger boxes: the sky of a frame does not grow rougher with its number of pixels."""


@dataclass(frozen=True)
class SkyMap:
    """Sky on a mesh of boxes.

    Parameters
    ----------
    level, sigma : (my, mx) float32 arrays
        Clipped median and scatter of each box, stored units.
    box : int
        Side of a box, px.
    shape : (int, int)
        Of the frame.
    """

    level: np.ndarray
    sigma: np.ndarray
    box: int
    shape: tuple[int, int]

    @property
    def typical(self) -> tuple[float, float]:
        """Median level and scatter."""
        return float(np.median(self.level)), float(np.median(self.sigma))

    def rows(self, first: int, last: int, what: str = "level") -> np.ndarray:
        """Interpolated map of rows first..last-1, float32, shape (last - first, nx)."""
        mesh = getattr(self, what)
        y = (np.arange(first, last) + 0.5) / self.box - 0.5
        x = (np.arange(self.shape[1]) + 0.5) / self.box - 0.5
        return _along(_along(mesh, y, 0), x, 1)

    def at(self, x, y, what: str = "level") -> np.ndarray:
        """Interpolated value at zero-based pixels."""
        where = [(np.atleast_1d(c) + 0.5) / self.box - 0.5 for c in (y, x)]
        return ndimage.map_coordinates(getattr(self, what), where, order=1, mode="nearest")


def _along(mesh, place, axis):
    """Linear interpolation along one axis, ends held."""
    place = np.clip(place, 0, mesh.shape[axis] - 1)
    low = np.minimum(place.astype(int), max(mesh.shape[axis] - 2, 0))
    high = np.minimum(low + 1, mesh.shape[axis] - 1)
    part = (place - low).astype(np.float32)
    part = part[:, None] if axis == 0 else part
    return np.take(mesh, low, axis) * (1 - part) + np.take(mesh, high, axis) * part


def sky_map(data, box: int = 64) -> SkyMap:
    """Sky of a frame.

    Parameters
    ----------
    data : (ny, nx) array
        NaN where bad.
    box : int
        Side of the mesh's boxes, px; smaller for small frames.

    Returns
    -------
    SkyMap

    Raises
    ------
    MeasurementError
        If the frame has no usable pixel.

    Examples
    --------
    >>> data = np.random.default_rng(2).normal(100.0, 3.0, (200, 300))
    >>> level, sigma = sky_map(data).typical
    >>> abs(level - 100.0) < 0.3, abs(sigma - 3.0) < 0.3
    (True, True)
    """
    ny, nx = data.shape
    box = int(max(16, min(max(box, np.sqrt(ny * nx / MOST_BOXES)), ny // 4, nx // 4)))
    my, mx = max(1, round(ny / box)), max(1, round(nx / box))
    level, sigma = np.full((my, mx), np.nan, np.float32), np.full((my, mx), np.nan, np.float32)
    step = max(1, int(box / np.sqrt(SAMPLES_PER_BOX)))
    for j in range(my):
        top = ny if j == my - 1 else (j + 1) * box
        for i in range(mx):
            right = nx if i == mx - 1 else (i + 1) * box
            # An odd stride over rows and columns so that a colour mosaic's pixels are all met.
            values = np.asarray(data[j * box : top : step, i * box : right : step], dtype=np.float32).ravel()
            level[j, i], sigma[j, i] = _box_sky(values[np.isfinite(values)])
    if not np.isfinite(level).any():
        raise MeasurementError("the frame has no usable pixel")
    return SkyMap(_smooth(level), _smooth(sigma), box, (ny, nx))


def _box_sky(values):
    if values.size < 30:
        return np.nan, np.nan
    for _ in range(4):
        middle = np.median(values)
        sigma = 1.4826 * np.median(np.abs(values - middle))
        if sigma == 0.0:
            sigma = values.std()
        keep = (values < middle + 2.5 * sigma) & (values > middle - 3.5 * sigma)
        if keep.all() or keep.sum() < 30:
            break
        values = values[keep]
    return np.median(values), 1.4826 * np.median(np.abs(values - np.median(values)))


def _smooth(mesh):
    """Boxes without sky take their neighbours'; one that a bright star spoils takes the median around it."""
    bad = ~np.isfinite(mesh)
    if bad.any():
        nearest = ndimage.distance_transform_edt(bad, return_distances=False, return_indices=True)
        mesh = mesh[tuple(nearest)]
    return ndimage.median_filter(mesh, size=3, mode="nearest") if min(mesh.shape) >= 3 else mesh

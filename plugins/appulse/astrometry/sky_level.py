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
    step = max(1, int(box / np.sqrt(SAMPLES_PER_BOX)))
    rows = []
    for j in range(my):
        top = ny if j == my - 1 else (j + 1) * box
        for i in range(mx):
            right = nx if i == mx - 1 else (i + 1) * box
            rows.append(
                np.asarray(data[j * box : top : step, i * box : right : step], dtype=np.float32).ravel()
            )
    values = np.full((len(rows), max(map(len, rows))), np.nan, np.float32)
    for k, row in enumerate(rows):
        values[k, : len(row)] = row
    level, sigma = (a.reshape(my, mx) for a in _box_sky(values))
    if not np.isfinite(level).any():
        raise MeasurementError("the frame has no usable pixel")
    return SkyMap(_smooth(level), _smooth(sigma), box, (ny, nx))


def _box_sky(values):
    """Clipped median and scatter of every row, NaN where fewer than 30 are finite.

    The rows are sorted once; what a clip leaves is then a range of each row, and all rows go in step. The
    scatter is that of the lower half, which sources do not reach.
    """
    values.sort(axis=1)  # NaN last
    place = np.arange(values.shape[1])
    low = np.zeros(len(values), int)
    high = np.isfinite(values).sum(axis=1)
    enough = high >= 30
    for _ in range(5):
        middle = _median_of_range(values, low, high)[:, None]
        lower = (place >= low[:, None]) & (place < ((low + high + 1) // 2)[:, None])
        square = np.where(lower, values - middle, 0.0) ** 2
        sigma = np.sqrt(square.sum(axis=1) / np.maximum(lower.sum(axis=1), 1))[:, None]
        again = np.sum(values < middle - 3.5 * sigma, axis=1), np.sum(values <= middle + 2.5 * sigma, axis=1)
        if np.array_equal(again[0], low) and np.array_equal(again[1], high):
            break
        low, high = again
    level, scatter = middle[:, 0].astype(np.float32), sigma[:, 0].astype(np.float32)
    level[~enough] = scatter[~enough] = np.nan
    return level, scatter


def _median_of_range(values, low, high):
    """Median of values[k, low[k]:high[k]] of every sorted row k."""
    row = np.arange(len(values))
    last = np.maximum(high, low + 1) - 1
    return 0.5 * (values[row, (low + last) // 2] + values[row, (low + last + 1) // 2])


def _smooth(mesh):
    """Boxes without sky take their neighbours'; one that a bright star spoils takes the median around it."""
    bad = ~np.isfinite(mesh)
    if bad.any():
        nearest = ndimage.distance_transform_edt(bad, return_distances=False, return_indices=True)
        mesh = mesh[tuple(nearest)]
    return ndimage.median_filter(mesh, size=3, mode="nearest") if min(mesh.shape) >= 3 else mesh

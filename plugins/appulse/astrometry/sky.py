"""Level and scatter of a frame's sky, on a coarse mesh that follows nebulae and gradients but not stars."""

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from appulse.errors import MeasurementError
from appulse.numerics import between

SAMPLES_PER_BOX = 900
"""Enough for a median good to a twentieth of the sky's scatter."""
SAMPLES_OF_COLOUR = 500
"""And for one of the colours of a mosaic: what its level errs by, fits that have a level for each take up."""
LEAST_SAMPLES = 30
"""Fewer finite ones tell nothing of a box."""
ROWS_AT_ONCE = 500
"""Boxes whose sums are held in memory at a time."""
MOST_BOXES = 2500
"""A large frame gets larger boxes: the sky of a frame does not grow rougher with its number of pixels."""


@dataclass(frozen=True)
class SkyMesh:
    """Sky on a mesh of (my, mx) boxes."""

    level: np.ndarray  # clipped median of each box, float32, stored units
    sigma: np.ndarray  # its scatter
    box: int  # side of a box, px
    shape: tuple[int, int]  # of the frame

    @property
    def typical(self) -> tuple[float, float]:
        """Median level and scatter."""
        return float(np.median(self.level)), float(np.median(self.sigma))

    def rows(self, first: int, last: int, what: str = "level", columns: slice = slice(None)) -> np.ndarray:
        """Interpolated map of rows first..last-1, or of some columns of theirs, float32."""
        mesh = getattr(self, what)
        y = (np.arange(first, last) + 0.5) / self.box - 0.5
        x = (np.arange(*columns.indices(self.shape[1])) + 0.5) / self.box - 0.5
        return between(between(mesh, y, 0), x, 1)

    def least(self, first: int, last: int, what: str = "level") -> np.ndarray:
        """What no pixel of rows first..last-1 is below in each column, float32, (nx,)."""
        mesh = getattr(self, what)
        low, high = (int(np.clip((y + 0.5) / self.box - 0.5, 0, len(mesh) - 1)) for y in (first, last - 1))
        nodes = mesh[low : high + 2].min(axis=0)
        x = np.clip((np.arange(self.shape[1]) + 0.5) / self.box - 0.5, 0, len(nodes) - 1).astype(int)
        return np.minimum(nodes[x], nodes[np.minimum(x + 1, len(nodes) - 1)])

    def at(self, x, y, what: str = "level") -> np.ndarray:
        """Interpolated value at zero-based pixels."""
        where = [(np.atleast_1d(c) + 0.5) / self.box - 0.5 for c in (y, x)]
        return ndimage.map_coordinates(getattr(self, what), where, order=1, mode="nearest")


def sky_mesh(data, box: int = 64, samples: int = SAMPLES_PER_BOX) -> SkyMesh:
    """Sky of a frame.

    Parameters
    ----------
    data : (ny, nx) array
        NaN where bad.
    box : int
        Side of the mesh's boxes, px; smaller for small frames.
    samples : int
        Pixels that are looked at in each.

    Returns
    -------
    SkyMesh

    Raises
    ------
    MeasurementError
        If the frame has no usable pixel, or all of them are alike.

    Examples
    --------
    >>> data = np.random.default_rng(2).normal(100.0, 3.0, (200, 300))
    >>> level, sigma = sky_mesh(data).typical
    >>> abs(level - 100.0) < 0.3, abs(sigma - 3.0) < 0.3
    (True, True)
    """
    return _mesh(lambda rows: data[rows], data.shape, box, samples)


def _mesh(read, shape, box: int, samples: int) -> SkyMesh:
    """Sky of what `read` gives for a slice of rows, none of it asked for but what is sampled."""
    ny, nx = shape
    box = int(max(16, min(max(box, np.sqrt(ny * nx / MOST_BOXES)), ny // 4, nx // 4)))
    my, mx = max(1, round(ny / box)), max(1, round(nx / box))
    step = max(1, int(box / np.sqrt(samples)))
    for every in (step, step - 1):  # a step of another parity meets what is left of an interlaced frame
        sampled = _samples(read, shape, box, my, mx, max(1, every))
        level, sigma = (a.reshape(my, mx) for a in _box_sky(sampled))
        if np.isfinite(level).any():
            break
    else:
        raise MeasurementError("the frame has no usable pixel")
    if not np.nanmax(sigma) > 0:
        data = read(slice(None))
        if np.nanmin(data) == np.nanmax(data):
            value = f"{np.nanmax(data):g}"
            raise MeasurementError(
                f"all pixels of the frame are alike ({value}): it is empty or saturated throughout"
            )
    return SkyMesh(_smooth(level), _smooth(sigma), box, (ny, nx))


def pixel_noise(data, sky: SkyMesh, step: int = 2, samples: int = SAMPLES_PER_BOX) -> SkyMesh:
    """The sky with the noise of its pixels for its scatter, in which a nebula hardly takes part.

    From differences of pixels `step` apart along both axes: two px, because resampled frames have noise that
    neighbours share, and of a mosaic pixels two apart see the same colour.
    """
    # 1 -2 1 along both axes: whatever is a plane or a saddle cancels. Sum of the squared weights: 36.
    if min(data.shape) < 8 * step:
        return sky
    ny, nx = data.shape

    def bends(rows):
        first, last, every = rows.indices(ny - 2 * step)
        low, middle, high = (
            np.asarray(data[first + k : last + k : every], dtype=np.float32) for k in (0, step, 2 * step)
        )
        down = high + low - 2.0 * middle
        return (down[:, 2 * step :] + down[:, : -2 * step] - 2.0 * down[:, step:-step]) / 6.0

    try:
        noise = _mesh(bends, (ny - 2 * step, nx - 2 * step), sky.box, samples)
    except MeasurementError:
        # Without noise, or with too many gaps for differences.
        noise = sky
    if noise.sigma.shape != sky.sigma.shape:
        where = np.stack(np.indices(sky.sigma.shape)).astype(float)
        sides = zip(noise.sigma.shape, sky.sigma.shape, strict=True)
        where *= [[[(n - 1) / max(m - 1, 1)]] for n, m in sides]
        noise = replace(noise, sigma=ndimage.map_coordinates(noise.sigma, where, order=1, mode="nearest"))
    return replace(sky, sigma=np.minimum(sky.sigma, noise.sigma))


def level_mosaic_sky(data, box: int = 32) -> tuple[np.ndarray, tuple[float, ...]]:
    """Take off the sky of each place of a 2 x 2 mosaic and put that of the brightest place instead.

    A constant for each would leave the colours of gradients and nebulae as a pattern that looks like noise.
    Nothing is interpolated between pixels. Returns float32 pixels, and the noise of the pixels at the places
    (0, 0), (1, 0), (0, 1) and (1, 1), as (x, y).
    """
    places = [(slice(j, None, 2), slice(i, None, 2)) for j in (0, 1) for i in (0, 1)]
    meshes = [
        _mesh(lambda rows, part=data[place]: part[rows], data[place].shape, box, SAMPLES_OF_COLOUR)
        for place in places
    ]
    top = max(meshes, key=lambda mesh: mesh.typical[0])
    highest = np.pad(top.rows(0, top.shape[0]), ((0, 1), (0, 1)), mode="edge")
    pixels = np.array(data, dtype=np.float32)
    for place, mesh in zip(places, meshes, strict=True):
        ny, nx = mesh.shape
        pixels[place] += highest[:ny, :nx] - mesh.rows(0, ny)
    noises = (
        pixel_noise(data[place], mesh, 1, SAMPLES_OF_COLOUR)
        for place, mesh in zip(places, meshes, strict=True)
    )
    return pixels, tuple(noise.typical[1] for noise in noises)


def _samples(read, shape, box, my, mx, step):
    """Pixels of every box, every `step`-th of a row and column, (boxes, n), float32; NaN fills the rows."""
    ny, nx = shape

    def places(count, size):
        ends = np.append(np.arange(1, count) * box, size)
        return [np.arange(k * box, end, step) for k, end in enumerate(ends)]

    across = places(mx, nx)
    deep = places(my, ny)
    columns = np.zeros((mx, max(map(len, across))), int)
    filled = np.zeros(columns.shape, bool)
    for k, box_columns in enumerate(across):
        columns[k, : len(box_columns)], filled[k, : len(box_columns)] = box_columns, True
    values = np.full((my, mx, max(map(len, deep)), columns.shape[1]), np.nan, np.float32)
    for j, rows in enumerate(deep):
        band = np.asarray(read(slice(rows[0], rows[-1] + 1, step)), dtype=np.float32)
        values[j, :, : len(rows)] = np.where(filled[:, None], band[:, columns].swapaxes(0, 1), np.nan)
    return values.reshape(my * mx, -1)


def _box_sky(values):
    """Clipped median and scatter of every row, NaN where too few are finite."""
    values[np.isinf(values)] = np.nan
    # A box of one number (a strip that was not looked at) has that level, and no scatter.
    found = np.stack([values[:, 0], np.zeros(len(values), np.float32)])
    alike = (values.min(axis=1) == values.max(axis=1)) & (values.shape[1] >= LEAST_SAMPLES)
    rest = np.flatnonzero(~alike)
    if len(rest) < len(values):
        values = values[rest]
    values.sort(axis=1)  # NaN last
    for k in range(0, len(values), ROWS_AT_ONCE):
        found[:, rest[k : k + ROWS_AT_ONCE]] = _rows_sky(values[k : k + ROWS_AT_ONCE])
    return found


def _rows_sky(values):
    row = np.arange(len(values))
    low = np.zeros(len(values), int)
    high = np.isfinite(values).sum(axis=1)
    enough = high >= LEAST_SAMPLES
    zero = _median_of_range(values, low, high)
    # About a middle, so that no digits are lost; one number more, for no range may begin beyond the end.
    light = np.zeros((2, values.size + 1))
    np.subtract(values, zero[:, None], out=light[0, :-1].reshape(values.shape))
    np.square(light[0], out=light[1])
    for _ in range(5):
        middle = _median_of_range(values, low, high)
        half = (low + high + 1) // 2
        ranges = np.stack([low, np.maximum(half, low + 1)], axis=1) + values.shape[1] * row[:, None]
        first, second = np.add.reduceat(light, ranges.ravel(), axis=1)[:, ::2]
        off = (middle - zero).astype(float)
        square = second - 2.0 * off * first + (half - low) * off**2
        sigma = np.sqrt(np.maximum(square, 0.0) / np.maximum(half - low, 1))
        again = _below(values, middle - 3.5 * sigma, False), _below(values, middle + 2.5 * sigma, True)
        if np.array_equal(again[0], low) and np.array_equal(again[1], high):
            break
        low, high = again
    level, scatter = middle.astype(np.float32), sigma.astype(np.float32)
    level[~enough] = scatter[~enough] = np.nan
    return np.stack([level, scatter])


def _below(values, limit, equal_too):
    """How many of every sorted row lie below a limit (or at it), by halving."""
    row = np.arange(len(values))
    low, high = np.zeros(len(values), int), np.full(len(values), values.shape[1])
    while (high > low).any():
        middle = (low + high) // 2
        value = values[row, np.minimum(middle, values.shape[1] - 1)]
        less = (value <= limit if equal_too else value < limit) & (high > low)
        low, high = np.where(less, middle + 1, low), np.where(less, high, np.maximum(middle, low))
    return low


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

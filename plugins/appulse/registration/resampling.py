"""Pixels of a frame onto a sky grid: where each grid pixel lies in the frame, and what the frame has there.

The map is computed through both WCS on a mesh and interpolated in between, to a thousandth of a pixel; the
pixels by a cubic spline (surface brightness; with the area ratio as a factor where flux is asked), or by
reproject's adaptive resampling where the grid is coarser than the frame, so that no light falls between its
pixels.

Some frame pixels a spline cannot be trusted with: cores so bright that it rings, and blanks. Those few are
kept as blocks of 8 x 8, and each block says which grid pixels may see it.
"""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from appulse.errors import InputError
from appulse.frames import pixel_to_sky, sky_to_pixel
from appulse.numerics import mad_sigma
from appulse.registration.threads import in_order

MESH = 64
"""Pixels between the nodes of a map; cubic between them, a distortion of 10 px leaves some thousandths."""
TASK_ROWS, STRIP_ROWS = 512, 64
EDGE = 24
"""Pixels around the part that a grid sees: a spline feels so far."""
COARSER = 1.25
"""From this ratio of grid to frame pixels on, the adaptive way is taken."""
KEEPS = ("surface", "flux")


@dataclass(frozen=True)
class PixelMap:
    """Frame pixels of grid pixels, on a mesh.

    Parameters
    ----------
    x, y : (my, mx) arrays
        Frame pixels at the grid's pixels (i MESH - MESH, j MESH - MESH).
    """

    x: np.ndarray
    y: np.ndarray

    @classmethod
    def between(cls, grid, wcs, shift=(0.0, 0.0)) -> "PixelMap":
        """The map from a grid, displaced by `shift` (grid px), into a frame's WCS."""
        return cls.through(lambda gx, gy: sky_to_pixel(wcs, *grid.to_sky(gx, gy)), grid.shape, shift)

    @classmethod
    def through(cls, to_frame, shape, shift=(0.0, 0.0)) -> "PixelMap":
        """The map of a function that gives the frame's x and y for the grid's."""
        ny, nx = shape
        rows = np.arange(-1, (ny - 1) // MESH + 3) * float(MESH)
        columns = np.arange(-1, (nx - 1) // MESH + 3) * float(MESH)
        gx, gy = np.meshgrid(columns + shift[0], rows + shift[1])
        x, y = to_frame(gx.ravel(), gy.ravel())
        return cls(np.reshape(x, gx.shape), np.reshape(y, gx.shape))

    def rows(self, first: int, last: int, nx: int, buffer=None) -> np.ndarray:
        """Frame (y, x) of grid rows first..last-1, float array (2, last - first, nx), a view of `buffer`."""
        weights, base = _weights(np.arange(first, last) / MESH + 1.0)
        blocks = -(-nx // MESH)
        # Within a block of columns the same cubic weights hold: one small product for all of them.
        columns, _ = _weights(np.arange(MESH) / MESH)
        buffer = np.empty((2, last - first, blocks * MESH)) if buffer is None else buffer
        out = buffer[:, : last - first]
        for mesh, target in ((self.y, out[0]), (self.x, out[1])):
            lines = sum(weights[:, k, None] * mesh[np.clip(base + k, 0, mesh.shape[0] - 1)] for k in range(4))
            nodes = np.lib.stride_tricks.sliding_window_view(lines, 4, axis=1)[:, :blocks]
            # One product a row: small enough that the library does not begin threads of its own.
            np.matmul(np.ascontiguousarray(nodes), columns.T, out=target.reshape(-1, blocks, MESH))
        return out[:, :, :nx]

    def span(self, first: int, last: int):
        """Least and largest x and y of the mesh around rows first..last-1: x0, x1, y0, y1."""
        rows = slice(max(first // MESH, 0), (last - 1) // MESH + 4)
        return tuple(f(m[rows]) for m in (self.x, self.y) for f in (np.min, np.max))

    def area_ratio(self, grid_shape) -> float:
        """Frame pixels in the area of one grid pixel, at the grid's middle."""
        j, i = (int(n // 2 // MESH) + 1 for n in grid_shape)
        slopes = np.array([[m[j, i + 1] - m[j, i - 1], m[j + 1, i] - m[j - 1, i]] for m in (self.x, self.y)])
        return float(abs(np.linalg.det(slopes / (2 * MESH))))


class Spline:
    """Cubic spline through the pixels of a plane, filtered once and read at many places; mirrored edges."""

    def __init__(self, plane):
        self.coefficients = ndimage.spline_filter(plane, order=3, output=np.float32, mode="mirror")

    def read(self, where, out=np.float32) -> np.ndarray:
        """Values at (y, x) pixels, shape (2, ...): float32, into `out` where that is an array."""
        values = ndimage.map_coordinates(
            self.coefficients, where, order=3, prefilter=False, output=out, mode="mirror"
        )
        return out if values is None else values


def nearest_pixel(where, shape) -> tuple[np.ndarray, np.ndarray]:
    """Rows and columns of the pixels in which (y, x) places lie, those beyond an edge on it."""
    return tuple(np.clip(np.floor(v + 0.5), 0, n - 1).astype(int) for v, n in zip(where, shape, strict=True))


def _weights(place):
    """Catmull-Rom weights (n, 4) and first index of the four nodes."""
    base = np.floor(place).astype(int)
    t = place - base
    before, after = ((-0.5 * t + 1.0) * t - 0.5) * t, (0.5 * t - 0.5) * t * t
    here, there = (1.5 * t - 2.5) * t * t + 1.0, ((-1.5 * t + 2.0) * t + 0.5) * t
    weights = np.stack([before, here, there, after], axis=1)
    return weights, base - 1


def resample(plane, wcs, grid, *, shift=(0.0, 0.0), keep="surface", workers=1, kernel=None):
    """One plane of a frame on a grid.

    Parameters
    ----------
    plane : (ny, nx) float32 array
        NaN where bad.
    wcs : astropy.wcs.WCS
        Of the frame.
    grid : SkyGrid
    shift : (float, float)
        The grid's pixel (x, y) is filled with what lies at (x, y) + shift on the sky.
    keep : {'surface', 'flux'}
        Surface brightness (counts per frame pixel), or sums of counts.
    workers : int
        Threads.
    kernel : {'spline', 'adaptive'}, optional
        By default the one that fits the ratio of scales.

    Returns
    -------
    (gy, gx) float32 array
        NaN where the frame has no good pixel.

    Raises
    ------
    InputError
        Unknown `keep` or `kernel`.

    Examples
    --------
    >>> from appulse.sequence.sky_grid import tangent_grid
    >>> frame = tangent_grid(246.4, -24.2, 3.6, 30.0, (120, 120))
    >>> grid = tangent_grid(246.4, -24.2, 3.6, 0.0, (60, 60))
    >>> flat = resample(np.full((120, 120), 7.0, np.float32), frame.wcs, grid)
    >>> float(np.abs(flat - 7.0).max()) < 1e-5
    True
    """
    return Resampler(
        plane, wcs, grid, reach=float(np.hypot(*shift)), keep=keep, kernel=kernel, workers=workers
    ).on(shift)


class Resampler:
    """A plane made ready to be resampled onto a grid more than once; only the part that the grid sees.

    Parameters
    ----------
    plane, wcs, grid, keep, kernel, workers
        As for :func:`resample`.
    reach : float
        Longest shift that will be asked for, grid px.
    fwhm : float, optional
        Of the plane's stars, px.

    Raises
    ------
    InputError
        Unknown `keep` or `kernel`.
    """

    def __init__(self, plane, wcs, grid, *, reach=0.0, keep="surface", kernel=None, workers=1, fwhm=None):
        if keep not in KEEPS:
            raise InputError(f"keep {keep!r}: {' or '.join(KEEPS)} is allowed")
        self.plane, self.wcs, self.grid, self.keep, self.workers = plane, wcs, grid, keep, workers
        self.fwhm = fwhm
        mapped = PixelMap.between(grid, wcs)
        ny, nx = plane.shape
        seen = (mapped.x > -nx) & (mapped.x < 2 * nx) & (mapped.y > -ny) & (mapped.y < 2 * ny)
        # Half a sky away there is no map at all, and none that would be finite.
        self.empty = not seen.any() or not (np.isfinite(mapped.x) & np.isfinite(mapped.y)).all()
        if self.empty:
            return
        ratio = mapped.area_ratio(grid.shape)
        self.ratio = float(np.sqrt(ratio))
        self.kernel = kernel or ("adaptive" if np.sqrt(ratio) > COARSER else "spline")
        if self.kernel not in ("spline", "adaptive"):
            raise InputError(f"kernel {kernel!r}: spline or adaptive is allowed")
        if self.kernel == "spline":
            self._filter(mapped, EDGE + reach * np.sqrt(ratio))

    def _filter(self, mapped, margin):
        ny, nx = self.plane.shape

        def low(places, n):
            return int(np.clip(np.floor(np.nanmin(places) - margin), 0, n - 1))

        def high(places, n):
            return int(np.clip(np.ceil(np.nanmax(places) + margin), 1, n))

        x0, x1 = low(mapped.x, nx), high(mapped.x, nx)
        y0, y1 = low(mapped.y, ny), high(mapped.y, ny)
        part = self.plane[y0 : max(y1, y0 + 1), x0 : max(x1, x0 + 1)]
        bad = ~np.isfinite(part)
        self.corner, self.bad = (x0, y0), bad if bad.any() else None
        self.source = filled(part, bad) if self.bad is not None else part
        self.spline = Spline(self.source)
        self.steep = steep_blocks(self.source, self.fwhm)
        self.suspect = SuspectPixels(
            self.grid, self.wcs, self.corner, [self.steep, bad_blocks(self.bad)], self.ratio
        )

    def on(self, shift=(0.0, 0.0)) -> np.ndarray:
        """The plane on the grid displaced by `shift`; see :func:`resample`."""
        if self.empty:
            return np.full(self.grid.shape, np.nan, dtype=np.float32)
        if self.kernel == "adaptive":
            return _adaptive(self.plane, self.wcs, self.grid, shift, self.keep)
        mapped = PixelMap.between(self.grid, self.wcs, shift)
        mapped = PixelMap(mapped.x - self.corner[0], mapped.y - self.corner[1])
        suspect = self.suspect.shifted(shift)
        out = np.empty(self.grid.shape, dtype=np.float32)
        starts = range(0, self.grid.shape[0], TASK_ROWS)
        for _ in in_order(lambda first: self._rows(mapped, suspect, first, out), starts, self.workers):
            pass
        return out

    def _rows(self, mapped, suspect, first, out):
        ny, nx = self.grid.shape
        # One buffer for all strips: new memory costs more than the arithmetic in it.
        buffer = np.empty((2, STRIP_ROWS, -(-nx // MESH) * MESH))
        for low in range(first, min(first + TASK_ROWS, ny), STRIP_ROWS):
            self._strip(mapped, suspect, low, min(low + STRIP_ROWS, ny), out, buffer)

    def _strip(self, mapped, suspect, first, last, out, buffer):
        where = mapped.rows(first, last, self.grid.shape[1], buffer)
        part = out[first:last]
        self.spline.read(where, part)
        rows, columns = suspect(first, last)
        if len(rows):
            y, x = where[:, rows, columns]
            if self.steep is not None:
                without_rings(part, self.source, self.steep, rows, columns, x, y)
            if self.bad is not None:
                blank = self.bad[nearest_pixel((y, x), self.bad.shape)]
                part[rows[blank], columns[blank]] = np.nan
        self._blank_outside(mapped, first, last, where, part)
        if self.keep == "flux":
            part *= _local_area(where[1], where[0])

    def _blank_outside(self, mapped, first, last, where, part):
        (x0, y0), (ny, nx) = self.corner, self.plane.shape
        lowest_x, highest_x, lowest_y, highest_y = mapped.span(first, last)
        # Between the nodes the map is smooth: a node's width of margin is plenty.
        if min(lowest_x + x0, lowest_y + y0) > 2 and highest_x + x0 < nx - 3 and highest_y + y0 < ny - 3:
            return
        y, x = where
        inside = (x >= -x0) & (y >= -y0) & (x <= nx - 1 - x0) & (y <= ny - 1 - y0)
        part[~inside] = np.nan


def _local_area(x, y):
    """Frame area of each grid pixel, frame px^2: the determinant of the map's slopes."""
    if min(x.shape) < 2:
        return np.float32(1.0)
    xj, xi = np.gradient(x)
    yj, yi = np.gradient(y)
    return np.abs(xi * yj - xj * yi).astype(np.float32)


def _adaptive(plane, wcs, grid, shift, keep):
    from reproject import reproject_adaptive  # only coarse grids need it, and it takes long to load

    target = grid.wcs.deepcopy()
    target.wcs.crpix = target.wcs.crpix - np.asarray(shift)
    target.wcs.set()
    out, footprint = reproject_adaptive(
        (plane.astype(np.float64), wcs), target, shape_out=grid.shape, conserve_flux=keep == "flux",
        kernel="gaussian", boundary_mode="strict", bad_value_mode="ignore", roundtrip_coords=False,
    )  # fmt: skip
    return np.where(footprint > 0, out, np.nan).astype(np.float32)


STEEP_SIGMAS, SHARP_STEEP_SIGMAS, SHARP_FWHM = 150.0, 12.0, 2.4
"""Above the sky; less where stars are sharper than so many pixels, for there a spline rings by a tenth."""
BLOCK = 8
FEW = 0.02
"""Share of blank pixels up to which each is filled by itself."""
MOST = 0.2
"""Share of suspect blocks from which every grid pixel is looked at."""


class SuspectPixels:
    """Grid pixels that may see one of a frame's suspect blocks."""

    def __init__(self, grid, wcs, corner, blocks, ratio):
        # wcs: of the frame.
        # corner: (x0, y0); frame pixel of the first pixel of the first block.
        # blocks: all of one shape.
        # ratio: frame pixels on the side of a grid pixel.
        self.shape = grid.shape
        blocks = [b for b in blocks if b is not None]
        marked = np.logical_or.reduce(blocks) if blocks else np.zeros((1, 1), dtype=bool)
        self.everywhere = bool(marked.mean() > MOST)
        rows, columns = np.nonzero(marked)
        if self.everywhere or len(rows) == 0:
            rows = columns = rows[:0]
        half = (BLOCK - 1) / 2
        x, y = columns * BLOCK + half + corner[0], rows * BLOCK + half + corner[1]
        places = grid.to_pixel(*pixel_to_sky(wcs, x, y)) if len(rows) else (x * 1.0, y * 1.0)
        self.places = np.stack(places, axis=1)
        self.reach = int(np.ceil((half + 1.0) * np.sqrt(2.0) / ratio)) + 1

    def shifted(self, shift) -> "SuspectPixels":
        """As seen on the grid displaced by `shift`."""
        moved = object.__new__(SuspectPixels)
        moved.shape, moved.everywhere, moved.reach = self.shape, self.everywhere, self.reach
        moved.places = np.round(self.places - np.asarray(shift)).astype(int)
        return moved

    def __call__(self, first, last):
        """Rows (counted from `first`) and columns of grid rows first..last-1."""
        nx, reach = self.shape[1], self.reach
        if self.everywhere:
            return tuple(v.ravel() for v in np.mgrid[0 : last - first, 0:nx])
        x, y = self.places.T
        near = (y >= first - reach) & (y < last + reach) & (x >= -reach) & (x < nx + reach)
        if not near.any():
            return np.empty(0, int), np.empty(0, int)
        mask = np.zeros((last - first, nx), dtype=bool)
        for i, j in zip(x[near], y[near] - first, strict=True):
            mask[max(j - reach, 0) : j + reach + 1, max(i - reach, 0) : i + reach + 1] = True
        return np.nonzero(mask)


def _blocks(rows, columns, shape):
    marked = np.zeros([n // BLOCK + 1 for n in shape], dtype=bool)
    marked[rows // BLOCK, columns // BLOCK] = True
    return ndimage.binary_dilation(marked, np.ones((3, 3), dtype=bool))


def bad_blocks(bad):
    """Blocks in and next to which a pixel is blank; None without."""
    return None if bad is None else _blocks(*np.nonzero(bad), bad.shape)


def steep_blocks(source, fwhm=None):
    """Blocks in and next to which something is so bright that a spline rings; None without."""
    sigmas = SHARP_STEEP_SIGMAS if fwhm is not None and fwhm < SHARP_FWHM else STEEP_SIGMAS
    sample = source[:: max(1, source.shape[0] // 300), :: max(1, source.shape[1] // 300)]
    middle, sigma = np.median(sample), mad_sigma(sample)
    rows, columns = np.nonzero(source > middle + sigmas * sigma)
    return None if sigma == 0 or len(rows) == 0 else _blocks(rows, columns, source.shape)


def without_rings(part, source, steep, rows, columns, x, y):
    """Lift what the spline puts below all sixteen pixels around: the dark ring of a bright star."""
    ny, nx = source.shape
    j, i = np.clip(y, 0, ny - 1).astype(np.int32), np.clip(x, 0, nx - 1).astype(np.int32)
    here = steep[j // BLOCK, i // BLOCK]
    j, i, rows, columns = j[here], i[here], rows[here], columns[here]
    least = np.full(len(rows), np.inf, dtype=np.float32)
    for dj in (-1, 0, 1, 2):
        for di in (-1, 0, 1, 2):
            around = source[np.clip(j + dj, 0, ny - 1), np.clip(i + di, 0, nx - 1)]
            np.minimum(least, around, out=least)
    part[rows, columns] = np.maximum(part[rows, columns], least)


def filled(plane, bad) -> np.ndarray:
    """Blank pixels from the good ones around, so that a spline does not ring; far from any, the median."""
    middle = np.float32(np.nanmedian(plane[:: max(1, plane.shape[0] // 300)]))
    middle = middle if np.isfinite(middle) else np.float32(0.0)
    rows, columns = np.nonzero(bad)
    if len(rows) <= FEW * bad.size:
        ny, nx = plane.shape
        total, share = np.zeros(len(rows)), np.zeros(len(rows))
        for dj in range(-2, 3):
            for di in range(-2, 3):
                j, i = np.clip(rows + dj, 0, ny - 1), np.clip(columns + di, 0, nx - 1)
                good = ~bad[j, i]
                total += np.where(good, plane[j, i], 0.0)
                share += good
        out = plane.copy()
        out[rows, columns] = np.where(share > 1, total / np.maximum(share, 1), middle)
        return out
    good = np.where(bad, 0.0, plane).astype(np.float32)
    total = ndimage.uniform_filter(good, 5, mode="nearest")
    share = ndimage.uniform_filter((~bad).astype(np.float32), 5, mode="nearest")
    around = np.where(share > 0.05, total / np.maximum(share, 0.05), middle)
    return np.where(bad, around, plane).astype(np.float32)

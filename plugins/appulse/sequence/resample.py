"""Pixels of a frame onto a sky grid: where each grid pixel lies in the frame, and what the frame has there.

The map is computed through both WCS on a mesh and interpolated in between, to a thousandth of a pixel; the
pixels by a cubic spline (surface brightness; with the area ratio as a factor where flux is asked), or by
reproject's adaptive resampling where the grid is coarser than the frame, so that no light falls between its
pixels.
"""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from reproject import reproject_adaptive
from scipy import ndimage

from appulse.errors import InputError
from appulse.frames.projection import sky_to_pixel

MESH = 64
STRIP_ROWS = 256
STEEP_SIGMAS = 150.0
BLOCK = 8
EDGE = 24
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
        ny, nx = grid.shape
        rows = np.arange(-1, (ny - 1) // MESH + 3) * float(MESH)
        columns = np.arange(-1, (nx - 1) // MESH + 3) * float(MESH)
        gx, gy = np.meshgrid(columns + shift[0], rows + shift[1])
        return cls(*(np.asarray(v) for v in sky_to_pixel(wcs, *grid.to_sky(gx, gy))))

    def rows(self, first: int, last: int, nx: int):
        """Frame x and y of grid rows first..last-1, float arrays (last - first, nx)."""
        j = np.arange(first, last) / MESH + 1.0
        i = np.arange(nx) / MESH + 1.0
        return _bicubic(self.x, j, i), _bicubic(self.y, j, i)

    def area_ratio(self, grid_shape) -> float:
        """Frame pixels in the area of one grid pixel, at the grid's middle."""
        j, i = (int(n // 2 // MESH) + 1 for n in grid_shape)
        slopes = np.array([[m[j, i + 1] - m[j, i - 1], m[j + 1, i] - m[j - 1, i]] for m in (self.x, self.y)])
        return float(abs(np.linalg.det(slopes / (2 * MESH))))


def _weights(place):
    """Catmull-Rom weights (n, 4) and first index of the four nodes."""
    base = np.floor(place).astype(int)
    t = place - base
    weights = np.stack(
        [
            ((-0.5 * t + 1.0) * t - 0.5) * t,
            (1.5 * t - 2.5) * t * t + 1.0,
            ((-1.5 * t + 2.0) * t + 0.5) * t,
            (0.5 * t - 0.5) * t * t,
        ],
        axis=1,
    )
    return weights, base - 1


def _bicubic(mesh, j, i):
    """Cubic interpolation of a mesh at all pairs of row places j and column places i."""
    weights, base = _weights(j)
    lines = sum(weights[:, k, None] * mesh[np.clip(base + k, 0, mesh.shape[0] - 1)] for k in range(4))
    weights, base = _weights(i)
    return sum(weights[:, k] * lines[:, np.clip(base + k, 0, mesh.shape[1] - 1)] for k in range(4))


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
    >>> from appulse.sequence.grid import tangent_grid
    >>> frame = tangent_grid(246.4, -24.2, 3.6, 30.0, (120, 120))
    >>> grid = tangent_grid(246.4, -24.2, 3.6, 0.0, (60, 60))
    >>> flat = resample(np.full((120, 120), 7.0, np.float32), frame.wcs, grid)
    >>> float(np.abs(flat - 7.0).max()) < 1e-5
    True
    """
    return Ready(
        plane, wcs, grid, reach=float(np.hypot(*shift)), keep=keep, kernel=kernel, workers=workers
    ).on(shift)


class Ready:
    """A plane made ready to be resampled onto a grid more than once; only the part that the grid sees.

    Parameters
    ----------
    plane, wcs, grid, keep, kernel, workers
        As for :func:`resample`.
    reach : float
        Longest shift that will be asked for, grid px.

    Raises
    ------
    InputError
        Unknown `keep` or `kernel`.
    """

    def __init__(self, plane, wcs, grid, *, reach=0.0, keep="surface", kernel=None, workers=1):
        if keep not in KEEPS:
            raise InputError(f"keep {keep!r}: {' or '.join(KEEPS)} is allowed")
        self.plane, self.wcs, self.grid, self.keep, self.workers = plane, wcs, grid, keep, workers
        mapped = PixelMap.between(grid, wcs)
        ratio = mapped.area_ratio(grid.shape)
        self.kernel = kernel or ("adaptive" if np.sqrt(ratio) > COARSER else "spline")
        if self.kernel not in ("spline", "adaptive"):
            raise InputError(f"kernel {kernel!r}: spline or adaptive is allowed")
        if self.kernel == "spline":
            self._filter(mapped, EDGE + reach * np.sqrt(ratio))

    def _filter(self, mapped, margin):
        ny, nx = self.plane.shape
        x0, y0 = (
            int(np.clip(np.floor(np.nanmin(m) - margin), 0, n - 1))
            for m, n in ((mapped.x, nx), (mapped.y, ny))
        )
        x1, y1 = (
            int(np.clip(np.ceil(np.nanmax(m) + margin), 1, n)) for m, n in ((mapped.x, nx), (mapped.y, ny))
        )
        part = self.plane[y0 : max(y1, y0 + 1), x0 : max(x1, x0 + 1)]
        bad = ~np.isfinite(part)
        self.corner, self.bad = (x0, y0), bad if bad.any() else None
        self.source = np.ascontiguousarray(_filled(part, bad) if self.bad is not None else part)
        self.coefficients = ndimage.spline_filter(self.source, order=3, output=np.float32, mode="mirror")
        self.steep = _steep(self.source)

    def on(self, shift=(0.0, 0.0)) -> np.ndarray:
        """The plane on the grid displaced by `shift`; see :func:`resample`."""
        if self.kernel == "adaptive":
            return _adaptive(self.plane, self.wcs, self.grid, shift, self.keep)
        mapped = PixelMap.between(self.grid, self.wcs, shift)
        out = np.empty(self.grid.shape, dtype=np.float32)
        starts = range(0, self.grid.shape[0], STRIP_ROWS)
        if self.workers > 1:
            with ThreadPoolExecutor(self.workers) as pool:
                list(pool.map(lambda first: self._strip(mapped, first, out), starts))
        else:
            for first in starts:
                self._strip(mapped, first, out)
        return out

    def _strip(self, mapped, first, out):
        last = min(first + STRIP_ROWS, self.grid.shape[0])
        x, y = mapped.rows(first, last, self.grid.shape[1])
        outside = ~((x >= 0) & (y >= 0) & (x <= self.plane.shape[1] - 1) & (y <= self.plane.shape[0] - 1))
        x, y = x - self.corner[0], y - self.corner[1]
        part = ndimage.map_coordinates(
            self.coefficients, [y, x], order=3, prefilter=False, output=np.float32, mode="mirror"
        )
        if self.steep is not None:
            _without_rings(part, self.source, self.steep, x, y)
        if self.bad is not None:
            outside |= ndimage.map_coordinates(self.bad, [y, x], order=0, mode="nearest")
        part[outside] = np.nan
        if self.keep == "flux":
            part *= _local_area(x, y)
        out[first:last] = part


def _steep(source):
    """Blocks of pixels in and next to which something is so bright that a spline rings; None without."""
    sample = source[:: max(1, source.shape[0] // 300), :: max(1, source.shape[1] // 300)]
    middle = np.median(sample)
    sigma = 1.4826 * np.median(np.abs(sample - middle))
    rows, columns = np.nonzero(source > middle + STEEP_SIGMAS * sigma)
    if sigma == 0 or len(rows) == 0:
        return None
    steep = np.zeros([n // BLOCK + 1 for n in source.shape], dtype=bool)
    steep[rows // BLOCK, columns // BLOCK] = True
    return ndimage.binary_dilation(steep, np.ones((3, 3), dtype=bool))


def _without_rings(part, source, steep, x, y):
    """Lift what the spline puts below all sixteen pixels around: the dark ring of a bright star."""
    ny, nx = source.shape
    j, i = np.clip(y, 0, ny - 1).astype(np.int32), np.clip(x, 0, nx - 1).astype(np.int32)
    rows, columns = np.nonzero(steep[j // BLOCK, i // BLOCK])
    if len(rows) == 0:
        return
    j, i = j[rows, columns], i[rows, columns]
    least = np.full(len(rows), np.inf, dtype=np.float32)
    for dj in (-1, 0, 1, 2):
        for di in (-1, 0, 1, 2):
            around = source[np.clip(j + dj, 0, ny - 1), np.clip(i + di, 0, nx - 1)]
            np.minimum(least, around, out=least)
    part[rows, columns] = np.maximum(part[rows, columns], least)


def _local_area(x, y):
    """Frame area of each grid pixel, frame px^2: the determinant of the map's slopes."""
    if min(x.shape) < 2:
        return np.float32(1.0)
    xj, xi = np.gradient(x)
    yj, yi = np.gradient(y)
    return np.abs(xi * yj - xj * yi).astype(np.float32)


def _filled(plane, bad):
    """Bad pixels from the good ones around, so that the spline does not ring; far from any, the median."""
    good = np.where(bad, 0.0, plane).astype(np.float32)
    total = ndimage.uniform_filter(good, 5, mode="nearest")
    share = ndimage.uniform_filter((~bad).astype(np.float32), 5, mode="nearest")
    middle = np.float32(np.nanmedian(plane[:: max(1, plane.shape[0] // 300)]))
    around = np.where(share > 0.05, total / np.maximum(share, 0.05), middle)
    return np.where(bad, around, plane).astype(np.float32)


def _adaptive(plane, wcs, grid, shift, keep):
    target = grid.wcs.deepcopy()
    target.wcs.crpix = target.wcs.crpix - np.asarray(shift)
    target.wcs.set()
    out, footprint = reproject_adaptive(
        (plane.astype(np.float64), wcs), target, shape_out=grid.shape, conserve_flux=keep == "flux",
        kernel="gaussian", boundary_mode="strict", bad_value_mode="ignore", roundtrip_coords=False,
    )  # fmt: skip
    return np.where(footprint > 0, out, np.nan).astype(np.float32)

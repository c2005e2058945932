"""Frame pixels that a spline cannot be trusted with: cores so bright that it rings, and blanks.

They are few. They are kept as blocks of 8 x 8 frame pixels, and found on the grid by going backwards, from
each block to the grid pixels that may see it.
"""

import numpy as np
from scipy import ndimage

from appulse.frames import pixel_to_sky
from appulse.numerics import mad_sigma

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

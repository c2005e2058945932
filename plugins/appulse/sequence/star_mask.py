"""Where the stars of a base pass under a body at rest: points of light, not the nebula around them."""

import numpy as np
from scipy import ndimage

from appulse.astrometry.sky import sky_map

STAR_SIGMAS = 2.5
"""Light of the base above its surroundings, in sigmas of a frame, from which the tracked stack leaves a pixel
out."""
NEBULA_SHARE = 0.5
"""Of a nebula's light; so much structure it has of its own."""
BRIGHT = 20.0
"""Times that limit: such a star's halo is left out as well."""
HALO_FWHM = 8.0
STRIP_ROWS = 512


class StarMask:
    """Stars of the base as they lie on the body's grid in one frame.

    Parameters
    ----------
    stars : (ny, nx) bool array
        On the star grid.
    shift : (float, float)
        The body grid's pixel (x, y) shows the star grid's (x, y) + shift.
    """

    def __init__(self, stars, shift):
        self.stars, self.shift = stars, (round(float(shift[0])), round(float(shift[1])))

    def __call__(self, first, last):
        """Mask of rows first..last-1."""
        ny, nx = self.stars.shape
        dx, dy = self.shift
        mask = np.zeros((last - first, nx), dtype=bool)
        y0, y1 = max(first + dy, 0), min(last + dy, ny)
        x0, x1 = max(dx, 0), min(nx + dx, nx)
        if y0 < y1 and x0 < x1:
            mask[y0 - dy - first : y1 - dy - first, x0 - dx : x1 - dx] = self.stars[y0:y1, x0:x1]
        return mask


def star_pixels(light, sigma, fwhm) -> np.ndarray:
    """Pixels of a base in which a star shows in a single frame, and their neighbours; bool array.

    Parameters
    ----------
    light : (ny, nx) array
    sigma : float
        Of a frame's pixel.
    fwhm : float
        Of the stars, px.

    Examples
    --------
    >>> y, x = np.mgrid[0:200, 0:240]
    >>> nebula = 300.0 * np.exp(-0.5 * ((x - 60) ** 2 + (y - 100) ** 2) / 18.0**2)
    >>> star = 200.0 * np.exp(-0.5 * ((x - 170) ** 2 + (y - 50) ** 2) / 1.1**2)
    >>> stars = star_pixels((100.0 + nebula + star).astype(np.float32), 10.0, 2.6)
    >>> bool(stars[50, 170]), bool(stars[40:160, 20:120].any())
    (True, False)
    """
    coarse = sky_map(light, box=16)
    level = coarse.typical[0]
    fine, cell = _fine_mesh(light, fwhm, level)
    stars, wide, cores = np.zeros((3, *light.shape), dtype=bool)
    for first in range(0, light.shape[0], STRIP_ROWS):
        rows = slice(first, min(first + STRIP_ROWS, light.shape[0]))
        around = coarse.rows(rows.start, rows.stop)
        near = _interpolated(fine, cell, rows, light.shape[1])
        with np.errstate(invalid="ignore"):
            stars[rows] = light[rows] - near > _limit(near, level, sigma)
            limit = _limit(around, level, sigma)
            wide[rows] = light[rows] - around > limit
            cores[rows] = light[rows] - near > BRIGHT * limit
    if cores.any():
        reach = 2 * int(np.ceil(HALO_FWHM * fwhm)) + 1
        stars |= wide & (ndimage.maximum_filter(cores.view(np.uint8), reach) > 0)
    return ndimage.binary_dilation(stars, iterations=1)


def _limit(around, level, sigma):
    return STAR_SIGMAS * sigma + NEBULA_SHARE * np.maximum(around - level, 0.0)


def _fine_mesh(light, fwhm, level):
    """Lower median of cells a few star widths wide, spikes of single cells taken out: it follows nebulae."""
    cell = max(8, round(4 * fwhm))
    my, mx = (max(1, n // cell) for n in light.shape)
    mesh = np.full((my, mx), np.nan, dtype=np.float32)
    width = min(mx * cell, light.shape[1])
    for j in range(my):
        block = light[j * cell : (j + 1) * cell, :width]
        values = np.moveaxis(block.reshape(block.shape[0], mx, -1), 1, 0).reshape(mx, -1)
        values = np.sort(values, axis=1)
        count = np.isfinite(values).sum(axis=1)
        lower = values[np.arange(mx), np.maximum((2 * count) // 5, 0).clip(0, values.shape[1] - 1)]
        mesh[j] = np.where(count > values.shape[1] // 4, lower, np.nan)
    blank = ~np.isfinite(mesh)
    if blank.all():
        return np.full_like(mesh, level), cell
    if blank.any():
        nearest = ndimage.distance_transform_edt(blank, return_distances=False, return_indices=True)
        mesh = mesh[tuple(nearest)]
    return ndimage.median_filter(mesh, size=3, mode="nearest"), cell


def _interpolated(mesh, cell, rows, nx):
    y, x = ((np.arange(a, b) + 0.5) / cell - 0.5 for a, b in ((rows.start, rows.stop), (0, nx)))
    lines = ndimage.map_coordinates(
        mesh, np.meshgrid(y, np.arange(mesh.shape[1]), indexing="ij"), order=1, mode="nearest"
    )
    x = np.clip(x, 0, mesh.shape[1] - 1)
    low = np.minimum(x.astype(int), max(mesh.shape[1] - 2, 0))
    part = (x - low).astype(np.float32)
    below = lines[:, low]
    return below + (lines[:, np.minimum(low + 1, mesh.shape[1] - 1)] - below) * part

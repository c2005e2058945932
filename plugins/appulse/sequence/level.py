"""Brightness of the frames made alike: one factor from the stars, one tilted plane from the sky.

What a frame has more of than the reference (moonlight, twilight, dew) is smooth; a nebula is in both and
drops out of the difference. So only a plane is taken off, and only of the difference.
"""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from appulse.sequence.resample import COARSER, MESH, PixelMap

NODES = 24
"""Places along the longer side of the grid at which the skies are compared."""


@dataclass(frozen=True)
class Level:
    """``levelled = factor * value - (c0 + cx x + cy y)``, x and y in grid pixels.

    Parameters
    ----------
    factor : float
    plane : (3,) array
        c0, cx, cy.
    sigma : float
        Scatter of a pixel of the levelled frame on empty sky.
    white : float
        Noise by which such pixels add up over an aperture: resampling to a finer grid correlates neighbours,
        so that it is larger than `sigma`.
    sky : float
        Level of its sky after levelling: that of the reference.
    """

    factor: float
    plane: np.ndarray
    sigma: float
    white: float
    sky: float

    def apply(self, values, x0=0, y0=0):
        """Levelled values of a box of the frame on the grid whose corner is (x0, y0); float32."""
        y = np.arange(values.shape[0], dtype=np.float32)[:, None] + np.float32(y0)
        x = np.arange(values.shape[1], dtype=np.float32)[None, :] + np.float32(x0)
        c0, cx, cy = (np.float32(c) for c in self.plane)
        return np.float32(self.factor) * values - (c0 + cx * x + cy * y)


def sky_on_grid(stars, wcs, shape, grid, places):
    """Sky level of a frame at grid places; NaN off the frame. `places` is (n, 2)."""
    mapped = PixelMap.between(grid, wcs)
    where = [places[:, 1] / MESH + 1.0, places[:, 0] / MESH + 1.0]
    fx, fy = (ndimage.map_coordinates(m, where, order=1, mode="nearest") for m in (mapped.x, mapped.y))
    mesh = [(fy + 0.5) / stars.box - 0.5, (fx + 0.5) / stars.box - 0.5]
    level = ndimage.map_coordinates(stars.sky_level, mesh, order=1, mode="nearest")
    inside = (fx >= 0) & (fy >= 0) & (fx <= shape[1] - 1) & (fy <= shape[0] - 1)
    return np.where(inside, level, np.nan)


def grid_places(grid) -> np.ndarray:
    """Places at which skies are compared, (n, 2) grid px."""
    ny, nx = grid.shape
    step = max(nx, ny) / NODES
    y, x = np.meshgrid(np.arange(step / 2, ny, step), np.arange(step / 2, nx, step), indexing="ij")
    return np.column_stack([x.ravel(), y.ravel()])


def level_to(reference_sky, sky, places, factor, sigma, typical, area=1.0) -> Level:
    """Level of one frame against the reference.

    Parameters
    ----------
    reference_sky, sky : (n,) arrays
        Levels at the same places, the frame's not yet multiplied; NaN where a frame does not reach.
    places : (n, 2) array
        Grid px.
    factor : float
        Frame to reference.
    sigma : float
        Scatter of a frame's pixel.
    area : float
        Frame pixels in the area of a grid pixel.
    typical : float
        Level of the reference's sky.

    Returns
    -------
    Level

    Examples
    --------
    >>> places = np.array([[0, 0], [100, 0], [0, 100], [100, 100], [50, 50.0]])
    >>> sky = 50.0 + 0.01 * places[:, 0]
    >>> level = level_to(np.full(5, 100.0), sky, places, 2.0, 3.0, 100.0)
    >>> bool(np.allclose(level.plane, [0.0, 0.02, 0.0])), level.sigma
    (True, 6.0)
    """
    difference = factor * sky - reference_sky
    good = np.isfinite(difference)
    plane = np.zeros(3)
    if good.sum() >= 1:
        plane[0] = np.median(difference[good])
    if good.sum() >= 5:
        design = np.column_stack([np.ones(good.sum()), places[good]])
        values = difference[good]
        keep = np.ones(len(values), dtype=bool)
        for _ in range(6):
            plane = np.linalg.lstsq(design[keep], values[keep], rcond=None)[0]
            off = np.abs(values - design @ plane)
            limit = 3.5 * max(1.4826 * np.median(off[keep]), 1e-9 * max(abs(typical), 1e-9))
            keep = off <= limit
            if keep.sum() < 5:
                break
    white = factor * sigma / np.sqrt(area)
    # On a coarser grid each pixel is a mean of many; on a finer one it is an interpolation between few.
    own = white if np.sqrt(area) > COARSER else factor * sigma
    return Level(float(factor), plane, float(own), float(white), float(typical))

"""No steps in a stack where a frame ends, or where one is left out under a star.

A frame's weight falls towards its border. And where the still sky drifts under a body at rest, each frame
sees another part of a nebula: its departure from what all frames see on average there is known from the base
and taken off.
"""

import numpy as np
from scipy import ndimage

from appulse.numerics.mesh import between

CELL = 16
FEATHER_PX = 48.0
"""Grid pixels over which a frame's weight rises from its border."""
LEAST = 0.02
"""Weight at the border itself: where nothing else is, the frame still counts."""


class Feather:
    """Weight of a frame from 0 to 1 by the distance from its border, on a grid displaced by `shift`.

    Parameters
    ----------
    corners : (4, 2) array
        Of the frame, px of the grid, in order.
    shift : (float, float)
        The displaced grid's pixel (x, y) shows the grid's (x, y) + shift.
    nx : int

    Examples
    --------
    >>> square = np.array([[0.0, 0.0], [999.0, 0.0], [999.0, 999.0], [0.0, 999.0]])
    >>> feather = Feather(square, (0.0, 0.0), 1000)
    >>> [round(float(v), 3) for v in feather(400, 410)[0, [0, 24, 500]]]
    [0.02, 0.5, 1.0]
    >>> Feather(square, (0.0, 0.0), 1000)(0, 1).max() < 0.03
    np.True_
    >>> Feather(np.array([[-99, -99], [999, -99], [999, 999], [-99, 999.0]]), (0, 0), 500)(0, 300) is None
    True
    """

    def __init__(self, corners, shift, nx):
        corners = np.asarray(corners, dtype=float) - np.asarray(shift, dtype=float)
        along = np.roll(corners, -1, axis=0) - corners
        normal = np.column_stack([-along[:, 1], along[:, 0]]) / np.hypot(*along.T)[:, None]
        # Turned so that it points inwards, whichever way round the corners go.
        normal *= np.sign(np.sum(normal * (corners.mean(axis=0) - corners), axis=1))[:, None]
        self.sides = np.column_stack([normal, -np.sum(normal * corners, axis=1)])
        self.nx = nx

    def __call__(self, first, last):
        """Weights of rows first..last-1, float32; None where all are 1."""
        ends = np.array([[x, y, 1.0] for x in (0.0, self.nx - 1.0) for y in (first, last - 1.0)])
        near = np.flatnonzero((ends @ self.sides.T).min(axis=0) < FEATHER_PX)
        if len(near) == 0:
            return None
        y = np.arange(first, last, dtype=np.float32)[:, None]
        x = np.arange(self.nx, dtype=np.float32)[None, :]
        distance = np.full((last - first, self.nx), np.float32(FEATHER_PX))
        for a, b, c in self.sides[near].astype(np.float32):
            np.minimum(distance, a * x + b * y + c, out=distance)
        return np.clip(distance / np.float32(FEATHER_PX), np.float32(LEAST), np.float32(1.0))


def still_mesh(light, stars) -> np.ndarray:
    """Mean of what is no star in cells of 16 x 16 pixels of a base, (my, mx) float32 array.

    Parameters
    ----------
    light : (ny, nx) array
        NaN where nothing is.
    stars : (ny, nx) bool array

    Examples
    --------
    >>> light = np.full((40, 50), 7.0, np.float32)
    >>> light[3, 4] = 900.0
    >>> still_mesh(light, light > 100).shape, float(still_mesh(light, light > 100).max())
    ((3, 4), 7.0)
    """
    my, mx = (-(-n // CELL) for n in light.shape)
    total, count = np.zeros((2, my, mx), dtype=np.float64)
    for row in range(my):
        rows = slice(row * CELL, (row + 1) * CELL)
        good = np.isfinite(light[rows]) & ~stars[rows]
        starts = np.arange(0, light.shape[1], CELL)
        total[row] = np.add.reduceat(np.where(good, light[rows], 0.0).sum(axis=0), starts)
        count[row] = np.add.reduceat(good.sum(axis=0), starts)
    empty = count < CELL
    mesh = total / np.maximum(count, 1)
    if empty.all():
        return np.zeros((my, mx), dtype=np.float32)
    if empty.any():
        nearest = ndimage.distance_transform_edt(empty, return_distances=False, return_indices=True)
        mesh = mesh[tuple(nearest)]
    return mesh.astype(np.float32)


class StillSky:
    """Level of the still sky under a body at rest, in one frame.

    Parameters
    ----------
    mesh : (my, mx) float32 array
        Of the base, on the star grid: nebulae and gradients, no stars.
    shift : (float, float)
        The body grid's pixel (x, y) shows the star grid's (x, y) + shift.
    nx : int

    Examples
    --------
    >>> mesh = np.arange(5, dtype=np.float32)[None, :] * 16 + np.zeros((4, 1), np.float32)
    >>> StillSky(mesh, (10.5, 0.0), 40)(0, 2)[1, [0, 10, 20]].tolist()
    [3.0, 13.0, 23.0]
    """

    def __init__(self, mesh, shift, nx):
        self.mesh, self.shift, self.nx = mesh, shift, nx

    def __call__(self, first, last):
        """Rows first..last-1 of the body's grid, float32; beyond the base its edge is held."""
        y = (np.arange(first, last) + self.shift[1] + 0.5) / CELL - 0.5
        x = (np.arange(self.nx) + self.shift[0] + 0.5) / CELL - 0.5
        return between(between(self.mesh, y, 0), x, 1)

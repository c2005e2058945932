"""Values between the nodes of a regular mesh."""

from itertools import pairwise

import numpy as np


def between(mesh, place, axis):
    """Linear interpolation along one axis of a mesh, its ends held.

    Parameters
    ----------
    mesh : (m, n) array
    place : (k,) array
        Fractional index along the axis.
    axis : {0, 1}

    Returns
    -------
    (k, n) or (m, k) array, of the mesh's own type

    Examples
    --------
    >>> between(np.array([[0.0, 4.0]]), np.array([-1.0, 0.25, 3.0]), 1).tolist()
    [[0.0, 1.0, 4.0]]
    """
    last = mesh.shape[axis] - 1
    place = np.clip(place, 0, last)
    low = np.minimum(place.astype(int), max(last - 1, 0))
    # In the type of the mesh: a float64 weight would turn a float32 picture into one of twice the size.
    part = (place - low).astype(mesh.dtype)
    if axis == 0:
        below = mesh[low]
        return below + (mesh[np.minimum(low + 1, last)] - below) * part[:, None]
    # Many places lie between the same two nodes: piece by piece nothing is picked one by one.
    out = np.empty((mesh.shape[0], len(place)), mesh.dtype)
    for start, end in pairwise([0, *(np.flatnonzero(np.diff(low)) + 1), len(place)]):
        below = mesh[:, low[start], None]
        above = mesh[:, min(low[start] + 1, last), None]
        np.multiply(above - below, part[start:end], out=out[:, start:end])
        out[:, start:end] += below
    return out

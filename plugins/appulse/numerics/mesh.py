"""Values between the nodes of a regular mesh."""

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
    part = part[:, None] if axis == 0 else part
    below = np.take(mesh, low, axis)
    return below + (np.take(mesh, np.minimum(low + 1, last), axis) - below) * part

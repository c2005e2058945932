"""Values between the nodes of a regular mesh, and running sums over whole pictures."""

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


def running(combine, values, size: int, axis: int):
    """What `combine` (np.add, np.minimum) makes of every `size` neighbours along an axis.

    Parameters
    ----------
    combine : ufunc
        Associative, of two arguments.
    values : (ny, nx) array
    size : int
    axis : {0, 1}

    Returns
    -------
    array
        Shorter by ``size - 1`` along the axis: element k is of values k to k + size - 1.

    Examples
    --------
    >>> running(np.add, np.array([[1.0, 2.0, 3.0, 4.0]]), 3, 1).tolist()
    [[6.0, 9.0]]
    """
    values = values if axis == 0 else values.T
    count, at, width, total = len(values) - size + 1, 0, 1, None
    # Sums of 1, 2, 4, 8 neighbours make those of any number.
    while True:
        if size & width:
            piece = values[at : at + count]
            total = piece if total is None else combine(total, piece)
            at += width
        if 2 * width > size:
            return total if axis == 0 else total.T
        values = combine(values[:-width], values[width:])
        width *= 2


def weighted_sum(values, weights, axis: int):
    """Weighted sums of neighbours along an axis, the weights the same on both sides.

    Parameters
    ----------
    values : (ny, nx) array
    weights : (k,) array
        Of the middle one, of those beside it, and so on outwards.
    axis : {0, 1}

    Returns
    -------
    array
        Shorter by ``2 k - 2`` along the axis.

    Examples
    --------
    >>> weighted_sum(np.array([[0.0, 8.0, 0.0, 0.0]]), [0.5, 0.25], 1).tolist()
    [[4.0, 2.0]]
    """
    values = values if axis == 0 else values.T
    reach = len(weights) - 1
    count = len(values) - 2 * reach
    total = values[reach : reach + count] * values.dtype.type(weights[0])
    pair = np.empty_like(total)
    for k in range(1, reach + 1):
        np.add(values[reach - k : reach - k + count], values[reach + k : reach + k + count], out=pair)
        pair *= values.dtype.type(weights[k])
        total += pair
    return total if axis == 0 else total.T

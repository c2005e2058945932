"""Bodies of many different epochs brought to one, each with steps of its own.

A list of comets has an epoch for every line. Integrated each on its own they would take minutes; here every
body has its own time and step, and one pass over arrays moves them all. At a common time they share steps.
"""

import numpy as np

from appulse.bodies.encounter import find_impacts
from appulse.numerics.dop853 import NODES, Step, step_factor
from appulse.numerics.nbody import Forces

CHUNK = 256
MAX_PASSES = 20_000


def carry(kernels, epoch_d, y, target_d, *, nongrav=None, own_row=None, tolerance):
    """Barycentric states at a common time.

    Parameters
    ----------
    kernels : Kernels
    epoch_d : (n,) array, TDB days from J2000.0
    y : (6, n) array, au and au/d, barycentric, each at its own epoch
    target_d : float, TDB days from J2000.0
    nongrav : NonGravArrays, optional
    own_row : (n,) int array, optional
        As for :class:`~appulse.bodies.engine.Trajectory`.
    tolerance : float

    Returns
    -------
    y : (6, n) array at the common time
    arrived : (n,) bool array
        False for those that met a surface on the way or did not get there; their states are as given.

    Examples
    --------
    >>> from appulse.bodies.kernels import default_kernels
    >>> y = np.array([[2.0, 3.0], [0.1, 0.0], [0.0, 0.0], [0.0, 0.0], [0.0121, 0.0099], [0.0, 0.001]])
    >>> there, arrived = carry(default_kernels(), np.array([8000.0, 8050.0]), y, 8020.0, tolerance=1e-12)
    >>> there.shape, arrived.tolist()
    ((6, 2), [True, True])
    """
    out, arrived = y.copy(), np.zeros(y.shape[1], bool)
    for start in range(0, y.shape[1], CHUNK):
        part = np.arange(start, min(start + CHUNK, y.shape[1]))
        terms = None if nongrav is None else nongrav.take(part)
        forces = Forces(kernels.gm, None if own_row is None else own_row[part], terms)
        there, ok = _move(kernels, epoch_d[part], y[:, part], target_d, forces, tolerance)
        out[:, part[ok]] = there[:, ok]
        arrived[part] = ok
    return out, arrived


def _places(kernels, t):
    """Perturbers (stages, p, 3, n) and the Sun's velocity (stages, 3, n) at times (stages, n)."""
    pos, sun = kernels.perturbers(t.ravel())
    pos = pos.reshape(*t.shape, -1, 3).transpose(0, 2, 3, 1)
    return pos, sun.reshape(*t.shape, 3).transpose(0, 2, 1)


def _move(kernels, epoch_d, y, target_d, forces, tolerance):
    n = y.shape[1]
    out, ok = y.copy(), np.zeros(n, bool)
    rows, t = np.arange(n), np.array(epoch_d, dtype=float)
    pos, sun = _places(kernels, t[None])
    first = forces(y, pos[0], sun[0], t)
    h = np.sign(target_d - t) * 0.05 * np.linalg.norm(y[:3], axis=0) / np.linalg.norm(y[3:], axis=0)
    for _ in range(MAX_PASSES):
        done = t == target_d
        out[:, rows[done]], ok[rows[done]] = y[:, done], True
        keep = np.flatnonzero(~done)
        if not len(keep):
            break
        rows, t, y, first, h = rows[keep], t[keep], y[:, keep], first[:, keep], h[keep]
        forces = forces.take(keep)
        last = np.abs(h) >= np.abs(target_d - t)
        size = np.where(last, target_d - t, h)
        step, places = _one(kernels, t, y, size, first, forces)
        lengths = [np.linalg.norm(y[:3], axis=0), np.linalg.norm(y[3:], axis=0)]
        scale = tolerance * np.repeat(lengths, 3, axis=0)
        error = step.error(scale)
        good = error <= 1.0
        h = size * step_factor(error)
        t = np.where(good, np.where(last, target_d, t + size), t)
        y, first = np.where(good, step.end, y), np.where(good, step.end_rate, first)
        lost = np.abs(h) < 1e-8
        hits = _hits(y, places, forces.own)
        if (lost | hits).any():
            stay = np.flatnonzero(~(lost | hits))
            rows, t, y, first, h = rows[stay], t[stay], y[:, stay], first[:, stay], h[stay]
            forces = forces.take(stay)
    return out, ok


def _one(kernels, t, y, size, first, forces):
    nodes = t + NODES[1:13, None] * size
    pos, sun = _places(kernels, nodes)
    step = Step(lambda i, state: forces(state, pos[i - 1], sun[i - 1], nodes[i - 1]), y, size, first)
    return step, pos[11][:11]


def _hits(y, places, own):
    """Mask of the bodies inside a major body; each has places (11, 3, n) of its own time."""
    inside = np.zeros(y.shape[1], bool)
    near = np.flatnonzero((np.sum((places - y[:3]) ** 2, axis=1) < 0.005**2).any(axis=0))
    for i in near:
        alone = None if own is None else own[i : i + 1]
        inside[i] = find_impacts(y[:, i : i + 1], places[:, :, i], alone) is not None
    return inside

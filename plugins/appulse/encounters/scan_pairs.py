"""Which of many moving directions come near each other: :mod:`appulse.encounters.scan` for pairs."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.spatial import cKDTree

from appulse.encounters.scan import (
    CHORD_SLACK,
    Approaches,
    angle_of_chord,
    checked,
    chord,
    least_by_bisection,
    sag,
    without_twins,
)


def least_separations_between(time_d, bodies_unit, reach_rad):
    """All local minima of the separation of two bodies below a reach.

    Parameters
    ----------
    time_d : (m,) array
        Strictly increasing grid of times, days; at least 4.
    bodies_unit : (n, m, 3) array
        Unit vectors.
    reach_rad : float

    Returns
    -------
    Approaches
        ``body`` and ``target`` are both rows of `bodies_unit`, the smaller first.

    Raises
    ------
    InputError
        As :func:`least_separations`.

    Examples
    --------
    >>> t = np.arange(0.0, 10.0)
    >>> lon = np.radians(np.stack([0.3 * t, 2.7 - 0.3 * t]))
    >>> lat = np.radians([0.0, 0.05])[:, None] + 0 * lon
    >>> both = np.stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)], axis=-1)
    >>> found = least_separations_between(t, both, np.radians(0.1))
    >>> found.time_d.round(4).tolist(), np.degrees(found.separation_rad).round(6).tolist()
    ([4.5], [0.05])
    """
    time_d, bodies = checked(time_d, bodies_unit, reach_rad)
    start, end = bodies[:, :-1], bodies[:, 1:]
    middle = start + end
    middle /= np.linalg.norm(middle, axis=-1, keepdims=True)
    wide = angle_of_chord(np.linalg.norm(end - start, axis=-1)) / 2.0 + sag(bodies)
    found = []
    for step in range(middle.shape[1]):
        # two arcs of half lengths a and b come within reach only if their middles lie within reach + a + b
        limit = chord(reach_rad + 2 * wide[:, step].max()) + CHORD_SLACK
        pairs = cKDTree(middle[:, step]).query_pairs(limit, output_type="ndarray")
        if len(pairs):
            gap = np.linalg.norm(middle[pairs[:, 0], step] - middle[pairs[:, 1], step], axis=1)
            near = gap <= chord(reach_rad + wide[pairs, step].sum(axis=1)) + CHORD_SLACK
            found.append(np.column_stack([pairs[near], np.full(near.sum(), step)]))
    candidates = np.concatenate(found) if found else np.empty((0, 3), dtype=int)
    rows = []
    for first, second in np.unique(candidates[:, :2], axis=0):
        mine = np.all(candidates[:, :2] == (first, second), axis=1)
        paths = CubicSpline(time_d, bodies[first]), CubicSpline(time_d, bodies[second])
        time, separation = _mutual_minima(*paths, time_d, np.sort(candidates[mine, 2]))
        with np.errstate(invalid="ignore"):
            good = separation <= reach_rad
        rows += [(first, second, t, s) for t, s in zip(time[good], separation[good], strict=True)]
    columns = np.array(rows).reshape(-1, 4).T
    near = Approaches(columns[0].astype(int), columns[1].astype(int), columns[2], columns[3])
    return without_twins(near, time_d)


def _mutual_minima(one, other, time_d, step):
    """Least separation of two splines inside each step, as :func:`_minima`."""

    def angle(t):
        a, b = one(t), other(t)
        a /= np.linalg.norm(a, axis=-1, keepdims=True)
        b /= np.linalg.norm(b, axis=-1, keepdims=True)
        return angle_of_chord(np.linalg.norm(a - b, axis=-1))

    def falling(t):
        a, b, da, db = one(t), other(t), one(t, 1), other(t, 1)
        dot = np.einsum("ij,ij->i", a, b)
        aa, bb = np.einsum("ij,ij->i", a, a), np.einsum("ij,ij->i", b, b)
        change = np.einsum("ij,ij->i", da, b) + np.einsum("ij,ij->i", a, db)
        drift = np.einsum("ij,ij->i", a, da) / aa + np.einsum("ij,ij->i", b, db) / bb
        return change - dot * drift

    return least_by_bisection(falling, angle, time_d, step)

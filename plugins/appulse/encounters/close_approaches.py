r"""Who comes near what: every least separation of many moving directions from many fixed ones.

The scan works on unit vectors alone: bodies on a grid of times, objects at rest. Between two instants of
the grid a body runs along a short arc; arcs whose middle lies within reach of an object (reach = wanted
separation + half the arc + the sag of a curved path) are found with two k-d trees, so that the cost grows
with bodies and days but hardly with the number of objects. Each candidate is then followed on a spline
through the grid, and each least separation is refined.

::

        u[k] o-----------m-----------o u[k+1]      m: middle of the arc
               \         |         /
                \        | reach  /
                 \       x object

Which of many moving directions come near each other: :mod:`appulse.encounters.close_approaches` for pairs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.spatial import cKDTree

from appulse.errors import InputError

CHORD_SLACK = 1e-9


@dataclass(frozen=True)
class Approaches:
    """Least separations found: arrays of one length, one entry an approach.

    Attributes
    ----------
    body, target : int arrays
        Indices.
    time_d : float array
        Time of least separation in the days of the grid.
    separation_rad : float array
    """

    body: np.ndarray
    target: np.ndarray
    time_d: np.ndarray
    separation_rad: np.ndarray

    def __len__(self):
        return len(self.body)


def chord(angle_rad):
    """Chord of an angle on the unit sphere.

    Examples
    --------
    >>> float(chord(np.pi)), round(float(angle_of_chord(chord(0.3))), 12)
    (2.0, 0.3)
    """
    return 2.0 * np.sin(np.minimum(np.asarray(angle_rad), np.pi) / 2.0)


def angle_of_chord(length):
    """Angle on the unit sphere of a chord, radians."""
    return 2.0 * np.arcsin(np.clip(np.asarray(length) / 2.0, 0.0, 1.0))


def least_separations(time_d, bodies_unit, targets_unit, reach_rad):
    """All local minima of separation below a reach.

    Parameters
    ----------
    time_d : (m,) array
        Strictly increasing grid of times, days; at least 4.
    bodies_unit : (n, m, 3) array
        Unit vectors of the bodies, any fixed axes.
    targets_unit : (k, 3) array
        Unit vectors of the objects, same axes.
    reach_rad : float or (k,) array
        Separation below which a minimum counts, radians, per object.

    Returns
    -------
    Approaches
        Ordered by body, target, time. A minimum at the very edge of the grid is none: the body may come
        nearer outside it.

    Raises
    ------
    InputError
        Fewer than 4 times, times out of order, or directions that are not finite.

    Notes
    -----
    Complete as long as no body turns by more than its own arc within one step, i.e. the grid resolves the
    path; the sag allowed for is the second difference of the grid itself.

    Examples
    --------
    >>> t = np.arange(0.0, 10.0)
    >>> ra = np.radians(0.3 * t)
    >>> body = np.stack([np.cos(ra), np.sin(ra), 0 * ra], axis=-1)[None]
    >>> ra0 = np.radians(1.35)
    >>> target = np.array([[np.cos(ra0) * np.cos(1e-3), np.sin(ra0) * np.cos(1e-3), np.sin(1e-3)]])
    >>> found = least_separations(t, body, target, np.radians(0.1))
    >>> found.time_d.round(6).tolist(), found.separation_rad.round(9).tolist()
    ([4.5], [0.001])
    """
    targets = np.asarray(targets_unit, dtype=float).reshape(-1, 3)
    reach = np.broadcast_to(np.asarray(reach_rad, dtype=float), len(targets))
    time_d, bodies = checked(time_d, bodies_unit, np.r_[targets.ravel(), reach])
    pairs = _candidate_arcs(bodies, targets, reach)
    return _refine(time_d, bodies, targets, reach, *pairs)


def checked(time_d, bodies_unit, others):
    """Times and directions as arrays.

    Raises
    ------
    InputError
        As :func:`least_separations`.
    """
    time_d, bodies = np.asarray(time_d, dtype=float), np.asarray(bodies_unit, dtype=float)
    if len(time_d) < 4 or not np.all(np.diff(time_d) > 0):
        raise InputError(
            f"{len(time_d)} instants to scan: at least 4 are needed, in rising order; take a longer span"
        )
    if not (np.isfinite(bodies).all() and np.isfinite(others).all()):
        raise InputError("a direction or a reach is not a number; the scan needs finite ones")
    return time_d, bodies


def _candidate_arcs(bodies, targets, reach):
    """Indices (body, step, target) of arcs that may hold a minimum within reach.

    Reaches are spread over decades (a star cluster of 5 arcmin, a nebula of 5 degrees), and so are the
    bodies' arcs; both are sorted into classes by powers of two so that one large one does not blow up the
    search radius of all.
    """
    start, end = bodies[:, :-1], bodies[:, 1:]
    middle = start + end
    middle /= np.linalg.norm(middle, axis=-1, keepdims=True)
    half_arc = angle_of_chord(np.linalg.norm(end - start, axis=-1)) / 2.0
    wide = half_arc + sag(bodies)
    arc_class = _power_class(wide)
    reach_class = _power_class(reach)
    n_step = middle.shape[1]
    found = []
    for level in np.unique(reach_class):
        members = np.flatnonzero(reach_class == level)
        tree = cKDTree(targets[members])
        for arc_level in np.unique(arc_class):
            arcs = np.flatnonzero(arc_class.ravel() == arc_level)
            limit = chord(reach[members].max() + wide.ravel()[arcs].max()) + CHORD_SLACK
            for piece in np.array_split(arcs, max(1, len(arcs) // 200_000)):
                near = cKDTree(middle.reshape(-1, 3)[piece]).sparse_distance_matrix(
                    tree, limit, output_type="ndarray"
                )
                keep = near["v"] <= chord(reach[members[near["j"]]] + wide.ravel()[piece[near["i"]]]) + 1e-9
                arc = piece[near["i"][keep]]
                found.append(np.stack([arc // n_step, arc % n_step, members[near["j"][keep]]], axis=1))
    return np.concatenate(found).T if found else np.empty((3, 0), dtype=int)


def sag(bodies):
    """Largest departure of a curved path from its chord in each step, radians: |second difference| / 8.

    The larger of the two second differences at the step's ends is taken, doubled for what the grid cannot
    show of the curvature in between.
    """
    second = np.linalg.norm(bodies[:, 2:] - 2 * bodies[:, 1:-1] + bodies[:, :-2], axis=-1)
    padded = np.pad(second, ((0, 0), (1, 1)), mode="edge")
    return 2.0 * np.maximum(padded[:, :-1], padded[:, 1:]) / 8.0


def _power_class(values):
    return np.floor(np.log2(np.maximum(values, 1e-6))).astype(int)


def _refine(time_d, bodies, targets, reach, body, step, target):
    """Follow each candidate on a spline and keep the true minima."""
    if not len(body):
        empty = np.empty(0)
        return Approaches(empty.astype(int), empty.astype(int), empty, empty)
    order = np.lexsort((step, target, body))
    body, step, target = body[order], step[order], target[order]
    rows = []
    starts = np.flatnonzero(np.r_[True, body[1:] != body[:-1]])
    for first, last in zip(starts, [*starts[1:], len(body)], strict=True):
        path = CubicSpline(time_d, bodies[body[first]])
        rows.append(_minima(path, time_d, step[first:last], targets[target[first:last]]))
    time, separation = (np.concatenate(part) for part in zip(*rows, strict=True))
    with np.errstate(invalid="ignore"):
        keep = separation <= reach[target]
    body, target, time, separation = body[keep], target[keep], time[keep], separation[keep]
    return without_twins(Approaches(body, target, time, separation), time_d)


def _minima(path, time_d, step, target):
    """Least separation inside each step: a root of d/dt of the cosine, where it turns from rising to falling.

    Newton on f(t) = u'(t) . x |u|^2 - (u . x)(u . u') would need care at the ends; bisection on a step where
    f changes sign from + to - cannot fail, and 50 halvings of a step of some days reach a microsecond.
    """
    velocity = path.derivative()

    def rising(t):
        u, du = path(t), velocity(t)
        along = np.einsum("ij,ij->i", u, du)
        return np.einsum("ij,ij->i", du, target) * np.einsum("ij,ij->i", u, u) - along * np.einsum(
            "ij,ij->i", u, target
        )

    def separation(t):
        direction = path(t)
        direction /= np.linalg.norm(direction, axis=1, keepdims=True)
        return angle_of_chord(np.linalg.norm(direction - target, axis=1))

    return least_by_bisection(rising, separation, time_d, step)


def least_by_bisection(approaching, separation, time_d, step):
    """Time in each step where approach turns into departure, and the separation there.

    Parameters
    ----------
    approaching, separation : callables
        Of (k,) times: above 0 while the two approach each other; their separation, radians.
    time_d : (m,) array
    step : (k,) int array
        Steps of the grid to look into, one a candidate.

    Returns
    -------
    time_d, separation_rad : (k,) arrays
        The separation is NaN where approach does not turn into departure within the step.
    """
    low, high = time_d[step].copy(), time_d[step + 1].copy()
    minimum = (approaching(low) > 0) & (approaching(high) <= 0)
    for _ in range(50):
        middle = 0.5 * (low + high)
        nearer = approaching(middle) > 0
        low, high = np.where(nearer, middle, low), np.where(nearer, high, middle)
    time = 0.5 * (low + high)
    return time, np.where(minimum, separation(time), np.nan)


def without_twins(found, time_d):
    """Drop the second of two equal minima found from both sides of one instant of the grid."""
    if len(found) < 2:
        return found
    tiny = 1e-6 * np.median(np.diff(time_d))
    twin = (
        (found.body[1:] == found.body[:-1])
        & (found.target[1:] == found.target[:-1])
        & (np.abs(np.diff(found.time_d)) < tiny)
    )
    keep = np.r_[True, ~twin]
    return Approaches(found.body[keep], found.target[keep], found.time_d[keep], found.separation_rad[keep])


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

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
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.spatial import cKDTree

from appulse.encounters.paths import on_pieces, spline_pieces
from appulse.errors import InputError

MOST_PIECES = 300_000
CHORD_SLACK = 1e-9
TINY_D, MOST_TURNS = 1e-10, 200
"""A least separation is followed to ten microseconds; halving alone would need 35 to 40 turns."""


@dataclass(frozen=True)
class Approaches:
    """Least separations found: arrays of one length, one entry an approach."""

    body: np.ndarray  # indices; of two bodies the smaller is the body, the larger the target
    target: np.ndarray
    time_d: np.ndarray  # days of the grid
    separation_rad: np.ndarray

    def __len__(self):
        return len(self.body)


def chord(angle_rad):
    """Chord of an angle on the unit sphere."""
    return 2.0 * np.sin(np.minimum(np.asarray(angle_rad), np.pi) / 2.0)


def angle_of_chord(length):
    """Angle on the unit sphere of a chord, radians."""
    return 2.0 * np.arcsin(np.clip(np.asarray(length) / 2.0, 0.0, 1.0))


def least_separations(time_d, bodies_unit, targets_unit, reach_rad):
    """All local minima of separation below a reach (radians, one or per object), by body, target, time.

    Complete as long as the grid resolves the paths: the sag allowed for is its own second difference.
    A minimum at the very edge of the grid is none: the body may come nearer outside it.
    """
    targets = np.asarray(targets_unit, dtype=float).reshape(-1, 3)
    reach = np.broadcast_to(np.asarray(reach_rad, dtype=float), len(targets))
    time_d, bodies = _checked(time_d, bodies_unit, np.r_[targets.ravel(), reach])
    pairs = _candidate_arcs(bodies, targets, reach)
    return _refine(time_d, bodies, targets, reach, *pairs)


def _checked(time_d, bodies_unit, others):
    """Times and directions as arrays."""
    time_d, bodies = np.asarray(time_d, dtype=float), np.asarray(bodies_unit, dtype=float)
    if len(time_d) < 4 or not np.all(np.diff(time_d) > 0):
        raise InputError(
            f"{len(time_d)} instants to scan: at least 4 are needed, in rising order; take a longer span"
        )
    if not (np.isfinite(bodies).all() and np.isfinite(others).all()):
        raise InputError("a direction or a reach is not a number; the scan needs finite ones")
    return time_d, bodies


def _candidate_arcs(bodies, targets, reach):
    """Indices (body, step, target) of arcs that may hold a minimum within reach."""
    middle, wide = _arcs(bodies)
    # Reaches are spread over decades (a cluster of 5 arcmin, a nebula of 5 degrees), and so are the arcs.
    # Both are sorted into classes by powers of two, so that one large one does not widen the search for all.
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
            # pieces keep the list of near pairs small whatever the number of bodies and days
            for piece in np.array_split(arcs, max(1, len(arcs) // 200_000)):
                near = cKDTree(middle.reshape(-1, 3)[piece]).sparse_distance_matrix(
                    tree, limit, output_type="ndarray"
                )
                arc, member = piece[near["i"]], members[near["j"]]
                keep = near["v"] <= chord(reach[member] + wide.ravel()[arc]) + CHORD_SLACK
                found.append(np.stack([arc // n_step, arc % n_step, member], axis=1)[keep])
    return np.concatenate(found).T if found else np.empty((3, 0), dtype=int)


def _arcs(bodies):
    """Middles of the arcs between neighbouring instants, and half their widths with the sag, radians."""
    start, end = bodies[:, :-1], bodies[:, 1:]
    middle = start + end
    middle /= np.linalg.norm(middle, axis=-1, keepdims=True)
    return middle, angle_of_chord(np.linalg.norm(end - start, axis=-1)) / 2.0 + _sag(bodies)


def _sag(bodies):
    """Largest departure of a curved path from its chord in each step, radians: |second difference| / 8."""
    # The larger of the differences at the step's two ends, doubled for the curvature that the grid cannot
    # show.
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
    # The splines of some bodies serve all of their candidates; they stand together after the sort.
    rows = []
    known = np.unique(body)
    for some in np.array_split(known, -(-len(known) * len(time_d) // MOST_PIECES)):
        if not len(some):
            continue
        low, high = np.searchsorted(body, some[0]), np.searchsorted(body, some[-1], side="right")
        here = slice(low, high)
        pieces, which = spline_pieces(time_d, bodies[some]), np.searchsorted(some, body[here])
        rows.append(_minima(pieces, which, time_d, step[here], targets[target[here]]))
    time, separation = (np.concatenate(part) for part in zip(*rows, strict=True))
    with np.errstate(invalid="ignore"):  # NaN: the candidate holds no minimum
        keep = separation <= reach[target]
    body, target, time, separation = body[keep], target[keep], time[keep], separation[keep]
    return _without_twins(Approaches(body, target, time, separation), time_d)


def _minima(pieces, body, time_d, step, target):
    """Least separation of paths from points at rest inside each step; `pieces` are those of all bodies."""

    def approach(u, du):
        # d/dt of cos(angle) = u.x / |u|, times |u|^3; the spline's vectors are not quite of length 1
        return _dot(du, target) * _dot(u, u) - _dot(u, du) * _dot(u, target)

    # Each end comes from the piece that begins there: two pieces that round it apart would lose a minimum
    # that lies exactly on an instant of the grid.
    after = np.minimum(step + 1, len(time_d) - 2)
    ends = [(pieces[:, k, body], time_d[end] - time_d[k]) for k, end in ((step, step), (after, step + 1))]
    mine, begin = ends[0][0], time_d[step]
    return _least_in_step(
        lambda t: approach(*on_pieces(mine, t - begin)),
        lambda t: _angle(on_pieces(mine, t - begin)[0], target), time_d, step,
        tuple(approach(*on_pieces(*end)) for end in ends),
    )  # fmt: skip


def _dot(a, b):
    return np.einsum("ij,ij->i", a, b)


def _angle(a, b):
    a, b = (v / np.linalg.norm(v, axis=1, keepdims=True) for v in (a, b))
    return angle_of_chord(np.linalg.norm(a - b, axis=1))


def _least_in_step(approaching, separation, time_d, step, ends=None):
    """Time in each step where approach turns into departure, and the separation there; NaN where not."""
    low, high = time_d[step].copy(), time_d[step + 1].copy()
    above, below = ends or (approaching(low), approaching(high))
    minimum = (above > 0) & (below <= 0)
    above, below = np.where(minimum, above, 1.0), np.where(minimum, below, -1.0)
    before = None
    for turn in range(MOST_TURNS):
        if not np.any(minimum & (high - low > TINY_D)):
            break
        # Where a straight line through both ends meets zero (regula falsi, the end that stays twice counted
        # half: Dowell & Jarratt 1971); each fourth turn halves the step, so that it cannot fail.
        part = 0.5 if turn % 4 == 3 else above / (above - below)
        # Never nearer to an end than this: an end that has come to the zero is so enclosed from beyond it.
        middle = np.clip(low + (high - low) * part, low + 0.4 * TINY_D, high - 0.4 * TINY_D)
        value = approaching(middle)
        nearer = value > 0
        same = np.zeros(len(low), bool) if before is None else nearer == before
        above = np.where(nearer, value, np.where(same, 0.5 * above, above))
        below = np.where(nearer, np.where(same, 0.5 * below, below), value)
        low, high = np.where(nearer, middle, low), np.where(nearer, high, middle)
        before = nearer
    time = low + (high - low) * (above / (above - below))
    return time, np.where(minimum, separation(time), np.nan)


def _without_twins(found, time_d):
    """Drop the second of two equal minima found from both sides of one instant of the grid."""
    if len(found) < 2:
        return found
    # a minimum exactly on an instant of the grid is the end of one step and the beginning of the next
    tiny = 1e-6 * np.median(np.diff(time_d))
    twin = (
        (found.body[1:] == found.body[:-1])
        & (found.target[1:] == found.target[:-1])
        & (np.abs(np.diff(found.time_d)) < tiny)
    )
    keep = np.r_[True, ~twin]
    return Approaches(found.body[keep], found.target[keep], found.time_d[keep], found.separation_rad[keep])


def least_separations_between(time_d, bodies_unit, reach_rad):
    """All local minima of the separation of two of the bodies below a reach (radians), as above."""
    time_d, bodies = _checked(time_d, bodies_unit, reach_rad)
    middle, wide = _arcs(bodies)
    found = []
    for step in range(middle.shape[1]):
        # Two arcs of half lengths a and b come within reach only if their middles lie within reach + a + b
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
    return _without_twins(near, time_d)


def _mutual_minima(first, second, time_d, step):
    """Least separation of two splines inside each step."""

    def approaching(t):
        # d/dt of a.b / (|a| |b|), times |a| |b|: the second term takes out what the lengths change
        a, b, da, db = first(t), second(t), first(t, 1), second(t, 1)
        lengths = _dot(a, da) / _dot(a, a) + _dot(b, db) / _dot(b, b)
        return _dot(da, b) + _dot(a, db) - _dot(a, b) * lengths

    return _least_in_step(approaching, lambda t: _angle(first(t), second(t)), time_d, step)

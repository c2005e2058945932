"""Bodies that each go at their own pace: own time, own step, all of them in one sweep over arrays.

Steps end on a common grid, finer for shorter steps, so that many bodies take the very same step and the
perturbers are looked up once for them, and so that a body's steps do not depend on its company:

    quick body   |--|-|-|-|--|----|
    slow body    |--------|-------|
    grid         0        8       16 d

A step keeps its start (time, length, state, derivative). The interpolation inside it is worked out when first
asked for, or on the way where many places are wanted.
"""

from typing import NamedTuple

import numpy as np

from appulse.bodies.kernels import NAMES, RADIUS_AU
from appulse.constants import J2000_JD
from appulse.errors import OrbitError
from appulse.numerics import MAJOR_ROWS, STAGES, Dop853Step, interpolate, step_factor, tableau

# A step ends on a multiple of half the power of two that is not above its size: a coarser grid lets more
# bodies share a step, a finer one cuts less off it. 1, 1/2, 1/4 and 1/8 were measured, 1/2 is quickest.
GRID_PARTS = 2
SMALLEST_STEP_D = 1e-8
# Steps whose perturbers are kept (8 kB each), and bytes of interpolations kept.
STEPS_KEPT = 6_000
CACHE_BYTES = 64_000_000
# All bodies reach the end of a stretch before any goes on, so that they meet on the steps that are kept.
STRETCH_D = 1024.0
# Bodies in one sweep: more, and its arrays take much memory and are no quicker.
CHUNK = 2048
# Places wanted of each body from which their steps are interpolated on the way.
MANY_PLACES = 50
# Interpolated places per pass over arrays.
PLACES = 30_000
# Longer than any kernel is read for: bodies lie apart by this in the sorted list of steps.
SPAN_D = 131_072.0


class Ending(NamedTuple):
    """When a body's trajectory ended and at what (a row of the perturbers, or words)."""

    t_d: float
    what: int | str

    def error(self, name, when_jd):
        """The error to raise for a time (JD TDB) after the end."""
        end = self.t_d + J2000_JD
        why = self.what if isinstance(self.what, str) else f"it reaches the surface of the {NAMES[self.what]}"
        return OrbitError(
            f"{name}: no place at JD {when_jd:.5f} TDB, its orbit ends near JD {end:.5f}: {why};"
            " check the elements, or ask for times before that"
        )


def find_impacts(y: np.ndarray, places: np.ndarray, own=None) -> np.ndarray | None:
    """Rows (n,) of the major bodies, at places (11, 3, n or 1), that bodies are in, -1 none; None: nobody."""
    to = places - y[:3]
    inside = np.einsum("bcn,bcn->bn", to, to) < (RADIUS_AU**2)[:, None]
    if own is not None:
        columns = np.flatnonzero((own >= 0) & (own < len(places)))
        inside[own[columns], columns] = False
    if not inside.any():
        return None
    return np.where(inside.any(axis=0), inside.argmax(axis=0), -1)


def _tolerated(y: np.ndarray, tolerance: float) -> np.ndarray:
    """Tolerated errors (6, n): a share of each body's own distance and speed, the same for the three axes."""
    place, speed = (np.sqrt(np.einsum("cn,cn->n", part, part)) for part in (y[:3], y[3:]))
    return tolerance * np.repeat([place, speed], 3, axis=0)


class _StepPlaces:
    """Perturbers at some nodes of steps (start, length), kept as long as bodies come to the same steps."""

    def __init__(self, kernels, nodes):
        self.kernels, self.nodes = kernels, np.asarray(nodes)
        self.rows, self.table = {}, np.empty((64, len(self.nodes), 3 * len(kernels.gm) + 3))

    def look_up(self, t, h) -> np.ndarray:
        """Rows (n,) of the table for steps (n,)."""
        keys = list(zip(t.tolist(), h.tolist(), strict=True))
        new = [key for key in dict.fromkeys(keys) if key not in self.rows]
        if new and len(self.rows) + len(new) > STEPS_KEPT:
            self.rows.clear()
            new = list(dict.fromkeys(keys))
        if new:
            self._add(new)
        return np.array([self.rows[key] for key in keys])

    def _add(self, steps):
        first, count = len(self.rows), len(steps)
        if first + count > len(self.table):
            larger = np.empty((2 * (first + count), *self.table.shape[1:]))
            larger[:first] = self.table[:first]
            self.table = larger
        start, length = np.array(steps).T
        pos, sun_velocity = self.kernels.perturbers((start[:, None] + length[:, None] * self.nodes).ravel())
        part = self.table[first : first + count]
        part[..., :-3] = pos.reshape(count, len(self.nodes), -1)
        part[..., -3:] = sun_velocity.reshape(count, len(self.nodes), 3)
        self.rows.update(zip(steps, range(first, first + count), strict=True))

    def at(self, rows, node):
        """Places (p, 3, n) and the Sun's velocity (3, n) at one of the nodes."""
        block = np.ascontiguousarray(self.table[rows, node].T)
        return block[:-3].reshape(-1, 3, len(rows)), block[-3:]


class OwnSteps:
    """Trajectories of n bodies from barycentric states (6, n) at their own times, forwards or back."""

    # ``endings`` holds, by row, who came to an end, and how.

    def __init__(self, kernels, t_d, y, sign, forces, tolerance):
        self.kernels, self.forces, self.tolerance = kernels, forces, tolerance
        self.t, self.y = np.array(t_d, dtype=float), np.array(y, dtype=float)
        self._begin = (self.t.copy(), self.y.copy())
        n = len(self.t)
        self.sign = float(sign)
        self.limit = kernels.end_d if sign > 0 else kernels.start_d
        # A twentieth of the time in which a body covers its own distance; control corrects it.
        place, speed = (np.linalg.norm(part, axis=0) for part in (self.y[:3], self.y[3:]))
        self.size = np.minimum(0.05 * place / np.maximum(speed, 1e-12), 100.0)
        self.first, self.started = np.empty((6, n)), np.zeros(n, bool)
        self.endings = {}
        self._open = np.ones(n, bool)
        # Stage 12 is at the time of stage 11, the end of the step.
        self._stages = _StepPlaces(kernels, tableau().nodes[1:STAGES])
        self._extra = _StepPlaces(kernels, tableau().nodes[STAGES + 1 :])
        # Steps in the order in which they were taken: chunks of (rows, t, h, y (n, 6), first (n, 6)).
        self._log, self._steps, self._sorted = [], None, None
        self._dense, self._dense_row = np.empty((0, 8, 6)), np.empty(0, np.int64)
        self._count = 0

    def advance(self, target_d: np.ndarray, *, places=1):
        """Step until every body has covered its time (n,), that many places of each; -+inf: stays."""
        ahead = self.sign * np.asarray(target_d, dtype=float)
        interpolate_now = places >= MANY_PLACES
        while len(wanted := self._behind(ahead)):
            # The one farthest behind says how far the stretch goes.
            begin = np.floor(np.min(self.sign * self.t[wanted]) / STRETCH_D)
            nearer = np.minimum(ahead, (begin + 1.0) * STRETCH_D)
            rows = self._behind(nearer)
            for at in range(0, len(rows), CHUNK):
                part = rows[at : at + CHUNK]
                while len(part):
                    self._sweep(part, interpolate_now)
                    part = part[self._is_behind(part, nearer)]

    def _is_behind(self, rows, ahead):
        """Mask of the rows that have not covered their times and still can."""
        t = self.sign * self.t[rows]
        return self._open[rows] & (t < self.sign * self.limit) & (t < ahead[rows])

    def _behind(self, ahead):
        everyone = np.arange(len(self.t))
        return everyone[self._is_behind(everyone, ahead)]

    def _ends(self, rows):
        """Ends (k,) of the next steps: on the grid, and not beyond the kernels."""
        t, want = self.sign * self.t[rows], self.size[rows]
        grid = np.exp2(np.floor(np.log2(want))) / GRID_PARTS
        return self.sign * np.minimum(np.floor((t + want) / grid) * grid, self.sign * self.limit)

    def _start(self, rows):
        """Derivatives at the bodies' own beginnings."""
        new = rows[~self.started[rows]]
        if len(new):
            pos, sun = self.kernels.perturbers(self.t[new])
            places = np.ascontiguousarray(pos.transpose(1, 2, 0))
            forces = self.forces.take(new)
            self.first[:, new] = forces(self.y[:, new], places, sun.T, self.t[new])
            self.started[new] = True

    def _sweep(self, rows, interpolate_now):
        """One step of each of some bodies."""
        self._start(rows)
        t, y, first = self.t[rows], self.y[:, rows], self.first[:, rows]
        end = self._ends(rows)
        h = end - t
        forces = self.forces.take(rows)
        step, rate, end_places = self._step(t, h, y, first, forces)
        error = step.error(_tolerated(y, self.tolerance))
        good = error <= 1.0
        self.size[rows] = np.abs(h) * step_factor(error)
        done = rows[good]
        if len(done):
            self._note(done, t[good], h[good], y[:, good], first[:, good])
            if interpolate_now and self._dense.nbytes < CACHE_BYTES:
                self._keep(np.arange(self._count - len(done), self._count), step.dense(rate)[:, :, good])
            self.t[done] = end[good]
            self.y[:, done], self.first[:, done] = step.end[:, good], step.end_rate[:, good]
            self._end_at_impacts(done, forces.own, good, end_places)
        for row in rows[~good & (self.size[rows] < SMALLEST_STEP_D)]:
            self._end(row, "the step shrank to nothing")

    def _step(self, t, h, y, first, forces):
        """A step of each body, the function for its further stages, and the major bodies at its end."""
        stages, extra = self._stages, self._extra
        at, nodes, extra_at = stages.look_up(t, h), tableau().nodes, []

        def rate(i, state):
            if i <= STAGES:
                pos, sun = stages.at(at, min(i, STAGES - 1) - 1)
            else:
                if not extra_at:
                    extra_at.append(extra.look_up(t, h))
                pos, sun = extra.at(extra_at[0], i - STAGES - 1)
            return forces(state, pos, sun, t + nodes[i] * h)

        step = Dop853Step(rate, y, h, first)
        return step, rate, stages.at(at, STAGES - 2)[0][:MAJOR_ROWS]

    def _end_at_impacts(self, done, own, good, places):
        hits = find_impacts(self.y[:, done], places[:, :, good], None if own is None else own[good])
        if hits is not None:
            for row, what in zip(done[hits >= 0], hits[hits >= 0], strict=True):
                self._end(row, int(what))

    def _end(self, row, what):
        self._open[row] = False
        self.endings[int(row)] = Ending(float(self.t[row]), what)

    def _note(self, rows, t, h, y, first):
        self._log.append((rows, t, h, y.T, first.T))
        self._sorted = None
        self._count += len(rows)
        self._dense_row = _room(self._dense_row, self._count, -1)

    def _keep(self, steps, dense):
        """Keep interpolations (8, 6, k) of steps (k,)."""
        used = int(self._dense_row.max(initial=-1)) + 1
        if (used + len(steps)) * 384 > max(CACHE_BYTES, 384 * len(steps)):
            self._dense_row[:], used = -1, 0
        self._dense = _room(self._dense, used + len(steps), 0.0)
        self._dense[used : used + len(steps)] = dense.transpose(2, 0, 1)
        self._dense_row[steps] = np.arange(used, used + len(steps))

    def fill(self, rows: np.ndarray, t_d: np.ndarray, wanted: np.ndarray, out: np.ndarray):
        """Write states of rows (k,) at times (k, m), where wanted, into ``out``; not those past an end."""
        t_begin, y_begin = self._begin
        r, c = np.nonzero(wanted & (t_d == t_begin[rows][:, None]))
        out[r, c] = y_begin.T[rows[r]]
        if self._count:
            self._fill_between(rows, t_d, wanted, out)

    def _fill_between(self, rows, t_d, wanted, out):
        self._sort()
        key, order = self._sorted
        ids, start, length = self._steps[:3]
        r, c = np.nonzero(wanted)
        body, t = rows[r], t_d[r, c]
        at = np.searchsorted(key, body * SPAN_D + self.sign * t, side="right") - 1
        at = np.clip(at, 0, len(order) - 1)
        # Far down a long list the key has lost digits: a time at the very end of a step is in the next.
        after = np.minimum(at + 1, len(order) - 1)
        past = self.sign * (t - start[order[at]] - length[order[at]]) > 0
        at = np.where(past & (ids[order[after]] == body), after, at)
        step = order[at]
        x = (t - start[step]) / length[step]
        inside = (ids[step] == body) & (x <= 1.0 + 1e-12) & (x >= -1e-6)
        r, c, step, x = r[inside], c[inside], step[inside], x[inside]
        for at in range(0, len(r), PLACES):
            part = slice(at, at + PLACES)
            out[r[part], c[part]] = self._interpolated(step[part], x[part])

    def _interpolated(self, step, x):
        missing = np.unique(step[self._dense_row[step] < 0])
        if len(missing):
            for at in range(0, len(missing), CHUNK):
                self._work_out(missing[at : at + CHUNK])
            # What was kept before may have had to go: fewer at a time, then.
            if np.any(self._dense_row[step] < 0):
                halves = (slice(len(step) // 2), slice(len(step) // 2, None))
                return np.concatenate([self._interpolated(step[half], x[half]) for half in halves])
        coefficients = self._dense[self._dense_row[step]]
        return interpolate(coefficients.transpose(1, 2, 0), x).T

    def _work_out(self, steps):
        rows, t, h, y, first = (part[steps] for part in self._steps)
        step, rate, _ = self._step(t, h, y.T, first.T, self.forces.take(rows))
        self._keep(steps, step.dense(rate))

    def _sort(self):
        """Steps by body and time."""
        if self._sorted is None:
            self._steps = tuple(np.concatenate(parts) for parts in zip(*self._log, strict=True))
            self._log = [self._steps]
            ids, t = self._steps[:2]
            key = ids * SPAN_D + self.sign * t
            order = np.argsort(key, kind="stable")
            self._sorted = (key[order], order)


def _room(array, count, fill):
    """The array, or a larger one with the same beginning, that holds so many entries."""
    if count <= len(array):
        return array
    larger = np.full((max(2 * len(array), count, 64), *array.shape[1:]), fill, dtype=array.dtype)
    larger[: len(array)] = array
    return larger

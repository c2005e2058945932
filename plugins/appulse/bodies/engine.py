"""Integrated trajectories of many bodies, kept for repeated use.

Bodies of like pace share their steps, so that the perturbers are looked up once for all of them; the error is
watched body by body. A body whose pace departs from its group's (a close approach, a perihelion) leaves it
and goes on in a group of its own from that moment:

    epoch o───────────┬─────────────────────── group of the many, long steps
                      └─┬┬┬┬──┬────┬────────── the one that met a planet, steps as short as it needs

Each node keeps time, step and states; the interpolation of a step is worked out when first asked for.

A list of comets has an epoch for every line. Integrated each on its own they would take minutes, so bodies of
many epochs are first carried to one, each with time and steps of its own, in one pass over arrays.
"""

from collections import OrderedDict
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from appulse.bodies.kernels import MAJOR_ROWS_BY_NUMBER, NAMES, RADIUS_AU, SUN
from appulse.bodies.orbit import NonGrav
from appulse.constants import GM_SUN, J2000_JD
from appulse.errors import OrbitError
from appulse.numerics import MAJOR_ROWS, Dop853Step, Forces, NonGravArrays, interpolate, step_factor, tableau

# Tolerated local error of place and velocity, relative; measured against halved steps in the benchmarks.
TOLERANCE = 1e-13
CACHE_BYTES = 64_000_000
# With more different epochs than this the bodies are first brought to the middle one of them.
MANY_EPOCHS = 48
# A group is split when all but a tenth of it could take steps this much longer.
SPLIT_PACE = 2.0
SMALLEST_STEP_D = 1e-8


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
    """Rows (n,) of the major bodies inside which bodies (6, n) are, -1 for none; None if nobody is."""
    to = places[:, :, None] - y[:3]
    inside = np.einsum("bcn,bcn->bn", to, to) < (RADIUS_AU**2)[:, None]
    if own is not None:
        columns = np.flatnonzero((own >= 0) & (own < len(places)))
        inside[own[columns], columns] = False
    if not inside.any():
        return None
    return np.where(inside.any(axis=0), inside.argmax(axis=0), -1)


CHUNK = 256
MAX_PASSES = 20_000


def carry(kernels, epoch_d: np.ndarray, y: np.ndarray, target_d, *, nongrav=None, own_row=None, tolerance):
    """Barycentric states (6, n) at a common time, and which of them arrived; the others stay as given."""
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


def _move(kernels, epoch_d: np.ndarray, y: np.ndarray, target_d: float, forces, tolerance: float):
    """States of a few bodies at the target time, and which of them arrived."""
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
        # The last step ends on the target itself, so that all meet at one time to the last bit.
        last = np.abs(h) >= np.abs(target_d - t)
        size = np.where(last, target_d - t, h)
        step, places = _try_step(kernels, t, y, size, first, forces)
        error = step.error(_tolerated(y, tolerance))
        good = error <= 1.0
        h = size * step_factor(error)
        t = np.where(good, np.where(last, target_d, t + size), t)
        y, first = np.where(good, step.end, y), np.where(good, step.end_rate, first)
        lost = np.abs(h) < SMALLEST_STEP_D
        hits = _hits(y, places, forces.own)
        if (lost | hits).any():
            stay = np.flatnonzero(~(lost | hits))
            rows, t, y, first, h = rows[stay], t[stay], y[:, stay], first[:, stay], h[stay]
            forces = forces.take(stay)
    return out, ok


def _try_step(kernels, t, y, size, first, forces):
    nodes = t + tableau().nodes[1:13, None] * size
    pos, sun = _places(kernels, nodes)
    step = Dop853Step(lambda i, state: forces(state, pos[i - 1], sun[i - 1], nodes[i - 1]), y, size, first)
    return step, pos[11][:11]


def _tolerated(y: np.ndarray, tolerance: float) -> np.ndarray:
    """Tolerated errors (6, n): a share of each body's own distance and speed, the same for the three axes."""
    place, speed = (np.sqrt(np.einsum("cn,cn->n", part, part)) for part in (y[:3], y[3:]))
    return tolerance * np.repeat([place, speed], 3, axis=0)


def _hits(y: np.ndarray, places: np.ndarray, own) -> np.ndarray:
    """Mask of the bodies inside a major body; each has places (11, 3, n) of its own time."""
    inside = np.zeros(y.shape[1], bool)
    # 0.005 au is more than the Sun's radius: who is farther from everything has hit nothing.
    near = np.flatnonzero((np.sum((places - y[:3]) ** 2, axis=1) < 0.005**2).any(axis=0))
    for i in near:
        alone = None if own is None else own[i : i + 1]
        inside[i] = find_impacts(y[:, i : i + 1], places[:, :, i], alone) is not None
    return inside


class Trajectory:
    """Motion of n bodies, integrated as far as it has been asked for, from heliocentric states (n, 6)."""

    # States are on ICRF axes, au and au/d, each at the body's own epoch, TDB days from J2000.0. ``own_row``
    # is the row of the perturber that a body itself is, -1 for none: it is taken out of the forces on it.
    # ``endings`` holds the bodies that came to an end (an impact), and when.

    def __init__(
        self, kernels, epoch_d, state, *, nongrav=None, own_row=None, labels=None, tolerance=TOLERANCE
    ):  # fmt: skip
        self.kernels, self.tolerance = kernels, tolerance
        self.epoch_d = np.asarray(epoch_d, dtype=float)
        state = np.asarray(state, dtype=float)
        n = len(state)
        self.own_row = np.full(n, -1) if own_row is None else np.asarray(own_row)
        self.labels = labels
        self.endings = {}
        kernels.check_span(self.epoch_d, "an orbit's epoch")
        # Groups share an epoch: a thousand comets of a thousand epochs would be a thousand integrations.
        if len(np.unique(self.epoch_d)) > MANY_EPOCHS:
            self.epoch_d, state = self._to_one_epoch(state, nongrav)
        self._groups = {1: [], -1: []}
        for rows in _alike(self.epoch_d, state):
            t = float(self.epoch_d[rows[0]])
            pos, vel = kernels.major(np.array([t]))
            y = state[rows].T + np.concatenate([pos[0, SUN], vel[0, SUN]])[:, None]
            terms = None if nongrav is None else nongrav.take(rows)
            if terms is not None and not np.any(terms.a):
                terms = None
            forces = Forces(kernels.gm, self.own_row[rows], terms)
            # A twentieth of the time in which the quickest body covers its own distance; control corrects it.
            dist, speed = (np.linalg.norm(part, axis=1) for part in (state[rows, :3], state[rows, 3:]))
            pace = float(np.min(dist / speed))
            for sign in (1, -1):
                self._groups[sign].append(_Group(self, rows, t, y, None, sign, 0.05 * pace, forces))

    def _to_one_epoch(self, state: np.ndarray, nongrav):
        """Epochs and heliocentric states with those that can be carried at the middle epoch."""
        middle = float(np.sort(self.epoch_d)[len(self.epoch_d) // 2])
        sun = np.hstack([part[:, SUN] for part in self.kernels.major(self.epoch_d)])
        moved, ok = carry(
            self.kernels, self.epoch_d, (state + sun).T, middle, nongrav=nongrav, own_row=self.own_row,
            tolerance=self.tolerance,
        )  # fmt: skip
        there = np.hstack([part[:, SUN] for part in self.kernels.major(np.array([middle]))])
        return np.where(ok, middle, self.epoch_d), np.where(ok[:, None], moved.T - there, state)

    def states(self, rows: np.ndarray, t_d: np.ndarray):
        """Barycentric states (k, m, 6) of rows (k,) at t_d (k, m), TDB days from J2000.0."""
        rows = np.asarray(rows)
        t_d = np.asarray(t_d, dtype=float)
        self.kernels.check_span(t_d)
        out = np.full((*t_d.shape, 6), np.nan)
        ahead = t_d >= self.epoch_d[rows][:, None]
        for sign, wanted in ((1, ahead), (-1, ~ahead)):
            if wanted.any():
                self._cover(sign, rows, t_d, wanted)
                self._interpolate_groups(sign, rows, t_d, wanted, out)
        if not np.all(np.isfinite(out)):
            self._explain(rows, t_d, out)
        return out

    def _cover(self, sign, rows: np.ndarray, t_d: np.ndarray, wanted):
        """Integrate every group that holds a wanted body as far as the farthest time."""
        groups = self._groups[sign]
        farthest = np.full(len(self.epoch_d), -np.inf)
        asked = np.where(wanted, sign * t_d, -np.inf).max(axis=1)
        np.maximum.at(farthest, rows, asked)
        i = 0
        # The list grows when a group splits.
        while i < len(groups):
            target = farthest[groups[i].ids].max()
            if groups[i].open and target > -np.inf:
                groups[i].advance(sign * target)
            i += 1

    def _interpolate_groups(self, sign, rows, t_d, wanted, out):
        """Interpolate in every group what it covers of the wanted times."""
        for group in self._groups[sign]:
            if not group.times:
                continue
            column = np.searchsorted(group.ids, rows)
            column = np.minimum(column, len(group.ids) - 1)
            mine = np.flatnonzero(group.ids[column] == rows)
            if len(mine):
                group.fill(mine, column[mine], t_d, wanted, out)

    def add(self, sign, group):
        """Take in a group that split off another."""
        self._groups[sign].append(group)

    def _explain(self, rows, t_d, out):
        """Raise for the first body without a state: its trajectory has ended."""
        bad = int(np.flatnonzero(~np.isfinite(out).all(axis=(1, 2)))[0])
        row = int(rows[bad])
        name = self.labels[row] if self.labels is not None else f"body {row}"
        when = float(t_d[bad][~np.isfinite(out[bad]).all(axis=1)][0]) + J2000_JD
        raise self.endings[row].error(name, when)


class _Group:
    """Bodies that share their steps, going one way from one time."""

    def __init__(self, owner, ids, t, y, first, sign, h, forces):
        self.owner, self.ids, self.sign, self.forces = owner, np.asarray(ids), sign, forces
        self.t, self.y, self.h = t, y, h
        self.first = first
        self.open = True
        self.times, self.steps, self.starts = [], [], []
        self._cache = OrderedDict()

    def _rates(self, t, h):
        """Derivatives at the stages of a step: the perturbers are drawn once for all of them."""
        nodes = t + tableau().nodes[1:] * h
        pos, sun = self.owner.kernels.perturbers(nodes)
        self._end_places = pos[11]

        def rate(i, y):
            return self.forces(y, pos[i - 1][:, :, None], sun[i - 1][:, None], float(nodes[i - 1]))

        return rate

    def advance(self, target: float):
        """Step until the target time is covered, the group is split or its bodies have ended."""
        kernels = self.owner.kernels
        if self.first is None:
            pos, sun = kernels.perturbers(np.array([self.t]))
            self.first = self.forces(self.y, pos[0][:, :, None], sun[0][:, None], self.t)
        limit = kernels.end_d if self.sign > 0 else kernels.start_d
        while self.open and (self.sign * (target - self.t) > 0 or not self.times):
            room = self.sign * (limit - self.t)
            if room <= 0:
                return
            self._step(min(self.h, room))

    def _step(self, size):
        h = self.sign * size
        step = Dop853Step(self._rates(self.t, h), self.y, h, self.first)
        error = step.error(_tolerated(self.y, self.owner.tolerance))
        factor = step_factor(error)
        slow = _laggards(factor)
        # Without laggards, or where others fail too, the whole group repeats a shorter step.
        late = error > 1.0
        if late.any() and (slow is None or np.any(late & ~slow)):
            self.h = size * float(factor.min())
            if self.h < SMALLEST_STEP_D:
                self._end(error > 1.0, "the step shrank to nothing")
            return
        # Only laggards failed: they repeat the step alone, the others go on from where the step began.
        if late.any():
            self._split(slow, size * float(factor[slow].min()))
            return
        self._accept(step, h)
        self.h = size * float(factor.min())
        hits = find_impacts(self.y, self._end_places[:MAJOR_ROWS], self.forces.own)
        if hits is not None:
            self._end(hits >= 0, hits)
        elif slow is not None:
            self._split(slow, size * float(factor[slow].min()), size * float(factor[~slow].min()))

    def _accept(self, step, h):
        self.times.append(self.t)
        self.steps.append(h)
        self.starts.append((self.y, self.first))
        self.t, self.y, self.first = self.t + h, step.end, step.end_rate

    def _split(self, slow, slow_step, fast_step=None):
        """Close this group here; laggards and the others go on apart."""
        self.open = False
        for mask, size in ((slow, slow_step), (~slow, self.h if fast_step is None else fast_step)):
            self._continue(mask, size)

    def _continue(self, mask, size):
        index = np.flatnonzero(mask)
        child = _Group(
            self.owner, self.ids[index], self.t, self.y[:, index], self.first[:, index], self.sign, size,
            self.forces.take(index),
        )  # fmt: skip
        self.owner.add(self.sign, child)

    def _end(self, mask, what):
        """Bodies that hit something stop here; the others go on."""
        self.open = False
        for i in np.flatnonzero(mask):
            why = what if isinstance(what, str) else int(what[i])
            self.owner.endings[int(self.ids[i])] = Ending(self.t, why)
        if not np.all(mask):
            self._continue(~np.asarray(mask), self.h)

    def fill(self, mine, columns: np.ndarray, t_d: np.ndarray, wanted, out):
        """States inside this group's stretch of time, written into the rows of ``out``."""
        lo, hi = sorted((self.times[0], self.t))
        times = t_d[mine]
        ask = wanted[mine] & (times >= lo) & (times <= hi)
        if not ask.any():
            return
        r, c = np.nonzero(ask)
        t = times[r, c]
        node = np.searchsorted(self.sign * np.array(self.times), self.sign * t, side="right") - 1
        node = np.clip(node, 0, len(self.times) - 1)
        order = np.argsort(node, kind="stable")
        edges = np.flatnonzero(np.diff(node[order])) + 1
        for part in np.split(order, edges):
            k = int(node[part[0]])
            x = (t[part] - self.times[k]) / self.steps[k]
            values = interpolate(self._dense(k)[:, :, columns[r[part]]], x)
            out[mine[r[part]], c[part]] = values.T

    def _dense(self, k):
        if k not in self._cache:
            y, first = self.starts[k]
            rate = self._rates(self.times[k], self.steps[k])
            # Interpolation costs three stages more than the step: it is worked out only for steps asked
            # about.
            self._cache[k] = Dop853Step(rate, y, self.steps[k], first).dense(rate)
            while len(self._cache) > 1 and len(self._cache) * self._cache[k].nbytes > CACHE_BYTES:
                self._cache.popitem(last=False)
        return self._cache[k]


def _laggards(factor) -> np.ndarray | None:
    """Mask of the few bodies that hold the step far below what the others could take, or None."""
    n = len(factor)
    if n < 2:
        return None
    # The pace of the tenth slowest: a few stragglers shall not pass for the group.
    pace = float(np.partition(factor, max(1, n // 10))[max(1, n // 10)])
    if pace < SPLIT_PACE * factor.min():
        return None
    return factor < pace / 1.4


def _alike(epoch_d: np.ndarray, state: np.ndarray) -> list:
    """Rows grouped by epoch and by pace at perihelion in steps of two."""
    # The period at perihelion distance, q^1.5, in octaves: who shares it takes about the same steps.
    r = np.linalg.norm(state[:, :3], axis=1)
    v2 = np.einsum("ij,ij->i", state[:, 3:], state[:, 3:])
    h2 = np.sum(np.cross(state[:, :3], state[:, 3:]) ** 2, axis=1)
    e = np.sqrt(np.maximum(1.0 + h2 * (v2 / GM_SUN - 2.0 / r) / GM_SUN, 0.0))
    q = h2 / GM_SUN / (1.0 + e)
    pace = np.floor(np.log2(np.maximum(q, 1e-3) ** 1.5)).astype(int)
    keys = np.stack([epoch_d, pace], axis=1)
    _, inverse = np.unique(keys, axis=0, return_inverse=True)
    # numpy 2.0 gives the inverse a second axis.
    inverse = np.ravel(inverse)
    order = np.argsort(inverse, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(inverse[order])) + 1)


# 3000 km: no other body comes so near to one of the massive asteroids, but every orbit of itself does.
SAME_PLACE_AU = 2e-5


class Bodies(NamedTuple):
    """What the engine needs to know of n bodies."""

    # (n,) TDB days from J2000.0.
    epoch_d: np.ndarray
    # (n, 6) au and au/d, heliocentric, ICRF axes.
    state: np.ndarray
    # (n,) number of the minor planet, 0 for none.
    number: np.ndarray
    # n NonGrav or None.
    terms: list
    # Sequence of n names, for messages.
    labels: object


class _Labels:
    """Names of catalogue rows, made only when a message wants one."""

    def __init__(self, catalogue, rows):
        self.catalogue, self.rows = catalogue, rows

    def __getitem__(self, i):
        return self.catalogue.label(int(self.rows[i]))


def catalogue_bodies(catalogue, rows: np.ndarray) -> Bodies:
    """Bodies of some rows of a catalogue, without making a record of each."""
    rows = np.asarray(rows, dtype=int)
    some = catalogue.take(rows)
    terms = [catalogue.extras.get(int(row), {}).get("nongrav") for row in rows]
    return Bodies(some.epoch_jd_tdb - J2000_JD, some.state, some.number, terms, _Labels(catalogue, rows))


def neighbour_bodies(orbit, near) -> Bodies:
    """The displaced neighbours of one body."""
    count = len(near.state)
    base = orbit.nongrav or NonGrav()
    terms = [None] * count
    if np.any(near.nongrav):
        terms = [replace(base, a1=float(a1), a2=float(a2), a3=float(a3)) for a1, a2, a3 in near.nongrav]
    epoch = np.full(count, orbit.epoch_jd_tdb - J2000_JD)
    return Bodies(epoch, near.state, np.full(count, orbit.number or 0), terms, [orbit.label] * count)


def trajectory(bodies, kernels, tolerance: float = TOLERANCE) -> Trajectory:
    """Trajectory of bodies; EphemerisSpanError where an epoch lies outside the kernels."""
    kernels.check_span(bodies.epoch_d, "an orbit's epoch")
    return Trajectory(
        kernels, bodies.epoch_d, bodies.state, nongrav=_nongrav(bodies.terms),
        own_row=_own_rows(bodies, kernels), labels=bodies.labels,
        tolerance=tolerance,
    )  # fmt: skip


def _nongrav(terms):
    """Arrays of the non-gravitational terms, or None where nobody has any."""
    if not any(term is not None for term in terms):
        return None
    none = NonGrav()
    column = lambda name: np.array([getattr(term or none, name) for term in terms])  # noqa: E731
    a = np.array([column("a1"), column("a2"), column("a3")])
    fields = ("alpha", "r0", "nm", "nn", "nk", "dt_d")
    return NonGravArrays(a, *(column(name) for name in fields))


def _own_rows(bodies, kernels):
    """Row of the perturber that each body is, by its number or by being at the same place, else -1."""
    own = np.full(len(bodies.number), -1)
    known = {number: len(NAMES) + i for i, number in enumerate(kernels.numbers)} | MAJOR_ROWS_BY_NUMBER
    for i in np.flatnonzero(np.isin(bodies.number, list(known))):
        own[i] = known[int(bodies.number[i])]
    for epoch in np.unique(bodies.epoch_d):
        pos, _ = kernels.perturbers(np.array([epoch]))
        mine = np.flatnonzero((bodies.epoch_d == epoch) & (own < 0))
        # An asteroid's orbit may come without its number: it is known by standing where the perturber stands.
        if len(mine) and pos.shape[1] > len(NAMES):
            gap = np.linalg.norm(bodies.state[mine, None, :3] + pos[0, SUN] - pos[0, len(NAMES) :], axis=2)
            near = gap.argmin(axis=1)
            same = gap[np.arange(len(mine)), near] < SAME_PLACE_AU
            own[mine[same]] = len(NAMES) + near[same]
    return own

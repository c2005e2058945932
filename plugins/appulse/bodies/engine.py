"""Integrated trajectories of many bodies, kept for repeated use.

Each body goes forwards and back from its own epoch with steps of its own (:mod:`appulse.bodies.own_steps`);
what has been integrated is kept, and goes on from there when more is asked for.
"""

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from appulse.bodies.kernels import MAJOR_ROWS_BY_NUMBER, NAMES, SUN
from appulse.bodies.orbit import NonGrav
from appulse.bodies.own_steps import OwnSteps
from appulse.constants import J2000_JD
from appulse.numerics import Forces, NonGravArrays

# Tolerated local error of place and velocity, relative; measured against halved steps in the benchmarks.
TOLERANCE = 1e-13


class Trajectory:
    """Motion of n bodies, integrated as far as it has been asked for, from heliocentric states (n, 6)."""

    # States are on ICRF axes, au and au/d, each at the body's own epoch, TDB days from J2000.0. ``own_row``
    # is the row of the perturber that a body itself is, -1 for none: it is taken out of the forces on it.

    def __init__(
        self, kernels, epoch_d, state, *, nongrav=None, own_row=None, labels=None, tolerance=TOLERANCE
    ):  # fmt: skip
        self.kernels, self.tolerance = kernels, tolerance
        self.epoch_d = np.asarray(epoch_d, dtype=float)
        state = np.asarray(state, dtype=float)
        n = len(state)
        self.own_row = np.full(n, -1) if own_row is None else np.asarray(own_row)
        self.labels = labels
        kernels.check_span(self.epoch_d, "an orbit's epoch")
        pos, vel = kernels.major(self.epoch_d)
        y = (state + np.hstack([pos[:, SUN], vel[:, SUN]])).T
        if nongrav is not None and not np.any(nongrav.a):
            nongrav = None
        forces = Forces(kernels.gm, self.own_row, nongrav)
        self._ways = {sign: OwnSteps(kernels, self.epoch_d, y, sign, forces, tolerance) for sign in (1, -1)}

    def states(self, rows: np.ndarray, t_d: np.ndarray):
        """Barycentric states (k, m, 6) of rows (k,) at t_d (k, m), TDB days from J2000.0."""
        rows = np.asarray(rows)
        t_d = np.asarray(t_d, dtype=float)
        self.kernels.check_span(t_d)
        out = np.full((*t_d.shape, 6), np.nan)
        ahead = t_d >= self.epoch_d[rows][:, None]
        for sign, wanted in ((1, ahead), (-1, ~ahead)):
            if wanted.any():
                farthest = np.full(len(self.epoch_d), -np.inf)
                np.maximum.at(farthest, rows, np.where(wanted, sign * t_d, -np.inf).max(axis=1))
                self._ways[sign].advance(sign * farthest, places=t_d.shape[1])
                self._ways[sign].fill(rows, t_d, wanted, out)
        if not np.all(np.isfinite(out)):
            self._explain(rows, t_d, out)
        return out

    def _explain(self, rows, t_d, out):
        """Raise for the first body without a state: its trajectory has ended."""
        bad = int(np.flatnonzero(~np.isfinite(out).all(axis=(1, 2)))[0])
        row = int(rows[bad])
        name = self.labels[row] if self.labels is not None else f"body {row}"
        when_d = float(t_d[bad][~np.isfinite(out[bad]).all(axis=1)][0])
        way = self._ways[1 if when_d >= self.epoch_d[row] else -1]
        raise way.endings[row].error(name, when_d + J2000_JD)


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

"""From orbit records to the engine's arrays."""

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from appulse.bodies.engine import TOLERANCE, Trajectory
from appulse.bodies.kernels import MAJOR_ROWS_BY_NUMBER, NAMES, SUN
from appulse.bodies.record import NonGrav
from appulse.constants import J2000_JD
from appulse.numerics.nbody import NonGravArrays

SAME_PLACE_AU = 2e-5
"""3000 km: no other body comes so near to one of the massive asteroids, but every orbit of itself does."""


class Bodies(NamedTuple):
    """What the engine needs to know of n bodies."""

    epoch_d: np.ndarray
    """(n,) TDB days from J2000.0."""
    state: np.ndarray
    """(n, 6) au and au/d, heliocentric, ICRF axes."""
    number: np.ndarray
    """(n,) number of the minor planet, 0 for none."""
    terms: list
    """n NonGrav or None."""
    labels: object
    """Sequence of n names, for messages."""


class _Labels:
    """Names of catalogue rows, made only when a message wants one."""

    def __init__(self, catalogue, rows):
        self.catalogue, self.rows = catalogue, rows

    def __getitem__(self, i):
        return self.catalogue.label(int(self.rows[i]))


def catalogue_bodies(catalogue, rows):
    """Bodies of some rows of a catalogue, without making a record of each.

    Parameters
    ----------
    catalogue : OrbitCatalogue
    rows : (n,) int array

    Returns
    -------
    Bodies
    """
    rows = np.asarray(rows, dtype=int)
    some = catalogue.take(rows)
    terms = [catalogue.extras.get(int(row), {}).get("nongrav") for row in rows]
    return Bodies(some.epoch_jd_tdb - J2000_JD, some.state, some.number, terms, _Labels(catalogue, rows))


def neighbour_bodies(orbit, near):
    """The displaced neighbours of one body.

    Parameters
    ----------
    orbit : Orbit
    near : Neighbours

    Returns
    -------
    Bodies
    """
    count = len(near.state)
    base = orbit.nongrav or NonGrav()
    terms = [None] * count
    if np.any(near.nongrav):
        terms = [replace(base, a1=float(a1), a2=float(a2), a3=float(a3)) for a1, a2, a3 in near.nongrav]
    epoch = np.full(count, orbit.epoch_jd_tdb - J2000_JD)
    return Bodies(epoch, near.state, np.full(count, orbit.number or 0), terms, [orbit.label] * count)


def trajectory(bodies, kernels, tolerance=TOLERANCE):
    """Trajectory of bodies.

    Parameters
    ----------
    bodies : Bodies
    kernels : Kernels
    tolerance : float
        Tolerated local error, relative.

    Returns
    -------
    Trajectory

    Raises
    ------
    EphemerisSpanError
        An epoch lies outside the kernels.
    """
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
        if len(mine) and pos.shape[1] > len(NAMES):
            gap = np.linalg.norm(bodies.state[mine, None, :3] + pos[0, SUN] - pos[0, len(NAMES) :], axis=2)
            near = gap.argmin(axis=1)
            same = gap[np.arange(len(mine)), near] < SAME_PLACE_AU
            own[mine[same]] = len(NAMES) + near[same]
    return own

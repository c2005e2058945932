"""From orbit records to the engine's arrays."""

import numpy as np

from ..constants import J2000_JD
from ..numerics.nbody import NonGravArrays
from .engine import Trajectory
from .kernels import MAJOR_ROWS_BY_NUMBER, NAMES, SUN
from .record import NonGrav

SAME_PLACE_AU = 2e-5
"""3000 km: no other body comes so near to one of the massive asteroids, but every orbit of itself does."""


def trajectory(orbits, kernels, near=None):
    """Trajectory of orbit records, or of the neighbours of a single one.

    Parameters
    ----------
    orbits : sequence of Orbit
    kernels : Kernels
    near : Neighbours, optional
        In place of the single orbit itself.

    Returns
    -------
    Trajectory

    Raises
    ------
    EphemerisSpanError
        An epoch lies outside the kernels.
    """
    count = len(orbits) if near is None else len(near.state)
    many = orbits if near is None else [orbits[0]] * count
    state = np.array([o.state for o in many]) if near is None else near.state
    epoch = np.array([o.epoch_jd_tdb - J2000_JD for o in many])
    return Trajectory(
        kernels, epoch, state, nongrav=_nongrav(many, near), own_row=_own_rows(many, state, epoch, kernels),
        labels=[getattr(o, "label", o.designation) for o in many],
    )  # fmt: skip


def _nongrav(orbits, near):
    """Arrays of the non-gravitational terms, or None where nobody has any."""
    pushed = near is not None and np.any(near.nongrav)
    if not pushed and not any(o.nongrav for o in orbits):
        return None
    terms = [o.nongrav or NonGrav() for o in orbits]
    field = lambda name: np.array([getattr(term, name) for term in terms])  # noqa: E731
    a = np.array([field("a1"), field("a2"), field("a3")]) if near is None else near.nongrav.T
    return NonGravArrays(a, field("alpha"), field("r0"), field("nm"), field("nn"), field("nk"))


def _own_rows(orbits, state, epoch_d, kernels):
    """Row of the perturber that each body is, by its number or by being at the same place, else -1."""
    own = np.full(len(orbits), -1)
    for i, orbit in enumerate(orbits):
        if orbit.number in kernels.numbers:
            own[i] = len(NAMES) + kernels.numbers.index(orbit.number)
        elif orbit.number in MAJOR_ROWS_BY_NUMBER:
            own[i] = MAJOR_ROWS_BY_NUMBER[orbit.number]
    kernels.check_span(epoch_d, "an orbit's epoch")
    for epoch in np.unique(epoch_d):
        pos, _ = kernels.perturbers(np.array([epoch]))
        mine = np.flatnonzero((epoch_d == epoch) & (own < 0))
        gap = np.linalg.norm(state[mine, None, :3] + pos[0, SUN] - pos[0, len(NAMES) :], axis=2)
        if gap.size:
            near = gap.argmin(axis=1)
            same = gap[np.arange(len(mine)), near] < SAME_PLACE_AU
            own[mine[same]] = len(NAMES) + near[same]
    return own

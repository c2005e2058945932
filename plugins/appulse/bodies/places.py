"""From barycentric states to places on the sky: light time, direction, rates, angles. Bare arrays.

             body at t - tau
            /      \\
           / p      \\ r_helio          p = body(t - tau) - observer(t), tau = |p| / c
          /          \\
    observer(t) ---- Sun

Astrometric places: no aberration, no light deflection, ICRF axes, as JPL Horizons' 'astrometric' RA and Dec.
"""

from typing import NamedTuple

import erfa
import numpy as np

from ..constants import ARCSEC_PER_RAD, C_AU_DAY, J2000_JD
from ..numerics.spherical import radec_from_unit, separation_rad, tangent_axes
from ..observers.timescales import tdb_days
from .kernels import EARTH, SUN

ARCSEC_H = ARCSEC_PER_RAD / 24.0
"""Turns rad/d into arcsec/h."""


class View(NamedTuple):
    """Where the observer is at m times: (m,) TDB days from J2000.0 and (m, 3) au, au/d, barycentric ICRF."""

    t_d: np.ndarray
    place: np.ndarray
    velocity: np.ndarray
    sun: np.ndarray


class Sight(NamedTuple):
    """Lines of sight to k bodies at m times, all from the observer."""

    vector: np.ndarray
    """(k, m, 3) au, body at t - tau minus observer at t."""
    rate: np.ndarray
    """(k, m, 3) au/d, its derivative with respect to t."""
    helio: np.ndarray
    """(k, m, 3) au, body from the Sun, both at t - tau."""
    tau_d: np.ndarray
    """(k, m) d, light time."""


def view(kernels, times, observer):
    """Barycentric place and velocity of an observer, and the Sun's place.

    Parameters
    ----------
    kernels : Kernels
    times : Time, shape (m,)
    observer : Site, SpacecraftVector or alike
        Anything with ``origin`` ('earth', 'sun' or 'ssb') and ``posvel_au(times)``.

    Returns
    -------
    View

    Raises
    ------
    EphemerisSpanError
        A time lies outside the kernels.
    """
    t_d = np.atleast_1d(tdb_days(times))
    kernels.check_span(t_d)
    pos, vel = kernels.major(t_d)
    own_pos, own_vel = observer.posvel_au(times)
    if observer.origin == "ssb":
        return View(t_d, own_pos, own_vel, pos[:, SUN])
    row = EARTH if observer.origin == "earth" else SUN
    return View(t_d, pos[:, row] + own_pos, vel[:, row] + own_vel, pos[:, SUN])


def sight(states, sun_at, rows, seen):
    """Lines of sight with light time.

    Parameters
    ----------
    states : callable
        ``states(rows, t_d (k, m)) -> (k, m, 6)``, barycentric.
    sun_at : callable
        ``sun_at(t_d (j,)) -> (j, 3)``, barycentric.
    rows : (k,) int array
    seen : View

    Returns
    -------
    Sight
    """
    t = np.broadcast_to(seen.t_d, (len(rows), len(seen.t_d)))
    tau = np.zeros(t.shape)
    state = states(rows, t)
    for _ in range(2):  # each round gains a factor v/c; the last one is by the velocity
        tau = np.linalg.norm(state[..., :3] - seen.place, axis=-1) / C_AU_DAY
        state = states(rows, t - tau)
    vector = state[..., :3] - seen.place
    dist = np.linalg.norm(vector, axis=-1)
    unit = vector / dist[..., None]
    radial = np.einsum("kmi,kmi->km", unit, state[..., 3:])
    extra = (dist / C_AU_DAY - tau) / (1.0 + radial / C_AU_DAY)
    vector = vector - extra[..., None] * state[..., 3:]
    tau = tau + extra
    relative = np.einsum("kmi,kmi->km", unit, state[..., 3:] - seen.velocity)
    tau_rate = relative / (C_AU_DAY + radial)
    rate = state[..., 3:] * (1.0 - tau_rate)[..., None] - seen.velocity
    sun = sun_at((t - tau).ravel()).reshape(*t.shape, 3)
    helio = vector + seen.place - sun
    return Sight(vector, rate, helio, tau)


def angles(line, seen):
    """Everything about the sight that a table shows.

    Parameters
    ----------
    line : Sight
    seen : View

    Returns
    -------
    dict of (k, m) arrays: ``ra, dec`` (deg), ``ra_rate, dec_rate, rate`` (arcsec/h, RA with cos Dec),
    ``motion_pa, phase, elongation`` (deg), ``delta, r`` (au)
    """
    delta = np.linalg.norm(line.vector, axis=-1)
    ra, dec = radec_from_unit(line.vector)
    east, north = tangent_axes(line.vector)
    ra_rate = np.einsum("kmi,kmi->km", line.rate, east) / delta * ARCSEC_H
    dec_rate = np.einsum("kmi,kmi->km", line.rate, north) / delta * ARCSEC_H
    to_sun = seen.sun - seen.place
    return {
        "ra": ra,
        "dec": dec,
        "ra_rate": ra_rate,
        "dec_rate": dec_rate,
        "rate": np.hypot(ra_rate, dec_rate),
        "motion_pa": np.degrees(np.arctan2(ra_rate, dec_rate)) % 360.0,
        "phase": np.degrees(separation_rad(line.helio, line.vector)),
        "elongation": np.degrees(separation_rad(line.vector, np.broadcast_to(to_sun, line.vector.shape))),
        "delta": delta,
        "r": np.linalg.norm(line.helio, axis=-1),
    }


def apparent_radec(line, seen):
    """Apparent place of date: aberration, precession and nutation (IAU 2006/2000B), true equator and equinox.

    Light deflection, at most 4 mas beyond 90 degrees from the Sun, is left out: rates do not feel it.

    Parameters
    ----------
    line : Sight
    seen : View

    Returns
    -------
    ra_deg, dec_deg : (k, m) arrays
    """
    unit = line.vector / np.linalg.norm(line.vector, axis=-1, keepdims=True)
    beta = seen.velocity / C_AU_DAY
    lorentz = np.sqrt(1.0 - np.einsum("mi,mi->m", beta, beta))
    sun_au = np.linalg.norm(seen.sun - seen.place, axis=-1)
    natural = erfa.ab(unit, np.broadcast_to(beta, unit.shape), sun_au, lorentz)
    turn = erfa.pnm06a(J2000_JD, seen.t_d)
    return radec_from_unit(np.einsum("mij,kmj->kmi", turn, natural))

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

from appulse.bodies.kernels import EARTH, SUN
from appulse.constants import ARCSEC_PER_RAD, C_AU_DAY, J2000_JD
from appulse.numerics.spherical import radec_from_unit, separation_rad, tangent_axes
from appulse.observers.timescales import tdb_days

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
    relative: np.ndarray
    """(k, m, 3) au/d, velocity of the body at t - tau minus the observer's at t."""
    helio: np.ndarray
    """(k, m, 3) au, body at t - tau from the Sun as the body sees it."""
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
    relative = state[..., 3:] - seen.velocity
    tau_rate = np.einsum("kmi,kmi->km", unit, relative) / (C_AU_DAY + radial)
    rate = relative - state[..., 3:] * tau_rate[..., None]
    # The Sun where it was when it sent the light that left the body at t - tau.
    place = vector + seen.place
    sent = t - tau - np.linalg.norm(place, axis=-1) / C_AU_DAY
    return Sight(vector, rate, relative, place - sun_at(sent.ravel()).reshape(place.shape), tau)


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


def apparent_rates(line, seen):
    """Rates on the axes of date at the apparent place, as JPL Horizons prints them.

    The body's velocity relative to the observer, turned to the true equator and equinox of date (IAU
    2006/2000A) and resolved at the aberrated direction. The recipe was found by comparison with 2,430
    recorded rates, which it meets to 0.0005 arcsec/h.

    Parameters
    ----------
    line : Sight
    seen : View

    Returns
    -------
    dict of (k, m) arrays, arcsec/h: ``ra_rate_apparent`` (with cos Dec), ``dec_rate_apparent``
    """
    delta = np.linalg.norm(line.vector, axis=-1)
    beta = seen.velocity / C_AU_DAY
    lorentz = np.sqrt(1.0 - np.einsum("mi,mi->m", beta, beta))
    sun_au = np.linalg.norm(seen.sun - seen.place, axis=-1)
    beta = np.broadcast_to(beta, line.vector.shape)
    proper = erfa.ab(line.vector / delta[..., None], beta, sun_au, lorentz)
    turn = erfa.pnm06a(J2000_JD, seen.t_d)
    east, north = tangent_axes(np.einsum("mij,kmj->kmi", turn, proper))
    motion = np.einsum("mij,kmj->kmi", turn, line.relative)
    return {
        "ra_rate_apparent": np.einsum("kmi,kmi->km", motion, east) / delta * ARCSEC_H,
        "dec_rate_apparent": np.einsum("kmi,kmi->km", motion, north) / delta * ARCSEC_H,
    }

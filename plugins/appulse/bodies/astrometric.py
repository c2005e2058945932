"""From barycentric states to astrometric places: light time, direction, rates, angles, and the table of them.

             body at t - tau
            /      \\
           / p      \\ r_helio          p = body(t - tau) - observer(t), tau = |p| / c
          /          \\
    observer(t) ---- Sun

No aberration, no light deflection, ICRF axes, as JPL Horizons' 'astrometric' RA and Dec.
"""

from typing import NamedTuple

import erfa
import numpy as np
from astropy import units as u
from astropy.table import Column, QTable
from astropy.time import Time
from astropy.utils.masked import Masked

from appulse.bodies.kernels import EARTH, SUN
from appulse.constants import ARCSEC_PER_RAD, C_AU_DAY, J2000_JD
from appulse.errors import TimeError
from appulse.numerics import radec_from_unit, separation_rad, tangent_axes
from appulse.observers import accuracy_note, quiet_erfa, tdb_days, tt_jd

# Turns rad/d into arcsec/h.
ARCSEC_H = ARCSEC_PER_RAD / 24.0


class ObserverState(NamedTuple):
    """Where the observer is at m times: (m,) TDB days from J2000.0 and (m, 3) au, au/d, barycentric ICRF."""

    t_d: np.ndarray
    place: np.ndarray
    velocity: np.ndarray
    sun: np.ndarray


class Sight(NamedTuple):
    """Lines of sight to k bodies at m times, all from the observer."""

    # (k, m, 3) au, body at t - tau minus observer at t.
    vector: np.ndarray
    # (k, m, 3) au/d, its derivative with respect to t.
    rate: np.ndarray
    # (k, m, 3) au/d, velocity of the body at t - tau minus the observer's at t.
    relative: np.ndarray
    # (k, m, 3) au, body at t - tau from the Sun as the body sees it.
    helio: np.ndarray
    # (k, m, 3) au/d, its velocity about the Sun.
    helio_velocity: np.ndarray
    # (k, m) d, light time.
    tau_d: np.ndarray


def observer_state(kernels, times: Time, observer) -> ObserverState:
    """Barycentric place and velocity of an observer at times (m,), and the Sun's place."""
    t_d = np.atleast_1d(tdb_days(times))
    kernels.check_span(t_d)
    pos, vel = kernels.major(t_d)
    own_pos, own_vel = observer.posvel_au(times)
    if observer.origin == "ssb":
        return ObserverState(t_d, own_pos, own_vel, pos[:, SUN])
    row = EARTH if observer.origin == "earth" else SUN
    return ObserverState(t_d, pos[:, row] + own_pos, vel[:, row] + own_vel, pos[:, SUN])


class LightPath(NamedTuple):
    """What reaches the observer from k bodies at m times: the sight without rates and without the Sun."""

    # (k, m, 3) au, body at t - tau minus observer at t.
    vector: np.ndarray
    # (k, m) d, light time.
    tau_d: np.ndarray
    # (k, m, 6) au and au/d, barycentric, a step of Newton before t - tau.
    state: np.ndarray
    # (k, m, 3) direction there, and (k, m) the body's velocity along it, au/d.
    unit: np.ndarray
    radial: np.ndarray


def light_path(states, rows: np.ndarray, seen: ObserverState) -> LightPath:
    """Light time to bodies of ``states(rows, t_d (k, m)) -> (k, m, 6)``, barycentric."""
    t = np.broadcast_to(seen.t_d, (len(rows), len(seen.t_d)))
    tau = np.zeros(t.shape)
    state = states(rows, t)
    # Each round gains a factor v/c = 1e-4; the third is by the velocity, and costs no look-up of states.
    for _ in range(2):
        tau = np.linalg.norm(state[..., :3] - seen.place, axis=-1) / C_AU_DAY
        state = states(rows, t - tau)
    vector = state[..., :3] - seen.place
    dist = np.linalg.norm(vector, axis=-1)
    unit = vector / dist[..., None]
    radial = np.einsum("kmi,kmi->km", unit, state[..., 3:])
    # A step of Newton for |body(t - tau) - observer(t)| = c tau, with the radial velocity of the body.
    extra = (dist / C_AU_DAY - tau) / (1.0 + radial / C_AU_DAY)
    return LightPath(vector - extra[..., None] * state[..., 3:], tau + extra, state, unit, radial)


def sight(states, sun_at, rows: np.ndarray, seen: ObserverState) -> Sight:
    """Lines of sight with light time, as :func:`light_path`, with rates and the Sun as the body sees it."""
    # ``sun_at(t_d (n,)) -> (n, 6)`` is the Sun's barycentric state.
    vector, tau, state, unit, radial = light_path(states, rows, seen)
    relative = state[..., 3:] - seen.velocity
    tau_rate = np.einsum("kmi,kmi->km", unit, relative) / (C_AU_DAY + radial)
    rate = relative - state[..., 3:] * tau_rate[..., None]
    # The Sun where it was when it sent the light that left the body at t - tau.
    place = vector + seen.place
    sent = seen.t_d - tau - np.linalg.norm(place, axis=-1) / C_AU_DAY
    sun = sun_at(sent.ravel()).reshape(*tau.shape, 6)
    return Sight(vector, rate, relative, place - sun[..., :3], state[..., 3:] - sun[..., 3:], tau)


def place_and_motion(vector: np.ndarray, rate: np.ndarray) -> dict:
    """Columns ra to motion_pa of vectors (..., 3) from the observer and their derivatives, per day."""
    ra, dec = radec_from_unit(vector)
    ra_rate, dec_rate = _rates(rate, vector, np.linalg.norm(vector, axis=-1))
    return {
        "ra": ra,
        "dec": dec,
        "ra_rate": ra_rate,
        "dec_rate": dec_rate,
        "rate": np.hypot(ra_rate, dec_rate),
        "motion_pa": np.degrees(np.arctan2(ra_rate, dec_rate)) % 360.0,
    }


def _rates(motion: np.ndarray, direction: np.ndarray, distance: np.ndarray):
    """East and north components, arcsec/h, of a motion per day across a line of sight."""
    east, north = tangent_axes(direction)
    return [np.einsum("...i,...i->...", motion, axis) / distance * ARCSEC_H for axis in (east, north)]


def angles(line: Sight, seen: ObserverState) -> dict:
    """Everything about the sight that a table shows, by column: arrays (k, m) in the units of ``UNITS``."""
    delta = np.linalg.norm(line.vector, axis=-1)
    to_sun = seen.sun - seen.place
    return place_and_motion(line.vector, line.rate) | {
        "phase": np.degrees(separation_rad(line.helio, line.vector)),
        "elongation": np.degrees(separation_rad(line.vector, np.broadcast_to(to_sun, line.vector.shape))),
        "delta": delta,
        "r": np.linalg.norm(line.helio, axis=-1),
        "sun_pa": position_angle(line.vector, line.helio),
        "antivelocity_pa": position_angle(line.vector, -line.helio_velocity),
        "plane_elevation": _plane_elevation(line),
    }


def position_angle(direction: np.ndarray, vector: np.ndarray) -> np.ndarray:
    """Position angle, degrees north through east (ICRF), of vectors seen along lines of sight."""
    east, north = (np.einsum("...i,...i->...", vector, axis) for axis in tangent_axes(direction))
    return np.degrees(np.arctan2(east, north)) % 360.0


def _plane_elevation(line: Sight) -> np.ndarray:
    """Height of the observer above the body's orbit plane as the body sees it, degrees."""
    pole = np.cross(line.helio, line.helio_velocity)
    sine = -np.einsum("kmi,kmi->km", pole, line.vector)
    size = np.linalg.norm(pole, axis=-1) * np.linalg.norm(line.vector, axis=-1)
    # A body that falls straight at the Sun has no plane.
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.degrees(np.arcsin(np.clip(sine / size, -1.0, 1.0)))


def apparent_rates(line: Sight, seen: ObserverState) -> dict:
    """Rates, arcsec/h, on the axes of date at the apparent place, as JPL Horizons prints them."""
    # The body's velocity relative to the observer, turned to the true equator and equinox of date (IAU
    # 2006/2000A) and resolved at the aberrated direction. The recipe was found by comparison with 2,430
    # recorded rates, which it meets to 0.0005 arcsec/h.
    delta = np.linalg.norm(line.vector, axis=-1)
    beta = seen.velocity / C_AU_DAY
    lorentz = np.sqrt(1.0 - np.einsum("mi,mi->m", beta, beta))
    sun_au = np.linalg.norm(seen.sun - seen.place, axis=-1)
    beta = np.broadcast_to(beta, line.vector.shape)
    proper = erfa.ab(line.vector / delta[..., None], beta, sun_au, lorentz)
    turn = erfa.pnm06a(J2000_JD, seen.t_d)
    direction, motion = (np.einsum("mij,kmj->kmi", turn, vector) for vector in (proper, line.relative))
    return dict(zip(("ra_rate_apparent", "dec_rate_apparent"), _rates(motion, direction, delta), strict=True))


_RATE = u.arcsec / u.hour
# Every column that a table of places may have, in order: unit and description.
COLUMNS = {
    "designation": (None, "body"),
    "time": (None, "UTC"),
    "ra": (u.deg, "right ascension, astrometric, ICRF"),
    "dec": (u.deg, "declination, astrometric, ICRF"),
    "ra_rate": (_RATE, "motion in right ascension times cos Dec, ICRF"),
    "dec_rate": (_RATE, "motion in declination, ICRF"),
    "rate": (_RATE, "motion on the sky"),
    "motion_pa": (u.deg, "position angle of the motion, north through east, ICRF"),
    "phase": (u.deg, "angle Sun-body-observer"),
    "elongation": (u.deg, "angle Sun-observer-body"),
    "delta": (u.au, "distance from the observer"),
    "r": (u.au, "distance from the Sun"),
    "sun_pa": (u.deg, "position angle of the extended radius vector from the Sun: the antisolar direction"),
    "antivelocity_pa": (u.deg, "position angle of the negative heliocentric velocity"),
    "plane_elevation": (u.deg, "elevation of the observer above the body's orbit plane"),
    "mag": (u.mag, "apparent magnitude by the record's own system; a comet's total magnitude (T-mag)"),
    "sigma_mag": (u.mag, "1-sigma spread of a comet's total magnitude about its law"),
    "nuclear_mag": (u.mag, "a comet's nuclear magnitude (N-mag), from M2, K2 and its phase coefficient"),
    "sigma_major": (u.arcsec, "1-sigma error ellipse, major semi-axis"),
    "sigma_minor": (u.arcsec, "1-sigma error ellipse, minor semi-axis"),
    "sigma_pa": (u.deg, "position angle of the ellipse's major axis"),
    "ra_rate_apparent": (
        _RATE, "motion in right ascension times cos Dec, axes of date at the apparent place"
    ),
    "dec_rate_apparent": (_RATE, "motion in declination, axes of date at the apparent place"),
}  # fmt: skip
UNITS = {name: unit for name, (unit, _) in COLUMNS.items() if unit is not None}
# 1960-01-01.
UTC_BEGINS_JD = 2_436_934.5
# Columns that may always be masked; others are only where something is not known.
MAYBE = ("mag", "sigma_mag", "nuclear_mag", "sigma_major", "sigma_minor", "sigma_pa")
# Those of a comet are left out where no body has any.
COMETS_ONLY = ("sigma_mag", "nuclear_mag")


def clean_times(time: Time) -> Time:
    """Times as a one-dimensional UTC ``Time``, with no 'dubious year'; TimeError where they are none."""
    if not isinstance(time, Time):
        raise TimeError(f"times must be astropy Time objects, got {type(time).__name__}")
    if time.size == 0:
        raise TimeError("no time is given; at least one is needed")
    if time.ndim > 1:
        raise TimeError(f"times must be scalar or one-dimensional, got shape {time.shape}")
    # Refuses what is not finite, or on a scale without a tie to TDB.
    tt1, tt2 = tt_jd(time)
    if np.any((tt1 - UTC_BEGINS_JD) + tt2 < 0.01):
        raise TimeError("a time lies before 1960, when UTC begins; places are tabulated in UTC from then on")
    with quiet_erfa():
        utc = time.utc
    jd1, jd2 = np.atleast_1d(np.asarray(utc.jd1)), np.atleast_1d(np.asarray(utc.jd2))
    return Time(jd1, jd2, format="jd", scale="utc")


def body_list(bodies) -> list | None:
    """What a user gave as ``bodies`` (one or several names or numbers) as a list; None stands for all."""
    if bodies is None:
        return None
    return [bodies] if isinstance(bodies, str | int | np.integer) else list(bodies)


def build_table(designations: list, times: Time, observer, columns: dict, ellipses, meta: dict) -> QTable:
    """Assemble the table, body by body, from columns (k, m) and error ellipses (3, k, m) or None."""
    k, m = len(designations), len(times)
    when = Time(np.tile(times.jd1, k), np.tile(times.jd2, k), format="jd", scale="utc")
    # Shown as people and other programs read times; kept as two-part Julian dates.
    when.format = "isot"
    made = {"designation": Column(np.repeat(np.asarray(designations, dtype=str), m)), "time": when}
    if ellipses is None:
        ellipses = np.full((3, k, m), np.nan)
    columns = {**columns, **dict(zip(MAYBE[-3:], ellipses, strict=True))}
    for name in COMETS_ONLY:
        if name in columns and not np.isfinite(columns[name]).any():
            del columns[name]
    for name, unit in UNITS.items():
        if name in columns:
            values = np.ravel(columns[name])
            unknown = ~np.isfinite(values)
            if name in MAYBE or unknown.any():
                made[name] = Masked(u.Quantity(np.where(unknown, 0.0, values), unit), mask=unknown)
            else:
                made[name] = u.Quantity(values, unit)
    for name, column in made.items():
        column.info.description = COLUMNS[name][1]
    # Made at once and of these very arrays: column by column, with copies, it takes twice the time.
    table = QTable(made, copy=False)
    table.meta.update(meta)
    table.meta["observer"] = observer.code or observer.name
    if observer.origin == "earth":
        table.meta["earth_orientation"] = accuracy_note(times)
    return table

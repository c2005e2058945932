"""Which bodies of a catalogue, of any size, are in a field at a moment.

A field is searched in three passes, each for far fewer bodies than the one before:

    all bodies  --two-body directions of the night (cached), one dot product each-->  some thousand
    those       --brighter than the limit, roughly-->  some hundred
    those       --integrated, exact-->  the bodies in the field

The first pass must not lose anybody. Its margin is the sum of the error of two-body motion since the epoch of
the elements, the motion between the night's middle and the moment asked for, and the observer's parallax.
"""

import weakref
from collections import OrderedDict
from typing import NamedTuple

import numpy as np
from astropy import units as u

from appulse.bodies import carried
from appulse.bodies.astrometric import clean_times, observer_state
from appulse.bodies.engine import catalogue_bodies
from appulse.bodies.ephemeris import ONE_YEAR_D, NBodyEphemeris
from appulse.bodies.kernels import EARTH, GM_MAJOR, SUN, VENUS, default_kernels
from appulse.bodies.listed import roughly
from appulse.bodies.photometry import DEFAULT_G
from appulse.constants import C_AU_DAY, GM_SUN, J2000_JD
from appulse.errors import InputError
from appulse.numerics import ECLIPTIC_TO_ICRF, separation_rad, state_from_elements, unit_from_radec
from appulse.observers import tdb_days

# Orbits of greater eccentricity take the universal formula; they are few.
ELLIPTIC_BELOW = 0.95
_COS, _SIN = np.float32(ECLIPTIC_TO_ICRF[1, 1]), np.float32(ECLIPTIC_TO_ICRF[2, 1])


def heliocentric(elements: np.ndarray, t_d: float) -> tuple:
    """Two-body places and velocities (3, n), ICRF axes, single precision, good to a few arcseconds."""
    q, e = elements[:, 0], elements[:, 1]
    # Kepler's equation by a fixed number of steps settles below this eccentricity only.
    steep = np.flatnonzero(e >= ELLIPTIC_BELOW)
    ecc = e if not len(steep) else np.where(e < ELLIPTIC_BELOW, e, 0.5)
    x, y, vx, vy = _ellipse(q, ecc, elements[:, 5], t_d)
    inc, node, peri = np.radians(elements[:, 2:5].T).astype(np.float32)
    place, velocity = np.empty((3, len(q)), np.float32), np.empty((3, len(q)), np.float32)
    for row, (p, w) in enumerate(_axes(inc, node, peri)):
        place[row] = x * p + y * w
        velocity[row] = vx * p + vy * w
    if len(steep):
        few = elements[steep]
        angles = np.radians(few[:, 2:5]).T
        state = state_from_elements(few[:, 0], few[:, 1], *angles, few[:, 5], t_d + J2000_JD)
        place[:, steep] = ECLIPTIC_TO_ICRF @ state[:, :3].T
        velocity[:, steep] = ECLIPTIC_TO_ICRF @ state[:, 3:].T
    return place, velocity


def length(vectors: np.ndarray) -> np.ndarray:
    """Lengths (n,) of vectors (3, n)."""
    x, y, z = vectors
    return np.sqrt(x * x + y * y + z * z)


def _axes(inc, node, peri):
    """Components x, y, z (ICRF) of the axes towards perihelion and 90 degrees on, one pair at a time."""
    cn, sn, cw, sw, ci, si = np.cos(node), np.sin(node), np.cos(peri), np.sin(peri), np.cos(inc), np.sin(inc)
    yield cn * cw - sn * sw * ci, -cn * sw - sn * cw * ci
    py, wy = sn * cw + cn * sw * ci, -sn * sw + cn * cw * ci
    pz, wz = sw * si, cw * si
    yield _COS * py - _SIN * pz, _COS * wy - _SIN * wz
    yield _SIN * py + _COS * pz, _SIN * wy + _COS * wz


def _ellipse(q: np.ndarray, e: np.ndarray, tp_jd, t_d: float):
    """In-plane place and velocity; Kepler's equation by Halley steps (Danby 1988, *Fundamentals*, 6.6)."""
    a = q / (1.0 - e)
    motion = np.sqrt(GM_SUN / a) / a
    mean = motion * ((t_d + J2000_JD) - tp_jd)
    # Reduced in double precision first: a single-precision angle of many turns has no digits left.
    mean = (mean - 2.0 * np.pi * np.round(mean / (2.0 * np.pi))).astype(np.float32)
    ecc, axis, motion = e.astype(np.float32), a.astype(np.float32), motion.astype(np.float32)
    angle = mean + np.copysign(np.float32(0.85), mean) * ecc
    for _ in range(3):
        sine, cosine = ecc * np.sin(angle), ecc * np.cos(angle)
        f, f1 = angle - sine - mean, np.float32(1.0) - cosine
        angle -= f / (f1 - np.float32(0.5) * f * sine / f1)
    sine, cosine = np.sin(angle), np.cos(angle)
    flat = np.sqrt(np.float32(1.0) - ecc * ecc)
    turn = motion * axis / (np.float32(1.0) - ecc * cosine)
    return axis * (cosine - ecc), axis * flat * sine, -turn * sine, turn * flat * cosine


CROSSER_Q_AU = 1.3
# Passes farther out deflect by less than the general margin of planet crossers allows for.
NEAR_AU = 0.07
SAMPLE_D = 4.0
MAX_SAMPLES = 400
# How far off the two-body miss distance itself may be.
DOUBT_AU = 0.002
# On the displacement: a kick along the orbit changes the period, and the shift grows threefold by that.
SAFETY = 4.0


def widen_after_encounters(catalogue, t_d: float, kernels) -> np.ndarray:
    """Displacement (n,), au, that encounters with the Earth or Venus since the epoch may have caused."""
    # The two-body orbit is sampled every four days between its epoch and the night; where a sample lies near
    # a planet, the miss distance b of the straight line through it gives the deflection 2 GM / (b v^2), a
    # kick of that times v, and a displacement that grows with the time since. Huge where nothing can be said.
    out = np.zeros(len(catalogue), np.float32)
    age = t_d - (catalogue.epoch_jd_tdb - J2000_JD)
    rows = np.flatnonzero((catalogue.elements[:, 0] < CROSSER_Q_AU) & (np.abs(age) > 1.0))
    if not len(rows):
        return out
    elements, age = catalogue.elements[rows], age[rows]
    count = int(min(np.ceil(np.abs(age).max() / SAMPLE_D), MAX_SAMPLES))
    out[rows[np.abs(age) > MAX_SAMPLES * SAMPLE_D]] = 1e3
    for back in np.arange(count + 1) * SAMPLE_D:
        for way in (1.0, -1.0):
            t = t_d - way * back
            mine = np.flatnonzero((np.sign(age) == way) & (np.abs(age) >= back))
            if len(mine) and kernels.start_d <= t <= kernels.end_d:
                state, planets = heliocentric(elements[mine], t), kernels.major(np.array([t]))
                _add_kicks(out, rows[mine], state, planets, back)
    return out


def _add_kicks(out, rows: np.ndarray, state: np.ndarray, planets, back):
    """Enter the greatest displacement that a pass near this sample may have caused."""
    (place, velocity), (pos, vel) = state, planets
    for planet in (EARTH, VENUS):
        gap = place - (pos[0, planet] - pos[0, SUN])[:, None].astype(np.float32)
        near = np.flatnonzero(length(gap) < NEAR_AU)
        if not len(near):
            continue
        gap = gap[:, near].astype(float)
        relative = velocity[:, near] - (vel[0, planet] - vel[0, SUN])[:, None]
        speed = length(relative)
        miss = np.maximum(length(np.cross(gap, relative, axis=0)) / speed - DOUBT_AU, 1e-6)
        kick = 2.0 * GM_MAJOR[planet] / (miss * speed)
        moved = SAFETY * kick * (back + SAMPLE_D)
        out[rows[near]] = np.maximum(out[rows[near]], np.where(miss < 1e-4, 1e3, moved))


# A sky serves the times within half a day of its own.
HALF_NIGHT_D = 0.5
# Single precision, light time to first order and the like, 20 arcsec.
BASE_RAD = 1.0e-4
# Radius of the Earth with some to spare.
PARALLAX_AU = 4.3e-5
CHUNK = 65_536
_DEG = np.pi / 180.0


class NightSky(NamedTuple):
    """Directions of n bodies on one night; arrays of single precision."""

    # TDB days from J2000.0 of the middle.
    t_d: float
    # (n, 3) directions, ICRF.
    unit: np.ndarray
    # (n,) rad, what the direction may be off at the middle of the night; pi: never left out.
    margin: np.ndarray
    # (n,) rad/d, motion.
    pace: np.ndarray
    # (n,) mag, NaN where the catalogue has none.
    mag: np.ndarray
    # (n,) mag, what the magnitude may be off.
    slack: np.ndarray

    def survivors(self, centre: np.ndarray, radius_rad: float, t_d: float, limit_mag=None) -> np.ndarray:
        """Rows that may be within a radius of a direction, at a time within half a day of the sky's own."""
        reach = self.pace * np.float32(abs(t_d - self.t_d))
        reach += self.margin
        reach += np.float32(radius_rad)
        reach *= reach
        # 1 - cos x <= x^2 / 2, so this keeps a little more than it must; 1e-6 is the rounding of the product.
        apart = self.unit @ np.asarray(centre, dtype=np.float32)
        apart *= np.float32(-2.0)
        apart += np.float32(2.0 - 1e-6)
        rows = np.flatnonzero(apart <= reach)
        if limit_mag is not None:
            rows = rows[~(self.mag[rows] - self.slack[rows] > limit_mag)]
        return rows


def two_body_error_rad(age_d: np.ndarray, q_au: np.ndarray, aphelion_au: np.ndarray) -> np.ndarray:
    """Bound (n,) of how far two-body motion strays on the sky, seen from the Earth."""
    # Envelopes with a factor of 2 or more over the largest errors met among 4,500 invented and 449 real
    # bodies integrated over up to ten years (tests hold more against it): main belt, bodies near Jupiter's
    # orbit or crossing it, and planet crossers. Common practice, no source.
    years = np.abs(age_d) / 365.25
    belt = 0.02 * years + 0.28 * years**2.5 + 0.01 * (years > 0)
    belt = np.minimum(belt, 1e3)
    jovian = 3.0 * years**1.7 + 0.05 * years
    crosser = 1.0 * years + 1.5 * years**2
    near_jupiter = (aphelion_au > 3.7) & (q_au < 7.0)
    out = np.where(near_jupiter, jovian, belt)
    out = np.where(q_au < 1.7, np.maximum(crosser, np.where(near_jupiter, jovian, 0.0)), out)
    return np.minimum(out * _DEG, np.pi)


def night_sky(catalogue, t_d: float, kernels, observer_au=None, doubt_au=0.0, passed_au=None) -> NightSky:
    """Two-body directions of a whole catalogue from the Earth, or from a barycentric place, au."""
    # ``doubt_au`` (n,) is what the states themselves may be off, ``passed_au`` what encounters may have
    # caused, where that is known beforehand.
    n = len(catalogue)
    pos, vel = kernels.major(np.array([t_d]))
    place = pos[0, EARTH] if observer_au is None else np.asarray(observer_au, dtype=float)
    from_sun, velocity = place - pos[0, SUN], vel[0, EARTH] - vel[0, SUN]
    sky = NightSky(t_d, np.empty((n, 3), np.float32), *(np.empty(n, np.float32) for _ in range(4)))
    extra = widen_after_encounters(catalogue, t_d, kernels) if passed_au is None else passed_au
    extra = extra + np.float32(doubt_au)
    for start in range(0, n, CHUNK):
        part = slice(start, min(start + CHUNK, n))
        _fill(sky, part, catalogue, from_sun, velocity, extra)
    return sky


def _fill(sky, part, catalogue, from_sun, velocity, extra):
    """Directions, margins and magnitudes of one stretch of the catalogue; rows of places are x, y, z."""
    elements, epoch_d = catalogue.elements[part], catalogue.epoch_jd_tdb[part] - J2000_JD
    q, e = elements[:, 0], elements[:, 1]
    place, speed = heliocentric(elements, sky.t_d)
    seen = place - from_sun[:, None].astype(np.float32)
    # Light time to first order: what is left out is far below the margin.
    seen -= speed * (length(seen) / np.float32(C_AU_DAY))
    delta = length(seen)
    sky.unit[part] = (seen / delta).T
    motion = length(speed - velocity[:, None].astype(np.float32))
    # How near the body can come within the night: directions change the faster, the nearer it is.
    room = np.maximum(delta - np.float32(HALF_NIGHT_D) * motion - np.float32(2.0 * PARALLAX_AU), 0.0)
    with np.errstate(divide="ignore"):
        sky.pace[part] = np.minimum(motion / room, 1e3)
    aphelion = np.where(e < 1.0, q * (1.0 + e) / np.where(e < 1.0, 1.0 - e, 1.0), np.inf)
    margin = two_body_error_rad(sky.t_d - epoch_d, q, aphelion) * np.maximum(1.0, 0.7 / delta)
    margin += extra[part] / delta + BASE_RAD + np.arctan2(np.float32(PARALLAX_AU), room)
    sky.margin[part] = np.where(room > 0, np.minimum(margin, np.pi), np.pi)
    sky.mag[part], sky.slack[part] = _rough_magnitude(catalogue, part, place, seen, delta, sky.margin[part])


def _rough_magnitude(catalogue, part, place, seen, delta: np.ndarray, margin):
    """Magnitude of the night and what it may be off: more for bodies whose distance is in doubt."""
    r = length(place)
    cosine = np.clip((place[0] * seen[0] + place[1] * seen[1] + place[2] * seen[2]) / (r * delta), -1.0, 1.0)
    tan = np.sqrt((1.0 - cosine) / np.maximum(1.0 + cosine, np.float32(1e-6)))
    given = catalogue.g[part]
    slope = np.where(np.isfinite(given), given, DEFAULT_G).astype(np.float32)
    light = (1.0 - slope) * np.exp(np.float32(-3.33) * tan ** np.float32(0.63))
    light += slope * np.exp(np.float32(-1.87) * tan ** np.float32(1.22))
    mag = catalogue.h[part] + 5.0 * np.log10(r * delta) - 2.5 * np.log10(np.maximum(light, 1e-12))
    total = np.isfinite(catalogue.m1[part])
    if total.any():
        k1 = np.where(np.isfinite(catalogue.k1[part]), catalogue.k1[part], 10.0)
        mag = np.where(total, catalogue.m1[part] + 5.0 * np.log10(delta) + k1 * np.log10(r), mag)
    # Twice the doubt in direction is the relative doubt in distance; phase laws differ by 0.3 mag at most.
    slack = 0.4 + 10.0 * np.log10(1.0 + 2.0 * np.minimum(margin, 3.0))
    # Beyond 100 degrees of phase bodies differ by magnitudes, beyond 143 by anything.
    slack = np.where(tan > 1.2, slack + 3.0, slack)
    return mag, np.where((margin >= np.float32(3.0)) | (tan > 3.0), np.inf, slack)


NIGHTS_KEPT = 2
# More bodies than this, so many days from their epochs, are first looked at roughly: there the two-body sky
# cuts nothing, and the full integration of them all takes minutes.
MANY, FAR_D = 1000, 1000.0
# The sky of a list of up to so many bodies is made from the orbits carried nearest to it.
MOST_CARRIED = 50_000
# Tolerance of the rough look and the error allowed for it: over 16 years the worst of 491 bodies, most of
# them near the Earth, was 0.013 degrees off.
ROUGH_TOLERANCE, ROUGH_DEG = 1e-8, 1.0
# The states kept are years apart: those nearest to a night serve those of the next weeks.
SAME_NEARER_D = 30.0
# Integrated bodies kept for the next field; beyond that they are let go.
BODIES_KEPT = 20_000
_kept_searches = weakref.WeakKeyDictionary()


class _KeptSearch:
    """What is kept of one catalogue: the skies of the last nights and the integrated bodies."""

    def __init__(self, catalogue, kernels):
        self.kernels = kernels
        self.skies = OrderedDict()
        self.ephemeris = NBodyEphemeris(catalogue, kernels=kernels)
        self.nearer = None

    def sky(self, catalogue, t_d, observer, place):
        """The two-body sky that serves this moment; the last nights' are kept, a spacecraft's are not."""
        if observer.origin != "earth" or _far(place, t_d, self.kernels):
            nearer, doubt = self.near(catalogue, t_d)
            return night_sky(nearer, t_d, self.kernels, place, doubt)
        night = float(np.floor(t_d + 0.5))
        night = min(max(night, self.kernels.start_d), self.kernels.end_d)
        if night not in self.skies:
            nearer, doubt = self.near(catalogue, night)
            self.skies[night] = night_sky(nearer, night, self.kernels, doubt_au=doubt)
            while len(self.skies) > NIGHTS_KEPT:
                self.skies.popitem(last=False)
        return self.skies[night]

    def near(self, catalogue, t_d):
        """The catalogue with orbits carried nearer to a time than their epochs, and their doubt, au."""
        if self.nearer is not None and abs(t_d - self.nearer[0]) <= SAME_NEARER_D:
            return self.nearer[1:]
        nearer = nearer_orbits(catalogue, t_d, self.ephemeris.may_be_carried())
        if nearer[0] is not catalogue:  # which must not be kept alive by what is kept of it
            self.nearer = t_d, *nearer
        return nearer


def nearer_orbits(catalogue, t_d: float, exact: bool = True):
    """A catalogue with the states kept nearest to a time, and (n,) what those may be off, au.

    For a first look: the list's are rough. ``exact`` asks for the carried ones too, which belong to the
    bundled kernels.
    """
    doubt = np.zeros(len(catalogue))
    epoch_d = catalogue.epoch_jd_tdb - J2000_JD
    if len(catalogue) > MOST_CARRIED or not (np.abs(epoch_d - t_d) > ONE_YEAR_D).any():
        return catalogue, doubt
    rough = roughly(catalogue, t_d + J2000_JD)
    if rough is not None:
        catalogue = catalogue.moved(rough.rows, np.full(len(rough.rows), rough.epoch_jd_tdb), rough.state)
        doubt[rough.rows] = rough.doubt_au
        epoch_d[rough.rows] = t_d
    rows = np.flatnonzero(np.abs(epoch_d - t_d) > ONE_YEAR_D)
    if len(rows) and exact:
        keys = carried.orbit_keys(catalogue_bodies(catalogue, rows))
        found, states = carried.nearest(keys, np.full(len(rows), t_d))
        nearer = np.abs(found - t_d) < np.abs(epoch_d[rows] - t_d)
        catalogue = catalogue.moved(rows[nearer], found[nearer] + J2000_JD, states[nearer])
    return catalogue, doubt


# Days between the looks at who may be bright. Between two of them a body gains at most so many magnitudes at
# its opposition, and this much for each radian that it goes (0.05 a degree of phase).
LOOK_D, SURGE_MAG, MAG_PER_RAD = 8.0, 0.2, 3.0


def may_be_bright(catalogue, start_d: float, end_d: float, limit_mag: float, kernels) -> np.ndarray:
    """Rows (k,) that may reach a magnitude between two times (TDB days from J2000.0), seen from the Earth.

    A look at two-body places every few days, with room for all that they may be off: nobody is lost by it.
    Comets and bodies without a magnitude stay.
    """
    stays = ~np.isfinite(catalogue.h) | np.isfinite(catalogue.m1)
    asked = np.flatnonzero(~stays)
    if not len(asked):
        return np.flatnonzero(stays)
    bodies, doubt = nearer_orbits(catalogue.take(asked), 0.5 * (start_d + end_d))
    # What encounters of the whole time have caused, all the time.
    passed = np.maximum(*(widen_after_encounters(bodies, t, kernels) for t in (start_d, end_d)))
    for t_d in [*np.arange(start_d, end_d, LOOK_D), end_d]:
        sky = night_sky(bodies, t_d, kernels, doubt_au=doubt, passed_au=passed)
        # Distances and phases change between the looks, and with them the brightness.
        way = 0.5 * LOOK_D * sky.pace
        room = SURGE_MAG + MAG_PER_RAD * way - 7.5 * np.log10(np.maximum(1.0 - way, 1e-9))
        stays[asked[~(sky.mag - sky.slack - room > limit_mag)]] = True
    return np.flatnonzero(stays)


def _far(place, t_d: float, kernels):
    """An observer that goes with the Earth but not on it (a spacecraft near L2) gets a sky of its own."""
    earth = kernels.major(np.array([t_d]))[0][0, EARTH]
    return float(np.linalg.norm(place - earth)) > PARALLAX_AU


def bodies_in_field(
    catalogue, time, observer, ra_deg, dec_deg, radius_deg, *, limit_mag=None, kernels=None, uncertainty=False
):  # fmt: skip
    """Bodies of a catalogue within a circle on the sky, with integrated places.

    The night's two-body sky is kept with the catalogue, and so are the integrated bodies: a second field of
    the same night costs little.

    Parameters
    ----------
    catalogue : OrbitCatalogue
        Up to the full 1.4 million bodies.
    time : Time, scalar
    observer : Site, SpacecraftVector or alike
    ra_deg, dec_deg : float, degrees, ICRF
    radius_deg : float, degrees, at most 180
    limit_mag : float, optional
        Bodies fainter are left out; those without a magnitude are kept.
    kernels : Kernels, optional
    uncertainty : bool
        Propagate the covariances of those found.

    Returns
    -------
    QTable
        As :meth:`NBodyEphemeris.at`, brightest first, with ``separation`` (deg) from the centre. Empty when
        nothing is there.

    Raises
    ------
    InputError
        The circle is not a circle on the sky, or more than one time is given.
    EphemerisSpanError
        The time lies outside the kernels.

    Examples
    --------
    >>> from astropy.time import Time
    >>> from appulse.bodies.catalogue import OrbitCatalogue
    >>> from appulse.bodies.orbit import Orbit
    >>> from appulse.observers.site import Site
    >>> more = dict(q=1.84, e=0.23, i=5.5, node=259.5, peri=145.5)
    >>> catalogue = OrbitCatalogue.from_orbits(
    ...     [Orbit.from_elements(str(k), 2461000.5, tp=2461200.5 + 30 * k, **more) for k in range(1, 20)])
    >>> time, site = Time("2026-03-01"), Site.geocentre()
    >>> where = NBodyEphemeris(catalogue).at(time, site, bodies="7")[0]
    >>> found = bodies_in_field(catalogue, time, site, where["ra"].value, where["dec"].value, 1.0)
    >>> [str(name) for name in found["designation"]]
    ['7']
    """
    times = clean_times(time)
    if len(times) != 1:
        raise InputError(f"a field is searched at one time, got {len(times)}; call once for each")
    values = np.array([ra_deg, dec_deg, radius_deg], dtype=float)
    if not np.all(np.isfinite(values)) or abs(values[1]) > 90 or not 0 < values[2] <= 180:
        raise InputError(
            f"field at RA {ra_deg}, Dec {dec_deg}, radius {radius_deg}: degrees are needed, the declination"
            " in -90..90, the radius above 0 and at most 180"
        )
    kept = _kept_search(catalogue, kernels or default_kernels())
    rows = _candidates(kept, catalogue, times, observer, values, limit_mag)
    rows = _roughly_inside(kept, catalogue, rows, times, observer, values)
    return _exact(kept.ephemeris, rows, times, observer, values, limit_mag, uncertainty)


def _kept_search(catalogue, kernels):
    """What is kept of a catalogue; begun anew with other kernels, or when too many bodies have gathered."""
    # A proxy, for what is kept must not keep its own key alive: the catalogue goes when its user lets it go.
    kept = _kept_searches.get(catalogue)
    if kept is None or kept.kernels is not kernels or kept.ephemeris.kept > BODIES_KEPT:
        kept = _KeptSearch(weakref.proxy(catalogue), kernels) if kept is None else kept
        kept.kernels = kernels
        kept.ephemeris, kept.nearer = NBodyEphemeris(weakref.proxy(catalogue), kernels=kernels), None
        _kept_searches[catalogue] = kept
    return kept


def _candidates(kept, catalogue, times, observer, circle, limit_mag):
    seen = observer_state(kept.kernels, times, observer)
    sky = kept.sky(catalogue, float(tdb_days(times)[0]), observer, seen.place[0])
    centre = unit_from_radec(circle[0], circle[1])
    return sky.survivors(centre, np.radians(circle[2]), float(seen.t_d[0]), limit_mag)


def _roughly_inside(kept, catalogue, rows: np.ndarray, times, observer, circle):
    """Rows that a quick integration leaves near the circle; all where they are few or it is not far."""
    away = np.abs(np.asarray(catalogue.epoch_jd_tdb)[rows] - J2000_JD - float(tdb_days(times)[0]))
    if len(rows) <= MANY or np.median(away) <= FAR_D:
        return rows
    rough = NBodyEphemeris(catalogue.take(rows), kernels=kept.kernels, tolerance=ROUGH_TOLERANCE)
    vectors = rough.vectors(times, observer)[:, 0]
    centre = unit_from_radec(circle[0], circle[1])
    apart = separation_rad(vectors, np.broadcast_to(centre, vectors.shape))
    return rows[apart <= np.radians(circle[2] + ROUGH_DEG)]


def _exact(ephemeris, rows: np.ndarray, times, observer, circle, limit_mag, uncertainty):
    """Integrated places of the candidates, those inside kept, brightest first."""
    vectors = ephemeris.vectors(times, observer, rows)[:, 0] if len(rows) else np.empty((0, 3))
    apart = separation_rad(vectors, np.broadcast_to(unit_from_radec(circle[0], circle[1]), vectors.shape))
    inside = np.flatnonzero(apart <= np.radians(circle[2]))
    table = ephemeris.table(rows[inside], times, observer, uncertainty=uncertainty)
    table["separation"] = np.degrees(apart[inside]) * u.deg
    table["separation"].info.description = "distance from the centre of the field"
    mag = np.where(table["mag"].mask, np.inf, table["mag"].unmasked.value)
    table = table[np.argsort(mag, kind="stable")]
    if limit_mag is not None:
        table = table[table["mag"].mask | (table["mag"].unmasked.value <= limit_mag)]
    return table

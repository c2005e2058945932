"""A comet's tail on the sky: the antisolar line, syndynes and synchrones of dust, the ion tail's direction.

::

    Sun ---- r ----> nucleus -----> antisolar line     a grain released at t - age with the nucleus' velocity
                        \\ `-._                         feels the Sun's gravity times 1 - beta:
          older grains   \\    `- syndyne                same beta, all ages: syndyne
                          `-. synchrone                same age, all betas: synchrone

Definitions: Finson & Probstein 1968, ApJ 154, 327 and 353. beta is the ratio of radiation pressure to solar
gravity; both fall with the square of the distance, so a grain is a body with the outgassing term A1 = beta GM
of the Sun and the law of sunlight, integrated by the engine of all other bodies, planets included.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.interpolate import CubicSpline

from appulse.bodies.astrometric import clean_times, light_path, observer_state, sight
from appulse.bodies.engine import Bodies, trajectory
from appulse.bodies.orbit import NonGrav
from appulse.constants import AU_KM, DAY_S, GM_SUN
from appulse.errors import InputError, OrbitError
from appulse.numerics import radec_from_unit, separation_rad

BETAS = (0.01, 0.03, 0.1, 0.3, 1.0, 2.0)
"""Grains from a tenth of a millimetre to a fraction of a micrometre; ages of a week to half a year."""
AGES_D = (5.0, 10.0, 20.0, 40.0, 80.0, 160.0)
# Grains per doubling of beta or age.
PER_DOUBLING = 2
YOUNGEST_D = 0.2
# What is drawn is read by eye: a place to an arcsecond is plenty.
TOLERANCE = 1e-9
# km/s: a common slow solar wind, and the range in which it is met. Common practice, no source.
WIND_KM_S, WIND_RANGE_KM_S = 400.0, (300.0, 700.0)
# Without a length law or a length of the user's the lines are drawn as far as this.
UNKNOWN_LENGTH_KM = 5e6
# Coma and tail differ from the law by a factor of two either way. Common practice, no source.
LAW_FACTOR = 2.0
# Total magnitude at 1 au from the observer, m1 + k1 log r, within which the law was met by observations;
# beyond, it gives tails of some arcseconds, which nobody has seen. Common practice, no source.
LAW_MAGNITUDES = (-2.0, 12.0)
LAW_SOURCE = "fit to visual observations by A. Kammerer, from memory; a factor of two either way"
KM_STEPS = tuple(m * 10.0**k for k in range(3, 9) for m in (1, 2, 5))
DEG_STEPS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
MAX_TICKS = 6


@dataclass(frozen=True, eq=False)
class TailCurve:
    """A line of a tail on the sky.

    Attributes
    ----------
    kind : str
        'antisolar', 'syndyne', 'synchrone' or 'ion tail (estimate)'.
    value : float
        beta of a syndyne, age (d) of a synchrone, speed of the wind (km/s) of an ion tail; NaN else.
    label : str
    ra, dec : (n,) arrays, ICRF degrees
        From the nucleus outwards.
    along : (n,) array
        Age (d) along a syndyne, beta along a synchrone, km along the other lines; 0 at the nucleus.
    """

    kind: str
    value: float
    label: str
    ra: np.ndarray
    dec: np.ndarray
    along: np.ndarray


@dataclass(frozen=True)
class TailTick:
    """A mark on the antisolar line: place (ICRF degrees), words, and whether it counts degrees or km."""

    ra: float
    dec: float
    label: str
    unit: str


@dataclass(frozen=True, eq=False)
class CometTail:
    """The tail of a comet at one moment.

    Attributes
    ----------
    designation, label : str
    time : Time, UTC
    ra, dec : float, ICRF degrees
        Of the nucleus.
    sun_pa, antivelocity_pa, plane_elevation, phase : float, degrees
    delta, r : float, au
    length_km, length_deg : float
        Of the antisolar line, in space and on the sky.
    length_source : str
        'given', the law, or 'unknown'.
    coma_km : float
        Diameter by the law; NaN where the comet's total magnitude is not known.
    curves : tuple of TailCurve
    ticks : tuple of TailTick
    wind_km_s : float
        Assumed for the ion tail.
    notes : tuple of str
    law_source : str
        Of the law of lengths and diameters.
    """

    designation: str
    label: str
    time: object
    ra: float
    dec: float
    sun_pa: float
    antivelocity_pa: float
    plane_elevation: float
    phase: float
    delta: float
    r: float
    length_km: float
    length_deg: float
    length_source: str
    coma_km: float
    curves: tuple
    ticks: tuple
    wind_km_s: float = WIND_KM_S
    notes: tuple = ()
    law_source: str = LAW_SOURCE

    def of_kind(self, kind: str) -> list:
        """The curves of one kind."""
        return [curve for curve in self.curves if curve.kind.startswith(kind)]


def law_lengths_km(m1, k1, r_au):
    """Length of the tail and diameter of the coma, km, by the total magnitude at 1 au from the observer.

    Parameters
    ----------
    m1, k1 : float
        Of the law of total magnitude, ``m1 + k1 log r``.
    r_au : float or array, au

    Returns
    -------
    tail_km, coma_km : float or array
        NaN where m1 is NaN, or where m1 + k1 log r lies outside -2 to 12: there the law is not known to hold.

    Notes
    -----
    log10 L = -0.0075 m^2 - 0.19 m + 2.10 (10^6 km), log10 D = -0.0033 m^2 - 0.07 m + 3.25 (10^3 km),
    shortened near to the Sun by (1 - 10^-4r)(1 - 10^-2r) and (1 - 10^-2r)(1 - 10^-r). A. Kammerer's fit to
    visual observations, from memory: single comets differ by a factor of two and more.

    Examples
    --------
    >>> [round(float(v) / 1e6, 2) for v in law_lengths_km(6.0, 10.0, 1.0)]
    [4.85, 0.46]
    """
    r = np.asarray(r_au, dtype=float)
    m = m1 + k1 * np.log10(r)
    tail = 10.0 ** (-0.0075 * m**2 - 0.19 * m + 2.10) * (1 - 10.0 ** (-4 * r)) * (1 - 10.0 ** (-2 * r))
    coma = 10.0 ** (-0.0033 * m**2 - 0.07 * m + 3.25) * (1 - 10.0 ** (-2 * r)) * (1 - 10.0 ** (-r))
    known = (m >= LAW_MAGNITUDES[0]) & (m <= LAW_MAGNITUDES[1])
    return np.where(known, tail * 1e6, np.nan)[()], np.where(known, coma * 1e3, np.nan)[()]


def comet_tail(
    ephemeris, designation, time, observer, *, betas=BETAS, ages_d=AGES_D, length_deg=None,
    wind_km_s=WIND_KM_S, dust=True,
):  # fmt: skip
    """The tail of a comet as seen from a place at a time.

    Parameters
    ----------
    ephemeris : NBodyEphemeris
        Positions alone know neither Sun nor velocity.
    designation : str
        As the ephemeris calls the comet.
    time : Time, scalar
    observer : Site, SpacecraftVector or alike
    betas : sequence of float
        Of the syndynes: radiation pressure over solar gravity, above 0 and at most 3.
    ages_d : sequence of float
        Of the synchrones: days since the grains were released.
    length_deg : float, optional
        Length of the tail on the sky; by default that of :func:`law_lengths_km`.
    wind_km_s : float
        Speed of the solar wind, by which the ion tail trails behind the antisolar line. An estimate.
    dust : bool
        Integrate grains; without, the antisolar line and the ion tail alone.

    Returns
    -------
    CometTail

    Raises
    ------
    InputError
        A beta, age, length or speed is out of range, or the places come from a table.
    EphemerisSpanError
        The time lies outside the kernels.
    DesignationError
        The ephemeris does not know the comet.

    Examples
    --------
    >>> from astropy.time import Time
    >>> from appulse.bodies import NBodyEphemeris, Orbit
    >>> from appulse.observers import Site
    >>> orbit = Orbit.from_elements("C/2026 X1", 2461000.5, q=0.9, e=1.0, i=60, node=80, peri=30,
    ...                             tp=2461050.5, m1=6.0, k1=10.0)
    >>> when, centre = Time("2026-02-01"), Site.geocentre()
    >>> tail = comet_tail(NBodyEphemeris(orbit), "C/2026 X1", when, centre, dust=False)
    >>> round(tail.sun_pa), round(tail.length_deg, 1), tail.length_source[:3]
    (345, 2.0, 'fit')
    """
    betas, ages_d = _checked(betas, 3.0, "beta"), _checked(ages_d, 4000.0, "age, d,")
    if not (np.isfinite(wind_km_s) and 100.0 <= wind_km_s <= 2000.0):
        raise InputError(f"a solar wind of {wind_km_s} km/s: between 100 and 2000 is allowed")
    if length_deg is not None and not (np.isfinite(length_deg) and 0.0 < length_deg <= 90.0):
        raise InputError(f"a tail of {length_deg} degrees: above 0 and at most 90 is allowed")
    if not hasattr(ephemeris, "orbit"):
        raise InputError("a tail needs an orbit: a table of positions knows no Sun and no velocity")
    times = clean_times(time)[:1]
    row = int(ephemeris.rows([designation])[0])
    orbit, seen = ephemeris.orbit(row), observer_state(ephemeris.kernels, times, observer)
    place = ephemeris.at(times, observer, bodies=[designation], uncertainty=False)[0]
    line = sight(ephemeris.states, ephemeris._sun, np.array([row]), seen)
    length_km, coma_km, source = _lengths(orbit, float(place["r"].value))
    body = line.vector[0, 0]
    outward = line.helio[0, 0] / np.linalg.norm(line.helio[0, 0])
    if length_deg is not None:
        length_km, source = _reach_km(body, outward, length_deg), "given"
    curves, ticks = _antisolar(body, outward, length_km)
    curves += _ion(line, length_km, wind_km_s)
    notes = () if source != "unknown" else (
        "its total magnitude is unknown or beyond the law of lengths, so no length is assumed: the antisolar "
        f"line is drawn over {km_words(UNKNOWN_LENGTH_KM)}",
    )
    if dust:
        grains, more = _dust(ephemeris, row, seen, line, betas, ages_d)
        curves, notes = curves + grains, notes + more
    value = {key: float(place[key].value) for key in (
        "ra", "dec", "sun_pa", "antivelocity_pa", "plane_elevation", "phase", "delta", "r"
    )}  # fmt: skip
    reach_deg = float(np.degrees(separation_rad(body, body + outward * length_km / AU_KM)))
    return CometTail(
        str(designation), orbit.label, times[0], length_km=length_km, length_deg=reach_deg,
        length_source=source, coma_km=coma_km, curves=tuple(curves), ticks=tuple(ticks),
        wind_km_s=float(wind_km_s), notes=notes, **value,
    )  # fmt: skip


def _checked(values, most, what):
    values = np.atleast_1d(np.asarray(values, dtype=float))
    if not values.size or not np.all(np.isfinite(values)) or values.min() <= 0 or values.max() > most:
        raise InputError(f"{what} {values.tolist()}: above 0 and at most {most:g} is allowed")
    return np.unique(values)


def _lengths(orbit, r_au):
    """Tail and coma by the law, km, and where they come from."""
    m1 = np.nan if orbit.m1 is None else orbit.m1
    tail, coma = law_lengths_km(m1, 10.0 if orbit.k1 is None else orbit.k1, r_au)
    if not np.isfinite(tail):
        return UNKNOWN_LENGTH_KM, float("nan"), "unknown"
    return float(tail), float(coma), LAW_SOURCE


def _reach_km(body, outward, angle_deg):
    """Length in space of an antisolar line that spans an angle on the sky; InputError where none does."""
    # Sine rule in the triangle observer, nucleus, tip: the line makes the phase angle with the line of sight.
    distance = np.linalg.norm(body)
    phase, angle = separation_rad(outward, body), np.radians(angle_deg)
    if angle >= phase - 1e-6:
        raise InputError(
            f"a tail of {angle_deg:g} degrees: the antisolar line spans less than {np.degrees(phase):.2f} "
            "degrees on the sky here, however long it is"
        )
    return float(distance * np.sin(angle) / np.sin(phase - angle)) * AU_KM


# Vertices between two integrated grains of a curve: a curve of half the sky then bends by an arcminute or so.
FINER = 5


def _smooth(kind, value, label, start, path, along):
    """A curve of grains, in equal ratios of what they are counted `along`, by a spline through directions."""
    vectors = np.vstack([start, path])
    unit = vectors / np.linalg.norm(vectors, axis=1)[:, None]
    at = np.arange(len(unit), dtype=float)
    finer = np.linspace(0.0, at[-1], FINER * (len(unit) - 1) + 1)
    # The nucleus stands for what is ten times younger than the first grain; it is 0 all the same.
    counted = np.exp(np.interp(finer, at, np.log(np.concatenate([[along[0] / 10.0], along]))))
    counted[0] = 0.0
    return _curve(kind, value, label, CubicSpline(at, unit)(finer), counted)


def _curve(kind, value, label, vectors, along):
    ra, dec = radec_from_unit(vectors)
    return TailCurve(kind, float(value), label, ra, dec, np.asarray(along, dtype=float))


def _antisolar(body, outward, length_km):
    """The antisolar line with ticks in degrees on one side of it and in km on the other."""
    steps = np.linspace(0.0, length_km / AU_KM, 33)[:, None]
    curve = _curve("antisolar", np.nan, "antisolar", body + steps * outward, steps[:, 0] * AU_KM)
    reach_deg = float(np.degrees(separation_rad(body, body + outward * length_km / AU_KM)))
    ticks = []
    for km in _whole(length_km, KM_STEPS):
        ra, dec = radec_from_unit(body + outward * km / AU_KM)
        ticks.append(TailTick(float(ra), float(dec), km_words(km), "km"))
    for angle in _whole(reach_deg, DEG_STEPS):
        ra, dec = radec_from_unit(body + outward * _reach_km(body, outward, angle) / AU_KM)
        ticks.append(TailTick(float(ra), float(dec), f"{angle:g}\u00b0", "deg"))
    return [curve], ticks


def _whole(most, steps):
    """Multiples of the smallest step of which at most :data:`MAX_TICKS` fit."""
    step = next((step for step in steps if most / step <= MAX_TICKS), steps[-1])
    return np.round(np.arange(1, int(most / step * (1 + 1e-9)) + 1) * step, 9).tolist()


def km_words(km: float) -> str:
    """A length in km as one reads it.

    Examples
    --------
    >>> km_words(500000.0), km_words(2e6)
    ('500 000 km', '2 million km')
    """
    return f"{km / 1e6:g} million km" if km >= 1e6 else f"{km:,.0f} km".replace(",", " ")


def _ion(line, length_km, wind_km_s):
    """The ion tail: along the wind as the moving comet meets it, by the assumed speed and its range."""
    # Biermann 1951, Z. Astrophys. 29, 274: the plasma follows the wind, w r - v, so that it lags behind the
    # antisolar line by the comet's motion across it over the wind's speed.
    body, outward = line.vector[0, 0], line.helio[0, 0] / np.linalg.norm(line.helio[0, 0])
    velocity_km_s = line.helio_velocity[0, 0] * AU_KM / DAY_S
    way = wind_km_s * outward - velocity_km_s
    steps = np.linspace(0.0, length_km / AU_KM, 17)[:, None]
    label = f"ion tail (estimate, {wind_km_s:g} km/s)"
    vectors = body + steps * way / np.linalg.norm(way)
    return [_curve("ion tail (estimate)", wind_km_s, label, vectors, steps[:, 0] * AU_KM)]


def grain_sight(ephemeris, row: int, seen, tau_d: np.ndarray, betas: np.ndarray, ages_d: np.ndarray):
    """Sight to grains of all betas and ages at m times: vectors ((n, m, 3), beta by beta), au; trajectory."""
    # Released from where the nucleus was so long before the light left it.
    release_d = ((seen.t_d - tau_d) - ages_d[:, None]).ravel()
    state = ephemeris.states(np.array([row]), release_d[None])[0] - ephemeris._sun(release_d)
    orbit, m = ephemeris.orbit(row), len(seen.t_d)
    n = len(betas) * len(ages_d)
    terms = [NonGrav.inverse_square(a1=float(beta) * GM_SUN) for beta in betas]
    bodies = Bodies(
        np.tile(release_d, len(betas)), np.tile(state, (len(betas), 1)), np.zeros(n * m, int),
        [term for term in terms for _ in release_d], [f"dust of {orbit.label}"] * (n * m),
    )  # fmt: skip
    track = trajectory(bodies, ephemeris.kernels, TOLERANCE)

    def states(_, t_d):
        # Each grain is seen at its own time only.
        return track.states(np.arange(n * m), t_d.reshape(-1, 1)).reshape(n, m, 6)

    return light_path(states, np.arange(n), seen).vector, track


FAN_BETAS, FAN_AGES_D = (0.03, 0.1, 0.3, 1.0, 2.0), (1.0, 2.5, 5.0, 10.0, 20.0, 40.0, 80.0)
"""Grains whose light makes the dust tail that pictures show: common practice, no source."""


def dust_fans(ephemeris, row: int, times, observer):
    """The dust tail of a comet at several times, followed together.

    Parameters
    ----------
    ephemeris : NBodyEphemeris
    row : int
        Of the comet in the catalogue of the ephemeris.
    times : Time, (m,)
    observer : Site, SpacecraftVector or alike

    Returns
    -------
    unit, outward : ndarray, (m, 3)
        Directions from the observer to the nucleus, and from the Sun to it; ICRF.
    fans : ndarray, (m, n betas, n ages, 3)
        Unit vectors from the observer to the grains.

    Raises
    ------
    EphemerisSpanError, OrbitError
        A grain begins before the kernels do, or ends in the Sun or a planet.

    Examples
    --------
    >>> from astropy.time import Time
    >>> from appulse.bodies import NBodyEphemeris, Orbit
    >>> from appulse.observers import Site
    >>> orbit = Orbit.from_elements("C/2026 X1", 2461000.5, q=0.9, e=1.0, i=60, node=80, peri=30,
    ...                             tp=2461050.5, m1=6.0, k1=10.0)
    >>> times = Time(["2026-02-01", "2026-02-03"])
    >>> dust_fans(NBodyEphemeris(orbit), 0, times, Site.geocentre())[2].shape
    (2, 5, 7, 3)
    """
    seen = observer_state(ephemeris.kernels, clean_times(times), observer)
    line = sight(ephemeris.states, ephemeris._sun, np.array([row]), seen)
    vectors, _ = grain_sight(ephemeris, row, seen, line.tau_d[0], np.array(FAN_BETAS), np.array(FAN_AGES_D))
    fans = np.moveaxis(vectors, 1, 0).reshape(-1, len(FAN_BETAS), len(FAN_AGES_D), 3)
    return tuple(v / np.linalg.norm(v, axis=-1, keepdims=True) for v in (line.vector[0], line.helio[0], fans))


def _between(values, low):
    """Values with more of them between, in equal ratios, and a few from a low one up to the first."""
    edges = np.concatenate([[low], values]) if low < values[0] else values
    steps = [int(np.ceil(PER_DOUBLING * np.log2(b / a))) for a, b in pairwise(edges)]
    parts = [np.geomspace(a, b, n + 1)[:-1] for (a, b), n in zip(pairwise(edges), steps, strict=True)]
    return np.concatenate([*parts, edges[-1:]])


def _dust(ephemeris, row, seen, line, betas, ages_d):
    """Syndynes and synchrones, and notes."""
    notes = ()
    since = float(seen.t_d[0]) - ephemeris.kernels.start_d
    if ages_d[-1] > since:
        left_out = ages_d[ages_d > since]
        ages_d, notes = ages_d[ages_d <= since], (
            f"synchrones of {', '.join(f'{a:g}' for a in left_out)} days begin before the kernels do",
        )
        if not ages_d.size:
            return [], notes
    all_betas, all_ages = _between(betas, betas[0] / 30.0), _between(ages_d, YOUNGEST_D)
    try:
        vectors, _ = grain_sight(ephemeris, row, seen, line.tau_d[0], all_betas, all_ages)
    except OrbitError as error:
        # A grain ends in the Sun or a planet, as a sungrazer's do.
        return [], (*notes, f"no syndynes and synchrones: {error}")
    grid = vectors.reshape(len(all_betas), len(all_ages), 3)
    start = np.broadcast_to(line.vector[0, 0], (1, 3))
    curves = []
    for beta in betas:
        path = grid[np.argmin(np.abs(all_betas - beta))]
        curves.append(_smooth("syndyne", beta, f"\u03b2 {beta:g}", start, path, all_ages))
    for age in ages_d:
        path = grid[:, np.argmin(np.abs(all_ages - age))]
        curves.append(_smooth("synchrone", age, f"{age:g} d", start, path, all_betas))
    return curves, notes

"""A short arc of a body: six parameters at one moment, and where sites on the Earth see it then.

::

    e, n            direction from the Earth's centre, on the plane that touches the sphere at the mean
    direction e', n'          their rates, rad/d
    1/d             inverse of the distance from the Earth's centre
    d'/d            radial velocity over the distance

Bernstein & Khushalani 2000 (AJ 120, 3323) use the same six. Lines of sight depend on them nearly linearly.
Sun, planets and Moon bend the arc; light time is counted.
"""

from typing import NamedTuple

import numpy as np
from astropy.time import Time
from scipy.interpolate import CubicSpline

from appulse.bodies import EARTH, SUN, default_kernels
from appulse.constants import ARCSEC_PER_RAD, AU_KM, C_AU_DAY, DAY_S, GM_SUN
from appulse.errors import MeasurementError
from appulse.numerics import axes_from_radec, radec_from_unit, separation_rad, unit_from_radec
from appulse.observers import tdb_days

# Longest step of the integration, days: the Hermite cubic between is then good to some metres; shorter where
# the Earth is near.
LONGEST_STEP_D = 0.5
SHORTEST_STEP_D = 0.05
STEP_PER_AU = 10.0
# The arc that six parameters carry, days.
WIDEST_ARC_DEG = 60.0
LONGEST_ARC_D = 30.0
# Fastest body that is thought of, in velocities of escape from the Sun; a body between the stars is faster
# than 1.
FASTEST_ESCAPE = 1.5
# 1 sigma of the radial velocity of a body too fast for the Sun to hold, km/s.
RADIAL_KM_S = 30.0
# Longest light time, days: 70 au.
LONGEST_LIGHT_D = 0.4
# 1 sigma that a site's plate and clock are taken at where nothing tells, arcsec and s (common practice, no
# source).
PLATE_ARCSEC = 0.05
CLOCK_S = 1.0


class Sighting(NamedTuple):
    """One measured place of the body.

    Attributes
    ----------
    site : str
        Name of the site; sightings of one name share a clock and a zero point.
    time : Time
        UTC, middle of the exposure.
    ra_deg, dec_deg : float
        Astrometric ICRF, the plate's zero point taken off.
    covariance : (2, 2) array
        Of (RA cos Dec, Dec) of this place alone, arcsec^2.
    observer : Site or SpacecraftVector
    """

    site: str
    time: Time
    ra_deg: float
    dec_deg: float
    covariance: np.ndarray
    observer: object


class ShortArc:
    """The sightings as arrays, and where bodies of given places and velocities would be seen from them."""

    def __init__(self, sightings, t0_d: float | None = None):
        self.sightings, kernels = tuple(sightings), default_kernels()
        self.t_d = np.array([float(tdb_days(sighting.time)) for sighting in self.sightings])
        self.t0_d = float(np.mean([self.t_d.min(), self.t_d.max()])) if t0_d is None else t0_d
        if np.ptp(self.t_d) > LONGEST_ARC_D:
            raise MeasurementError(
                f"the sightings span {np.ptp(self.t_d):.1f} days: a short arc carries {LONGEST_ARC_D:g} at "
                "most; fit an orbit instead"
            )
        kernels.check_span(self.t_d)
        major = kernels.major(self.t_d)[0]
        # All that pulls between nodes two hours apart: good to metres.
        low, high = min(self.t_d.min(), self.t0_d), max(self.t_d.max(), self.t0_d)
        nodes = np.arange(low - 0.5, high + 0.6, 1.0 / 12.0)
        self._gm = kernels.gm[: major.shape[1]]
        self.attracting = CubicSpline(nodes, kernels.major(nodes)[0][:, : len(self._gm)])
        own = np.array([np.ravel(s.observer.posvel_au(s.time.reshape(1))[0])[:3] for s in self.sightings])
        origin = {"earth": major[:, EARTH], "sun": major[:, SUN], "ssb": np.zeros_like(own)}
        self.observer = own + np.array(
            [origin[getattr(s.observer, "origin", "earth")][k] for k, s in enumerate(self.sightings)]
        )
        self.from_earth = self.observer - major[:, EARTH]
        places, speeds = kernels.major(np.array([self.t0_d]))
        self.earth0, self.earth_velocity0 = places[0, EARTH], speeds[0, EARTH]
        self.sun0, self.sun_velocity0 = places[0, SUN], speeds[0, SUN]
        self.observed = unit_from_radec(
            np.array([s.ra_deg for s in self.sightings]), np.array([s.dec_deg for s in self.sightings])
        )
        self.mean = self.observed.mean(axis=0)
        self.mean /= max(float(np.linalg.norm(self.mean)), 1e-12)
        # Against the middle one: the mean of places that are far apart is a place of its own.
        middle = self.observed[int(np.argmax(np.median(self.observed @ self.observed.T, axis=1)))]
        off = np.degrees(separation_rad(middle, self.observed))
        if off.max() > WIDEST_ARC_DEG:
            wild = self.sightings[int(off.argmax())]
            raise MeasurementError(
                f"the place at {wild.time.utc.isot} ({wild.site}) lies {off.max():.0f} degrees from the "
                f"middle one: {WIDEST_ARC_DEG:g} at most are a short arc; is it another body's?"
            )
        self.east, self.north = axes_from_radec(*(float(value) for value in radec_from_unit(self.mean)))
        self.names = sorted({sighting.site for sighting in self.sightings})
        self.site = np.array([self.names.index(sighting.site) for sighting in self.sightings])

    @property
    def epoch(self) -> Time:
        """UTC of the parameters."""
        return Time(self.t0_d + 2451545.0, format="jd", scale="tdb").utc

    def start(self, inverse: float) -> np.ndarray:
        """First guess: the mean direction, the motion between first and last sighting, and a distance."""
        tau = self.t_d - self.t0_d
        offsets = np.stack([self.observed @ self.east, self.observed @ self.north], axis=1)
        if np.ptp(tau) < 1e-3:
            middle, rate = offsets.mean(axis=0), np.zeros(2)
        else:
            design = np.column_stack([np.ones_like(tau), tau])
            middle, rate = np.linalg.lstsq(design, offsets, rcond=None)[0]
        return np.array([*middle, *rate, inverse, 0.0])

    def axes(self, parameters):
        """Direction from the Earth's centre and motion across it (rad/d) of (k, 6) parameters."""
        e, n, rate_e, rate_n = np.moveaxis(np.atleast_2d(parameters)[:, :4, None], 1, 0)
        direction = self.mean + e * self.east + n * self.north
        direction = direction / np.linalg.norm(direction, axis=1, keepdims=True)
        return direction, rate_e * self.east + rate_n * self.north

    def states(self, parameters) -> tuple[np.ndarray, np.ndarray]:
        """Barycentric places (k, 3) au and velocities au/d at the epoch, of (k, 6) parameters."""
        parameters = np.atleast_2d(parameters)
        direction, across = self.axes(parameters)
        inverse, radial = parameters[:, 4:5], parameters[:, 5:6]
        place = self.earth0 + direction / inverse
        return place, self.earth_velocity0 + (across + radial * direction) / inverse

    def parameters(self, place, velocity) -> np.ndarray:
        """The six parameters of barycentric places (k, 3) and velocities at the epoch."""
        away = np.atleast_2d(place) - self.earth0
        motion = np.atleast_2d(velocity) - self.earth_velocity0
        distance = np.linalg.norm(away, axis=1)
        direction = away / distance[:, None]
        flat = direction / (direction @ self.mean)[:, None]
        # Across and radial motion are those of `axes`: the rates lie in the plane that touches at the mean.
        basis = np.broadcast_to(np.stack([self.east, self.north], axis=1), (len(away), 3, 2))
        full = np.concatenate([basis, direction[:, :, None]], axis=2)
        rates = np.linalg.solve(full, (motion / distance[:, None])[:, :, None])[:, :, 0]
        return np.column_stack([flat @ self.east, flat @ self.north, rates[:, :2], 1 / distance, rates[:, 2]])

    def heliocentric(self, parameters) -> np.ndarray:
        """States (k, 6) about the Sun, ICRF axes, au and au/d, at the epoch."""
        place, velocity = self.states(parameters)
        return np.concatenate([place - self.sun0, velocity - self.sun_velocity0], axis=1)

    def radial_hold(self, parameters, escape: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
        """Middle and half width (k,), au/d, of the radial velocities slower than so many escape velocities.

        The half width is NaN where no radial velocity is slow enough (Milani et al. 2004, Celest. Mech. 90,
        59: the admissible region).
        """
        parameters = np.atleast_2d(parameters)
        direction, across = self.axes(parameters)
        distance = 1.0 / parameters[:, 4]
        place = self.earth0 + direction * distance[:, None] - self.sun0
        rest = self.earth_velocity0 - self.sun_velocity0 + across * distance[:, None]
        middle = -np.sum(rest * direction, axis=1)
        free = escape**2 * 2 * GM_SUN / np.linalg.norm(place, axis=1) - np.sum(rest**2, axis=1) + middle**2
        with np.errstate(invalid="ignore"):
            return middle, np.sqrt(free)

    def radial_prior(self, parameters) -> tuple[np.ndarray, np.ndarray]:
        """Radial velocity (k,), au/d, and its 1 sigma before the places are seen.

        Mean and spread of all that the Sun can hold; the Earth's own motion is the largest part of it.
        """
        middle, half = self.radial_hold(parameters)
        return middle, np.where(np.isfinite(half), half / np.sqrt(3.0), RADIAL_KM_S * DAY_S / AU_KM)

    def escape_share(self, parameters) -> np.ndarray:
        """Speed about the Sun over that of escape, (k,)."""
        state = self.heliocentric(parameters)
        escape = np.sqrt(2 * GM_SUN / np.linalg.norm(state[:, :3], axis=1))
        return np.linalg.norm(state[:, 3:], axis=1) / escape

    def directions(self, places, velocities) -> np.ndarray:
        """Unit vectors (k, n, 3) in which bodies of k states (k, 3) at the epoch are seen."""
        far = np.linalg.norm(places - self.earth0, axis=1)
        near = far < LONGEST_STEP_D / STEP_PER_AU
        if near.any() and not near.all():
            # Small steps for those only that need them.
            seen = np.empty((len(far), len(self.t_d), 3))
            for some in (near, ~near):
                seen[some] = self.directions(places[some], velocities[some])
            return seen
        # Light left before it was seen: some minutes earlier than the first sighting.
        early = min(1.3 * float(far.max()) / C_AU_DAY + 0.01, LONGEST_LIGHT_D)
        step = float(np.clip(STEP_PER_AU * far.min(), SHORTEST_STEP_D, LONGEST_STEP_D))
        begin = np.concatenate([places, velocities], axis=1)
        behind = self._carried(begin, min(self.t_d.min() - self.t0_d, 0.0) - early, step)
        ahead = self._carried(begin, max(self.t_d.max() - self.t0_d, 0.0) + 0.01, step)
        times = np.concatenate([behind[0][:0:-1], ahead[0]])
        states = np.concatenate([behind[1][:0:-1], ahead[1]])
        light = np.broadcast_to(
            np.minimum(far / C_AU_DAY, LONGEST_LIGHT_D)[:, None], (len(far), len(self.t_d))
        )
        for _ in range(3):
            sight = _along(times, states, self.t_d - self.t0_d - light) - self.observer
            light = np.minimum(np.linalg.norm(sight, axis=2) / C_AU_DAY, LONGEST_LIGHT_D)
        return sight / np.linalg.norm(sight, axis=2)[..., None]

    def _carried(self, states, tau: float, step: float) -> tuple[np.ndarray, np.ndarray]:
        """Times (m,) and states (m, k, 6) on the way to a time, by Runge and Kutta's fourth-order steps."""
        count = max(2, int(np.ceil(abs(tau) / step)))
        h = tau / count
        pulling = self.attracting(self.t0_d + np.arange(2 * count + 1) * (h / 2))

        def slope(k, state):
            away = state[:, None, :3] - pulling[k]
            distance2 = np.einsum("kbi,kbi->kb", away, away)
            force = np.einsum("kb,kbi->ki", -self._gm / (distance2 * np.sqrt(distance2)), away)
            return np.concatenate([state[:, 3:], force], axis=1)

        path = [states]
        for m in range(count):
            state = path[-1]
            first = slope(2 * m, state)
            second = slope(2 * m + 1, state + h / 2 * first)
            third = slope(2 * m + 1, state + h / 2 * second)
            fourth = slope(2 * m + 2, state + h * third)
            path.append(state + h / 6 * (first + 2 * second + 2 * third + fourth))
        return np.arange(count + 1) * h, np.array(path)

    def left(self, parameters) -> np.ndarray:
        """Observed minus computed of k sets of parameters (k, 6): (k, n, 2) arcsec, east and north."""
        computed = self.directions(*self.states(parameters))
        # On the plane that touches the sphere at the mean direction: the arc is short.
        planes = [
            np.stack([seen @ self.east, seen @ self.north], axis=-1) / (seen @ self.mean)[..., None]
            for seen in (self.observed[None], computed)
        ]
        return (planes[0] - planes[1]) * ARCSEC_PER_RAD


def _along(times, states, wanted) -> np.ndarray:
    """Places (k, n, 3) at times (k, n) on paths of states (m, k, 6), by Hermite's cubic between the nodes."""
    at = np.clip(np.searchsorted(times, wanted) - 1, 0, len(times) - 2)
    which = np.arange(wanted.shape[0])[:, None]
    h = (times[at + 1] - times[at])[..., None]
    x = (wanted - times[at])[..., None] / h
    before, after = states[at, which], states[at + 1, which]
    return (
        (1 + 2 * x) * (1 - x) ** 2 * before[..., :3] + x * (1 - x) ** 2 * h * before[..., 3:]
        + x**2 * (3 - 2 * x) * after[..., :3] + x**2 * (x - 1) * h * after[..., 3:]
    )  # fmt: skip


def noise_covariance(arc: ShortArc, zero, clock, air: float, rate) -> np.ndarray:
    """Covariance (2n, 2n) of all places, arcsec^2: their own, and what the places of one site share.

    `zero` and `clock` are 1-sigma by site (arcsec, s), `rate` the motion in arcsec/s, east and north.
    """
    n = len(arc.sightings)
    covariance = np.zeros((n, 2, n, 2))
    for k, sighting in enumerate(arc.sightings):
        covariance[k, :, k, :] = np.asarray(sighting.covariance)
    for j, name in enumerate(arc.names):
        mine = np.flatnonzero(arc.site == j)
        shared = (zero.get(name, PLATE_ARCSEC) ** 2 + air**2) * np.eye(2)
        shared = shared + clock.get(name, CLOCK_S) ** 2 * np.outer(rate, rate)
        covariance[np.ix_(mine, [0, 1], mine, [0, 1])] += shared[None, :, None, :]
    return covariance.reshape(2 * n, 2 * n)

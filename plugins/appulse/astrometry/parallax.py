"""How far a body is, from where several observers saw it at about the same time: no orbit is needed.

::

    A *------------------------------___
      |  baseline across the line        ---* body: the lines of sight meet at the parallax,
      |  of sight                ____----     an angle of about baseline / distance
    B *---------------_____------

The short arc of a body has six parameters: its direction from the Earth's centre, two angular rates, the
inverse of its distance, and its radial velocity over its distance (Bernstein & Khushalani 2000, AJ 120, 3323,
use the same six). The lines of sight depend on them nearly linearly: a Gaussian of the inverse distance is an
honest answer where one of the distance is none. Sun and Earth bend the arc; light time is counted.

What the sites do not share is a parameter of its own, with what is known of it beforehand: a zero point of
each site's plate, the clock of each site. A baseline too short to overcome them shows as a wide sigma.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from astropy.time import Time, TimeDelta
from scipy.interpolate import CubicHermiteSpline, CubicSpline

from appulse.bodies import EARTH, SUN, default_kernels
from appulse.constants import ARCSEC_PER_RAD, AU_KM, C_AU_DAY, DAY_S, GM_EARTH_KM3_S2, GM_SUN
from appulse.errors import MeasurementError
from appulse.numerics import axes_from_radec, chi2_sf, radec_from_unit, unit_from_radec
from appulse.observers import tdb_days

# Earth's GM, au^3/d^2.
GM_EARTH = GM_EARTH_KM3_S2 * DAY_S**2 / AU_KM**3
_GM = np.array([GM_SUN, GM_EARTH])
# 1 sigma of a body's radial velocity that is not known, km/s: near-Earth bodies pass at 5 to 30.
RADIAL_KM_S = 30.0
# Zero point that each site's air leaves between a body's colour and its stars' mean colour, arcsec: common
# practice, no source.
AIR_ARCSEC = 0.02
# A distance is named from so many sigmas of its inverse on; below, only a least distance is.
LEAST_SIGMAS = 3.0
# Inverse distances to start from, 1/au.
STARTS = (20.0, 3.0, 0.8, 0.3, 0.1)
# A second hollow whose chi-squared is larger by less than this (3 sigma) is a rival.
RIVAL_MISFIT = 9.0
# Longest step of the integration, days: the Hermite cubic between is then good to a metre.
STEP_D = 0.1
# The arc that six parameters with Sun and Earth carry, days.
LONGEST_ARC_D = 30.0
PARAMETERS = ("direction E", "direction N", "rate E", "rate N", "inverse distance", "radial velocity")


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


@dataclass(frozen=True)
class SiteOffsets:
    """What is known of a site beforehand and what the fit made of it: zero point (arcsec), clock (s).

    Attributes
    ----------
    name : str
    n : int
        Sightings.
    zero_arcsec, clock_s : float
        1 sigma beforehand.
    zero, zero_sigma : (2,) arrays
        East and north, arcsec, as fitted.
    clock, clock_sigma : float
        True minus recorded time, s, as fitted: positive when the clock is late.
    """

    name: str
    n: int
    zero_arcsec: float
    clock_s: float
    zero: np.ndarray
    zero_sigma: np.ndarray
    clock: float
    clock_sigma: float


@dataclass(frozen=True)
class ParallaxFit:
    """Distance of a body by parallax.

    Attributes
    ----------
    epoch : Time
        Middle of the sightings.
    ra_deg, dec_deg : float
        Direction from the Earth's centre then, ICRF.
    rate : (2,) array
        Geocentric motion, arcsec/h, east and north.
    inverse_au, sigma_inverse_au : float
        Inverse of the distance from the Earth's centre, 1/au.
    baseline_km : float
        Largest distance between two observers across the line of sight.
    parallax_arcsec, sigma_parallax_arcsec : float
        Angle that this baseline spans at the body.
    budget : dict of str to float
        Parts of `sigma_inverse_au`, 1/au: 'places', 'plates', 'clocks', 'air'; their squares add up to its.
    sites : tuple of SiteOffsets
    residuals : (n, 2) array
        Left over, arcsec, east and north.
    chi2 : float
    dof : int
    covariance : (6, 6) array
        Of PARAMETERS: rad, rad/d, 1/au, 1/d.
    rivals : tuple of float
        Other inverse distances, 1/au, that explain the sightings nearly as well.
    """

    epoch: Time
    ra_deg: float
    dec_deg: float
    rate: np.ndarray
    inverse_au: float
    sigma_inverse_au: float
    baseline_km: float
    parallax_arcsec: float
    sigma_parallax_arcsec: float
    budget: dict
    sites: tuple
    residuals: np.ndarray
    chi2: float
    dof: int
    covariance: np.ndarray
    rivals: tuple = ()

    @property
    def is_measured(self) -> bool:
        """Whether a distance can be named: the parallax is well above its error and no rival fits as well."""
        return self.inverse_au > LEAST_SIGMAS * self.sigma_inverse_au and not self.rivals

    @property
    def distance_au(self) -> float:
        """From the Earth's centre; NaN where the parallax does not rise above its error."""
        return 1.0 / self.inverse_au if self.is_measured else np.nan

    def range_au(self, sigmas: float = 1.0) -> tuple[float, float]:
        """Nearest and farthest distance within so many sigmas, au; the farthest is infinite where open."""
        low, high = (self.inverse_au + side * sigmas * self.sigma_inverse_au for side in (1.0, -1.0))
        return 1.0 / low if low > 0 else np.inf, 1.0 / high if high > 0 else np.inf

    @property
    def probability(self) -> float:
        """Chance of a chi-squared at least this large; 1 where nothing is left to test."""
        return float(chi2_sf(self.chi2, self.dof)) if self.dof > 0 else 1.0


def distance_by_parallax(sightings, *, zero_arcsec=None, clock_s=None, air_arcsec=AIR_ARCSEC) -> ParallaxFit:
    """Distance of a body from sightings of two sites or more, or of one over neighbouring nights.

    Parameters
    ----------
    sightings : sequence of Sighting
        Within 30 days; two sites in one night are the strongest case.
    zero_arcsec, clock_s : dict of str to float, optional
        1-sigma of each site's plate (arcsec) and clock (s); 0.05 arcsec and 1 s where a site is not named.
    air_arcsec : float
        1-sigma of what colour and refraction leave at each site.

    Returns
    -------
    ParallaxFit
        Of a parallax that is not measured too: then `distance_au` is NaN, `range_au(2)` still a limit.

    Raises
    ------
    MeasurementError
        With fewer than three sightings, over too long an arc, or where the fit does not settle.

    Notes
    -----
    Gauss-Newton on the six parameters of the arc with the sites' zero points and clocks as linear parameters
    with priors; the radial velocity has a prior of 30 km/s. Sigmas are widened where chi-squared exceeds its
    degrees of freedom.

    Examples
    --------
    >>> from appulse.observers import Site
    >>> sites = {"A": Site.from_geodetic(20.5, -23.0, 1250), "B": Site.from_geodetic(8.5, 50.0, 120)}
    >>> sightings = example_sightings(sites, distance_au=0.2, sigma_arcsec=0.1, seed=3)
    >>> fit = distance_by_parallax(sightings, zero_arcsec={"A": 0.02, "B": 0.02})
    >>> fit.is_measured, abs(fit.inverse_au - 5.0) < 3 * fit.sigma_inverse_au
    (True, True)
    """
    sightings = tuple(sightings)
    if len(sightings) < 3:
        raise MeasurementError(f"{len(sightings)} sightings: a short arc needs three or more measured places")
    arc = _Arc(sightings)
    names = sorted({sighting.site for sighting in sightings})
    zero = {name: (zero_arcsec or {}).get(name, 0.05) for name in names}
    clock = {name: (clock_s or {}).get(name, 1.0) for name in names}
    # The surface of chi-squared has false hollows: start from near and far, keep the deepest.
    found = [_settle(arc, arc.start(inverse), names, zero, clock, air_arcsec) for inverse in STARTS]
    found = sorted((hollow for hollow in found if hollow is not None), key=lambda hollow: hollow[0])
    if not found:
        raise MeasurementError(
            "the short arc did not settle: are all sightings of one body, and near in time?"
        )
    least, system, parameters = found[0]
    sigma = float(np.sqrt(system.covariance[4, 4]))
    rivals = {
        round(float(other[4]), 6)
        for misfit, _, other in found
        if misfit < least + RIVAL_MISFIT and abs(other[4] - parameters[4]) > 3.0 * sigma
    }
    return _result(arc, system, parameters, tuple(sorted(rivals)))


def _settle(arc: "_Arc", parameters, names, zero, clock, air):
    """(misfit, system, parameters) at the bottom of the hollow around a start, or None."""
    for _ in range(25):
        system = _System(arc, parameters, names, zero, clock, air)
        step, chi2 = system.solve()
        step = step[:6]
        if np.all(np.abs(step) < 1e-2 * np.sqrt(np.diag(system.covariance)[:6])):
            return chi2 + arc.unbound(parameters), system, parameters
        # The distance changes by half at most in one step.
        shrink = min(1.0, 0.5 * max(parameters[4], 0.01) / max(abs(step[4]), 1e-30))
        parameters = parameters + shrink * step
        parameters[4] = max(parameters[4], 1e-4)
    return None


def example_sightings(sites, *, distance_au, sigma_arcsec, seed=1, nights=1, count=6):
    """Sightings of an invented body on a straight line, for examples and tests.

    Parameters
    ----------
    sites : dict of str to Site
    distance_au : float
    sigma_arcsec : float
        Of each place.
    seed : int
    nights, count : int
        Nights in a row, sightings of each site in a night.

    Returns
    -------
    list of Sighting

    Examples
    --------
    >>> from appulse.observers import Site
    >>> len(example_sightings({"A": Site.from_mpc_code("500")}, distance_au=1.0, sigma_arcsec=0.1))
    6
    """
    rng = np.random.default_rng(seed)
    start = Time("2027-05-04T21:00:00", scale="utc")
    epoch = start + TimeDelta((nights - 1) / 2 + 0.1, format="jd")
    t0 = float(tdb_days(epoch))
    earth, velocity = (array[0, EARTH] for array in default_kernels().major(np.array([t0])))
    out = unit_from_radec(246.4, -24.2)
    place = earth + distance_au * out
    # 20 arcsec/h across, 5 km/s away
    east, north = axes_from_radec(246.4, -24.2)
    speed = velocity + distance_au * (20.0 * 24 / ARCSEC_PER_RAD) * (0.9 * north - 0.4 * east)
    speed = speed + out * 5.0 * DAY_S / AU_KM
    made = []
    for name, site in sites.items():
        for night in range(nights):
            for k in range(count):
                time = start + TimeDelta(night + k * 0.2 / max(count - 1, 1), format="jd")
                blank = Sighting(name, time, 0.0, 0.0, sigma_arcsec**2 * np.eye(2), site)
                arc = _Arc((blank,), t0)
                direction = arc.directions(place[None], speed[None])[0, 0]
                ra, dec = radec_from_unit(direction)
                off = rng.normal(0, sigma_arcsec, 2) / 3600
                made.append(
                    blank._replace(
                        ra_deg=float(ra) + off[0] / np.cos(np.radians(dec)), dec_deg=float(dec) + off[1]
                    )
                )
    return made


class _Arc:
    """The sightings as arrays, and where a body of given place and velocity would be seen from them."""

    def __init__(self, sightings, t0_d: float | None = None):
        self.sightings, kernels = sightings, default_kernels()
        self.t_d = np.array([float(tdb_days(sighting.time)) for sighting in sightings])
        self.t0_d = float(np.mean([self.t_d.min(), self.t_d.max()])) if t0_d is None else t0_d
        if np.ptp(self.t_d) > LONGEST_ARC_D:
            raise MeasurementError(
                f"the sightings span {np.ptp(self.t_d):.1f} days: a short arc carries {LONGEST_ARC_D:g} at "
                "most; fit an orbit instead"
            )
        kernels.check_span(self.t_d)
        earth = kernels.major(self.t_d)[0][:, EARTH]
        # Sun and Earth between nodes two hours apart: good to metres.
        low, high = min(self.t_d.min(), self.t0_d), max(self.t_d.max(), self.t0_d)
        nodes = np.arange(low - 0.5, high + 0.6, 1.0 / 12.0)
        self.attracting = CubicSpline(nodes, kernels.major(nodes)[0][:, [SUN, EARTH]])
        own = [np.ravel(s.observer.posvel_au(s.time.reshape(1))[0])[:3] for s in sightings]
        self.from_earth = np.array(own)
        self.observer = earth + self.from_earth
        places, speeds = kernels.major(np.array([self.t0_d]))
        self.earth0, self.earth_velocity0 = places[0, EARTH], speeds[0, EARTH]
        self.observed = unit_from_radec(
            np.array([s.ra_deg for s in sightings]), np.array([s.dec_deg for s in sightings])
        )
        self.mean = self.observed.mean(axis=0)
        self.mean /= np.linalg.norm(self.mean)
        self.east, self.north = axes_from_radec(*(float(value) for value in radec_from_unit(self.mean)))

    def start(self, inverse: float) -> np.ndarray:
        """First guess: the mean direction, the motion between first and last sighting, and a distance."""
        tau = self.t_d - self.t0_d
        offsets = np.stack([self.observed @ self.east, self.observed @ self.north], axis=1)
        design = np.column_stack([np.ones_like(tau), tau])
        if np.ptp(tau) < 1e-3:
            rate = np.zeros(2)
            middle = offsets.mean(axis=0)
        else:
            middle, rate = np.linalg.lstsq(design, offsets, rcond=None)[0]
        return np.array([*middle, *rate, inverse, 0.0])

    def state(self, parameters) -> tuple[np.ndarray, np.ndarray]:
        """Barycentric place (au) and velocity (au/d) at the epoch."""
        e, n, rate_e, rate_n, inverse, radial = parameters
        direction = self.mean + e * self.east + n * self.north
        direction = direction / np.linalg.norm(direction)
        motion = rate_e * self.east + rate_n * self.north + radial * direction
        return self.earth0 + direction / inverse, self.earth_velocity0 + motion / inverse

    def unbound(self, parameters) -> float:
        """Misfit of a body faster than the Sun can hold, which a false hollow often asks for."""
        place, velocity = self.state(parameters)
        sun = self.attracting(self.t0_d)[0]
        escape = np.sqrt(2 * GM_SUN / np.linalg.norm(place - sun))
        return float(max(np.linalg.norm(velocity) / escape - 1.0, 0.0) / 0.1) ** 2

    def directions(self, places, velocities) -> np.ndarray:
        """Unit vectors (k, n, 3) in which bodies of k states (k, 3) at the epoch are seen."""
        far = np.linalg.norm(places - self.earth0, axis=1).max()
        # Light left before it was seen: some minutes earlier than the first sighting.
        early = min(1.3 * float(far) / C_AU_DAY + 0.01, 0.4)
        begin = np.concatenate([places, velocities], axis=1)
        behind = self._carried(begin, min(self.t_d.min() - self.t0_d, 0.0) - early)
        ahead = self._carried(begin, max(self.t_d.max() - self.t0_d, 0.0) + 0.01)
        times = np.concatenate([behind[0][:0:-1], ahead[0]])
        states = np.concatenate([behind[1][:0:-1], ahead[1]])
        path = CubicHermiteSpline(times, states[..., :3], states[..., 3:])
        light = np.zeros((len(places), len(self.t_d)))
        which = np.arange(len(places))[:, None]
        for _ in range(3):
            emitted = self.t_d - self.t0_d - light
            sight = path(emitted)[which, np.arange(len(self.t_d)), which] - self.observer
            light = np.minimum(np.linalg.norm(sight, axis=2) / C_AU_DAY, 0.4)
        return sight / np.linalg.norm(sight, axis=2)[..., None]

    def _carried(self, states, tau: float) -> tuple[np.ndarray, np.ndarray]:
        """Times (m,) and states (m, k, 6) on the way to a time, by Runge and Kutta's fourth-order steps."""
        count = max(2, int(np.ceil(abs(tau) / STEP_D)))
        h = tau / count

        def slope(t, state):
            away = state[:, None, :3] - self.attracting(t + self.t0_d)
            force = -np.einsum("b,kbi->ki", _GM, away / np.sum(away**2, axis=2, keepdims=True) ** 1.5)
            return np.concatenate([state[:, 3:], force], axis=1)

        path = [states]
        for m in range(count):
            t, state = m * h, path[-1]
            first = slope(t, state)
            second = slope(t + h / 2, state + h / 2 * first)
            third = slope(t + h / 2, state + h / 2 * second)
            fourth = slope(t + h, state + h * third)
            path.append(state + h / 6 * (first + 2 * second + 2 * third + fourth))
        return np.arange(count + 1) * h, np.array(path)

    def left(self, parameters) -> np.ndarray:
        """Observed minus computed of k sets of parameters (k, 6): (k, n, 2) arcsec, east and north."""
        places, velocities = (np.array(part) for part in zip(*map(self.state, parameters), strict=True))
        computed = self.directions(places, velocities)
        # On the plane that touches the sphere at the mean direction: the arc is short.
        planes = [
            np.stack([seen @ self.east, seen @ self.north], axis=-1) / (seen @ self.mean)[..., None]
            for seen in (self.observed[None], computed)
        ]
        return (planes[0] - planes[1]) * ARCSEC_PER_RAD


class _System:
    """The linearised problem at some parameters: arc, zero points and clocks together.

    Columns: 6 of the arc | 2 per site: zero point east, north | 1 per site: clock.
    """

    def __init__(self, arc: _Arc, parameters, names, zero, clock, air):
        self.arc, self.names, self.air = arc, names, air
        self.zero, self.clock = zero, clock
        n = len(arc.sightings)
        steps = np.array([1e-7, 1e-7, 1e-6, 1e-6, 1e-4 * max(parameters[4], 0.05), 1e-5])
        left = arc.left(np.vstack([parameters, parameters + np.diag(steps)]))
        self.left = left[0]
        slopes = (left[0] - left[1:]) / steps[:, None, None]
        self.slopes = slopes  # (6, n, 2): computed place per parameter
        rate_s = (slopes[0] * parameters[2] + slopes[1] * parameters[3]) / DAY_S  # arcsec per second of time
        index = np.array([names.index(s.site) for s in arc.sightings])
        design = np.zeros((n, 2, 6 + 3 * len(names)))
        design[:, :, :6] = np.moveaxis(self.slopes, 0, -1)
        for j in range(len(names)):
            mine = index == j
            design[mine, 0, 6 + 2 * j] = design[mine, 1, 7 + 2 * j] = 1.0
            # A late clock records too early a time: the body is ahead of where it is computed to be.
            design[mine, :, 6 + 2 * len(names) + j] = rate_s[mine]
        whiten = np.array(
            [np.linalg.inv(np.linalg.cholesky(np.asarray(s.covariance))) for s in arc.sightings]
        )
        self.design = (whiten @ design).reshape(2 * n, -1)
        self.right = (whiten @ self.left[:, :, None]).reshape(2 * n)
        self.inverse = max(parameters[4], 1e-4)
        self.radial = parameters[5]
        self.covariance = np.linalg.inv(self._scaled_normal())

    def _prior(self, *, plates=True, clocks=True, air=True, scale=1.0) -> np.ndarray:
        """Inverse variances of what is known beforehand; a part that is switched off is known exactly."""
        weights = np.zeros(self.design.shape[1])
        weights[5] = (RADIAL_KM_S * DAY_S / AU_KM * self.inverse) ** -2
        for j, name in enumerate(self.names):
            variance = (self.zero[name] if plates else 0.0) ** 2 + (self.air if air else 0.0) ** 2
            weights[6 + 2 * j : 8 + 2 * j] = 1.0 / max(variance, 1e-16)
            weights[6 + 2 * len(self.names) + j] = 1.0 / max(
                (self.clock[name] if clocks else 0.0) ** 2, 1e-16
            )
        return weights

    def _scaled_normal(self, **known) -> np.ndarray:
        return self.design.T @ self.design + np.diag(self._prior(**known))

    def sigma_inverse(self, **known) -> float:
        """Sigma of the inverse distance, 1/au, when some of the sites' errors are known exactly."""
        return float(np.sqrt(np.linalg.inv(self._scaled_normal(**known))[4, 4]))

    def solve(self) -> tuple[np.ndarray, float]:
        """Step of all parameters, and the chi-squared that is left with the priors' share."""
        right = self.design.T @ self.right
        right[5] -= self.radial * self._prior()[5]
        step = self.covariance @ right
        left = self.right - self.design @ step
        prior = self._prior()
        away = step.copy()
        away[5] += self.radial
        return step, float(left @ left + np.sum(prior * away**2))


def _result(arc: _Arc, system: _System, parameters, rivals) -> ParallaxFit:
    """The fit in words of the trade."""
    step, chi2 = system.solve()
    n, names = len(arc.sightings), system.names
    dof = 2 * n - 6 + 1  # the radial velocity's prior counts as a measurement
    widen = max(1.0, chi2 / dof) if dof > 0 else 1.0
    covariance = system.covariance * widen
    sigma = float(np.sqrt(covariance[4, 4]))
    places = system.sigma_inverse(plates=False, clocks=False, air=False)
    parts = {"places": places}
    known = {"plates": False, "clocks": False, "air": False}
    before = places
    for part, label in (("air", "air"), ("clocks", "clocks"), ("plates", "plates")):
        known[part] = True
        now = system.sigma_inverse(**known)
        parts[label] = float(np.sqrt(max(now**2 - before**2, 0.0)))
        before = now
    parts = {label: value * np.sqrt(widen) for label, value in parts.items()}
    place, _ = arc.state(parameters)
    out = place - arc.earth0
    out = out / np.linalg.norm(out)
    across = arc.from_earth - np.outer(arc.from_earth @ out, out)
    apart = np.linalg.norm(across[:, None] - across[None], axis=2)
    baseline = float(apart.max())
    ra, dec = radec_from_unit(out)
    sites = []
    for j, name in enumerate(names):
        here = slice(6 + 2 * j, 8 + 2 * j)
        k = 6 + 2 * len(names) + j
        sites.append(
            SiteOffsets(
                name, sum(s.site == name for s in arc.sightings), system.zero[name], system.clock[name],
                step[here], np.sqrt(np.diag(covariance)[here]), float(step[k]),
                float(np.sqrt(covariance[k, k])),
            )
        )  # fmt: skip
    nuisance = step.copy()
    nuisance[:6] = 0.0
    shown = np.array([np.linalg.cholesky(np.asarray(s.covariance)) for s in arc.sightings])
    left = (shown @ (system.right - system.design @ nuisance).reshape(n, 2, 1))[..., 0]
    return ParallaxFit(
        Time(arc.t0_d + 2451545.0, format="jd", scale="tdb").utc, float(ra), float(dec),
        np.array(parameters[2:4]) * ARCSEC_PER_RAD / 24.0, float(parameters[4]), sigma, baseline * AU_KM,
        baseline * float(parameters[4]) * ARCSEC_PER_RAD, baseline * sigma * ARCSEC_PER_RAD, parts,
        tuple(sites), left, chi2, dof, covariance[:6, :6], rivals,
    )  # fmt: skip

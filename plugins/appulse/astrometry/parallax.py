"""How far a body is, from where several observers saw it at about the same time: no orbit is needed.

::

    A *------------------------------___
      |  baseline across the line        ---* body: the lines of sight meet at the parallax,
      |  of sight                ____----     an angle of about baseline / distance
    B *---------------_____------

The arc is that of :mod:`appulse.astrometry.short_arc`. The lines of sight depend on its six parameters nearly
linearly: a Gaussian of the inverse distance is an honest answer where one of the distance is none.

What the sites do not share is a parameter of its own, with what is known of it beforehand: a zero point of
each site's plate, the clock of each site. A baseline too short to overcome them shows as a wide sigma.
"""

import math
from dataclasses import dataclass

import numpy as np
from astropy.time import Time, TimeDelta

from appulse.astrometry.first_orbit import Ranging, fine_ridge, hollows
from appulse.astrometry.short_arc import (
    CLOCK_S,
    FASTEST_ESCAPE,
    PLATE_ARCSEC,
    ShortArc,
    Sighting,
    noise_covariance,
)
from appulse.bodies import EARTH, default_kernels
from appulse.constants import ARCSEC_PER_RAD, AU_KM, DAY_S
from appulse.errors import MeasurementError
from appulse.numerics import axes_from_radec, chi2_sf, radec_from_unit, unit_from_radec
from appulse.observers import tdb_days

# Zero point that each site's air leaves between a body's colour and its stars' mean colour, arcsec: common
# practice, no source.
AIR_ARCSEC = 0.02
# A distance is named from so many sigmas of its inverse on; below, only a least distance is.
LEAST_SIGMAS = 3.0
# Chi-squared may differ so far from the parabola of its sigma, as a share, before its own profile is taken.
PARABOLA = 0.25
# A second hollow whose chi-squared is larger by less than this (3 sigma) is a rival.
RIVAL_MISFIT = 9.0
PARAMETERS = ("direction E", "direction N", "rate E", "rate N", "inverse distance", "radial velocity")


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
    def decimals(self) -> int:
        """Decimals of a distance in au that show two digits of what is uncertain."""
        near, far = self.range_au(1.0)
        return max(1 - math.floor(math.log10(max(far - near, 1e-9))), 0) if far < np.inf else 3

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
    with priors; the radial velocity has the mean and spread of
    what the Sun can hold as a prior. Sigmas are widened where chi-squared exceeds its
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
    arc = ShortArc(sightings)
    names = arc.names
    zero = {name: (zero_arcsec or {}).get(name, PLATE_ARCSEC) for name in names}
    clock = {name: (clock_s or {}).get(name, CLOCK_S) for name in names}
    # The surface of chi-squared has false hollows: all distances are scanned, the deepest hollow is kept.
    rate = arc.start(1.0)[2:4] * ARCSEC_PER_RAD / DAY_S
    ranging = Ranging(arc, noise_covariance(arc, zero, clock, air_arcsec, rate))
    u, width, ridge = fine_ridge(ranging, escape=FASTEST_ESCAPE, prior=True)
    if not np.isfinite(ridge.chi2).any():
        raise MeasurementError(
            "the short arc did not settle: are all sightings of one body, and near in time?"
        )
    deepest, *others = hollows(u, width, ridge, RIVAL_MISFIT)
    rivals = tuple(sorted(float(np.exp(u[nodes[np.argmin(ridge.chi2[nodes])]])) for nodes in others))
    start = ridge.parameters[deepest[np.argmin(ridge.chi2[deepest])]]
    system, parameters = _settle(arc, start, names, zero, clock, air_arcsec)
    if system is not None:
        sigma = float(np.sqrt(system.covariance[4, 4]))
        at_hand = np.exp(u[deepest])
        same = at_hand.min() - 3 * sigma < parameters[4] < at_hand.max() + 3 * sigma
        if same and _is_parabola(ranging, parameters, sigma):
            return _result(arc, system, parameters, rivals)
    # Where chi-squared is no parabola, mean and spread of the inverse distance come from its profile itself:
    # of all distances of the hollow, each with the room that it leaves to the radial velocity.
    inverse, chi2 = np.exp(u[deepest]), ridge.chi2[deepest]
    weight = np.exp(-0.5 * (chi2 - chi2.min())) * ridge.sigma_radial[deepest] * inverse
    mean = float(np.average(inverse, weights=weight))
    spread = float(np.sqrt(np.average((inverse - mean) ** 2, weights=weight)))
    system = _System(arc, start, names, zero, clock, air_arcsec)
    return _result(arc, system, start, rivals, moments=(mean, spread))


def _is_parabola(ranging: Ranging, parameters, sigma: float) -> bool:
    """Whether chi-squared rises from the bottom as the sigma of the inverse distance says."""
    sides = np.array([-2.5, -1.5, 0.0, 1.5, 2.5])
    inverse = parameters[4] + sides * sigma
    if inverse.min() <= 0:
        # No distance is measured then, but a least one, which must stand: only the near side counts.
        inverse, sides = inverse[2:], sides[2:]
    chi2 = ranging.ridge(inverse, escape=FASTEST_ESCAPE, prior=True).chi2
    if not np.isfinite(chi2).all():
        return False
    rise = chi2 - chi2[sides == 0.0]
    return bool(np.all(np.abs(rise - sides**2) <= PARABOLA * np.maximum(sides**2, 0.3)))


def _settle(arc: ShortArc, parameters, names, zero, clock, air):
    """(system, parameters) at the bottom of a hollow; (None, start) where the steps do not settle."""
    start = parameters
    for _ in range(12):
        system = _System(arc, parameters, names, zero, clock, air)
        step = system.solve()[0][:6]
        if np.all(np.abs(step) < 1e-2 * np.sqrt(np.diag(system.covariance)[:6])):
            return system, parameters
        # The distance changes by half at most in one step.
        shrink = min(1.0, 0.5 * max(parameters[4], 0.01) / max(abs(step[4]), 1e-30))
        parameters = parameters + shrink * step
        parameters[4] = max(parameters[4], 1e-4)
    return None, start


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
                arc = ShortArc((blank,), t0)
                direction = arc.directions(place[None], speed[None])[0, 0]
                ra, dec = radec_from_unit(direction)
                off = rng.normal(0, sigma_arcsec, 2) / 3600
                made.append(
                    blank._replace(
                        ra_deg=float(ra) + off[0] / np.cos(np.radians(dec)), dec_deg=float(dec) + off[1]
                    )
                )
    return made


def _inverse(normal) -> np.ndarray:
    """Inverse of a normal matrix whose parameters differ by many powers of ten."""
    scale = np.sqrt(np.diag(normal))
    return np.linalg.inv(normal / np.outer(scale, scale)) / np.outer(scale, scale)


class _System:
    """The linearised problem at some parameters: arc, zero points and clocks together.

    Columns: 6 of the arc | 2 per site: zero point east, north | 1 per site: clock.
    """

    def __init__(self, arc: ShortArc, parameters, names, zero, clock, air):
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
        wanted, sigma = (float(value[0]) for value in arc.radial_prior(parameters))
        # How far the radial velocity is from what is likely beforehand, as the sixth parameter has it.
        self.radial, self.radial_sigma = parameters[5] - wanted * self.inverse, sigma * self.inverse
        self.covariance = _inverse(self._normal())

    def _prior(self, *, plates=True, clocks=True, air=True, scale=1.0) -> np.ndarray:
        """Inverse variances of what is known beforehand; a part that is switched off is known exactly."""
        weights = np.zeros(self.design.shape[1])
        weights[5] = self.radial_sigma**-2
        for j, name in enumerate(self.names):
            variance = (self.zero[name] if plates else 0.0) ** 2 + (self.air if air else 0.0) ** 2
            weights[6 + 2 * j : 8 + 2 * j] = 1.0 / max(variance, 1e-16)
            weights[6 + 2 * len(self.names) + j] = 1.0 / max(
                (self.clock[name] if clocks else 0.0) ** 2, 1e-16
            )
        return weights

    def _normal(self, **known) -> np.ndarray:
        return self.design.T @ self.design + np.diag(self._prior(**known))

    def sigma_inverse(self, **known) -> float:
        """Sigma of the inverse distance, 1/au, when some of the sites' errors are known exactly."""
        return float(np.sqrt(_inverse(self._normal(**known))[4, 4]))

    def solve(self) -> tuple[np.ndarray, float]:
        """Step of all parameters, and the chi-squared that is left with the priors' share."""
        right = self.design.T @ self.right
        right[5] -= self.radial * self._prior()[5]
        step = self.covariance @ right
        return step, self.misfit(step)

    def misfit(self, step) -> float:
        """Chi-squared after a step, with the share of what is known beforehand."""
        left = self.right - self.design @ step
        away = step.copy()
        away[5] += self.radial
        return float(left @ left + np.sum(self._prior() * away**2))


def _result(arc: ShortArc, system: _System, parameters, rivals, moments=None) -> ParallaxFit:
    """The fit in words of the trade; `moments`: mean and sigma of the inverse distance, else its own."""
    step, chi2 = system.solve()
    if moments is not None:
        # At the bottom, which steps along the curved valley would leave.
        step = np.concatenate([np.zeros(6), step[6:]])
        chi2 = system.misfit(step)
    n, names = len(arc.sightings), system.names
    dof = 2 * n - 6 + 1  # the radial velocity's prior counts as a measurement
    widen = max(1.0, chi2 / dof) if dof > 0 else 1.0
    inverse, stretch = float(parameters[4]), 1.0
    if moments is not None:
        inverse, stretch = moments[0], moments[1] / np.sqrt(system.covariance[4, 4])
    widen = widen * stretch**2
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
    place, _ = arc.states(parameters)
    out = place[0] - arc.earth0
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
        arc.epoch, float(ra), float(dec),
        np.array(parameters[2:4]) * ARCSEC_PER_RAD / 24.0, inverse, sigma, baseline * AU_KM,
        baseline * inverse * ARCSEC_PER_RAD, baseline * sigma * ARCSEC_PER_RAD, parts,
        tuple(sites), left, chi2, dof, covariance[:6, :6], rivals,
    )  # fmt: skip

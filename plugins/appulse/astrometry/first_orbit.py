"""A first orbit from few nights: all orbits about the Sun that the places allow, as a sample.

::

    distance d ----> for each: the best direction, motion and radial velocity (the ridge)
                 +--> nodes (d, d') along it, as far as the places and the Sun's hold allow
                       +--> draws around the nodes, weighted by their own chi-squared

Systematic ranging: distance and radial velocity, which a short arc leaves open, are scanned; the other four
parameters are fitted at each (Chesley 2005, Proc. IAU Coll. 197, 255; Farnocchia, Chesley & Micheli 2015,
Icarus 258, 18; both from memory). The scan ends where the Sun could not hold the body: the admissible region
of Milani et al. 2004 (Celest. Mech. 90, 59). Before the places are seen, every logarithm of the distance and
every radial velocity that the Sun can hold is equally likely.
"""

from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from astropy.time import Time

from appulse.astrometry.short_arc import ShortArc, noise_covariance
from appulse.bodies import Orbit
from appulse.constants import ARCSEC_PER_RAD, C_AU_DAY, DAY_S
from appulse.errors import MeasurementError
from appulse.numerics import ECLIPTIC_TO_ICRF, chi2_sf, elements_from_state

METHOD = (
    "systematic ranging over distance and radial velocity (Chesley 2005; Farnocchia, Chesley & Micheli 2015) "
    "in the admissible region (Milani et al. 2004)"
)
# Distances that are scanned, au: from half the Moon's to the far belt.
NEAREST_AU, FARTHEST_AU = 0.001, 80.0
SCAN_NODES = 110
# Distances within this chi-squared of the best are kept: beyond lies less than a case in a million.
KEPT_CHI2 = 28.0
MOST_HOLLOWS = 8
FINE_NODES, LEAST_KEPT, MOST_ZOOMS = 90, 45, 14
RADIAL_NODES, RADIAL_SIGMAS = 17, 5.0
DRAWS = 3000
# A body's motion must rise so far above its error that it is one.
LEAST_MOTION_SIGMAS = 5.0
LEAST_SPAN_H = 0.25
# Chance of a chi-squared below which no orbit about the Sun is believed.
MISFIT_P = 1e-4
# Least effective number of draws that a sample may stand on.
LEAST_EFFECTIVE = 40


class Ridge(NamedTuple):
    """Best arcs at given distances: parameters (k, 6), chi-squared (k,), sigma of radial velocity (au/d)."""

    parameters: np.ndarray
    chi2: np.ndarray
    sigma_radial: np.ndarray


class Ranging:
    """Fits of an arc at given distances; the places' errors with what sites share are in the whitening."""

    def __init__(self, arc: ShortArc, covariance: np.ndarray):
        self.arc = arc
        self.whiten = np.linalg.inv(np.linalg.cholesky(covariance))
        tau = arc.t_d - arc.t0_d
        design = np.zeros((len(tau), 2, 4))
        design[:, 0, 0] = design[:, 1, 1] = 1.0
        design[:, 0, 2] = design[:, 1, 3] = tau
        # Direction and motion act nearly alike at all distances: one matrix serves every step of every fit.
        self.q, self.r = np.linalg.qr(self.whiten @ (design.reshape(-1, 4) * ARCSEC_PER_RAD))

    def left(self, parameters) -> np.ndarray:
        """Whitened residuals (k, 2n)."""
        return self.arc.left(parameters).reshape(len(parameters), -1) @ self.whiten.T

    def ridge(self, inverse, *, escape: float, prior: bool = False, rounds: int = 4) -> Ridge:
        """The best arc at each inverse distance (k,), 1/au, of a body slower than so many escape velocities.

        With `prior` the radial velocity is held to what is likely before the places are seen.
        """
        inverse = np.asarray(inverse, float)
        parameters = np.array([self.arc.start(value) for value in inverse])
        parameters[:, 5] = self.arc.radial_hold(parameters)[0] * inverse
        step = 1e-3  # au/d
        for _ in range(rounds):
            middle, half = self.arc.radial_hold(parameters, escape)
            half = np.where(np.isfinite(half), half, 0.0)
            wanted, sigma = self.arc.radial_prior(parameters)
            weight = sigma**-2 if prior else np.zeros_like(sigma)
            radial = parameters[:, 5] / inverse
            moved = parameters.copy()
            moved[:, 5] += step * inverse
            both = self.left(np.concatenate([parameters, moved]))
            left, slope = both[: len(inverse)], (both[: len(inverse)] - both[len(inverse) :]) / step
            free_left = left - (left @ self.q) @ self.q.T
            free_slope = slope - (slope @ self.q) @ self.q.T
            normal = np.einsum("kn,kn->k", free_slope, free_slope) + weight
            right = np.einsum("kn,kn->k", free_slope, free_left) + weight * (wanted - radial)
            new = np.clip(radial + right / normal, middle - half, middle + half)
            parameters[:, 5] = new * inverse
            parameters[:, :4] += self.four((left - (new - radial)[:, None] * slope) @ self.q, inverse)
        chi2 = self.chi2(parameters) + weight * (parameters[:, 5] / inverse - wanted) ** 2
        bound = np.isfinite(self.arc.radial_hold(parameters, escape)[1])
        return Ridge(parameters, np.where(bound & np.isfinite(chi2), chi2, np.inf), normal**-0.5)

    def four(self, projected, inverse) -> np.ndarray:
        """Change (k, 4) of direction and motion by what is projected on their columns (k, 4).

        The parameters are those of the moment at which the light is seen; it left earlier by its way, in
        which the motion has changed the direction.
        """
        change = np.linalg.solve(self.r, projected.T).T
        change[:, :2] += change[:, 2:] / inverse[:, None] / C_AU_DAY
        return change

    def settled(self, parameters, rounds: int = 2) -> np.ndarray:
        """The same distances and radial velocities with direction and motion fitted."""
        parameters = parameters.copy()
        for _ in range(rounds):
            parameters[:, :4] += self.four(self.left(parameters) @ self.q, parameters[:, 4])
        return parameters

    def chi2(self, parameters) -> np.ndarray:
        """Chi-squared (k,)."""
        left = self.left(parameters)
        return np.einsum("kn,kn->k", left, left)


def scan_inverse(count: int = SCAN_NODES) -> np.ndarray:
    """Inverse distances, 1/au, evenly spread in their logarithm, far to near."""
    return np.geomspace(1 / FARTHEST_AU, 1 / NEAREST_AU, count)


def fine_ridge(ranging: Ranging, *, escape: float, prior: bool = False, around=None):
    """The ridge with enough nodes over all distances that the places allow: ln(1/d), node spacing, the ridge.

    `around`, ln(1/d) of two ends, keeps the search between them.
    """
    u = np.log(scan_inverse()) if around is None else np.linspace(*around, FINE_NODES)
    width = u[1] - u[0]
    ridge = ranging.ridge(np.exp(u), escape=escape, prior=prior)
    for _ in range(MOST_ZOOMS):
        kept = ridge.chi2 < ridge.chi2.min() + KEPT_CHI2
        if not np.isfinite(ridge.chi2).any() or kept.sum() >= LEAST_KEPT:
            break
        # Until the bottom is seen, the deepest local minima stay in play.
        least = np.flatnonzero(_locally_least(ridge.chi2))
        kept[least[np.argsort(ridge.chi2[least])][:MOST_HOLLOWS]] = True
        u, width = _refined(u[kept], width)
        ridge = ranging.ridge(np.exp(u), escape=escape, prior=prior)
    return u, width, ridge


def hollows(u, width: float, ridge: Ridge, misfit: float) -> list[np.ndarray]:
    """Nodes of each stretch of distances with chi-squared within `misfit` of the least; deepest first."""
    order = np.argsort(u)
    low = ridge.chi2[order] < ridge.chi2.min() + misfit
    apart = np.abs(np.diff(u[order], prepend=u[order][0])) > 1.5 * width
    number = np.cumsum(apart | ~low)
    found = [order[low & (number == k)] for k in np.unique(number[low])]
    return sorted(found, key=lambda nodes: ridge.chi2[nodes].min())


@dataclass(frozen=True)
class FirstOrbit:
    """Orbits that the places of few nights allow.

    Attributes
    ----------
    epoch : Time
        Of the states.
    states : (n, 6) array
        About the Sun, ICRF axes, au and au/d: a fair sample; each is as likely as any other.
    chi2 : (n,) array
        Of each.
    best : (6,) array
        The state of least chi-squared.
    dof : int
    span_d : float
        Of the places.
    sightings : tuple of Sighting
    method : str
    """

    epoch: Time
    states: np.ndarray
    chi2: np.ndarray
    best: np.ndarray
    dof: int
    span_d: float
    sightings: tuple
    method: str = METHOD
    _ranging: Any = field(default=None, repr=False, compare=False)

    @property
    def epoch_jd_tdb(self) -> float:
        """Of the states."""
        return float(self.epoch.tdb.jd)

    def level(self, state) -> float:
        """Share of the sample that is likelier than a state about the Sun at the epoch.

        Below 0.95 the state lies in the region that holds 95% of cases.
        """
        arc = self._ranging.arc
        state = np.asarray(state, float)
        parameters = arc.parameters(state[:3] + arc.sun0, state[3:] + arc.sun_velocity0)
        return float(np.mean(self.chi2 < self._ranging.chi2(parameters)[0]))

    def elements(self) -> dict:
        """Of all states: a (au), e, i (deg), q (au) and the geocentric distance (au), (n,) each."""
        # Elements are about the ecliptic; the states are on ICRF axes.
        ecliptic = np.hstack([part @ ECLIPTIC_TO_ICRF for part in np.split(self.states, 2, axis=1)])
        found = elements_from_state(ecliptic, np.full(len(self.states), self.epoch_jd_tdb))
        q, e = np.asarray(found[0]), np.asarray(found[1])
        away = self.states[:, :3] + self._ranging.arc.sun0 - self._ranging.arc.earth0
        with np.errstate(divide="ignore"):
            axis = q / (1.0 - e)
        return {
            "a": axis, "e": e, "i": np.degrees(found[2]), "q": q, "distance": np.linalg.norm(away, axis=1),
        }  # fmt: skip

    def orbits(self, count: int | None = None, name: str = "sample") -> list[Orbit]:
        """States as orbits for an ephemeris; the first `count` of the sample, which is in random order."""
        return [
            Orbit(f"{name}{k:03d}", self.epoch_jd_tdb, state)
            for k, state in enumerate(self.states[: count or len(self.states)])
        ]

    def orbit(self, designation: str) -> Orbit:
        """The likeliest orbit, with the sample's covariance."""
        return Orbit(
            designation, self.epoch_jd_tdb, self.best, covariance=np.cov(self.states.T),
            covariance_names=("x", "y", "z", "vx", "vy", "vz"), source=f"first orbit: {self.method}",
        )  # fmt: skip


def first_orbit(
    sightings, *, zero_arcsec=None, clock_s=None, air_arcsec=0.02, size: int = 500, seed: int = 1
) -> FirstOrbit:
    """Orbits about the Sun that agree with a few nights' places.

    Parameters
    ----------
    sightings : sequence of Sighting
        Three or more, within 30 days, of any sites.
    zero_arcsec, clock_s : dict of str to float, optional
        1-sigma of each site's plate (arcsec) and clock (s); 0.05 arcsec and 1 s where a site is not named.
    air_arcsec : float
        1-sigma of what colour and refraction leave at each site.
    size : int
        Orbits of the sample.
    seed : int
        Of the draws.

    Returns
    -------
    FirstOrbit

    Raises
    ------
    MeasurementError
        Where the arc carries no orbit: too few or too close places, no motion, or none that the Sun holds.

    Examples
    --------
    >>> from appulse.astrometry.parallax import example_sightings
    >>> from appulse.observers import Site
    >>> site = {"A": Site.from_geodetic(20.5, -23.0, 1250)}
    >>> found = first_orbit(example_sightings(site, distance_au=1.4, sigma_arcsec=0.1, nights=2))
    >>> found.states.shape
    (500, 6)
    """
    sightings = tuple(sightings)
    if len(sightings) < 3:
        raise MeasurementError(f"{len(sightings)} places: a first orbit needs three or more")
    arc = ShortArc(sightings)
    span = float(np.ptp(arc.t_d))
    if span * 24 < LEAST_SPAN_H:
        raise MeasurementError(
            f"the places span {span * 1440:.0f} minutes: a first orbit needs {LEAST_SPAN_H * 60:.0f} or more"
        )
    rate = arc.start(1.0)[2:4] * ARCSEC_PER_RAD / DAY_S
    covariance = noise_covariance(arc, zero_arcsec or {}, clock_s or {}, air_arcsec, rate)
    ranging = Ranging(arc, covariance)
    _check_motion(ranging, arc)
    u, width, ridge = fine_ridge(ranging, escape=1.0)
    if not np.isfinite(ridge.chi2).any():
        raise MeasurementError(_no_orbit(arc))
    dof = 2 * len(sightings) - 6
    best = float(ridge.chi2.min())
    if dof > 0 and chi2_sf(best, dof + 1) < MISFIT_P:
        raise MeasurementError(
            f"no orbit about the Sun fits (chi-squared {best:.0f} with {dof + 1} degrees of freedom): "
            "are all "
            "places of one body, and their sigmas and times right? A body from between the stars would "
            "do so too"
        )
    kept = ridge.chi2 < best + KEPT_CHI2
    drawn, chi2 = _drawn(ranging, u[kept], width, Ridge(*(part[kept] for part in ridge)), size, seed)
    states = arc.heliocentric(drawn)
    least = int(np.argmin(chi2))
    return FirstOrbit(arc.epoch, states, chi2, states[least], dof, span, sightings, METHOD, ranging)


def _check_motion(ranging: Ranging, arc: ShortArc) -> None:
    """Refuse what does not move by more than its error."""
    rate = arc.start(1.0)[2:4]
    covariance = np.linalg.inv(ranging.r.T @ ranging.r)[2:, 2:]
    if rate @ np.linalg.solve(covariance, rate) < LEAST_MOTION_SIGMAS**2:
        sigma = np.sqrt(covariance[0, 0]) * ARCSEC_PER_RAD / 24
        raise MeasurementError(
            f"the motion, {np.hypot(*rate) * ARCSEC_PER_RAD / 24:.3g} ± {sigma:.2g} arcsec/h, does not rise "
            "above its error: these places carry no orbit; a longer arc or better places would"
        )


def _no_orbit(arc: ShortArc) -> str:
    rate = np.hypot(*arc.start(1.0)[2:4]) * ARCSEC_PER_RAD / 24
    return (
        f"no body that the Sun holds moves by {rate:.4g} arcsec/h there, at any distance from "
        f"{NEAREST_AU:g} to "
        f"{FARTHEST_AU:g} au: are all places of one body, and their times right? A satellite of the "
        "Earth would do so"
    )


def _locally_least(chi2) -> np.ndarray:
    padded = np.concatenate([[np.inf], chi2, [np.inf]])
    return np.isfinite(chi2) & (chi2 <= padded[:-2]) & (chi2 <= padded[2:])


def _refined(u, width) -> tuple[np.ndarray, float]:
    """Nodes over the cells around some nodes and their neighbours, and their new spacing."""
    low, high = np.sort(u) - 1.5 * width, np.sort(u) + 1.5 * width
    begins = np.flatnonzero(np.concatenate([[True], low[1:] > high[:-1]]))
    ends = np.concatenate([begins[1:] - 1, [len(u) - 1]])
    pieces = [(low[a], high[b]) for a, b in zip(begins, ends, strict=True)]
    width = sum(b - a for a, b in pieces) / FINE_NODES
    nodes = [a + (np.arange(max(int((b - a) / width), 3)) + 0.5) * width for a, b in pieces]
    return np.concatenate(nodes), width


def _drawn(ranging: Ranging, u, width, ridge: Ridge, size: int, seed: int):
    """A fair sample (size, 6) of parameters and its chi-squared: nodes, draws around them, weights."""
    rng = np.random.default_rng(seed)
    inverse, arc = np.exp(u), ranging.arc
    centre, half = arc.radial_hold(ridge.parameters)
    middle = ridge.parameters[:, 5] / inverse
    low = np.maximum(centre - half, middle - RADIAL_SIGMAS * ridge.sigma_radial)
    high = np.minimum(centre + half, middle + RADIAL_SIGMAS * ridge.sigma_radial)
    step = (high - low) / RADIAL_NODES
    radial = low[:, None] + step[:, None] * (np.arange(RADIAL_NODES) + 0.5)
    nodes = np.repeat(ridge.parameters, RADIAL_NODES, axis=0)
    nodes[:, 5] = (radial * inverse[:, None]).ravel()
    nodes = ranging.settled(nodes, rounds=1)
    left = ranging.left(nodes)
    left = left - (left @ ranging.q) @ ranging.q.T
    chi2 = np.einsum("kn,kn->k", left, left)
    area = np.repeat(step, RADIAL_NODES)
    # Flatter than they should be, so that no corner is missed; the weights put it right.
    share = np.exp(-0.5 * 0.8 * (chi2 - chi2.min())) * area
    share /= share.sum()
    which = rng.choice(len(nodes), DRAWS, p=share)
    drawn = nodes[which]
    inverse_drawn = np.exp(u[which // RADIAL_NODES] + rng.uniform(-0.5, 0.5, DRAWS) * width)
    # Between the nodes' own limits: where distance and radial velocity are tied, a cell is narrower than its
    # step.
    order = np.argsort(u)
    at = np.log(inverse_drawn)
    bottom, room = (np.interp(at, u[order], ends[order]) for ends in (low, high - low))
    share_of_room = (which % RADIAL_NODES + rng.uniform(size=DRAWS)) / RADIAL_NODES
    speed, area_drawn = bottom + share_of_room * room, room / RADIAL_NODES
    drawn[:, 4], drawn[:, 5] = inverse_drawn, speed * inverse_drawn
    drawn = ranging.settled(drawn, rounds=2)
    z = 1.15 * rng.normal(size=(DRAWS, 4))
    drawn[:, :4] += ranging.four(z, drawn[:, 4])
    chi2 = ranging.chi2(drawn)
    log_weight = -0.5 * chi2 - np.log(share[which] / area_drawn) + 0.5 * np.sum((z / 1.15) ** 2, axis=1)
    log_weight[~(arc.escape_share(drawn) < 1.0)] = -np.inf
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    effective = 1.0 / np.sum(weight**2)
    if effective < LEAST_EFFECTIVE:
        raise MeasurementError(
            "the orbits that fit could not be sampled fairly (too few of the draws count): give places of "
            "another night, or fit an orbit to all of them"
        )
    # Systematic resampling: as few repeats as can be.
    at = (rng.uniform() + np.arange(size)) / size
    chosen = np.minimum(np.searchsorted(np.cumsum(weight), at), DRAWS - 1)
    chosen = rng.permutation(chosen)
    return drawn[chosen], chi2[chosen]

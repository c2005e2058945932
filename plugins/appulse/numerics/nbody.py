"""Accelerations on massless bodies among moving perturbers; arrays over the bodies throughout.

States are (6, n): barycentric place (au) and velocity (au/d) on ICRF axes. Perturbers come as places
(bodies, 3, 1), shared by all, or (bodies, 3, n), one set for each body's own time; row 0 is the Sun.
"""

from typing import NamedTuple

import numpy as np

from appulse.constants import ARCSEC_PER_RAD, AU_KM, C_AU_DAY
from appulse.numerics.kepler import propagate_two_body

# Header of DE440 (Park et al. 2021, AJ 161, 105).
J2_SUN = 2.1961391516529825e-7
# Radius that goes with J2_SUN. Header of DE440 (ASUN).
RADIUS_SUN_AU = 696_000.0 / AU_KM
# Solar pole, ICRF: RA 286.13, Dec 63.87 degrees (Archinal et al. 2018, CeMDA 130, 22).
POLE_SUN = np.array([0.122_353_493_472, -0.423_072_083_648, 0.897_797_101_060])
# Header of DE440.
J2_EARTH = 1.082_625_39e-3
# Header of DE440 (RE).
RADIUS_EARTH_AU = 6_378.136_6 / AU_KM
# Farther out the Earth's J2 is below 3e-9 of its attraction and is left away.
EARTH_OBLATENESS_WITHIN_AU = 0.03
# Drift of the Earth's pole towards RA 0, rad/d. IAU 2006 (Capitaine et al. 2003, A&A 412, 567).
PRECESSION_X_RAD_DAY = 2004.191_898 / ARCSEC_PER_RAD / 36_525.0

SUN_ROW, EARTH_ROW, MAJOR_ROWS = 0, 3, 11


class NonGravArrays(NamedTuple):
    """Marsden's non-gravitational terms of n bodies: A (3, n) in au/d^2 and the g(r) arrays (n,)."""

    a: np.ndarray
    alpha: np.ndarray
    r0: np.ndarray
    m: np.ndarray
    n: np.ndarray
    k: np.ndarray
    # (n,) d: g is that of the distance so long before (asymmetric outgassing, Yeomans & Chodas 1989).
    delay_d: np.ndarray

    def take(self, index):
        """The same for some of the bodies."""
        return NonGravArrays(self.a[:, index], *(field[index] for field in self[1:]))


class Forces:
    """Right-hand side of the equations of motion.

    Newtonian attraction of every perturber, the Sun's first post-Newtonian term (Schwarzschild, beta = gamma
    = 1; Anderson et al. 1975, ApJ 200, 221), the Sun's J2, the Earth's J2 nearby, and Marsden's A1, A2, A3
    with g(r) = alpha (r/r0)^-m (1 + (r/r0)^n)^-k (Marsden, Sekanina & Yeomans 1973, AJ 78, 211).

    Parameters
    ----------
    gm : (p,) array, au^3/d^2, rows as the perturbers: Sun, Mercury, Venus, Earth, Moon, ..., asteroids
    own : (n,) int array, optional
        Row of the perturber that each body itself is, -1 for none: it does not pull at itself.
    nongrav : NonGravArrays, optional

    Examples
    --------
    A body at rest 1 au from a lone Sun falls with GM:

    >>> forces = Forces(np.array([3e-4]))
    >>> rate = forces(np.array([[1.0], [0], [0], [0], [0], [0]]), np.zeros((1, 3, 1)), np.zeros((3, 1)), 0.0)
    >>> round(float(rate[3, 0]) / -3e-4, 6)
    1.0
    """

    def __init__(self, gm, own=None, nongrav=None):
        self.gm, self.nongrav = np.asarray(gm, dtype=float), nongrav
        self.own = None if own is None or np.all(np.asarray(own) < 0) else np.asarray(own)

    def take(self, index):
        """The same forces for some of the bodies."""
        nongrav = None if self.nongrav is None else self.nongrav.take(index)
        return Forces(self.gm, None if self.own is None else self.own[index], nongrav)

    def __call__(self, y: np.ndarray, perturbers: np.ndarray, sun_velocity: np.ndarray, t_d: np.ndarray):
        """Time derivative (6, n) of states (6, n); the time (TDB days from J2000.0) turns Earth's pole."""
        place = y[:3]
        out = np.empty_like(y)
        out[:3] = y[3:]
        acc = out[3:]
        gm = self.gm
        # Stage after stage is evaluated here: sums run over axes of contiguous arrays, without temporaries.
        to = perturbers[:MAJOR_ROWS] - place
        r2 = np.einsum("bcn,bcn->bn", to, to)
        weight = self._weights(r2, 0)
        np.einsum("bn,bcn->cn", weight, to, out=acc)
        if len(gm) > MAJOR_ROWS:
            self._add_minor(acc, place, perturbers[MAJOR_ROWS:])
        self._add_solar(acc, -to[SUN_ROW], y[3:] - sun_velocity)
        # The Earth's bulge matters to close passes only; one comparison spares all others its cost.
        if len(gm) > EARTH_ROW and r2[EARTH_ROW].min() < EARTH_OBLATENESS_WITHIN_AU**2:
            # The pole of date to first order: it has moved by 17 arcmin half a century from J2000.
            x = PRECESSION_X_RAD_DAY * np.asarray(t_d)
            pole = np.stack(np.broadcast_arrays(np.sin(x), 0.0 * x, np.cos(x)))
            acc += oblateness(-to[EARTH_ROW], gm[EARTH_ROW], J2_EARTH, RADIUS_EARTH_AU, pole.reshape(3, -1))
        return out

    def _weights(self, r2, first):
        """GM / r^3 of the rows from ``first`` on; 0 where a body would pull at itself."""
        gm = self.gm[first : first + len(r2), None]
        if self.own is None:
            return gm / (r2 * np.sqrt(r2))
        columns = np.flatnonzero((self.own >= first) & (self.own < first + len(r2)))
        rows = self.own[columns] - first
        # A body on the place of its own perturber would divide by zero: any distance, then no weight.
        r2[rows, columns] = 1.0
        weight = gm / (r2 * np.sqrt(r2))
        weight[rows, columns] = 0.0
        return weight

    def _add_minor(self, acc, place, perturbers: np.ndarray):
        """Asteroids: so small a pull that the expanded square of the distance loses nothing that counts."""
        if perturbers.shape[2] == 1:
            p = perturbers[:, :, 0]
            r2 = np.einsum("bc,bc->b", p, p)[:, None] - 2.0 * (p @ place)
            r2 += np.einsum("cn,cn->n", place, place)
            weight = self._weights(np.abs(r2), MAJOR_ROWS)
            acc += p.T @ weight - place * weight.sum(axis=0)
        else:
            to = perturbers - place
            r2 = np.einsum("bcn,bcn->bn", to, to)
            acc += np.einsum("bn,bcn->cn", self._weights(r2, MAJOR_ROWS), to)

    def _add_solar(self, acc, r: np.ndarray, v: np.ndarray):
        """Relativity, oblateness and outgassing: all that depends on the place and motion about the Sun."""
        gm = self.gm[SUN_ROW]
        r2 = np.einsum("cn,cn->n", r, r)
        v2 = np.einsum("cn,cn->n", v, v)
        rv = np.einsum("cn,cn->n", r, v)
        dist = np.sqrt(r2)
        # The Sun's Schwarzschild term: with it alone places agree with JPL's full model to 0.04 mas.
        factor = gm / (C_AU_DAY**2 * r2 * dist)
        acc += (factor * (4.0 * gm / dist - v2)) * r + (4.0 * factor * rv) * v
        acc += oblateness(r, gm, J2_SUN, RADIUS_SUN_AU, POLE_SUN[:, None])
        if self.nongrav is not None:
            acc += _outgassing(r, v, dist, self.nongrav)


def oblateness(r: np.ndarray, gm: float, j2: float, radius_au: float, pole: np.ndarray) -> np.ndarray:
    """Acceleration (3, n) at r (3, n) by the second zonal harmonic of a body with that pole (3, 1 or n)."""
    # Source: Danby 1988, *Fundamentals of Celestial Mechanics*, section 5.4.
    r2 = np.einsum("cn,cn->n", r, r)
    dist = np.sqrt(r2)
    height = np.einsum("cn,cn->n", r, np.broadcast_to(pole, r.shape)) / dist
    factor = 1.5 * j2 * gm * radius_au**2 / (r2 * r2)
    return factor * ((5.0 * height * height - 1.0) * r / dist - 2.0 * height * pole)


def _outgassing(r: np.ndarray, v: np.ndarray, dist: np.ndarray, terms):
    """Marsden's acceleration: radial, transverse in the orbit plane, and normal."""
    # A delayed jet follows the distance that the comet had some days ago. Two-body motion is good enough to
    # find it: the delay is short beside what perturbations need.
    late = np.flatnonzero(terms.delay_d)
    if len(late):
        before = propagate_two_body(np.vstack([r, v]).T[late], -terms.delay_d[late])
        dist_then = dist.copy()
        dist_then[late] = np.linalg.norm(before[:, :3], axis=1)
    x = (dist_then if len(late) else dist) / terms.r0
    g = terms.alpha * x**-terms.m * (1.0 + x**terms.n) ** -terms.k
    radial = r / dist
    normal = np.cross(r, v, axis=0)
    normal /= np.sqrt(np.einsum("cn,cn->n", normal, normal))
    transverse = np.cross(normal, radial, axis=0)
    return g * (terms.a[0] * radial + terms.a[1] * transverse + terms.a[2] * normal)

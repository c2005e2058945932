"""The bodies' paths for a span of dates: vectors on a grid, and splines through them.

Integrated once by the N-body engine; every later question (nearest to what, how high, how bright) is put to
the spline. On a grid of one day the spline of a main-belt body is good to a tenth of a milliarcsecond
(measured in tests/encounters/test_search.py); a body that runs more than two degrees in a step gets a finer
grid.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from astropy.time import Time
from scipy.interpolate import CubicSpline

from appulse.bodies import EARTH, SUN, magnitude
from appulse.constants import J2000_JD
from appulse.numerics import separation_rad, tangent_axes
from appulse.observers import Site, tdb_days

STEP_D = 1.0
LONGEST_ARC_DEG = 2.0
FINEST_STEP_D = 1.0 / 64.0
MARGIN_STEPS = 4
"""Grid points beyond both ends, so that the spline's ends do not matter."""


@dataclass(frozen=True)
class Paths:
    """Geocentric paths of some bodies on one grid."""

    rows: np.ndarray  # of the ephemeris' catalogue, (n,)
    t_d: np.ndarray  # TDB days from J2000.0, (m,)
    vectors: np.ndarray  # astrometric, ICRF axes, au, light time included, (n, m, 3)

    @property
    def unit(self):
        """Directions, (n, m, 3)."""
        return self.vectors / np.linalg.norm(self.vectors, axis=-1, keepdims=True)

    @property
    def nearest_au(self):
        """Least distance of each body on the grid, (n,)."""
        return np.linalg.norm(self.vectors, axis=-1).min(axis=1)

    def spline(self, index):
        """Path of one body: a function of TDB days from J2000.0, shape (k, 3) au."""
        return CubicSpline(self.t_d, self.vectors[index])

    @cached_property
    def _pieces(self):
        return spline_pieces(self.t_d, self.vectors)

    def at(self, index, t_d):
        """Vector (au) and velocity (au/d) of a body at each of some times, both (k, 3), off the splines."""
        step = np.clip(np.searchsorted(self.t_d, t_d, side="right") - 1, 0, len(self.t_d) - 2)
        return on_pieces(self._pieces[:, step, index], t_d - self.t_d[step])


def spline_pieces(t_d, vectors):
    """Coefficients (4, m - 1, n, 3) of the splines through n paths (n, m, 3), the highest power first."""
    return CubicSpline(t_d, np.moveaxis(vectors, 0, 1)).c


def on_pieces(pieces, into_d):
    """Values and derivatives, (k, 3), of pieces (4, k, 3) at times from their beginnings, (k,)."""
    x = into_d[:, None]
    cubic, square, slope, start = pieces
    return ((cubic * x + square) * x + slope) * x + start, (3.0 * cubic * x + 2.0 * square) * x + slope


def grid(start, end, step_d=STEP_D):
    """Grid of TDB days from J2000.0 that covers two times with a margin on both sides."""
    first, last = (float(tdb_days(t)) for t in (start, end))
    count = int(np.ceil((last - first) / step_d)) + 1
    return first + (np.arange(count + 2 * MARGIN_STEPS + 1) - MARGIN_STEPS) * step_d


def follow(ephemeris, start, end, rows=None):
    """Integrate bodies over a span; yields Paths of bodies that share a grid, slow bodies first."""
    rows = np.arange(len(ephemeris.catalogue)) if rows is None else np.asarray(rows)
    step = STEP_D
    # A body that passes the Earth within some lunar distances turns by tens of degrees a day: it alone gets
    # the fine grid, not the thousands that crawl.
    while len(rows):
        t_d = grid(start, end, step)
        times = Time(J2000_JD, t_d, format="jd", scale="tdb")
        vectors = ephemeris.vectors(times, Site.geocentre(), rows)
        unit = vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)
        arcs = np.linalg.norm(np.diff(unit, axis=1), axis=-1).max(axis=1)
        # the finest grid takes whatever is left, or a body that grazes the Earth would never end
        slow = (np.degrees(arcs) <= LONGEST_ARC_DEG) | (step / 4 < FINEST_STEP_D)
        if slow.any():
            yield Paths(rows[slow], t_d, vectors[slow])
        rows, step = rows[~slow], step / 4


def circumstances(path, orbit, t_d, kernels, place_au=0.0):
    """Distances (au), phase, elongation (deg), mag, rate (arcsec/h) and motion_pa (deg) at times, off a path.

    `place_au` is the observer's geocentric place; 0 is the Earth's centre.
    """
    t_d = np.atleast_1d(t_d)
    return circumstances_of(path(t_d), path(t_d, 1), [(orbit, slice(None))], t_d, kernels, place_au)


def circumstances_of(vector, velocity, orbits, t_d, kernels, place_au=0.0):
    """The same of several bodies: geocentric vectors and velocities (k, 3), and the places of each orbit."""
    vector = vector - place_au
    major, _ = kernels.major(t_d)
    sun = major[:, SUN] - major[:, EARTH] - place_au
    helio = vector - sun
    delta, r = np.linalg.norm(vector, axis=1), np.linalg.norm(helio, axis=1)
    phase = np.degrees(separation_rad(vector, helio))
    mag = np.empty(len(t_d))
    for orbit, mine in orbits:
        mag[mine] = magnitude(orbit, r[mine], delta[mine], phase[mine])[0]
    # The spline's velocity is the Earth's centre's; the site's own motion is left to the plan of a night.
    unit = vector / delta[:, None]
    # what is left of the velocity without its part in the line of sight, as an angle
    across = (velocity - unit * np.einsum("ij,ij->i", velocity, unit)[:, None]) / delta[:, None]
    ra_rate, dec_rate = (np.einsum("ij,ij->i", across, axis) for axis in tangent_axes(unit))
    return {
        "delta": delta,
        "r": r,
        "phase": phase,
        "elongation": np.degrees(separation_rad(vector, sun)),
        "mag": mag,
        "rate": np.degrees(np.linalg.norm(across, axis=1)) * 3600 / 24,
        "motion_pa": np.degrees(np.arctan2(ra_rate, dec_rate)) % 360,
    }

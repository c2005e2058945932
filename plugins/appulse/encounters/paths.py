"""The bodies' paths for a span of dates: vectors on a grid, and splines through them.

Integrated once by the N-body engine; every later question (nearest to what, how high, how bright) is put to
the spline. On a grid of one day the spline of a main-belt body is good to a tenth of a milliarcsecond
(measured in tests/encounters/test_search.py); a body that runs more than two degrees in a step gets a finer
grid.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from astropy.time import Time
from scipy.interpolate import CubicSpline

from appulse.bodies.kernels import EARTH, SUN
from appulse.bodies.photometry import magnitude
from appulse.constants import J2000_JD
from appulse.observers.site import Site
from appulse.observers.timescales import tdb_days

STEP_D = 1.0
LONGEST_ARC_DEG = 2.0
FINEST_STEP_D = 1.0 / 64.0
MARGIN_STEPS = 4
"""Grid points beyond both ends, so that the spline's ends do not matter."""


@dataclass(frozen=True)
class Paths:
    """Geocentric paths of some bodies on one grid.

    Attributes
    ----------
    rows : (n,) int array
        Rows of the ephemeris' catalogue.
    t_d : (m,) array
        Grid, TDB days from J2000.0.
    vectors : (n, m, 3) array
        Geocentric astrometric vectors, ICRF axes, au, light time included.
    """

    rows: np.ndarray
    t_d: np.ndarray
    vectors: np.ndarray

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


def grid(start, end, step_d=STEP_D):
    """Grid of TDB days from J2000.0 that covers two times with a margin on both sides.

    Examples
    --------
    >>> len(grid(Time("2027-05-01"), Time("2027-05-11")))
    20
    """
    first, last = (float(tdb_days(t)) for t in (start, end))
    count = int(np.ceil((last - first) / step_d)) + 1
    return first + (np.arange(count + 2 * MARGIN_STEPS + 1) - MARGIN_STEPS) * step_d


def follow(ephemeris, start, end, rows=None):
    """Integrate bodies over a span; yields Paths of bodies that share a grid.

    Parameters
    ----------
    ephemeris : NBodyEphemeris
    start, end : Time
    rows : (n,) int array, optional
        Rows of its catalogue; default all.

    Yields
    ------
    Paths
        Slow bodies first, then those that need finer grids.

    Raises
    ------
    EphemerisSpanError
        The span, with its margin, leaves the kernels.
    """
    rows = np.arange(len(ephemeris.catalogue)) if rows is None else np.asarray(rows)
    step = STEP_D
    while len(rows):
        t_d = grid(start, end, step)
        times = Time(J2000_JD, t_d, format="jd", scale="tdb")
        vectors = ephemeris.vectors(times, Site.geocentre(), rows)
        unit = vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)
        arcs = np.linalg.norm(np.diff(unit, axis=1), axis=-1).max(axis=1)
        slow = (np.degrees(arcs) <= LONGEST_ARC_DEG) | (step / 4 < FINEST_STEP_D)
        if slow.any():
            yield Paths(rows[slow], t_d, vectors[slow])
        rows, step = rows[~slow], step / 4


def circumstances(path, orbit, t_d, kernels, place_au=0.0):
    """Distances, phase, elongation, magnitude and motion at times, off a path.

    Parameters
    ----------
    path : spline of :meth:`Paths.spline`
    orbit : Orbit
        For its photometric parameters.
    t_d : (k,) array
        TDB days from J2000.0.
    kernels : Kernels
    place_au : (k, 3) array
        Geocentric place of the observer.

    Returns
    -------
    dict of (k,) arrays
        ``delta, r`` (au), ``phase, elongation`` (deg), ``mag``, ``rate`` (arcsec/h), ``motion_pa`` (deg).
    """
    t_d = np.atleast_1d(t_d)
    vector = path(t_d) - place_au
    major, _ = kernels.major(t_d)
    sun = major[:, SUN] - major[:, EARTH] - place_au
    helio = vector - sun
    delta, r, sun_au = (np.linalg.norm(v, axis=1) for v in (vector, helio, sun))
    phase = _angle(vector / delta[:, None], helio / r[:, None])
    elongation = _angle(vector / delta[:, None], sun / sun_au[:, None])
    velocity = path(t_d, 1)
    unit = vector / delta[:, None]
    across = (velocity - unit * np.einsum("ij,ij->i", velocity, unit)[:, None]) / delta[:, None]
    east = np.stack([-unit[:, 1], unit[:, 0], np.zeros(len(unit))], axis=1)
    east /= np.maximum(np.linalg.norm(east, axis=1, keepdims=True), 1e-15)
    north = np.cross(unit, east)
    ra_rate, dec_rate = (np.einsum("ij,ij->i", across, axis) for axis in (east, north))
    return {
        "delta": delta,
        "r": r,
        "phase": phase,
        "elongation": elongation,
        "mag": np.atleast_1d(magnitude(orbit, r, delta, phase)[0]).astype(float) * np.ones(len(t_d)),
        "rate": np.degrees(np.linalg.norm(across, axis=1)) * 3600 / 24,
        "motion_pa": np.degrees(np.arctan2(ra_rate, dec_rate)) % 360,
    }


def _angle(a, b):
    return np.degrees(2 * np.arctan2(np.linalg.norm(a - b, axis=1), np.linalg.norm(a + b, axis=1)))

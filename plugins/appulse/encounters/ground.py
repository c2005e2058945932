"""Approaches as seen from the ground: the Earth's turning shifts a near body by its parallax."""

from __future__ import annotations

import numpy as np
from astropy.time import Time

from appulse.constants import J2000_JD


def utc(t_d):
    """Time (UTC) of TDB days from J2000.0.

    Examples
    --------
    >>> utc(0.0).isot
    '2000-01-01T11:58:55.816'
    """
    return Time(J2000_JD, t_d, format="jd", scale="tdb").utc


def refine_on_ground(path, unit, t_d, observer):
    """Least separation as seen from a site, within a day of the geocentric one.

    The Earth's turning shifts the body by its parallax; three nested grids of 49 instants end at 2 s, and a
    parabola through the lowest three gives the rest.

    Parameters
    ----------
    path : callable
        Geocentric vector, (k, 3) au, at TDB days from J2000.0.
    unit : (3,) array
        Direction of the object.
    t_d : float
        Of the geocentric approach.
    observer : Site

    Returns
    -------
    t_d, separation_rad : float
    """
    half = 1.0
    for _ in range(3):
        times = t_d + np.linspace(-half, half, 49)
        separation = separations(path, unit, times, observer)
        t_d, half = times[int(np.argmin(separation))], half / 20
    times = t_d + np.array([-1.0, 0.0, 1.0]) * half
    low, mid, high = separations(path, unit, times, observer) ** 2
    bend = low - 2 * mid + high
    t_d = t_d + (0.5 * half * (low - high) / bend if bend > 0 else 0.0)
    return t_d, float(separations(path, unit, np.array([t_d]), observer)[0])


def separations(path, unit, t_d, observer):
    """Angle between body and object as the observer sees it, (k,) radians; parameters as above."""
    vector = path(t_d) - place_au(observer, t_d)
    vector /= np.linalg.norm(vector, axis=1, keepdims=True)
    return 2 * np.arcsin(np.linalg.norm(vector - unit, axis=1) / 2)


def place_au(observer, t_d):
    """Geocentric place of the observer, (k, 3) au; no times are converted for the geocentre itself."""
    if getattr(observer, "is_geocentre", False):
        return np.zeros((len(t_d), 3))
    return observer.posvel_au(utc(t_d))[0]

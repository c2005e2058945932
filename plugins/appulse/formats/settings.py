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

import os
import sys
import zoneinfo
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import shapely

from appulse.errors import AppulseError, InputError, SiteError
from appulse.formats.yamlfile import Fields, Problems, load_yaml, short
from appulse.observers import Site


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


# Largest value of a number that must be above 0, and of one that may be 0.
_ABOVE_ZERO = {
    "aperture_mm": 50_000, "focal_length_mm": 500_000, "pixel_um": 1000, "efficiency": 1, "band_nm": 1000,
    "gain_e_adu": 10_000, "full_well_e": 1e9, "tracking_limit_s": 86_400,
}  # fmt: skip
_FROM_ZERO = {"obstruction": 0.9, "read_noise_e": 10_000, "dark_e_s": 100_000, "overhead_s": 3600}
_NEEDED = ("name", "aperture_mm", "focal_length_mm", "pixel_um", "sensor_px")


def read_instrument(fields):
    """An instrument out of `Fields`, or None; problems are noted there."""
    default = InstrumentSettings
    values = {
        "name": fields.text("name", required=True),
        "sensor_px": fields.numbers("sensor_px", length=2, minimum=1, maximum=100_000),
        "bits": int(fields.number("bits", default.bits, minimum=8, maximum=32, whole=True)),
        "mount": fields.text("mount", default.mount, choices=("equatorial", "altazimuth")),
        "rotation_deg": fields.number("rotation_deg", None, minimum=-360, maximum=360),
    }
    for name, most in _ABOVE_ZERO.items():
        # What must be given has no default.
        usual, needed = getattr(default, name, None), name in _NEEDED
        values[name] = fields.number(name, usual, required=needed, above=0, maximum=most)
    for name, most in _FROM_ZERO.items():
        values[name] = fields.number(name, getattr(default, name), minimum=0, maximum=most)
    fields.done()
    if values["sensor_px"] is None and "sensor_px" not in fields.mapping:
        fields.problem(None, "'sensor_px' is missing: [width, height] in pixels")
    if any(values[key] is None for key in _NEEDED):
        return None
    values["sensor_px"] = tuple(int(v) for v in values["sensor_px"])
    return InstrumentSettings(**values)


# Common practice, no source: at a temperate maritime site about one night in seven is clear.
CLEAR_NIGHT_SHARE = 1 / 7

# Source of a place whose coordinates are for computing with, not for showing.
PRIVATE_SOURCE = "settings file, private"

# Degrees of a private site that may be shown: about a kilometre, 0.0007 arcsec of parallax at 2 au.
PRIVATE_DECIMALS = 2


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

    @property
    def shown(self):
        """The same site, its place as coarse as it may be shown.

        Whatever is computed from it tells no more of a private place than about a kilometre; a curve of
        altitudes computed from the very place would give it away to anybody who fits it. Places that are
        public (an MPC code, ``private: false``) stay as they are.

        Examples
        --------
        >>> home = SiteSettings("home", Site.from_geodetic(7.654321, 53.123456, 17.0))
        >>> [round(v, 4) for v in home.shown.place.geodetic]
        [7.65, 53.12, 0.0]
        """
        if not self.private or self.place.code is not None:
            return self
        lon, lat, height = self.place.geodetic
        coarse = round(lon, PRIVATE_DECIMALS), round(lat, PRIVATE_DECIMALS), round(height, -2)
        return replace(self, place=Site.from_geodetic(*coarse, name=self.name, source=self.place.source))

    @property
    def named_place(self):
        """The very place under the site's name; a private one says so in its source."""
        if self.place.code is not None:
            return self.place
        return replace(self.place, name=self.name, source=PRIVATE_SOURCE if self.private else "settings file")


def window_shape(corners):
    """A window of the sky as a polygon in azimuth and altitude.

    Parameters
    ----------
    corners : sequence of (azimuth, altitude)
        Degrees, at least three, in order around the window; from one to the next the shorter way around is
        meant, so that a window across north may be given as 350, 10 or as 350, 370.

    Returns
    -------
    shapely.Polygon
        Azimuths run on without a jump, so that they may lie below 0 or above 360.

    Raises
    ------
    InputError
        The window's rim crosses itself or encloses nothing.

    Examples
    --------
    >>> window_shape([(340, 0), (20, 0), (20, 60), (340, 60)]).bounds
    (340.0, 0.0, 380.0, 60.0)
    """
    az, alt = np.array(corners, dtype=float).T
    az = np.unwrap(az, period=360.0)
    window = shapely.Polygon(np.column_stack([az, alt]))
    if not window.is_valid or window.area == 0:
        raise InputError(
            f"sky window {list(map(tuple, corners))} crosses itself or encloses nothing; give its corners "
            "(azimuth, altitude) in order around it, neighbours less than 180 degrees of azimuth apart"
        )
    return window


_SITE_LIMITS = {
    "lowest": (-5, 89), "twilight": (-18, 0), "moon_separation": (0, 180), "moon_illumination": (0, 1),
    "dark_zenith": (15, 22.5), "extinction": (0, 2),
}  # fmt: skip


def read_site(fields):
    """A site out of `Fields`, or None; problems are noted there."""
    default = SiteSettings
    name = fields.text("name", required=True)
    place = _place(fields, name)
    site = {
        "time_zone": _time_zone(fields),
        "horizon": _corners(fields, "horizon", 2) or (),
        "window": _corners(fields, "window", 3),
        "clear_nights": _clear_nights(fields),
        "seeing": fields.number("seeing", default.seeing, above=0, maximum=30),
        "private": fields.flag("private", default.private),
    }
    for key, (least, most) in _SITE_LIMITS.items():
        site[key] = fields.number(key, getattr(default, key), minimum=least, maximum=most)
    _check_limits(fields, site)
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
        return fields.problem("place", f"'place' is {short(raw)}: {error}")
    if place.is_geocentre:
        return fields.problem("place", "'place' cannot be the geocentre: nobody observes from there")
    return place if place.code is not None else replace(place, name=name or "", source="settings")


def _time_zone(fields):
    name = fields.text("time_zone", SiteSettings.time_zone)
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        words = f"time zone {name!r} is not known; an IANA name such as UTC is wanted"
        return fields.problem("time_zone", words, SiteSettings.time_zone)
    return name


def _corners(fields, key, least):
    raw = fields.raw(key)
    if raw is None:
        return None
    if not isinstance(raw, list) or len(raw) < least:
        needed = f"at least {least} pairs [azimuth, altitude] in degrees"
        return fields.problem(key, f"'{key}' must be {needed}, got {short(raw)}")
    for number, corner in enumerate(raw):
        if not _is_pair(corner):
            text = "is not a pair [azimuth, altitude] in degrees"
        elif not (-360 <= corner[0] <= 720 and -5 <= corner[1] <= 90):
            text = "is out of range: azimuths run from north through east, -360 to 720, altitudes -5 to 90"
        else:
            continue
        line = fields.line_of_item(key, number)
        return fields.problems.add(line, f"{fields.where}: '{key}': {short(corner)} {text}")
    return tuple((float(az), float(alt)) for az, alt in raw)


def _is_pair(corner):
    numbers = isinstance(corner, list) and len(corner) == 2
    return numbers and all(isinstance(v, int | float) and not isinstance(v, bool) for v in corner)


def _check_limits(fields, site):
    """Limits that cannot both hold: a site from which nothing can be seen is a mistake."""
    lowest, horizon = site["lowest"], site["horizon"]
    if horizon and min(alt for _, alt in horizon) >= 90:
        fields.problem("horizon", "'horizon' reaches the zenith all around and leaves no sky")
    if site["window"] is None:
        return
    try:
        *_, top = window_shape(site["window"]).bounds
    except InputError as error:
        fields.problem("window", f"'window': {error}")
        return
    floor = max([lowest, min((alt for _, alt in horizon), default=lowest)])
    if top <= floor:
        fields.problem(
            "window",
            f"'window' ends at altitude {top:g}, but nothing below {floor:g} is of use ('lowest' {lowest:g}"
            f"{', lowest point of the horizon' if floor > lowest else ''}): nothing can be seen",
        )


def _clear_nights(fields):
    raw = fields.raw("clear_nights")
    if isinstance(raw, list):
        months = fields.numbers("clear_nights", length=12, minimum=0, maximum=1)
        return tuple(months) if months else SiteSettings.clear_nights
    return (fields.number("clear_nights", CLEAR_NIGHT_SHARE, minimum=0, maximum=1),) * 12


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
        return next((instrument for instrument in self.instruments if instrument.name == name), None)


def settings_path():
    """Where the settings file is looked for: ``APPULSE_SETTINGS``, else the user's configuration folder."""
    if os.environ.get("APPULSE_SETTINGS"):
        return Path(os.environ["APPULSE_SETTINGS"])
    if sys.platform == "win32":
        base = Path(os.environ.get("APPDATA") or Path.home())
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config")
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


def site_of(text, more=()):
    """The place that ``--site`` means.

    Parameters
    ----------
    text : str
        A name of the settings file (or of `more`), an MPC code, ``LON,LAT,HEIGHT`` or ``geocentre``. A name
        that the user has given wins over a code of the same letters.
    more : sequence of SiteSettings
        Sites that are known besides: those of a campaign. They win over the settings file.

    Returns
    -------
    Site

    Raises
    ------
    SiteError
        None of these; the known names are listed.
    InputError
        The settings file cannot be used.

    Examples
    --------
    >>> [round(v, 1) for v in site_of("20.5,-23,1250").geodetic]
    [20.5, -23.0, 1250.0]
    """
    words = str(text).strip()
    if "," in words:
        return Site.parse(words)  # nobody needs a readable settings file to give coordinates
    known = {site.name: site for site in (*read_settings().sites, *more)}
    match = named(known, words)
    if match is not None:
        return match.named_place
    try:
        return Site.parse(words)
    except SiteError as error:
        names = ", ".join(known)
        where = f"the settings file ({settings_path()})"
        told = f"sites known by name: {names}" if names else f"no site has a name in {where}"
        raise SiteError(f"{error}; {told}") from None


def named(known, name):
    """The entry of that name, capitals or not; None where there is none."""
    if name in known:
        return known[name]
    return next((entry for key, entry in known.items() if key.lower() == name.lower()), None)


def read_sites(top):
    """Sites listed under ``sites`` of a Fields; problems are noted there."""
    return _named(top, "sites", read_site)


def read_instruments(top):
    """Instruments listed under ``instruments`` of a Fields; problems are noted there."""
    return _named(top, "instruments", read_instrument)


def _named(top, key, read_one):
    found = {}
    for fields in top.sections(key):
        entry = read_one(fields)
        if entry is None:
            continue
        if entry.name in found:
            fields.problem("name", f"two {key} are called '{entry.name}'; names must differ")
        found[entry.name] = entry
    return tuple(found.values())

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
from dataclasses import dataclass
from pathlib import Path

from appulse.errors import SiteError
from appulse.formats.instrument_settings import InstrumentSettings, read_instrument
from appulse.formats.site_settings import SiteSettings, read_site
from appulse.formats.yamlfile import Fields, Problems, load_yaml
from appulse.observers.site import Site

__all__ = (
    "InstrumentSettings", "Settings", "SiteSettings", "named", "read_instruments", "read_settings",
    "read_sites", "settings_path", "site_of",
)  # fmt: skip


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
    >>> site_of("X05").code
    'X05'
    """
    words = str(text).strip()
    if words.count(",") == 2:
        return Site.parse(words)  # nobody needs a readable settings file to give coordinates
    known = {one.name: one for one in (*read_settings().sites, *more)}
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
    """The entry of that name, capitals or not; None where there is none.

    Examples
    --------
    >>> named({"Home": 1, "home": 2}, "home"), named({"Home": 1}, "HOME"), named({}, "home")
    (2, 1, None)
    """
    if name in known:
        return known[name]
    return next((one for key, one in known.items() if key.lower() == name.lower()), None)


def read_sites(top):
    """Sites listed under ``sites`` of a Fields; problems are noted there."""
    return _named(top, "sites", read_site)


def read_instruments(top):
    """Instruments listed under ``instruments`` of a Fields; problems are noted there."""
    return _named(top, "instruments", read_instrument)


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

"""What the user says about frames and sources, applied to what is loaded and kept in the settings file."""

import shutil
from dataclasses import dataclass
from pathlib import Path

import yaml

from glue_appulse.frames import replace_frame
from glue_appulse.settings_text import with_content

UNKNOWN = "not known"


@dataclass(frozen=True)
class Given:
    """What the user says; None leaves the header's word.

    Parameters
    ----------
    site : str or None
        MPC code, ``LON,LAT,HEIGHT``, or the name of a site of the settings file.
    time : str or None
        UTC, ISO.
    time_is : str or None
        start, mid or end.
    exposure_s, gain_e_adu, read_noise_e, saturation_adu : float or None
    """

    site: str | None = None
    time: str | None = None
    time_is: str | None = None
    exposure_s: float | None = None
    gain_e_adu: float | None = None
    read_noise_e: float | None = None
    saturation_adu: float | None = None

    def options(self):
        """Keywords of :func:`appulse.frames.reading.read_frame`.

        Returns
        -------
        dict
        """
        from appulse.formats.settings import read_settings
        from appulse.observers.site import Site

        given = {name: value for name, value in vars(self).items() if value is not None}
        if self.site is not None:
            known = read_settings().site(self.site)
            given["site"] = known.place if known is not None else Site.parse(self.site)
        return given


def apply(frames, given):
    """Read frames again with what the user says.

    Parameters
    ----------
    frames : list of glue.core.data.Data
    given : Given

    Returns
    -------
    list of str
        A line for every frame whose file is not at hand.

    Raises
    ------
    appulse.errors.AppulseError
        What was said cannot be understood, or contradicts a header.
    """
    from appulse.frames.reading import read_frame

    options, lines = given.options(), []
    for data in frames:
        path = Path(data.meta.get("path") or "")
        if not path.is_file():
            lines.append(f"{data.label} keeps what it had: its file is not at {path.parent}")
            continue
        replace_frame(data, read_frame(path, require=("wcs",), **options))
    return lines


def told_by(frame):
    """What is known about a frame and where each value comes from.

    Parameters
    ----------
    frame : appulse.frames.frame.SolvedFrame

    Returns
    -------
    dict of str to (str, str)
        Value and source, in words.
    """
    exposure, observer, camera = frame.exposure, frame.observer, frame.camera
    told = {
        "site": (UNKNOWN, "")
        if observer is None
        else (str(observer.name or observer.code), _source(observer)),
        "time": (UNKNOWN, "") if exposure is None else (exposure.mid.utc.isot, exposure.derivation),
        "exposure_s": (UNKNOWN, "") if exposure is None else (f"{exposure.seconds:g}", "with the time"),
    }
    for name in ("gain_e_adu", "read_noise_e", "saturation_adu"):
        value = getattr(camera, name)
        told[name] = (UNKNOWN, "") if value is None else (f"{value.value:g}", value.source)
    return told


def _source(observer):
    return str(getattr(observer, "source", "") or "the frame")


def source_words(path, what):
    """An orbit or star source in words, with its age.

    Parameters
    ----------
    path : str or None
    what : str
        orbits or stars.

    Returns
    -------
    str
    """
    from glue_appulse import sources

    if what == "stars":
        return "bundled bright stars" if not path else str(path)
    source = sources.open_orbits(path)
    if source.catalogue is None:
        return f"{source.label}: places of {len(source.names)} bodies"
    epochs = source.catalogue.epoch_jd_tdb
    dated = f", of {source.date}" if source.date else ""
    span = f"epochs JD {epochs.min():.1f} to {epochs.max():.1f}"
    return f"{source.label}: orbits: {len(source.catalogue)}{dated}, {span}"


def _with_entry(entries, given):
    """Entries of a list with one changed, or added at its end."""
    changed = [{**one, **given} if one.get("name") == given["name"] else one for one in entries]
    return changed if any(one.get("name") == given["name"] for one in entries) else [*entries, given]


def keep(*, site=None, site_name=None, orbits=None, stars=None, instrument=None):
    """Write into the settings file; what it held before stays, its earlier state beside it as ``.bak``.

    Comments stay too, but for those within an entry that is replaced.

    Parameters
    ----------
    site : str or None
        ``LON,LAT,HEIGHT`` or an MPC code.
    site_name : str or None
        What the site is called; needed with ``site``.
    orbits, stars : str or None
        Paths, put first in their lists.
    instrument : dict or None
        Keys of an instrument of the settings file, with its name; others of that entry stay.

    Returns
    -------
    pathlib.Path

    Raises
    ------
    appulse.errors.AppulseError
        The result could not be read back; the file is left as it was.
    """
    from appulse.formats.output import write_text
    from appulse.formats.settings import read_settings, settings_path
    from appulse.observers.site import Site

    path = settings_path()
    before = path.read_text(encoding="utf-8") if path.exists() else ""
    content = yaml.safe_load(before) or {}
    if site is not None:
        place = Site.parse(site)
        entry = place.code or [round(float(v), 7) for v in place.geodetic]
        name = site_name or place.name or site
        content["sites"] = _with_entry(content.get("sites", []), {"name": name, "place": entry})
    if instrument is not None:
        content["instruments"] = _with_entry(content.get("instruments", []), instrument)
    for key, value in (("orbits", orbits), ("stars", stars)):
        if value is not None:
            rest = [one for one in content.get(key, []) if one != str(value)]
            content[key] = [str(value), *rest]
    path.parent.mkdir(parents=True, exist_ok=True)
    text = with_content(before, content)
    trial = path.with_name(path.name + ".new")
    try:
        read_settings(write_text(trial, text, True))
    finally:
        trial.unlink(missing_ok=True)
    if path.exists():
        shutil.copy2(path, path.with_name(path.name + ".bak"))
    return write_text(path, text, True)

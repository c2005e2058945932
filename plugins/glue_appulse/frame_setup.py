"""What the user says of frames, sources and instruments: applied to what is loaded, kept in the settings."""

import re
import shutil
from dataclasses import MISSING, dataclass, fields
from pathlib import Path

import yaml

from glue_appulse.data.solved_frames import replace_frame

# --- the settings file: changed so that its comments and all that is not touched stay as they are

LIST_ITEM = re.compile(r"( *)- ")


def _dump(value):
    return yaml.safe_dump(value, sort_keys=False, allow_unicode=True)


def _block(lines, key):
    """First line and end of the lines of a top-level key; None where it is not there."""
    start = next((i for i, line in enumerate(lines) if re.match(rf"{re.escape(key)}\s*:", line)), None)
    if start is None:
        return None
    end = start + 1
    while end < len(lines) and (lines[end][:1] in (" ", "-", "") or lines[end].startswith("#")):
        end += 1
    while end > start + 1 and (not lines[end - 1].strip() or lines[end - 1].startswith("#")):
        end -= 1  # what stands before the next key belongs to that one
    return start, end


def _item_ranges(lines, start, end):
    """Line ranges of the items of a list in block style, and their indent; None for any other style."""
    marks = [(i, LIST_ITEM.match(lines[i])) for i in range(start + 1, end)]
    found = [(i, len(match[1])) for i, match in marks if match]
    if not found:
        return None
    indent = min(depth for _i, depth in found)
    starts = [i for i, depth in found if depth == indent]
    return list(zip(starts, [*starts[1:], end], strict=True)), " " * indent


def _written(item, indent):
    return [indent + line for line in _dump([item]).splitlines()]


def _with_list(lines, key, old, new):
    """Lines with another list under a key, item by item; None where that cannot be done."""
    place = _block(lines, key)
    parts = _item_ranges(lines, *place) if place else None
    if parts is None or len(parts[0]) != len(old):
        return None
    ranges, indent = parts
    kept = {i: lines[a:b] for i, (a, b) in enumerate(ranges)}
    names = [item.get("name") if isinstance(item, dict) else item for item in old]
    body = []
    for item in new:
        name = item.get("name") if isinstance(item, dict) else item
        if item in old:
            body += kept[old.index(item)]
        elif name in names:
            body += [*_written(item, indent), *_comments_of(kept[names.index(name)])]
        else:
            body += _written(item, indent)
    return [*lines[: ranges[0][0]], *body, *lines[place[1] :]]


def _comments_of(lines):
    return [line for line in lines if line.lstrip().startswith("#")]


def with_content(text: str, content: dict) -> str:
    """A YAML text that holds other content, with as little of it rewritten as can be."""
    # Key by key, so that a line nobody has changed is not written anew, with its comment and its quotes.
    old, lines = yaml.safe_load(text) or {}, text.splitlines()
    for key, value in content.items():
        if old.get(key) == value:
            continue
        listed = isinstance(value, list) and isinstance(old.get(key), list)
        changed = _with_list(lines, key, old[key], value) if listed else None
        if changed is None:
            place = _block(lines, key) or (len(lines), len(lines))
            changed = [*lines[: place[0]], *_dump({key: value}).splitlines(), *lines[place[1] :]]
        lines = changed
    made = "\n".join(lines) + "\n"
    try:
        same = yaml.safe_load(made) == content
    except yaml.YAMLError:
        same = False
    return made if same else _dump(content)


# --- instruments of the settings file, each value with where it comes from

#: Key of the settings file, words with unit, header keywords that hold it.
INSTRUMENT_FIELDS = (
    ("aperture_mm", "aperture (mm)", ("APTDIA", "APERTURE")),
    ("focal_length_mm", "focal length (mm)", ("FOCALLEN",)),
    ("pixel_um", "pixel (µm)", ("XPIXSZ", "PIXSIZE1")),
    ("sensor_px", "sensor (pixels)", ()),
    ("gain_e_adu", "gain (e⁻/ADU)", ("EGAIN",)),
    ("read_noise_e", "read noise (e⁻)", ("RDNOISE", "READNOIS")),
    ("dark_e_s", "dark current (e⁻/s)", ()),
    ("full_well_e", "full well (e⁻)", ()),
)
FROM_FILE, FROM_DEFAULT, UNKNOWN = "settings file", "default", "not known"


def instrument_entries() -> dict[str, dict]:
    """Instruments of the settings file as they are written there."""
    import yaml

    from appulse.errors import AppulseError
    from appulse.formats import read_settings, settings_path

    path = settings_path()
    try:
        known = [instrument.name for instrument in read_settings().instruments]
    except AppulseError:
        return {}
    raw = (yaml.safe_load(path.read_text(encoding="utf-8")) or {}) if path.exists() else {}
    return {entry["name"]: entry for entry in raw.get("instruments", []) if entry.get("name") in known}


def instrument_values(entry: dict, frame=None) -> dict[str, tuple[str, str]]:
    """Values of an instrument, each with its source: the settings file, a frame's header, or the default."""
    from appulse.formats import InstrumentSettings

    defaults = {field.name: field.default for field in fields(InstrumentSettings)}
    found = {}
    for name, _words, keywords in INSTRUMENT_FIELDS:
        value = entry.get(name)
        if value is not None:
            found[name] = _text(value), FROM_FILE
            continue
        value, keyword = _of_header(frame, name, keywords)
        if value is not None:
            found[name] = _text(value), f"header, {keyword}"
        elif defaults[name] is not MISSING:
            found[name] = _text(defaults[name]), FROM_DEFAULT
        else:
            found[name] = "", UNKNOWN
    return found


def _of_header(frame, name, keywords):
    if frame is None:
        return None, ""
    if name == "sensor_px":
        return list(frame.shape[::-1]), "size of the image"
    for keyword in keywords:
        value = frame.header.get(keyword)
        if isinstance(value, int | float) and value > 0:
            return float(value), keyword
    return None, ""


def _text(value):
    return " x ".join(f"{v:g}" for v in value) if isinstance(value, list | tuple) else f"{value:g}"


def read_field(name: str, text: str):
    """A value out of what the user wrote."""
    words = {key: label for key, label, _keywords in INSTRUMENT_FIELDS}[name]
    text = text.strip()
    if not text:
        return None
    try:
        if name != "sensor_px":
            return float(text)
        width, height = (int(part) for part in text.lower().replace("×", "x").split("x"))
    except ValueError:
        wanted = "width x height, such as 1600 x 1200" if name == "sensor_px" else "digits with a point"
        raise ValueError(f"{words}: '{text}' cannot be read; write {wanted}, or leave it empty") from None
    return [width, height]


def camera_of(entry: dict) -> dict[str, float]:
    """What an instrument says about a frame's camera."""
    camera = {name: float(entry[name]) for name in ("gain_e_adu", "read_noise_e") if name in entry}
    if "full_well_e" in entry and "gain_e_adu" in entry:
        # The well may hold more than the converter can count: the lesser of both saturates.
        top = 2.0 ** int(entry.get("bits", 16)) - 1
        camera["saturation_adu"] = min(float(entry["full_well_e"]) / float(entry["gain_e_adu"]), top)
    return camera


UNKNOWN = "not known"


@dataclass(frozen=True)
class Given:
    """What the user says; None leaves the header's word."""

    #: MPC code, ``LON,LAT,HEIGHT``, or the name of a site of the settings file.
    site: str | None = None
    #: UTC, ISO.
    time: str | None = None
    #: start, mid or end.
    time_is: str | None = None
    exposure_s: float | None = None
    gain_e_adu: float | None = None
    read_noise_e: float | None = None
    saturation_adu: float | None = None

    def options(self) -> dict:
        """Keywords of :func:`appulse.frames.reading.read_frame`."""
        from appulse.formats import read_settings
        from appulse.observers import Site

        given = {name: value for name, value in vars(self).items() if value is not None}
        if self.site is not None:
            known = read_settings().site(self.site)
            given["site"] = known.place if known is not None else Site.parse(self.site)
        return given


def apply(frames: list, given: Given) -> list[str]:
    """Read frames again with what the user says."""
    from appulse.frames import read_frame

    options, lines = given.options(), []
    for data in frames:
        path = Path(data.meta.get("path") or "")
        if not path.is_file():
            lines.append(f"{data.label} keeps what it had: its file is not at {path.parent}")
            continue
        replace_frame(data, read_frame(path, require=("wcs",), **options))
    return lines


def frame_values(frame) -> dict[str, tuple[str, str]]:
    """What is known about a frame and where each value comes from."""
    exposure, observer, camera = frame.exposure, frame.observer, frame.camera
    values = {
        "site": (UNKNOWN, "")
        if observer is None
        else (str(observer.name or observer.code), _source(observer)),
        "time": (UNKNOWN, "") if exposure is None else (exposure.mid.utc.isot, exposure.derivation),
        "exposure_s": (UNKNOWN, "") if exposure is None else (f"{exposure.seconds:g}", "with the time"),
    }
    for name in ("gain_e_adu", "read_noise_e", "saturation_adu"):
        value = getattr(camera, name)
        values[name] = (UNKNOWN, "") if value is None else (f"{value.value:g}", value.source)
    return values


def _source(observer):
    return str(getattr(observer, "source", "") or "the frame")


def source_words(path: str | None, what: str) -> str:
    """An orbit or star source in words, with its age."""
    from glue_appulse import inputs

    if what == "stars":
        return "bundled bright stars" if not path else str(path)
    source = inputs.open_orbits(path)
    if source.catalogue is None:
        return f"{source.label}: places of {len(source.ephemeris.designations)} bodies"
    epochs = source.catalogue.epoch_jd_tdb
    date = source.catalogue.source_date
    dated = f", of {date}" if date else ""
    span = f"epochs JD {epochs.min():.1f} to {epochs.max():.1f}"
    return f"{source.label}: orbits: {len(source.catalogue)}{dated}, {span}"


def _with_entry(entries, given):
    """Entries of a list with one changed, or added at its end."""
    changed = [{**entry, **given} if entry.get("name") == given["name"] else entry for entry in entries]
    return changed if any(entry.get("name") == given["name"] for entry in entries) else [*entries, given]


def keep_in_settings(*, site=None, site_name=None, orbits=None, stars=None, instrument=None):
    """Write into the settings file; what it held before stays, its earlier state beside it as ``.bak``."""
    # Comments stay too, but for those within an entry that is replaced.
    from appulse.formats import read_settings, settings_path, write_text
    from appulse.observers import Site

    path = settings_path()
    before = path.read_text(encoding="utf-8") if path.exists() else ""
    content = yaml.safe_load(before) or {}
    if site is not None:
        place = Site.parse(site)
        # seven decimals of a degree are a centimetre: all that anybody can have measured
        entry = place.code or [round(float(v), 7) for v in place.geodetic]
        name = site_name or place.name or site
        content["sites"] = _with_entry(content.get("sites", []), {"name": name, "place": entry})
    if instrument is not None:
        content["instruments"] = _with_entry(content.get("instruments", []), instrument)
    for key, value in (("orbits", orbits), ("stars", stars)):
        if value is not None:
            rest = [path for path in content.get(key, []) if path != str(value)]
            content[key] = [str(value), *rest]
    path.parent.mkdir(parents=True, exist_ok=True)
    text = with_content(before, content)
    # Read back under another name first: a file that cannot be read would take every setting away.
    trial = path.with_name(path.name + ".new")
    try:
        read_settings(write_text(trial, text, True))
    finally:
        trial.unlink(missing_ok=True)
    if path.exists():
        shutil.copy2(path, path.with_name(path.name + ".bak"))
    return write_text(path, text, True)

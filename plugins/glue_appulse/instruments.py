"""Instruments of the settings file as the set-up panel shows them: each value with where it comes from."""

from dataclasses import MISSING, fields

#: Key of the settings file, words with unit, header keywords that tell it.
FIELDS = (
    ("aperture_mm", "aperture (mm)", ("APTDIA", "APERTURE")),
    ("focal_length_mm", "focal length (mm)", ("FOCALLEN",)),
    ("pixel_um", "pixel (µm)", ("XPIXSZ", "PIXSIZE1")),
    ("sensor_px", "sensor (pixels)", ()),
    ("gain_e_adu", "gain (e⁻/ADU)", ("EGAIN",)),
    ("read_noise_e", "read noise (e⁻)", ("RDNOISE", "READNOIS")),
    ("dark_e_s", "dark current (e⁻/s)", ()),
    ("full_well_e", "full well (e⁻)", ()),
)
FILE, DEFAULT, UNKNOWN = "settings file", "default", "not known"


def entries():
    """Instruments of the settings file as they are written there.

    Returns
    -------
    dict of str to dict
        By name; empty where there is no file or it cannot be used.
    """
    import yaml

    from appulse.errors import AppulseError
    from appulse.formats.settings import read_settings, settings_path

    path = settings_path()
    try:
        known = [one.name for one in read_settings().instruments]
    except AppulseError:
        return {}
    raw = (yaml.safe_load(path.read_text(encoding="utf-8")) or {}) if path.exists() else {}
    return {one["name"]: one for one in raw.get("instruments", []) if one.get("name") in known}


def told(entry, frame=None):
    """Values of an instrument and where each comes from: the settings file, a frame's header, or the default.

    Parameters
    ----------
    entry : dict
        As :func:`entries` gives it; empty for a new instrument.
    frame : appulse.frames.frame.SolvedFrame or None
        Of which the header is asked.

    Returns
    -------
    dict of str to (str, str)
        Value and source in words; empty value where it is not known.
    """
    from appulse.formats.settings import InstrumentSettings

    defaults = {one.name: one.default for one in fields(InstrumentSettings)}
    found = {}
    for name, _words, keywords in FIELDS:
        value = entry.get(name)
        if value is not None:
            found[name] = _text(value), FILE
            continue
        value, keyword = _of_header(frame, name, keywords)
        if value is not None:
            found[name] = _text(value), f"header, {keyword}"
        elif defaults[name] is not MISSING:
            found[name] = _text(defaults[name]), DEFAULT
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


def read_field(name, text):
    """A value out of what the user wrote.

    Parameters
    ----------
    name : str
        Of :data:`FIELDS`.
    text : str

    Returns
    -------
    float, list of int or None
        None where nothing is written.

    Raises
    ------
    ValueError
        It is no number, or no pair of them.

    Examples
    --------
    >>> read_field("sensor_px", "1600 x 1200"), read_field("aperture_mm", "70"), read_field("pixel_um", "")
    ([1600, 1200], 70.0, None)
    """
    words = {key: label for key, label, _keywords in FIELDS}[name]
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


def camera_of(entry):
    """What an instrument says about a frame's camera.

    Parameters
    ----------
    entry : dict

    Returns
    -------
    dict of str to float
        gain_e_adu, read_noise_e, saturation_adu, as far as the settings file tells them itself.
    """
    camera = {name: float(entry[name]) for name in ("gain_e_adu", "read_noise_e") if name in entry}
    if "full_well_e" in entry and "gain_e_adu" in entry:
        top = 2.0 ** int(entry.get("bits", 16)) - 1
        camera["saturation_adu"] = min(float(entry["full_well_e"]) / float(entry["gain_e_adu"]), top)
    return camera

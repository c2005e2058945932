"""Facts of the frames: when, where from, how long, with what."""

from appulse.captions.facts import EXACT, Fact
from appulse.captions.words import degrees_words
from appulse.errors import InputError

HEADERS = "the frames' headers"


def frame_facts(frames, *, place=None, exact_place=False, equipment=None) -> list:
    """When, where from, with what.

    Parameters
    ----------
    frames : list of SolvedFrame
        With times.
    place : str, optional
        In the user's own words.
    exact_place : bool
        The site may be named to a hundredth of a degree; else whole degrees.
    equipment : str, optional

    Returns
    -------
    list of Fact

    Raises
    ------
    InputError
        Without frames.
    """
    if not frames:
        raise InputError("no frame: a caption needs at least one")
    starts = min(frame.exposure.start.utc.isot for frame in frames)
    ends = max(frame.exposure.end.utc.isot for frame in frames)
    days = starts[:10] if starts[:10] == ends[:10] else f"{starts[:10]} to {ends[:10]}"
    seconds = sum(frame.exposure.seconds for frame in frames)
    subs = sum(frame.exposure.n_sub for frame in frames)
    how = frames[0].exposure.derivation or "header"
    count = "1 frame" if len(frames) == 1 else f"{len(frames)} frames"
    facts = [
        Fact(
            "date", days, "", "first opening to last closing of the shutter", HEADERS, inputs={"times": how}
        ),
        Fact("begin", starts[:16].replace("T", " ") + " UTC", "", "first opening of the shutter", HEADERS),
        Fact("end", ends[:16].replace("T", " ") + " UTC", "", "last closing of the shutter", HEADERS),
        Fact("frames", count, "", "count", HEADERS, inputs={"frames": [f.name for f in frames]},
             uncertainty=EXACT),
        Fact("exposure", float(seconds), "s", "sum of the exposures", HEADERS, inputs={"exposures": subs},
             uncertainty="that of the headers"),
    ]
    facts += _place_facts(frames[0].observer, place, exact_place)
    return facts + _equipment_facts(frames[0].header, equipment)


def _place_facts(observer, place, exact):
    if place:
        return [Fact("place", place, "", "as given", "the observer")]
    if getattr(observer, "code", None):
        words = f"{observer.name} (MPC {observer.code})" if observer.name else f"MPC {observer.code}"
        return [Fact("place", words, "", "MPC observatory code", "Minor Planet Center, list of codes")]
    geodetic = getattr(observer, "geodetic", None)
    if geodetic is None:
        return []
    lon, lat, _ = geodetic
    if exact:
        words = f"{abs(lat):.2f}\u00b0 {'north' if lat >= 0 else 'south'}, {abs(lon):.2f}\u00b0 "
        words += "east" if lon >= 0 else "west"
    else:
        east = degrees_words(lon, "east", "west").removeprefix("about ")
        words = f"{degrees_words(lat, 'north', 'south')}, {east}"
    formula = "site of the frames" if exact else "site of the frames, rounded to whole degrees"
    return [Fact("place", words, "", formula, HEADERS)]


def _equipment_facts(header, equipment):
    if equipment:
        return [Fact("equipment", equipment, "", "as given", "the observer")]
    found = [
        str(header[name]).strip() for name in ("TELESCOP", "INSTRUME") if str(header.get(name, "")).strip()
    ]
    if not found:
        return []
    return [Fact("equipment", ", ".join(dict.fromkeys(found)), "", "TELESCOP, INSTRUME", HEADERS)]

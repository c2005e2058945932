"""Facts of a night's pictures: of the frames, of the body, of the object behind, and of both together."""

from dataclasses import replace

import numpy as np
from astropy.time import Time, TimeDelta

from appulse.captions.caption_text import degrees_text, share_text, size_comparison
from appulse.captions.formulas import (
    EXACT,
    LIGHT_YEAR_KM,
    UNSTATED,
    Fact,
    body_diameter,
    distance_from_redshift,
    light_time_s,
    object_size_ly,
    published_distance,
    relative_speed_km_s,
)
from appulse.catalogues import objects_near
from appulse.constants import AU_KM
from appulse.encounters import crosses, outline_shape, plane
from appulse.errors import AppulseError, InputError
from appulse.numerics import separation_rad, unit_from_radec
from appulse.observers import Site, quiet_erfa
from appulse.overlays import inside_words, plain_column

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
        east = degrees_text(lon, "east", "west").removeprefix("about ")
        words = f"{degrees_text(lat, 'north', 'south')}, {east}"
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


def check_in_view(frames, ephemeris, body, outline=None, *, name=None) -> None:
    """Refuse a caption about what the frames do not show.

    Parameters
    ----------
    frames : list of SolvedFrame
    ephemeris, body
        As for :func:`body_facts`.
    outline : Outline, optional
        The object that is to be named beside the body.
    name : str, optional
        What people call the body.

    Raises
    ------
    InputError
        If the body is predicted outside every frame, or no part of the object lies in one.
    """
    mids = Time([frame.exposure.mid.utc.isot for frame in frames], scale="utc")
    rows = ephemeris.at(mids, frames[0].observer, bodies=[body], uncertainty=False)
    ra, dec = plain_column(rows, "ra"), plain_column(rows, "dec")
    if not any(bool(frame.contains(ra[i], dec[i])) for i, frame in enumerate(frames)):
        away = frames[0].away_deg(ra[0], dec[0])
        raise InputError(
            f"{name or body} is in none of the {len(frames)} frames: at the time of {frames[0].name} it is "
            f"predicted {away:.1f} degrees from the centre; name the body that they show"
        )
    if outline is None or any(inside_words(frame, outline) is not None for frame in frames):
        return
    away = frames[0].away_deg(outline.ra, outline.dec)
    near = objects_near(*frames[0].centre, frames[0].radius_deg)[:4]
    there = f"; in the field: {', '.join(other.name for other in near)}" if near else ""
    raise InputError(
        f"{outline.name} is in none of the {len(frames)} frames: it lies {away:.1f} degrees from the centre "
        f"of {frames[0].name}{there}"
    )


def body_facts(frames, ephemeris, body, *, name=None, h=None, source="ephemeris of this run", **size) -> list:
    """The body that night.

    Parameters
    ----------
    frames : list of SolvedFrame
    ephemeris : NBodyEphemeris or alike
    body : str
    name : str, optional
        What people read.
    h : float, optional
        Absolute magnitude, for the size.
    source : str
        Of the orbit.
    **size
        `albedo, measured_km, measured_error_km, measured_source` of
        :func:`appulse.captions.formulas.body_diameter`.

    Returns
    -------
    list of Fact
    """
    # The middle frame stands for the night: its distance and brightness are those that a caption gives.
    mids = Time([frame.exposure.mid.utc.isot for frame in frames], scale="utc")
    middle = int(np.argsort(mids.jd)[len(mids) // 2])
    row = ephemeris.at(mids[[middle]], frames[0].observer, bodies=[body])
    names = ("delta", "r", "mag", "phase", "elongation", "rate")
    value = {column: plain_column(row, column)[0] for column in names}
    made = {"frame": frames[middle].name, "time": mids[middle].isot}
    orbit = orbit_error_text(plain_column(row, "sigma_major")[0])
    law = "that of H and of the law; not stated"
    rows = (
        ("body_distance_km", value["delta"] * AU_KM, "km", "topocentric distance x astronomical unit", orbit),
        ("body_distance_au", value["delta"], "au", "topocentric distance", orbit),
        ("sun_distance_au", value["r"], "au", "heliocentric distance", orbit),
        ("body_mag", value["mag"], "mag", "H,G or total-magnitude law", law),
        ("elongation", value["elongation"], "deg", "angle between body and Sun", orbit),
        ("motion_per_hour", value["rate"], "arcsec", "ephemeris rate, ICRF, per hour", orbit),
    )
    light_time = light_time_s(float(value["delta"]))
    return [
        Fact("body", name or body, "", "designation", source),
        # what is not a number is not a fact
        *(
            Fact(key, float(number), unit, formula, source, inputs=made, uncertainty=uncertainty)
            for key, number, unit, formula, uncertainty in rows
            if np.isfinite(number)
        ),
        replace(light_time, key="body_light_time", source=f"{light_time.source}; {source}"),
        *_motion_facts(frames, ephemeris, body, source),
        *_speed_fact(ephemeris, body, mids[middle], source),
        *_size_fact(h, size),
    ]


def _size_fact(h, size):
    # Without H and without a measurement no size is printed; a wrong measurement is a mistake to report.
    if (h is None or not np.isfinite(h)) and not any(size.values()):
        return []
    return [body_diameter(h, **size)]


def orbit_error_text(sigma_arcsec) -> str:
    """What is known of the error of a figure that rests on the orbit."""
    if not np.isfinite(sigma_arcsec):
        return "that of the orbit, which has no covariance"
    return f"that of the orbit: on the sky {sigma_arcsec:.2g}\u2033 (1 sigma)"


def span(frames):
    """First opening and last closing of the shutter."""
    starts = min(frames, key=lambda f: f.exposure.start.utc.jd).exposure.start.utc
    ends = max(frames, key=lambda f: f.exposure.end.utc.jd).exposure.end.utc
    return starts, ends


def _motion_facts(frames, ephemeris, body, source):
    starts, ends = span(frames)
    with quiet_erfa():
        times = starts + TimeDelta(np.linspace(0.0, (ends - starts).sec, 9), format="sec")
    rows = ephemeris.at(times, frames[0].observer, bodies=[body], uncertainty=False)
    places = unit_from_radec(plain_column(rows, "ra"), plain_column(rows, "dec"))
    arcmin = float(np.degrees(np.sum(separation_rad(places[:-1], places[1:]))) * 60)
    hours = float((ends - starts).sec / 3600.0)
    inputs = {"from": starts.isot, "to": ends.isot}
    return [
        Fact("motion", arcmin, "arcmin", "path on the sky from first to last light", source, inputs=inputs,
             uncertainty="that of the orbit"),
        Fact("motion_hours", hours, "hours", "last minus first light", HEADERS, inputs=inputs,
             uncertainty="that of the headers"),
    ]


def _speed_fact(ephemeris, body, time, source):
    centre = Site.geocentre()
    with quiet_erfa():
        times = time + TimeDelta(np.array([-1800.0, 0.0, 1800.0]), format="sec")
    try:
        rows = ephemeris.at(times, centre, bodies=[body], uncertainty=False)
    except AppulseError:
        return []  # a table of places holds for its own observer only
    delta, rate = plain_column(rows, "delta"), plain_column(rows, "rate")
    if not np.isfinite(delta).all():
        return []
    fact = relative_speed_km_s(float(delta[0]), float(delta[2]), float(delta[1]), float(rate[1]), 1.0)
    return [replace(fact, source=source)]


SEARCH_D = 1.5
"""Days before and after the frames in which the least separation is looked for."""
SEARCH_STEPS = 289
PATH_STEPS = 33


def object_facts(outline, *, distance_ly=None, distance_error_ly=None, distance_source=None) -> list:
    """The object behind.

    Parameters
    ----------
    outline : Outline
    distance_ly, distance_error_ly : float, optional
        Published distance.
    distance_source : str, optional
        Needed with it.

    Returns
    -------
    list of Fact
        Without distance and size where neither a distance nor a usable redshift is known.

    Raises
    ------
    InputError
        If a distance comes without a source.
    """
    facts = [
        Fact("object", outline.name, "", "catalogue name", outline.source),
        Fact("object_type", outline.object_type or "object", "", "catalogue type", outline.source),
    ]
    if outline.mag is not None:
        band = outline.mag_band or "V"
        magnitude, words = float(outline.mag), f"catalogue, {band}"
        facts.append(Fact("object_mag", magnitude, "mag", words, outline.source, uncertainty=UNSTATED))
    if outline.major_arcmin:
        width, words = float(outline.major_arcmin), "major axis"
        facts.append(Fact("object_width", width, "arcmin", words, outline.source, uncertainty=UNSTATED))
    distance = None
    if distance_ly is not None:
        if not (distance_source or "").strip():
            raise InputError(f"a distance of {distance_ly:g} light years needs its source: --distance-source")
        distance = published_distance(distance_ly, distance_error_ly, distance_source)
    elif outline.redshift is not None and 0.003 <= outline.redshift <= 0.1:
        distance = distance_from_redshift(outline.redshift, outline.source)
    if distance is None:
        return facts
    if not outline.major_arcmin:
        return [*facts, distance]
    error = None if distance.low is None else (distance.high - distance.low) / 2
    sources = f"{distance.source}; {outline.source}"
    size = object_size_ly(outline.major_arcmin, distance.value, sources, distance_error_ly=error)
    return [*facts, distance, size]


def pass_facts(frames, ephemeris, body, outline, facts, *, source="ephemeris of this run") -> list:
    """Body and object together: in front or beside, least separation, motion in object widths, ratios.

    Parameters
    ----------
    frames : list of SolvedFrame
    ephemeris, body
        As for :func:`body_facts`.
    outline : Outline
    facts : list of Fact
        Of :func:`body_facts` and :func:`object_facts`.

    Returns
    -------
    list of Fact
    """
    known = {fact.key: fact for fact in facts}
    return [
        *_where(frames, ephemeris, body, outline, source),
        *_least_separation(frames, ephemeris, body, outline, source),
        *_ratios(known, f"{source}; {outline.source}", source),
    ]


def _ratios(known, both_sources, source):
    """What two facts come to together, as far as both are known."""
    if {"motion", "object_width"} <= known.keys():
        width = known["motion"].value / known["object_width"].value
        yield Fact(
            "motion_widths", width, "", "motion / major axis", both_sources, about=True,
            uncertainty="that of the catalogue's width",
        )  # fmt: skip
        yield Fact(
            "motion_share", share_text(width), "", "motion / major axis, in words", both_sources,
            inputs={"motion_widths": width},
        )  # fmt: skip
    if {"object_distance", "body_distance_au"} <= known.keys():
        far, near = known["object_distance"], known["body_distance_au"].value * AU_KM / LIGHT_YEAR_KM
        yield _ratio("times_nearer", far, (near, near, near), f"{far.source}; {source}")
    if {"object_size", "body_diameter"} <= known.keys():
        large, small = known["object_size"], known["body_diameter"]
        limits = (small.value, small.low or small.value, small.high or small.value)
        sizes = [km / LIGHT_YEAR_KM for km in limits]
        ratio = _ratio("size_ratio", large, sizes, f"{large.source}; {small.source}")
        yield ratio
        yield Fact(
            "size_words", size_comparison(ratio.value), "", "ratio of the sizes x 1 mm", ratio.source,
            inputs={"ratio": ratio.value},
        )  # fmt: skip


def _ratio(key, large, smaller, source):
    """Larger over smaller (value, low, high): the limits are those of the worst combination."""
    small, low_small, high_small = smaller
    low = (large.low if large.low is not None else large.value) / high_small
    high = (large.high if large.high is not None else large.value) / low_small
    limited = high > low * (1 + 1e-9)
    return Fact(
        key, large.value / small, "", "larger / smaller", source, low if limited else None,
        high if limited else None, {"larger_ly": large.value, "smaller_ly": small}, about=True,
        uncertainty="that of what is divided",
    )  # fmt: skip


def _where(frames, ephemeris, body, outline, source):
    """Whether the frames show the body in front of the object's outline or beside it."""
    shape, sources = outline_shape(outline), f"{source}; {outline.source}"
    if shape is None:
        return [Fact("passing", "close to", "", "the catalogue gives the object no outline", sources)]
    starts, ends = span(frames)
    # a path of no length crosses nothing: one second at least
    offsets = np.linspace(0.0, max((ends - starts).sec, 1.0), PATH_STEPS)
    with quiet_erfa():
        times = starts + TimeDelta(offsets, format="sec")
    rows = ephemeris.at(times, frames[0].observer, bodies=[body], uncertainty=False)
    path = unit_from_radec(plain_column(rows, "ra"), plain_column(rows, "dec"))
    [crossing] = crosses([shape], plane(path, outline.ra, outline.dec), offsets, [0, len(offsets)])
    if crossing.inside:
        words, formula = "in front of", "path of the body while the shutter was open goes inside the outline"
        inputs = {"arcmin_inside": round(crossing.chord_arcmin, 2)}
    else:
        words, formula = "close to", "path of the body while the shutter was open stays outside the outline"
        inputs = {"least_arcmin_from_outline": round(crossing.distance_arcmin, 2)}
    return [Fact("passing", words, "", formula, sources, inputs=inputs)]


def _least_separation(frames, ephemeris, body, outline, source):
    """Least separation from the object's centre within 1.5 days of the frames' middle, none at the ends."""
    starts, ends = span(frames)
    target = unit_from_radec(outline.ra, outline.dec)
    with quiet_erfa():
        middle = starts + (ends - starts) / 2
        offsets = np.linspace(-SEARCH_D, SEARCH_D, SEARCH_STEPS) * 86_400.0
        times = middle + TimeDelta(offsets, format="sec")
    try:
        rows = ephemeris.at(times, frames[0].observer, bodies=[body])
    except AppulseError:
        return []  # a table of places that ends too soon
    places = unit_from_radec(plain_column(rows, "ra"), plain_column(rows, "dec"))
    apart = np.degrees(separation_rad(places, target)) * 60
    least = int(np.argmin(apart))
    # at the rim of the span the body may come nearer outside it
    if least in (0, len(apart) - 1):
        return []
    # The square of the separation is a parabola for a straight path; the separation itself has a kink at 0.
    a, b, c = apart[least - 1] ** 2, apart[least] ** 2, apart[least + 1] ** 2
    step = 0.5 * (a - c) / max(a - 2 * b + c, 1e-30)
    value = float(np.sqrt(max(b - 0.25 * (a - c) * step, 0.0)))
    with quiet_erfa():
        when = times[least] + TimeDelta(step * (offsets[1] - offsets[0]), format="sec")
    words = when.isot[:16].replace("T", " ") + " UTC"
    if when < starts:
        words += ", before the first frame"
    elif when > ends:
        words += ", after the last frame"
    inputs = {"object_ra": outline.ra, "object_dec": outline.dec}
    sources = f"{source}; {outline.source}"
    orbit = orbit_error_text(plain_column(rows, "sigma_major")[least])
    return [
        Fact(
            "least_separation", value, "arcmin", "least angle to the object's centre", sources, inputs=inputs,
            uncertainty=f"{orbit}; that of the catalogue's centre is not stated",
        ),
        Fact("least_separation_time", words, "", "time of the least angle", sources, inputs=inputs),
    ]  # fmt: skip

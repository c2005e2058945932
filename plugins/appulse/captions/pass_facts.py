"""Facts of the object behind, and of body and object together."""

import numpy as np
from astropy.time import TimeDelta

from appulse.captions.body_facts import orbit_words, span
from appulse.captions.facts import Fact
from appulse.captions.formulas import LIGHT_YEAR_KM, UNSTATED, distance_from_redshift, object_size_ly
from appulse.captions.words import grain
from appulse.constants import AU_KM
from appulse.encounters.outline_pass import cross, outline_shape, plane
from appulse.errors import AppulseError, InputError
from appulse.numerics.spherical import separation_rad, unit_from_radec
from appulse.observers.timescales import quiet_erfa
from appulse.overlays.columns import plain_column

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
        error = distance_error_ly
        distance = Fact(
            "object_distance", float(distance_ly), "ly", "published", distance_source,
            None if error is None else distance_ly - error, None if error is None else distance_ly + error,
            {"distance_ly": distance_ly}, about=True, uncertainty=UNSTATED,
        )  # fmt: skip
    elif outline.redshift is not None and 0.003 <= outline.redshift <= 0.1:
        distance = distance_from_redshift(outline.redshift, outline.source)
    if distance is not None:
        facts.append(distance)
        if outline.major_arcmin:
            error = None if distance.low is None else (distance.high - distance.low) / 2
            facts.append(
                object_size_ly(
                    outline.major_arcmin, distance.value, f"{distance.source}; {outline.source}",
                    distance_error_ly=error,
                )
            )  # fmt: skip
    return facts


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
    found = _where(frames, ephemeris, body, outline, source)
    found += _least_separation(frames, ephemeris, body, outline, source)
    if {"motion", "object_width"} <= known.keys():
        width = known["motion"].value / known["object_width"].value
        found.append(
            Fact(
                "motion_widths", width, "", "motion / major axis", f"{source}; {outline.source}", about=True,
                uncertainty="that of the catalogue's width",
            )
        )  # fmt: skip
    if {"object_distance", "body_distance_au"} <= known.keys():
        far, near = known["object_distance"], known["body_distance_au"].value * AU_KM / LIGHT_YEAR_KM
        found.append(_ratio("times_nearer", far, near, near, f"{far.source}; {source}"))
    if {"object_size", "body_diameter"} <= known.keys():
        large, small = known["object_size"], known["body_diameter"]
        sizes = [
            v / LIGHT_YEAR_KM for v in (small.value, small.low or small.value, small.high or small.value)
        ]
        ratio = _ratio("size_ratio", large, sizes[0], sizes[1:], f"{large.source}; {small.source}")
        found.append(ratio)
        words = Fact(
            "size_words", grain(ratio.value), "", "ratio of the sizes x 1 mm", ratio.source,
            inputs={"ratio": ratio.value},
        )  # fmt: skip
        found.append(words)
    return found


def _ratio(key, large, small, limits, source):
    low_small, high_small = limits if isinstance(limits, list) else (limits, limits)
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
    offsets = np.linspace(0.0, max((ends - starts).sec, 1.0), PATH_STEPS)
    with quiet_erfa():
        times = starts + TimeDelta(offsets, format="sec")
    rows = ephemeris.at(times, frames[0].observer, bodies=[body], uncertainty=False)
    path = unit_from_radec(plain_column(rows, "ra"), plain_column(rows, "dec"))
    crossing = cross(shape, plane(path, outline.ra, outline.dec), offsets)
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
    if least in (0, len(apart) - 1):
        return []
    # The square of the separation is a parabola for a straight path.
    a, b, c = apart[least - 1] ** 2, apart[least] ** 2, apart[least + 1] ** 2
    step = 0.5 * (a - c) / max(a - 2 * b + c, 1e-30)
    value = float(np.sqrt(max(b - 0.25 * (a - c) * step, 0.0)))
    with quiet_erfa():
        when = times[least] + TimeDelta(step * (offsets[1] - offsets[0]), format="sec")
    words = when.isot[:16].replace("T", " ") + " UTC"
    inputs = {"object_ra": outline.ra, "object_dec": outline.dec}
    sources = f"{source}; {outline.source}"
    orbit = orbit_words(plain_column(rows, "sigma_major")[least])
    return [
        Fact(
            "least_separation", value, "arcmin", "least angle to the object's centre", sources, inputs=inputs,
            uncertainty=f"{orbit}; that of the catalogue's centre is not stated",
        ),
        Fact("least_separation_time", words, "", "when that is", sources, inputs=inputs),
    ]  # fmt: skip

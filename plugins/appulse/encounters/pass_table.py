"""Passes as a table, and passes gathered into events."""

from __future__ import annotations

import numpy as np
from astropy import units as u
from astropy.table import MaskedColumn, Table
from astropy.time import Time

from appulse.constants import J2000_JD
from appulse.numerics import separation_rad, unit_from_radec
from appulse.observers import quiet_erfa


@quiet_erfa()
def passes_table(passes, ranks=None, events=None, meta=None, chances=None, from_sites=None):
    """The ranked table of passes.

    Parameters
    ----------
    passes : sequence of Pass
    ranks : sequence of Rank, optional
    events : sequence of str, optional
        Event of each pass, from :func:`gather`.
    meta : dict, optional
        Provenance.
    chances : sequence of str, optional
        What the sites' odds come to, in words.
    from_sites : sequence of str, optional
        What each pass is from several sites, in words.

    Returns
    -------
    Table
        A row per pass: ``encounter`` (id), ``event``, ``designation, name, target, type, time`` (UTC of least
        separation), ``separation`` (arcsec, centres), ``inside_outline, outline_distance`` (arcmin),
        ``enters, leaves`` (UTC, empty where there is none), ``chord`` (arcmin), ``in_sizes``, ``elongation,
        phase`` (deg), ``mag, target_mag, delta, r`` (au), ``rate`` (arcsec/h), ``motion_pa`` (deg), and the
        score with its terms and the chances where there are some. With comets among the bodies ``tail_words,
        tail_shape, tail, tail_pa, dust_from, dust_to, coma, tail_distance, tail_begins, tail_ends``. What is
        not known is masked.

    Examples
    --------
    >>> passes_table([]).colnames[:3]
    ['encounter', 'event', 'designation']
    """
    crossings = [found.crossing for found in passes]
    targets = [found.target for found in passes]
    chords = [np.nan if c is None or not c.inside else c.chord_arcmin for c in crossings]
    distances = [np.nan if c is None else c.distance_arcmin for c in crossings]
    mags = [np.nan if target.mag is None else target.mag for target in targets]

    def of(name):
        return [getattr(found, name) for found in passes]

    def when(name):
        return ["" if c is None else _utc_text(getattr(c, f"{name}_d")) for c in crossings]

    rate = u.arcsec / u.hour
    # name, values, meaning, and of a number its decimals and unit
    columns = (
        ("encounter", of("id"), "stable identifier"),
        ("event", events or of("id"), "first pass of the same body through a group of objects"),
        ("designation", of("designation"), "body"),
        ("name", [found.name or "" for found in passes], "body's name"),
        ("target", [target.name for target in targets], "object"),
        ("type", [target.object_type for target in targets], "kind of object"),
        ("time", [found.time.isot for found in passes], "UTC of least separation from the object's centre"),
        ("separation", of("separation_arcsec"), "of the centres", 3, u.arcsec),
        ("inside_outline", of("inside_outline"), None),
        ("outline_distance", distances, "from the outline, 0 inside", 3, u.arcmin),
        ("enters", when("enters"), "UTC at which the body enters the outline"),
        ("leaves", when("leaves"), "UTC at which the body leaves the outline"),
        ("chord", chords, "path inside the outline", 3, u.arcmin),
        ("in_sizes", of("in_sizes"), "separation over semi-major axis", 3, None),
        ("elongation", of("elongation"), "from the Sun", 2, u.deg),
        ("phase", of("phase"), "angle Sun-body-observer", 2, u.deg),
        ("mag", of("mag"), "of the body", 2, u.mag),
        ("target_mag", mags, "of the object, V or B", 2, u.mag),
        ("delta", of("delta"), "distance of the body", 6, u.au),
        ("r", of("r"), "distance of the body from the Sun", 6, u.au),
        ("rate", of("rate"), "motion on the sky", 3, rate),
        ("motion_pa", of("motion_pa"), "position angle of the motion", 1, u.deg),
    )
    if any(found.tail is not None for found in passes):
        columns += _tail_columns([found.tail for found in passes])
    table = Table(masked=True)
    for name, values, meaning, *number in columns:
        if number:
            table[name] = _numbers(values, *number, meaning)
        else:
            table[name] = values if meaning is None else _words(values, meaning)
    if ranks is not None:
        table["score"] = _numbers([rank.score for rank in ranks], 3, None, "weighted mean of the terms")
        for term in ranks[0].terms if ranks else ():
            values = [rank.terms[term] for rank in ranks]
            table[f"term_{term}"] = _numbers(values, 3, None, f"ranking: {term}")
    if chances is not None:
        table["chances"] = _words(chances, "of at least one clear usable night, site by site")
    if from_sites is not None:
        table["from_sites"] = _words(from_sites, "the pass as each site sees it")
    table.meta.update(meta or {})
    return table


def _tail_columns(tails):
    """What comets' comas and tails do to the objects; masked for other bodies."""

    def of(name):
        return [np.nan if tail is None else getattr(tail, name) for tail in tails]

    words = ["" if tail is None else tail.words for tail in tails]
    dust = [(np.nan, np.nan) if tail is None else tail.dust_pa for tail in tails]
    return (
        ("tail_words", words, "coma and tail against the object"),
        ("tail_shape", ["" if tail is None else tail.shape for tail in tails], "what the tail was taken for"),
        ("tail", of("tail_arcmin"), "length of the tail, by its law or as given", 1, u.arcmin),
        ("tail_pa", of("tail_pa"), "position angle of the antisolar direction", 1, u.deg),
        ("dust_from", [sides[0] for sides in dust], "position angles between which the dust lies", 1, u.deg),
        ("dust_to", [sides[1] % 360.0 for sides in dust], "counted through east from the first", 1, u.deg),
        ("coma", of("coma_arcmin"), "diameter of the coma by its law", 1, u.arcmin),
        ("tail_distance", of("tail_distance_arcmin"), "of the tail from the object, 0 on it", 2, u.arcmin),
        ("tail_begins", [_utc_text(t) for t in of("begins_d")], "UTC from which the tail lies on the object"),
        ("tail_ends", [_utc_text(t) for t in of("ends_d")], "UTC until which the tail lies on the object"),
    )


def gather(passes, group_within_arcmin):
    """Name the event of each pass: passes of one body by neighbouring objects within a day are one event.

    Parameters
    ----------
    passes : sequence of Pass
        Ordered by time.
    group_within_arcmin : float
        Objects whose centres lie nearer than this belong together; 0: every pass is its own event.

    Returns
    -------
    list of str
        Id of the event's first pass, for each pass.
    """
    # A body that runs through a group of objects makes a chain: each pass is compared with the last one of an
    # event, not with its first, so that a chain may be longer than the limit.
    events, last_of = [], {}
    for found in passes:
        event, unit = found.id, unit_from_radec(found.target.ra, found.target.dec)
        for earlier_event, last in last_of.get(found.designation, {}).items():
            other = unit_from_radec(last.target.ra, last.target.dec)
            near = np.degrees(separation_rad(unit, other)) * 60 <= group_within_arcmin
            # the same object again is a loop of the body's path: an event of its own
            same_object = found.target.name == last.target.name
            if not same_object and near and (found.time - last.time).jd <= 1.0:
                event = earlier_event
        last_of.setdefault(found.designation, {})[event] = found
        events.append(event)
    return events


def _utc_text(t_d):
    return Time(J2000_JD, t_d, format="jd", scale="tdb").utc.isot if np.isfinite(t_d) else ""


def _words(values, meaning):
    return MaskedColumn(np.array(values, dtype=str), description=meaning)


def _numbers(values, decimals, unit, meaning):
    values = np.array(values, dtype=float)
    unknown = ~np.isfinite(values)
    # under a mask a zero: NaN does not survive every format
    filled = np.round(np.where(unknown, 0.0, values), decimals)
    return MaskedColumn(filled, mask=unknown, unit=unit, description=meaning)

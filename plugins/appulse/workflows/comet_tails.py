"""Tails of comets over frames, or at a time and a place: geometry, pictures, tables, facts."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from appulse.errors import FrameError, InputError
from appulse.workflows.sources import BodySource, FailedFrame, usable_frames


@dataclass(frozen=True)
class TailOptions:
    """What is drawn of a tail; None: the defaults of :func:`appulse.bodies.comet_tail`."""

    betas: tuple | None = None
    ages_d: tuple | None = None
    length_deg: float | None = None
    wind_km_s: float | None = None

    def given(self) -> dict:
        """Those that were given, as keyword arguments."""
        return {key: value for key, value in vars(self).items() if value is not None}


@dataclass(frozen=True)
class FrameTail:
    """A comet's tail at one frame's middle, or at a moment.

    Attributes
    ----------
    name : str
        Of the frame; empty without one.
    tail : CometTail
    facts : tuple of Fact
    table : Table
        A row for each vertex of each line, with pixels where there is a frame.
    picture : bytes or None
        PNG.
    notes : tuple of str
    """

    name: str
    tail: Any
    facts: tuple = field(repr=False)
    table: Any = field(repr=False)
    picture: bytes | None = field(default=None, repr=False)
    notes: tuple[str, ...] = ()


def comet_only(bodies: BodySource) -> str:
    """The one comet of a source; InputError for several, for places, and for what is no comet."""
    from appulse.bodies import is_comet

    body = bodies.only_body("a tail is of one comet; name one with its number or designation")
    if bodies.orbits is None:
        raise InputError(f"{bodies.label}: a tail needs an orbit; a table of positions knows no Sun")
    orbit = bodies.orbits[0]
    if orbit.m1 is None and not is_comet(orbit.designation):
        raise InputError(f"{orbit.label} is no comet by its designation: it has no tail to draw")
    return bodies.find(body)


def tail_at(time, observer, bodies: BodySource, options: TailOptions | None = None) -> FrameTail:
    """The tail of a comet at a time, as seen from a place; without pixels.

    Parameters
    ----------
    time : str or Time, scalar
        UTC.
    observer : str, Site or alike
        Code, ``lon,lat,height``, name in the settings file, or ``geocentre``.
    bodies : BodySource
        Of one comet, with an orbit.
    options : TailOptions, optional

    Returns
    -------
    FrameTail

    Raises
    ------
    InputError
        The body is no comet, there are several, or an option is out of range.
    EphemerisSpanError
        The time lies outside the kernels.

    Examples
    --------
    >>> import appulse
    >>> found = appulse.tail_at("2027-01-15T19:00", "geocentre", appulse.open_bodies("2P"))
    >>> round(found.tail.sun_pa, 1), [curve.label for curve in found.tail.of_kind("syndyne")][:2]
    (57.9, ['β 0.01', 'β 0.03'])
    """
    from appulse.formats import site_of
    from appulse.observers import parse_utc

    time = parse_utc(time) if isinstance(time, str) else time
    observer = site_of(observer) if isinstance(observer, str) else observer
    return _tail(None, time, observer, bodies, options or TailOptions(), False)


def _tail(frame, time, observer, bodies, options, draw) -> FrameTail:
    from appulse.bodies import comet_tail
    from appulse.captions import comet_facts

    key = comet_only(bodies)
    tail = comet_tail(bodies.ephemeris, key, time, observer, **options.given())
    orbit = bodies.orbits[0]
    source = f"orbit: {bodies.label}" + (f" ({orbit.source})" if orbit.source else "")
    place = bodies.ephemeris.at(tail.time, observer, bodies=[key])
    notes = (*tail.notes, *place.meta.get("notes", ()))
    table = tail_table(tail, frame)
    if frame is not None and not frame.contains(table["ra"], table["dec"]).any():
        away = frame.away_deg(place["ra"][0].to_value("deg"), place["dec"][0].to_value("deg"))
        notes += (f"nothing of it is in the frame: the comet is {away:.1f} degrees from its centre",)
    picture = _drawn(frame, tail, bodies) if draw else None
    name = "" if frame is None else frame.name
    return FrameTail(name, tail, tuple(comet_facts(tail, source)), table, picture, notes)


def tail_table(tail, frame=None):
    """The lines of a tail as a table: a row for each vertex."""
    import numpy as np
    from astropy import units as u
    from astropy.table import Table

    curves = tail.curves
    count = [len(curve.ra) for curve in curves]
    table = Table()
    table["line"] = np.repeat([curve.kind for curve in curves], count)
    table["label"] = np.repeat([curve.label for curve in curves], count)
    table["value"] = np.repeat([np.nan_to_num(curve.value) for curve in curves], count)
    for name in ("ra", "dec"):
        table[name] = np.round(np.concatenate([getattr(curve, name) for curve in curves]), 7) * u.deg
    table["along"] = [float(f"{v:.6g}") for curve in curves for v in curve.along]
    if frame is not None:
        x, y = frame.to_pixel(np.asarray(table["ra"]), np.asarray(table["dec"]))
        for name, pixels in (("x", x), ("y", y)):
            table[name] = np.ma.masked_invalid(np.round(pixels, 2))
    table["along"].description = "age (d) along a syndyne, beta along a synchrone, km along the other lines"
    table.meta["comet"], table.meta["time"] = tail.label, tail.time.utc.isot
    table.meta["length"] = f"{tail.length_deg:.4g} deg, {tail.length_km:.4g} km: {tail.length_source}"
    table.meta["ion_tail"] = f"an estimate: solar wind of {tail.wind_km_s:g} km/s"
    return table


def _drawn(frame, tail, bodies):
    from appulse.catalogues import objects_near
    from appulse.overlays import track_in_frame
    from appulse.reports import annotated_png

    track = track_in_frame(frame, bodies.ephemeris, tail.designation, name=tail.label)
    outlines = objects_near(*frame.centre, frame.radius_deg)
    return annotated_png(frame, tracks=[track] if track else [], outlines=outlines, tails=[tail])


def tails_of_frames(
    frames: Iterable, bodies: BodySource, options: TailOptions | None = None, *, draw: bool = True,
    reading: dict | None = None, each: Callable | None = None, progress=None, cancelled=None, workers=None,
) -> tuple[list[FrameTail], tuple[FailedFrame, ...]]:  # fmt: skip
    """The tail of a comet in frames, each at its own middle.

    Parameters
    ----------
    frames : iterable of path
        Plate-solved, with time and site.
    bodies : BodySource
        Of one comet, with an orbit.
    options : TailOptions, optional
    draw : bool
        Make pictures.
    reading, each, progress, cancelled, workers
        As for :func:`appulse.workflows.measure_night`.

    Returns
    -------
    tuple of list of FrameTail, tuple of FailedFrame

    Raises
    ------
    InputError
        The body is no comet, or there are several.

    Examples
    --------
    >>> from appulse.workflows import open_bodies
    >>> tails_of_frames([], open_bodies("7"))
    Traceback (most recent call last):
    appulse.errors.InputError: (7) Iris is no comet by its designation: it has no tail to draw
    """
    comet_only(bodies)
    work = partial(
        _of_frame, bodies=bodies, options=options or TailOptions(), draw=draw, reading=reading or {}
    )
    return usable_frames(frames, work, "tails", each, progress, cancelled, workers)


def _of_frame(path: Path, bodies, options, draw, reading) -> FrameTail:
    from appulse.frames import read_frame

    frame = path if hasattr(path, "exposure") else read_frame(path, require=("wcs",), **reading)
    lacking = [name for name, value in (("time", frame.exposure), ("site", frame.observer)) if value is None]
    if lacking:
        raise FrameError(f"{frame.name} has no {' and no '.join(lacking)}: a tail needs both; give it")
    return _tail(frame, frame.exposure.mid, frame.observer, bodies, options, draw)

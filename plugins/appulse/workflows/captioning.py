"""Facts of a pass for its caption: of frames, body and object, each figure with its source."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import NamedTuple

from appulse.errors import InputError
from appulse.workflows.sources import BodySource, FailedFrame, usable_frames


@dataclass(frozen=True)
class GivenFigures:
    """What the user knows and catalogues do not: each needs its source."""

    distance_ly: float | None = None  # of the object
    distance_error_ly: float | None = None
    distance_source: str | None = None
    diameter_km: float | None = None  # of the body
    diameter_error_km: float | None = None
    diameter_source: str | None = None
    albedo: float | None = None  # of the body
    tail_deg: float | None = None  # length of a comet's tail on the sky


@dataclass(frozen=True)
class PassFacts:
    """Facts of a pass, and the frames that could not be used."""

    facts: tuple
    failed: tuple[FailedFrame, ...] = field(default=())


class RecipeFrames(NamedTuple):
    """The frames that a picture was made of, and its body."""

    frames: tuple[Path, ...]
    body: str


def frames_of_recipe(path: Path) -> RecipeFrames:
    """The frames that a recipe keeps: those that a caption of its picture may count.

    Parameters
    ----------
    path : path
        A ``recipe.yaml`` that a run has written.

    Returns
    -------
    RecipeFrames

    Raises
    ------
    InputError
        If it is not a recipe, keeps no frame, or a frame is missing or has changed.
    """
    from appulse.sequence import Recipe, checked_file

    recipe = Recipe.read(path)
    kept = tuple(
        checked_file(name, entry.get("sha256"), Path(path).parent)
        for name, entry in recipe.frames.items()
        if entry.get("keep", True)
    )
    if not kept:
        raise InputError(f"{path}: the recipe keeps no frame")
    return RecipeFrames(kept, recipe.body)


def gather_facts(
    frames: Iterable, bodies: BodySource, outline=None, *, name: str | None = None,
    given: GivenFigures | None = None, reading: dict | None = None, place: str | None = None,
    exact_place: bool = False, equipment: str | None = None, each: Callable | None = None, progress=None,
    cancelled=None,
) -> PassFacts:  # fmt: skip
    """What a caption may say of one body in some frames, before an object.

    Parameters
    ----------
    frames : iterable of path, or of SolvedFrame
        Of those that have been read already, as a viewer has them, nothing is read again.
    bodies : BodySource
        Of one body.
    outline : Outline, optional
        The object behind, from :func:`appulse.catalogues.deepsky.find_object`.
    name : str, optional
        What the body is to be called.
    given : GivenFigures, optional
    reading : dict, optional
        Options of :func:`appulse.frames.read_frame`.
    place, equipment : str, optional
        In the user's words.
    exact_place : bool
        The site's coordinates may be printed; else they are rounded to whole degrees.
    each, progress, cancelled : callable, optional

    Returns
    -------
    PassFacts

    Raises
    ------
    InputError
        If no frame can be used, more than one body is asked for, body or object lie outside the frames, or a
        figure comes without its source.

    Examples
    --------
    >>> from appulse.workflows import open_bodies
    >>> gather_facts([], open_bodies("7"))
    Traceback (most recent call last):
    appulse.errors.InputError: no frame can be used: see the lines above
    """
    from appulse.bodies import comet_tail, is_comet, measured_diameter
    from appulse.captions import (
        body_facts,
        check_in_view,
        comet_facts,
        frame_facts,
        object_facts,
        pass_facts,
    )
    from appulse.frames import SolvedFrame, read_frame

    def read(frame):
        return frame if isinstance(frame, SolvedFrame) else read_frame(frame, **(reading or {}))

    body, given = bodies.only_body("a caption is about one body; name one"), given or GivenFigures()
    usable, failed = usable_frames(frames, read, "reading", each, progress, cancelled)
    if not usable:
        raise InputError("no frame can be used: see the lines above")
    orbit = bodies.orbits[0] if bodies.orbits is not None else None
    source = f"orbit: {bodies.label}" + (f" ({orbit.source})" if orbit is not None and orbit.source else "")
    called = name or _number_and_name(orbit, body)
    check_in_view(usable, bodies.ephemeris, body, outline, name=called)
    if given.diameter_km is None and given.albedo is None and orbit is not None:
        # what was measured wins over a size from H, whose albedo is a guess
        known = measured_diameter(orbit.number)
        if known is not None:
            given = replace(given, diameter_km=known.km, diameter_source=known.source)
    facts = frame_facts(usable, place=place, exact_place=exact_place, equipment=equipment)
    facts += body_facts(
        usable, bodies.ephemeris, body, name=called,
        h=None if orbit is None else orbit.h, source=source, albedo=given.albedo,
        measured_km=given.diameter_km, measured_error_km=given.diameter_error_km,
        measured_source=given.diameter_source,
    )  # fmt: skip
    if orbit is not None and is_comet(orbit.designation):
        middle = sorted(usable, key=lambda frame: frame.exposure.mid.utc.jd)[len(usable) // 2]
        tail = comet_tail(
            bodies.ephemeris, body, middle.exposure.mid, middle.observer, length_deg=given.tail_deg
        )
        facts += comet_facts(tail, source)
    if outline is not None:
        facts += object_facts(
            outline, distance_ly=given.distance_ly, distance_error_ly=given.distance_error_ly,
            distance_source=given.distance_source,
        )  # fmt: skip
        facts += pass_facts(usable, bodies.ephemeris, body, outline, facts, source=source)
    return PassFacts(tuple(facts), failed)


def _number_and_name(orbit, asked: str) -> str:
    """Number and name as far as the orbit has them.

    >>> _number_and_name(None, "7")
    '7'
    """
    if orbit is None:
        return asked
    if orbit.number and orbit.name:
        return f"({orbit.number}) {orbit.name}"
    return f"({orbit.number})" if orbit.number else (orbit.name or orbit.designation)

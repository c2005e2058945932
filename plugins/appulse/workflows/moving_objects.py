"""What else moves in a night's frames: searched, measured, and named where it is known."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from appulse.errors import FrameError, InputError
from appulse.workflows.progress import counted
from appulse.workflows.sources import (
    BodySource,
    FailedFrame,
    StarSource,
    Surroundings,
    surroundings_of,
    usable_frames,
)

LEAST_SNR = 3.0
"""Below it everything moves."""
LEAST_FRAMES = 3
"""Two points are always on a line."""
SCALE_RANGE = 3.0
"""Frames whose scales differ by more are of different instruments: a pixel of one is a field of another,
and to smooth them alike would take all memory."""


@dataclass(frozen=True)
class MoverLimits:
    """What counts as a mover."""

    max_rate: float = 600.0  # fastest motion, arcsec/h
    min_frames: int | None = None  # sightings that make a line; None: three, or half of the frames
    min_snr: float = 5.0  # faintest sighting

    def __post_init__(self):
        if not self.max_rate > 0:
            raise InputError(f"--max-rate {self.max_rate:g}: arcsec/h above zero are needed")
        if not self.min_snr >= LEAST_SNR:
            raise InputError(f"--min-snr {self.min_snr:g}: below 3 everything moves; 3 or more is needed")
        if self.min_frames is not None and self.min_frames < LEAST_FRAMES:
            raise InputError(
                f"--min-frames {self.min_frames}: two points are always on a line; 3 or more is needed"
            )


@dataclass(frozen=True)
class FoundMovers:
    """What moves, and what does not show."""

    table: Any  # Table: a row for each mover
    sightings: Any  # Table: every single one, measured
    missed: tuple = ()  # known bodies predicted in the frames that were not found
    frames: tuple = ()
    failed: tuple[FailedFrame, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def total(self) -> int:
        """Frames that were given."""
        return len(self.frames) + len(self.failed)


def find_movers(
    frames: Iterable[Path], bodies: BodySource | None = None, stars: StarSource | None = None,
    limits: MoverLimits | None = None, *, reading: dict | None = None, each: Callable | None = None,
    progress=None, cancelled=None, workers=None,
) -> FoundMovers:  # fmt: skip
    """Find what moves in a straight line across three or more frames, and name what is known.

    Parameters
    ----------
    frames : iterable of path
        Plate-solved, of one field.
    bodies : BodySource, optional
        Orbits of known bodies, added to the bundled ones, and alone where it is left out.
    stars : StarSource, optional
    limits : MoverLimits, optional
    reading : dict, optional
        Options of :func:`appulse.frames.read_frame`.
    each : callable, optional
        Called with a :class:`~appulse.workflows.sources.FailedFrame` as soon as one fails.
    progress, cancelled : callable, optional
    workers : Workers, optional
        Several processes to look at the frames with.

    Returns
    -------
    FoundMovers

    Raises
    ------
    InputError
        If fewer than three frames can be used, or a limit makes no sense.

    Examples
    --------
    >>> import appulse
    >>> appulse.find_movers([])
    Traceback (most recent call last):
    appulse.errors.InputError: 0 frames: three or more are needed to tell a mover from noise
    """
    from appulse.formats import provenance
    from appulse.movers import confirmed, detections_table, measure_detections, movers_table, search_movers

    stars, limits = stars or StarSource(), limits or MoverLimits()
    around = surroundings_of(bodies)
    looked, failed = _look(frames, around, stars, reading, each, progress, cancelled, workers)
    looked, others = _of_like_scale(looked, each)
    failed = (*failed, *others)
    usable, plates, known = (list(column) for column in zip(*looked, strict=True)) if looked else ([], [], [])
    search = search_movers(
        usable, plates, predicted=known, max_rate=limits.max_rate, min_frames=limits.min_frames,
        threshold=limits.min_snr,
        progress=lambda items: counted(items, "taking the stars off", progress, cancelled),
    )  # fmt: skip
    lines = counted(search.movers, "measuring", progress, cancelled)
    measured = [measure_detections(line, usable, plates) for line in lines]
    seen, unmeasured = [found for found, _ in measured], [why for _, failed in measured for why in failed]
    movers, seen = confirmed(search.movers[: len(seen)], seen)
    notes = [*search.notes, *unmeasured]
    if dropped := len(search.movers) - len(movers):
        notes.append(f"{dropped} more lines dropped: a careful fit finds no dot at their sightings")
    table = movers_table(movers, seen, usable)
    options = {"max_rate": limits.max_rate, "min_frames": limits.min_frames, "min_snr": limits.min_snr,
               "method": search.method}  # fmt: skip
    catalogues = ", ".join(dict.fromkeys(plate.catalogue for plate in plates))
    orbits = "bundled starter set" if bodies is None else bodies.label
    table.meta.update(provenance(frames=usable, orbits=orbits, stars=catalogues, options=options))
    return FoundMovers(
        table, detections_table(movers, seen), _missed(table, known), tuple(usable), failed, tuple(notes)
    )


def _look(frames, around: Surroundings, stars, reading, each, progress, cancelled, workers):
    """Frames without their pixels, their plates, and the known bodies on each; and those that failed."""
    work = partial(_looked_at, around=around, stars=stars, reading=reading or {})
    return usable_frames(frames, work, "looking", each, progress, cancelled, workers)


def _of_like_scale(looked: list, each) -> tuple[list, list[FailedFrame]]:
    """The frames as fine as most of them are, and the others as failed."""
    if not looked:
        return looked, []
    scales = [frame.pixel_scale for frame, _, _ in looked]
    usual = sorted(scales)[len(scales) // 2]
    kept, failed = [], []
    for result, scale in zip(looked, scales, strict=True):
        if usual / SCALE_RANGE <= scale <= usual * SCALE_RANGE:
            kept.append(result)
            continue
        why = (
            f"its scale is {scale:.3g} arcsec/px, that of most frames {usual:.3g}: frames of one instrument "
            "are compared; is its plate solution right?"
        )
        failed.append(FailedFrame(Path(result[0].path or result[0].name), FrameError(why)))
        if each is not None:
            each(failed[-1])
    return kept, failed


def _looked_at(path, around: Surroundings, stars, reading):
    from appulse.astrometry import check_plate
    from appulse.frames import read_frame

    frame = read_frame(path, **reading)
    plate = check_plate(frame, stars.around(frame))
    rows, _ = around.bodies(frame)
    inside = [row for row in rows if frame.contains(row["ra"].value, row["dec"].value)]
    frame.release()
    return frame, replace(plate, survey=plate.survey.without_pixels()), inside


def _missed(table, known) -> tuple:
    from appulse.bodies import normalise

    found = {normalise(str(name)) for name in table["designation"]}
    predicted = {str(row["designation"]): row for rows in known for row in rows}
    return tuple(row for name, row in predicted.items() if normalise(name) not in found)

"""Measuring one body in one frame, and a night of them, for whatever front end asks."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from glue_appulse import sources
from glue_appulse.data.solved_frames import frame_of
from glue_appulse.layers.base import frame_key


@dataclass(frozen=True)
class Task:
    """What to measure."""

    #: The frame.
    data: object
    #: What the ephemeris calls the body.
    body: str
    #: Paths of the sources; None: the bundled ones.
    orbits: str | None = None
    stars: str | None = None
    #: How far from the predicted place to look; None: as errors and seeing ask.
    search_arcsec: float | None = None
    #: Whether length and direction of the trail are fitted too.
    free_trail: bool = False
    #: Radius within which pixels are fitted; None: as the seeing asks.
    aperture_px: float | None = None
    #: Zero-based pixel of a source that is pointed at; None: search at the predicted place.
    at: tuple | None = None

    def again(self, **changes) -> "Task":
        """The same with changes."""
        return replace(self, **changes)


@dataclass
class Measured:
    """What came of a task."""

    task: Task
    residual: object
    #: One row.
    table: object
    #: Of the plate check.
    notes: tuple = field(default=())

    @property
    def name(self):
        """Frame and body, for people."""
        return f"{self.task.body} in {self.task.data.label}"

    @property
    def flag(self):
        """Why it could not be measured, or what to mind; empty where all is well."""
        return str(self.table["flag"][0])

    @property
    def found(self):
        """Whether there is a measured place."""
        return bool(np.isfinite(np.ma.filled(self.table["x"].astype(float), np.nan)[0]))

    def number(self, column: str) -> float:
        """A number of the row."""
        return float(np.ma.filled(self.table[column].astype(float), np.nan)[0])


_plates = {}
#: Measurements of this run by frame and body: their stamps go into the evidence sheet.
kept = {}


def plate_of(data, stars: str | None=None):
    """Plate check of a frame, made once per star table."""
    from appulse.astrometry.plate import check_plate

    key = (frame_key(data), stars)
    if key not in _plates:
        if len(_plates) >= 64:
            _plates.pop(next(iter(_plates)))
        frame = frame_of(data)
        _plates[key] = check_plate(frame, sources.stars_for(frame, stars))
    return _plates[key]


def measure(task: Task) -> Measured:
    """Measure a body in a frame."""
    from appulse.astrometry.residual import measure as measure_body
    from appulse.astrometry.residual import residual_table
    from appulse.errors import FrameError

    frame, source = frame_of(task.data), sources.open_orbits(task.orbits)
    if frame.exposure is None or frame.observer is None:
        lacks = "time" if frame.exposure is None else "site"
        raise FrameError(f"{frame.name} has no {lacks}; give it in Plugins > Set-up (site, time, camera)…")
    row = source.ephemeris.at(frame.exposure.mid, frame.observer, bodies=[task.body])[0]
    plate = plate_of(task.data, task.stars)
    residual = measure_body(
        frame, row, plate, search_arcsec=task.search_arcsec, free_trail=task.free_trail,
        radius_px=task.aperture_px, at_pixel=task.at,
    )  # fmt: skip
    table = residual_table([residual], _provenance(frame, source, plate))
    made = Measured(task, residual, table, tuple(plate.notes))
    kept[frame.name, str(table["designation"][0])] = made
    return made


def _provenance(frame, source, plate):
    from appulse.formats.provenance import provenance

    return provenance(
        frames=[frame], orbits=source.label, stars=plate.catalogue, options={"made": "in the viewer"}
    )


def tasks_of_night(
    frames: list, bodies: list[str], orbits: str | None=None, stars: str | None=None
) -> tuple[list[Task], list[str]]:
    """Tasks for every frame with time and site, and every body that should fall into it."""
    from glue_appulse.data.track_data import usable

    good, lines = usable(frames)
    return [Task(data, body, orbits, stars) for data in good for body in bodies], lines


def measure_night(
    tasks: list[Task], progress: Callable | None=None, stopped: Callable | None=None
) -> tuple[list[Measured], list[str]]:
    """Measure one after the other; what fails is told and left out, the rest goes on."""
    from appulse.errors import AppulseError

    measured, lines = [], []
    for i, task in enumerate(tasks):
        if stopped is not None and stopped():
            lines.append(f"stopped after {i} of {len(tasks)}: what was measured is kept")
            break
        if progress is not None:
            progress(i, len(tasks))
        try:
            measured.append(measure(task))
        except AppulseError as exc:
            lines.append(f"{task.body} in {task.data.label}: {exc}")
        finally:
            frame_of(task.data).release()
    if progress is not None and len(measured) + len(lines) == len(tasks):
        progress(len(tasks), len(tasks))
    return measured, lines

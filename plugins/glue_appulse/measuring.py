"""Measuring one body in one frame, and a night of them, for whatever front end asks."""

from dataclasses import dataclass, field, replace

import numpy as np

from glue_appulse import sources
from glue_appulse.data.solved_frames import frame_of
from glue_appulse.layers.base import frame_key


@dataclass(frozen=True)
class Task:
    """What to measure.

    Parameters
    ----------
    data : glue.core.data.Data
        The frame.
    body : str
        What the ephemeris calls the body.
    orbits, stars : str or None
        Paths of the sources; None: the bundled ones.
    search_arcsec : float or None
        How far from the predicted place to look; None: as errors and seeing ask.
    free_trail : bool
        Whether length and direction of the trail are fitted too.
    aperture_px : float or None
        Radius within which pixels are fitted; None: as the seeing asks.
    at : (float, float) or None
        Zero-based pixel of a source that is pointed at; None: search at the predicted place.
    """

    data: object
    body: str
    orbits: str | None = None
    stars: str | None = None
    search_arcsec: float | None = None
    free_trail: bool = False
    aperture_px: float | None = None
    at: tuple | None = None

    def again(self, **changes):
        """The same with changes.

        Parameters
        ----------
        **changes
            Of the fields.

        Returns
        -------
        Task
        """
        return replace(self, **changes)


@dataclass
class Measured:
    """What came of a task.

    Parameters
    ----------
    task : Task
    residual : appulse.astrometry.residual.Residual
    table : astropy.table.Table
        One row.
    notes : tuple of str
        Of the plate check.
    """

    task: Task
    residual: object
    table: object
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

    def number(self, column):
        """A number of the row.

        Parameters
        ----------
        column : str

        Returns
        -------
        float
            NaN where it was not measured.
        """
        return float(np.ma.filled(self.table[column].astype(float), np.nan)[0])


_plates = {}
#: Measurements of this run by frame and body: their stamps go into the evidence sheet.
kept = {}


def plate_of(data, stars=None):
    """Plate check of a frame, made once per star table.

    Parameters
    ----------
    data : glue.core.data.Data
    stars : str or None

    Returns
    -------
    appulse.astrometry.plate.PlateCheck
    """
    from appulse.astrometry.plate import check_plate

    key = (frame_key(data), stars)
    if key not in _plates:
        if len(_plates) >= 64:
            _plates.pop(next(iter(_plates)))
        frame = frame_of(data)
        _plates[key] = check_plate(frame, sources.stars_for(frame, stars))
    return _plates[key]


def measure(task):
    """Measure a body in a frame.

    Parameters
    ----------
    task : Task

    Returns
    -------
    Measured
        A body that does not show is flagged, not invented.

    Raises
    ------
    appulse.errors.AppulseError
        The frame has no time or site, or the source does not reach.
    """
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


def tasks_of_night(frames, bodies, orbits=None, stars=None):
    """Tasks for every frame with time and site, and every body that should fall into it.

    Parameters
    ----------
    frames : list of glue.core.data.Data
    bodies : list of str
    orbits, stars : str or None

    Returns
    -------
    tasks : list of Task
    lines : list of str
        What cannot be measured, and the remedy.
    """
    from glue_appulse.data.track_data import usable

    good, lines = usable(frames)
    return [Task(data, body, orbits, stars) for data in good for body in bodies], lines


def measure_night(tasks, progress=None, stopped=None):
    """Measure one after the other; what fails is told and left out, the rest goes on.

    Parameters
    ----------
    tasks : list of Task
    progress : callable or None
        Called with (done, total) before each; may raise to stop without a result.
    stopped : callable or None
        Asked before each whether enough has been measured; what was measured so far comes back.

    Returns
    -------
    measured : list of Measured
    lines : list of str
    """
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

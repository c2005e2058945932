"""Bodies measured in the frames that are loaded, what is said of them, and what is written of them.

::

    Task --> measure (workflows.measure_frame) --> Measured --> joined, rejected --> residuals --> EXPORTERS
"""

import contextlib
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from appulse.bodies import body_label
from appulse.constants import AU_KM
from appulse.workflows import AdesChoice, MeasuredFrame, MeasuredNight, Workers
from glue_appulse import inputs
from glue_appulse.data.kinds import FRAME, RESIDUALS, all_of, kind_of
from glue_appulse.data.residual_data import (
    AS_MEASURED,
    PLATE_OFF,
    TASKS,
    collection_of,
    merged_meta,
    offsets,
    row_keys,
    table_of,
)
from glue_appulse.data.solved_frames import (
    frame_of,
    observer_of_record,
    observer_record,
    require_time_and_site,
)
from glue_appulse.data.tail_data import of_one
from glue_appulse.host import say
from glue_appulse.layers.sky_layer import frame_key

#: Plate checks that are kept: two nights' frames; the earliest goes first.
MAX_PLATES = 64
#: Below it noise would be measured; the command line has the same limit.
FAINTEST_SNR = 3.0
#: Key of a residual table's metadata: where spacecraft were, by frame. Sites are not kept: they are private.
SPACECRAFT = "spacecraft"
#: Columns that do not depend on the measurement: what is left of a row that is rejected.
PREDICTED = ("frame", "time", "designation", "ra_calc", "dec_calc", "rate", "motion_pa", "mag_calc",
             "exposure")  # fmt: skip


@dataclass(frozen=True)
class Task:
    """What to measure."""

    #: The frame.
    data: Any
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
    #: Least signal to noise that counts as seen; None: as the frame's noise asks.
    min_snr: float | None = None
    #: What is fitted: auto (a coma where the body is a comet), point or coma.
    model: str = "auto"

    def record(self) -> dict:
        """All but the frame, as plain values that a session keeps."""
        return {f.name: getattr(self, f.name) for f in fields(self) if f.name != "data"}

    def again(self, **changes) -> "Task":
        """The same with changes."""
        return replace(self, **changes)


@dataclass(frozen=True)
class Measured:
    """What came of a task."""

    task: Task
    #: The frame with this one body.
    result: MeasuredFrame
    #: One row, with its provenance.
    table: Any

    @property
    def residual(self):
        """The measured body."""
        return self.result.residuals[0]

    @property
    def identity(self):
        """What else the dot could be."""
        return self.result.identities[0]

    @property
    def name(self) -> str:
        """Frame and body, for people."""
        return f"{body_label(self.task.body)} in {self.task.data.label}"

    @property
    def flag(self) -> str:
        """Why it could not be measured, or what to mind; empty where all is well."""
        return str(self.table["flag"][0])

    @property
    def found(self) -> bool:
        """Whether there is a measured place."""
        return bool(np.isfinite(self.number("x")))

    def number(self, column: str) -> float:
        """A number of the row; NaN where it was not measured."""
        return float(np.ma.filled(self.table[column].astype(float), np.nan)[0])


def total_magnitudes(frames: list, body: str, orbits: str | None, stars: str | None, stopping=None) -> list:
    """Lines on a comet's total magnitude in loaded frames, and on the law of its orbit after them."""
    from appulse.workflows import measure_brightness

    source = of_one(inputs.open_orbits(orbits), body)
    found = measure_brightness(
        [frame_of(data) for data in frames], source, inputs.open_stars(stars), cancelled=stopping
    )
    lines = [one.sentence for one in found.measured] + [f"{one.name}: {one.reason}" for one in found.failed]
    return [*lines, *([found.law.sentence] if found.law is not None else []), *found.notes]


_plates = {}
#: Measurements of this run by frame and body: their stamps go into the evidence sheet.
kept = {}


def measure(task: Task) -> Measured:
    """Measure a body in a frame; one that does not show is flagged, not invented."""
    return _measured(task, inputs.measured(_work(task)))


def _work(task: Task) -> inputs.Work:
    frame = frame_of(task.data)
    require_time_and_site(frame)
    options = {
        "search_arcsec": task.search_arcsec, "free_trail": task.free_trail, "radius_px": task.aperture_px,
        "at_pixel": task.at, "min_snr": task.min_snr, "model": task.model,
    }  # fmt: skip
    plate = _plates.get((frame_key(task.data), task.stars))
    return inputs.Work(frame, task.body, task.orbits, task.stars, plate, options)


def _measured(task: Task, result: MeasuredFrame) -> Measured:
    """What came of a task, kept for the sheets."""
    frame, source, stars = frame_of(task.data), inputs.open_orbits(task.orbits), inputs.open_stars(task.stars)
    key = (frame_key(task.data), task.stars)
    if key not in _plates and len(_plates) >= MAX_PLATES:
        _plates.pop(next(iter(_plates)))
    _plates[key] = result.plate
    if task.data.label != frame.name:
        # two loaded frames of one file name: their rows go by the labels, which differ
        named = tuple(replace(residual, frame=task.data.label) for residual in result.residuals)
        result = replace(result, residuals=named)
    measured = Measured(task, result, _table_of(result, source, stars))
    key = row_keys(measured.table)[0]
    measured.table.meta[TASKS] = {task_key(*key): task.record()}
    kept[key] = measured
    return measured


def task_key(frame: str, designation: str) -> str:
    """What tells the tasks of a residual table apart."""
    return f"{frame}, {designation}"


def _table_of(result: MeasuredFrame, source, stars):
    """The row of a measurement."""
    from appulse.astrometry import residual_table
    from appulse.workflows import in_space, night_provenance

    about = night_provenance(MeasuredNight((result,), total=1), source, stars, made="in the viewer")
    observer = result.frame.observer
    if in_space(observer):
        about[SPACECRAFT] = {result.frame.name: observer_record(observer)}
    return residual_table(list(result.residuals), about)


def measure_night(
    tasks: list[Task], progress: Callable | None = None, stopped: Callable | None = None, jobs: int = 1
) -> tuple[list[Measured], list[str]]:
    """Measure by so many processes; what fails is reported and left out, the rest goes on."""
    from appulse.errors import AppulseError

    measured, lines, works = [], [], []
    for task in tasks:
        try:
            works.append((task, _work(task)))
        except AppulseError as exc:
            lines.append(f"{body_label(task.body)} in {task.data.label}: {exc}")
    one = jobs == 1 or len(works) < 2
    outcomes = None if one else Workers(jobs).outcomes(inputs.measured_apart, [work for _, work in works])
    with contextlib.closing(outcomes) if outcomes is not None else contextlib.nullcontext():
        for i, (task, _work_of) in enumerate(works):
            if stopped is not None and stopped():
                lines.append(f"stopped after {i} of {len(works)}: what was measured is kept")
                break
            if progress is not None:
                progress(i, len(works))
            try:
                measured.append(measure(task) if one else _measured(task, next(outcomes).result()))
            except AppulseError as exc:
                lines.append(f"{body_label(task.body)} in {task.data.label}: {exc}")
            finally:
                # A night does not fit into memory: the viewer reads again what it shows.
                frame_of(task.data).release()
        else:
            if progress is not None:
                progress(len(works), len(works))
    return measured, lines


# --- the numbers of a measurement, as panels show them

#: Title, columns of value and sigma, unit.
NUMBERS = (
    ("plate ΔRA·cosδ", "plate_dra", "sigma_plate_ra", "″"),
    ("plate ΔDec", "plate_ddec", "sigma_plate_dec", "″"),
    ("magnitude", "mag_obs", "sigma_mag", ""),
    ("signal to noise", "snr", None, ""),
)


def number_words(value: float, sigma: float, unit: str) -> str:
    """A number with its error."""
    if value != value:
        return "–"
    digits = 3 if unit else 2 if sigma is not None else 0
    error = "" if sigma is None or sigma != sigma else f" ± {sigma:.{digits}f}"
    number = f"{value:+.{digits}f}" if unit else f"{value:.{digits}f}"
    return f"{number.replace('-', '−')}{error}{unit}"


#: Offsets of :func:`residual_data.offsets`, which stand in both their meanings side by side.
OFFSETS = (("ΔRA·cosδ", "dra"), ("ΔDec", "ddec"), ("along", "along"), ("across", "across"))
MEANINGS = (AS_MEASURED, PLATE_OFF)


def number_rows(measured: Measured | None) -> list[tuple[str, dict]]:
    """Words of the numbers of a measurement, row by row: name, and text by column; dashes without one."""
    number = (lambda _name: np.nan) if measured is None else measured.number
    shown = {meaning: offsets(number, meaning == PLATE_OFF) for meaning in MEANINGS}
    rows = [
        (words, {(name, meaning): number_words(float(values[name]), float(values[f"sigma_{name}"]), "″")
                 for meaning, values in shown.items()})
        for words, name in OFFSETS
    ]  # fmt: skip
    for words, column, sigma, unit in NUMBERS:
        error = None if sigma is None else number(sigma)
        rows.append((words, {column: number_words(number(column), error, unit)}))
    return rows


# --- what is said of measurements


def verdict(measured: Measured) -> str:
    """What a measurement says, in a sentence; of a body that was not measured, why."""
    from appulse.astrometry import error_budget

    return error_budget(measured.residual).sentence if measured.found else measured.flag or "not measured"


def circumstances(measured: Measured) -> str:
    """From where a frame was taken, and what else the dot could be."""
    from appulse.workflows import from_the_earth, in_space

    observer = measured.result.frame.observer
    words = f"observer: {observer.name or observer.code}"
    if in_space(observer):
        # the same vector that goes into the observations that are written
        km = float(np.linalg.norm(from_the_earth(observer).position_au)) * AU_KM
        words = f"{words}, {km:,.0f} km from the Earth's centre"
    return "; ".join([words, measured.identity.sentence]) if measured.found else words


def verdict_of_night(measured: list[Measured]) -> str:
    """What several measurements say together: clock, orbit, plate, or all well; empty for fewer than two."""
    # Frames that show nothing count as well: a light that stands on one of them only may not be the body.
    results = tuple(m.result for m in measured)
    several = len(results) > 1 and any(m.found for m in measured)
    return MeasuredNight(results, total=len(results)).verdict.sentence if several else ""


def doubts_of(measured: list[Measured]) -> list[str]:
    """A sentence for each dot that could be something else, or is of a wrong brightness."""
    from appulse.workflows import suspicions

    return suspicions([m.residual for m in measured], [m.identity for m in measured])


def rejected(measured: Measured, reason: str):
    """The row of a measurement that its observer does not trust: no measured numbers, and the reason."""
    from appulse.formats import make_table

    row = {name: value for name, value in measured.residual.row().items() if name in PREDICTED}
    return make_table([row | {"flag": f"{SET_ASIDE}: {reason}"}], measured.table.meta)


def joined(measured: list[Measured]):
    """One residual table of several measurements."""
    from appulse.formats import make_table

    meta = {}
    for m in measured:
        meta = merged_meta(meta, m.table.meta)
    return make_table([m.residual.row() for m in measured], meta)


# --- what is written: functions as glue's export calls them. Its dialog has asked about an existing file;
# the components it names are ignored, for a residual is whole or none.


def _residuals_of(data):
    if kind_of(data) != RESIDUALS:
        raise ValueError(
            f"'{data.label}' holds no residuals; measure a body first, then export the data set 'residuals'"
        )
    return table_of(data)


def write_residuals_ecsv(filename: str, data, components=None):
    """Write residuals as ECSV."""
    from appulse.formats import write_residuals

    table = _residuals_of(data)
    # how rows were measured is for sessions: it names folders of this computer
    table.meta.pop(TASKS, None)
    write_residuals(table, filename, overwrite=True)


def frames_of_rows(data) -> dict:
    """The loaded frames of a residual data set by their labels."""
    collection = collection_of(data)
    return {} if collection is None else {frame.label: frame for frame in all_of(collection, FRAME)}


def _ades_options(data, choice: AdesChoice) -> tuple[dict, list[str], AdesChoice]:
    """Options of the writers, what stays a draft or is left out, and the choice with the frames' scale."""
    from appulse.workflows import observation_options

    table = _residuals_of(data)
    frames = {name: frame_of(frame) for name, frame in frames_of_rows(data).items()}
    observers = _observers(table, frames)
    options, notes = observation_options(table, observers, choice)
    # the remedy that a note names is an option of the command line
    notes = [note.partition("; give --")[0] for note in notes]
    if choice.header.mpc_code is None and len(observers) < len(set(table["frame"])):
        notes.insert(0, "the observations are a draft (station XXX): no MPC code; the place stays private")
    names = set(table["frame"])
    scaled = choice.with_scale(frame.pixel_scale for name, frame in frames.items() if name in names)
    return options, list(dict.fromkeys(notes)), scaled


def ades_notes(data, choice: AdesChoice) -> list[str]:
    """What would stay a draft or be left out, said before observations are written."""
    return _ades_options(data, choice)[1]


def _write_observations(kind, filename, data, choice):
    from pathlib import Path

    from appulse.workflows import write_observation_file

    options, notes, choice = _ades_options(data, choice or AdesChoice())
    for note in notes:
        say(f"{filename}: {note}")
    write_observation_file(kind, _residuals_of(data), Path(filename), choice, options, True)


def write_residuals_psv(filename: str, data, components=None, *, choice: AdesChoice | None = None):
    """Write measured places as ADES observations (PSV), a spacecraft's with its own place."""
    _write_observations("psv", filename, data, choice)


def write_residuals_xml(filename: str, data, components=None, *, choice: AdesChoice | None = None):
    """Write measured places as ADES observations (XML)."""
    _write_observations("xml", filename, data, choice)


def write_residuals_80(filename: str, data, components=None, *, choice: AdesChoice | None = None):
    """Write measured places as lines of 80 columns."""
    _write_observations("obs80", filename, data, choice)


def _observers(table, frames) -> dict:
    """Who took the frames: those that are loaded by their own word, the others as far as it may go out."""
    from appulse.observers import Site

    spacecraft = table.meta.get(SPACECRAFT) or {}
    codes = table.meta.get("stations") or {}
    observers = {}
    for name in dict.fromkeys(str(name) for name in table["frame"]):
        if name in spacecraft:
            observers[name] = observer_of_record(spacecraft[name])
        elif codes.get(name):
            observers[name] = Site.from_mpc_code(codes[name])
        elif name in frames and frames[name].observer is not None:
            observers[name] = frames[name].observer
    return observers


#: How a row that its observer does not trust begins to say so.
SET_ASIDE = "set aside by the observer"
#: A row that is measured again for a sheet and comes out elsewhere by more than this, pixels, is another one.
SAME_PLACE_PX = 0.01


def measured_again(table, frames: dict) -> tuple[list[Measured], list[str]]:
    """The measurements of rows, those of an earlier run made anew; and what is left out, and why."""
    tasks, found, lines = table.meta.get(TASKS) or {}, [], []
    for key, row in zip(row_keys(table), table, strict=True):
        name = task_key(*key)
        if str(row["flag"]).startswith(SET_ASIDE):
            lines.append(f"{name} is left out: {row['flag']}")
            continue
        measured, wanted = kept.get(key), float(np.ma.filled(row["x"], np.nan))
        if measured is None and key[0] in frames and name in tasks:
            record = tasks[name] | {"at": tuple(tasks[name]["at"]) if tasks[name]["at"] else None}
            measured = measure(Task(frames[key[0]], **record))
        if measured is None:
            lines.append(f"{name} is left out: its frame is not loaded, so that there is no stamp")
        elif abs(np.nan_to_num(measured.number("x")) - np.nan_to_num(wanted)) > SAME_PLACE_PX:
            lines.append(f"{name} is left out: measured again it comes out elsewhere; measure it anew")
        else:
            found.append(measured)
    return found, lines


def write_evidence_sheet(filename: str, data, components=None):
    """Write the one-page evidence sheet (HTML); rows of an earlier run are measured anew for their stamps."""
    from appulse.reports import write_evidence

    table = _residuals_of(data)
    measured, lines = measured_again(table, frames_of_rows(data))
    if not measured:
        raise ValueError("; ".join(lines) or "there are no residuals: measure a body first")
    table.meta.pop(TASKS, None)
    write_evidence(
        filename,
        [m.residual for m in measured],
        overwrite=True,
        shapes={m.residual.frame: m.task.data.shape for m in measured},
        verdict=verdict_of_night(measured) or None,
        provenance=table.meta,
        notes=lines + doubts_of(measured),
        frame_notes={m.residual.frame: list(m.result.notes) for m in measured},
    )


#: Label, suffixes, function.
EXPORTERS = (
    ("Residuals (ECSV)", ["ecsv"], write_residuals_ecsv),
    ("Observations (ADES PSV)", ["psv"], write_residuals_psv),
    ("Observations (ADES XML)", ["xml"], write_residuals_xml),
    ("Observations (80 columns)", ["txt"], write_residuals_80),
    ("Evidence sheet (HTML)", ["html"], write_evidence_sheet),
)
#: Suffixes of those that take a `choice`.
OBSERVATIONS = ("psv", "xml", "txt")

"""What a run works with: places of bodies, reference stars, what else is around, frames one by one.

::

    orbits or positions --> BodySource --+--> rows of one frame at mid-exposure
    star table or bundled --> StarSource +--> stars around the frame
    both and the bundled orbits --> Surroundings --> what else could be the dot
"""

import contextlib
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from appulse.errors import AppulseError, DesignationError, InputError, TableError
from appulse.workflows.progress import IsCancelled, Progress, counted
from appulse.workflows.workers import Workers

STAR_MARGIN_DEG = 0.02
"""Stars are fetched a little past the corners of a frame: the plate may be shifted by so much."""

LARGE_CATALOGUE = 100_000
"""A file of more orbits than this holds the bundled ones too."""

MOST_EPOCHS = 100
"""Epochs of more bodies than this would bury the rest of the provenance."""

STARTER = "bundled starter set"
FRAME_ERRORS = (AppulseError, OSError)
"""What stops one frame of a batch and not the others."""


def split_names(text: str | Sequence[str] | None, what: str = "body") -> list[str] | None:
    """Names out of a text with commas or a list, or None for all.

    Examples
    --------
    >>> split_names("7, 2020 AB"), split_names("all"), split_names(["7"])
    (['7', '2020 AB'], None, ['7'])
    """
    if text is None or (isinstance(text, str) and text.strip().lower() == "all"):
        return None
    words = text.split(",") if isinstance(text, str) else text
    names = [name.strip() for name in words if name.strip()]
    if not names:
        raise DesignationError(
            f"{what} {text!r} names no {what}: give a number, name or designation, or 'all'"
        )
    return names


def load_orbits(path: Path | str | None = None) -> tuple[Any, tuple[str, ...]]:
    """The orbits of a file, or those at hand without one; and a sentence where entries were skipped."""
    from appulse.bodies import read_orbits, starter_orbits

    if path is None:
        return starter_orbits(), ()
    catalogue = read_orbits(Path(path))
    rejected = list(catalogue.rejected)
    if not rejected:
        return catalogue, ()
    line, reason = rejected[0]
    total = len(rejected) + len(catalogue)
    skipped = f"{path}: {len(rejected)} of {total} entries skipped; first, line {line}: {reason}"
    return catalogue, (skipped,)


@dataclass(frozen=True)
class BodySource:
    """Where bodies should be, by orbits or by a table of positions; made by :func:`open_bodies`.

    Attributes
    ----------
    label : str
        File name, or 'bundled starter set'.
    path : Path or None
        None where there is no file.
    ephemeris : NBodyEphemeris or TabulatedEphemeris
        Of the chosen bodies.
    names : tuple of str or None
        The bodies asked for; None: all.
    catalogue : OrbitCatalogue or None
        Every orbit of the source; None for positions.
    orbits : OrbitCatalogue, tuple of Orbit, or None
        The chosen ones.
    one_moment : bool
        Positions without times: good for one frame only.
    notes : tuple of str
        Entries of the file that were skipped.
    """

    label: str
    path: Path | None
    ephemeris: Any
    names: tuple[str, ...] | None = None
    catalogue: Any = None
    orbits: Any = None
    one_moment: bool = False
    notes: tuple[str, ...] = ()

    def describe(self) -> dict:
        """Source, epochs and engine, for the provenance."""
        words = {"file": self.label, "engine": str(getattr(self.ephemeris, "engine", "N-body"))}
        catalogue = getattr(self.ephemeris, "catalogue", None)
        if catalogue is not None and len(catalogue) <= MOST_EPOCHS:
            epochs = catalogue.epoch_jd_tdb
            words["epochs_jd_tdb"] = {catalogue.label(i): float(epochs[i]) for i in range(len(catalogue))}
            words["sources"] = sorted({str(orbit.source) for orbit in catalogue if orbit.source})
        return words

    def in_frame(self, frame):
        """Rows of the ephemeris at mid-exposure: the bodies named, or all that fall in the frame."""
        from appulse.bodies import bodies_in_field

        mid, observer = frame.exposure.mid, frame.observer
        if self.names is not None:
            return self.ephemeris.at(mid, observer, bodies=list(self.names))
        if self.catalogue is None:
            rows = self.ephemeris.at(mid, observer)
        else:
            circle = (*frame.centre, frame.radius_deg)
            rows = bodies_in_field(self.catalogue, mid, observer, *circle, uncertainty=True)
        return rows[frame.contains(rows["ra"].value, rows["dec"].value)]

    def of(self, *names: str) -> "BodySource":
        """The same source asked for some of its bodies; nothing is read again."""
        self.ephemeris.rows(list(names))  # a name that is not there is an error here
        return replace(self, names=tuple(names))

    def only_body(self, what: str) -> str:
        """The one body that was asked for; what needs one body says so where there are more."""
        if self.names is None or len(self.names) != 1:
            asked = "all" if self.names is None else ",".join(self.names)
            raise InputError(f"body {asked!r}: {what}")
        return self.names[0]

    def check_frames(self, count: int) -> None:
        """Refuse positions without a time for more than one frame: nobody knows to which they belong."""
        if self.one_moment and count > 1:
            raise TableError(
                f"{self.path or self.label} has no column 'time', so it is good for one frame, and {count} "
                "are named: add the times, or measure frame by frame"
            )

    def find(self, text: str) -> str:
        """What the ephemeris calls the body that a number, name or designation means."""
        row = int(self.ephemeris.rows([text.strip()])[0])
        if self.catalogue is None:
            return str(self.ephemeris.designations[row])
        return str(self.ephemeris.catalogue.orbit(row).designation)

    def label_of(self, key: str) -> str:
        """What people read of a body, by what the ephemeris calls it."""
        if self.catalogue is None:
            return key
        return self.ephemeris.catalogue.label(int(self.ephemeris.rows([key])[0]))


def open_bodies(body=None, orbits=None, positions=None) -> BodySource:
    """Open orbits, or a table of positions, for one, some or all of its bodies.

    Parameters
    ----------
    body : str or list of str, optional
        Number, name or designation; several with commas or as a list; 'all' or None: every body.
    orbits : path or OrbitCatalogue, optional
        An orbit file of any kind that is read; left out: the bundled orbits and your own collection.
    positions : path or Table, optional
        Instead of orbits: a table of ``designation, ra, dec`` (degrees, ICRF) and, where it spans time,
        ``time`` (UTC, ISO).

    Returns
    -------
    BodySource

    Raises
    ------
    InputError
        If both orbits and positions are given, or a file cannot be used.
    DesignationError
        If a name means no body of the source, or several.

    Examples
    --------
    >>> source = open_bodies("Iris")
    >>> source.label, source.find("7"), source.label_of("7")
    ('bundled starter set', '7', '(7) Iris')
    """
    from appulse.bodies import NBodyEphemeris

    if orbits is not None and positions is not None:
        raise InputError("orbits and positions are two sources of the same places: give one of them")
    names = split_names(body)
    names = None if names is None else tuple(names)
    if positions is not None:
        return _open_positions(positions, names)
    if orbits is None or isinstance(orbits, str | os.PathLike):
        path = None if orbits is None else Path(orbits)
        catalogue, notes = load_orbits(path)
        label = STARTER if path is None else path.name
    else:
        path, catalogue, notes, label = None, orbits, (), orbits.source or "orbits in memory"
    chosen = catalogue if names is None else tuple(catalogue.select(name) for name in names)
    ephemeris = NBodyEphemeris(chosen if names is None else list(chosen))
    return BodySource(label, path, ephemeris, names, catalogue, chosen, notes=notes)


def _open_positions(positions, names) -> BodySource:
    from appulse.bodies import TabulatedEphemeris
    from appulse.formats import find_column, read_table

    path = Path(positions) if isinstance(positions, str | os.PathLike) else None
    ephemeris = TabulatedEphemeris.from_table(positions if path is None else path)
    if names is not None:
        ephemeris.rows(list(names))  # a name that is not there is one error, not one for each frame
    table = positions if path is None else read_table(path)
    one_moment = find_column(table, "time", "utc", "date") is None
    label = "positions in memory" if path is None else path.name
    return BodySource(label, path, ephemeris, names, one_moment=one_moment)


def is_positions_table(path: Path) -> bool:
    """Whether a file is a table of positions rather than of orbits: told by its columns, not its name."""
    from appulse.formats import read_table

    if Path(path).suffix.lower() not in (".ecsv", ".csv", ".vot", ".xml", ".fits"):
        return False
    try:
        columns = {name.lower() for name in read_table(Path(path)).colnames}
    except InputError:
        return False
    return {"ra", "dec"} <= columns and "epoch" not in columns


def open_bodies_of_file(path: Path | str | None, body=None) -> BodySource:
    """Open a file of orbits or of positions, whichever it is; None: the bundled orbits."""
    if path is not None and is_positions_table(Path(path)):
        return open_bodies(body, positions=path)
    return open_bodies(body, orbits=path)


MOST_AGED = 6
"""Comets whose old elements are integrated for a warning: each costs up to a second."""
OLD_D = 365.25


def age_notes(orbits, time, observer) -> tuple[str, ...]:
    """Warnings of comets among some orbits whose elements are older than a place at a time needs."""
    from appulse.bodies import NBodyEphemeris, is_comet, rests_on_jd

    comets = [orbit for orbit in orbits if is_comet(orbit.designation)]
    found = []
    for orbit in comets[:MOST_AGED]:
        found += NBodyEphemeris([orbit]).at(time, observer).meta.get("notes", ())
    old = [one for one in comets[MOST_AGED:] if abs(time.tdb.jd - rests_on_jd(one)) > OLD_D]
    if old:
        found.append(
            f"{len(old)} more comets have elements older than a year, and jets shift them: 'appulse predict' "
            "says by how much"
        )
    return tuple(found)


@dataclass(frozen=True)
class StarSource:
    """Reference stars; made by :func:`open_stars`."""

    path: Path | None = None  # the file, where there is one
    table: Any = None  # StarTable or None: None: the bundled stars, cut out frame by frame

    def around(self, frame):
        """The stars that a frame is held against."""
        from appulse.catalogues import bundled_stars

        if self.table is not None:
            return self.table
        return bundled_stars(*frame.centre, frame.radius_deg + STAR_MARGIN_DEG)


def open_stars(stars=None) -> StarSource:
    """Open a star table, or the bundled bright stars.

    Parameters
    ----------
    stars : path or StarTable, optional
        A table with the Gaia archive's column names; left out: the bundled stars (G < 10).

    Returns
    -------
    StarSource

    Raises
    ------
    TableError
        If the file holds no stars that can be used.

    Examples
    --------
    >>> open_stars().table is None
    True
    """
    from appulse.catalogues import read_star_table

    if stars is None:
        return StarSource()
    if isinstance(stars, str | os.PathLike):
        return StarSource(Path(stars), read_star_table(Path(stars)))
    return StarSource(table=stars)


@dataclass(frozen=True)
class Surroundings:
    """Known bodies and objects of each frame: what else could be the dot. Made by :func:`surroundings_of`."""

    catalogue: Any  # OrbitCatalogue: orbits of the run with the bundled ones beside
    table: Any = None  # TabulatedEphemeris or None: positions of the run

    def bodies(self, frame) -> tuple[list, tuple[str, ...]]:
        """Ephemeris rows of all known bodies in a frame at its middle; a note where they cannot be had."""
        from appulse.bodies import bodies_in_field

        mid, observer = frame.exposure.mid, frame.observer
        rows, notes = [], ()
        try:
            rows += list(bodies_in_field(self.catalogue, mid, observer, *frame.centre, frame.radius_deg))
        except AppulseError as error:
            notes = (f"other known bodies were not looked up: {error}",)
        if self.table is not None:
            rows += list(self.table.at(mid, observer))
        return rows, notes

    def identify(self, frame, residuals) -> tuple[tuple, tuple[str, ...]]:
        """What speaks for and against each residual of a frame being its body, and notes."""
        from appulse.astrometry import identify
        from appulse.bodies import normalise
        from appulse.catalogues import objects_near

        if not residuals:
            return (), ()
        rows, notes = self.bodies(frame)
        bodies = {normalise(str(row["designation"])): row for row in rows}
        objects = objects_near(*frame.centre, frame.radius_deg)
        found = []
        for residual in residuals:
            own = self._names(residual.designation)
            others = [row for name, row in bodies.items() if name not in own]
            found.append(identify(residual, predictions=others, objects=objects))
        return tuple(found), notes

    def _names(self, designation: str) -> set:
        """What a body is called: the same one may stand in a table and in the orbits by different names."""
        from appulse.bodies import normalise

        rows = self.catalogue.rows_of(designation)
        return {normalise(designation), *(normalise(str(self.catalogue.designation[row])) for row in rows)}


def surroundings_of(bodies: BodySource | None = None) -> Surroundings:
    """The surroundings for a source of bodies: its own, and the bundled ones."""
    from appulse.bodies import join_orbits, starter_orbits

    if bodies is None or bodies.catalogue is None:
        return Surroundings(starter_orbits(), None if bodies is None else bodies.ephemeris)
    if len(bodies.catalogue) > LARGE_CATALOGUE or bodies.label == STARTER:
        return Surroundings(bodies.catalogue)
    return Surroundings(join_orbits(bodies.catalogue, starter_orbits()))


# --- frames, one after the other


@dataclass(frozen=True)
class FailedFrame:
    """A frame of a batch that could not be used, and why."""

    path: Path
    error: Exception = field(repr=False)

    @property
    def name(self) -> str:
        """File name."""
        return self.path.name

    @property
    def reason(self) -> str:
        """Why, in one line."""
        return " ".join(str(self.error).split())


class FrameFault(AppulseError):
    """A fault of the program in one frame: it must not cost the others."""


def frame_by_frame(
    frames: Iterable, work: Callable[[Any], Any], words: str, progress: Progress | None = None,
    cancelled: IsCancelled | None = None, workers: Workers | None = None,
) -> Iterator:  # fmt: skip
    """Do the same to every frame; one that fails costs only itself.

    Parameters
    ----------
    frames : iterable of Path or SolvedFrame
    work : callable
        Takes one of them.
    words : str
        What is being done.
    progress : callable, optional
        ``progress(words, done, total)``: before the first frame and after each.
    cancelled : callable, optional
        Asked before each frame; once it says yes, no further frame is begun.
    workers : Workers, optional
        Several processes or a cluster: then `work` must be picklable. Order and results are the same.

    Yields
    ------
    object or FailedFrame
        What `work` returns. What the caller does with it is no frame's fault: an error there ends the batch.

    Examples
    --------
    >>> list(frame_by_frame([Path("a.fits"), Path("b.fits")], lambda path: path.stem, "looking"))
    ['a', 'b']
    """
    frames = list(frames)
    with contextlib.closing((workers or Workers()).outcomes(work, frames)) as outcomes:
        for frame in counted(frames, words, progress, cancelled):
            outcome = next(outcomes)
            yield outcome.value if outcome.error is None else _failed(frame, outcome.error)


def _failed(frame, error: Exception) -> FailedFrame:
    """A frame that failed; of a fault of the program, who debugs sees everything."""
    path = Path(getattr(frame, "path", None) or getattr(frame, "name", frame))
    if isinstance(error, FRAME_ERRORS):
        return FailedFrame(path, error)
    # A fault of the program in one frame must not cost the others.
    if os.environ.get("APPULSE_DEBUG", "") not in ("", "0"):
        raise error
    return FailedFrame(path, _fault(error))


def usable_frames(
    frames: Iterable, work: Callable[[Any], Any], words: str,
    each: Callable[[FailedFrame], None] | None = None, progress: Progress | None = None,
    cancelled: IsCancelled | None = None, workers: Workers | None = None,
) -> tuple[list, tuple[FailedFrame, ...]]:  # fmt: skip
    """The results of :func:`frame_by_frame`, and the frames that failed; `each` hears of these at once."""
    results, failed = [], []
    for result in frame_by_frame(frames, work, words, progress, cancelled, workers):
        if isinstance(result, FailedFrame):
            failed.append(result)
            if each is not None:
                each(result)
        else:
            results.append(result)
    return results, tuple(failed)


def _fault(error: Exception) -> FrameFault:
    text = f"unexpected {type(error).__name__}: {' '.join(str(error).split())}"
    return FrameFault(f"{text}; set APPULSE_DEBUG=1 and repeat for the details to report")

"""Where predictions and reference stars come from in the viewer: chosen for the run, opened once."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from appulse.files import check_ordinary
from appulse.workflows import (
    BodySource,
    MeasuredFrame,
    StarSource,
    Surroundings,
    measure_frame,
    open_bodies_of_file,
    surroundings_of,
)
from appulse.workflows import open_stars as open_star_table
from glue_appulse.host import say

STARTER = "starter set"


@dataclass
class Choices:
    """Sources in use."""

    #: Path; None: the bundled starter set.
    orbits: str | None = None
    #: Path; None: the bundled bright stars.
    stars: str | None = None


_choices = None
_opened = {}


def chosen() -> Choices:
    """The choices of this run, at first those of the settings file."""
    global _choices
    if _choices is None:
        _choices = Choices(**_from_settings())
    return _choices


def _from_settings() -> dict:
    from appulse.errors import AppulseError
    from appulse.formats import read_settings

    try:
        settings = read_settings()
    except AppulseError as exc:
        say(f"the settings file cannot be used, so none of it is: {exc}")
        return {}
    first = lambda paths: str(paths[0]) if paths else None  # noqa: E731
    return {"orbits": first(settings.orbits), "stars": first(settings.stars)}


def open_orbits(path: str | Path | None = None) -> BodySource:
    """Orbits or a table of places, whichever the file holds; None: the bundled starter set."""
    path = None if path in (None, "", STARTER) else Path(path)

    def read():
        source = open_bodies_of_file(path)
        for note in source.notes:
            say(note)
        return source

    return _once("orbits", path, read)


def open_stars(path: str | Path | None = None) -> StarSource:
    """A table with the Gaia archive's column names; None: the bundled bright stars."""
    path = None if path in (None, "") else Path(path)
    return _once("stars", path, lambda: open_star_table(path))


def surroundings(path: str | Path | None = None) -> Surroundings:
    """What else could be a dot: the bodies of a source and the bundled ones."""
    source = open_orbits(path)
    return _once("surroundings", source.path, lambda: surroundings_of(source))


@dataclass(frozen=True)
class Work:
    """A body to be measured in a frame, with nothing of glue in it: it may go to another process."""

    frame: Any
    body: str
    orbits: str | None
    stars: str | None
    #: The frame's plate, where it was checked before.
    plate: Any
    options: dict


def measured(work: Work) -> MeasuredFrame:
    """The frame with the body measured."""
    return measure_frame(
        work.frame, open_orbits(work.orbits).of(work.body), open_stars(work.stars), plate=work.plate,
        surroundings=surroundings(work.orbits), **work.options,
    )  # fmt: skip


def measured_apart(work: Work) -> MeasuredFrame:
    """The same in a process that is not this one: the pixels stay there."""
    result = measured(work)
    work.frame.release()
    return result


def _once(kind: str, path: Path | None, read: Callable):
    # The stamp is part of the key: a file that was edited while the viewer runs is read again.
    key = (kind,)
    if path is not None:
        check_ordinary(path, f"a file of {kind}")
        stat = path.stat()
        key = (kind, str(path.resolve()), stat.st_mtime_ns, stat.st_size)
    if key not in _opened:
        _opened[key] = read()
    return _opened[key]

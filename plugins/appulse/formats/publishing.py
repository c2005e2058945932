"""Moving finished files into their places: a kill leaves the old set or the new one, or what becomes it.

    write and sync every temporary file
    keep what stands in their places (a second link to it)
    write the journal             <- from here on the set is to be finished
    move one after the other      <- killed here: the next run in this folder goes on from the journal
    remove the journal, then what was kept

A journal is believed only as far as a stranger's file may be: names below its own folder, temporary files by
their own names. Those of processes that still run are left alone.
"""

import contextlib
import hashlib
import json
import os
import re
import shutil
import socket
import sys
import tempfile
from pathlib import Path

PREFIX = ".appulse-"
LEVELS = 3
"""Folders above an output in which a journal is looked for: one run's files lie no deeper."""
LONGEST_JOURNAL = 4_000_000
_HOST = hashlib.sha256(socket.gethostname().encode()).hexdigest()[:6]
_NAME = re.compile(re.escape(PREFIX) + r"([0-9a-f]{6})-(\d{1,10})-")


def own_prefix() -> str:
    """How this process's temporary files begin: a later one must know whether this one still runs."""
    return f"{PREFIX}{_HOST}-{os.getpid()}-"


def _left_behind(name: str) -> bool:
    """Whether a temporary file belongs to a process of this machine that is no more."""
    match = _NAME.match(name)
    if match is None or match[1] != _HOST or int(match[2]) == os.getpid():
        return False
    if sys.platform == "win32":
        return False  # asking for a process by a signal would end it there
    try:
        os.kill(int(match[2]), 0)
    except ProcessLookupError:
        return True
    except (OSError, OverflowError):
        return False
    return False


def sync_file(path: Path) -> None:
    """Wait until a file's content is on the disk."""
    with open(path, "rb+") as stream:
        os.fsync(stream.fileno())


def sync_folder(folder: Path) -> None:
    """Wait until a folder's names are on the disk, where the system can."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def keep_aside(path: Path) -> Path:
    """A second name for what stands in a place; the file itself stays there until another takes it."""
    handle, name = tempfile.mkstemp(prefix=own_prefix(), suffix=".kept", dir=path.parent)
    os.close(handle)
    os.unlink(name)
    try:
        os.link(path, name)
    except OSError:  # a disk without links
        shutil.copy2(path, name)
    return Path(name)


class Journal:
    """What is to be moved where, written down before anything is moved."""

    def __init__(self, moves: list):
        """`moves`: (temporary, path, kept or None)."""
        self.folder = _common(moves)
        self.moves = moves
        handle, name = tempfile.mkstemp(prefix=own_prefix(), suffix=".journal", dir=self.folder)
        os.close(handle)
        self.path = Path(name)
        self.write("forth")

    def write(self, way: str) -> None:
        """Write it whole or not at all: half a journal is none."""

        def inside(path):
            return None if path is None else Path(path).absolute().relative_to(self.folder).as_posix()

        content = {"way": way, "moves": [[inside(path) for path in move] for move in self.moves]}
        handle, name = tempfile.mkstemp(prefix=own_prefix(), suffix=".tmp", dir=self.folder)
        with os.fdopen(handle, "w", encoding="utf-8") as stream:
            json.dump(content, stream)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(name, self.path)
        sync_folder(self.folder)

    def back(self) -> None:
        """Put back what stood there before, as far as anything was moved."""
        with contextlib.suppress(OSError):  # a full disk is why; putting back takes no room
            self.write("back")
        undo(self.moves)

    def close(self) -> None:
        """Done, one way or the other: the journal goes first, then what was kept."""
        # What cannot be removed any more does no harm: everything is in its place, and a later run sweeps.
        with contextlib.suppress(OSError):
            self.path.unlink(missing_ok=True)
            sync_folder(self.folder)
            for temporary, _, kept in self.moves:
                temporary.unlink(missing_ok=True)
                if kept is not None:
                    kept.unlink(missing_ok=True)


def _common(moves) -> Path | None:
    """The folder above all places; None where they lie on several drives."""
    try:
        return Path(os.path.commonpath([path.parent.absolute() for _, path, _ in moves]))
    except ValueError:
        return None


def journals_of(moves) -> list[Journal]:
    """One journal for all moves; one for each folder where no later run would find the one for all."""
    folder = _common(moves)
    near = folder is not None and all(
        folder in (parent, *list(parent.parents)[:LEVELS])
        for parent in (path.parent.absolute() for _, path, _ in moves)
    )
    if near and os.access(folder, os.W_OK):
        return [Journal(moves)]
    groups = {}
    for move in moves:
        groups.setdefault(move[1].parent.absolute(), []).append(move)
    return [Journal(group) for group in groups.values()]


def undo(moves) -> None:
    """Every place as it was; what was not moved yet is left alone."""
    for temporary, path, kept in reversed(moves):
        if kept is not None:
            if kept.exists():
                os.replace(kept, path)
        elif not temporary.exists():
            path.unlink(missing_ok=True)


def recover(folder: Path) -> None:
    """Finish what a killed process left in a folder or those above it, and sweep its temporary files."""
    folder = Path(folder).absolute()
    for place in (folder, *list(folder.parents)[:LEVELS]):
        for name in _names(place):
            if name.endswith(".journal") and _left_behind(name):
                _follow(place / name)
    for name in _names(folder):
        if _left_behind(name):
            with contextlib.suppress(OSError):
                (folder / name).unlink()


def _names(folder: Path) -> list:
    try:
        with os.scandir(folder) as entries:
            return [e.name for e in entries if e.name.startswith(PREFIX) and e.is_file(follow_symlinks=False)]
    except OSError:
        return []


def _follow(journal: Path) -> None:
    """Go on from a journal; one that cannot be read, or names files elsewhere, is none."""
    try:
        if journal.stat().st_size > LONGEST_JOURNAL:
            return
        content = json.loads(journal.read_text(encoding="utf-8"))
        moves = [_checked(journal.parent, move) for move in content["moves"]]
        way = content["way"]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        moves, way = [], "none"
    with contextlib.suppress(OSError):
        if way == "forth":
            for temporary, path, _ in moves:
                if temporary.exists():
                    os.replace(temporary, path)
        elif way == "back":
            undo(moves)
        for folder in {path.parent for _, path, _ in moves}:
            sync_folder(folder)
        journal.unlink(missing_ok=True)
        for temporary, _, kept in moves:
            temporary.unlink(missing_ok=True)
            if kept is not None:
                kept.unlink(missing_ok=True)


def _checked(folder: Path, move) -> tuple:
    temporary, path, kept = move
    places = [folder / temporary, folder / path, None if kept is None else folder / kept]
    for place in places:
        if place is not None and not place.resolve().is_relative_to(folder.resolve()):
            raise ValueError(f"{place} lies elsewhere")
    for place in (places[0], places[2]):
        if place is not None and not _left_behind(place.name):
            raise ValueError(f"{place} is no temporary file of a process that ended")
    return tuple(places)

"""Writing without regret: to a temporary name first, then moved; what exists is kept unless asked.

Nothing half-written is left behind by a full disk or an interrupted run, and files that belong together
(:func:`together`) appear all at once or not at all; what a kill leaves, the next run there puts right.
"""

import contextlib
import contextvars
import os
import re
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

from appulse.errors import InputError, OutputExistsError
from appulse.formats.publishing import (
    journals_of,
    keep_aside,
    own_prefix,
    recover,
    sync_file,
    sync_folder,
)

_STAGE = contextvars.ContextVar("files that wait for each other", default=None)


def check_free(paths, overwrite=False, tables=()):
    """Refuse before any work is done when an output already exists, or could not be written.

    Parameters
    ----------
    paths : iterable of path
    overwrite : bool
    tables : iterable of path
        More outputs, to be written by :func:`write_table`: their names have to end in a format of it.

    Raises
    ------
    OutputExistsError
        One exists and `overwrite` is false.
    InputError
        One is a folder, lies in what is not a folder, or in a folder that cannot be written to; or a table's
        name ends in no format.

    Examples
    --------
    >>> check_free(["a-file-that-does-not-exist.ecsv"])
    """
    tried, tables = set(), list(tables)
    paths = [Path(path) for path in (*paths, *tables)]
    for path in tables:
        _table_kind(path)
    for folder in {path.parent for path in paths}:
        # What a killed run left half moved is finished first: only then does it show what is there.
        if folder.is_dir():
            recover(folder)
    for path in paths:
        if path.is_dir():
            raise InputError(f"{path} is a folder; give the name of a file to write")
        if path.exists() and not overwrite:
            raise OutputExistsError(f"{path} exists and is kept; give another name or --overwrite")
        folder = next((parent for parent in path.parents if parent.exists()), None)
        if folder is None or folder in tried:
            continue
        if not folder.is_dir():
            raise InputError(f"{path} cannot be written: {folder} is not a folder")
        tried.add(folder)
        try:
            # Only a trial tells: a disk may be mounted for reading, and permissions bind not everybody.
            tempfile.TemporaryFile(dir=folder).close()
        except OSError as error:
            raise InputError(f"{path} cannot be written: {folder}: {error.strerror or error}") from None


@dataclass
class _Stage:
    """Files written and not yet in their places."""

    moves: list = field(default_factory=list)
    folders: list = field(default_factory=list)
    extras: list = field(default_factory=list)

    def publish(self) -> None:
        """Move all into their places; what was there comes back where one cannot be moved."""
        if not self.moves:
            return
        path, journals, moves = self.moves[0][1], [], []
        try:
            for temporary, path in self.moves:
                kept = keep_aside(path) if path.exists() else None
                if kept is not None:
                    self.extras.append(kept)
                moves.append((temporary, path, kept))
            journals = journals_of(moves)
            for temporary, path in self.moves:
                os.replace(temporary, path)
            for folder in {path.parent for _, path in self.moves}:
                sync_folder(folder)
        except BaseException as error:
            for journal in journals:
                journal.back()
                journal.close()
            if isinstance(error, OSError):
                raise _not_written(path, error) from error
            raise
        for journal in journals:
            journal.close()
        self.folders.clear()

    def clear(self) -> None:
        """Take away whatever is not in its place, and the folders that were made for it."""
        for temporary in (*(entry for entry, _ in self.moves), *self.extras):
            with contextlib.suppress(OSError):  # a later run sweeps it
                temporary.unlink(missing_ok=True)
        # The deepest first; one that holds a stranger's file stays.
        for folder in sorted(self.folders, key=lambda entry: -len(entry.parts)):
            with contextlib.suppress(OSError):
                folder.rmdir()


@contextlib.contextmanager
def together():
    """All files that are written within the block appear when it ends well; else none of them does.

    Raises
    ------
    InputError
        If one cannot be moved into its place: all others are taken back.

    Examples
    --------
    >>> folder = Path(tempfile.mkdtemp())
    >>> with contextlib.suppress(ZeroDivisionError), together():
    ...     _ = write_text(folder / "sub" / "a.txt", "one")
    ...     1 / 0
    >>> list(folder.iterdir())
    []
    """
    if _STAGE.get() is not None:
        yield  # the outer block decides
        return
    stage = _Stage()
    token = _STAGE.set(stage)
    try:
        yield
        stage.publish()
    finally:
        _STAGE.reset(token)
        stage.clear()


def _temporary(path):
    """A new empty file beside a path, of the same suffix; its folders are made."""
    stage = _STAGE.get()
    missing = [parent for parent in path.parents if not parent.exists()]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if stage is not None:
            stage.folders += missing
        if not missing:
            recover(path.parent)
        ending = "".join(path.suffixes[-2:])
        handle, name = tempfile.mkstemp(prefix=own_prefix(), suffix=ending, dir=path.parent)
    except OSError as error:
        raise InputError(f"{path} cannot be written: {error.strerror or error}") from None
    os.close(handle)
    return Path(name)


def _not_written(path, error):
    return InputError(f"{path} was not written: {error.strerror or error}; nothing was replaced")


@contextlib.contextmanager
def replacing(path, overwrite=False, mode=None):
    """A temporary path beside the wanted one, moved there when the block ends well.

    Within :func:`together` the move waits for the other files.

    Parameters
    ----------
    path : path
        Wanted file; missing folders are made.
    overwrite : bool
    mode : int, optional
        Permissions of the file that is copied: whom it was closed to, its copy is closed to.

    Yields
    ------
    Path
        To write to; it has the same suffix.

    Raises
    ------
    OutputExistsError, InputError
        As :func:`check_free`; also when the folder cannot be made or written to.

    Examples
    --------
    >>> folder = Path(tempfile.mkdtemp())
    >>> with replacing(folder / "sub" / "a.txt") as temporary:
    ...     _ = temporary.write_text("done")
    >>> [p.name for p in (folder / "sub").iterdir()]
    ['a.txt']
    """
    path = Path(path)
    check_free([path], overwrite)
    temporary, stage = _temporary(path), _STAGE.get()
    try:
        yield temporary
        umask = os.umask(0)
        os.umask(umask)
        allowed = 0o666 if mode is None else 0o600 | mode
        temporary.chmod(0o666 & allowed & ~umask)  # mkstemp makes private files; an output is an ordinary one
        sync_file(temporary)
        if stage is None:
            os.replace(temporary, path)
            sync_folder(path.parent)
        else:
            stage.moves.append((temporary, path))
            temporary = None
    except OSError as error:
        raise _not_written(path, error) from error
    finally:
        if temporary is not None:
            temporary.unlink(missing_ok=True)


def write_text(path, text, overwrite=False):
    """Write UTF-8 text with plain line ends; returns the path.

    Examples
    --------
    >>> path = Path(tempfile.mkdtemp()) / "a.txt"
    >>> write_text(path, "one") == path
    True
    >>> write_text(path, "two")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    appulse.errors.OutputExistsError: ...a.txt exists and is kept; give another name or --overwrite
    """
    return write_bytes(path, text.encode("utf-8"), overwrite)


def write_bytes(path, content, overwrite=False):
    """Write bytes; returns the path."""
    with replacing(path, overwrite) as temporary:
        temporary.write_bytes(content)
    return Path(path)


TABLE_KINDS = {
    ".ecsv": "ascii.ecsv", ".csv": "ascii.csv", ".fits": "fits", ".vot": "votable", ".xml": "votable",
}  # fmt: skip


def _table_kind(path) -> str:
    """How astropy calls the format that a name's ending asks for."""
    kind = TABLE_KINDS.get(Path(path).suffix.lower())
    if kind is None:
        kinds = ", ".join(TABLE_KINDS)
        raise InputError(f"{path}: tables are written as {kinds}; end the name in one of these")
    return kind


def write_table(table, path, overwrite=False):
    """Write an astropy table by the suffix of the path: .ecsv (default), .csv, .fits, .vot, .xml.

    Parameters
    ----------
    table : Table or QTable
    path : path
    overwrite : bool

    Returns
    -------
    Path

    Raises
    ------
    InputError
        Unknown suffix, or the file cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> from astropy.table import Table
    >>> path = write_table(Table({"ra": [246.4]}), tempfile.mkdtemp() + "/places.ecsv")
    >>> path.name
    'places.ecsv'
    """
    path, kind = Path(path), _table_kind(path)
    if kind == "ascii.csv":
        table = guarded(table)
    with replacing(path, overwrite) as temporary:
        table.write(temporary, format=kind, overwrite=True)
    return path


FORMULA = re.compile(r"[=+@\t\r-]")
"""How a cell begins that a spreadsheet would compute; such text gets an apostrophe in front of it."""


def guarded(table):
    """A copy whose texts no spreadsheet takes for formulas; the table itself where there are none."""
    columns = {}
    for name in table.colnames:
        values = table[name]
        if getattr(values, "dtype", None) is None or values.dtype.kind not in "UO":
            continue
        texts = [f"'{v}" if isinstance(v, str) and FORMULA.match(v) else v for v in values.tolist()]
        if texts != values.tolist():
            columns[name] = texts
    if not columns:
        return table
    table = table.copy()
    for name, texts in columns.items():
        from astropy.table import MaskedColumn

        mask = getattr(table[name], "mask", None)
        full = ["" if text is None else text for text in texts]
        table[name] = texts if mask is None else MaskedColumn(full, mask=mask)
    return table

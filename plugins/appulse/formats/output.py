"""Writing without regret: to a temporary name first, then moved; what exists is kept unless asked.

Nothing half-written is left behind by a full disk or an interrupted run.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from appulse.errors import InputError, OutputExistsError


def check_free(paths, overwrite=False):
    """Refuse before any work is done when an output already exists.

    Parameters
    ----------
    paths : iterable of path
    overwrite : bool

    Raises
    ------
    OutputExistsError
        One exists and `overwrite` is false.
    InputError
        One is a folder, or lies in what is not a folder.

    Examples
    --------
    >>> check_free(["a-file-that-does-not-exist.ecsv"])
    """
    for path in map(Path, paths):
        if path.is_dir():
            raise InputError(f"{path} is a folder; give the name of a file to write")
        if path.exists() and not overwrite:
            raise OutputExistsError(f"{path} exists and is kept; give another name or --overwrite")
        for folder in path.parents:
            if folder.exists():
                if not folder.is_dir():
                    raise InputError(f"{path} cannot be written: {folder} is not a folder")
                break


@contextlib.contextmanager
def replacing(path, overwrite=False):
    """A temporary path beside the wanted one, moved there when the block ends well.

    Parameters
    ----------
    path : path
        Wanted file; missing folders are made.
    overwrite : bool

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
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        ending = "".join(path.suffixes[-2:])
        handle, name = tempfile.mkstemp(prefix=".appulse-", suffix=ending, dir=path.parent)
    except OSError as error:
        raise InputError(f"{path} cannot be written: {error.strerror or error}") from None
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        umask = os.umask(0)
        os.umask(umask)
        temporary.chmod(0o666 & ~umask)  # mkstemp makes private files; an output is an ordinary one
        os.replace(temporary, path)
    except OSError as error:
        why = error.strerror or error
        raise InputError(f"{path} was not written: {why}; nothing was replaced") from error
    finally:
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
    """
    path = Path(path)
    kinds = {
        ".ecsv": "ascii.ecsv", ".csv": "ascii.csv", ".fits": "fits", ".vot": "votable", ".xml": "votable"
    }  # fmt: skip
    kind = kinds.get(path.suffix.lower())
    if kind is None:
        raise InputError(f"{path}: tables are written as {', '.join(kinds)}; end the name in one of these")
    with replacing(path, overwrite) as temporary:
        table.write(temporary, format=kind, overwrite=True)
    return path

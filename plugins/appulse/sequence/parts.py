"""Finished parts of a run, kept on disk until the run is done: so it can be cancelled and taken up again.

A part's name holds a digest of everything that shaped it; a part of another recipe is never mistaken for it.
Planes are raw float32, rows one after the other, so that any strip is one read. Records are numpy's npz
with a JSON header and no pickles: the folder may be shared, and reading what was planted there runs nothing.
"""

import hashlib
import json
import os
import shutil
import stat
import tempfile
import threading
import zipfile
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path

import numpy as np

from appulse.errors import InputError

FORMAT = 9
"""Raised when what is computed changes: older parts are then computed again."""


def digest(*what) -> str:
    """Twenty hexadecimal digits of anything that JSON can write."""
    text = json.dumps([FORMAT, *what], sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:20]


class Parts:
    """A folder of finished parts.

    Parameters
    ----------
    folder : path
        Made when the first part is kept.

    Attributes
    ----------
    reused, made : int
        Parts found and parts computed in this run.

    Examples
    --------
    >>> parts = Parts(Path(tempfile.mkdtemp()) / "parts")
    >>> plane = parts.plane("a", digest("a"), (2, 3), lambda: np.ones((2, 3), np.float32))
    >>> plane.rows(1, 2).tolist(), parts.made
    ([[1.0, 1.0, 1.0]], 1)
    """

    def __init__(self, folder):
        self.folder = Path(folder)
        self.reused = self.made = 0
        self._lock = threading.Lock()

    def _found(self):
        with self._lock:
            self.reused += 1

    def _path(self, kind, key, suffix):
        return self.folder / f"{kind}-{key}{suffix}"

    def check_room(self, planes) -> None:
        """That the disk has room for planes that are not there yet."""
        needed = sum(
            4 * int(np.prod(shape))
            for kind, key, shape in planes
            if not self._path(kind, key, ".f32").exists()
        )
        self._make_folder()
        free = shutil.disk_usage(self.folder).free
        if needed > free:
            raise InputError(
                f"{self.folder}: the aligned frames take {_size_words(needed)} until the run is done, "
                f"{_size_words(free)} are free; make room, or give --out on another disk"
            )

    def _make_folder(self):
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(f"{self.folder} cannot be made: {error.strerror or error}") from None

    def _keep(self, path, write):
        self._make_folder()
        name = None
        try:
            handle, name = tempfile.mkstemp(prefix=".part-", dir=self.folder)
            with os.fdopen(handle, "wb") as stream:
                write(stream)
            os.replace(name, path)
        except BaseException as error:
            if name is not None:
                Path(name).unlink(missing_ok=True)
            if isinstance(error, OSError):
                raise InputError(
                    f"{self.folder} cannot be written to: {error.strerror or error}; make room on the disk, "
                    "and the same command goes on from there"
                ) from error
            raise
        with self._lock:
            self.made += 1

    def plane(self, kind, key, shape, make) -> "Plane":
        """The plane of this name, computed by `make()` if it is not there yet."""
        path = self._path(kind, key, ".f32")
        if _size(path) == 4 * int(np.prod(shape)):
            self._found()
        else:
            values = np.ascontiguousarray(make(), dtype=np.float32)
            self._keep(path, values.tofile)
        return Plane(path, tuple(shape))

    def record(self, kind, key, cls, make: Callable, fits: Callable = lambda found: True):
        """A dataclass of arrays, numbers and words; one on disk that does not pass `fits` is made anew."""
        path = self._path(kind, key, ".npz")
        found = _read_record(path, key, cls)
        if found is not None and fits(found):
            self._found()
            return found
        found = make()
        self._keep(path, lambda stream: _write_record(stream, key, found))
        return found

    def clear(self, kind=None) -> None:
        """Remove the parts, all or of one kind, and the folder when it is empty."""
        if not self.folder.is_dir():
            return
        for path in self.folder.glob("*" if kind is None else f"{kind}-*"):
            if path.suffix in (".f32", ".npz", ".part") or path.name.startswith(".part-"):
                path.unlink(missing_ok=True)
        if not any(self.folder.iterdir()):
            self.folder.rmdir()


HEADER = "header"
"""Member of a record's npz: its header's JSON as bytes."""


def _size_words(n_bytes: int) -> str:
    """A size as a person reads it.

    >>> _size_words(1600), _size_words(2_400_000), _size_words(3_000_000_000)
    ('2 kB', '2 MB', '3.00 GB')
    """
    if n_bytes < 999_500_000:
        return f"{n_bytes / 1e6:.0f} MB" if n_bytes >= 999_500 else f"{-(-n_bytes // 1000)} kB"
    return f"{n_bytes / 1e9:.2f} GB"


def _size(path) -> int | None:
    """Bytes of an ordinary file; None for what is none: a pipe or a link would be waited for or followed."""
    try:
        found = path.lstat()
    except OSError:
        return None
    return found.st_size if stat.S_ISREG(found.st_mode) else None


def _write_record(stream, key, record) -> None:
    arrays, values = {}, {}
    for field in fields(record):
        value = getattr(record, field.name)
        # A numpy number stays one: with Python's in its place a later product may have another precision.
        if isinstance(value, np.ndarray | np.generic):
            arrays[field.name] = np.asarray(value)
        else:
            values[field.name] = value
    header = {
        "format": FORMAT, "key": key, "class": type(record).__name__, "values": values,
        "arrays": {name: [array.dtype.str, list(array.shape)] for name, array in arrays.items()},
    }  # fmt: skip
    text = np.frombuffer(json.dumps(header).encode(), np.uint8)
    np.savez(stream, allow_pickle=False, **{HEADER: text}, **arrays)


def _read_record(path, key, cls):
    """The record of a file, or None where it is not there, damaged, or not what its name says."""
    size = _size(path)
    if size is None:
        return None
    try:
        with zipfile.ZipFile(path) as members:
            # Records are written uncompressed: nothing in them is larger than the file.
            if any(m.compress_type != zipfile.ZIP_STORED or m.file_size > size for m in members.infolist()):
                return None
        with np.load(path, allow_pickle=False) as members:
            header = json.loads(members[HEADER].tobytes())
            if (header["format"], header["key"], header["class"]) != (FORMAT, key, cls.__name__):
                return None
            arrays = {name: members[name] for name in header["arrays"]}
        if any([a.dtype.str, list(a.shape)] != header["arrays"][name] for name, a in arrays.items()):
            return None
        values = {
            name: tuple(value) if isinstance(value, list) else value
            for name, value in header["values"].items()
        }
        values |= {name: array[()] if array.ndim == 0 else array for name, array in arrays.items()}
        return cls(**values)
    # Whatever a file that somebody else wrote makes the readers stumble over: the part is computed again.
    except Exception:
        return None


class Plane:
    """A plane on disk, read in strips: no memory is held between the reads."""

    def __init__(self, path, shape):
        # shape: (int, int)
        self.path, self.shape = path, shape

    def rows(self, first: int, last: int) -> np.ndarray:
        """Rows first..last-1, float32."""
        nx = self.shape[1]
        count = (last - first) * nx
        return np.fromfile(self.path, np.float32, count, offset=4 * first * nx).reshape(last - first, nx)

    def box(self, x0: int, y0: int, x1: int, y1: int) -> np.ndarray:
        """Pixels x0..x1-1 of rows y0..y1-1."""
        return self.rows(y0, y1)[:, x0:x1]

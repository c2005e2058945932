"""Finished parts of a run, kept on disk until the run is done: so it can be cancelled and taken up again.

A part's name holds a digest of everything that shaped it; a part of another recipe is never mistaken for it.
Planes are raw float32, rows one after the other, so that any strip is one read.
"""

import hashlib
import json
import os
import pickle
import shutil
import tempfile
import threading
from pathlib import Path

import numpy as np

from appulse.errors import InputError

FORMAT = 6
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
                f"{self.folder}: the aligned frames take {needed / 1e9:.2f} GB until the run is done, "
                f"{free / 1e9:.2f} GB are free; make room, or give --out on another disk"
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
        if path.exists() and path.stat().st_size == 4 * int(np.prod(shape)):
            self._found()
        else:
            values = np.ascontiguousarray(make(), dtype=np.float32)
            self._keep(path, values.tofile)
        return Plane(path, tuple(shape))

    def thing(self, kind, key, make):
        """Any other result, pickled: written and read by this program alone, in the user's own folder."""
        path = self._path(kind, key, ".part")
        if path.exists():
            try:
                with path.open("rb") as stream:
                    found = pickle.load(stream)
                self._found()
                return found
            except (pickle.UnpicklingError, EOFError, AttributeError, ImportError):
                path.unlink()
        found = make()
        self._keep(path, lambda stream: pickle.dump(found, stream))
        return found

    def clear(self, kind=None) -> None:
        """Remove the parts, all or of one kind, and the folder when it is empty."""
        if not self.folder.is_dir():
            return
        for path in self.folder.glob("*" if kind is None else f"{kind}-*"):
            if path.suffix in (".f32", ".part") or path.name.startswith(".part-"):
                path.unlink(missing_ok=True)
        if not any(self.folder.iterdir()):
            self.folder.rmdir()


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

"""Arrays that take long to make from files that do not change: kept in the user's cache, memory-mapped.

::

    sources (content) --> key --> CACHE/arrays/NAME-KEY/*.npy --> np.load(mmap_mode="r")
                                  not there, or damaged       --> made anew, and kept if possible
"""

import hashlib
import os
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np

FORMAT = 1
"""Raise it when what is kept is made in another way."""
READ_WHOLE = 16_000_000
"""Bytes: larger sources are told apart by size and time, for reading them would take longer than it saves."""
SETS_KEPT = 3
"""Of one name: installations side by side have sources of their own, and must not drive each other out."""


def cache_folder() -> Path:
    """Where the user's caches are: ``APPULSE_CACHE``, else the platform's folder for such files."""
    if os.environ.get("APPULSE_CACHE"):
        return Path(os.environ["APPULSE_CACHE"])
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA", Path.home()))
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Caches"
    else:
        base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return base / "appulse"


def cached_arrays(
    name: str, sources: Iterable[Path], make: Callable[[], dict[str, np.ndarray]], version: int = 1
) -> dict[str, np.ndarray]:
    """Arrays by name, memory-mapped from the cache, or made where they are not there.

    Parameters
    ----------
    name : str
        What they are; with the sources it makes the key.
    sources : iterable of path
        Files that they are made of: another content of one of them makes them anew (of a large one another
        size or time).
    make : callable
        Gives the arrays: plain numbers or texts, no objects.
    version : int
        Raise it when `make` gives something else.

    Returns
    -------
    dict of str to array
        Read-only where they are mapped. Of the same name three sets are kept: the oldest goes when a fourth
        is made.

    Raises
    ------
    Exception
        Whatever `make` raises. A cache that cannot be read or written is no error: the arrays are made.

    Examples
    --------
    >>> sorted(cached_arrays("example", [], lambda: {"x": np.arange(3)}))
    ['x']
    """
    parts = [name, str(FORMAT), str(version), np.__version__]
    for path in map(Path, sources):
        parts += [path.name, _sign(path)]
    key = hashlib.sha256("\n".join(parts).encode()).hexdigest()[:16]
    folder = cache_folder() / "arrays" / f"{name}-{key}"
    kept = _mapped(folder)
    if kept is None:
        kept = make()
        _keep(folder, kept, name)
    return kept


def _sign(path: Path) -> str:
    """What tells one state of a file from another."""
    about = path.stat()
    if about.st_size > READ_WHOLE:
        return f"{about.st_size} {about.st_mtime_ns}"
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _mapped(folder: Path) -> dict[str, np.ndarray] | None:
    """The arrays of a folder; None where they are not there or damaged."""
    try:
        names = (folder / "names.txt").read_text(encoding="utf-8").split()
        return {name: np.load(folder / f"{name}.npy", mmap_mode="r", allow_pickle=False) for name in names}
    except (OSError, ValueError, EOFError):
        return None


def _keep(folder: Path, arrays: dict[str, np.ndarray], name: str) -> None:
    """Write the arrays to a folder of another name, and put it in place whole; nothing where that fails."""
    temporary = None
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        temporary = Path(tempfile.mkdtemp(prefix=".new-", dir=folder.parent))
        for array_name, array in arrays.items():
            np.save(temporary / f"{array_name}.npy", array, allow_pickle=False)
        (temporary / "names.txt").write_text(" ".join(arrays), encoding="utf-8")
        others = [old for old in folder.parent.glob(f"{name}-*") if old != folder]
        others.sort(key=lambda old: old.stat().st_mtime, reverse=True)
        for old in (folder, *others[SETS_KEPT - 1 :]):  # the folder of this name was damaged
            shutil.rmtree(old, ignore_errors=True)
        temporary.rename(folder)  # another process may have been faster: then its folder stands
    except OSError:
        pass
    finally:
        if temporary is not None and temporary.exists():
            shutil.rmtree(temporary, ignore_errors=True)

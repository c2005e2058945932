"""Arrays that take long to make from files that do not change: kept in the user's cache, memory-mapped.

::

    sources (size, time) --> key --> CACHE/arrays/NAME-KEY/*.npy --> np.load(mmap_mode="r")
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
        Files that they are made of: another size or time of one of them makes them anew.
    make : callable
        Gives the arrays: plain numbers or texts, no objects.
    version : int
        Raise it when `make` gives something else.

    Returns
    -------
    dict of str to array
        Read-only where they are mapped. One older set of the same name is removed when a new one is kept.

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
        about = path.stat()
        parts += [path.name, str(about.st_size), str(about.st_mtime_ns)]
    key = hashlib.sha256("\n".join(parts).encode()).hexdigest()[:16]
    folder = cache_folder() / "arrays" / f"{name}-{key}"
    kept = _mapped(folder)
    if kept is None:
        kept = make()
        _keep(folder, kept, name)
    return kept


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
        for old in folder.parent.glob(f"{name}-*"):
            shutil.rmtree(old, ignore_errors=True)
        temporary.rename(folder)  # another process may have been faster: then its folder stands
    except OSError:
        pass
    finally:
        if temporary is not None and temporary.exists():
            shutil.rmtree(temporary, ignore_errors=True)

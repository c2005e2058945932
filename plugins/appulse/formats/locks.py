"""One process at a time where a file is read, changed and written again."""

import contextlib
from pathlib import Path

from appulse.errors import InputError

WAIT_S = 60.0
"""Longer than any change of the user's own collection takes."""


@contextlib.contextmanager
def lock_of(path, wait_s: float | None = None):
    """The right to change a file, held for the block; others wait for it.

    Parameters
    ----------
    path : path
        The file; a small lock file of its name and ``.lock`` lies beside it.
    wait_s : float, optional
        Seconds to wait for another process; a minute when left out.

    Raises
    ------
    InputError
        If another process keeps it for longer, or the folder cannot be written to.

    Examples
    --------
    >>> import tempfile
    >>> with lock_of(Path(tempfile.mkdtemp()) / "orbits.ecsv"):
    ...     pass
    """
    # Imported here: one command in eighteen changes such a file.
    from filelock import FileLock, Timeout

    path, wait_s = Path(path), WAIT_S if wait_s is None else wait_s
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        lock = FileLock(f"{path}.lock")
        lock.acquire(timeout=wait_s)
    except Timeout:
        raise InputError(
            f"{path}: another process has been changing it for {wait_s:g} s; try again when it is done"
        ) from None
    except OSError as error:
        raise InputError(f"{path} cannot be written: {error.strerror or error}") from None
    try:
        yield
    finally:
        lock.release()

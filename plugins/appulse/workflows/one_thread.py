"""One thread for linear algebra while bodies are measured: small matrices gain nothing from more."""

import contextlib
import threading
from collections.abc import Iterator

_lock = threading.Lock()
_holders: list = [0, None]
"""How many hold the libraries at one thread now, and the call that gives their threads back."""


@contextlib.contextmanager
def one_thread() -> Iterator[None]:
    """Hold the linear algebra libraries of this process at one thread; afterwards they have theirs again.

    Threads that wait for each other over matrices of six rows make work ten times slower on a busy machine.
    Several may hold it at a time: the last to leave gives back what the first has found.

    Examples
    --------
    >>> with one_thread():
    ...     pass
    """
    with _lock:
        if not _holders[0]:
            _holders[1] = _limited()
        _holders[0] += 1
    try:
        yield
    finally:
        with _lock:
            _holders[0] -= 1
            if not _holders[0]:
                _holders[1]()


def _limited():
    """The libraries that are loaded by now at one thread; a call that gives theirs back."""
    # Loaded here: help texts load no numpy, and its library must be there to be found.
    import numpy as np  # noqa: F401
    import scipy.linalg  # noqa: F401
    from threadpoolctl import threadpool_limits

    return threadpool_limits(limits=1, user_api="blas").restore_original_limits

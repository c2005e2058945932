"""Work off the interface thread, with progress and a way to stop."""

import threading
import traceback
from typing import ClassVar

from qtpy.QtCore import QObject, QRunnable, QThreadPool, Signal

from glue_appulse.notices import say


class Stopped(Exception):
    """The user stopped the work."""


class Job(QObject):
    """One piece of work in a thread of its own.

    Parameters
    ----------
    function : callable
        Gets this job as its first argument, to report progress and to ask whether to stop.
    *args
        Further arguments.
    """

    #: Result, failure (the exception), progress (done, of how many; or with words), end in any way.
    done = Signal(object)
    failed = Signal(object)
    progressed = Signal(int, int)
    staged = Signal(str, int, int)
    ended = Signal()

    _alive: ClassVar[set] = set()

    def __init__(self, function, *args):
        super().__init__()
        self._function, self._args = function, args
        self._stop = threading.Event()
        self._finished = threading.Event()

    def start(self):
        """Begin; the job keeps itself alive until it has ended.

        Returns
        -------
        Job
        """
        Job._alive.add(self)
        QThreadPool.globalInstance().start(_Runner(self._run))
        return self

    def stop(self):
        """Ask the work to stop at its next step."""
        self._stop.set()

    @property
    def stopping(self):
        """Whether the user has asked to stop, for work that has something to give back."""
        return self._stop.is_set()

    def report(self, count, total):
        """Report progress from within work that asks :attr:`stopping` itself.

        Parameters
        ----------
        count, total : int
        """
        self.progressed.emit(count, total)

    def stage(self, words, count, total):
        """Report progress in words from within work that asks :attr:`stopping` itself.

        Parameters
        ----------
        words : str
            What is being done.
        count, total : int
        """
        self.staged.emit(words, count, total)

    def step(self, count, total):
        """Report progress from within the work.

        Parameters
        ----------
        count, total : int

        Raises
        ------
        Stopped
            The user has had enough.
        """
        if self._stop.is_set():
            raise Stopped
        self.report(count, total)

    def wait(self, seconds=60.0):
        """Wait for the end, delivering what the work has sent; for scripts and tests.

        Parameters
        ----------
        seconds : float

        Returns
        -------
        bool
            Whether it ended in time.
        """
        from qtpy.QtWidgets import QApplication

        over = self._finished.wait(seconds)
        for _ in range(3):
            QApplication.processEvents()
        return over

    def _run(self):
        try:
            self.done.emit(self._function(self, *self._args))
        except Stopped:
            pass
        except Exception as exc:
            exc.appulse_trace = traceback.format_exc()
            self.failed.emit(exc)
        finally:
            self.ended.emit()
            self._finished.set()
            Job._alive.discard(self)


class _Runner(QRunnable):
    def __init__(self, function):
        super().__init__()
        self._function = function

    def run(self):
        self._function()


def tell(exc):
    """Show a failure in glue's console: one line for what a user can mend, the trace for what is our fault.

    Parameters
    ----------
    exc : Exception
    """
    from appulse.errors import AppulseError

    if isinstance(exc, AppulseError | ValueError):
        say(str(exc))
    else:
        say(getattr(exc, "appulse_trace", f"{type(exc).__name__}: {exc}"))


def failure_words(exc):
    """A failure in a line for a panel.

    Parameters
    ----------
    exc : Exception

    Returns
    -------
    str

    Examples
    --------
    >>> failure_words(PermissionError(13, "Permission denied", "/night/picture"))
    '/night/picture: Permission denied; choose another place, or make it free'
    """
    from appulse.errors import AppulseError

    if isinstance(exc, AppulseError | ValueError):
        return str(exc)
    if isinstance(exc, OSError):
        return f"{exc.filename or 'a file'}: {exc.strerror or exc}; choose another place, or make it free"
    return f"this is a fault of the program: {exc}; the error console holds the details"

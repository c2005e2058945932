"""Panels that an application has once, and their work off the interface thread, with a way to stop."""

import threading
import traceback
from typing import ClassVar

from qtpy.QtCore import QEvent, QObject, QRunnable, Qt, QThreadPool, Signal
from qtpy.QtWidgets import QDialog, QLabel, QScrollArea, QSizePolicy

from glue_appulse.host import say


class Stopped(Exception):
    """The user stopped the work."""


class BackgroundWork(QObject):
    """One piece of work in a thread of its own."""

    #: Result, failure (the exception), progress (done, of how many; or with words), end in any way.
    done = Signal(object)
    failed = Signal(object)
    progressed = Signal(int, int)
    staged = Signal(str, int, int)
    ended = Signal()
    #: What is done, of how many, time left: in the words of the command line.
    worded = Signal(str)

    _alive: ClassVar[set] = set()

    def __init__(self, function, *args):
        super().__init__()
        self._function, self._args = function, args
        self._stop = threading.Event()
        self._stage = None
        self._finished = threading.Event()

    def start(self) -> "BackgroundWork":
        """Begin; the job keeps itself alive until it has ended."""
        BackgroundWork._alive.add(self)
        QThreadPool.globalInstance().start(_Runner(self._run))
        return self

    def stop(self):
        """Ask the work to stop at its next step."""
        self._stop.set()

    @property
    def stopping(self):
        """Whether the user has asked to stop, for work that has something to give back."""
        return self._stop.is_set()

    def report(self, count: int, total: int):
        """Report progress from within work that asks :attr:`stopping` itself."""
        self.progressed.emit(count, total)

    def stage(self, words: str, count: int, total: int):
        """Report progress in words from within work that asks :attr:`stopping` itself."""
        from appulse.workflows import Stage

        if self._stage is None or (self._stage.words, self._stage.total) != (words, total):
            self._stage = Stage(words, total)
        self._stage.update(count)
        self.staged.emit(words, count, total)
        self.worded.emit(self._stage.line())

    def step(self, count: int, total: int):
        """Report progress from within the work."""
        if self._stop.is_set():
            raise Stopped
        self.report(count, total)

    def wait(self, seconds: float = 60.0) -> bool:
        """Wait for the end, delivering what the work has sent; for scripts and tests."""
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
            BackgroundWork._alive.discard(self)


class _Runner(QRunnable):
    def __init__(self, function):
        super().__init__()
        self._function = function

    def run(self):
        self._function()


def report_failure(exc):
    """Show a failure in glue's console: a line for what a user can mend, the trace for a fault of ours."""
    from appulse.errors import AppulseError

    if isinstance(exc, AppulseError | ValueError):
        say(str(exc))
    else:
        say(getattr(exc, "appulse_trace", f"{type(exc).__name__}: {exc}"))


def failure_words(exc) -> str:
    """A failure in a line for a panel."""
    from appulse.errors import AppulseError

    if isinstance(exc, AppulseError | ValueError):
        return str(exc)
    if isinstance(exc, OSError):
        return f"{exc.filename or 'a file'}: {exc.strerror or exc}; choose another place, or make it free"
    return f"this is a fault of the program: {exc}; the error console holds the details"


class Notice(QLabel):
    """Line at the foot of a panel."""

    def __init__(self, words=""):
        super().__init__(words)
        self.setWordWrap(True)
        self.setTextInteractionFlags(Qt.TextSelectableByMouse)

    def fail(self, exc):
        """Show a failure in words, here and in glue's console."""
        report_failure(exc)
        self.setText(failure_words(exc))


class ElidedLine(QLabel):
    """One line that is cut with an ellipsis where it does not fit; the whole stands in its tip."""

    def __init__(self, words=""):
        super().__init__()
        self.setSizePolicy(QSizePolicy.Ignored, QSizePolicy.Preferred)
        self.setText(words)

    def setText(self, words: str):
        self._words = words
        self.setToolTip(words)
        self._cut()

    def text(self) -> str:
        return self._words

    def resizeEvent(self, event):
        super().resizeEvent(event)
        self._cut()

    def _cut(self):
        shown = self.fontMetrics().elidedText(self._words, Qt.ElideMiddle, self.width())
        super().setText(shown)


class TallArea(QScrollArea):
    """What may be higher than a low screen: it scrolls up and down, and is as wide as what it holds."""

    def __init__(self):
        super().__init__(widgetResizable=True)
        self.setFrameShape(QScrollArea.NoFrame)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarAlwaysOff)

    def eventFilter(self, watched, event):
        if watched is self.widget() and event.type() in (QEvent.LayoutRequest, QEvent.Resize):
            wide = watched.minimumSizeHint().width() + self.verticalScrollBar().sizeHint().width()
            if wide != self.minimumWidth():
                self.setMinimumWidth(wide)
        return super().eventFilter(watched, event)


class Panel(QDialog):
    """Window that is made once and only hidden when it is closed."""

    def __init__(self, session, parent, title, words=""):
        super().__init__(parent)
        self.setWindowTitle(title)
        self.setAttribute(Qt.WA_DeleteOnClose, False)
        self.session, self.status = session, Notice(words)

    def say(self, words: str):
        """Show a line at the foot of the panel."""
        self.status.setText(words)

    def fail(self, exc):
        """Show a failure at the foot of the panel and in glue's console."""
        self.status.fail(exc)


def open_once(session, cls: type, area=None):
    """Show a panel; it is made at the first call and brought up to date at every other."""
    application = session.application
    panels = vars(application).setdefault("_appulse_panels", {})
    if cls not in panels:
        panels[cls] = cls(session, application)
        if area is not None:
            application.addDockWidget(area, panels[cls])
    elif hasattr(cls, "fill"):
        panels[cls].fill()
    panels[cls].show()
    panels[cls].raise_()
    return panels[cls]

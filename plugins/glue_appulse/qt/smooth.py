"""A window that does not stand still: what is slow to import comes when it idles, long work lets it live."""

import contextlib
import importlib
import threading
import time

from qtpy.QtCore import QEventLoop, QTimer
from qtpy.QtWidgets import QApplication, QMainWindow

#: What the first image viewer and our panels need, in the order in which one builds on the other: each takes
#: a moment, all together the better part of a second, at the click that needs them first.
AHEAD = (
    "mpl_toolkits.axes_grid1",
    "astropy.visualization.wcsaxes",
    "glue_appulse.qt.overlay_sync",
    "glue_appulse.qt.add_overlays",
    "glue_appulse.qt.facts_panel",
    "glue_appulse.qt.measure_panel",
    "glue_appulse.qt.player",
    "glue_appulse.qt.setup_panel",
    "glue_appulse.qt.colour_panel",
)
PAUSE_MS = 20
#: Long work lets the window live this often, and its words stay so long, seconds.
BREATH_S, WORDS_S = 0.1, 1.0


def import_ahead(application) -> QTimer:
    """Import what will be needed soon, one after the other, as long as nothing else is to be done."""
    waiting = list(AHEAD)
    timer = QTimer(application)

    def one():
        if not waiting:
            timer.stop()
            return
        # What cannot be imported is said where it is needed.
        with contextlib.suppress(ImportError):
            importlib.import_module(waiting.pop(0))

    timer.timeout.connect(one)
    timer.start(PAUSE_MS)
    return timer


class Breath:
    """Lets windows be drawn between two pieces of work; what the user does meanwhile waits until its end."""

    def __init__(self):
        self._last = 0.0

    def __call__(self, words: str):
        """Show how far it is, at most every :data:`BREATH_S`."""
        if threading.current_thread() is not threading.main_thread() or QApplication.instance() is None:
            return
        if time.monotonic() - self._last < BREATH_S:
            return
        for window in QApplication.topLevelWidgets():
            if isinstance(window, QMainWindow) and window.isVisible():
                window.statusBar().showMessage(f"{words}…", int(1000 * WORDS_S))
        # a click in the midst of it could take away what is being worked at
        QApplication.processEvents(QEventLoop.ExcludeUserInputEvents)
        self._last = time.monotonic()

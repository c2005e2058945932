"""Lines that are not to be overlooked, in one box that waits for nobody."""

from qtpy.QtCore import QObject, Qt, QTimer, Signal
from qtpy.QtWidgets import QApplication, QMainWindow, QMessageBox

TITLE = "Not all of it could be opened"
MOST_LINES = 12
"""More would make a box higher than a screen; the console has them all."""

POLL_MS = 300


class Boxes(QObject):
    """Shows lines that come one after the other in the box that is open already."""

    _came = Signal(str)

    def __init__(self):
        super().__init__()
        self._box, self._lines = None, []
        self._came.connect(self._show)

    def show(self, line: str):
        """Show a line, from whichever thread; nothing where no application runs."""
        if QApplication.instance() is not None:
            self._came.emit(line)

    def _show(self, line):
        if self._box is None:
            # a window that nobody sees may be on its way out, and would take the box with it
            self._box = QMessageBox(_window())
            self._box.setWindowTitle(TITLE)
            self._box.setIcon(QMessageBox.Warning)
            # What a file is called is no markup.
            self._box.setTextFormat(Qt.PlainText)
            self._box.setTextInteractionFlags(Qt.TextSelectableByMouse)
            self._box.setAttribute(Qt.WA_DeleteOnClose)
            self._box.finished.connect(self._read)
            self._box.destroyed.connect(self._forget)
            self._box.setModal(False)
            self._lines = []
        self._lines.append(line)
        rest = len(self._lines) - MOST_LINES
        more = [f"... and {rest} more, in the console"] if rest > 0 else []
        self._box.setText("\n\n".join([*self._lines[:MOST_LINES], *more]))
        self._box.show()
        self._raise()

    def _raise(self):
        # A window that opens later would cover the box.
        if self._box is not None:
            if _window() is None:
                QTimer.singleShot(POLL_MS, self._raise)
            self._box.raise_()

    def _read(self, *_args):
        self._lines = []

    def _forget(self, *_args):
        self._box = None
        if self._lines:
            QTimer.singleShot(0, self._again)

    def _again(self):
        # gone unread, with its window: a session that is opened brings a new one
        lines, self._lines = self._lines, []
        if self._box is None and _window() is not None:
            for line in lines:
                self._show(line)


def _window():
    """A main window in sight, or None."""
    windows = (w for w in QApplication.topLevelWidgets() if isinstance(w, QMainWindow))
    return next((w for w in windows if w.isVisible()), None)

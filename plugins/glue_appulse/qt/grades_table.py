"""Table of the night's frames: a tick for each that is kept, and how good it is."""

import numpy as np
from qtpy.QtCore import Qt, Signal
from qtpy.QtWidgets import QAbstractItemView, QHeaderView, QTableWidget, QTableWidgetItem

UNKNOWN = "–"
#: Key of a grade, its title, digits.
NUMBERS = (
    ("fwhm", "FWHM\npx", 2),
    ("ellipticity", "ellip-\nticity", 2),
    ("sky", "sky\n", 0),
    ("n_stars", "stars\n", 0),
    ("transparency", "trans-\nparency", 2),
    ("trail", "trail\npx", 1),
)
TIPS = {
    "fwhm": "Width of the stars at half their height",
    "ellipticity": "Of the stars: 0 round",
    "sky": "Level of the sky, in the units of the frame",
    "n_stars": "Stars that were found",
    "transparency": "Light that came through, against the best frames of the night",
    "trail": "Way of the body during the exposure",
}
TITLES = ("keep\nframe", "UTC\n", *(title for _key, title, _digits in NUMBERS), "why left out\n")


class GradesTable(QTableWidget):
    """Frames of the night.

    Parameters
    ----------
    parent : QWidget or None
    """

    #: The user has ticked or unticked a frame.
    decided = Signal()

    def __init__(self, parent=None):
        super().__init__(0, len(TITLES), parent)
        self.setHorizontalHeaderLabels(TITLES)
        for column, (key, _title, _digits) in enumerate(NUMBERS, start=2):
            self.horizontalHeaderItem(column).setToolTip(TIPS[key])
        self.setSelectionBehavior(QAbstractItemView.SelectRows)
        self.setEditTriggers(QAbstractItemView.NoEditTriggers)
        self.setAlternatingRowColors(True)
        self.verticalHeader().hide()
        head = self.horizontalHeader()
        head.setSectionResizeMode(QHeaderView.ResizeToContents)
        head.setStretchLastSection(True)
        self.keep, self._rows, self._grades = {}, {}, {}
        self.itemChanged.connect(self._changed)

    def show_frames(self, frames):
        """List frames; what was said and measured of those that stay is kept.

        Parameters
        ----------
        frames : list of (str, str)
            Name and time of the middle, UTC.
        """
        self._rows = {name: row for row, (name, _time) in enumerate(frames)}
        self.keep = {name: keep for name, keep in self.keep.items() if name in self._rows}
        self.blockSignals(True)
        self.setRowCount(len(frames))
        for row, (name, time) in enumerate(frames):
            first = QTableWidgetItem(name)
            first.setFlags(first.flags() | Qt.ItemIsUserCheckable)
            first.setCheckState(Qt.Checked if self.keep.get(name, True) else Qt.Unchecked)
            self.setItem(row, 0, first)
            self.setItem(row, 1, QTableWidgetItem(time[5:16].replace("T", " ")))
            self.item(row, 1).setToolTip(time[:19].replace("T", " "))
            for column in range(2, len(TITLES)):
                self.setItem(row, column, _value(UNKNOWN, column))
        self.blockSignals(False)
        self.show_grades([self._grades[name] for name in self._rows if name in self._grades])

    def forget_decisions(self):
        """Tick as the grades say again."""
        self.keep = {}
        for name in self._rows:
            self.set_keep(name, bool(self._grades.get(name, {}).get("keep", True)))
        self.keep = {}
        self.show_grades([self._grades[name] for name in self._rows if name in self._grades])
        self.decided.emit()

    def show_grades(self, grades):
        """Fill in what was measured, and tick as the grades say where the user has said nothing.

        Parameters
        ----------
        grades : list of dict
            With the keys of :data:`appulse.sequence.grade.COLUMNS`.
        """
        self._grades = {**self._grades, **{grade["frame"]: grade for grade in grades}}
        self.blockSignals(True)
        for grade in grades:
            row = self._rows.get(grade["frame"])
            if row is None:
                continue
            keep = self.keep.get(grade["frame"], bool(grade["keep"]))
            self.item(row, 0).setCheckState(Qt.Checked if keep else Qt.Unchecked)
            for column, (key, _title, digits) in enumerate(NUMBERS, start=2):
                self.item(row, column).setText(_number(grade[key], digits))
            self._show_reason(row, keep)
        self.blockSignals(False)

    def _show_reason(self, row, keep):
        name = self.item(row, 0).text()
        measured = self._grades.get(name, {}).get("reason", "")
        reason = "" if keep else (measured if name not in self.keep else "") or "by you"
        item = self.item(row, len(TITLES) - 1)
        item.setText(reason)
        item.setToolTip(reason)

    def _changed(self, item):
        if item.column() != 0:
            return
        keep = item.checkState() == Qt.Checked
        self.blockSignals(True)
        self.keep[item.text()] = keep
        self._show_reason(item.row(), keep)
        self.blockSignals(False)
        self.decided.emit()

    def kept(self):
        """Names of the frames that are ticked.

        Returns
        -------
        list of str
        """
        rows = range(self.rowCount())
        return [self.item(row, 0).text() for row in rows if self.item(row, 0).checkState() == Qt.Checked]

    def names(self):
        """Names of all frames that are listed.

        Returns
        -------
        list of str
        """
        return list(self._rows)

    def set_keep(self, name, keep):
        """Tick or untick a frame, as the user would.

        Parameters
        ----------
        name : str
        keep : bool
        """
        self.item(self._rows[name], 0).setCheckState(Qt.Checked if keep else Qt.Unchecked)


def _value(words, column):
    item = QTableWidgetItem(words)
    if column < len(TITLES) - 1:
        item.setTextAlignment(Qt.AlignRight | Qt.AlignVCenter)
    else:
        item.setText("")
    return item


def _number(value, digits):
    known = value is not None and np.isfinite(value)
    return f"{value:.{digits}f}" if known else UNKNOWN

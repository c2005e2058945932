"""What is to be made of a night: dots, marks, files, folder."""

from qtpy.QtCore import Signal
from qtpy.QtWidgets import (
    QCheckBox,
    QComboBox,
    QFileDialog,
    QFormLayout,
    QHBoxLayout,
    QLineEdit,
    QPushButton,
    QWidget,
)

from ..sequence import STACKS

DOTS = (("all", "one for each frame"), ("line", "a line, as far as frames reach"), ("none", "none"))
MARKS = (
    ("times", "times"),
    ("scale", "scale bar"),
    ("compass", "compass"),
    ("outlines", "outlines"),
    ("ring", "rings"),
)
EXTRAS = (
    ("tiff", "TIFF, 16 bit"),
    ("jpeg", "JPEG"),
    ("mp4", "MP4"),
    ("frames", "PNG of every step"),
)
OPENED = (("base.fits", "still sky (base.fits)"), ("tracked.fits", "body at rest (tracked.fits)"))


class SequenceOptions(QWidget):
    """Choices of a run; a clean picture unless something else is ticked.

    Parameters
    ----------
    parent : QWidget or None
    """

    #: The folder is another one now.
    moved = Signal(str)

    def __init__(self, parent=None):
        super().__init__(parent)
        self.dots, self.folder = QComboBox(), QLineEdit()
        for key, words in DOTS:
            self.dots.addItem(words, key)
        self.marks, self.extras = _boxes(MARKS), _boxes(EXTRAS)
        self.opened = _boxes(OPENED)
        for box in self.opened.values():
            box.setChecked(True)
        self.overwrite = QCheckBox("replace what the folder holds")
        self.choose_button = QPushButton("choose…")
        self.choose_button.clicked.connect(self._choose)
        self.folder.textChanged.connect(self.moved)
        folder = QHBoxLayout()
        folder.addWidget(self.folder, 1)
        folder.addWidget(self.choose_button)
        form = QFormLayout(self)
        form.setContentsMargins(0, 0, 0, 0)
        form.addRow("body's dots", self.dots)
        for words, boxes in (("marks", self.marks), ("write also", self.extras), ("open then", self.opened)):
            form.addRow(words, _line(boxes))
        form.addRow("folder", folder)
        form.addRow("", self.overwrite)

    def _choose(self):
        path = QFileDialog.getExistingDirectory(self, "Folder for the products", self.folder.text())
        if path:
            self.folder.setText(path)

    def values(self):
        """What is chosen, in the words of :class:`glue_appulse.sequence.Plan`.

        Returns
        -------
        dict
        """
        return {
            "out": self.folder.text().strip(),
            "marks": tuple(_ticked(self.marks)),
            "dots": self.dots.currentData(),
            "extras": frozenset(_ticked(self.extras)),
            "overwrite": self.overwrite.isChecked(),
        }

    def wanted_stacks(self):
        """Stacks that are to be opened when the run has ended.

        Returns
        -------
        list of str
            File names.
        """
        return [name for name in STACKS if self.opened[name].isChecked()]


def _boxes(choices):
    return {key: QCheckBox(words) for key, words in choices}


def _ticked(boxes):
    return [key for key, box in boxes.items() if box.isChecked()]


def _line(boxes):
    line = QHBoxLayout()
    line.setSpacing(16)
    for box in boxes.values():
        line.addWidget(box)
    line.addStretch(1)
    return line

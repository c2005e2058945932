"""What is to be made of a night: dots, marks, files, folder."""

from qtpy.QtCore import Signal
from qtpy.QtWidgets import (
    QCheckBox,
    QComboBox,
    QDoubleSpinBox,
    QFileDialog,
    QFormLayout,
    QHBoxLayout,
    QLineEdit,
    QPushButton,
    QWidget,
)

from glue_appulse.sequence import STACKS

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
        self.width, self.brightness = QDoubleSpinBox(), QDoubleSpinBox()
        self.width.setRange(0.0, 600.0)
        self.width.setDecimals(1)
        self.width.setSuffix(" arcmin wide")
        self.width.setSpecialValueText("all that was taken")
        self.width.setToolTip("Width of the picture around the body's path")
        self.brightness.setRange(0.1, 20.0)
        self.brightness.setSingleStep(0.5)
        self.brightness.setDecimals(1)
        self.brightness.setValue(1.0)
        self.brightness.setPrefix("faint light × ")
        self.north_up = QCheckBox("north up")
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
        look = QHBoxLayout()
        for widget, stretch in ((self.width, 1), (self.brightness, 1), (self.north_up, 0)):
            look.addWidget(widget, stretch)
        form.addRow("look", look)
        for words, boxes in (("marks", self.marks), ("write also", self.extras), ("open then", self.opened)):
            form.addRow(words, _line(boxes))
        form.addRow("folder", folder)
        form.addRow("", self.overwrite)

    def _choose(self):
        path = QFileDialog.getExistingDirectory(self, "Folder for the products", self.folder.text())
        if path:
            self.folder.setText(path)

    def values(self):
        """What is chosen, in the words of :class:`glue_appulse.sequence_plan.Plan`.

        Returns
        -------
        dict
        """
        return {
            "out": self.folder.text().strip(),
            "look": {
                "marks": tuple(_ticked(self.marks)),
                "dots": self.dots.currentData(),
                "view_arcmin": self.width.value() or None,
                "brightness": self.brightness.value(),
                "north_up": self.north_up.isChecked(),
            },
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

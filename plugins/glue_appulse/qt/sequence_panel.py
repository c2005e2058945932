"""Panel of a night's stacks and picture: grades, preview, run, cancel, resume, results.

::

    BodyBox, GradesTable, SequenceOptions --> PictureRequest --> work in a thread --> PictureChooser, viewer
"""

import shutil
import tempfile
import weakref
from pathlib import Path

import numpy as np
from qtpy.QtCore import QEvent, QSize, Qt, Signal
from qtpy.QtGui import QImage, QMovie, QPixmap
from qtpy.QtWidgets import (
    QAbstractItemView,
    QApplication,
    QCheckBox,
    QComboBox,
    QDoubleSpinBox,
    QFileDialog,
    QFormLayout,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QLineEdit,
    QProgressBar,
    QPushButton,
    QSizePolicy,
    QSplitter,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from glue_appulse import inputs
from glue_appulse import night_picture as work
from glue_appulse.data.kinds import TRACK, all_of
from glue_appulse.data.solved_frames import frame_of
from glue_appulse.night_picture import STACKS, PictureRequest, folder_state, night_frames, suggested_folder
from glue_appulse.qt.desk import show_stacks
from glue_appulse.qt.panels import BackgroundWork, Panel, open_once


class BodyBox(QWidget):
    """Line with the body, and where its places come from."""

    def __init__(self, session):
        super().__init__()
        self.session = session
        self.box, self.orbits = QComboBox(editable=True), QLabel("")
        self.box.setInsertPolicy(QComboBox.NoInsert)
        self.box.lineEdit().setPlaceholderText("number, name or designation")
        self.box.currentTextChanged.connect(self._name_orbits)
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(QLabel("body"))
        row.addWidget(self.box, 1)
        row.addWidget(self.orbits)

    def fill(self):
        """Offer the tracks that are loaded now; what was written or chosen stays."""
        written = self.box.currentText()
        listed = self.box.findText(written) >= 0
        tracks = {}
        for track in all_of(self.session.data_collection, TRACK):
            tracks.setdefault(track.meta["designation"], (track.meta["body"], track.meta.get("orbits path")))
        self.box.blockSignals(True)
        self.box.clear()
        for words, which in tracks.items():
            self.box.addItem(words, which)
        if written and (written in tracks or not listed):
            self.box.setCurrentText(written)
        self.box.blockSignals(False)
        self._name_orbits()

    def _name_orbits(self, *_text):
        path = self.chosen()[1]
        self.orbits.setText(f"orbits: {inputs.STARTER if path is None else Path(path).name}")

    def chosen(self) -> tuple[str, str | None]:
        """The body, and where its places come from."""
        text = self.box.currentText().strip()
        at = self.box.findText(text)
        body, orbits = self.box.itemData(at) if at >= 0 else (text, inputs.chosen().orbits)
        return body, orbits or None


UNMEASURED = "–"
#: Key of a grade, its title, digits.
GRADE_COLUMNS = (
    ("fwhm", "FWHM\npx", 2),
    ("ellipticity", "ellip-\nticity", 2),
    ("sky", "sky\n", 0),
    ("n_stars", "stars\n", 0),
    ("transparency", "trans-\nparency", 2),
    ("trail", "trail\npx", 1),
)
GRADE_TIPS = {
    "fwhm": "Width of the stars at half their height",
    "ellipticity": "Of the stars: 0 round",
    "sky": "Level of the sky, in the units of the frame",
    "n_stars": "Stars that were found",
    "transparency": "Transparency, against the best frames of the night",
    "trail": "Motion of the body during the exposure",
}
GRADE_TITLES = ("keep\nframe", "UTC\n", *(title for _key, title, _digits in GRADE_COLUMNS), "why left out\n")


class GradesTable(QTableWidget):
    """Frames of the night."""

    #: The user has ticked or unticked a frame.
    decided = Signal()

    def __init__(self, parent=None):
        super().__init__(0, len(GRADE_TITLES), parent)
        self.setHorizontalHeaderLabels(GRADE_TITLES)
        for column, (key, _title, _digits) in enumerate(GRADE_COLUMNS, start=2):
            self.horizontalHeaderItem(column).setToolTip(GRADE_TIPS[key])
        self.setSelectionBehavior(QAbstractItemView.SelectRows)
        self.setEditTriggers(QAbstractItemView.NoEditTriggers)
        self.setAlternatingRowColors(True)
        self.verticalHeader().hide()
        head = self.horizontalHeader()
        head.setSectionResizeMode(QHeaderView.ResizeToContents)
        head.setStretchLastSection(True)
        self.keep, self._rows, self._grades = {}, {}, {}
        self.itemChanged.connect(self._changed)

    def show_frames(self, frames: list[tuple[str, str]]):
        """List frames; what was said and measured of those that stay is kept."""
        self._rows = {name: row for row, (name, _time) in enumerate(frames)}
        self.keep = {name: keep for name, keep in self.keep.items() if name in self._rows}
        self.blockSignals(True)
        self.setRowCount(len(frames))
        for row, (name, time) in enumerate(frames):
            first = QTableWidgetItem(name)
            first.setFlags(first.flags() | Qt.ItemIsUserCheckable)
            first.setCheckState(Qt.Checked if self.keep.get(name, True) else Qt.Unchecked)
            self.setItem(row, 0, first)
            self.setItem(row, 1, QTableWidgetItem(time[:16].replace("T", " ")))
            self.item(row, 1).setToolTip(time[:19].replace("T", " "))
            for column in range(2, len(GRADE_TITLES)):
                self.setItem(row, column, _value(UNMEASURED, column))
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

    def show_grades(self, grades: list[dict]):
        """Fill in what was measured, and tick as the grades say where the user has said nothing."""
        self._grades = {**self._grades, **{grade["frame"]: grade for grade in grades}}
        self.blockSignals(True)
        for grade in grades:
            row = self._rows.get(grade["frame"])
            if row is None:
                continue
            keep = self.keep.get(grade["frame"], bool(grade["keep"]))
            self.item(row, 0).setCheckState(Qt.Checked if keep else Qt.Unchecked)
            for column, (key, _title, digits) in enumerate(GRADE_COLUMNS, start=2):
                self.item(row, column).setText(_number(grade[key], digits))
            self._show_reason(row, keep)
        self.blockSignals(False)

    def _show_reason(self, row, keep):
        name = self.item(row, 0).text()
        measured = self._grades.get(name, {}).get("reason", "")
        reason = "" if keep else (measured if name not in self.keep else "") or "by you"
        item = self.item(row, len(GRADE_TITLES) - 1)
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

    def kept(self) -> list[str]:
        """Names of the frames that are ticked."""
        rows = range(self.rowCount())
        return [self.item(row, 0).text() for row in rows if self.item(row, 0).checkState() == Qt.Checked]

    def names(self) -> list[str]:
        """Names of all frames that are listed."""
        return list(self._rows)

    def set_keep(self, name: str, keep: bool):
        """Tick or untick a frame, as the user would."""
        self.item(self._rows[name], 0).setCheckState(Qt.Checked if keep else Qt.Unchecked)


def _value(words, column):
    item = QTableWidgetItem(words)
    if column < len(GRADE_TITLES) - 1:
        item.setTextAlignment(Qt.AlignRight | Qt.AlignVCenter)
    else:
        item.setText("")
    return item


def _number(value, digits):
    known = value is not None and np.isfinite(value)
    return f"{value:.{digits}f}" if known else UNMEASURED


SMALLEST_VIEW_PX = (320, 240)


class PictureView(QLabel):
    """Label with a picture, never larger than its pixels times two, its sides in proportion."""

    def __init__(self, words=""):
        super().__init__(words)
        self.setAlignment(Qt.AlignCenter)
        self.setWordWrap(True)
        self.setMinimumSize(*SMALLEST_VIEW_PX)
        self.setSizePolicy(QSizePolicy.Ignored, QSizePolicy.Ignored)
        self.setFrameShape(QLabel.StyledPanel)
        self._pixmap, self._movie = None, None

    def show_pixels(self, pixels):
        """Show an array."""
        h, w, planes = pixels.shape
        kind = QImage.Format_RGB888 if planes == 3 else QImage.Format_Grayscale8
        data = np.ascontiguousarray(pixels)
        # The image only points at the array; the copy owns its pixels.
        self._show(QPixmap.fromImage(QImage(data.tobytes(), w, h, planes * w, kind).copy()))

    def show_file(self, path: str | Path):
        """Show a picture file, or play an animation."""
        if str(path).lower().endswith(".gif"):
            self._drop_movie()
            self._pixmap, self._movie = None, QMovie(str(path))
            self._movie.setCacheMode(QMovie.CacheAll)
            self._movie.jumpToFrame(0)
            self._natural = self._movie.currentPixmap().size()
            self.setMovie(self._movie)
            self._fit()
            self._movie.start()
        else:
            self._show(QPixmap(str(path)))

    def show_words(self, words: str):
        """Show words instead of a picture."""
        self._drop_movie()
        self._pixmap = None
        self.setText(words)

    def _show(self, pixmap):
        self._drop_movie()
        self._pixmap = pixmap
        self._fit()

    def _drop_movie(self):
        if self._movie is not None:
            self._movie.stop()
            self._movie.deleteLater()
            self._movie = None

    def _room(self, size):
        room = self.contentsRect().size()
        return size.scaled(room.boundedTo(size * 2), Qt.KeepAspectRatio)

    def _fit(self):
        if self._movie is not None:
            self._movie.setScaledSize(self._room(self._natural))
        elif self._pixmap is not None and not self._pixmap.isNull():
            ratio = self.devicePixelRatioF()
            wanted = self._room(self._pixmap.size())
            shown = self._pixmap.scaled(wanted * ratio, Qt.KeepAspectRatio, Qt.SmoothTransformation)
            shown.setDevicePixelRatio(ratio)
            self.setPixmap(shown)

    def resizeEvent(self, event):
        super().resizeEvent(event)
        self._fit()

    def sizeHint(self):
        return QSize(640, 480)

    @property
    def shows(self) -> str:
        """What is to be seen."""
        return "animation" if self._movie else "words" if self._pixmap is None else "picture"


class PictureChooser(QWidget):
    """Pictures of one night, one of them to be seen."""

    def __init__(self, order, words=""):
        super().__init__()
        self._order, self._pictures = tuple(order), {}
        self.which, self.view = QComboBox(), PictureView(words)
        self.which.setEnabled(False)
        row = QHBoxLayout()
        row.addWidget(QLabel("picture"))
        row.addWidget(self.which, 1)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(4, 0, 4, 0)
        layout.addLayout(row)
        layout.addWidget(self.view, 1)
        self.which.currentIndexChanged.connect(self._show)

    def offer(self, name: str, pictures: dict[str, tuple]):
        """Put pictures into the choice, replacing those of the same name."""
        self._pictures |= pictures
        self.which.blockSignals(True)
        self.which.clear()
        self.which.addItems([name for name in self._order if name in self._pictures])
        self.which.setCurrentText(name)
        self.which.blockSignals(False)
        self.which.setEnabled(True)
        self._show()

    def _show(self, *_index):
        picture = self._pictures.get(self.which.currentText())
        if isinstance(picture, np.ndarray):
            self.view.show_pixels(picture)
        elif picture is not None:
            self.view.show_file(picture)


DOTS = (("all", "one for each frame"), ("line", "a line, as far as frames reach"), ("none", "none"))
MARKS = (
    ("times", "times"),
    ("scale", "scale bar"),
    ("compass", "compass"),
    ("outlines", "outlines"),
    ("ring", "rings"),
)
EXTRAS = (("tiff", "TIFF, 16 bit"), ("jpeg", "JPEG"), ("mp4", "MP4"), ("frames", "PNG of every step"))
OPENED = (("base.fits", "still sky (base.fits)"), ("tracked.fits", "body at rest (tracked.fits)"))
#: Products that may be left out; each costs as long as the still sky itself.
MADE = (("tracked.fits", "stack with the body at rest"), ("animation.gif", "animation"))
FIXED = (("stars", "stars stand still"), ("body", "body stands still"))
SHOWN = (("clean", "base with the body"), ("frames", "the frames themselves"))
MASTERS = ("bias", "dark", "flat")
FITS_FILTER = "FITS (*.fits *.fit *.fts *.fits.gz *.fits.fz);;All (*)"
MASTER_TIP = "Master {}, a FITS file; none: the frames are calibrated already"
COLOUR_TIP = "One solved colour frame, or three for red, green and blue, in this order; none: grey"


class FileButton(QPushButton):
    """Button that names the files chosen for one purpose; a click asks for them, the next takes them away."""

    def __init__(self, words, most, tip):
        super().__init__()
        self.setAutoDefault(False)
        self._words, self._most, self.paths = words, most, []
        self._tip = tip
        self.clicked.connect(lambda _on=False: self._ask())
        self.choose([])

    def _ask(self):
        if self.paths:
            self.choose([])
            return
        ask = QFileDialog.getOpenFileNames if self._most > 1 else QFileDialog.getOpenFileName
        found, _kind = ask(self, f"{self._words}: FITS", "", FITS_FILTER)
        self.choose([found] if isinstance(found, str) and found else list(found or []))

    def choose(self, paths: list[str]):
        """Take files, or none."""
        self.paths = [str(path) for path in paths][: self._most]
        names = ", ".join(Path(path).name for path in self.paths)
        shown = self.fontMetrics().elidedText(names, Qt.ElideMiddle, 150)
        self.setText(f"{self._words}: {shown} ✕" if names else f"{self._words}…")
        self.setToolTip(f"{names}: click to leave it out" if names else self._tip)


class SequenceOptions(QWidget):
    """Choices of a run; a clean picture unless something else is ticked."""

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
        self.marks, self.extras, self.made = _boxes(MARKS), _boxes(EXTRAS), _boxes(MADE)
        for box in self.made.values():
            box.setChecked(True)
        self.fixed, self.shown = QComboBox(), QComboBox()
        for box, choices in ((self.fixed, FIXED), (self.shown, SHOWN)):
            for key, words in choices:
                box.addItem(words, key)
        self.masters = {role: FileButton(role, 1, MASTER_TIP.format(role)) for role in MASTERS}
        self.colour = FileButton("colour base", 3, COLOUR_TIP)
        self.opened = _boxes(OPENED)
        for box in self.opened.values():
            box.setChecked(True)
        self.made["tracked.fits"].toggled.connect(self.opened["tracked.fits"].setEnabled)
        for widget in (self.fixed, self.shown, self.extras["mp4"], self.extras["frames"]):
            self.made["animation.gif"].toggled.connect(widget.setEnabled)
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
        form.addRow("files", _line({**self.masters, "colour": self.colour}))
        form.addRow("marks", _line(self.marks))
        animation = QHBoxLayout()
        for widget in (self.fixed, self.shown):
            animation.addWidget(widget, 1)
        form.addRow("animation", animation)
        for words, boxes in (("make", self.made), ("write also", self.extras), ("open then", self.opened)):
            form.addRow(words, _line(boxes))
        form.addRow("folder", folder)
        form.addRow("", self.overwrite)

    def _choose(self):
        path = QFileDialog.getExistingDirectory(self, "Folder for the products", self.folder.text())
        if path:
            self.folder.setText(path)

    def values(self) -> dict:
        """What is chosen, in the words of :class:`glue_appulse.night_picture.PictureRequest`."""
        return {
            "out": self.folder.text().strip(),
            "look": {
                "marks": tuple(_ticked(self.marks)),
                "dots": self.dots.currentData(),
                "view_arcmin": self.width.value() or None,
                "brightness": self.brightness.value(),
                "north_up": self.north_up.isChecked(),
                "animation": self.fixed.currentData(),
                "animation_of": self.shown.currentData(),
            },
            "files": {role: list(button.paths) for role, button in self._files().items()},
            "left_out": frozenset(name for name, box in self.made.items() if not box.isChecked()),
            "extras": frozenset(_ticked(self.extras)),
            "overwrite": self.overwrite.isChecked(),
        }

    def _files(self):
        return {**self.masters, "colour": self.colour}

    def wanted_stacks(self) -> list[str]:
        """Stacks that are to be opened when the run has ended."""
        return [name for name in STACKS if self.opened[name].isChecked()]


def _boxes(choices):
    return {key: QCheckBox(words) for key, words in choices}


def _ticked(boxes):
    return [key for key, box in boxes.items() if box.isChecked() and box.isEnabledTo(box.parent())]


def _line(boxes):
    line = QHBoxLayout()
    line.setSpacing(16)
    for box in boxes.values():
        line.addWidget(box)
    line.addStretch(1)
    return line


PREVIEW, COMPOSITE, ANIMATION = "preview", "composite", "animation"
START_WORDS = "Preview shows within seconds how the picture will look."
RUN, RESUME = "Run", "Resume"


class SequencePanel(Panel):
    """Stacks, composite and animation of the frames that are loaded."""

    def __init__(self, session, parent=None):
        super().__init__(session, parent, "Stacks and picture of the night")
        self.setWindowFlag(Qt.WindowMaximizeButtonHint)
        self.resize(1180, 720)
        self.job, self.frames = None, None
        self._graded = tempfile.mkdtemp(prefix="appulse-grades-")
        weakref.finalize(self, shutil.rmtree, self._graded, ignore_errors=True)
        self.body, self.table, self.options = BodyBox(session), GradesTable(), SequenceOptions()
        self.pictures = PictureChooser((PREVIEW, COMPOSITE, ANIMATION), START_WORDS)
        self.progress = QProgressBar()
        self._build()
        self.options.moved.connect(self._name_run)
        QApplication.instance().aboutToQuit.connect(self.cancel)
        self.fill()
        self._busy(False)

    # --- the window

    def _build(self):
        self.grade_button, self.all_button = QPushButton("Grade the frames"), QPushButton("Keep all")
        self.rules_button = QPushButton("Keep by the grades")
        self.preview_button, self.run_button = QPushButton("Preview"), QPushButton(RUN)
        self.cancel_button = QPushButton("Cancel")
        for button, action in zip(
            self._buttons(),
            (self.grade, self.keep_all, self.table.forget_decisions, self.preview, self.run, self.cancel),
            strict=True,
        ):
            button.clicked.connect(lambda _on=False, action=action: action())
        left, side = QVBoxLayout(), QWidget()
        left.setContentsMargins(0, 0, 4, 0)
        left.addWidget(self.body)
        left.addWidget(self.table, 1)
        left.addLayout(_row(self.grade_button, self.all_button, self.rules_button, None))
        left.addWidget(self.options)
        side.setLayout(left)
        split = QSplitter(Qt.Horizontal)
        for i, (widget, stretch) in enumerate(((side, 5), (self.pictures, 6))):
            split.addWidget(widget)
            split.setStretchFactor(i, stretch)
        split.setChildrenCollapsible(False)
        outer = QVBoxLayout(self)
        outer.addWidget(split, 1)
        outer.addLayout(_row(self.preview_button, self.run_button, self.cancel_button, (self.progress, 1)))
        outer.addWidget(self.status)
        # Return in a line must not start an hour's work.
        for button in self.findChildren(QPushButton):
            button.setAutoDefault(False)
        room = self.progress.sizePolicy()
        room.setRetainSizeWhenHidden(True)
        self.progress.setSizePolicy(room)

    def _buttons(self):
        return [self.grade_button, self.all_button, self.rules_button, self.preview_button, self.run_button,
                self.cancel_button]  # fmt: skip

    def event(self, event):
        if event.type() == QEvent.WindowActivate and self.job is None:
            self.fill()
        return super().event(event)

    def fill(self):
        """Take the frames and tracks that are loaded now."""
        frames, lines = night_frames(self.session.data_collection)
        if self.frames is None or [id(data) for data in frames] != [id(data) for data in self.frames]:
            self.frames = frames
            self.table.show_frames([(frame_of(d).name, frame_of(d).exposure.mid.utc.isot) for d in frames])
            self.say("; ".join(lines) or ("" if frames else _NOTHING))
        if not self.options.folder.text():
            self.options.folder.setText(suggested_folder(frames))
        self.body.fill()
        self._name_run()

    def _name_run(self, *_folder):
        folder = self.options.folder.text().strip()
        state = folder_state(folder) if folder else "free"
        self.run_button.setText(RESUME if state == "unfinished" else RUN)
        self.run_button.setToolTip(
            "The folder holds parts of an interrupted run; it goes on from there"
            if state == "unfinished" else "Stacks, composite and animation at full resolution"
        )  # fmt: skip

    # --- what is wanted

    def plan(self) -> PictureRequest:
        """What is chosen in the panel."""
        body, orbits = self.body.chosen()
        keep = dict(self.table.keep)
        return PictureRequest(list(self.frames), body, orbits, keep=keep, **self.options.values())

    def keep_all(self):
        """Keep every frame, whatever its grade."""
        for name in self.table.names():
            self.table.keep[name] = True
            self.table.set_keep(name, True)

    # --- work

    def grade(self) -> BackgroundWork:
        """Measure every frame in full; what is measured serves the run."""
        folder = self._graded
        return self._start(
            lambda job, plan: work.grade(plan, folder, job.stage, _asked(job)), self.show_grades
        )

    def preview(self) -> BackgroundWork:
        """Show how the picture will look."""
        return self._start(lambda job, plan: work.preview(plan, job.stage, _asked(job)), self.show_preview)

    def run(self) -> BackgroundWork:
        """Make the products, or go on where a run was interrupted."""
        folder, wanted = self._graded, self.options.wanted_stacks()

        def make(job, plan):
            answer = work.run(plan, folder, job.stage, _asked(job))
            return answer, work.load_stacks(answer.value.written, wanted)

        return self._start(make, self.show_result)

    def cancel(self):
        """Stop what is going on at its next step."""
        if self.job is not None:
            self.job.stop()
            self.cancel_button.setEnabled(False)
            self.say("stopping…")

    def _start(self, function, show):
        if self.job is not None:
            return self.job
        self.say("")
        self.progress.setRange(0, 0)
        self.progress.setFormat("beginning")
        self.job = BackgroundWork(function, self.plan())
        self.job.staged.connect(self._stage)
        self.job.worded.connect(self.say)
        self.job.done.connect(show)
        self.job.failed.connect(self._failed)
        self.job.ended.connect(self._ended)
        self._busy(True)
        return self.job.start()

    def _stage(self, words, done, total):
        self.progress.setRange(0, max(total, 1))
        self.progress.setFormat("%p%")
        self.progress.setValue(done)

    def _busy(self, busy):
        for button in self._buttons():
            button.setEnabled(busy == (button is self.cancel_button))
        self.table.setEnabled(not busy)
        self.options.setEnabled(not busy)
        self.body.setEnabled(not busy)
        self.progress.setVisible(busy)

    def _failed(self, exc):
        from appulse.errors import OutputExistsError
        from appulse.sequence import Cancelled

        if isinstance(exc, Cancelled):
            self.say("stopped")
            return
        if isinstance(exc, OutputExistsError):
            self.say(_KEPT.format(self.plan().out))
            return
        self.fail(exc)

    def _ended(self):
        self.job = None
        self._busy(False)
        self._name_run()
        if self.status.text() == "stopped" and self.run_button.text() == RESUME:
            self.say("stopped; Resume goes on from there, with the same folder")

    # --- what came of it

    def show_grades(self, answer):
        """Fill the table."""
        self.table.show_grades(answer.value)
        count = f"{len(self.table.kept())} of {len(self.table.names())} frames kept"
        self.say("; ".join([count, *dict.fromkeys(answer.lines)]))

    def show_preview(self, answer):
        """Show the small picture."""
        self.pictures.offer(PREVIEW, {PREVIEW: answer.value.pixels})
        h, w = answer.value.pixels.shape[:2]
        words = f"preview of {answer.value.n_frames} frames, {w} × {h} pixels"
        self.say("; ".join([words, *dict.fromkeys(answer.lines)]))

    def show_result(self, made: tuple):
        """Open the stacks as frames, show the picture."""
        answer, stacks = made
        result = answer.value
        self.table.show_grades([subframe.grade for subframe in result.night.subframes])
        files = {path.name: path for path in result.written}
        made = {COMPOSITE: "composite.png", ANIMATION: "animation.gif"}
        pictures = {name: files[file] for name, file in made.items() if file in files}
        self.pictures.offer(COMPOSITE, pictures)
        show_stacks(self.session, stacks)
        words = (
            f"{len(result.night.kept)} of {len(result.night.subframes)} frames; written to {self.plan().out}"
        )
        taken = [f"{result.reused} parts reused"] if result.reused else []
        self.say("; ".join([words, *taken, *dict.fromkeys(answer.lines)]))


_NOTHING = "no frame with time and site is loaded; open frames with File > Open Data Set"

_KEPT = "{} holds products already; tick 'replace what the folder holds', or choose another folder"


def _asked(job):
    return lambda: job.stopping


def _row(*widgets):
    row = QHBoxLayout()
    for widget in widgets:
        if widget is None:
            row.addStretch(1)
        else:
            row.addWidget(*(widget if isinstance(widget, tuple) else (widget,)))
    return row


def open_panel(session, _data_collection=None) -> SequencePanel:
    """Menu action: the panel, made once per application."""
    return open_once(session, SequencePanel)

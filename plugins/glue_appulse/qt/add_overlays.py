"""Panels that add overlays to the frames: tracks of the bodies in them, outlines of deep-sky objects."""

import numpy as np
from qtpy.QtCore import Qt
from qtpy.QtWidgets import (
    QAbstractItemView,
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
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
)

from appulse.bodies import is_comet
from appulse.catalogues import TYPES
from glue_appulse import inputs
from glue_appulse.data.kinds import OUTLINES, all_of
from glue_appulse.data.outline_data import objects_of, outlines_data
from glue_appulse.data.solved_frames import frame_of
from glue_appulse.data.tail_data import make_tails
from glue_appulse.data.track_data import bodies_in, make_tracks
from glue_appulse.qt.desk import add_overlay, add_tracks_in_turn, frames_of, shown_frames
from glue_appulse.qt.panels import BackgroundWork, Panel, open_once
from glue_appulse.qt.style_editors import TypeList, TypeRow

BODY_COLUMNS = ("body", "mag", "rate\n″/h", "from centre\n′", "1σ\n″")
OPEN_FILE = "another file…"


class _Number(QTableWidgetItem):
    """Table item that sorts by its number; what is unknown comes last."""

    def __init__(self, value, digits=1):
        known = value is not None and np.isfinite(value)
        super().__init__(f"{value:.{digits}f}" if known else "–")
        self.value = float(value) if known else np.inf
        self.setTextAlignment(Qt.AlignRight | Qt.AlignVCenter)
        self.setFlags(self.flags() & ~Qt.ItemIsEditable)

    def __lt__(self, other):
        return self.value < other.value


class BodiesDialog(Panel):
    """What should be in the frame, and tracks of what is chosen."""

    def __init__(self, session, parent=None):
        super().__init__(session, parent, "Bodies in this frame")
        self.resize(560, 480)
        self.found, self._job = [], None
        self._build()
        self.fill()

    def _build(self):
        self.frame_box, self.source_box = QComboBox(), QComboBox()
        self.limit = QDoubleSpinBox()
        self.limit.setRange(0, 30)
        self.limit.setValue(20)
        self.limit.setSuffix(" mag")
        self.find_button = QPushButton("List")
        self.find_button.clicked.connect(self.search)
        top = QHBoxLayout()
        for words, widget in (("frame", self.frame_box), ("orbits", self.source_box), ("to", self.limit)):
            top.addWidget(QLabel(words))
            top.addWidget(widget, 1)
        top.addWidget(self.find_button)
        self.table = QTableWidget(0, len(BODY_COLUMNS))
        self.table.setHorizontalHeaderLabels(BODY_COLUMNS)
        self.table.setSelectionBehavior(QAbstractItemView.SelectRows)
        self.table.verticalHeader().hide()
        self.table.horizontalHeader().setSectionResizeMode(0, QHeaderView.Stretch)
        self.table.setSortingEnabled(True)
        self.name_line = QLineEdit()
        self.name_line.setPlaceholderText("or number, name, designation")
        self.name_line.returnPressed.connect(self.add_named)
        self.add_button = QPushButton("Add tracks")
        self.add_button.clicked.connect(self.add_chosen)
        low = QHBoxLayout()
        low.addWidget(self.name_line, 1)
        low.addWidget(self.add_button)
        self.tail_button, self.facts_button = QPushButton("Add tails of comets"), QPushButton("Facts…")
        self.tail_button.clicked.connect(self.add_tails)
        self.facts_button.clicked.connect(self.show_facts)
        low.addWidget(self.tail_button)
        low.addWidget(self.facts_button)
        self.progress = QProgressBar()
        self.progress.hide()
        layout = QVBoxLayout(self)
        layout.addLayout(top)
        layout.addWidget(self.table, 1)
        layout.addLayout(low)
        layout.addWidget(self.progress)
        layout.addWidget(self.status)
        self.source_box.activated.connect(self._maybe_open)

    def fill(self):
        """Bring the lists of frames and sources up to date."""
        shown = shown_frames(self.session)
        frames = shown + [data for data in frames_of(self.session) if data not in shown]
        self.frame_box.clear()
        for data in frames:
            self.frame_box.addItem(data.label, data)
        chosen = inputs.chosen().orbits
        self.source_box.clear()
        for path in dict.fromkeys([chosen, None]):
            self.source_box.addItem(inputs.STARTER if path is None else str(path).rpartition("/")[2], path)
        self.source_box.addItem(OPEN_FILE, OPEN_FILE)
        # what was said of other frames is over
        self.say("" if frames else "no solved frame is loaded; open one with File > Open Data Set")

    def _maybe_open(self, index):
        if self.source_box.itemData(index) != OPEN_FILE:
            return
        path, _kind = QFileDialog.getOpenFileName(self, "Orbits, or a table of places")
        if path:
            self.use_orbits(path)
        else:
            self.source_box.setCurrentIndex(0)

    def use_orbits(self, path: str):
        """Take orbits out of a file from now on."""
        inputs.chosen().orbits = str(path)
        self.fill()

    def source(self):
        """The source that is chosen."""
        return inputs.open_orbits(self.source_box.currentData())

    def search(self) -> BackgroundWork | None:
        """List the bodies of the source that fall into the frame."""
        data = self.frame_box.currentData()
        if data is None:
            return None
        self.find_button.setEnabled(False)
        self.progress.setRange(0, 0)
        self.progress.show()
        path, limit, frame = self.source_box.currentData(), self.limit.value(), frame_of(data)
        self._job = BackgroundWork(lambda _job: bodies_in(frame, inputs.open_orbits(path), limit))
        self._job.done.connect(self.show_found)
        self._job.failed.connect(self.fail)
        self._job.ended.connect(self._ended)
        return self._job.start()

    def _ended(self):
        self.find_button.setEnabled(True)
        self.progress.hide()

    def show_found(self, found: list):
        """Fill the table."""
        self.found = found
        self.table.setSortingEnabled(False)
        self.table.setRowCount(len(found))
        for row, body in enumerate(found):
            name = QTableWidgetItem(body.name)
            name.setData(Qt.UserRole, body.key)
            name.setFlags((name.flags() | Qt.ItemIsUserCheckable) & ~Qt.ItemIsEditable)
            name.setCheckState(Qt.Unchecked)
            self.table.setItem(row, 0, name)
            for column, value in enumerate((body.mag, body.rate, body.separation, body.sigma), start=1):
                self.table.setItem(row, column, _Number(value, 2 if column == 4 else 1))
        self.table.setSortingEnabled(True)
        self.table.sortItems(1)
        self.say(
            f"predicted in {self.frame_box.currentText()}: {len(found)}"
            if found
            else "no body of this source is predicted here; a fainter limit or another source may hold one"
        )

    def chosen(self) -> list[str]:
        """Bodies with a tick, or the selected rows where none has one."""
        items = [self.table.item(row, 0) for row in range(self.table.rowCount())]
        ticked = [item for item in items if item.checkState() == Qt.Checked]
        return [item.data(Qt.UserRole) for item in ticked or [item for item in items if item.isSelected()]]

    def asked(self) -> list[str]:
        """The chosen bodies, or the one in the line."""
        keys, text = self.chosen(), self.name_line.text()
        return keys or ([self.source().find(text)] if text.strip() else [])

    def show_facts(self):
        """Open the panel with the facts of the first of the chosen bodies, or of the one in the line."""
        from glue_appulse.qt.facts_panel import FactsPanel

        try:
            source, keys = self.source(), self.asked()
        except ValueError as exc:
            self.fail(exc)
            return None
        if not keys:
            self.say("tick a body in the list, or write its number or name")
            return None
        return open_once(self.session, FactsPanel).ask(source, keys[0])

    def add_named(self) -> BackgroundWork | None:
        """Add the body in the line as a track."""
        try:
            return self.add([self.source().find(self.name_line.text())])
        except ValueError as exc:
            self.fail(exc)
            return None

    def add_chosen(self) -> BackgroundWork | None:
        """Add the chosen bodies as tracks."""
        keys = self.chosen()
        if not keys:
            if self.name_line.text().strip():
                return self.add_named()
            self.say("tick a body in the list, or write its number or name")
            return None
        return self.add(keys)

    def add(self, keys: list[str]) -> BackgroundWork | None:
        """Compute tracks off the interface thread and show them."""
        try:
            frames, source = frames_of(self.session), self.source()
        except ValueError as exc:
            self.fail(exc)
            return None
        self.progress.setRange(0, len(keys))
        self.progress.show()
        taken = len(self.session.data_collection)
        self._job = BackgroundWork(
            lambda job: make_tracks(source, frames, keys, first_color=taken, progress=job.step)
        )
        self._job.progressed.connect(lambda done, _of: self.progress.setValue(done))
        self._job.done.connect(self.show_tracks)
        self._job.failed.connect(self.fail)
        self._job.ended.connect(self._ended)
        return self._job.start()

    def add_tails(self) -> BackgroundWork | None:
        """Add the tails of the comets among the chosen bodies, or of the one in the line."""
        try:
            frames, source, keys = frames_of(self.session), self.source(), self.asked()
        except ValueError as exc:
            self.fail(exc)
            return None
        if not any(is_comet(key) for key in keys):
            self.say("tick a comet in the list, or write its number or designation: others have no tail")
            return None
        self.progress.setRange(0, 0)
        self.progress.show()
        self._job = BackgroundWork(lambda job: make_tails(source, frames, keys, job.step))
        self._job.done.connect(self.show_tails)
        self._job.failed.connect(self.fail)
        self._job.ended.connect(self._ended)
        return self._job.start()

    def show_tails(self, made: tuple[list, list[str]]):
        """Put computed tails into the viewers."""
        tails, lines = made
        add_tracks_in_turn(self.session, tails)
        names = ", ".join(tail.label for tail in tails)
        self.say("; ".join([*([f"added {names}"] if names else []), *lines]))

    def show_tracks(self, made: tuple[list, list[str]]):
        """Put computed tracks into the viewers."""
        tracks, lines = made
        add_tracks_in_turn(self.session, tracks)
        names = ", ".join(track.label for track in tracks)
        self.say("; ".join([*([f"added {names}"] if names else []), *lines]))


def open_bodies(session, _data_collection=None) -> BodiesDialog:
    """Menu action: the panel, made once per application."""
    return open_once(session, BodiesDialog)


OUTLINE_HINT = (
    "Objects without a magnitude are always taken. "
    "Types, names and limits can be changed later in the layer's style."
)


class OutlineDialog(Panel):
    """Limits of what is drawn, and a file of one's own polygons."""

    def __init__(self, session, parent=None):
        super().__init__(session, parent, "Outlines of deep-sky objects", OUTLINE_HINT)
        self._job = None
        self.larger = QDoubleSpinBox(maximum=600.0, suffix=" arcmin", value=0.0)
        self.brighter = QDoubleSpinBox(minimum=0.0, maximum=30.0, suffix=" mag", value=30.0)
        self.add_button, self.file_button = (
            QPushButton("Add from the catalogue"),
            QPushButton("Add polygons of a file…"),
        )
        self.add_button.clicked.connect(self.add)
        self.file_button.clicked.connect(self._choose_file)
        self.types = TypeList(sorted(set(TYPES.values())))
        form = QFormLayout()
        form.addRow("types", TypeRow(self.types))
        form.addRow("at least", self.larger)
        form.addRow("not fainter than", self.brighter)
        buttons = QHBoxLayout()
        buttons.addWidget(self.add_button)
        buttons.addWidget(self.file_button)
        layout = QVBoxLayout(self)
        layout.addLayout(form)
        layout.addLayout(buttons)
        layout.addWidget(self.status)

    def fill(self):
        """What was said of other frames is over."""
        self.say(OUTLINE_HINT)

    def limits(self) -> dict:
        """Limits in the words of the catalogue."""
        limits = {"types": self.types.chosen()} if self.types.chosen() else {}
        if self.larger.value() > 0:
            limits["larger_than"] = self.larger.value()
        if self.brighter.value() < 30:
            limits["brighter_than"] = self.brighter.value()
        return limits

    def add(self) -> BackgroundWork | None:
        """Add what the catalogue has in the frames."""
        if self.types.none_ticked:
            self.say("no type is ticked, so nothing would be added: tick one, or All")
            return None
        frames, limits = frames_of(self.session), self.limits()
        return self._start(lambda _job: outlines_data(objects_of(frames, **limits)))

    def _choose_file(self):
        path, _kind = QFileDialog.getOpenFileName(self, "Table of polygons: name, ring, ra, dec")
        if path:
            self.add_file(path)

    def add_file(self, path: str) -> BackgroundWork:
        """Add polygons of a file."""
        from appulse.catalogues import read_polygons

        label = str(path).replace("\\", "/").rpartition("/")[2]
        return self._start(lambda _job: outlines_data(read_polygons(path), label=label, color="#c9a7ff"))

    def _start(self, function):
        self.add_button.setEnabled(False)
        self._job = BackgroundWork(function)
        self._job.done.connect(self.show_outlines)
        self._job.failed.connect(self.fail)
        self._job.ended.connect(self._ended)
        return self._job.start()

    def _ended(self):
        self.add_button.setEnabled(True)

    def show_outlines(self, data):
        """Put outlines into the viewers; those of the same name are replaced."""
        collection = self.session.data_collection
        for old in [overlay for overlay in all_of(collection, OUTLINES) if overlay.label == data.label]:
            collection.remove(old)
        add_overlay(self.session, data)
        self.say(f"added {data.size} objects as '{data.label}'")


def open_outlines(session, _data_collection=None) -> OutlineDialog:
    """Menu action: the panel, made once per application."""
    return open_once(session, OutlineDialog)

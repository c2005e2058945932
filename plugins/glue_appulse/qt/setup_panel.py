"""Panel of site, time, camera, sources and instruments: what is known, from where, and what the user says."""

from qtpy.QtWidgets import (
    QComboBox,
    QFileDialog,
    QFormLayout,
    QGroupBox,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QVBoxLayout,
)

from glue_appulse import frame_setup, inputs
from glue_appulse.data.kinds import TRACK, all_of
from glue_appulse.data.solved_frames import frame_of
from glue_appulse.data.track_data import make_tracks
from glue_appulse.qt.desk import add_tracks, frames_of
from glue_appulse.qt.panels import BackgroundWork, Panel, open_once, report_failure

NEW = "a new one"


def value_row(line: QLineEdit, known: QLabel, *between) -> QHBoxLayout:
    """A line to write a value into, and beside it what is known already and from where."""
    row = QHBoxLayout()
    row.addWidget(line, 1)
    for widget in between:
        row.addWidget(widget)
    known.setWordWrap(True)
    row.addWidget(known, 2)
    return row


class InstrumentBox(QGroupBox):
    """Values of an instrument, each with where it comes from; kept in the settings file on request."""

    def __init__(self, use, say):
        super().__init__("instrument")
        self._use, self._say, self._frame = use, say, None
        self.choice, self.name = QComboBox(), QLineEdit(placeholderText="name of the instrument")
        self.lines = {name: QLineEdit() for name, _words, _keys in frame_setup.INSTRUMENT_FIELDS}
        self.known = {name: QLabel("") for name in self.lines}
        self.use_button = QPushButton("Use for the frame")
        self.keep_button = QPushButton("Keep the instrument")
        self.use_button.clicked.connect(self.use)
        self.keep_button.clicked.connect(self.keep)
        form = QFormLayout(self)
        form.addRow("which", self.choice)
        form.addRow("name", self.name)
        for name, words, _keys in frame_setup.INSTRUMENT_FIELDS:
            form.addRow(words, value_row(self.lines[name], self.known[name]))
        low = QHBoxLayout()
        low.addWidget(self.use_button)
        low.addWidget(self.keep_button)
        form.addRow(low)
        self.fill()
        self.choice.currentIndexChanged.connect(self.show_known)

    def fill(self, chosen: str | None = None):
        """Bring the list of instruments up to date."""
        self.choice.blockSignals(True)
        self.choice.clear()
        for name, entry in frame_setup.instrument_entries().items():
            self.choice.addItem(name, entry)
        self.choice.addItem(NEW, {})
        self.choice.setCurrentIndex(max(self.choice.findText(chosen), 0) if chosen else 0)
        self.choice.blockSignals(False)
        self.show_known()

    def show_frame(self, frame):
        """Let a frame's header speak where the settings file is silent."""
        self._frame = frame
        self.fill(self.choice.currentText())

    def show_known(self, *_index):
        """Show every value of the chosen instrument and where it comes from."""
        entry = self.choice.currentData() or {}
        self.name.setText(entry.get("name", ""))
        for name, (value, source) in frame_setup.instrument_values(entry, self._frame).items():
            self.lines[name].clear()
            self.lines[name].setPlaceholderText(value)
            self.known[name].setText(f"{value} ({source})" if value else source)

    def values(self) -> dict:
        """Entry of the settings file that the box asks for."""
        entry = dict(self.choice.currentData() or {})
        entry["name"] = self.name.text().strip()
        if not entry["name"]:
            raise ValueError("an instrument needs a name by which campaigns and commands call it")
        known = frame_setup.instrument_values(self.choice.currentData() or {}, self._frame)
        for name, (value, source) in known.items():
            written = frame_setup.read_field(name, self.lines[name].text())
            # A default is not written: the file keeps to what is known, and a better default comes to count.
            if written is None and source.startswith("header"):
                written = frame_setup.read_field(name, value)
            if written is not None:
                entry[name] = written
        return entry

    def keep(self):
        """Write the instrument into the settings file."""
        try:
            entry = self.values()
            path = frame_setup.keep_in_settings(instrument=entry)
        except (ValueError, OSError) as exc:
            report_failure(exc)
            self._say(str(exc))
            return
        self.fill(entry["name"])
        self._say(f"{entry['name']} is kept in {path}; its earlier state, if any, is beside it as .bak")

    def use(self):
        """Let the panel take what the instrument says about the camera."""
        camera = frame_setup.camera_of(self.choice.currentData() or {})
        self._use(camera)
        names = ", ".join(camera)
        self._say(f"taken over: {names}" if names else "this instrument says nothing about the camera itself")


ALL = "all frames"
#: Field, words, hint.
FIELDS = (
    ("site", "site", "MPC code, LON,LAT,HEIGHT, or a name of the settings"),
    ("time", "time (UTC)", "2027-05-05T03:30:00"),
    ("exposure_s", "light collected (s)", ""),
    ("gain_e_adu", "gain (e⁻/ADU)", ""),
    ("read_noise_e", "read noise (e⁻)", ""),
    ("saturation_adu", "saturation (ADU)", ""),
)


class SetupPanel(Panel):
    """What is known about frames and sources."""

    def __init__(self, session, parent=None):
        super().__init__(session, parent, "Set-up: site, time, camera, sources")
        self.resize(680, 640)
        self.job = None
        self.frame_box, self.time_is = QComboBox(), QComboBox()
        self.time_is.addItems(["", "start", "mid", "end"])
        self.lines = {name: QLineEdit(placeholderText=hint) for name, _words, hint in FIELDS}
        self.known = {name: QLabel("") for name, _words, _hint in FIELDS}
        self.sources = {what: QLabel("") for what in ("orbits", "stars")}
        self.site_name = QLineEdit(placeholderText="name of the site")
        self.instrument = InstrumentBox(self._use_camera, self.say)
        self._build()
        self.fill()

    def _build(self):
        form = QFormLayout()
        form.addRow("frame", self.frame_box)
        for name, words, _hint in FIELDS:
            between = (QLabel("is the"), self.time_is) if name == "time" else ()
            form.addRow(words, value_row(self.lines[name], self.known[name], *between))
        for what, label in self.sources.items():
            row, button = QHBoxLayout(), QPushButton("choose…")
            button.clicked.connect(lambda _on=False, what=what: self._choose(what))
            label.setWordWrap(True)
            row.addWidget(label, 1)
            row.addWidget(button)
            form.addRow(what, row)
        apply_button = QPushButton("Apply to the frame")
        keep_button = QPushButton("Keep in the settings file")
        apply_button.clicked.connect(self.apply)
        keep_button.clicked.connect(self.keep)
        low = QHBoxLayout()
        for widget in (apply_button, self.site_name, keep_button):
            low.addWidget(widget)
        layout = QVBoxLayout(self)
        layout.addLayout(form)
        layout.addLayout(low)
        layout.addWidget(self.instrument)
        layout.addWidget(self.status)
        self.frame_box.currentIndexChanged.connect(self.show_known)

    def fill(self):
        """Bring frames and sources up to date."""
        self.frame_box.blockSignals(True)
        self.frame_box.clear()
        self.frame_box.addItem(ALL, None)
        for data in frames_of(self.session):
            self.frame_box.addItem(data.label, data)
        self.frame_box.blockSignals(False)
        self.show_known()
        for what, label in self.sources.items():
            try:
                label.setText(frame_setup.source_words(getattr(inputs.chosen(), what), what))
            except (ValueError, OSError) as exc:
                label.setText(str(exc))

    def _frames(self):
        data = self.frame_box.currentData()
        return frames_of(self.session) if data is None else [data]

    def show_known(self, *_index):
        """Show what is known about the chosen frame, and where it comes from."""
        frames = self._frames()
        known = frame_setup.frame_values(frame_of(frames[0])) if frames else {}
        self.instrument.show_frame(frame_of(frames[0]) if frames else None)
        for name, label in self.known.items():
            value, source = known.get(name, ("", ""))
            label.setText(f"{value} ({source})" if source else value)

    def _use_camera(self, camera):
        """Write what an instrument says about the camera into the lines above, to be applied."""
        for name, value in camera.items():
            self.lines[name].setText(f"{value:g}")

    def given(self):
        """What the user has written."""
        words = {name: line.text().strip() or None for name, line in self.lines.items()}
        numbers = {}
        for name in ("exposure_s", "gain_e_adu", "read_noise_e", "saturation_adu"):
            try:
                numbers[name] = None if words[name] is None else float(words[name])
            except ValueError:
                raise ValueError(
                    f"'{words[name]}' is not a number; write digits with a point, or leave it empty"
                ) from None
        return frame_setup.Given(words["site"], words["time"], self.time_is.currentText() or None, **numbers)

    def apply(self) -> BackgroundWork | None:
        """Apply to the frames, and compute their tracks anew."""
        try:
            lines = frame_setup.apply(self._frames(), self.given())
        except (ValueError, OSError) as exc:
            self.fail(exc)
            return None
        self.show_known()
        self.say("; ".join(lines) or "applied")
        # another site or time moves every prediction
        return self._tracks_anew()

    def _tracks_anew(self):
        frames = frames_of(self.session)
        tracks = all_of(self.session.data_collection, TRACK)
        wanted = {(track.meta["body"], track.meta.get("orbits path") or None) for track in tracks}
        if not wanted:
            return None

        def work(job):
            made = []
            for i, (body, path) in enumerate(sorted(wanted, key=str)):
                job.step(i, len(wanted))
                made += make_tracks(inputs.open_orbits(path), frames, [body])[0]
            return made

        self.job = BackgroundWork(work)
        self.job.done.connect(self._show_tracks)
        self.job.failed.connect(report_failure)
        return self.job.start()

    def _show_tracks(self, tracks):
        add_tracks(self.session, tracks)

    def _choose(self, what):
        path, _kind = QFileDialog.getOpenFileName(self, what)
        if path:
            self.use(what, path)

    def use(self, what: str, path: str):
        """Take orbits or stars out of a file from now on."""
        try:
            self.sources[what].setText(frame_setup.source_words(path, what))
        except (ValueError, OSError) as exc:
            self.fail(exc)
            return
        setattr(inputs.chosen(), what, str(path))

    def keep(self):
        """Write site and sources into the settings file that the command line and campaigns read too."""
        chosen = inputs.chosen()
        site = self.lines["site"].text().strip() or None
        try:
            name = self.site_name.text().strip() or None
            path = frame_setup.keep_in_settings(
                site=site, site_name=name, orbits=chosen.orbits, stars=chosen.stars
            )
        except (ValueError, OSError) as exc:
            self.fail(exc)
        else:
            self.say(f"kept in {path}; its earlier state, if any, is beside it as .bak")


def open_panel(session, _data_collection=None) -> SetupPanel:
    """Menu action: the panel, made once per application."""
    return open_once(session, SetupPanel)

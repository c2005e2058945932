"""Panel of site, time, camera and sources: what is known and where it comes from, and what the user says."""

from qtpy.QtWidgets import (
    QComboBox,
    QFileDialog,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QVBoxLayout,
)

from glue_appulse import choices, frame_setup
from glue_appulse.frames import frame_of
from glue_appulse.kinds import TRACK, all_of
from glue_appulse.qt.desk import add_tracks, frames_of
from glue_appulse.qt.instrument_box import InstrumentBox
from glue_appulse.qt.jobs import Job, tell
from glue_appulse.qt.panels import Panel, open_once

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
    """What is known about frames and sources.

    Parameters
    ----------
    session : glue.core.session.Session
    parent : QWidget or None
    """

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
            row = QHBoxLayout()
            row.addWidget(self.lines[name], 1)
            if name == "time":
                row.addWidget(QLabel("is the"))
                row.addWidget(self.time_is)
            self.known[name].setWordWrap(True)
            row.addWidget(self.known[name], 2)
            form.addRow(words, row)
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
                label.setText(frame_setup.source_words(getattr(choices.current(), what), what))
            except (ValueError, OSError) as exc:
                label.setText(str(exc))

    def _frames(self):
        data = self.frame_box.currentData()
        return frames_of(self.session) if data is None else [data]

    def show_known(self, *_index):
        """Show what is known about the chosen frame, and where it comes from."""
        frames = self._frames()
        told = frame_setup.told_by(frame_of(frames[0])) if frames else {}
        self.instrument.show_frame(frame_of(frames[0]) if frames else None)
        for name, label in self.known.items():
            value, source = told.get(name, ("", ""))
            label.setText(f"{value} ({source})" if source else value)

    def _use_camera(self, camera):
        """Write what an instrument says about the camera into the lines above, to be applied."""
        for name, value in camera.items():
            self.lines[name].setText(f"{value:g}")

    def given(self):
        """What the user has written.

        Returns
        -------
        glue_appulse.frame_setup.Given

        Raises
        ------
        ValueError
            A number is none.
        """
        words = {name: line.text().strip() or None for name, line in self.lines.items()}
        numbers = {}
        for name in ("exposure_s", "gain_e_adu", "read_noise_e", "saturation_adu"):
            try:
                numbers[name] = None if words[name] is None else float(words[name])
            except ValueError:
                raise ValueError(
                    f"'{words[name]}' is no number; write digits with a point, or leave it empty"
                ) from None
        return frame_setup.Given(words["site"], words["time"], self.time_is.currentText() or None, **numbers)

    def apply(self):
        """Apply to the frames, and compute their tracks anew.

        Returns
        -------
        Job or None
        """
        try:
            lines = frame_setup.apply(self._frames(), self.given())
        except (ValueError, OSError) as exc:
            self.fail(exc)
            return None
        self.show_known()
        self.say("; ".join(lines) or "applied")
        return self._tracks_anew()

    def _tracks_anew(self):
        from glue_appulse import sources
        from glue_appulse.field_bodies import make_tracks

        frames = frames_of(self.session)
        wanted = {
            (t.meta["body"], t.meta.get("orbits path") or None)
            for t in all_of(self.session.data_collection, TRACK)
        }
        if not wanted:
            return None

        def work(job):
            made = []
            for i, (body, path) in enumerate(sorted(wanted, key=str)):
                job.step(i, len(wanted))
                made += make_tracks(sources.open_orbits(path), frames, [body])[0]
            return made

        self.job = Job(work)
        self.job.done.connect(self._show_tracks)
        self.job.failed.connect(tell)
        return self.job.start()

    def _show_tracks(self, tracks):
        add_tracks(self.session, tracks)

    def _choose(self, what):
        path, _kind = QFileDialog.getOpenFileName(self, what)
        if path:
            self.use(what, path)

    def use(self, what, path):
        """Take orbits or stars out of a file from now on.

        Parameters
        ----------
        what : str
            orbits or stars.
        path : str
        """
        try:
            self.sources[what].setText(frame_setup.source_words(path, what))
        except (ValueError, OSError) as exc:
            self.fail(exc)
            return
        setattr(choices.current(), what, str(path))

    def keep(self):
        """Write site and sources into the settings file that the command line and campaigns read too."""
        chosen = choices.current()
        site = self.lines["site"].text().strip() or None
        try:
            name = self.site_name.text().strip() or None
            path = frame_setup.keep(site=site, site_name=name, orbits=chosen.orbits, stars=chosen.stars)
        except (ValueError, OSError) as exc:
            self.fail(exc)
        else:
            self.say(f"kept in {path}; its earlier state, if any, is beside it as .bak")


def open_panel(session, _data_collection=None):
    """Menu action: the panel, made once per application.

    Parameters
    ----------
    session : glue.core.session.Session

    Returns
    -------
    SetupPanel
    """
    return open_once(session, SetupPanel)

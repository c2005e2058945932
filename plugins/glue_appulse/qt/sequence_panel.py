"""Panel of a night's stacks and picture: grades, preview, run, cancel, resume, results."""

import shutil
import tempfile
import weakref

from qtpy.QtCore import QEvent, Qt
from qtpy.QtWidgets import (
    QApplication,
    QHBoxLayout,
    QProgressBar,
    QPushButton,
    QSplitter,
    QVBoxLayout,
    QWidget,
)

from glue_appulse import sequence as work
from glue_appulse.frames import frame_of
from glue_appulse.sequence_plan import Plan, folder_state, night_frames, suggested_folder
from glue_appulse.qt.body_box import BodyBox
from glue_appulse.qt.grades_table import GradesTable
from glue_appulse.qt.jobs import Job
from glue_appulse.qt.panels import Panel, open_once
from glue_appulse.qt.picture_view import PictureChooser
from glue_appulse.qt.sequence import show_stacks
from glue_appulse.qt.sequence_options import SequenceOptions

PREVIEW, COMPOSITE, ANIMATION = "preview", "composite", "animation"
START_WORDS = "Preview shows within seconds how the picture will look."
RUN, RESUME = "Run", "Resume"


class SequencePanel(Panel):
    """Stacks, composite and animation of the frames that are loaded.

    Parameters
    ----------
    session : glue.core.session.Session
    parent : QWidget or None
    """

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
        """Take frames and tracks that were loaded since the panel was looked at last.

        Parameters
        ----------
        event : QEvent

        Returns
        -------
        bool
        """
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
            "The folder holds parts of a run that was broken off; it goes on from there"
            if state == "unfinished" else "Stacks, composite and animation at full resolution"
        )  # fmt: skip

    # --- what is wanted

    def plan(self):
        """What is chosen in the panel.

        Returns
        -------
        glue_appulse.sequence_plan.Plan
        """
        body, orbits = self.body.chosen()
        return Plan(list(self.frames), body, orbits, keep=dict(self.table.keep), **self.options.values())

    def keep_all(self):
        """Keep every frame, whatever its grade."""
        for name in self.table.names():
            self.table.keep[name] = True
            self.table.set_keep(name, True)

    # --- work

    def grade(self):
        """Measure every frame in full; what is measured serves the run.

        Returns
        -------
        Job
        """
        folder = self._graded
        return self._start(
            lambda job, plan: work.grade(plan, folder, job.stage, _asked(job)), self.show_grades
        )

    def preview(self):
        """Show how the picture will look.

        Returns
        -------
        Job
        """
        return self._start(lambda job, plan: work.preview(plan, job.stage, _asked(job)), self.show_preview)

    def run(self):
        """Make the products, or go on where a run was broken off.

        Returns
        -------
        Job
        """
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
        self.job = Job(function, self.plan())
        self.job.staged.connect(self._stage)
        self.job.done.connect(show)
        self.job.failed.connect(self._failed)
        self.job.ended.connect(self._ended)
        self._busy(True)
        return self.job.start()

    def _stage(self, words, done, total):
        self.progress.setRange(0, max(total, 1))
        self.progress.setFormat(f"{words}: %p%")
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
        from appulse.sequence.steps import Cancelled

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
        """Fill the table.

        Parameters
        ----------
        answer : glue_appulse.sequence.Answer
        """
        self.table.show_grades(answer.value)
        count = f"{len(self.table.kept())} of {len(self.table.names())} frames kept"
        self.say("; ".join([count, *dict.fromkeys(answer.lines)]))

    def show_preview(self, answer):
        """Show the small picture.

        Parameters
        ----------
        answer : glue_appulse.sequence.Answer
        """
        self.pictures.offer(PREVIEW, {PREVIEW: answer.value.pixels})
        h, w = answer.value.pixels.shape[:2]
        words = f"preview of {answer.value.n_frames} frames, {w} × {h} pixels"
        if self.options.values()["look"]["marks"]:
            words += "; marks come with the run"
        self.say("; ".join([words, *dict.fromkeys(answer.lines)]))

    def show_result(self, made):
        """Open the stacks as frames, show the picture.

        Parameters
        ----------
        made : (glue_appulse.sequence.Answer, list of glue.core.data.Data)
        """
        answer, stacks = made
        result = answer.value
        self.table.show_grades([shot.grade for shot in result.night.shots])
        files = {path.name: path for path in result.written}
        pictures = {COMPOSITE: files["composite.png"], ANIMATION: files["animation.gif"]}
        self.pictures.offer(COMPOSITE, pictures)
        show_stacks(self.session, stacks)
        words = f"{len(result.night.kept)} of {len(result.night.shots)} frames; written to {self.plan().out}"
        taken = [f"{result.reused} parts taken over"] if result.reused else []
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


def open_panel(session, _data_collection=None):
    """Menu action: the panel, made once per application.

    Parameters
    ----------
    session : glue.core.session.Session

    Returns
    -------
    SequencePanel
    """
    return open_once(session, SequencePanel)

"""Panel of a measurement: stamp, numbers, verdict; accept, refit, reject, undo; a whole night."""

from qtpy.QtCore import Qt
from qtpy.QtWidgets import (
    QCheckBox,
    QComboBox,
    QDockWidget,
    QDoubleSpinBox,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLayout,
    QProgressBar,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from glue_appulse import choices, measured_rows, measuring
from glue_appulse.kinds import TRACK, all_of
from glue_appulse.picking import clicked_sky, nearest_track, top_frame
from glue_appulse.qt.commands import PutRows
from glue_appulse.qt.desk import frames_of
from glue_appulse.qt.jobs import Job
from glue_appulse.qt.measured_numbers import MeasuredNumbers
from glue_appulse.qt.panels import Notice, open_once
from glue_appulse.qt.stamps import StampCanvas

REASONS = (
    "blended with a star",
    "not the body",
    "trailed or bad guiding",
    "on a defect or cosmic ray",
    "cloud",
    "other",
)


class MeasurePanel(QDockWidget):
    """Dock with the measurement at hand.

    Parameters
    ----------
    session : glue.core.session.Session
    parent : QMainWindow
    """

    def __init__(self, session, parent):
        super().__init__("Measure", parent)
        self.setObjectName("appulse-measure")
        self.session, self.current, self.job = session, None, None
        self._build()
        self._allow()

    def _build(self):
        self.title, self.verdict = QLabel(""), QLabel("")
        self.title.setStyleSheet("font-weight: bold")
        for label in (self.title, self.verdict):
            label.setWordWrap(True)
            label.setTextInteractionFlags(Qt.TextSelectableByMouse)
        self.stamps = StampCanvas()
        self.numbers = MeasuredNumbers()
        layout = QVBoxLayout()
        for item in (
            self.title,
            self.stamps,
            self.numbers,
            self.verdict,
            self._refit_row(),
            self._decide_row(),
            self._night_row(),
        ):
            add = layout.addLayout if isinstance(item, QLayout) else layout.addWidget
            add(item)
        self.status = Notice()
        layout.addWidget(self.status)
        layout.addStretch(1)
        body = QWidget()
        body.setLayout(layout)
        self.setWidget(body)

    def _refit_row(self):
        self.reach = QDoubleSpinBox(
            maximum=600.0, suffix="″", specialValueText="as errors ask", singleStep=1.0
        )
        self.aperture = QDoubleSpinBox(
            maximum=100.0, suffix=" px", specialValueText="as seeing asks", singleStep=0.5, decimals=1
        )
        self.aperture.setToolTip("Radius of the aperture within which pixels are fitted")
        self.trail = QCheckBox("free trail")
        self.refit_button = QPushButton("Refit")
        self.refit_button.clicked.connect(self.refit)
        grid = QGridLayout()
        grid.addWidget(QLabel("search within"), 0, 0)
        grid.addWidget(self.reach, 0, 1)
        grid.addWidget(self.trail, 0, 2)
        grid.addWidget(QLabel("aperture"), 1, 0)
        grid.addWidget(self.aperture, 1, 1)
        grid.addWidget(self.refit_button, 1, 2)
        return grid

    def _decide_row(self):
        self.accept_button, self.reject_button = QPushButton("Accept"), QPushButton("Reject")
        self.undo_button, self.reason = QPushButton("Undo"), QComboBox()
        self.reason.addItems(REASONS)
        self.reason.setEditable(True)
        self.accept_button.clicked.connect(self.accept)
        self.reject_button.clicked.connect(self.reject)
        self.undo_button.clicked.connect(self.undo)
        row = QHBoxLayout()
        for widget in (self.accept_button, self.reject_button, self.reason, self.undo_button):
            row.addWidget(widget)
        return row

    def _night_row(self):
        self.night_button, self.stop_button = QPushButton("Measure the night"), QPushButton("Stop")
        self.night_button.clicked.connect(self.measure_night)
        self.stop_button.clicked.connect(self.stop)
        self.progress = QProgressBar()
        row = QHBoxLayout()
        for widget in (self.night_button, self.progress, self.stop_button):
            row.addWidget(widget)
        return row

    def _allow(self):
        """Enable what can be done now."""
        busy, have = self.job is not None, self.current is not None
        for button in (self.accept_button, self.reject_button, self.refit_button):
            button.setEnabled(have and not busy)
        self.accept_button.setEnabled(have and not busy and self.current.found)
        self.night_button.setEnabled(not busy)
        self.stop_button.setEnabled(busy)

    def say(self, words):
        """Show a line at the foot of the panel.

        Parameters
        ----------
        words : str
        """
        self.status.setText(words)

    def measure_click(self, viewer, x, y, pointed=False):
        """Measure the body that is meant by a click.

        Parameters
        ----------
        viewer : glue_qt.viewers.image.ImageViewer
        x, y : float
            Zero-based pixels of the viewer's reference image.
        pointed : bool
            Whether to measure the source under the pointer rather than the one at the predicted place.

        Returns
        -------
        Job or None
        """
        frame = top_frame(viewer)
        if frame is None:
            self.say("no solved frame is visible in this viewer")
            return None
        ra, dec = clicked_sky(viewer, x, y)
        track, _distance = nearest_track(self.session.data_collection, frame, ra, dec)
        if track is None:
            self.say(f"no body is predicted in {frame.label}: add its track first (Plugins > Add tracks)")
            return None
        at = None
        if pointed:
            from glue_appulse.frames import frame_of

            at = tuple(float(v) for v in frame_of(frame).to_pixel(ra, dec))
        return self.measure(self._task(frame, track).again(at=at))

    def _task(self, frame, track):
        return measuring.Task(
            frame, track.meta["body"], track.meta.get("orbits path") or None, choices.current().stars
        )

    def measure(self, task):
        """Measure off the interface thread.

        Parameters
        ----------
        task : glue_appulse.measuring.Task

        Returns
        -------
        Job
        """
        self.title.setText(f"{task.body} in {task.data.label}…")
        return self._start(lambda _job: measuring.measure(task), self.show_measured)

    def _start(self, function, then):
        self.job = Job(function)
        self.job.done.connect(then)
        self.job.failed.connect(self.status.fail)
        self.job.progressed.connect(self._progressed)
        self.job.ended.connect(self._ended)
        self.progress.setRange(0, 0)
        self._allow()
        return self.job.start()

    def _progressed(self, done, total):
        self.progress.setRange(0, total)
        self.progress.setValue(done)

    def _ended(self):
        self.job = None
        self.progress.setRange(0, 1)
        self.progress.reset()
        self._allow()

    def show_measured(self, measured):
        """Show a measurement.

        Parameters
        ----------
        measured : glue_appulse.measuring.Measured
        """
        self.current = measured
        self.title.setText(measured.name)
        self.stamps.show_fit(measured.residual)
        self.numbers.show_measured(measured)
        self.verdict.setText(measured_rows.verdict(measured))
        self.say("; ".join([*([measured.flag] if measured.found and measured.flag else []), *measured.notes]))
        self._allow()

    def refit(self):
        """Measure again with another search radius, another aperture or a free trail.

        Returns
        -------
        Job or None
        """
        if self.current is None:
            return None
        task = self.current.task.again(
            search_arcsec=self.reach.value() or None,
            free_trail=self.trail.isChecked(),
            aperture_px=self.aperture.value() or None,
        )
        return self.measure(task)

    def accept(self):
        """Put the measurement into the residuals."""
        if self.current is not None and self.current.found:
            self._put(self.current.table)
            self.say(f"{self.current.name} is in the residuals")

    def reject(self):
        """Put the measurement into the residuals as not trusted, with the reason."""
        if self.current is not None:
            reason = self.reason.currentText().strip() or REASONS[-1]
            self._put(measured_rows.rejected(self.current, reason))
            self.say(f"{self.current.name} is rejected: {reason}")

    def _put(self, table):
        self.session.command_stack.do(PutRows(table=table))

    def undo(self):
        """Take back the last change of the residuals."""
        stack = self.session.command_stack
        if stack.can_undo_redo()[0] and stack.undo_label == PutRows.label:
            stack.undo()
            self.say("taken back")
        else:
            self.say("nothing of this panel is left to take back")

    def measure_night(self):
        """Measure every body that has a track in every frame.

        Returns
        -------
        Job or None
        """
        frames, tracks = frames_of(self.session), all_of(self.session.data_collection, TRACK)
        if not frames or not tracks:
            self.say("load frames, and add the tracks of the bodies first")
            return None
        tasks, lines = [], []
        for track in tracks:
            one = self._task(frames[0], track)
            more, told = measuring.tasks_of_night(frames, [one.body], one.orbits, one.stars)
            tasks, lines = tasks + more, lines or told
        self.say("; ".join(lines))

        def work(job):
            return (*measuring.measure_night(tasks, job.report, lambda: job.stopping), lines)

        return self._start(work, self.show_night)

    def show_night(self, result):
        """Put a measured night into the residuals.

        Parameters
        ----------
        result : (list of Measured, list of str, list of str)
        """
        measured, failed, left_out = result
        if measured:
            self._put(measured_rows.joined(measured))
            self.show_measured(measured[-1])
        seen = sum(one.found for one in measured)
        told = measured_rows.verdict_of_night(measured)
        count = f"{seen} measured, {len(measured) - seen} flagged"
        self.say("\n".join([count, *([f"The night: {told}"] if told else []), *failed, *left_out]))

    def stop(self):
        """Stop what is running after the frame at hand; what was measured until then is kept."""
        if self.job is not None:
            self.job.stop()
            self.say("stopping after the frame at hand")


def open_panel(session, _data_collection=None):
    """Menu action: the panel, made once per application.

    Parameters
    ----------
    session : glue.core.session.Session

    Returns
    -------
    MeasurePanel
    """
    return open_once(session, MeasurePanel, Qt.RightDockWidgetArea)

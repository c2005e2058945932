"""Panel of a measurement: stamp, numbers, verdict; accept, refit, reject, undo; a whole night."""

from glue.core.command import Command
from matplotlib.backends.backend_qtagg import FigureCanvasQTAgg
from matplotlib.figure import Figure
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
    QSpinBox,
    QVBoxLayout,
    QWidget,
)

from appulse.bodies import body_label, is_comet
from appulse.reports import printed
from appulse.workflows import processors
from glue_appulse import inputs, measurements
from glue_appulse.data import residual_data
from glue_appulse.data.kinds import TRACK, all_of
from glue_appulse.data.links import link_overlay
from glue_appulse.data.solved_frames import frame_of, link_frames
from glue_appulse.data.track_data import nearest_track, usable
from glue_appulse.layers.stamps import draw_fit
from glue_appulse.qt.desk import clicked_sky, frames_of, image_viewers, top_frame
from glue_appulse.qt.panels import BackgroundWork, Notice, TallArea, open_once

# --- a change of the residuals as a glue command, so that Edit > Undo takes it back

class PutRows(Command):
    """Add rows to the residuals. Keyword: ``table``."""

    kwargs = ["table"]  # noqa: RUF012  glue's own protocol
    label = "measurement"

    def do(self, session):
        """Add."""
        collection = session.data_collection
        # Rows that join others are shown already; the first ones must be linked and put into the viewers.
        fresh = residual_data.find(collection) is None
        self._undo = residual_data.add_rows(collection, self.table)
        if fresh:
            link_frames(collection)
            link_overlay(collection, residual_data.find(collection))
            for viewer in image_viewers(session):
                viewer.add_data(residual_data.find(collection))

    def undo(self, session):
        """Put the residuals back as they were."""
        self._undo()


class MeasuredNumbers(QWidget):
    """Names on the left, numbers on the right; O−C in both meanings."""

    def __init__(self):
        super().__init__()
        self.values, self._grid = {}, QGridLayout(self)
        self._grid.setContentsMargins(0, 0, 0, 0)
        self._grid.setVerticalSpacing(1)
        self._row("O−C", *(f"<b>{meaning}</b>" for meaning in measurements.MEANINGS))
        for words, cells in measurements.number_rows(None):
            self.values |= dict(zip(cells, self._row(words, *cells.values()), strict=True))

    def _row(self, words, *numbers):
        row, labels = self._grid.rowCount(), [QLabel(number) for number in numbers]
        self._grid.addWidget(QLabel(words), row, 0)
        for column, label in enumerate(labels, 1):
            label.setAlignment(Qt.AlignRight)
            self._grid.addWidget(label, row, column)
        return labels

    def show_measured(self, measured):
        """Show what was measured; a dash where nothing was."""
        for _words, cells in measurements.number_rows(measured):
            for name, words in cells.items():
                self.values[name].setText(words)


START = "click on a body, or press E over it"


class StampCanvas(FigureCanvasQTAgg):
    """Canvas with pixels, model and residual of a fitted source."""

    def __init__(self):
        super().__init__(Figure(figsize=(4.2, 1.75), dpi=100))
        self.setMinimumHeight(150)
        self.axes = self.figure.subplots(1, 3)
        self.figure.subplots_adjust(left=0.01, right=0.99, bottom=0.01, top=0.87, wspace=0.03)
        self.show_nothing(START)

    def show_nothing(self, words: str):
        """Clear, with a word why."""
        for axis in self.axes:
            axis.clear()
            axis.set_axis_off()
        self.axes[1].text(
            0.5, 0.5, words, ha="center", va="center", transform=self.axes[1].transAxes, fontsize=9
        )
        self.draw_idle()

    def show_fit(self, residual):
        """Show the stamp of a measurement."""
        if residual.fit is None or residual.fit.data is None:
            self.show_nothing("no stamp")
            return
        draw_fit(self.axes, residual)
        self.draw_idle()


#: Shown as "automatic": a step below the least that may be asked for.
AUTOMATIC_SNR = measurements.FAINTEST_SNR - 0.5
REASONS = (
    "blended with a star",
    "not the body",
    "trailed or bad guiding",
    "on a defect or cosmic ray",
    "cloud",
    "other",
)


class MeasurePanel(QDockWidget):
    """Dock with the measurement at hand."""

    def __init__(self, session, parent):
        super().__init__("Measure", parent)
        self.setObjectName("appulse-measure")
        self.session, self.current, self.job = session, None, None
        self._build()
        self._allow()

    def _build(self):
        self.title, self.verdict, self.about = QLabel(""), QLabel(""), QLabel("")
        self.title.setStyleSheet("font-weight: bold")
        for label in (self.title, self.verdict, self.about):
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
            self.about,
            self._refit_row(),
            self._decide_row(),
            self._night_row(),
            self._light_row(),
        ):
            add = layout.addLayout if isinstance(item, QLayout) else layout.addWidget
            add(item)
        self.status = Notice()
        layout.addWidget(self.status)
        layout.addStretch(1)
        body, area = QWidget(), TallArea()
        body.setLayout(layout)
        area.setWidget(body)
        self.setWidget(area)

    def fill(self):
        """Forget what was said before, and a measurement of a frame that is no longer loaded."""
        if self.job is None:
            self.say("")
        if self.current is not None and self.current.task.data not in self.session.data_collection:
            self.current = None
            self.title.setText("")
            self.stamps.show_nothing(START)
            self.numbers.show_measured(None)
            self.verdict.setText("")
            self.about.setText("")
            self._allow()

    def _refit_row(self):
        self.reach = QDoubleSpinBox(
            maximum=600.0, suffix="″", specialValueText="automatic", singleStep=1.0
        )
        self.aperture = QDoubleSpinBox(
            maximum=100.0, suffix=" px", specialValueText="automatic", singleStep=0.5, decimals=1
        )
        self.aperture.setToolTip("Radius of the aperture within which pixels are fitted")
        self.least_snr = QDoubleSpinBox(
            minimum=AUTOMATIC_SNR, maximum=999.0, specialValueText="automatic", singleStep=0.5, decimals=1
        )
        self.least_snr.setToolTip("A body of less signal to noise counts as not seen; also for the night")
        self.trail = QCheckBox("free trail")
        self.model = QComboBox(toolTip="What is fitted; automatic: a coma where the body is a comet")
        for words, model in (("automatic", "auto"), ("point", "point"), ("coma", "coma")):
            self.model.addItem(words, model)
        self.refit_button = QPushButton("Refit")
        self.refit_button.clicked.connect(self.refit)
        grid = QGridLayout()
        grid.addWidget(QLabel("search within"), 0, 0)
        grid.addWidget(self.reach, 0, 1)
        grid.addWidget(self.trail, 0, 2)
        grid.addWidget(QLabel("aperture"), 1, 0)
        grid.addWidget(self.aperture, 1, 1)
        grid.addWidget(self.model, 1, 2)
        grid.addWidget(QLabel("least signal to noise"), 2, 0)
        grid.addWidget(self.least_snr, 2, 1)
        grid.addWidget(self.refit_button, 2, 2)
        return grid

    def _decide_row(self):
        self.accept_button, self.reject_button = QPushButton("Keep"), QPushButton("Set aside…")
        self.undo_button, self.reason = QPushButton("Undo"), QComboBox()
        self.reason.addItems(REASONS)
        self.reason.setEditable(True)
        self.reason.setSizeAdjustPolicy(QComboBox.AdjustToMinimumContentsLengthWithIcon)
        self.reason.setMinimumContentsLength(7)
        # a narrow line shows the beginning
        self.reason.lineEdit().setCursorPosition(0)
        self.reason.currentIndexChanged.connect(lambda _: self.reason.lineEdit().setCursorPosition(0))
        # the row has no room for the longest reason: the list opens as wide as it, the tip has it whole
        entries = self.reason.view()
        bar = entries.verticalScrollBar().sizeHint().width()
        entries.setMinimumWidth(entries.sizeHintForColumn(0) + bar + 2 * entries.frameWidth())
        self.reason.currentTextChanged.connect(self._tell_reason)
        self._tell_reason(self.reason.currentText())
        self.accept_button.clicked.connect(self.accept)
        self.reject_button.clicked.connect(self.reject)
        self.undo_button.clicked.connect(self.undo)
        row = QHBoxLayout()
        for widget in (self.accept_button, self.reject_button, self.reason, self.undo_button):
            row.addWidget(widget)
        row.setStretchFactor(self.reason, 1)
        return row

    def _tell_reason(self, words: str):
        self.reason.setToolTip(f"Why it is set aside: {words}" if words else "Why it is set aside")

    def _night_row(self):
        self.night_button, self.stop_button = QPushButton("Measure the night"), QPushButton("Stop")
        self.night_button.clicked.connect(self.measure_night)
        self.stop_button.clicked.connect(self.stop)
        self.progress = QProgressBar()
        row = QHBoxLayout()
        for widget in (self.night_button, self.progress, self.stop_button):
            row.addWidget(widget)
        return row

    def _light_row(self):
        self.light_button = QPushButton("Comet's total magnitude")
        self.light_button.setToolTip(
            "Light within growing circles to the coma's edge, in every frame, for the comet that has a track"
        )
        self.light_button.clicked.connect(self.measure_light)
        # The row of the night has no room left on a low screen.
        self.jobs = QSpinBox(minimum=1, maximum=max(processors(), 2), value=1, prefix="processes: ")
        self.jobs.setToolTip("How many frames of a night are measured at once, each in a process of its own")
        row = QHBoxLayout()
        row.addWidget(self.light_button)
        row.addWidget(self.jobs)
        return row

    def _allow(self):
        """Enable what can be done now."""
        busy, have = self.job is not None, self.current is not None
        for button in (self.accept_button, self.reject_button, self.refit_button):
            button.setEnabled(have and not busy)
        self.accept_button.setEnabled(have and not busy and self.current.found)
        self.night_button.setEnabled(not busy)
        self.light_button.setEnabled(not busy)
        self.stop_button.setEnabled(busy)

    def say(self, words: str):
        """Show a line at the foot of the panel."""
        self.status.setText(printed(words))

    def measure_click(self, viewer, x: float, y: float, pointed: bool = False) -> BackgroundWork | None:
        """Measure the body that is meant by a click."""
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
            # the click is of the reference image; the frame measured may be another, turned or shifted
            at = tuple(float(v) for v in frame_of(frame).to_pixel(ra, dec))
        return self.measure(self._task(frame, track).again(at=at))

    def _task(self, frame, track):
        orbits, stars = track.meta.get("orbits path") or None, inputs.chosen().stars
        return measurements.Task(frame, track.meta["body"], orbits, stars, min_snr=self._min_snr())

    def _min_snr(self):
        value = self.least_snr.value()
        return None if value <= AUTOMATIC_SNR else max(value, measurements.FAINTEST_SNR)

    def measure(self, task) -> BackgroundWork:
        """Measure off the interface thread."""
        self.title.setText(f"{body_label(task.body)} in {task.data.label}…")
        return self._start(lambda _job: measurements.measure(task), self.show_measured)

    def _start(self, function, then):
        self.job = BackgroundWork(function)
        self.job.done.connect(then)
        self.job.failed.connect(self.status.fail)
        self.job.staged.connect(self._staged)
        self.job.worded.connect(self.say)
        self.job.ended.connect(self._ended)
        self.progress.setRange(0, 0)
        self._allow()
        return self.job.start()

    def _staged(self, _words, done, total):
        self.progress.setRange(0, total)
        self.progress.setValue(done)

    def _ended(self):
        self.job = None
        self.progress.setRange(0, 1)
        self.progress.reset()
        self._allow()

    def show_measured(self, measured):
        """Show a measurement."""
        self.current = measured
        self.title.setText(measured.name)
        self.stamps.show_fit(measured.residual)
        self.numbers.show_measured(measured)
        self.verdict.setText(printed(measurements.verdict(measured)))
        self.about.setText(printed(measurements.circumstances(measured)))
        flag = [measured.flag] if measured.found and measured.flag else []
        self.say("; ".join([*flag, *measured.result.notes]))
        self._allow()

    def refit(self) -> BackgroundWork | None:
        """Measure again with another search radius, another aperture or a free trail."""
        if self.current is None:
            return None
        task = self.current.task.again(
            search_arcsec=self.reach.value() or None,
            free_trail=self.trail.isChecked(),
            aperture_px=self.aperture.value() or None,
            min_snr=self._min_snr(),
            model=self.model.currentData(),
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
            self._put(measurements.rejected(self.current, reason))
            self.say(f"{self.current.name} is set aside: {reason}")

    def _put(self, table):
        self.session.command_stack.do(PutRows(table=table))

    def undo(self):
        """Take back the last change of the residuals."""
        stack = self.session.command_stack
        # The stack is the application's: what another action has done on top is not ours to take back.
        if stack.can_undo_redo()[0] and stack.undo_label == PutRows.label:
            stack.undo()
            self.say("taken back")
        else:
            self.say("nothing of this panel is left to take back")

    def measure_night(self) -> BackgroundWork | None:
        """Measure every body that has a track in every frame."""
        frames, tracks = frames_of(self.session), all_of(self.session.data_collection, TRACK)
        if not frames or not tracks:
            self.say("load frames, and add the tracks of the bodies first")
            return None
        good, lines = usable(frames)
        tasks = [self._task(data, track) for track in tracks for data in good]
        self.say("; ".join(lines))
        jobs = self.jobs.value()

        def work(job):
            def measuring(done, total):
                job.stage("measuring", done, total)

            return (*measurements.measure_night(tasks, measuring, lambda: job.stopping, jobs), lines)

        return self._start(work, self.show_night)

    def measure_light(self) -> BackgroundWork | None:
        """Measure the total magnitude of each comet that has a track, in every frame."""
        frames, tracks = frames_of(self.session), all_of(self.session.data_collection, TRACK)
        comets = [track for track in tracks if is_comet(track.meta["body"])]
        if not frames or not comets:
            self.say("load frames, and add the track of a comet first: others have no coma")
            return None
        good, lines = usable(frames)

        def work(job):
            found = list(lines)
            for track in comets:
                orbits, stars = track.meta.get("orbits path") or None, inputs.chosen().stars
                found += measurements.total_magnitudes(
                    good, track.meta["body"], orbits, stars, lambda: job.stopping
                )
            return found

        return self._start(work, lambda found: self.say("\n".join(found)))

    def show_night(self, result: tuple[list, list[str], list[str]]):
        """Put a measured night into the residuals."""
        measured, failed, left_out = result
        if measured:
            self._put(measurements.joined(measured))
            self.show_measured(measured[-1])
        seen = sum(m.found for m in measured)
        judged = measurements.verdict_of_night(measured)
        lines = [f"{seen} measured, {len(measured) - seen} flagged"]
        lines += [f"The night: {judged}"] if judged else []
        self.say("\n".join([*lines, *measurements.doubts_of(measured), *failed, *left_out]))

    def stop(self):
        """Stop what is running after the frame at hand; what was measured until then is kept."""
        if self.job is not None:
            self.job.stop()
            self.say("stopping after the frame at hand")


def open_panel(session, _data_collection=None) -> MeasurePanel:
    """Menu action: the panel, made once per application."""
    return open_once(session, MeasurePanel, Qt.RightDockWidgetArea)

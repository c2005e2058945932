"""glue's Export Data for residuals as work of a thread: asked about first, shown at the window's foot."""

from pathlib import Path

from glue_appulse.measurements import EXPORTERS, OBSERVATIONS
from glue_appulse.qt.panels import BackgroundWork, failure_words, report_failure

SHOWN_MS = 20_000


def application_of(data):
    """The window of glue that holds a data set, or None."""
    from glue_qt.app.application import GlueApplication
    from qtpy.QtWidgets import QApplication

    data = getattr(data, "data", data)
    windows = [one for one in QApplication.topLevelWidgets() if isinstance(one, GlueApplication)]
    return next((one for one in windows if data in one.data_collection), None)


class ExportJob:
    """Writes residuals in one way, as glue's export calls it; returns the work, which goes on."""

    def __init__(self, function, suffix):
        self.function, self.suffix = function, suffix

    def __call__(self, filename: str, data, components=None) -> BackgroundWork | None:
        window, more = application_of(data), {}
        if window is None:
            # a script without a window waits for its file
            return self.function(filename, data, components)
        if self.suffix in OBSERVATIONS:
            from glue_appulse.qt.ades_dialog import AdesDialog

            dialog = AdesDialog(data, window)
            if not dialog.exec_():
                return None
            more["choice"] = dialog.choice()
        return self._start(filename, data, window, more)

    def _start(self, filename, data, window, more):
        from qtpy.QtWidgets import QProgressBar

        bar, foot = QProgressBar(), window.statusBar()
        bar.setRange(0, 0)
        bar.setMaximumWidth(160)
        foot.addPermanentWidget(bar)
        foot.showMessage(f"writing {Path(filename).name}…")
        job = BackgroundWork(lambda _job: self.function(filename, data, **more))
        job.done.connect(lambda _nothing: foot.showMessage(f"written: {filename}", SHOWN_MS))
        job.failed.connect(report_failure)
        job.failed.connect(lambda exc: foot.showMessage(failure_words(exc), SHOWN_MS))
        job.ended.connect(lambda: foot.removeWidget(bar))
        return job.start()


def install():
    """Put the jobs in the place of the plain functions, for glue's desktop."""
    from glue.config import data_exporter

    ours = {function: suffixes[0] for _label, suffixes, function in EXPORTERS}
    for i, item in enumerate(data_exporter.members):
        if item.function in ours:
            job = ExportJob(item.function, ours[item.function])
            data_exporter.members[i] = item._replace(function=job)

"""A whole night with mouse and keys on the real widgets, and the longest time that the window stood still."""

import sys
import time

import numpy as np
from qtpy import QtWidgets
from qtpy.QtCore import QPoint, Qt, QTimer
from qtpy.QtTest import QTest

from glue_appulse.data import residual_data
from glue_appulse.data.kinds import FRAME, OUTLINES, TRACK, all_of

TICK_MS = 10


class Pulse:
    """Ticks in the interface thread: `gaps` holds the longest time between two, seconds, by what was done.

    `work` holds, likewise, how much of it the thread itself worked: a busy machine lengthens the gap alone.
    """

    def __init__(self):
        self.gaps, self.work, self._words = {}, {}, "start"
        self._last = self._now()
        self._timer = QTimer()
        self._timer.timeout.connect(self._tick)
        self._timer.start(TICK_MS)

    @staticmethod
    def _now():
        return time.perf_counter(), time.thread_time()

    def _tick(self):
        now = self._now()
        for longest, end, start in zip((self.gaps, self.work), now, self._last, strict=True):
            longest[self._words] = max(longest.get(self._words, 0.0), end - start)
        self._last = now

    def begin(self, words: str):
        """What is done from here on."""
        QTest.qWait(2 * TICK_MS)
        self._words = words
        self._last = self._now()

    def stop(self):
        """No further tick."""
        self._timer.stop()


def wait_for(condition, seconds=120.0):
    """Let the window live until something holds."""
    end = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > end:
            raise TimeoutError(f"not within {seconds} s: {condition}")
        QTest.qWait(20)


def choose_in_menu(app, words: str):
    """Trigger an entry of the menu of plugins."""
    next(action for action in app._actions["plugins"] if action.text() == words).trigger()
    QTest.qWait(20)


def panel_of(app, name: str):
    """One of our panels by its class' name."""
    return next(panel for cls, panel in app._appulse_panels.items() if cls.__name__ == name)


def click(button):
    """Click a button with the mouse."""
    QTest.mouseClick(button, Qt.LeftButton)


def on_canvas(viewer, x, y) -> QPoint:
    """Where data coordinates are on a viewer's canvas, in Qt's pixels."""
    canvas = viewer.figure.canvas
    column, row = viewer.axes.transData.transform((x, y)) / canvas.device_pixel_ratio
    return QPoint(round(column), round(canvas.height() - row))


def drag(viewer, start, end):
    """Press, move and release the left button over a plot."""
    canvas = viewer.figure.canvas
    first, last = on_canvas(viewer, *start), on_canvas(viewer, *end)
    QTest.mousePress(canvas, Qt.LeftButton, Qt.NoModifier, first)
    for share in (0.3, 0.7, 1.0):
        at = first + QPoint(round(share * (last.x() - first.x())), round(share * (last.y() - first.y())))
        QTest.mouseMove(canvas, at)
        QTest.qWait(20)
    QTest.mouseRelease(canvas, Qt.LeftButton, Qt.NoModifier, last)


def choose_tool(viewer, tool: str):
    """Click a tool of a viewer's bar."""
    action = viewer.toolbar.actions[tool]
    click(viewer.toolbar.widgetForAction(action))


def run(app, frames, orbits, stars, place, folder, monkeypatch, seen=lambda _words: None) -> Pulse:
    """Load, track, outline, measure by click and by key, the night, select, export, save.

    `place` is the body's pixel in the first of the `frames` (paths); `folder` takes what is written;
    `seen` is told what has just been done, while it can be looked at.
    """
    from glue_qt.viewers.image import ImageViewer

    from glue_appulse import inputs
    from glue_appulse.qt import menus, smooth

    inputs.chosen().orbits, inputs.chosen().stars = str(orbits), str(stars)
    app.resize(1366, 768)
    app.show()
    pulse = Pulse()
    try:
        pulse.begin("load by File > Open Data Set")
        for name in ("exec_", "exec"):
            monkeypatch.setattr(QtWidgets.QFileDialog, name, lambda self: 1, raising=False)
        monkeypatch.setattr(QtWidgets.QFileDialog, "selectedFiles", lambda self: [str(p) for p in frames])
        app._actions["data_new"].trigger()
        wait_for(lambda: len(all_of(app.data_collection, FRAME)) == len(frames))
        seen("load")
        # a user needs a moment as well until the frame is dragged into the window
        pulse.begin("image viewer")
        wait_for(lambda: set(smooth.AHEAD) <= set(sys.modules))
        pulse.begin("image viewer")
        viewer = app.new_data_viewer(ImageViewer, data=all_of(app.data_collection, FRAME)[0])
        viewer.parent().showMaximized()
        QTest.qWait(100)
        seen("viewer")

        pulse.begin("tracks")
        choose_in_menu(app, menus.TRACKS)
        bodies = panel_of(app, "BodiesDialog")
        click(bodies.find_button)
        wait_for(lambda: bodies.table.rowCount() > 0)
        seen("bodies")
        bodies.table.item(0, 0).setCheckState(Qt.Checked)
        click(bodies.add_button)
        wait_for(lambda: all_of(app.data_collection, TRACK))
        bodies.hide()
        seen("track")

        pulse.begin("outlines")
        choose_in_menu(app, menus.OUTLINES)
        outlines = panel_of(app, "OutlineDialog")
        seen("outlines dialog")
        click(outlines.add_button)
        wait_for(lambda: all_of(app.data_collection, OUTLINES))
        outlines.hide()
        seen("outlines")

        pulse.begin("measure by click")
        choose_in_menu(app, menus.MEASURE)
        panel = panel_of(app, "MeasurePanel")
        choose_tool(viewer, "appulse:measure")
        viewer.figure.canvas.draw()
        QTest.mouseClick(viewer.figure.canvas, Qt.LeftButton, Qt.NoModifier, on_canvas(viewer, *place))
        wait_for(lambda: panel.current is not None and panel.job is None)
        by_click = panel.current
        seen("measured by click")

        pulse.begin("measure by key")
        panel.current = None
        QTest.mouseMove(viewer.figure.canvas, on_canvas(viewer, *place))
        QTest.qWait(30)
        QTest.keyClick(viewer.figure.canvas, Qt.Key_E)
        wait_for(lambda: panel.current is not None and panel.job is None)
        assert panel.current.number("x") == by_click.number("x")
        click(panel.accept_button)
        assert residual_data.find(app.data_collection).size == 1
        seen("kept")

        pulse.begin("measure the night")
        click(panel.night_button)
        wait_for(lambda: panel.job is None)
        data = residual_data.find(app.data_collection)
        assert data.size == len(frames)
        seen("night")

        pulse.begin("select in the plot")
        choose_in_menu(app, menus.RESIDUALS)
        residuals = app.viewers[0][-1]
        residuals.parent().showMaximized()
        QTest.qWait(100)
        residuals.figure.canvas.draw()
        seen("residuals")
        choose_tool(residuals, "select:rectangle")
        state, hours = residuals.state, residuals.columns()["hours"]
        half = 0.4 * np.diff(hours).min()
        low, high = (share * state.y_max + (1 - share) * state.y_min for share in (0.02, 0.98))
        # no farther than the plot reaches
        drag(residuals, (hours[-1] - half, low), (0.99 * state.x_max + 0.01 * state.x_min, high))
        wait_for(lambda: len(data.subsets) == 1)
        assert np.flatnonzero(data.subsets[0].to_mask()).tolist() == [len(frames) - 1]
        seen("selected")

        for suffix in ("ecsv", "html"):
            pulse.begin(f"export {suffix}")
            path = folder / f"night.{suffix}"
            monkeypatch.setattr(
                QtWidgets.QFileDialog, "getSaveFileName", staticmethod(lambda *_a, path=path: (str(path), ""))
            )
            tool = next(t for t in residuals.toolbar.tools["save"].subtools if t.tool_id.endswith(suffix))
            tool.activate()
            wait_for(lambda: not residuals.writing)
            assert path.stat().st_size > 0
            seen("export")

        pulse.begin("save")
        app.save_session(str(folder / "night.glu"), absolute_paths=True)
        seen("saved")
        pulse.begin("end")
    finally:
        pulse.stop()
    return pulse

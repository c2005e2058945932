"""A stretch of ordinary use: hundreds of small actions, and a console that stays silent."""

import os
import random
import sys

import pytest

from glue_appulse import desktop, inputs
from glue_appulse.data.kinds import FRAME, TRACK, all_of

pytestmark = pytest.mark.needs_qt

#: A longer stretch by hand: APPULSE_ACTIONS=3000 is about an hour of clicking.
ACTIONS, SEED = (int(os.environ.get(f"APPULSE_{name}", n)) for name, n in (("ACTIONS", 80), ("SEED", 5)))
#: What Qt's off-screen platform says of itself.
OFF_SCREEN = "This plugin does not support"


class User:
    """Somebody at the viewer, who does one small thing after another."""

    def __init__(self, application, folder, seed):
        from glue_appulse.qt.measure_panel import open_panel
        from glue_appulse.qt.player import open_panel as open_player

        self.app, self.folder, self.dice = application, folder, random.Random(seed)
        self.panel, self.player = open_panel(application.session), open_player(application.session)
        self.saved = 0

    @property
    def viewer(self):
        from glue_appulse.qt.desk import image_viewers

        return self.dice.choice(image_viewers(self.app.session))

    def zoom(self):
        state, factor = self.viewer.state, self.dice.choice([0.5, 0.8, 1.3, 2.0])
        for axis in "xy":
            low, high = getattr(state, f"{axis}_min"), getattr(state, f"{axis}_max")
            middle, half = (low + high) / 2, factor * (high - low) / 2
            setattr(state, f"{axis}_min", middle - half)
            setattr(state, f"{axis}_max", middle + half)

    def pan(self):
        viewer = self.viewer
        for _ in range(3):
            step = 0.05 * (viewer.state.x_max - viewer.state.x_min)
            viewer.state.x_min, viewer.state.x_max = viewer.state.x_min + step, viewer.state.x_max + step
            viewer.figure.canvas.draw()

    def home(self):
        self.viewer.state.reset_limits()

    def toggle(self):
        layer = self.dice.choice(list(self.viewer.layers))
        layer.state.visible = not layer.state.visible

    def restyle(self):
        layers = [layer for layer in self.viewer.layers if hasattr(layer.state, "width")]
        if layers:
            self.dice.choice(layers).state.width = self.dice.uniform(0.5, 5.0)

    def look_at_styles(self):
        view = self.viewer
        view.layer_view().layer_list.select_artist(self.dice.choice(list(view.layers)))

    def change_reference(self):
        viewer, loaded = self.viewer, all_of(self.app.data_collection, FRAME)
        frames = [layer.layer for layer in viewer.layers if layer.layer in loaded]
        viewer.state.reference_data = self.dice.choice(frames)

    def select(self):
        track = all_of(self.app.data_collection, TRACK)[0]
        mjd = track["MJD (UTC)"]
        state = track.id["MJD (UTC)"] > self.dice.uniform(mjd[0], mjd[-1])
        self.viewer.apply_subset_state(state)

    def measure(self):
        viewer = self.viewer
        viewer.toolbar.active_tool = "appulse:measure"
        job = self.panel.measure_click(viewer, self.dice.uniform(0, 1200), self.dice.uniform(0, 800))
        if job is not None:
            assert job.wait()
        self.dice.choice([self.panel.accept, self.panel.reject, self.panel.undo])()

    def pick(self):
        viewer = self.viewer
        viewer.toolbar.active_tool = "appulse:pick"
        viewer.toolbar.active_tool.act(self.dice.uniform(0, 1200), self.dice.uniform(0, 800))

    def play(self):
        self.player.fill()
        self.player.mode.setCurrentIndex(self.dice.randrange(self.player.mode.count()))
        self.player.forward()

    def residuals(self):
        from glue_appulse.qt.residual_viewer import show_residuals

        viewer = show_residuals(self.app.session)
        if viewer is not None:
            viewer.select_rows([0])
            viewer.export("Residuals (ECSV)", self.folder / "night.ecsv")
            viewer.close(warn=False)

    def set_up(self):
        from glue_appulse.qt.setup_panel import open_panel

        panel = open_panel(self.app.session)
        panel.frame_box.setCurrentIndex(self.dice.randrange(panel.frame_box.count()))
        panel.hide()

    def another_viewer(self):
        from glue_qt.viewers.image import ImageViewer

        if len(self.app.viewers[0]) < 3:
            self.app.new_data_viewer(ImageViewer, data=all_of(self.app.data_collection, FRAME)[0])

    def save(self):
        self.saved += 1
        self.app.save_session(str(self.folder / f"{self.saved}.glu"))
        self.viewer.figure.savefig(self.folder / "screen.png")

    def act(self):
        from qtpy.QtWidgets import QApplication

        often = [self.zoom, self.pan, self.toggle, self.restyle, self.look_at_styles, self.home, self.play]
        seldom = [self.change_reference, self.select, self.measure, self.pick, self.residuals, self.set_up,
                  self.another_viewer, self.save]  # fmt: skip
        action = self.dice.choice(often * 2 + seldom)
        action()
        # what has changed is drawn by the events, once; to draw it here too would take as long again
        for _ in range(2):
            QApplication.processEvents()
        return action.__name__


def test_a_stretch_of_ordinary_use_leaves_the_console_silent(
    needs_qt, registered, sample_data, tmp_path, monkeypatch, capfd
):
    """Warnings are errors in this suite; exceptions in Qt's slots are caught here."""
    raised, done = [], []
    monkeypatch.setattr(sys, "excepthook", lambda kind, exc, trace: raised.append(exc))
    monkeypatch.setenv("APPULSE_SETTINGS", str(tmp_path / "settings.yaml"))
    monkeypatch.setattr(inputs, "_choices", inputs.Choices())
    words = [*(str(sample_data / f"iris_{i}.fits.fz") for i in (1, 3)), "--body=7",
             f"--orbits={sample_data / 'orbit.ecsv'}", f"--stars={sample_data / 'stars.ecsv'}"]  # fmt: skip
    application = desktop.build(desktop.parser().parse_args(words))
    try:
        application.show()
        user = User(application, tmp_path, SEED)
        for _ in range(ACTIONS):
            done.append(user.act())
            assert raised == [], done[-3:]
    finally:
        application.close()
    console = capfd.readouterr()
    lines = [line for line in (console.out + console.err).splitlines() if not line.startswith(OFF_SCREEN)]
    unexpected = [line for line in lines if not line.startswith("appulse: ")]
    assert unexpected == []
    assert len(set(done)) >= 14

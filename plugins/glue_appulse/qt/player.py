"""Night player: frame after frame, the stars or the body standing still, the overlays in place."""

import numpy as np
from qtpy.QtCore import Qt, QTimer
from qtpy.QtWidgets import (
    QComboBox,
    QDockWidget,
    QHBoxLayout,
    QPushButton,
    QSlider,
    QSpinBox,
    QWidget,
)

from glue_appulse.data.frame_wcs import SkyProjector
from glue_appulse.data.kinds import FRAME, TRACK, all_of, is_frame
from glue_appulse.data.solved_frames import frame_of
from glue_appulse.layers.sky_layer import frame_key
from glue_appulse.layers.track_model import TrackModel
from glue_appulse.qt.desk import image_viewers, show_frames
from glue_appulse.qt.kept_views import set_limits
from glue_appulse.qt.panels import ElidedLine, open_once

STARS, THROUGH = "stars stand still", "all frames"


class NightPlayer(QDockWidget):
    """Dock that steps through the frames of a night."""

    def __init__(self, session, parent):
        super().__init__("Night player", parent)
        self.setObjectName("appulse-player")
        self.session, self.frames = session, []
        self.timer = QTimer(self)
        self.timer.timeout.connect(self.forward)
        buttons = (QPushButton(words) for words in ("◂", "Play", "▸"))
        self.back_button, self.play_button, self.on_button = buttons
        self.slider, self.mode, self.words = QSlider(Qt.Horizontal), QComboBox(), ElidedLine()
        self.other = QComboBox()
        for box in (self.mode, self.other):
            box.setSizeAdjustPolicy(QComboBox.AdjustToMinimumContentsLengthWithIcon)
            box.setMinimumContentsLength(14)
        self.other.setToolTip("Blink: Play goes to and fro between the frame in sight and this one")
        self.pace = QSpinBox(minimum=1, maximum=25, value=3, suffix=" frames/s")
        self.back_button.clicked.connect(self.back)
        self.on_button.clicked.connect(self.forward)
        self.play_button.clicked.connect(self.toggle)
        self.slider.valueChanged.connect(self.show_frame)
        self.pace.valueChanged.connect(lambda n: self.timer.setInterval(1000 // n))
        self.mode.currentIndexChanged.connect(lambda _i: self.show_frame(self.slider.value()))
        body = QWidget()
        row = QHBoxLayout(body)
        for widget in (self.back_button, self.play_button, self.on_button):
            row.addWidget(widget)
        row.addWidget(self.slider, 1)
        for widget in (self.pace, self.mode, self.other):
            row.addWidget(widget)
        row.addWidget(self.words, 1)
        self.setWidget(body)
        self.fill()

    def fill(self):
        """Take the frames and bodies that are loaded now."""
        frames = all_of(self.session.data_collection, FRAME)
        timed = [data for data in frames if frame_of(data).exposure is not None]
        self.frames = sorted(timed, key=lambda data: frame_of(data).exposure.mid.mjd)
        self.slider.setRange(0, max(len(self.frames) - 1, 0))
        self.mode.blockSignals(True)
        self.mode.clear()
        self.mode.addItem(STARS, None)
        for track in all_of(self.session.data_collection, TRACK):
            self.mode.addItem(f"{track.label} stands still", track)
        self.mode.blockSignals(False)
        self._first = None
        chosen = self.other.currentText()
        self.other.clear()
        self.other.addItem(THROUGH, None)
        for i, data in enumerate(self.frames):
            self.other.addItem(f"blink with {data.label}", i)
        self.other.setCurrentIndex(max(self.other.findText(chosen), 0))
        if self.frames:
            self.show_frame(self.slider.value())
        else:
            self.words.setText("no frame with a time is loaded")

    def viewer(self):
        """Viewer that plays: the first one with one of the frames; all of them are put into it."""
        viewers = image_viewers(self.session)
        viewer = viewers[0] if viewers else show_frames(self.session, self.frames)
        shown = [layer.layer for layer in viewer.layers]
        for data in self.frames:
            if not any(data is other for other in shown):
                viewer.add_data(data)
        return viewer

    def show_frame(self, index: int):
        """Show one frame alone, in its place."""
        if not self.frames:
            return
        data = self.frames[min(index, len(self.frames) - 1)]
        viewer = self.viewer()
        for layer in viewer.layers:
            if is_frame(layer.layer):
                layer.state.visible = layer.layer is data
        track = self.mode.currentData()
        if track is not None:
            self._centre(viewer, data, track)
        self.words.setText(f"{data.label}  {data.meta['mid-exposure (UTC)'][:19]}")

    @staticmethod
    def _centre(viewer, data, track):
        """Move the window so that the body's place in a frame is in its middle."""
        places = {place.frame: place for place in TrackModel.from_data(track).places}
        place = places.get(frame_key(data))
        reference = viewer.state.reference_data
        if place is None or reference is None:
            return
        projector = SkyProjector(reference.coords, reference.shape)
        x, y = (float(v[0]) for v in projector.to_pixel([place.ra], [place.dec]))
        # the reference image may lie elsewhere on the sky
        if not np.isfinite([x, y]).all():
            return
        state = viewer.state
        # close enough that the body, not the frame's edge, is what one looks at
        widest = 0.2 * max(reference.shape)
        half_x, half_y = (state.x_max - state.x_min) / 2, (state.y_max - state.y_min) / 2
        shrink = min(1.0, widest / half_x)
        half_x, half_y = half_x * shrink, half_y * shrink
        set_limits(state, (x - half_x, x + half_x, y - half_y, y + half_y))

    #: The frame that blinks with the chosen one.
    _first = None

    def forward(self):
        """One frame on, after the last the first; or to and fro between two."""
        now, other = self.slider.value(), self.other.currentData()
        if other is None:
            self.slider.setValue((now + 1) % max(len(self.frames), 1))
        elif now != other:
            self._first = now
            self.slider.setValue(other)
        else:
            back = (other + 1) % len(self.frames) if self._first in (None, other) else self._first
            self.slider.setValue(back)

    def back(self):
        """One frame back."""
        self.slider.setValue((self.slider.value() - 1) % max(len(self.frames), 1))

    def toggle(self):
        """Play or stop."""
        if self.timer.isActive():
            # nobody sees it: redrawing sixty frames behind a closed dock would slow all else
            self.timer.stop()
        elif self.frames:
            self.timer.start(1000 // self.pace.value())
        self.play_button.setText("Stop" if self.timer.isActive() else "Play")

    def hideEvent(self, event):
        self.timer.stop()
        self.play_button.setText("Play")
        super().hideEvent(event)


def open_panel(session, _data_collection=None) -> NightPlayer:
    """Menu action: the player, made once per application."""
    return open_once(session, NightPlayer, Qt.BottomDockWidgetArea)

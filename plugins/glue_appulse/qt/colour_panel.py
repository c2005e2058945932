"""Panel that shows a colour frame, or three frames through three filters, in colour under the overlays."""

from qtpy.QtWidgets import QComboBox, QFormLayout, QHBoxLayout, QPushButton, QVBoxLayout

from glue_appulse.layers.colour import CHANNELS, planes_of, show_colour, show_grey, suggested_planes
from glue_appulse.qt.desk import frames_of, image_viewers, show_frames, top_frame
from glue_appulse.qt.panels import Panel, open_once

NONE_CHOSEN = "choose…"


class ColourPanel(Panel):
    """Which plane is red, which green, which blue."""

    def __init__(self, session, parent=None):
        super().__init__(session, parent, "Colour from three planes")
        self.boxes = {channel: QComboBox() for channel in CHANNELS}
        form = QFormLayout()
        for channel, box in self.boxes.items():
            box.setMinimumContentsLength(24)
            form.addRow(channel, box)
        self.show_button, self.grey_button = QPushButton("Show in colour"), QPushButton("One frame in grey")
        self.show_button.clicked.connect(lambda _on=False: self.show_colour())
        self.grey_button.clicked.connect(lambda _on=False: self.show_grey())
        row = QHBoxLayout()
        row.addWidget(self.show_button)
        row.addWidget(self.grey_button)
        layout = QVBoxLayout(self)
        layout.addLayout(form)
        layout.addLayout(row)
        layout.addWidget(self.status)
        self.fill()

    def viewer(self):
        """The image viewer with the focus, or the first one; opened where there is none."""
        viewers = image_viewers(self.session)
        focus = getattr(self.session.application, "_viewer_in_focus", None)
        return next((one for one in [*[v for v in viewers if v is focus], *viewers]), None) or show_frames(
            self.session, frames_of(self.session)
        )

    def fill(self):
        """Offer the planes that are loaded now; what speaks for itself is chosen."""
        frames = frames_of(self.session)
        planes = planes_of(frames)
        first = top_frame(self.viewer()) if frames else None
        suggested = suggested_planes(frames, first)
        for channel, box in self.boxes.items():
            box.clear()
            box.addItem(NONE_CHOSEN, None)
            for plane in planes:
                box.addItem(plane.words, plane)
            wanted = suggested[channel]
            at = [i for i, plane in enumerate(planes, 1)
                  if wanted and plane.data is wanted.data and plane.name == wanted.name]  # fmt: skip
            box.setCurrentIndex(at[0] if at else 0)
        self.say("" if frames else "no solved frame is loaded; open one with File > Open Data Set")

    def show_colour(self):
        """Show what is chosen."""
        chosen = {channel: box.currentData() for channel, box in self.boxes.items()}
        lacking = [channel for channel, plane in chosen.items() if plane is None]
        if lacking:
            named = ", ".join(lacking)
            self.say(f"choose a plane for {named}: of a colour frame, or a frame for each filter")
            return
        viewer = self.viewer()
        show_colour(viewer, chosen)
        self.say("each layer has its own limits: Plot Layers sets them, and the balance of the colours")

    def show_grey(self):
        """Go back to one frame."""
        frames = frames_of(self.session)
        if frames:
            viewer = self.viewer()
            show_grey(viewer, top_frame(viewer) or frames[0])
            self.say("")


def open_panel(session, _data_collection=None) -> ColourPanel:
    """Menu action: the panel, made once per application."""
    return open_once(session, ColourPanel)

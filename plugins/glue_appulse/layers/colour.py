"""Three planes as one colour picture in an image viewer of any front end: a colour frame, or three frames."""

from dataclasses import dataclass
from typing import Any

from glue_appulse.data.kinds import is_frame
from glue_appulse.layers.sky_layer import soften

COLOUR_MODE, GREY_MODE = "One color per layer", "Colormaps"
"""glue's words for both ways to show images."""
CHANNELS = {"red": "#ff0000", "green": "#00ff00", "blue": "#0000ff"}


@dataclass(frozen=True)
class ColourPlane:
    """A plane of a frame."""

    data: Any
    name: str

    @property
    def words(self) -> str:
        """For people; the plane of a frame that has but one goes without saying."""
        return self.data.label if len(self.data.main_components) == 1 else f"{self.data.label}: {self.name}"


def planes_of(frames: list) -> list[ColourPlane]:
    """Every plane of frames."""
    return [ColourPlane(data, cid.label) for data in frames for cid in data.main_components]


def suggested_planes(frames: list, first=None) -> dict[str, ColourPlane | None]:
    """Planes for red, green and blue: those of a colour frame, or of three frames by their filters' names.

    `first` is the frame that counts before others; a channel for which nothing speaks is None.
    """
    ordered = sorted(frames, key=lambda data: data is not first)  # the others stay in their order
    for data in ordered:
        names = {cid.label for cid in data.main_components}
        if set(CHANNELS) <= names:
            return {channel: ColourPlane(data, channel) for channel in CHANNELS}
    found = {}
    for channel in CHANNELS:
        letter = channel[0]
        named = [data for data in ordered
                 if str(data.meta.get("filter", "")).strip().lower() in (letter, channel)]  # fmt: skip
        found[channel] = ColourPlane(named[0], "pixels") if named else None
    return found


def show_colour(viewer, chosen: dict[str, ColourPlane]):
    """Show planes in red, green and blue, registered on the sky; overlays stay, other frames are hidden."""
    layers = [layer for layer in viewer.layers if is_frame(layer.layer)]
    viewer.state.color_mode = COLOUR_MODE
    for layer in layers:
        layer.state.visible = False
    for channel, plane in chosen.items():
        layer = next((one for one in layers if one.layer is plane.data), None)
        if layer is None:
            # as often as it has planes to show
            viewer.add_data(plane.data)
            layer = [one for one in viewer.layers if one.layer is plane.data][-1]
        else:
            layers.remove(layer)
        state = layer.state
        state.attribute = plane.data.id[plane.name]
        state.color, state.alpha = CHANNELS[channel], 1.0
        soften(layer)
        state.visible = True


def show_grey(viewer, data):
    """Show one frame alone in grey."""
    viewer.state.color_mode = GREY_MODE
    shown = False
    for layer in viewer.layers:
        if is_frame(layer.layer):
            layer.state.visible = layer.layer is data and not shown
            shown = shown or layer.layer is data
            layer.state.attribute = layer.layer.id["pixels"]

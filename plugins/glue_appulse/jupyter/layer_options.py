"""Options of our layers beside glue-jupyter's image viewers, where glue shows those of its own layers."""

import ipywidgets as widgets
import numpy as np
from glue_jupyter.link import link

from glue_appulse.layers.measured_layer import MarkLayerArtist
from glue_appulse.layers.outline_layer import OutlineLayerArtist
from glue_appulse.layers.places_layer import CloudLayerArtist, ParallaxLayerArtist
from glue_appulse.layers.tail_layer import TailLayerArtist
from glue_appulse.layers.track_layer import TICK_STEPS, TrackLayerArtist, TrackSubsetArtist, step_words


class LayerOptions(widgets.VBox):
    """Opacity and line width of a layer; sub-classes add :meth:`rows`. Colour and eye are glue's own."""

    width_range = (0.4, 12.0)

    def __init__(self, state):
        self.state = state
        style = {"description_width": "initial"}
        opacity = widgets.FloatSlider(min=0, max=1, step=0.01, description="opacity", style=style)
        width = self.number("line width, pt", *self.width_range, 0.2)
        self._links = []
        super().__init__([self.tied(opacity, "alpha"), self.tied(width, "width"), *self.rows()])

    def tied(self, widget: widgets.Widget, name: str) -> widgets.Widget:
        """A widget whose value and a property of the layer's state follow each other."""
        self._links.append(link((self.state, name), (widget, "value")))
        return widget

    def number(self, words: str, low: float, high: float, step: float) -> widgets.Widget:
        """A field for a number."""
        return widgets.BoundedFloatText(
            min=low, max=high, step=step, description=words, style={"description_width": "initial"}
        )

    def boxes(self, **words: str) -> list[widgets.Widget]:
        """Check boxes by the name of their property."""
        return [
            self.tied(widgets.Checkbox(description=text, indent=False), name) for name, text in words.items()
        ]

    def rows(self) -> list[widgets.Widget]:
        """More rows."""
        return []


class TrackOptions(LayerOptions):
    """Options of a track."""

    def rows(self):
        steps = widgets.Dropdown(
            options=[(step_words(step), step) for step in TICK_STEPS], description="ticks every"
        )
        return [
            self.tied(steps, "tick_step"),
            *self.boxes(
                show_ticks="ticks", show_labels="times", show_name="name", show_places="place",
                show_direction="direction", show_ellipse="ellipse",
            ),
            self.tied(self.number("ellipse, sigma", 0.5, 100, 0.5), "ellipse_sigma"),
            self.tied(self.number("words, pt", 5, 30, 1), "label_size"),
        ]  # fmt: skip


class StretchOptions(LayerOptions):
    """Options of a selected stretch of a track."""

    width_range = (1.0, 20.0)


class OutlineOptions(LayerOptions):
    """Options of outlines."""

    def rows(self):
        data = getattr(self.state.layer, "data", self.state.layer)
        names = sorted(set(np.asarray(data["type"]).astype(str)))
        types = widgets.SelectMultiple(options=names, description="types", rows=min(len(names), 6))
        types.tooltip = "Where nothing is chosen, all types are drawn"
        self._links.append(link((self.state, "types"), (types, "value"), tuple, list))
        return [
            *self.boxes(show_names="names", by_type="colour by type"),
            self.tied(self.number("words, pt", 5, 30, 1), "label_size"),
            types,
            self.tied(self.number("at least, arcmin", 0, 10_000, 1), "min_size"),
            self.tied(self.number("not fainter than, mag", -5, 99, 0.5), "max_magnitude"),
        ]


class TailLayerOptions(LayerOptions):
    """Options of a comet's tail."""

    def rows(self):
        return [
            *self.boxes(
                show_antisolar="antisolar line", show_ticks="ticks, degrees and km",
                show_syndynes="syndynes (\u03b2)", show_synchrones="synchrones (age)",
                show_ion="ion tail (estimate)", show_labels="words",
            ),
            self.tied(self.number("words, pt", 5, 30, 1), "label_size"),
        ]  # fmt: skip


class PlacesOptions(LayerOptions):
    """Options of a cloud of a first orbit (the width is that of its dots), or of parallax vectors."""

    def rows(self):
        return [*self.boxes(show_labels="words"), self.tied(self.number("words, pt", 5, 30, 1), "label_size")]


class MarkOptions(LayerOptions):
    """Options of measured places."""

    def rows(self):
        return self.boxes(show_offset="line from the prediction")


#: Options by kind of layer.
OPTIONS = {
    TrackLayerArtist: TrackOptions,
    TrackSubsetArtist: StretchOptions,
    OutlineLayerArtist: OutlineOptions,
    TailLayerArtist: TailLayerOptions,
    CloudLayerArtist: PlacesOptions,
    ParallaxLayerArtist: PlacesOptions,
    MarkLayerArtist: MarkOptions,
}


def register():
    """Let glue-jupyter's matplotlib image viewer know the options of our layers; without them it fails."""
    from glue_jupyter.matplotlib.image import ImageJupyterViewer

    ImageJupyterViewer._layer_style_widget_cls.update(OPTIONS)

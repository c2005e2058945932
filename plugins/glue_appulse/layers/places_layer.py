"""Clouds of a first orbit, and parallax vectors of several sites, in an image viewer."""

import numpy as np
from glue.core.exceptions import IncompatibleAttribute
from glue.core.subset import Subset
from glue.viewers.matplotlib.state import DeferredDrawCallbackProperty as Drawn
from glue.viewers.matplotlib.state import MatplotlibLayerState

from appulse.overlays import RING, Label, ring
from glue_appulse.layers.board import SkyGraphic, joined, stroke
from glue_appulse.layers.sky_layer import SkyLayerArtist, exported
from glue_appulse.layers.track_layer import SYMBOL_PX

RING_PX = RING * SYMBOL_PX
CLOUD_LOOK = ("color", "alpha", "width", "show_labels", "label_size")
PARALLAX_LOOK = ("color", "alpha", "width", "show_labels", "label_size")


class CloudLayerState(MatplotlibLayerState):
    """Look of a cloud."""

    width = Drawn(2.4, docstring="Size of the dots, points")
    show_labels = Drawn(True, docstring="Whether each night's cloud carries its date")
    label_size = Drawn(9.0, docstring="Size of the words, points")


class ParallaxLayerState(MatplotlibLayerState):
    """Look of parallax vectors."""

    width = Drawn(1.6, docstring="Width of the lines, points")
    show_labels = Drawn(True, docstring="Whether the sites are named")
    label_size = Drawn(9.0, docstring="Size of the words, points")


class _PlacesGraphic(SkyGraphic):
    """Places on a reference image; `columns` holds what :func:`columns_of` gives."""

    ends = (("ra", "dec"),)

    def __init__(self, columns, projector, look, *, swapped=False):
        super().__init__()
        self.columns, self.look = columns, look
        self.set_projector(projector, swapped)

    def set_projector(self, projector, swapped=False):
        """Change the reference image."""
        order = [1, 0] if swapped else [0, 1]
        self.pixels = [
            np.column_stack(projector.to_pixel(self.columns[ra], self.columns[dec]))[:, order]
            for ra, dec in self.ends
        ]

    def label(self, at, text, rank):
        """Words beside a display pixel."""
        return Label(*map(float, at), text, angle=60.0, rank=rank, colour=self.look.color,
                     size=self.look.label_size)  # fmt: skip


class CloudGraphic(_PlacesGraphic):
    """Dots, one for each orbit and night, and the nights' dates."""

    def paint(self, renderer, view):
        look, points = self.look, view.transform(self.pixels[0])
        good = np.isfinite(points).all(axis=1)
        dots = [np.repeat(point[None], 2, axis=0) for point in points[good]]
        if dots:
            # A line of no length is drawn as a dot by its round ends.
            stroke(renderer, view.clip, *joined(dots), color=look.color, width=look.width, alpha=look.alpha)
        words = []
        for k, night in enumerate(dict.fromkeys(self.columns["text"])) if look.show_labels else ():
            mine = points[good & (self.columns["text"] == night)]
            if len(mine):
                words.append(self.label(np.median(mine, axis=0), night, k))
        return words, ()


class ParallaxGraphic(_PlacesGraphic):
    """Rings at the places, lines from the middle of all sites' places then, the sites' names."""

    ends = (("ra", "dec"), ("ra_middle", "dec_middle"))

    def paint(self, renderer, view):
        look, segments, radius = self.look, [], RING_PX * view.fine
        places, middles = (view.transform(pixels) for pixels in self.pixels)
        for place, middle in zip(places, middles, strict=True):
            if not np.isfinite(place).all():
                continue
            segments.append(ring(place, radius))
            away = np.hypot(*(place - middle))
            if np.isfinite(away) and away > radius:
                segments.append(np.array([middle, place - (place - middle) * radius / away]))
        if segments:
            stroke(renderer, view.clip, *joined(segments), color=look.color, width=look.width,
                   alpha=look.alpha)  # fmt: skip
        words = []
        for k, site in enumerate(dict.fromkeys(self.columns["text"])) if look.show_labels else ():
            mine = places[(self.columns["text"] == site) & np.isfinite(places).all(axis=1)]
            if len(mine):
                words.append(self.label(mine[0], site, k))
        return words, ()


def columns_of(layer, names: dict) -> dict:
    """Columns of a data set or a subset; `names` gives ours for glue's; the text is a date or a site."""
    data = layer.data if isinstance(layer, Subset) else layer
    keep = np.asarray(layer.to_mask(), bool) if isinstance(layer, Subset) else np.ones(data.size, bool)
    numbers = {ours: its for ours, its in names.items() if ours != "text"}
    found = {ours: np.asarray(data[data.id[its]], float)[keep] for ours, its in numbers.items()}
    text = np.asarray(data.get_component(names["text"]).labels).astype(str)[keep]
    found["text"] = np.array([one[:10] for one in text]) if names["text"] == "time" else text
    return found


CLOUD_NAMES = {"ra": "RA", "dec": "Dec", "text": "time"}
PARALLAX_NAMES = {
    "ra": "RA", "dec": "Dec", "ra_middle": "middle RA", "dec_middle": "middle Dec", "text": "site",
}  # fmt: skip


class _PlacesArtist(SkyLayerArtist):
    """A layer of places, or a selection of them."""

    names: dict = CLOUD_NAMES
    graphic_cls: type = CloudGraphic

    def make_graphic(self, projector, swapped):
        try:
            columns = columns_of(self.layer, self.names)
        except IncompatibleAttribute:
            self.disable_incompatible_subset()
            columns = {name: np.empty(0) for name in self.names}
        return self.graphic_cls(columns, projector, self.state, swapped=swapped)


class CloudLayerArtist(_PlacesArtist):
    """A cloud in an image viewer."""

    _layer_state_cls = CloudLayerState
    _python_exporter = exported("draw_cloud", CLOUD_LOOK)


class ParallaxLayerArtist(_PlacesArtist):
    """Parallax vectors in an image viewer."""

    _layer_state_cls = ParallaxLayerState
    _python_exporter = exported("draw_parallax", PARALLAX_LOOK)
    names, graphic_cls = PARALLAX_NAMES, ParallaxGraphic

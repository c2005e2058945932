"""Measured places in an image viewer: a ring where the body was found, a line from its prediction."""

import numpy as np
from glue.core.exceptions import IncompatibleAttribute
from glue.core.subset import Subset
from glue.viewers.matplotlib.state import DeferredDrawCallbackProperty as Drawn
from glue.viewers.matplotlib.state import MatplotlibLayerState

from appulse.overlays import RING, ring
from glue_appulse.layers.board import SkyGraphic, joined, stroke
from glue_appulse.layers.sky_layer import SkyLayerArtist, exported
from glue_appulse.layers.track_layer import SYMBOL_PX

RING_PX = RING * SYMBOL_PX
SKY_COLUMNS = ("ra_obs", "dec_obs", "ra_calc", "dec_calc")
MARK_LOOK = ("color", "alpha", "width", "show_offset")


class MarkLayerState(MatplotlibLayerState):
    """Look of measured places."""

    width = Drawn(1.6, docstring="Width of the lines, points")
    show_offset = Drawn(True, docstring="Whether a line leads from the predicted to the measured place")


class MarkGraphic(SkyGraphic):
    """Artist of measured places.

    `rows` holds frame (file names) and the :data:`SKY_COLUMNS` (ICRF degrees); `shown` gives the names of the
    frames whose places are drawn, None draws all.
    """

    def __init__(self, rows, projector, look, *, swapped=False, shown=None):
        super().__init__()
        self.rows, self.look, self.shown = rows, look, shown
        self.set_projector(projector, swapped)

    def set_projector(self, projector, swapped=False):
        """Change the reference image."""
        order = [1, 0] if swapped else [0, 1]
        self.predicted, self.measured = (
            np.column_stack(projector.to_pixel(self.rows[f"ra_{end}"], self.rows[f"dec_{end}"]))[:, order]
            for end in ("calc", "obs")
        )

    def visible_rows(self):
        """Mask of the rows that are measured, and whose frames are shown."""
        good = np.isfinite(self.measured).all(1)
        if self.shown is not None:
            good &= np.isin(np.asarray(self.rows["frame"]).astype(str), list(self.shown()))
        return good

    def stamp(self):
        return self.visible_rows().tolist()

    def paint(self, renderer, view):
        look, segments, radius = self.look, [], RING_PX * view.fine
        for i in np.flatnonzero(self.visible_rows()):
            start, end = view.transform(self.predicted[i]), view.transform(self.measured[i])
            segments.append(ring(end, radius))
            away = np.hypot(*(end - start))
            # the line ends at the ring: nothing is drawn over the body
            if look.show_offset and away > radius:
                segments.append(np.array([start, end - (end - start) * radius / away]))
        stroke(renderer, view.clip, *joined(segments), color=look.color, width=look.width, alpha=look.alpha)
        return (), ()


def rows_of(layer):
    """Rows of a residual data set or a subset of one, as :class:`MarkGraphic` wants them."""
    data = layer.data if isinstance(layer, Subset) else layer
    keep = np.asarray(layer.to_mask(), bool) if isinstance(layer, Subset) else np.ones(data.size, bool)
    rows = {name: np.asarray(data[name], float)[keep] for name in SKY_COLUMNS}
    return rows | {"frame": np.asarray(data.get_component("frame").labels)[keep]}


class MarkLayerArtist(SkyLayerArtist):
    """Measured places, or a selection of them, in an image viewer."""

    _layer_state_cls = MarkLayerState
    _python_exporter = exported("draw_marks", MARK_LOOK)

    def __init__(self, axes, viewer_state, layer_state=None, layer=None):
        super().__init__(axes, viewer_state, layer_state=layer_state, layer=layer)
        # a restored session brings its own width
        if layer_state is None and isinstance(self.layer, Subset):
            self.state.width = 3.2

    def make_graphic(self, projector, swapped):
        try:
            rows = rows_of(self.layer)
        except IncompatibleAttribute:
            self.disable_incompatible_subset()
            rows = {name: np.empty(0) for name in (*SKY_COLUMNS, "frame")}
        return MarkGraphic(rows, projector, self.state, swapped=swapped, shown=self._named)

    def _named(self):
        # residuals know their frames by file name, not by checksum
        return self.shown(key=lambda data: data.label)

    def frame_keys(self):
        """Names of the frames whose places are drawn now."""
        return [str(name) for name in dict.fromkeys(self.graphic.rows["frame"]) if str(name) in self._named()]

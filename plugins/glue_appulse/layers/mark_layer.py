"""Measured places in an image viewer: a cross where the body was found, a line from its prediction."""

import numpy as np
from glue.core.exceptions import IncompatibleAttribute
from glue.core.subset import Subset
from glue.viewers.matplotlib.state import DeferredDrawCallbackProperty as Drawn
from glue.viewers.matplotlib.state import MatplotlibLayerState

from glue_appulse.data.kinds import is_frame

from .base import SkyLayerArtist
from .graphic import SkyGraphic
from .script import export_marks
from .stroke import joined, stroke

ARM_PX = 5.0


class MarkLayerState(MatplotlibLayerState):
    """Look of measured places."""

    width = Drawn(1.6, docstring="Width of the lines, points")
    show_offset = Drawn(True, docstring="Whether a line leads from the predicted to the measured place")


class MarkGraphic(SkyGraphic):
    """Artist of measured places.

    Parameters
    ----------
    rows : dict of str to ndarray, (n,)
        frame (file names); ra_obs, dec_obs, ra_calc, dec_calc (ICRF degrees).
    projector : SkyProjector
    look : object
        With the attributes of :class:`MarkLayerState`.
    swapped : bool
    shown : callable or None
        Gives the names of the frames whose places are drawn; None draws all.
    """

    def __init__(self, rows, projector, look, *, swapped=False, shown=None):
        super().__init__()
        self.rows, self.look, self.shown = rows, look, shown
        self.set_projector(projector, swapped)

    def set_projector(self, projector, swapped=False):
        """Change the reference image.

        Parameters
        ----------
        projector : SkyProjector
        swapped : bool
        """
        order = [1, 0] if swapped else [0, 1]
        self.predicted, self.measured = (
            np.column_stack(projector.to_pixel(self.rows[f"ra_{end}"], self.rows[f"dec_{end}"]))[:, order]
            for end in ("calc", "obs")
        )

    def visible_rows(self):
        """Rows that are measured, and whose frames are shown.

        Returns
        -------
        ndarray of bool, (n,)
        """
        good = np.isfinite(self.measured).all(1)
        if self.shown is not None:
            good &= np.isin(np.asarray(self.rows["frame"]).astype(str), list(self.shown()))
        return good

    def stamp(self):
        """Rows that are drawn.

        Returns
        -------
        list of bool
        """
        return self.visible_rows().tolist()

    def paint(self, renderer, view):
        """Paint crosses and lines.

        Parameters
        ----------
        renderer : matplotlib.backend_bases.RendererBase
        view : View
        """
        transform, segments = view.transform, []
        for i in np.flatnonzero(self.visible_rows()):
            start, end = transform(self.predicted[i]), transform(self.measured[i])
            segments += [
                end + ARM_PX * np.array([[-1, -1], [1, 1]]),
                end + ARM_PX * np.array([[-1, 1], [1, -1]]),
            ]
            if self.look.show_offset and np.hypot(*(end - start)) > ARM_PX:
                segments.append(np.array([start, end]))
        look = self.look
        stroke(renderer, view.clip, *joined(segments), color=look.color, width=look.width, alpha=look.alpha)


def rows_of(layer):
    """Rows of a residual layer, as :class:`MarkGraphic` wants them.

    Parameters
    ----------
    layer : glue.core.data.Data or glue.core.subset.Subset

    Returns
    -------
    dict of str to ndarray, (n,)
    """
    data = layer.data if isinstance(layer, Subset) else layer
    keep = np.asarray(layer.to_mask(), bool) if isinstance(layer, Subset) else np.ones(data.size, bool)
    rows = {
        name: np.asarray(data[name], float)[keep] for name in ("ra_obs", "dec_obs", "ra_calc", "dec_calc")
    }
    return rows | {"frame": np.asarray(data.get_component("frame").labels)[keep]}


class MarkLayerArtist(SkyLayerArtist):
    """Measured places, or a selection of them, in an image viewer."""

    _layer_state_cls = MarkLayerState
    _python_exporter = export_marks

    def __init__(self, axes, viewer_state, layer_state=None, layer=None):
        super().__init__(axes, viewer_state, layer_state=layer_state, layer=layer)
        if layer_state is None and isinstance(self.layer, Subset):
            self.state.width = 3.2

    def make_graphic(self, projector, swapped):
        """Build the artist.

        Parameters
        ----------
        projector : SkyProjector
        swapped : bool

        Returns
        -------
        MarkGraphic
        """
        try:
            rows = rows_of(self.layer)
        except IncompatibleAttribute:
            self.disable_incompatible_subset()
            rows = {name: np.empty(0) for name in ("ra_obs", "dec_obs", "ra_calc", "dec_calc", "frame")}
        return MarkGraphic(rows, projector, self.state, swapped=swapped, shown=self._named)

    def _named(self):
        layers = self._viewer_state.layers
        return {one.layer.label for one in layers if one.visible and is_frame(one.layer)}

    def frame_keys(self):
        """Names of the frames whose places are drawn now.

        Returns
        -------
        list of str
        """
        return [str(name) for name in dict.fromkeys(self.graphic.rows["frame"]) if str(name) in self._named()]

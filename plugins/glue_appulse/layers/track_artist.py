"""Layer artists of tracks and of selected stretches of them."""

import numpy as np
from glue.core.exceptions import IncompatibleAttribute

from .base import SkyLayerArtist
from .graphic import SkyGraphic
from .script import export_track, export_track_subset
from .stroke import joined, stroke
from .track_graphic import TrackGraphic, runs
from .track_model import TrackModel
from .track_state import TrackLayerState, TrackSubsetLayerState


class TrackLayerArtist(SkyLayerArtist):
    """A track in an image viewer."""

    _layer_state_cls = TrackLayerState
    _python_exporter = export_track

    def make_graphic(self, projector, swapped):
        """Build the track's artist.

        Parameters
        ----------
        projector : SkyProjector
        swapped : bool

        Returns
        -------
        TrackGraphic
        """
        return TrackGraphic(
            TrackModel.from_data(self.layer), projector, self.state, swapped=swapped, shown=self.shown
        )

    def frame_keys(self):
        """Keys of the frames whose places are marked now.

        Returns
        -------
        list of str
        """
        return [place.frame for place in self.graphic.model.places if place.frame in self.shown()]


class StretchGraphic(SkyGraphic):
    """Selected rows of a track: joined where they follow each other, dots where they stand alone.

    Parameters
    ----------
    model : TrackModel
    projector : SkyProjector
    look : object
        With ``color``, ``alpha`` and ``width``.
    swapped : bool
    """

    def __init__(self, model, projector, look, *, swapped=False):
        super().__init__()
        self.model, self.look = model, look
        self.chosen = np.zeros(len(model.mjd), bool)
        self.set_projector(projector, swapped)

    def set_projector(self, projector, swapped=False):
        """Change the reference image.

        Parameters
        ----------
        projector : SkyProjector
        swapped : bool
        """
        x, y = projector.to_pixel(self.model.ra, self.model.dec)
        self.vertices = np.column_stack([y, x] if swapped else [x, y])

    def paint(self, renderer, view):
        """Paint the stretches.

        Parameters
        ----------
        renderer : matplotlib.backend_bases.RendererBase
        view : View
        """
        good = self.chosen & np.isfinite(self.vertices).all(1)
        line = view.transform(self.vertices)
        segments = [
            line[part] if part.stop - part.start > 1 else np.repeat(line[part], 2, axis=0)
            for part in runs(good)
        ]
        look = self.look
        stroke(renderer, view.clip, *joined(segments), color=look.color, width=look.width, alpha=look.alpha)


class TrackSubsetArtist(SkyLayerArtist):
    """A subset of a track in an image viewer."""

    _layer_state_cls = TrackSubsetLayerState
    _python_exporter = export_track_subset

    def make_graphic(self, projector, swapped):
        """Build the stretch's artist.

        Parameters
        ----------
        projector : SkyProjector
        swapped : bool

        Returns
        -------
        StretchGraphic
        """
        return StretchGraphic(TrackModel.from_data(self.layer.data), projector, self.state, swapped=swapped)

    def refresh(self):
        """Take the rows that the subset holds now."""
        try:
            self.graphic.chosen = np.asarray(self.layer.to_mask(), bool)
        except IncompatibleAttribute:
            self.graphic.chosen = np.zeros(len(self.graphic.model.mjd), bool)
            self.disable_incompatible_subset()

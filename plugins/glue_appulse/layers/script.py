"""What exported Python scripts call: our layers drawn on axes that show a frame, without glue's viewers.

`ax` has the frame's zero-based pixels as data coordinates; `look` names what the layer's state names.
"""

from types import SimpleNamespace

import numpy as np

from glue_appulse.data.frame_wcs import SkyProjector
from glue_appulse.layers.measured_layer import MarkGraphic, rows_of
from glue_appulse.layers.outline_layer import OutlineGraphic
from glue_appulse.layers.outline_model import OutlineModel
from glue_appulse.layers.places_layer import (
    CLOUD_NAMES,
    PARALLAX_NAMES,
    CloudGraphic,
    ParallaxGraphic,
    columns_of,
)
from glue_appulse.layers.residual_plot import draw_ground, draw_rows, key_of, plot_columns
from glue_appulse.layers.tail_layer import TailGraphic, tail_of
from glue_appulse.layers.track_layer import StretchGraphic, TrackGraphic
from glue_appulse.layers.track_model import TrackModel


def _drawn(kind, content, ax, reference, zorder, look, **options):
    projector = SkyProjector(reference.coords, reference.shape)
    graphic = kind(content, projector, SimpleNamespace(**look), **options)
    graphic.join(ax, zorder)
    return graphic


def _shown(keys):
    """Keys of frames as a graphic wants them; None for all."""
    return None if keys is None else lambda: set(keys)


def draw_track(ax, data, reference, *, zorder=10, frames=None, **look):
    """Draw a track; `frames` are the keys of those whose places are marked, None marks all."""
    return _drawn(TrackGraphic, TrackModel.from_data(data), ax, reference, zorder, look, shown=_shown(frames))


def draw_stretch(ax, subset, reference, *, zorder=11, frames=None, **look):
    """Draw a selected stretch of a track, open where :func:`draw_track` marks places."""
    model, shown = TrackModel.from_data(subset.data), _shown(frames)
    graphic = _drawn(StretchGraphic, model, ax, reference, zorder, look, shown=shown)
    graphic.chosen = np.asarray(subset.to_mask(), bool)
    return graphic


def draw_outlines(ax, data, reference, *, zorder=9, **look):
    """Draw outlines of catalogue objects, or a subset of them."""
    return _drawn(OutlineGraphic, OutlineModel.from_layer(data), ax, reference, zorder, look)


def draw_cloud(ax, layer, reference, *, zorder=9, **look):
    """Draw a cloud of a first orbit, or a selection of it."""
    return _drawn(CloudGraphic, columns_of(layer, CLOUD_NAMES), ax, reference, zorder, look)


def draw_parallax(ax, layer, reference, *, zorder=12, **look):
    """Draw parallax vectors of several sites, or a selection of them."""
    return _drawn(ParallaxGraphic, columns_of(layer, PARALLAX_NAMES), ax, reference, zorder, look)


def draw_tail(ax, data, reference, *, zorder=9, **look):
    """Draw a comet's tail."""
    return _drawn(TailGraphic, tail_of(getattr(data, "data", data)), ax, reference, zorder, look)


def draw_marks(ax, layer, reference, *, zorder=12, frames=None, **look):
    """Draw measured places; `frames` are the names of those whose places are drawn, None draws all."""
    return _drawn(MarkGraphic, rows_of(layer), ax, reference, zorder, look, shown=_shown(frames))


def draw_residuals(ax, layer, *, plot, plate_off, **look):
    """Draw rows of residuals, or a selection of them, against time or on the sky; `ax` are ordinary axes."""
    data = getattr(layer, "data", layer)
    columns = plot_columns(data, plate_off)
    whole = data is layer
    if whole:
        draw_ground(ax, columns, plot)
        handles, words = key_of(plot)
        ax.legend(handles, words, loc="upper left", fontsize=8, frameon=False, ncols=2)
    keep = np.ones(data.size, bool) if whole else np.asarray(layer.to_mask(), bool)
    return draw_rows(ax, columns, keep, plot, ringed=not whole, **look)

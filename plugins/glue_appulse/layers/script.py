"""Python that draws our layers outside glue, for 'export to Python script', and what that Python calls."""

from types import SimpleNamespace

import numpy as np

TRACK_LOOK = (
    "color",
    "alpha",
    "width",
    "tick_step",
    "show_ticks",
    "show_labels",
    "show_name",
    "show_places",
    "show_ellipse",
    "ellipse_sigma",
    "show_direction",
    "label_size",
)
STRETCH_LOOK = ("color", "alpha", "width")
MARK_LOOK = ("color", "alpha", "width", "show_offset")
OUTLINE_LOOK = (
    "color",
    "alpha",
    "width",
    "show_names",
    "label_size",
    "by_type",
    "min_size",
    "max_magnitude",
    "types",
)


def _plain(value):
    """A value as a script writes it: echo's list of several types as a plain one."""
    return list(value) if isinstance(value, list) else value


def _call(artist, function, look):
    options = {name: _plain(getattr(artist.state, name)) for name in look}
    words = ", ".join(f"{name}={value!r}" for name, value in options.items())
    shown = list(getattr(artist, "frame_keys", list)())
    extra = f", frames={shown!r}" if shown or function == "draw_track" else ""
    call = f"{function}(ax, layer_data, ref_data, zorder={artist.state.zorder!r}{extra}, {words})"
    return [f"from glue_appulse.layers.script import {function}"], call


def _exported(function, look):
    def export(artist, *_args):
        if not artist.enabled or not artist.visible or artist.graphic is None:
            return [], None
        return _call(artist, function, look)

    return export


export_track = _exported("draw_track", TRACK_LOOK)
export_track_subset = _exported("draw_stretch", STRETCH_LOOK)
export_outlines = _exported("draw_outlines", OUTLINE_LOOK)
export_marks = _exported("draw_marks", MARK_LOOK)


def _projector(reference):
    from glue_appulse.data.frame_wcs import SkyProjector

    return SkyProjector(reference.coords, reference.shape)


def draw_track(ax, data, reference, *, zorder=10, frames=None, **look):
    """Draw a track on axes that show a frame.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
        Data coordinates are the frame's zero-based pixels.
    data : glue.core.data.Data
        The track.
    reference : glue.core.data.Data
        The frame.
    zorder : float
    frames : list of str or None
        Keys of the frames whose places are marked; None marks all.
    **look
        As :class:`~glue_appulse.layers.track_state.TrackLayerState` names them.

    Returns
    -------
    TrackGraphic
    """
    from .track_graphic import TrackGraphic
    from .track_model import TrackModel

    shown = None if frames is None else lambda: set(frames)
    graphic = TrackGraphic(
        TrackModel.from_data(data), _projector(reference), SimpleNamespace(**look), shown=shown
    )
    graphic.join(ax, zorder)
    return graphic


def draw_stretch(ax, subset, reference, *, zorder=11, **look):
    """Draw a selected stretch of a track on axes that show a frame.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
    subset : glue.core.subset.Subset
    reference : glue.core.data.Data
    zorder : float
    **look
        color, alpha, width.

    Returns
    -------
    StretchGraphic
    """
    from .track_artist import StretchGraphic
    from .track_model import TrackModel

    graphic = StretchGraphic(
        TrackModel.from_data(subset.data), _projector(reference), SimpleNamespace(**look)
    )
    graphic.chosen = np.asarray(subset.to_mask(), bool)
    graphic.join(ax, zorder)
    return graphic


def draw_outlines(ax, data, reference, *, zorder=9, **look):
    """Draw outlines of catalogue objects on axes that show a frame.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
    data : glue.core.data_region.RegionData or glue.core.subset.Subset
    reference : glue.core.data.Data
    zorder : float
    **look
        As :class:`~glue_appulse.layers.outline_state.OutlineLayerState` names them.

    Returns
    -------
    OutlineGraphic
    """
    from .outline_graphic import OutlineGraphic
    from .outline_model import OutlineModel

    graphic = OutlineGraphic(OutlineModel.from_layer(data), _projector(reference), SimpleNamespace(**look))
    graphic.join(ax, zorder)
    return graphic


def draw_marks(ax, layer, reference, *, zorder=12, frames=None, **look):
    """Draw measured places on axes that show a frame.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
    layer : glue.core.data.Data or glue.core.subset.Subset
        Residuals.
    reference : glue.core.data.Data
    zorder : float
    frames : list of str or None
        Names of the frames whose places are drawn; None draws all.
    **look
        As :class:`~glue_appulse.layers.mark_layer.MarkLayerState` names them.

    Returns
    -------
    MarkGraphic
    """
    from .mark_layer import MarkGraphic, rows_of

    shown = None if frames is None else lambda: set(frames)
    graphic = MarkGraphic(rows_of(layer), _projector(reference), SimpleNamespace(**look), shown=shown)
    graphic.join(ax, zorder)
    return graphic

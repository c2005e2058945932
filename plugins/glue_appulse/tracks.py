"""Plugin: tracks of minor bodies as layers of image viewers."""

from glue_appulse.data.kinds import TRACK, kind_of
from glue_appulse.host import desktop_running, is_image_viewer, notebook_running, once


def make_layer(viewer, layer):
    """Layer artist for a track or a selected stretch of one."""
    if kind_of(layer) != TRACK or not is_image_viewer(viewer):
        return None
    from glue.core.subset import Subset

    from glue_appulse.layers.track_layer import TrackLayerArtist, TrackSubsetArtist

    cls = TrackSubsetArtist if isinstance(layer, Subset) else TrackLayerArtist
    return viewer.get_layer_artist(cls, layer=layer)


@once("tracks")
def _register():
    from glue.config import layer_artist_maker

    layer_artist_maker.add("Tracks of minor bodies", make_layer)


def setup():
    """Entry point of glue."""
    _register()
    if notebook_running():
        from glue_appulse.jupyter import layer_options

        layer_options.register()
    if desktop_running():
        from glue_appulse.qt import menus

        menus.tracks()

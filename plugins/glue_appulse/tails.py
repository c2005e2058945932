"""Plugin: tails of comets as layers of image viewers."""

from glue_appulse.data.kinds import TAILS, kind_of
from glue_appulse.host import desktop_running, is_image_viewer, notebook_running, once


def make_layer(viewer, layer):
    """Layer artist for a comet's tail or a selection of its vertices."""
    if kind_of(layer) != TAILS or not is_image_viewer(viewer):
        return None
    from glue_appulse.layers.tail_layer import TailLayerArtist

    return viewer.get_layer_artist(TailLayerArtist, layer=layer)


@once("tails")
def _register():
    from glue.config import layer_artist_maker

    layer_artist_maker.add("Tails of comets", make_layer)


def setup():
    """Entry point of glue."""
    _register()
    if notebook_running():
        from glue_appulse.jupyter import layer_options

        layer_options.register()
    if desktop_running():
        from glue_appulse.qt import menus

        menus.tails()

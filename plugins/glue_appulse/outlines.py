"""Plugin: outlines of deep-sky objects as region layers of image viewers."""

from glue_appulse.data.kinds import OUTLINES, kind_of
from glue_appulse.host import desktop_running, is_image_viewer, notebook_running, once


def make_layer(viewer, layer):
    """Layer artist for outlines or a selection of them."""
    if kind_of(layer) != OUTLINES or not is_image_viewer(viewer):
        return None
    from glue_appulse.layers.outline_layer import OutlineLayerArtist

    return viewer.get_layer_artist(OutlineLayerArtist, layer=layer)


@once("outlines")
def _register():
    from glue.config import layer_artist_maker

    layer_artist_maker.add("Outlines of deep-sky objects", make_layer)


def setup():
    """Entry point of glue."""
    _register()
    if notebook_running():
        from glue_appulse.jupyter import layer_options

        layer_options.register()
    if desktop_running():
        from glue_appulse.qt import menus

        menus.outlines()

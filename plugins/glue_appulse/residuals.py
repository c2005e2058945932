"""Plugin: measure bodies in frames, keep the residuals as a table, write them out."""

from glue_appulse.data.kinds import RESIDUALS, kind_of
from glue_appulse.host import desktop_running, is_image_viewer, notebook_running, once


def make_layer(viewer, layer):
    """Layer artist for measured places in an image viewer."""
    if kind_of(layer) != RESIDUALS or not is_image_viewer(viewer):
        return None
    from glue_appulse.layers.measured_layer import MarkLayerArtist

    return viewer.get_layer_artist(MarkLayerArtist, layer=layer)


@once("residuals")
def _register():
    from glue.config import data_exporter, layer_artist_maker

    from glue_appulse import measurements

    layer_artist_maker.add("Measured places", make_layer)
    for label, suffixes, function in measurements.EXPORTERS:
        data_exporter.add(data_exporter.item(function, label, suffixes))


def setup():
    """Entry point of glue."""
    _register()
    if notebook_running():
        from glue_appulse.jupyter import layer_options

        layer_options.register()
    if desktop_running():
        from glue_appulse.qt import menus

        menus.residuals()

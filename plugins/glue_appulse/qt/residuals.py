"""Desktop part of the residuals plugin: tools of the image viewer, panel, viewer, menu."""


def register():
    """Register with glue's desktop application."""
    from glue_qt.config import menubar_plugin, qt_client
    from glue_qt.viewers.image import ImageViewer

    from glue_appulse.layers.mark_layer import MarkLayerArtist
    from glue_appulse.qt.residual_viewer import ResidualViewer
    from glue_appulse.qt.style_editors import MarkEditor
    from glue_appulse.qt.tools import MEASURE, PICK

    ImageViewer._layer_style_widget_cls[MarkLayerArtist] = MarkEditor
    ImageViewer.tools.extend(name for name in (MEASURE, PICK) if name not in ImageViewer.tools)
    qt_client.add(ResidualViewer)
    menubar_plugin.add("Measure…", _measure)
    menubar_plugin.add("Residuals: table and plots", _show)


def _measure(session, data_collection):
    from glue_appulse.qt.measure_panel import open_panel

    return open_panel(session, data_collection)


def _show(session, _data_collection):
    from glue_appulse.qt.residual_viewer import show_residuals

    return show_residuals(session)

"""Desktop part of the outlines plugin: style editor and the menu."""


def register():
    """Register with glue's desktop application."""
    from glue_qt.config import menubar_plugin
    from glue_qt.viewers.image import ImageViewer

    from glue_appulse.layers.outline_artist import OutlineLayerArtist
    from glue_appulse.qt.style_editors import OutlineEditor

    ImageViewer._layer_style_widget_cls[OutlineLayerArtist] = OutlineEditor
    menubar_plugin.add("Add outlines of deep-sky objects…", _open)


def _open(session, data_collection):
    from glue_appulse.qt.outline_dialog import open_dialog

    return open_dialog(session, data_collection)

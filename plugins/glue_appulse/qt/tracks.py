"""Desktop part of the tracks plugin: style editors and the menu."""


def register():
    """Register with glue's desktop application."""
    from glue_qt.config import menubar_plugin
    from glue_qt.viewers.image import ImageViewer

    from glue_appulse.layers.track_artist import TrackLayerArtist, TrackSubsetArtist
    from glue_appulse.qt.style_editors import StretchEditor, TrackEditor

    ImageViewer._layer_style_widget_cls.update(
        {TrackLayerArtist: TrackEditor, TrackSubsetArtist: StretchEditor}
    )
    menubar_plugin.add("Add tracks: bodies in this frame…", _open)


def _open(session, data_collection):
    from glue_appulse.qt.bodies import open_dialog

    return open_dialog(session, data_collection)

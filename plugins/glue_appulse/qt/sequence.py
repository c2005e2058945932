"""Desktop part of the sequence plugin: its line in the menu, and the stacks as frames in a viewer."""

from glue_appulse.kinds import is_frame
from glue_appulse.qt.desk import image_viewers, show_frames


def register():
    """Register with glue's desktop application."""
    from glue_qt.config import menubar_plugin

    menubar_plugin.add("Stacks and picture of the night…", _open)


def _open(session, data_collection):
    from glue_appulse.qt.sequence_panel import open_panel

    return open_panel(session, data_collection)


def show_stacks(session, stacks):
    """Show stacks as frames in a viewer of their own; those read from the same files before go.

    Parameters
    ----------
    session : glue.core.session.Session
    stacks : list of glue.core.data.Data

    Returns
    -------
    glue_qt.viewers.image.ImageViewer or None
        None without stacks.
    """
    if not stacks:
        return None
    collection, paths = session.data_collection, {data.meta["path"] for data in stacks}
    showing = [viewer for viewer in image_viewers(session) if _paths(viewer) <= paths]
    for old in [data for data in collection if data.meta.get("path") in paths]:
        collection.remove(old)
    for viewer in showing:
        viewer.close(warn=False)
    session.application.add_datasets(stacks)
    return show_frames(session, stacks)


def _paths(viewer):
    return {layer.layer.meta.get("path") for layer in viewer.layers if is_frame(layer.layer)}

"""Desktop part of the frames plugin: set-up, player, and the question where frames have gone."""

import os


def register():
    """Register with glue's desktop application."""
    from glue_qt.config import menubar_plugin

    from glue_appulse import moved

    moved.ask_folder = ask_folder
    menubar_plugin.add("Set-up (site, time, camera)…", _setup)
    menubar_plugin.add("Night player", _player)
    menubar_plugin.add("Show the overlays in this viewer", _overlays)


def ask_folder(name):
    """Ask where a frame of a session has gone; never in a batch.

    Parameters
    ----------
    name : str

    Returns
    -------
    str or None
    """
    from qtpy.QtWidgets import QApplication, QFileDialog

    batch = os.environ.get("GLUE_TESTING") or os.environ.get("QT_QPA_PLATFORM") in ("offscreen", "minimal")
    if batch or QApplication.instance() is None:
        return None
    return QFileDialog.getExistingDirectory(None, f"Where is {name} now?") or None


def _setup(session, data_collection):
    from glue_appulse.qt.setup_panel import open_panel

    return open_panel(session, data_collection)


def _overlays(session, data_collection):
    from glue_appulse.qt.following import show_overlays

    return show_overlays(session, data_collection)


def _player(session, data_collection):
    from glue_appulse.qt.player import open_panel

    return open_panel(session, data_collection)

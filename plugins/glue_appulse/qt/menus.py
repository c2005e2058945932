"""Desktop part of the plugins: menu entries, style editors, tools, viewers; each is loaded when used."""

import os

from glue_appulse.host import once


@once("frames, desktop")
def frames():
    """Register set-up, player and overlays; a session asks where its frames have gone."""
    from glue_qt.config import menubar_plugin

    from glue_appulse import host
    from glue_appulse.data import solved_frames
    from glue_appulse.qt.boxes import Boxes

    solved_frames.ask_folder = ask_folder
    host.show_box = Boxes().show
    menubar_plugin.add("Set-up (site, time, camera)…", _setup)
    menubar_plugin.add("Night player", _player)
    menubar_plugin.add("Show the overlays in this viewer", _overlays)


@once("tracks, desktop")
def tracks():
    """Register the style editors of tracks and the panel of bodies."""
    from glue_qt.config import menubar_plugin
    from glue_qt.viewers.image import ImageViewer

    from glue_appulse.layers.track_layer import TrackLayerArtist, TrackSubsetArtist
    from glue_appulse.qt.style_editors import StretchEditor, TrackEditor

    ImageViewer._layer_style_widget_cls[TrackLayerArtist] = TrackEditor
    ImageViewer._layer_style_widget_cls[TrackSubsetArtist] = StretchEditor
    menubar_plugin.add("Add tracks: bodies in this frame…", _bodies)


@once("outlines, desktop")
def outlines():
    """Register the style editor and the dialog of outlines."""
    from glue_qt.config import menubar_plugin
    from glue_qt.viewers.image import ImageViewer

    from glue_appulse.layers.outline_layer import OutlineLayerArtist
    from glue_appulse.qt.style_editors import OutlineEditor

    ImageViewer._layer_style_widget_cls[OutlineLayerArtist] = OutlineEditor
    menubar_plugin.add("Add outlines of deep-sky objects…", _outlines)


@once("tails, desktop")
def tails():
    """Register the style editor of comets' tails; the panel of bodies adds them."""
    from glue_qt.viewers.image import ImageViewer

    from glue_appulse.layers.tail_layer import TailLayerArtist
    from glue_appulse.qt.style_editors import TailEditor

    ImageViewer._layer_style_widget_cls[TailLayerArtist] = TailEditor


@once("residuals, desktop")
def residuals():
    """Register the tools of the image viewer, the measuring panel and the residual viewer."""
    from glue_qt.config import menubar_plugin, qt_client
    from glue_qt.viewers.image import ImageViewer

    from glue_appulse.layers.measured_layer import MarkLayerArtist
    from glue_appulse.qt.residual_viewer import ResidualViewer
    from glue_appulse.qt.style_editors import MarkEditor
    from glue_appulse.qt.tools import MEASURE, PICK

    ImageViewer._layer_style_widget_cls[MarkLayerArtist] = MarkEditor
    ImageViewer.tools.extend(name for name in (MEASURE, PICK) if name not in ImageViewer.tools)
    qt_client.add(ResidualViewer)
    menubar_plugin.add("Measure…", _measure)
    menubar_plugin.add("Residuals: table and plots", _residuals)


@once("encounters, desktop")
def encounters():
    """Register the sky of a pass."""
    from glue_qt.config import menubar_plugin

    menubar_plugin.add("Sky of the selected pass", show_selected_pass)


@once("sequence, desktop")
def sequence():
    """Register the panel of stacks and pictures."""
    from glue_qt.config import menubar_plugin

    menubar_plugin.add("Stacks and picture of the night…", _sequence)


def ask_folder(name: str) -> str | None:
    """Ask where a frame of a session has gone; never in a batch."""
    from qtpy.QtWidgets import QApplication, QFileDialog

    batch = os.environ.get("GLUE_TESTING") or os.environ.get("QT_QPA_PLATFORM") in ("offscreen", "minimal")
    if batch or QApplication.instance() is None:
        return None
    return QFileDialog.getExistingDirectory(None, f"Where is {name} now?") or None


# glue calls a menu entry with the session and its data. The panels are imported then: together they cost
# a start of the viewer more than all the rest of ours.


def _setup(session, _data_collection):
    from glue_appulse.qt.setup_panel import open_panel

    return open_panel(session)


def _player(session, _data_collection):
    from glue_appulse.qt.player import open_panel

    return open_panel(session)


def _overlays(session, _data_collection):
    from glue_appulse.qt.overlay_sync import show_overlays

    return show_overlays(session)


def _bodies(session, _data_collection):
    from glue_appulse.qt.add_overlays import open_bodies

    return open_bodies(session)


def _outlines(session, _data_collection):
    from glue_appulse.qt.add_overlays import open_outlines

    return open_outlines(session)


def _measure(session, _data_collection):
    from glue_appulse.qt.measure_panel import open_panel

    return open_panel(session)


def _residuals(session, _data_collection):
    from glue_appulse.qt.residual_viewer import show_residuals

    return show_residuals(session)


def _sequence(session, _data_collection):
    from glue_appulse.qt.sequence_panel import open_panel

    return open_panel(session)


def show_selected_pass(session, data_collection):
    """Open a viewer with the sky of the selected pass, or say what is missing."""
    from appulse.errors import AppulseError
    from glue_appulse.data.pass_data import chosen_row, selected_layer
    from glue_appulse.host import say
    from glue_appulse.qt.desk import show_sky_of_pass

    try:
        return show_sky_of_pass(session, chosen_row(selected_layer(data_collection)))
    except (AppulseError, ValueError) as error:
        say(str(error))
        return None

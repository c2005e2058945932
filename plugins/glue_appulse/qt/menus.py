"""Desktop part of the plugins: menu entries, style editors, tools, viewers; each is loaded when used."""

import os

from glue_appulse.host import once

#: Entries of the menu in the order of a night's work; what is not named here comes after them.
SETUP, TRACKS, OUTLINES = (
    "Set-up (site, time, camera)…", "Add tracks: bodies in this frame…", "Add outlines of deep-sky objects…"
)  # fmt: skip
OVERLAYS, PLAYER, COLOUR = "Show the overlays in this viewer", "Night player", "Colour from three planes…"
MEASURE, RESIDUALS = "Measure…", "Residuals: table and plots"
NIGHTS = "Nights of several sites: residuals in one plot…"
STACKS, PASS = "Stacks and picture of the night…", "Sky of the selected pass"
ORDER = (SETUP, TRACKS, OUTLINES, OVERLAYS, PLAYER, COLOUR, MEASURE, RESIDUALS, NIGHTS, STACKS, PASS)
HEADING = "Appulse"


def under_heading(application):
    """Put our entries of the menu of plugins under a heading of their own, in the order of the work."""
    from glue_qt.config import menubar_plugin
    from qtpy.QtWidgets import QAction, QMenu

    pairs = zip(application._actions["plugins"], menubar_plugin, strict=True)
    ours = [action for action, (_label, act) in pairs if act.__module__.startswith("glue_appulse")]
    menus = [menu for menu in application.menuBar().findChildren(QMenu) if set(ours) & set(menu.actions())]
    if not menus:
        return
    place = {label: i for i, label in enumerate(ORDER)}
    heading = QAction(HEADING, menus[0])
    heading.setEnabled(False)
    menus[0].addSeparator()
    menus[0].addAction(heading)
    for action in sorted(ours, key=lambda action: place.get(action.text(), len(ORDER))):
        menus[0].removeAction(action)
        menus[0].addAction(action)


def scrollable(application):
    """Let glue's side panels scroll: on a low screen they would make the window higher than it."""
    from glue_appulse.qt.panels import TallArea

    for name in ("plot_layers", "plot_options"):
        panel = getattr(application._ui, name)
        layout = panel.parentWidget().layout()
        area = TallArea()
        layout.insertWidget(layout.indexOf(panel), area)
        area.setWidget(panel)


def adopt(application_cls: type):
    """Let each window of glue have our heading, panels that fit its screen, and imports while it idles."""
    from glue_appulse.qt.smooth import import_ahead

    make = application_cls._create_menu
    if getattr(make, "ours", False):
        return

    def made(application):
        make(application)
        under_heading(application)
        scrollable(application)
        import_ahead(application)

    made.ours = True
    application_cls._create_menu = made


@once("frames, desktop")
def frames():
    """Register set-up, player and overlays; a session asks where its frames have gone."""
    from glue_qt.app.application import GlueApplication
    from glue_qt.config import menubar_plugin
    from glue_qt.viewers.image import ImageViewer

    from glue_appulse import host
    from glue_appulse.data import solved_frames
    from glue_appulse.qt.boxes import Boxes
    from glue_appulse.qt.kept_views import keep_limits_of_sessions
    from glue_appulse.qt.smooth import Breath

    solved_frames.ask_folder = ask_folder
    host.show_box = Boxes().show
    host.let_live = Breath()
    adopt(GlueApplication)
    keep_limits_of_sessions(ImageViewer)
    menubar_plugin.add(SETUP, _setup)
    menubar_plugin.add(PLAYER, _player)
    menubar_plugin.add(OVERLAYS, _overlays)
    menubar_plugin.add(COLOUR, _colour)


@once("tracks, desktop")
def tracks():
    """Register the style editors of tracks and the panel of bodies."""
    from glue_qt.config import menubar_plugin
    from glue_qt.viewers.image import ImageViewer

    from glue_appulse.layers.places_layer import CloudLayerArtist, ParallaxLayerArtist
    from glue_appulse.layers.track_layer import TrackLayerArtist, TrackSubsetArtist
    from glue_appulse.qt.style_editors import PlacesEditor, StretchEditor, TrackEditor

    ImageViewer._layer_style_widget_cls[TrackLayerArtist] = TrackEditor
    for places in (CloudLayerArtist, ParallaxLayerArtist):
        ImageViewer._layer_style_widget_cls[places] = PlacesEditor
    ImageViewer._layer_style_widget_cls[TrackSubsetArtist] = StretchEditor
    menubar_plugin.add(TRACKS, _bodies)


@once("outlines, desktop")
def outlines():
    """Register the style editor and the dialog of outlines."""
    from glue_qt.config import menubar_plugin
    from glue_qt.viewers.image import ImageViewer

    from glue_appulse.layers.outline_layer import OutlineLayerArtist
    from glue_appulse.qt.style_editors import OutlineEditor

    ImageViewer._layer_style_widget_cls[OutlineLayerArtist] = OutlineEditor
    menubar_plugin.add(OUTLINES, _outlines)


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
    from glue_appulse.qt import export_jobs, tools
    from glue_appulse.qt.residual_viewer import ResidualViewer
    from glue_appulse.qt.style_editors import MarkEditor

    ImageViewer._layer_style_widget_cls[MarkLayerArtist] = MarkEditor
    ImageViewer.tools.extend(name for name in (tools.MEASURE, tools.PICK) if name not in ImageViewer.tools)
    qt_client.add(ResidualViewer)
    export_jobs.install()
    menubar_plugin.add(MEASURE, _measure)
    menubar_plugin.add(RESIDUALS, _residuals)
    menubar_plugin.add(NIGHTS, _nights)


@once("encounters, desktop")
def encounters():
    """Register the sky of a pass."""
    from glue_qt.config import menubar_plugin

    menubar_plugin.add(PASS, show_selected_pass)


@once("sequence, desktop")
def sequence():
    """Register the panel of stacks and pictures."""
    from glue_qt.config import menubar_plugin

    menubar_plugin.add(STACKS, _sequence)


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


def _colour(session, _data_collection):
    from glue_appulse.qt.colour_panel import open_panel

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


def _nights(session, data_collection, paths=None):
    """Open residual tables of several sites as one plot; the files are asked for where none are given."""
    from appulse.errors import AppulseError
    from glue_appulse.data.places_data import open_nights
    from glue_appulse.host import say
    from glue_appulse.qt.residual_viewer import show_residuals

    if paths is None:
        from qtpy.QtWidgets import QFileDialog

        words = "Residual tables, one of each night or site"
        paths, _kind = QFileDialog.getOpenFileNames(None, words, "", "Residuals (*.ecsv)")
    if not paths:
        return None
    try:
        open_nights(data_collection, paths)
    except AppulseError as error:
        say(str(error))
        return None
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

"""Image viewers and menus: what stays as its user left it, colour from three planes, frames that blink."""

import sys
import time

import numpy as np
import pytest
from astropy.io import fits
from glue.core.data_factories import load_data
from glue_worlds import make_frame, make_outlines, make_track, make_wcs

from glue_appulse.data.kinds import FRAME, all_of
from glue_appulse.data.solved_frames import frame_data, name_apart
from glue_appulse.layers.colour import COLOUR_MODE, GREY_MODE, suggested_planes

pytestmark = pytest.mark.needs_qt
RED, GREEN, BLUE = 0, 1, 2


def settle(milliseconds=60):
    from qtpy.QtTest import QTest

    QTest.qWait(milliseconds)


def shown(viewer):
    return [layer.layer.label for layer in viewer.layers if layer.visible and layer.layer.ndim == 2]


def limits(viewer):
    return [getattr(viewer.state, name) for name in ("x_min", "x_max", "y_min", "y_max")]


@pytest.fixture
def night(app):
    """Three frames in one viewer, the middle one in sight."""
    from glue_appulse.qt.desk import show_frames

    frames = [make_frame(f"frame-{i}", seed=i, rotation=5.0 * i) for i in (1, 2, 3)]
    app.data_collection.extend(frames)
    app.viewer = show_frames(app.session, frames)
    for layer in app.viewer.layers:
        layer.state.visible = layer.layer is frames[1]
    settle()
    return app


def test_our_entries_stand_under_one_heading_in_the_order_of_the_work(app):
    from qtpy.QtWidgets import QMenu

    from glue_appulse.qt.menus import HEADING, MEASURE, RESIDUALS, SETUP, TRACKS

    menus = [[action.text() for action in menu.actions()] for menu in app.menuBar().findChildren(QMenu)]
    menu = next(words for words in menus if HEADING in words)
    places = [menu.index(words) for words in (HEADING, SETUP, TRACKS, MEASURE, RESIDUALS)]
    assert places == sorted(places)
    assert menu.count(MEASURE) == 1


def test_the_window_fits_a_low_screen(app):
    from glue_appulse.qt.measure_panel import open_panel
    from glue_appulse.qt.player import open_panel as open_player

    open_player(app.session)
    panel = open_panel(app.session)
    app.show()
    settle()
    wanted = app.minimumSizeHint()
    assert wanted.height() < 720  # of 768, with the desktop's own bars
    assert wanted.width() < 1366
    assert panel.minimumSizeHint().width() < 1366 / 3


def test_side_panels_are_as_wide_as_what_they_hold(night):
    from glue_appulse.qt.panels import TallArea

    application = night.session.application
    application.resize(1366, 768)
    application.show()
    settle()
    columns = application.findChildren(TallArea)
    assert len(columns) == 2
    for column in columns:
        assert column.viewport().width() >= column.widget().minimumSizeHint().width()
        assert not column.horizontalScrollBar().isVisible()


def test_the_next_frame_shows_when_the_one_in_sight_is_deleted(night):
    frames = all_of(night.data_collection, FRAME)
    night.data_collection.remove(frames[1])
    settle()
    assert shown(night.viewer) == ["frame-3"]
    night.data_collection.remove(frames[2])
    settle()
    assert shown(night.viewer) == ["frame-1"]
    # one that the user has switched off stays off
    night.viewer.layers[0].state.visible = False
    night.data_collection.append(make_frame("frame-4"))
    settle()
    assert shown(night.viewer) == []


def test_a_frame_that_comes_later_is_stretched_and_a_chosen_stretch_stays(night):
    first = night.viewer.layers[0].state
    first.stretch, first.percentile = "log", 90
    later = make_frame("frame-4")
    night.add_datasets([later])
    night.viewer.add_data(later)
    settle()
    state = night.viewer.layers[-1].state
    assert (state.stretch, state.percentile) == ("arcsinh", 99.5)
    assert (first.stretch, first.percentile) == ("log", 90)


def test_a_session_brings_back_the_range_and_the_limits(night, tmp_path):
    from glue_appulse.qt.kept_views import set_limits

    set_limits(night.viewer.state, (100, 160, 120, 165))
    level = night.viewer.layers[1].state
    level.v_min, level.v_max = 91.0, 122.0
    settle()
    before = limits(night.viewer)
    night.save_session(str(tmp_path / "zoom.glu"), include_data=True)
    again = night.restore_session(str(tmp_path / "zoom.glu"), show=False)
    try:
        settle()
        viewer = again.viewers[0][0]
        assert limits(viewer) == pytest.approx(before, abs=2.0)
        assert (viewer.layers[1].state.v_min, viewer.layers[1].state.v_max) == (91.0, 122.0)
        assert viewer.layers[1].state.stretch == "arcsinh"
    finally:
        again.close()


def test_frames_of_one_name_are_told_apart(tmp_path, registered):
    paths = []
    for folder in ("first", "second"):
        (tmp_path / folder).mkdir()
        paths.append(tmp_path / folder / "light.fits")
        fits.PrimaryHDU(np.ones((20, 30), np.int16), make_wcs(shape=(20, 30)).to_header()).writeto(paths[-1])
    frames = [load_data(str(path)) for path in (*paths, paths[0])]
    name_apart(frames)
    assert [data.label for data in frames] == ["light.fits", "second/light.fits", "first/light.fits"]
    name_apart(frames)
    assert [data.label for data in frames] == ["light.fits", "second/light.fits", "first/light.fits"]


def colour_frame():
    """A frame of three planes: the left half red, the right half green."""
    from appulse.frames import SolvedFrame
    from appulse.observers import Site

    planes = np.full((3, 300, 400), 100.0, np.float32)
    planes[RED, :, :200] = planes[GREEN, :, 200:] = 4000.0
    planes += np.random.default_rng(1).normal(0, 5, planes.shape)
    return frame_data(SolvedFrame.from_arrays(planes, make_wcs(), None, Site.geocentre(), label="colour"))


def test_a_colour_frame_is_shown_in_colour_under_its_overlays(app):
    from glue_appulse.qt.colour_panel import open_panel
    from glue_appulse.qt.desk import add_overlay, show_frames

    frame = colour_frame()
    app.data_collection.append(frame)
    viewer = show_frames(app.session, [frame])
    add_overlay(app.session, make_track(rate_deg_d=(-0.9, 0.35)))
    add_overlay(app.session, make_outlines([(246.3, -24.2)], size_deg=0.1))
    panel = open_panel(app.session)
    panel.show_button.click()
    settle()
    assert viewer.state.color_mode == COLOUR_MODE
    viewer.figure.canvas.draw()
    pixels = np.asarray(viewer.figure.canvas.buffer_rgba())[..., :3].astype(int)
    to_screen = viewer.axes.transData.transform
    for x, strong, weak in ((60, RED, GREEN), (340, GREEN, RED)):
        column, row = to_screen((x, 40)).astype(int)
        colour = pixels[pixels.shape[0] - row, column]
        assert colour[strong] > 200
        assert colour[weak] < 100
    overlays = [layer for layer in viewer.layers if layer.layer.ndim == 1]
    assert len(overlays) == 2
    assert all(layer.visible and layer.graphic.get_visible() for layer in overlays)
    drawn = (np.abs(pixels - [255, 176, 0]).max(-1) < 40).sum()
    assert drawn > 100  # the track's own colour stands over both halves
    panel.show_button.click()  # once more: no further layers
    assert len([layer for layer in viewer.layers if layer.layer is frame]) == 3
    panel.grey_button.click()
    assert viewer.state.color_mode == GREY_MODE
    assert shown(viewer) == ["colour"]


def test_three_filters_are_suggested_and_a_gap_is_named(night):
    from glue_appulse.qt.colour_panel import open_panel

    frames = all_of(night.data_collection, FRAME)
    panel = open_panel(night.session)
    panel.show_button.click()
    assert "choose a plane for red, green, blue" in panel.status.text()
    for data, name in zip(frames, ("G", "blue", "R"), strict=True):
        data.meta["filter"] = name
    chosen = {channel: plane.data.label for channel, plane in suggested_planes(frames).items()}
    assert chosen == {"red": "frame-3", "green": "frame-1", "blue": "frame-2"}
    panel.fill()
    panel.show_button.click()
    assert sorted(shown(night.viewer)) == ["frame-1", "frame-2", "frame-3"]
    assert len(night.viewer.layers) == 3


def test_two_frames_blink_with_the_body_held_still(app, sample_data):
    from glue_appulse import inputs
    from glue_appulse.data.track_data import make_tracks
    from glue_appulse.qt.desk import add_tracks, show_frames
    from glue_appulse.qt.player import open_panel

    frames = [load_data(str(sample_data / f"iris_{i}.fits.fz")) for i in (1, 3, 4)]
    app.add_datasets(frames)
    viewer = show_frames(app.session, frames)
    source = inputs.open_orbits(sample_data / "orbit.ecsv")
    add_tracks(app.session, make_tracks(source, frames, ["7"])[0])
    player = open_panel(app.session)
    player.mode.setCurrentIndex(1)
    player.other.setCurrentIndex(player.other.findText("blink with iris_4.fits.fz"))
    seen, middles = [], []
    for _ in range(4):
        player.forward()
        seen += shown(viewer)
        x0, x1, y0, y1 = limits(viewer)
        track = next(layer for layer in viewer.layers if hasattr(layer, "frame_keys"))
        places = {key: centre for key, centre, *_rest in track.graphic._marks}
        body = next(places[key] for key in places if key in track.shown())
        middles.append(np.array([(x0 + x1) / 2, (y0 + y1) / 2]) - body)
    assert seen == ["iris_4.fits.fz", "iris_1.fits.fz"] * 2
    assert np.abs(middles).max() < 0.5  # the window follows the body: it stands still on the screen


def test_many_tracks_come_in_turn_while_the_window_lives(night):
    from glue_appulse.qt.desk import AT_ONCE, add_tracks_in_turn, all_added

    add_tracks_in_turn(night.session, [make_track(f"({i}) body") for i in range(8)])
    overlays = lambda: sum(layer.layer.ndim == 1 for layer in night.viewer.layers)  # noqa: E731
    assert overlays() == AT_ONCE
    all_added()
    assert overlays() == 8


def test_kernels_and_mosaic_reach_the_viewer():
    import argparse

    from appulse.cli import view
    from glue_appulse import desktop

    parser = argparse.ArgumentParser()
    view.add_parser(parser.add_subparsers())
    words = ["view", "a.fits", "--mosaic", "RGGB", "--kernels", "a.bsp", "b.bsp"]
    given = desktop.parser().parse_args(view.viewer_words(parser.parse_args(words)))
    assert given.kernels == ["a.bsp", "b.bsp"]
    assert desktop.frame_options(given) == {"mosaic": "RGGB"}


@pytest.mark.needs_qt
def test_the_window_lives_while_many_frames_come(app, monkeypatch, tmp_path):
    from qtpy.QtCore import QTimer

    from glue_appulse import host
    from glue_appulse.qt import smooth
    from glue_appulse.qt.desk import AT_ONCE, show_frames

    for module in ("first_of_all", "built_on_it"):
        (tmp_path / f"{module}.py").write_text("")
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.setattr(smooth, "AHEAD", ("first_of_all", "is_not_there", "built_on_it", "nor_is_this"))
    timer = smooth.import_ahead(app)
    frames = [make_frame(f"frame-{i}", seed=i, shape=(30, 40), scale=90.0) for i in range(2 * AT_ONCE + 1)]
    app.add_datasets(frames)
    app.show()
    seen, beat = [], QTimer()
    beat.timeout.connect(lambda: seen.append(len(app.viewers[0][0].layers) if app.viewers[0] else 0))
    beat.start(0)
    monkeypatch.setattr(host, "let_live", smooth.Breath())
    monkeypatch.setattr(smooth, "BREATH_S", -1.0)
    viewer = show_frames(app.session, frames)
    beat.stop()
    # it has lived with a part of the frames in it, and one alone is in sight in the end
    assert any(0 < count < len(frames) for count in seen), seen
    assert [layer.layer for layer in viewer.layers if layer.visible] == frames[:1]
    assert len(viewer.layers) == len(frames)
    assert {layer.state.stretch for layer in viewer.layers} == {"arcsinh"}
    end = time.monotonic() + 60
    while timer.isActive() and time.monotonic() < end:
        app.app.processEvents()
    assert not timer.isActive()  # it ends, whatever was not there
    assert {"first_of_all", "built_on_it"} <= set(sys.modules)

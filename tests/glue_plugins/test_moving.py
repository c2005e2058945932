"""While the window moves, overlays ride along as a picture; at rest and in files they are drawn truly."""

import time

import numpy as np
import pytest
from glue_worlds import make_frame, make_outlines, make_track

from glue_appulse.layers.board import MOVING_S, LabelBoard

pytestmark = pytest.mark.needs_qt

#: Part of the pixels that may differ between the carried picture and the true drawing: rounding of the
#: alpha channel on the way over a canvas of its own.
TOL_SHARE = 0.01


@pytest.fixture
def viewer(app):
    from glue_appulse.qt.desk import add_overlay, show_frames

    frame = make_frame()
    app.data_collection.append(frame)
    shown = show_frames(app.session, [frame])
    app.show()
    places = [(246.2 + 0.1 * i, -24.4 + 0.05 * j) for i in range(5) for j in range(5)]
    add_overlay(app.session, make_outlines(places))
    add_overlay(app.session, make_track())
    state = shown.state
    state.x_min, state.x_max, state.y_min, state.y_max = 100, 300, 100, 250
    rest(shown)
    return shown


def rest(viewer):
    """A drawing of a window that has been still."""
    board_of(viewer)._carried.rest()
    viewer.figure.canvas.draw()


def board_of(viewer):
    return LabelBoard.of(viewer.axes)


def step(viewer, pixels=20):
    """Move by whole display pixels and draw."""
    box, state = viewer.axes.bbox, viewer.state
    width = (state.x_max - state.x_min) * pixels / box.width
    state.x_min, state.x_max = state.x_min + width, state.x_max + width
    viewer.figure.canvas.draw()


def screen(viewer):
    return np.asarray(viewer.figure.canvas.buffer_rgba())[..., :3].astype(int)


def differs(one, other):
    """Share of the pixels that differ; words find other places near the window's edges, so not there."""
    return np.mean(np.abs(one - other)[150:-150, 150:-150].max(-1) > 60)


def strokes(viewer):
    """The screen's difference with our layers switched off, which is what they have painted."""
    painted = screen(viewer)
    own = [layer for layer in viewer.layers if hasattr(layer, "graphic")]
    for layer in own:
        layer.state.visible = False
    rest(viewer)
    return np.abs(painted - screen(viewer)).max(-1) > 40


def test_the_carried_picture_lies_where_the_true_drawing_lies(viewer):
    step(viewer)
    assert board_of(viewer).carrying
    step(viewer, 31)
    carried = screen(viewer)
    rest(viewer)
    assert not board_of(viewer).carrying
    true = screen(viewer)
    assert differs(carried, true) < TOL_SHARE
    assert strokes(viewer)[150:-150, 150:-150].mean() > 2 * TOL_SHARE  # else nothing was compared


def test_a_window_that_leaves_the_canvas_gets_a_new_one(viewer):
    for _ in range(8):
        step(viewer, 90)
        assert board_of(viewer).carrying
    carried = screen(viewer)
    rest(viewer)
    assert differs(carried, screen(viewer)) < TOL_SHARE


@pytest.mark.parametrize(
    "change",
    [
        lambda viewer: setattr(viewer.layers[-1].state, "width", 4.0),
        lambda viewer: setattr(viewer.layers[0].state, "visible", False),
        lambda viewer: setattr(viewer.state, "x_max", viewer.state.x_max + 30),
    ],
    ids=["restyled", "another frame shown", "zoomed"],
)
def test_what_changes_the_picture_shows_at_once(viewer, change):
    step(viewer)
    before = screen(viewer)
    change(viewer)
    step(viewer)
    now = screen(viewer)
    rest(viewer)
    assert differs(now, screen(viewer)) < TOL_SHARE
    assert differs(now, before) > 2 * TOL_SHARE


def test_the_picture_settles_by_itself(viewer):
    from qtpy.QtWidgets import QApplication

    step(viewer)
    assert board_of(viewer).carrying
    end = time.monotonic() + 10 * MOVING_S
    while board_of(viewer).carrying and time.monotonic() < end:
        QApplication.processEvents()
        time.sleep(0.02)
    assert not board_of(viewer).carrying


def test_a_file_gets_the_true_drawing(viewer, tmp_path):
    step(viewer)
    assert board_of(viewer).carrying
    state = viewer.state
    state.x_min, state.x_max = state.x_min + 1, state.x_max + 1
    viewer.figure.savefig(tmp_path / "screen.png", dpi=viewer.figure.dpi)
    assert not board_of(viewer).carrying

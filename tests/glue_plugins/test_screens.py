"""Screens against stored references: where colour stands on the screen, coarse enough for any font.

A reference is a small picture, one pixel for each block of the screen; red tells how much of the block is in
the track's colour and green in the outlines'. Write them anew with APPULSE_NEW_SCREENS=1, and look at them
before they are committed.
"""

import os
from pathlib import Path

import numpy as np
import pytest
from glue_worlds import make_frame, make_outlines, make_track
from PIL import Image

pytestmark = pytest.mark.needs_qt

FOLDER = Path(__file__).parent / "screens"
BLOCKS = (30, 40)
SIZE = (800, 600)
#: Least correlation of a channel with its reference, and most difference of its mean, as a share of it: fonts
#: and antialiasing move some pixels; a layer that is lost, turned or shifted by a block moves nearly all.
LEAST_CORRELATION, MOST_CHANGE = 0.85, 0.35

SCENES = {
    "north_up": {},
    "mirrored": {"rotation": 35.0, "mirrored": True},
}


def screen(app, **sky):
    """Pixels of a viewer with a frame, a track and outlines, and the pixels without the overlays."""
    from glue_appulse.qt.desk import add_overlay, show_frames

    frame = make_frame(**sky)
    app.data_collection.append(frame)
    viewer = show_frames(app.session, [frame])
    viewer.viewer_size = SIZE
    app.show()
    shapes = make_outlines([(246.3, -24.2), (246.55, -24.4), (246.2, -24.45), (246.5, -24.15)], size_deg=0.08)
    for overlay in (make_track(rate_deg_d=(-0.9, 0.35)), shapes):
        add_overlay(app.session, overlay)
    for layer in viewer.layers:
        if hasattr(layer.state, "by_type"):
            layer.state.by_type = False
    viewer.figure.canvas.draw()
    return np.asarray(viewer.figure.canvas.buffer_rgba())[..., :3].astype(float)


def near(pixels, colour, reach=70.0):
    wanted = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)], float)
    coloured = np.ptp(pixels, axis=-1) > reach  # no grey of the frame
    return coloured & (np.abs(pixels - wanted).max(-1) < reach)


def blocks(mask):
    """Share of each block that a mask covers."""
    rows, columns = (n // part for n, part in zip(mask.shape, BLOCKS, strict=True))
    cut = mask[: rows * BLOCKS[0], : columns * BLOCKS[1]].astype(float)
    return cut.reshape(BLOCKS[0], rows, BLOCKS[1], columns).mean((1, 3))


def digest(pixels):
    """Coarse picture of where our colours stand, (rows, columns, 3) from 0 to 255."""
    masks = (near(pixels, "#ffb000"), near(pixels, "#5ad1c8"), np.zeros(pixels.shape[:2], bool))
    return np.clip(np.stack([blocks(mask) for mask in masks], -1) * 4 * 255, 0, 255)


def agrees(one, other):
    """Whether two digests show the same."""
    for i in (0, 1):
        a, b = one[..., i].ravel(), other[..., i].ravel()
        if np.corrcoef(a, b)[0, 1] < LEAST_CORRELATION or abs(a.mean() - b.mean()) > MOST_CHANGE * b.mean():
            return False
    return True


@pytest.mark.parametrize("name", SCENES)
def test_the_screen_looks_as_it_was_looked_at(app, name):
    found, path = digest(screen(app, **SCENES[name])), FOLDER / f"{name}.png"
    if os.environ.get("APPULSE_NEW_SCREENS"):
        Image.fromarray(found.astype(np.uint8)).save(path, optimize=True)
    wanted = np.asarray(Image.open(path), float)
    assert agrees(found, wanted)
    # the comparison is worth something: a turned, shifted or half empty screen is not taken for the same
    assert not agrees(found[::-1], wanted)
    assert not agrees(np.roll(found, 3, axis=1), wanted)
    assert not agrees(found * np.array([1, 0.5, 1]), wanted)


def test_the_two_scenes_differ():
    north_up, mirrored = (np.asarray(Image.open(FOLDER / f"{name}.png"), float) for name in SCENES)
    assert not agrees(north_up, mirrored)

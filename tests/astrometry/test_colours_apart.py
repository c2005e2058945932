"""Red and blue of a colour frame against green: offsets that are there are found, and none invented."""

import numpy as np
import pytest

from appulse.astrometry.detection import survey_frame
from appulse.frames.frame import SolvedFrame
from invented_frames import GAIN, READ_E, SKY_E, ZERO_E, add_point, make_frame, star_field, tan_wcs

SHAPE = (220, 260)


def colour_frame(seed, red=(0.0, 0.0), blue=(0.0, 0.0), n_stars=40):
    """A frame of three planes, its stars displaced in red and blue, each of a colour of its own."""
    rng = np.random.default_rng(seed)
    wcs = tan_wcs(SHAPE)
    table, x, y = star_field(rng, n_stars, SHAPE, wcs)
    tints = rng.uniform(0.6, 1.4, (n_stars, 3))
    planes = []
    for k, (dx, dy) in enumerate((red, (0.0, 0.0), blue)):
        canvas = np.full(SHAPE, SKY_E)
        for px, py, g, tint in zip(x, y, table.g, tints, strict=True):
            add_point(canvas, px + dx, py + dy, tint[k] * 10 ** (0.4 * (ZERO_E - g)), 2.8)
        planes.append((rng.poisson(canvas) + rng.normal(0, READ_E, SHAPE)) / GAIN)
    return SolvedFrame.from_arrays(np.array(planes, dtype=np.float32), wcs)


def colours_note(frame):
    return [note for note in survey_frame(frame).notes if note.startswith("colours")]


def test_planes_that_lie_apart_are_noted_with_their_offsets():
    (note,) = colours_note(colour_frame(3, red=(0.4, -0.2), blue=(-0.5, 0.3)))
    assert note.startswith("colours lie apart")
    numbers = [float(word.strip("(),")) for word in note.split() if word.strip("(),")[:1] in "+-"]
    assert numbers[:4] == pytest.approx([0.4, -0.2, -0.5, 0.3], abs=0.05)


@pytest.mark.parametrize("seed", range(4, 8))
def test_planes_on_each_other_are_said_to_be(seed):
    (note,) = colours_note(colour_frame(seed))
    assert note.startswith("colours: red and blue lie on green within")


def test_nothing_is_said_of_a_frame_of_one_plane_or_of_few_stars():
    assert not colours_note(make_frame(np.random.default_rng(9), shape=SHAPE, n_stars=40)[0])
    assert not colours_note(colour_frame(10, n_stars=2))

"""Pieces of the search for movers, each by a case whose answer is known."""

import numpy as np
import pytest
from scipy import fft

from appulse.movers.difference_images import Matching, plain, vertex
from appulse.movers.linking import candidate_lines, without_shared
from appulse.movers.mover_search import Mover, mover_table
from appulse.movers.smoothed_frames import Kernel, PointImage, mended


def test_the_plain_matching_changes_nothing():
    plane = np.arange(80.0, dtype=np.float32).reshape(8, 10)
    settled = plane.copy()
    plain(plane.shape).settle(settled, [slice(0, 8)])
    assert np.array_equal(settled, plane)


def test_a_frame_is_matched_in_strips_as_in_one_piece():
    rng = np.random.default_rng(5)
    whole = rng.normal(size=(20, 12)).astype(np.float32)
    strips = whole.copy()
    matching = Matching(rng.normal(size=(7, 3)), whole.shape)
    matching.settle(whole, [slice(0, 20)])
    matching.settle(strips, [slice(0, 7), slice(7, 14), slice(14, 20)])
    assert np.array_equal(whole, strips)


def test_a_lone_bad_pixel_in_a_point_is_mended():
    y, x = np.mgrid[0:11, 0:11]
    point = np.exp(-0.5 * ((x - 5) ** 2 + (y - 5) ** 2) / 1.2**2).astype(np.float32)
    bad = np.zeros(point.shape, bool)
    bad[5, 5] = bad[0, 3] = True
    bad[8:10, 8:10] = True
    found = mended(np.where(bad, np.float32(500.0), point), bad)
    assert found[5, 5] == pytest.approx(1.0, abs=0.12)
    assert found[bad].sum() == found[5, 5]  # the others are left empty
    assert np.array_equal(found[~bad], point[~bad])


def test_the_top_of_a_parabola():
    assert vertex(0.0, 1.0, 1.0) == 0.5


def test_three_places_on_a_line_are_one_candidate():
    rows = [np.array([[10.0 * t, 0.0, 0.1, 9.0]]) for t in range(3)]
    found = candidate_lines(rows, np.array([0.0, 1.0, 2.0]), 60.0, 3)
    assert found == [(((0, 0), (1, 0), (2, 0)), 0.0)]


def test_the_first_of_two_lines_keeps_a_shared_detection():
    assert len(without_shared([(((0, 1), (1, 1)), 1.0), (((0, 1), (1, 2)), 2.0)])) == 1


def test_a_mover_is_a_row():
    assert len(mover_table([Mover(1.0, 2.0, 30.0, 90.0, 0.1, ((0, 1.0, 2.0),), 1.0, 9.0)])) == 1


def test_gaussians_add_their_variances():
    assert PointImage(1.5, 1.5, None).width == pytest.approx(3.0**0.5, abs=1e-4)


def test_a_gaussian_kernel_is_what_the_frame_lacks_in_width():
    wider = Kernel(PointImage(2.0, 2.0, None), np.eye(2), 2.0 * np.eye(2)).transfer((64, 64))
    frequency2 = np.add.outer(fft.fftfreq(64) ** 2, fft.rfftfreq(64) ** 2)
    assert np.allclose(wider, np.exp(-2 * np.pi**2 * 2.0 * frequency2))

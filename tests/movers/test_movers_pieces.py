"""Pieces of the search for movers, each by a case whose answer is known."""

import numpy as np
import pytest
from scipy import fft

from appulse.movers.difference_images import plain, vertex
from appulse.movers.linking import candidate_lines, without_shared
from appulse.movers.mover_search import Mover, mover_table
from appulse.movers.smoothed_frames import Kernel, PointImage


def test_the_plain_matching_changes_nothing():
    plane = np.arange(80.0, dtype=np.float32).reshape(8, 10)
    assert plain(plane.shape).apply(plane, slice(4, 5), slice(2, 5)).tolist() == [[42.0, 43.0, 44.0]]


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

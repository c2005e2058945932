"""Affine maps into a WCS, blanks filled before a spline: each by a case whose answer is known."""

import numpy as np
import pytest
from astropy.wcs import WCS

from appulse.errors import InputError
from appulse.registration.alignment import fit_affine, folded, pinned, wcs_pinned
from appulse.registration.resampling import PixelMap, Spline, filled, nearest_pixel

MATRIX, SHIFT = np.array([[1.001, 0.002], [-0.002, 1.0]]), np.array([3.0, -1.0])


@pytest.fixture(scope="module")
def wcs():
    wcs = WCS(naxis=2)
    wcs.wcs.ctype, wcs.wcs.crval, wcs.wcs.crpix = ["RA---TAN", "DEC--TAN"], [246.4, -24.2], [50.5, 50.5]
    wcs.wcs.cd = [[-0.001, 0.0002], [0.0002, 0.001]]
    wcs.wcs.set()
    return wcs


def test_an_affine_map_is_found():
    places = np.random.default_rng(2).uniform(0, 500, (30, 2))
    moved = places @ [[1.0, 1e-3], [-1e-3, 1.0]] + 2.0
    matrix, shift, used = fit_affine(places, moved, np.full(30, 0.02))
    assert np.allclose(matrix, [[1.0, -0.001], [0.001, 1.0]], atol=1e-4)
    assert np.allclose(shift, 2.0, atol=1e-3)
    assert used.all()


def test_a_folded_wcs_sees_through_the_map(wcs):
    there = MATRIX @ [20.0, 30.0] + SHIFT
    seen = folded(wcs, MATRIX, SHIFT).all_pix2world(20.0, 30.0, 0)
    assert np.allclose(seen, wcs.all_pix2world(*there, 0), rtol=0, atol=1e-10)


def test_a_pinned_wcs_comes_back_to_the_last_digit(wcs):
    moved = folded(wcs, MATRIX, SHIFT)
    again = wcs_pinned(wcs, pinned(moved))
    assert (again.wcs.crpix == moved.wcs.crpix).all()
    assert (again.wcs.cd == moved.wcs.cd).all()
    with pytest.raises(InputError, match="does not fit"):
        wcs_pinned(wcs, {"crpix": [1.0, 1.0], "pc": np.eye(2).tolist()})


def test_a_blank_pixel_is_filled_from_its_neighbours():
    plane = np.full((20, 20), 5.0, np.float32)
    plane[3, 4] = np.nan
    assert filled(plane, ~np.isfinite(plane))[3, 4] == 5.0


TOL_MAP_PX = 2e-3
"""What cubic interpolation between nodes 64 px apart leaves of a distortion of 10 px."""


def test_a_map_follows_a_distortion():
    def to_frame(gx, gy):
        r2 = ((gx - 500) ** 2 + (gy - 400) ** 2) / 640.0**2
        return gx + 3.5 + 10 * r2 * (gx - 500) / 640, gy - 2.0 + 10 * r2 * (gy - 400) / 640

    where = PixelMap.through(to_frame, (800, 1000)).rows(100, 300, 1000)
    gx, gy = np.meshgrid(np.arange(1000.0), np.arange(100.0, 300.0))
    x, y = to_frame(gx, gy)
    assert np.abs(where - [y, x]).max() < TOL_MAP_PX


def test_a_spline_gives_back_its_pixels():
    plane = np.random.default_rng(3).normal(size=(30, 40)).astype(np.float32)
    where = np.mgrid[0:30, 0:40].astype(float)
    assert np.allclose(Spline(plane).read(where), plane, atol=1e-5)
    rows, columns = nearest_pixel(np.array([[-0.7, 3.4, 29.9], [2.5, 39.2, 41.0]]), plane.shape)
    assert (rows.tolist(), columns.tolist()) == ([0, 3, 29], [3, 39, 39])

"""The model image against error functions and brute force."""

import numpy as np
import pytest

from appulse.astrometry.psf import POINT, PSF, Trail, pixel_image
from invented_frames import add_point, add_trail

TOL_QUADRATURE = 2e-4
"""Of the peak: Gauss-Legendre points per pixel."""


def image(psf, x, y, size=41, trail=POINT):
    rows, columns = np.mgrid[0:size, 0:size]
    return [v.reshape(size, size) for v in pixel_image(psf, x, y, columns.ravel(), rows.ravel(), trail)]


@pytest.mark.parametrize("fwhm", [1.2, 1.8, 2.0, 3.0, 5.0])
def test_round_gaussian_is_the_product_of_error_functions(fwhm):
    exact = np.zeros((41, 41))
    add_point(exact, 20.3, 19.6, 1.0, fwhm)
    assert np.abs(image(PSF.round(fwhm), 20.3, 19.6)[0] - exact).max() < TOL_QUADRATURE * exact.max()


@pytest.mark.parametrize("length", [0.5, 3.0, 10.0])
@pytest.mark.parametrize("angle", [0.0, 37.0, 160.0])
def test_trail_is_a_row_of_points(length, angle):
    exact = np.zeros((41, 41))
    add_trail(exact, 20.1, 20.4, 1.0, 2.5, length, angle)
    model = image(PSF.round(2.5), 20.1, 20.4, trail=Trail.straight(length, angle))[0]
    assert np.abs(model - exact).max() < TOL_QUADRATURE * exact.max()


@pytest.mark.parametrize("psf", [PSF(1.4, 0.9, 0.3), PSF(1.4, 0.9, 0.3, beta=3.0)])
def test_slopes_are_those_of_the_image(psf):
    trail = Trail(np.array([[[-3.0, -1.0], [-1.0, -0.4]], [[1.0, 0.4], [3.0, 1.0]]]), np.array([0.5, 0.5]))
    step = 1e-4
    _, sx, sy = image(psf, 20.2, 19.7, trail=trail)
    by_x = (image(psf, 20.2 + step, 19.7, trail=trail)[0] - image(psf, 20.2 - step, 19.7, trail=trail)[0]) / (
        2 * step
    )
    by_y = (image(psf, 20.2, 19.7 + step, trail=trail)[0] - image(psf, 20.2, 19.7 - step, trail=trail)[0]) / (
        2 * step
    )
    assert sx == pytest.approx(by_x, abs=1e-7)
    assert sy == pytest.approx(by_y, abs=1e-7)


def test_segments_share_the_light_about_the_middle():
    ends = np.array([[[-4.0, 0.0], [-2.0, 0.0]], [[1.0, 0.0], [5.0, 0.0]]])
    value, _, _ = image(PSF.round(2.5), 20.0, 20.0, trail=Trail(ends, np.array([1 / 3, 2 / 3])))
    assert value.sum() == pytest.approx(1.0, abs=1e-6)
    assert (value * np.arange(41)).sum() == pytest.approx(20.0 + (-3.0 + 2 * 3.0) / 3, abs=1e-5)


def test_moffat_has_the_width_it_says():
    value = image(PSF.round(6.0, beta=3.0), 20.0, 20.0)[0]
    assert value[20, 23] / value[20, 20] == pytest.approx(0.5, abs=0.03)


@pytest.mark.parametrize("fwhm", [1.2, 2.2, 3.6, 9.0])
def test_wings_of_a_moffat_are_as_exact_as_they_are_faint(fwhm):
    value = image(PSF.round(fwhm, beta=2.5), 20.2, 19.9)[0]
    fine = (np.arange(41 * 9) - 4) / 9.0
    alpha2 = (fwhm / 2) ** 2 / (2 ** (1 / 2.5) - 1)
    distance2 = (fine - 20.2) ** 2 + (fine[:, None] - 19.9) ** 2
    exact = 1.5 / (np.pi * alpha2) * (1 + distance2 / alpha2) ** -2.5 / 81
    exact = exact.reshape(41, 9, 41, 9).sum(axis=(1, 3))
    rows, columns = np.mgrid[0:41, 0:41]
    far = np.hypot(columns - 20.2, rows - 19.9) > 6 * fwhm / 2.3548 + 1
    assert np.abs(value - exact)[far].max() < 1e-4 * exact.max()
    assert value[far].sum() == pytest.approx(exact[far].sum(), rel=1e-2)

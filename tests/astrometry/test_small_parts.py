"""The small parts that fits and searches rest on, each against what can be worked out by hand."""

import numpy as np
import pytest
from astropy import units as u
from astropy.table import Table

from appulse.astrometry.budget import _chance
from appulse.astrometry.detection import threshold_for, within
from appulse.astrometry.plate import ZeroPoint, fit_plate
from appulse.astrometry.prediction import cell
from appulse.astrometry.psf import PSF, pixel_image
from appulse.astrometry.scene import look_around
from appulse.astrometry.source_fit import phase_error
from appulse.astrometry.stamp import Noise, cut, sky_sigma


def test_a_stamp_holds_the_pixels_of_its_disc():
    assert cut(np.zeros((20, 20)), 10.0, 10.0, 3.0).good.sum() == 29


def test_photons_come_on_top_of_the_floor_which_is_at_least_the_read_noise():
    assert Noise(2.0, 10.0).variance(np.array(100.0), floor=25.0) == 75.0
    assert Noise(2.0, 10.0).variance(np.array(0.0), floor=1.0) == 25.0


def test_sources_do_not_reach_the_scatter_of_the_sky():
    sky = np.random.default_rng(1).normal(100.0, 2.0, 4000)
    assert sky_sigma(np.append(sky, np.full(400, 500.0))) == pytest.approx(2.0, abs=0.2)


def test_pixel_phase_matters_where_the_image_is_undersampled():
    assert phase_error(PSF.round(1.2)) > 10 * phase_error(PSF.round(2.5))


def test_rows_within_a_radius():
    assert len(within(Table({"x": [1.0, 9.0], "y": [2.0, 2.0]}), 0.0, 0.0, 3.0)) == 1


def test_a_wider_search_asks_for_more():
    psf = PSF.round(3.0)
    assert 4.0 <= threshold_for(3.0, psf) < threshold_for(60.0, psf) < 5.5


def test_a_faint_star_is_found_and_pure_sky_is_empty():
    rows, columns = np.mgrid[0:90, 0:90]
    star, _, _ = pixel_image(PSF.round(3.0), 48.0, 43.0, columns.ravel(), rows.ravel())
    sky = np.random.default_rng(7).normal(10.0, 1.0, (90, 90))
    for data, count in ((sky + 60.0 * star.reshape(90, 90), 1), (sky, 0)):
        scene = look_around(data, 45.0, 45.0, 6.0, PSF.round(3.0), Noise(1.0))
        assert len(scene.search(45.0, 45.0, 6.0).candidates) == count


def test_twelve_stars_of_a_shifted_plate_carry_a_shift():
    rng = np.random.default_rng(8)
    x, y = rng.uniform(0, 1000, (2, 12))
    offsets = np.array([0.3, -0.2]) + rng.normal(0, 0.01, (12, 2))
    model, used = fit_plate(x, y, offsets, np.full((12, 2), 0.01), (500.0, 500.0), 500.0)
    assert model.order == 0
    assert used.all()
    assert model.at(500.0, 500.0)[0] == pytest.approx([0.3, -0.2], abs=0.02)


def test_numbers_of_a_row():
    assert np.isnan(cell({"ra": 1.0 * u.rad}, "dec", u.deg))
    assert cell({"ra": 90.0}, "ra", u.deg) == 90.0
    assert cell({"ra": 1.0 * u.rad}, "ra", u.deg) == pytest.approx(57.29578)


def test_a_chance_is_not_read_beyond_one_in_a_million():
    assert (_chance(0.32), _chance(0.0)) == ("0.32", "below 1e-06")


def test_a_hundred_units_are_five_magnitudes_brighter_than_the_zero_point():
    zero = ZeroPoint(20.0, 0.03, 10)
    assert zero.magnitude(100.0, 4.0) == (15.0, pytest.approx(np.hypot(0.03, 1.0857 * 0.04)))
    assert zero.flux(15.0) == pytest.approx(100.0)

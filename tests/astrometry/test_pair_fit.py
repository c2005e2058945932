"""A body closer to a star in no list than their images can part, on invented frames."""

from dataclasses import replace

import numpy as np
import pytest

from appulse.astrometry.psf import PSF
from appulse.astrometry.residual import SURE
from appulse.astrometry.source_fit import core_misfit
from appulse.frames import read_frame
from appulse.workflows import measure_frame, measure_night, open_bodies, open_stars
from invented_nights import NightPlan, make_night

PLAIN = NightPlan(seed=5, frames=1, shape=(220, 260), stars=60, snr=100.0)


def measured(plan, folder):
    """What came of the one frame of a night, and how far off it is in x and y, px."""
    night = make_night(plan, folder)
    bodies = open_bodies("2099 AB1", positions=night.positions)
    residual = measure_frame(read_frame(night.frames[0]), bodies, open_stars(night.stars)).residuals[0]
    truth = night.truths[0]
    return residual, np.array([residual.x - truth.x, residual.y - truth.y])


@pytest.mark.parametrize("distance", [0.7, 1.1])
@pytest.mark.parametrize("mosaic", ["", "RGGB"])
def test_of_two_points_that_blend_the_sigma_holds_both(tmp_path, distance, mosaic):
    neighbours = ((distance, 40.0, 0.5, False),)
    residual, off = measured(replace(PLAIN, neighbours=neighbours, mosaic=mosaic), tmp_path)
    # One point for both lay a fifth of a FWHM off, at ten and more of its sigmas.
    assert residual.fit.rival is not None
    assert residual.fit.rival.odds < SURE
    assert off @ np.linalg.solve(residual.fit.cov, off) < 11.8
    assert np.hypot(*off) < 0.1 * PLAIN.fwhm_px
    assert "in no list" in residual.flag
    assert "sigmas widened" in residual.flag
    assert residual.snr > 20


def test_a_point_alone_is_no_pair(tmp_path):
    residual, off = measured(PLAIN, tmp_path)
    assert residual.fit.rival is None
    assert residual.flag == ""
    assert off @ np.linalg.solve(residual.fit.cov, off) < 11.8


def test_what_a_star_image_misses_in_its_core_counts_there():
    rows, columns = np.mgrid[-10:11, -10:11]
    psf = PSF.round(1.6)
    light = np.exp(-0.5 * (columns**2 + rows**2) / psf.sigma**2).ravel()
    squares, used = np.ones(light.size), np.ones(light.size, bool)
    assert core_misfit(light, squares, used, psf) == 1.0
    squares[light > 0.1] = 60.0
    # Over all pixels of the stamp chi-squared is 1.7 of a degree of freedom.
    assert core_misfit(light, squares, used, psf) > 20.0


@pytest.mark.parametrize("misplaced", [False, True])
def test_other_frames_tell_which_of_two_is_the_star(tmp_path, misplaced):
    plan = replace(PLAIN, frames=3, neighbours=((1.1, 40.0, -0.3, False),), rate_arcsec_h=90.0)
    if misplaced:
        # The prediction points at the star: a single frame takes that for the body.
        step = 1.1 * plan.fwhm_px * plan.scale_arcsec
        offset = -step * np.sin(np.radians(40.0)), -step * np.cos(np.radians(40.0))
        plan = replace(plan, offset_arcsec=offset)
    night = make_night(plan, tmp_path)
    bodies = open_bodies("2099 AB1", positions=night.positions)
    measured = measure_night(night.frames, bodies, open_stars(night.stars))
    single, told, truth = measured.measured[1].residuals[0], measured.residuals[1], night.truths[1]
    off = np.array([told.x - truth.x, told.y - truth.y])
    assert single.fit.rival is not None
    assert told.fit.rival is None
    assert told.flag == ""
    assert np.hypot(*off) < 0.15 * PLAIN.fwhm_px
    assert off @ np.linalg.solve(told.fit.cov, off) < 11.8
    assert told.sigma_sky[0] < 0.5 * single.sigma_sky[0]


def test_what_may_be_two_points_has_the_sigma_of_both(tmp_path):
    # A star as bright at 0.7 FWHM, S/N 19: the pixels do not settle whether there are two.
    plan = NightPlan(seed=551, frames=1, shape=(200, 220), stars=70, cosmic_rays=0, fwhm_px=4.408, snr=19.08)
    residual, off = measured(plan, tmp_path)
    # One point lay ten of its sigmas off.
    assert np.all(np.abs(off) < 3 * np.sqrt(np.diag(residual.fit.cov)))
    assert "sigmas widened" in residual.flag

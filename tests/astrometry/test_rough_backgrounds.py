"""Rough backgrounds and doubtful widths: sigmas that say so, and pixels that are no cosmic rays."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from appulse.astrometry.psf import POINT, PSF
from appulse.astrometry.source_fit import ProfileFit, beyond_quartic, fit_source, phase_error
from appulse.astrometry.stamp import Noise, cut
from appulse.errors import MeasurementError
from invented_frames import add_point

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
import bench_centroid_pulls as pulls


def quartic_fit(scene, seed):
    rng = np.random.default_rng(seed)
    canvas = np.full((pulls.SIZE, pulls.SIZE), pulls.SKY_E)
    scene[0](canvas, 19.2, 18.9, rng)
    data = rng.poisson(canvas) / pulls.GAIN
    fit = ProfileFit(
        cut(data, 19.0, 19.0, 5.1), 19.0, 19.0, 4, (), PSF.round(3.0), Noise(pulls.GAIN), POINT, False, 5.0
    )
    fit.run()
    return fit


def added(scene):
    """Median share of the variance that is added for what a quartic leaves out, over seeded fits."""
    fits = [quartic_fit(scene, seed) for seed in range(12)]
    return np.median(
        [np.trace(beyond_quartic(f)[1]) / np.trace(np.linalg.pinv(f.normal)[:2, :2]) for f in fits]
    )


def test_a_smooth_background_costs_nothing_and_a_rough_one_its_share():
    smooth, rough = added(pulls.exponential(100, 12)), added(pulls.arm(1500, 12))
    assert smooth < 0.03
    assert 0.15 < rough < 1.5


def test_a_place_where_only_a_poor_fit_settles_is_refused_or_has_little_signal():
    """Between knots of an arm twice as bright as the body: no confident place pixels away from it."""
    scene, refused = pulls.SCENES["arm, peak 1500 e, 12 px from centre"], 0
    rng = np.random.default_rng(20270506)
    for _ in range(35):
        try:
            _, pull, fit = pulls.trial(scene, rng)
        except MeasurementError:
            refused += 1
            continue
        assert np.abs(pull).max() < 5.0 or fit.snr < 5.0
    assert refused < 35


def test_a_core_wider_than_the_psf_is_not_taken_for_cosmic_rays():
    rng = np.random.default_rng(8)
    canvas = np.full((31, 31), 400.0)
    add_point(canvas, 15.3, 14.8, 20_000.0, 1.5 * 1.15)
    data = rng.poisson(canvas) / 1.5
    known = fit_source(data, 15.0, 15.0, PSF.round(1.5), Noise(1.5))
    doubtful = fit_source(data, 15.0, 15.0, replace(PSF.round(1.5), width_error=0.1), Noise(1.5))
    assert known.n_rejected > 0
    assert doubtful.n_rejected == 0


@pytest.mark.parametrize("fwhm", [1.2, 1.5])
def test_a_bright_undersampled_source_leans_less_on_its_core(fwhm):
    psf = PSF.round(fwhm)
    assert 0.5 * phase_error(psf) < phase_error(psf, contrast=30.0) < 0.9 * phase_error(psf)
    assert phase_error(psf, contrast=-1.0) == phase_error(psf)

"""A clouded frame is graded among residuals as among pictures: flagged, and left out of the verdict."""

import numpy as np
import pytest

from appulse.astrometry import residual_table
from appulse.workflows import measure_night, open_bodies, open_stars
from invented_nights import NightPlan, make_night


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """Four frames, the third through cloud."""
    plan = NightPlan(seed=5, frames=4, shape=(220, 280), stars=60, snr=80.0, clouds=(1.0, 0.95, 0.3, 0.9))
    made = make_night(plan, tmp_path_factory.mktemp("clouds"))
    bodies = open_bodies("2099 AB1", None, made.positions)
    return measure_night(made.frames, bodies, open_stars(made.stars))


def test_a_clouded_frame_is_left_out_with_its_reason(night):
    assert list(night.left_out) == ["night_3.fits"]
    flags = {residual.frame: residual.flag for residual in night.residuals}
    assert "not in the verdict: clouded" in flags["night_3.fits"]
    assert not any("clouded" in flag for name, flag in flags.items() if name != "night_3.fits")
    assert all(residual.seen for residual in night.residuals)  # measured it is
    judged = set(night.verdict.night.frame)
    assert "night_3.fits" not in judged


def test_o_c_has_its_sigma_with_the_plate_and_without(night):
    table = residual_table(night.residuals)
    own, plate = np.asarray(table["sigma_ra"]), np.asarray(table["sigma_plate_ra"])
    assert np.allclose(table["sigma_dra_plate"], np.hypot(own, plate), atol=2e-4)
    size = np.hypot(table["along_plate"], table["across_plate"])
    assert np.allclose(size, np.hypot(table["dra_plate"], table["ddec_plate"]), atol=3e-4)
    pulls = np.array([table["dra_plate"] / table["sigma_dra_plate"]])
    assert np.abs(pulls).max() < 4.5

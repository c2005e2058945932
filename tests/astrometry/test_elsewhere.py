"""A body that is not at its place is asked about where a wrong longitude or a wrong hour would show it."""

import numpy as np
import pytest

from appulse.astrometry.elsewhere import look_elsewhere, question
from appulse.astrometry.plate import check_plate, zero_point
from appulse.astrometry.prediction import Prediction
from appulse.catalogues import read_star_table
from appulse.frames import read_frame
from invented_nights import NightPlan, make_night

OFF_ARCSEC = np.array([52.0, -31.0])
"""Where the body stands, east and north of the place by the header's site and time."""
SEARCHED_PX = 5.0


@pytest.fixture(scope="module")
def questions(tmp_path_factory):
    """Words about a prediction whose place is off by so much: a function of its rates and its parallax."""
    plan = NightPlan(frames=1, shape=(240, 260), stars=60, snr=60.0, seed=14)
    night = make_night(plan, tmp_path_factory.mktemp("elsewhere"))
    frame = read_frame(night.frames[0])
    plate = check_plate(frame, read_star_table(night.stars))
    truth = night.truths[0]
    ra = truth.ra - OFF_ARCSEC[0] / 3600 / np.cos(np.radians(truth.dec))
    dec = truth.dec - OFF_ARCSEC[1] / 3600

    def ask(*rates, **more):
        prediction, place = Prediction("x", ra, dec, *rates, **more), plate.true_pixel(ra, dec)
        places, _ = look_elsewhere(frame, plate, prediction, place, SEARCHED_PX, zero_point(plate))
        return question(places)

    return ask


def test_the_other_longitude_is_asked_about(questions):
    mirror = np.array([0.0, 4000.0, 0.0])
    parallax = np.zeros((2, 3))
    parallax[:, 1] = OFF_ARCSEC / mirror[1]
    words = questions(8.0, 3.0, parallax=parallax, mirror_km=mirror)
    assert "seen from the opposite longitude" in words
    assert "--site LON,LAT,HEIGHT" in words
    assert "longitude" not in questions(8.0, 3.0, parallax=-parallax, mirror_km=mirror)


@pytest.mark.parametrize(("sign", "words"), [(1.0, "ahead: is DATE-OBS"), (-1.0, "behind: is DATE-OBS")])
def test_an_hour_of_motion_is_asked_about(questions, sign, words):
    asked = questions(*(sign * OFF_ARCSEC))
    assert f"60 min of motion {words}" in asked
    assert f"--time-shift {'+' if sign > 0 else '-'}1h" in asked

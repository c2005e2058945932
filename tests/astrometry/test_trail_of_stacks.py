"""The trail's mean light lies at the time that the frame calls its middle, however the light was spread."""

from types import SimpleNamespace

import numpy as np
import pytest
from astropy.time import Time, TimeDelta
from numpy.testing import assert_allclose

from appulse.astrometry.prediction import pixel_trail
from appulse.frames.exposure import Exposure

START = Time("2027-05-04T22:00:00", scale="utc")
MOVING = SimpleNamespace(rate=60.0, ra_rate=60.0, dec_rate=0.0)


def at(seconds):
    return START + TimeDelta(seconds, format="sec")


def frame(exposure):
    return SimpleNamespace(exposure=exposure, jacobian=lambda x, y: np.array([[-2.0, 0.0], [0.0, 2.0]]))


@pytest.mark.parametrize("mid", [400.0, 500.0, 560.0, 690.0])
def test_a_stack_with_a_middle_of_its_own(mid):
    """Start, end and weighted middle given, single exposures not: 60 arcsec/h, 2 arcsec/px, 1000 s."""
    exposure = Exposure(start=at(0), end=at(1000), mid=at(mid), seconds=600.0, n_sub=10)
    trail = pixel_trail(frame(exposure), 0.0, 0.0, MOVING)
    mean = (trail.weights[:, None] * trail.ends.mean(axis=1)).sum(axis=0)
    assert_allclose(mean, 0.0, atol=1e-9)
    assert_allclose(trail.weights.sum(), 1.0)
    assert_allclose(trail.length, 60.0 / 3600 * 1000 / 2.0, rtol=1e-9)


def test_listed_exposures_win():
    exposure = Exposure.from_intervals([(at(0), at(100)), (at(900), at(1000))])
    trail = pixel_trail(frame(exposure), 0.0, 0.0, MOVING)
    assert len(trail.weights) == 2
    assert_allclose((trail.weights[:, None] * trail.ends.mean(axis=1)).sum(axis=0), 0.0, atol=1e-9)


def test_only_long_pauses_leave_the_middle_in_doubt():
    even = Exposure(start=at(0), end=at(1378.5), mid=at(689), seconds=1200.0, n_sub=120)
    holes = Exposure(start=at(0), end=at(1800), mid=at(816), seconds=600.0, n_sub=5)
    assert even.middle_sigma_s == 0.0
    assert_allclose(holes.middle_sigma_s, 1200 / np.sqrt(60))
    assert Exposure.from_mid(START, 120.0).middle_sigma_s == 0.0

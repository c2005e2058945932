"""Verdicts on seeded nights with a planted cause."""

import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from appulse.astrometry.night_offsets import fit_motion, gather
from appulse.astrometry.verdict import judge

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
import bench_verdict as nights

NIGHTS = 8


@pytest.mark.parametrize("case", sorted(nights.CASES))
def test_planted_cause_is_named(case):
    make, right = nights.CASES[case]
    rng = np.random.default_rng(61)
    said = Counter(judge(make(rng)).cause for _ in range(NIGHTS))
    assert sum(said[cause] for cause in right) >= NIGHTS - 2, said


def test_clock_offset_has_its_sign_and_size():
    verdict = judge(nights.night(np.random.default_rng(62), clock=20.0))
    assert abs(verdict.clock_offset_s - 20.0) < 4 * verdict.clock_sigma_s
    assert "clock or orbit" in verdict.sentence.lower()


def test_every_alternative_shows_its_chi_squared():
    verdict = judge(nights.night(np.random.default_rng(63), plate=(0.3, 0.0)))
    assert {"all well", "clock", "orbit", "plate", "not this body"} <= set(verdict.alternatives["cause"])
    assert np.isfinite(verdict.alternatives["chi2"]).all()
    assert abs(verdict.plate_offset[0] - 0.3) < 0.03


def test_plate_and_clock_together():
    verdict = judge(
        nights.night(np.random.default_rng(64), plate=(0.8, -0.5), clock=60.0, prior=(0.05, 0.05))
    )
    assert verdict.cause == "clock"
    assert verdict.plate_off
    assert "plate" in verdict.sentence


def test_an_outlier_is_named():
    night = gather(nights.night(np.random.default_rng(65), outlier=1.5))
    assert night.outliers == ["f03.fits"]


def test_measured_rate_and_direction():
    drift = nights.direction(1.0, 3.0)
    motion = fit_motion(gather(nights.night(np.random.default_rng(66), drift=drift)))
    assert abs(motion.rate - np.hypot(63.0, 1.0)) < 4 * motion.sigma_rate
    assert abs(motion.motion_pa - (nights.PA + np.degrees(1 / 63))) < 4 * motion.sigma_pa
    assert not motion.curved


def test_a_drifting_clock_is_noticed_in_words_with_its_size():
    verdict = judge(nights.night(np.random.default_rng(67), clock=10.0, clock_drift=8.0))
    drift, sigma = verdict.clock_drift
    assert verdict.cause == "clock or orbit"
    assert verdict.drifts
    assert abs(drift - 8.0) < 4 * sigma < 8.0
    assert abs(verdict.clock_offset_s - 10.0) < 4 * verdict.clock_sigma_s
    assert "s of motion an hour: a clock that drifts, or an orbit whose rate is off" in verdict.sentence
    assert "clock drift" in verdict.alternatives["cause"]


def test_a_second_body_tells_a_drifting_clock_from_an_orbit():
    def both(second):
        rng = np.random.default_rng(68)
        first = nights.night(rng, clock_drift=8.0)
        return judge(first + nights.night(rng, clock_drift=second, name="12", rate=150.0, pa=100.0))

    common, own = both(8.0), both(0.0)
    assert common.cause == "clock"
    assert "the clock drifts" in common.sentence
    assert own.cause == "orbit"
    assert own.body == "7"
    assert "the orbit's rate is off as well" in own.sentence


def test_no_drift_is_spoken_of_where_there_is_none():
    for seed in range(10):
        verdict = judge(nights.night(np.random.default_rng(seed), clock=20.0))
        assert not verdict.drifts
        assert "changes by" not in verdict.sentence
        assert np.isfinite(verdict.clock_drift).all()


def test_two_frames_show_no_drift():
    assert np.isnan(judge(nights.night(np.random.default_rng(70), frames=2)).clock_drift).all()


def test_bodies_of_one_frame_each_do_not_tell_a_drifting_clock_from_their_orbits():
    """Several times, but no body with a rate of its own: nothing there is to tell 'not this body' from."""
    frames = nights.night(np.random.default_rng(69), clock=10.0, clock_drift=40.0)[::6][:4]
    alone = [replace(one, designation=f"body {k}") for k, one in enumerate(frames)]
    verdict = judge(alone)
    assert "not this body" not in verdict.alternatives["cause"]
    assert verdict.drifts
    assert verdict.cause == "clock or orbit"

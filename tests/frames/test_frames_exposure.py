"""Exposures: order, gaps, weights; and the sample night's times as they were put in."""

import numpy as np
import pytest
import yaml
from astropy.time import Time
from hypothesis import given, settings
from hypothesis import strategies as st

from appulse.errors import FrameTimeError
from appulse.frames.exposure import Exposure
from appulse.frames.reading import read_frame

TOL_MILLISECOND_S = 1e-3
ZERO = Time("2027-05-04T22:00:00", scale="utc")


def at(seconds):
    return Time(ZERO.jd1, ZERO.jd2 + seconds / 86400.0, format="jd", scale="utc")


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(0.0, 300.0), st.floats(0.5, 300.0)), min_size=1, max_size=8))
def test_middle_is_weighted_with_the_light(gaps_and_lengths):
    clock, intervals, moments = 0.0, [], []
    for gap, length in gaps_and_lengths:
        intervals.append((at(clock + gap), at(clock + gap + length)))
        moments.append((clock + gap + length / 2, length))
        clock += gap + length
    stack = Exposure.from_intervals(intervals[::-1])
    centres, lengths = np.array(moments).T
    assert (stack.mid - ZERO).sec == pytest.approx(
        np.average(centres, weights=lengths), abs=TOL_MILLISECOND_S
    )
    assert stack.seconds == pytest.approx(lengths.sum(), abs=TOL_MILLISECOND_S)
    assert stack.n_sub == len(lengths)
    assert stack.start <= stack.mid <= stack.end
    spread = (stack.moments(2000) - ZERO).sec
    assert np.mean(spread) == pytest.approx((stack.mid - ZERO).sec, abs=0.002 * stack.span_s)


@pytest.mark.parametrize(
    ("intervals", "words"),
    [
        ([], "empty"),
        ([(at(10.0), at(5.0))], "before it begins"),
        ([(at(0.0), at(10.0)), (at(5.0), at(20.0))], "overlap"),
    ],
)
def test_bad_intervals(intervals, words):
    with pytest.raises(FrameTimeError, match=words):
        Exposure.from_intervals(intervals)


@pytest.mark.parametrize(
    ("start", "mid", "end", "seconds", "words"),
    [
        (0.0, 70.0, 60.0, 60.0, "out of order"),
        (10.0, 5.0, 60.0, 10.0, "out of order"),
        (0.0, 30.0, 60.0, 61.0, "cannot be collected"),
        (0.0, 30.0, 60.0, -1.0, "seconds >= 0"),
        (0.0, 30.0, 60.0, float("nan"), "seconds >= 0"),
    ],
)
def test_impossible_exposures(start, mid, end, seconds, words):
    with pytest.raises(FrameTimeError, match=words):
        Exposure(at(start), at(end), at(mid), seconds)


def test_across_a_leap_second():
    exposure = Exposure.from_start(Time("2016-12-31T23:59:50", scale="utc"), 20.0)
    assert exposure.end.isot == "2017-01-01T00:00:09.000"
    assert exposure.mid.isot == "2016-12-31T23:59:60.000"


def test_clock_correction_moves_everything():
    stack = Exposure.from_intervals([(at(0.0), at(10.0)), (at(20.0), at(30.0))]).shifted(95.0)
    assert (stack.intervals[1][0] - ZERO).sec == pytest.approx(115.0, abs=TOL_MILLISECOND_S)
    assert (stack.mid - ZERO).sec == pytest.approx(110.0, abs=TOL_MILLISECOND_S)
    assert "+95 s" in stack.derivation


def test_sample_night(sample_data):
    answers = yaml.safe_load((sample_data / "answers.yaml").read_text())["frames"]
    for name, answer in answers.items():
        frame = read_frame(sample_data / name)
        recorded = Time(answer["time_recorded"], scale="utc")
        assert abs((frame.exposure.mid - recorded).sec) < 2 * TOL_MILLISECOND_S, name
        assert frame.observer.geodetic[1] == pytest.approx(-23.0)
        assert frame.pixel_scale == pytest.approx(3.6, rel=1e-4)

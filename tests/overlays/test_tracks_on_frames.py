"""Tracks on frames of every kind, of a body whose path is known."""

import dataclasses

import numpy as np
import pytest
from astropy.table import Table
from astropy.time import Time, TimeDelta
from hypothesis import given, settings
from hypothesis import strategies as st
from sky_frames import FRAMES, MID, SHAPE, Mover, make_frame

from appulse.bodies.tabulated import TabulatedEphemeris
from appulse.errors import FrameSiteError, FrameTimeError, TimeError
from appulse.frames.exposure import Exposure
from appulse.overlays.track import track_in_frame, tracks_in_frame

TOL_LINE_PX = 0.05
"""Asked of a track's polyline."""
TOL_EDGE_PX = 0.1
"""Crossing times are interpolated along a line good to half of this."""


def mover(frame, x=200.0, y=150.0, rate=60.0, pa=75.0, **more):
    ra, dec = (float(v) for v in frame.to_sky(x, y))
    return Mover(ra, dec, rate, pa, **more)


def truth(frame, body, hours):
    return np.stack(frame.to_pixel(*body.sky(np.atleast_1d(hours))), axis=1)


def hours_of(times):
    return np.array((times - MID).to_value("h"), dtype=float)


@pytest.mark.parametrize("name", FRAMES)
@pytest.mark.parametrize("bend", [0.0, 6.0])
def test_line_follows_the_path(name, bend):
    frame = make_frame(name)
    # Crosses the frame in some hours whatever its scale.
    body = mover(frame, rate=60.0 * frame.pixel_scale, bend=bend * frame.pixel_scale)
    track = track_in_frame(frame, body, "7")
    hours = hours_of(track.times)
    for share in (0.25, 0.5, 0.75):
        between = hours[:-1] + share * np.diff(hours)
        line = np.stack([track.x, track.y], axis=1)
        straight = line[:-1] + share * np.diff(line, axis=0)
        assert np.hypot(*(truth(frame, body, between) - straight).T).max() < TOL_LINE_PX


@pytest.mark.parametrize("name", FRAMES)
def test_mid_place_is_where_the_body_is(name):
    frame = make_frame(name)
    track = track_in_frame(frame, mover(frame, 123.0, 45.0, rate=10.0), "7")
    assert (track.mid.x, track.mid.y) == pytest.approx((123.0, 45.0), abs=1e-6)
    assert abs((track.mid.time - MID).sec) < 1e-6


def test_enters_and_leaves_at_the_edge():
    frame = make_frame()
    body = mover(frame, rate=400.0, pa=80.0)
    track = track_in_frame(frame, body, "7")
    ny, nx = SHAPE
    for time in (track.enters, track.leaves):
        x, y = truth(frame, body, hours_of(time[None] if time.isscalar is False else Time([time])))[0]
        assert min(abs(x + 0.5), abs(x - nx + 0.5), abs(y + 0.5), abs(y - ny + 0.5)) < TOL_EDGE_PX
    assert track.enters < MID < track.leaves


def test_padding_is_kept_and_no_more():
    frame = make_frame()
    track = track_in_frame(frame, mover(frame, rate=400.0, pa=90.0), "7", padding_px=30.0)
    assert (track.x.min(), track.x.max()) == pytest.approx((-30.5, 429.5), abs=TOL_EDGE_PX)


def test_body_that_stays_away_has_no_track():
    frame = make_frame()
    assert track_in_frame(frame, mover(frame, 200.0, 800.0, rate=30.0, pa=90.0), "7") is None


def test_body_behind_the_sky_has_no_track():
    frame = make_frame()
    assert track_in_frame(frame, Mover(300.0, -20.0, 50.0, 30.0), "7") is None


def test_body_that_comes_later_has_its_mid_place_outside():
    frame = make_frame()
    track = track_in_frame(frame, mover(frame, 500.0, 150.0, rate=400.0, pa=90.0), "7")
    assert track.mid.x == pytest.approx(500.0)
    assert track.enters > MID


def test_fast_body_is_not_stepped_over():
    frame = make_frame()
    # Crosses the 0.8 degrees of the frame in three minutes.
    track = track_in_frame(frame, mover(frame, 900.0, 150.0, rate=60_000.0, pa=90.0), "7")
    assert track is not None
    assert (track.leaves - track.enters).sec == pytest.approx(400 * 7.2 / 60_000 * 3600, rel=0.01)


def test_times_given_are_kept():
    frame = make_frame()
    begin, end = MID - TimeDelta(1800, format="sec"), MID + TimeDelta(7200, format="sec")
    track = track_in_frame(frame, mover(frame), "7", begin=begin, end=end)
    assert (hours_of(track.times)[0], hours_of(track.times)[-1]) == pytest.approx((-0.5, 2.0), abs=1e-6)
    assert track.enters is None
    assert track.leaves is None


def test_ticks_stand_at_round_times_on_the_line():
    frame = make_frame()
    body = mover(frame, rate=400.0)
    track = track_in_frame(frame, body, "7")
    assert 3 <= len(track.ticks) <= 20
    minutes = {round((tick.time.mjd % 1) * 1440) % 30 for tick in track.ticks}
    assert minutes == {0}
    for tick in track.ticks:
        assert truth(frame, body, hours_of(Time([tick.time])))[0] == pytest.approx((tick.x, tick.y), abs=1e-4)
        assert np.isfinite(tick.angle)
    for tick in track.ticks:
        assert tick.label in (tick.time.isot[11:16], "2027-05-05")
    assert "2027-05-05" in [tick.label for tick in track.ticks]


def test_tick_step_given():
    track = track_in_frame(make_frame(), mover(make_frame(), rate=400.0), "7", tick_step=600.0)
    steps = np.diff([tick.time.mjd for tick in track.ticks]) * 86400
    np.testing.assert_allclose(steps, 600.0, atol=1e-3)


def test_labels_point_across_the_track():
    track = track_in_frame(make_frame(), mover(make_frame(), rate=400.0, pa=90.0), "7")
    # East is left: the motion is along -x, labels go up.
    assert [tick.angle for tick in track.ticks] == pytest.approx([90.0] * len(track.ticks), abs=1.0)


def test_trail_spans_the_exposure():
    frame = make_frame(exposure=Exposure.from_mid(MID, 3600.0))
    body = mover(frame, rate=360.0)
    track = track_in_frame(frame, body, "7")
    wanted = truth(frame, body, [-0.5, 0.5]).ravel()
    assert track.trail == pytest.approx(tuple(wanted), abs=1e-6)


def test_stack_has_a_trail_for_each_exposure():
    at = [MID + TimeDelta(s, format="sec") for s in (-1800, -1200, 900, 1800)]
    frame = make_frame(exposure=Exposure.from_intervals([(at[0], at[1]), (at[2], at[3])]))
    body = mover(frame, rate=360.0)
    track = track_in_frame(frame, body, "7")
    ends = [part[i] for part in track.trail_parts for i in (0, -1)]
    np.testing.assert_allclose(ends, truth(frame, body, hours_of(Time(at))), atol=1e-5)
    assert abs((track.mid.time - frame.exposure.mid).sec) < 1e-6


@pytest.mark.parametrize(("mirrored", "angle"), [(False, 120.0), (True, 60.0)])
def test_error_ellipse_in_pixels(mirrored, angle):
    frame = make_frame(mirrored=mirrored)
    track = track_in_frame(frame, mover(frame, sigma=(14.4, 7.2, 30.0)), "7")
    assert track.mid.sigma_major_px == pytest.approx(2.0, rel=1e-3)
    assert track.mid.sigma_minor_px == pytest.approx(1.0, rel=1e-3)
    assert track.mid.sigma_angle_deg == pytest.approx(angle, abs=0.05)


def test_no_covariance_no_ellipse():
    frame = make_frame()
    assert track_in_frame(frame, mover(frame), "7").mid.sigma_major_px is None


def test_frame_without_time_or_site_is_refused():
    frame = make_frame()
    with pytest.raises(FrameTimeError, match="--time"):
        track_in_frame(dataclasses.replace(frame, exposure=None), mover(frame), "7")
    with pytest.raises(FrameSiteError, match="--site"):
        track_in_frame(dataclasses.replace(frame, observer=None), mover(frame), "7")


def test_impossible_requests_are_refused():
    frame = make_frame()
    with pytest.raises(TimeError, match="before the last"):
        track_in_frame(frame, mover(frame), "7", begin=MID, end=MID)
    with pytest.raises(TimeError, match="between ticks"):
        track_in_frame(frame, mover(frame), "7", tick_step=0.0)


def table_of(frame, body, hours):
    ra, dec = body.sky(hours)
    times = [(MID + TimeDelta(h * 3600.0, format="sec")).isot for h in hours]
    return {"designation": ["7"] * len(hours), "time": times, "ra": ra, "dec": dec}


def test_table_of_places_bounds_the_track():
    frame = make_frame()
    body = mover(frame)
    places = table_of(frame, body, np.array([-2.0, -1.0, 0.0, 1.0, 2.0, 3.0]))
    track = track_in_frame(frame, TabulatedEphemeris.from_table(Table(places)), "7")
    assert (hours_of(track.times)[0], hours_of(track.times)[-1]) == pytest.approx((-2.0, 3.0), abs=1e-3)
    assert track.enters is None


def test_table_of_one_moment_gives_the_place_alone():
    frame = make_frame()
    places = table_of(frame, mover(frame), np.array([0.0]))
    del places["time"]
    track = track_in_frame(frame, TabulatedEphemeris.from_table(Table(places)), "7")
    assert len(track.x) == 1
    assert (track.mid.x, track.mid.y) == pytest.approx((200.0, 150.0), abs=1e-6)
    assert track.trail is None
    assert "mid-exposure only" in track.notes[0]


def test_only_bodies_that_come_by_are_followed():
    frame = make_frame()
    here, there = mover(frame), Mover(300.0, -20.0, 30.0, 10.0)
    places = {k: [*map(str, v)] if k in ("designation", "time") else list(v)
              for k, v in table_of(frame, here, np.linspace(-3, 3, 7)).items()}  # fmt: skip
    away = table_of(frame, there, np.linspace(-3, 3, 7))
    for key, values in away.items():
        places[key] += ["8"] * 7 if key == "designation" else list(values)
    tracks = tracks_in_frame(frame, TabulatedEphemeris.from_table(Table(places)))
    assert [track.designation for track in tracks] == ["7"]


@settings(max_examples=40, deadline=None)
@given(
    name=st.sampled_from(sorted(FRAMES)), x=st.floats(-300, 700), y=st.floats(-300, 600),
    rate=st.floats(0.0, 5000.0), pa=st.floats(0.0, 360.0),
)  # fmt: skip
def test_never_a_nan(name, x, y, rate, pa):
    frame = make_frame(name)
    ra, dec = (float(v) for v in frame.to_sky(x, y))
    if not np.isfinite(ra + dec):
        return
    track = track_in_frame(frame, Mover(ra, dec, rate, pa), "7")
    if track is not None:
        assert np.isfinite(track.x).all()
        assert np.isfinite(track.y).all()
        assert (np.diff(hours_of(track.times)) > 0).all()
        assert track.trail is None or np.isfinite(track.trail).all()

"""The scan against brute force on the same splines: complete, and nothing invented."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.interpolate import CubicSpline

from appulse.encounters.close_approaches import (
    _least_in_step,
    angle_of_chord,
    chord,
    least_separations,
    least_separations_between,
)
from appulse.errors import InputError


def looping_bodies(rng, n, time_d):
    """Directions that run and loop as minor bodies do, some across the pole and some across 0h."""
    lon0, node, tilt = rng.uniform(0, 2 * np.pi, n), rng.uniform(0, 2 * np.pi, n), rng.uniform(0, 1.5, n)
    rate = np.radians(rng.uniform(0.05, 1.0, n))
    lon = lon0[:, None] + rate[:, None] * time_d + 0.25 * np.sin(time_d / 70.0 + lon0[:, None] * 3)
    lat = np.arcsin(np.sin(tilt)[:, None] * np.sin(lon - node[:, None]))
    return np.stack([np.cos(lon) * np.cos(lat), np.sin(lon) * np.cos(lat), np.sin(lat)], -1)


def brute_force(time_d, bodies, targets, reach):
    """Minima of a finely sampled separation, parabola through the lowest three samples."""
    fine = np.arange(time_d[0], time_d[-1], 0.04)
    found = set()
    for i, body in enumerate(bodies):
        path = CubicSpline(time_d, body)(fine)
        path /= np.linalg.norm(path, axis=1, keepdims=True)
        # a matrix product is fast, and exact to a hundredth of the margin
        separation = np.arccos(np.clip(path @ targets.T, -1.0, 1.0))
        low = (separation[1:-1] < separation[:-2]) & (separation[1:-1] <= separation[2:])
        for k, j in zip(*np.nonzero(low & (separation[1:-1] <= reach * 1.02)), strict=True):
            found.add((i, j, round(fine[k + 1], 3), separation[k + 1, j]))
    return found


def test_recall_and_precision_against_brute_force():
    rng = np.random.default_rng(5)
    time_d = np.arange(0.0, 200.0)
    bodies = looping_bodies(rng, 8, time_d)
    targets = rng.normal(size=(1200, 3))
    targets /= np.linalg.norm(targets, axis=1, keepdims=True)
    reach = np.radians(rng.choice([0.1, 1.0, 4.0], len(targets)))
    found = least_separations(time_d, bodies, targets, reach)
    truth = brute_force(time_d, bodies, targets, reach)
    got = {(b, t): [] for b, t in zip(found.body, found.target, strict=True)}
    for b, t, when in zip(found.body, found.target, found.time_d, strict=True):
        got[b, t].append(when)
    sure = [row for row in truth if row[3] < reach[row[1]] * 0.999]
    missed = [row for row in sure if not np.any(np.abs(np.array(got.get(row[:2], [np.inf])) - row[2]) < 0.05)]
    assert len(sure) > 60
    assert not missed
    near = {(b, t) for b, t, *_ in truth}
    assert all(pair in near for pair in got)


def test_a_retrograde_loop_brings_one_pair_together_three_times():
    """Common practice, no source: up to three passes of one pair in an apparition, each kept apart."""
    time_d = np.arange(0.0, 300.0)
    lon = np.radians(0.2 * (time_d - 150) - 12 * np.sin((time_d - 150) / 40.0))
    body = np.stack([np.cos(lon), np.sin(lon), 0 * lon], -1)[None]
    target = np.array([[1.0, 0.0, np.radians(0.1)]])
    target /= np.linalg.norm(target)
    found = least_separations(time_d, body, target, np.radians(0.2))
    assert len(found) == 3
    assert_allclose(found.separation_rad, np.arctan(np.radians(0.1)), rtol=1e-6)


def test_a_least_separation_on_an_instant_of_the_grid_is_found_once():
    """Two pieces of the path meet there; rounding must not hide the minimum from both."""
    time_d = np.arange(0.0, 10.0)
    phase = np.radians(time_d - 3.0)[:, None]
    rng = np.random.default_rng(3)
    axes = [np.linalg.qr(rng.normal(size=(3, 3)))[0] for _ in range(200)]
    bodies = np.stack([np.cos(phase) * here + np.sin(phase) * forward for here, forward, _ in axes])
    targets = np.stack([here for here, _, _ in axes])
    found = least_separations(time_d, bodies, targets, np.radians(0.25))
    own = found.body == found.target
    assert found.body[own].tolist() == list(range(200))
    assert_allclose(found.time_d[own], 3.0, atol=1e-6)


@settings(max_examples=30, deadline=None)
@given(
    ra0=st.floats(0, 360), dec0=st.floats(-89.9, 89.9), rate=st.floats(0.02, 3.0), pa=st.floats(0, 360),
    miss=st.floats(0.0, 0.2), when=st.floats(3.0, 6.0),
)
def test_a_great_circle_pass_is_found_anywhere_on_the_sky(ra0, dec0, rate, pa, miss, when):
    """Known answer: uniform motion on a great circle past a point `miss` degrees beside it."""
    lon, lat, angle = np.radians([ra0, dec0, pa])
    here = np.array([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])
    east = np.array([-np.sin(lon), np.cos(lon), 0.0])
    north = np.cross(here, east)
    forward = np.sin(angle) * east + np.cos(angle) * north
    side = np.cross(here, forward)
    time_d = np.arange(0.0, 10.0)
    phase = np.radians(rate * (time_d - when))[:, None]
    body = (np.cos(phase) * here + np.sin(phase) * forward)[None]
    target = np.cos(np.radians(miss)) * here + np.sin(np.radians(miss)) * side
    found = least_separations(time_d, body, target[None], np.radians(0.25))
    assert len(found) == 1
    assert_allclose(found.time_d, when, atol=2e-5 / rate)
    assert_allclose(found.separation_rad, np.radians(miss), atol=1e-6)


def test_nothing_near_is_an_empty_answer():
    time_d = np.arange(0.0, 10.0)
    lon = np.radians(time_d)
    body = np.stack([np.cos(lon), np.sin(lon), 0 * lon], -1)[None]
    assert len(least_separations(time_d, body, np.array([[0.0, 0.0, 1.0]]), 0.01)) == 0
    assert len(least_separations_between(time_d, np.concatenate([body, -body]), 0.01)) == 0


def test_a_minimum_at_the_edge_is_none():
    time_d = np.arange(0.0, 5.0)
    lon = np.radians(time_d)
    body = np.stack([np.cos(lon), np.sin(lon), 0 * lon], -1)[None]
    assert len(least_separations(time_d, body, np.array([[1.0, 0.0, 0.0]]), 0.01)) == 0


@pytest.mark.parametrize(
    ("time_d", "unit"), [(np.arange(3.0), 1.0), (np.zeros(5), 1.0), (np.arange(5.0), np.nan)]
)
def test_what_cannot_be_scanned_is_refused(time_d, unit):
    with pytest.raises(InputError):
        least_separations(time_d, np.full((1, len(time_d), 3), unit), np.array([[1.0, 0, 0]]), 0.01)


def test_two_moving_bodies_against_brute_force():
    rng = np.random.default_rng(8)
    time_d = np.arange(0.0, 120.0)
    bodies = looping_bodies(rng, 60, time_d)
    bodies[..., 2] *= 0.15  # crowd them about the equator, so that they meet
    bodies /= np.linalg.norm(bodies, axis=-1, keepdims=True)
    reach = np.radians(0.5)
    found = least_separations_between(time_d, bodies, reach)
    fine = np.arange(0.0, 119.0, 0.02)
    paths = CubicSpline(time_d, bodies, axis=1)(fine)
    paths /= np.linalg.norm(paths, axis=-1, keepdims=True)
    truth = set()
    for i in range(len(bodies)):
        apart = 2 * np.arcsin(np.linalg.norm(paths[i + 1 :] - paths[i], axis=-1) / 2)
        low = (apart[:, 1:-1] < apart[:, :-2]) & (apart[:, 1:-1] <= apart[:, 2:]) & (apart[:, 1:-1] < reach)
        truth |= {(i, i + 1 + j, round(fine[k + 1])) for j, k in zip(*np.nonzero(low), strict=True)}
    got = {(i, j, round(t)) for i, j, t in zip(found.body, found.target, found.time_d, strict=True)}
    near = {(i, j, t + d) for i, j, t in truth for d in (-1, 0, 1)}
    assert len(truth) > 10
    assert len(found) == len(truth)
    assert all(one in near for one in got)


def test_chord_and_angle():
    assert chord(np.pi) == 2.0
    assert_allclose(angle_of_chord(chord(0.3)), 0.3, rtol=1e-12)


@pytest.mark.parametrize("least_d", [0.2, 1.7, 3.999999])
def test_a_least_separation_takes_few_turns(least_d):
    turns = []

    def approaching(t):
        turns.append(1)
        return np.sin(0.3 * (least_d - t)) * (1.2 + np.cos(t))

    time, separation = _least_in_step(
        approaching, lambda t: np.abs(t - least_d), np.array([0.0, 4.0]), np.array([0])
    )
    assert abs(time[0] - least_d) < 1e-10
    assert separation[0] < 1e-10
    assert len(turns) < 20

"""Syndynes, synchrones and the antisolar line, against another implementation and their definitions."""

import warnings

import numpy as np
import pytest
from astropy import units as u
from astropy.time import Time

from appulse.bodies import NBodyEphemeris, Orbit, comet_tail, law_lengths_km
from appulse.bodies.astrometric import observer_state, position_angle, sight
from appulse.bodies.comet_tail import grain_sight
from appulse.errors import InputError
from appulse.numerics import separation_rad, unit_from_radec
from appulse.observers import Site

WHEN = Time("2026-02-01")
CENTRE = Site.geocentre()
PLANETS = 3e-3
"""sbpy knows the Sun alone; what planets and relativity do to grain and nucleus differs by less than this
part of their distance in a hundred days."""


def _comet(**more):
    elements = {"q": 0.9, "e": 1.0, "i": 60.0, "node": 80.0, "peri": 30.0, "tp": 2461050.5} | more
    return NBodyEphemeris(Orbit.from_elements("C/2026 X1", 2461000.5, m1=6.0, k1=10.0, **elements))


@pytest.fixture(scope="module")
def comet():
    return _comet()


@pytest.fixture(scope="module")
def tail(comet):
    return comet_tail(comet, "C/2026 X1", WHEN, CENTRE)


def test_grains_are_where_sbpy_has_them(comet):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        dynamics = pytest.importorskip("sbpy.dynamics")
        from sbpy.data import Ephem  # noqa: F401
    betas, ages = np.array([0.01, 0.1, 1.0, 2.0]), np.array([2.0, 20.0, 100.0])
    seen = observer_state(comet.kernels, Time([WHEN]), CENTRE)
    line = sight(comet.states, comet._sun, np.array([0]), seen)
    tau = float(line.tau_d[0, 0])
    _, track = grain_sight(comet, 0, seen, tau, betas, ages)
    end = seen.t_d[0] - tau
    ours = track.states(np.arange(12), np.full((12, 1), end))[:, 0] - comet._sun(np.array([end]))
    nucleus = comet.states(np.array([0]), np.array([[end]]))[0, 0] - comet._sun(np.array([end]))[0]
    solver = dynamics.SolarGravityAndRadiationPressure()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for i, age in enumerate(ages):
            t0 = np.array([end - age])
            start = comet.states(np.array([0]), t0[None])[0, 0] - comet._sun(t0)[0]
            began = Time(2451545.0 + t0[0], format="jd")
            state = dynamics.State(start[:3] * u.au, start[3:] * u.au / u.day, began)
            to = Time(2451545.0 + end, format="jd")
            bare = dynamics.SolarGravity().solve(state, to).r.to_value(u.au)
            for k, beta in enumerate(betas):
                theirs = solver.solve(state, to, beta).r.to_value(u.au) - bare
                mine = ours[k * len(ages) + i, :3] - nucleus[:3]
                assert np.linalg.norm(mine - theirs) < PLANETS * np.linalg.norm(theirs), (age, beta)


def test_the_antisolar_line_leaves_at_the_predicted_angle_and_its_ticks_count(comet, tail):
    (line,) = tail.of_kind("antisolar")
    places = unit_from_radec(line.ra, line.dec)
    assert position_angle(places[0], places[1] - places[0]) == pytest.approx(tail.sun_pa, abs=0.02)
    ticks = [tick for tick in tail.ticks if tick.unit == "deg"]
    for tick in ticks:
        apart = np.degrees(separation_rad(unit_from_radec(tick.ra, tick.dec), places[0]))
        assert apart == pytest.approx(float(tick.label[:-1]), abs=1e-6)
    assert len(ticks) > 2
    # Sine rule, in the triangle of observer, nucleus and a tick in km.
    km = next(tick for tick in tail.ticks if tick.label == "2 million km")
    side = 2e6 / 149_597_870.7
    angle = separation_rad(unit_from_radec(km.ra, km.dec), places[0])
    phase = np.radians(tail.phase)
    reach = side * np.sin(phase) / (tail.delta + side * np.cos(phase))
    assert np.tan(angle) == pytest.approx(reach, rel=1e-3)


def test_a_given_length_is_kept_and_an_impossible_one_refused(comet):
    given = comet_tail(comet, "C/2026 X1", WHEN, CENTRE, length_deg=5.0, dust=False)
    assert given.length_deg == pytest.approx(5.0, abs=1e-9)
    assert given.length_source == "given"
    with pytest.raises(InputError, match="the antisolar line spans less than"):
        comet_tail(comet, "C/2026 X1", WHEN, CENTRE, length_deg=80.0, dust=False)
    wrongs = ({"betas": (0.0,)}, {"ages_d": (-1.0,)}, {"wind_km_s": 5.0}, {"length_deg": float("nan")})
    for wrong in wrongs:
        with pytest.raises(InputError):
            comet_tail(comet, "C/2026 X1", WHEN, CENTRE, **wrong)


def test_young_dust_leaves_along_the_antisolar_line_and_all_stays_in_the_orbit_plane(comet):
    """Finson & Probstein's tail without ejection velocity: flat, and radial where it is fresh."""
    tail = comet_tail(comet, "C/2026 X1", WHEN, CENTRE, betas=(1.0,), ages_d=(0.5,))
    fast = tail.of_kind("syndyne")[-1]
    nucleus = unit_from_radec(tail.ra, tail.dec)
    first = unit_from_radec(fast.ra[5], fast.dec[5])
    off = (position_angle(nucleus, first - nucleus) - tail.sun_pa + 180.0) % 360.0 - 180.0
    assert abs(off) < 3.0
    seen = observer_state(comet.kernels, Time([WHEN]), CENTRE)
    line = sight(comet.states, comet._sun, np.array([0]), seen)
    betas, ages = np.array([0.01, 0.3, 2.0]), np.array([10.0, 150.0])
    vectors, _ = grain_sight(comet, 0, seen, float(line.tau_d[0, 0]), betas, ages)
    away = vectors[:, 0] - line.vector[0, 0]
    pole = np.cross(line.helio[0, 0], line.helio_velocity[0, 0])
    height = away @ pole / np.linalg.norm(pole) / np.linalg.norm(away, axis=1)
    # Planets, and the light that takes longer from one grain than from another, lift them by thousandths.
    assert np.abs(height).max() < 0.01


def test_syndyne_and_synchrone_cross_in_the_grain_that_both_name(tail):
    """One grain has one beta and one age: the two lines meet at it, whatever lies between vertices."""
    for beta in (0.1, 1.0):
        syndyne = next(curve for curve in tail.of_kind("syndyne") if curve.value == beta)
        for age in (10.0, 80.0):
            synchrone = next(curve for curve in tail.of_kind("synchrone") if curve.value == age)
            one, other = (unit_from_radec(curve.ra, curve.dec) for curve in (syndyne, synchrone))
            apart = separation_rad(one[:, None], other[None])
            assert np.degrees(apart.min()) < 1e-6


def test_lines_between_the_integrated_grains_follow_the_true_curve(comet, tail):
    """Grains of an age that no vertex has, integrated by themselves."""
    more = comet_tail(comet, "C/2026 X1", WHEN, CENTRE, betas=(0.1, 0.3), ages_d=(28.3, 57.0))
    for beta in (0.1, 0.3):
        coarse, fine = (
            next(curve for curve in made.of_kind("syndyne") if curve.value == beta) for made in (tail, more)
        )
        line = unit_from_radec(coarse.ra, coarse.dec)
        for synchrone in more.of_kind("synchrone"):
            there = unit_from_radec(fine.ra, fine.dec)
            own = unit_from_radec(synchrone.ra, synchrone.dec)
            grain = there[np.argmin(separation_rad(there[:, None], own[None]).min(axis=1))]
            chord = np.diff(line, axis=0)
            share = np.clip(np.einsum("ij,ij->i", grain - line[:-1], chord) / (chord**2).sum(axis=1), 0, 1)
            away = np.linalg.norm(grain - line[:-1] - share[:, None] * chord, axis=1).min()
            assert np.degrees(away) * 3600.0 < 30.0, (beta, synchrone.value)


def test_the_ion_tail_lags_by_the_comets_motion_over_the_winds(comet):
    """Seen from above the orbit's plane the lag is the transverse velocity over the wind's."""
    slow, fast = (
        comet_tail(comet, "C/2026 X1", WHEN, CENTRE, dust=False, wind_km_s=wind) for wind in (300.0, 900.0)
    )
    lag = []
    for made in (slow, fast):
        curve = made.of_kind("ion")[0]
        assert "estimate" in curve.label
        places = unit_from_radec(curve.ra, curve.dec)
        pa = position_angle(places[0], places[1] - places[0])
        lag.append((pa - made.sun_pa + 180.0) % 360.0 - 180.0)
    behind = (slow.antivelocity_pa - slow.sun_pa + 180.0) % 360.0 - 180.0
    assert np.sign(lag) == pytest.approx(np.sign(behind))
    assert 2.0 < lag[0] / lag[1] < 4.0


def test_a_position_table_has_no_tail():
    from astropy.table import Table

    from appulse.bodies import TabulatedEphemeris

    rows = {"designation": ["2P"], "time": ["2026-02-01"], "ra": [1.0], "dec": [0.0]}
    with pytest.raises(InputError, match="a tail needs an orbit"):
        comet_tail(TabulatedEphemeris.from_table(Table(rows)), "2P", WHEN, CENTRE)


def test_lengths_by_the_law_fall_with_faintness_and_distance():
    tail, coma = law_lengths_km(np.array([2.0, 6.0, 10.0]), 10.0, 1.0)
    assert np.all(np.diff(tail) < 0)
    assert np.all(np.diff(coma) < 0)
    assert law_lengths_km(6.0, 10.0, 3.0)[0] < law_lengths_km(6.0, 10.0, 1.0)[0]

"""Two-body motion: every conic, closed forms, invariants, textbook figures."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from appulse.constants import GM_SUN
from appulse.errors import OrbitError
from appulse.numerics.kepler import (
    ECLIPTIC_TO_ICRF,
    elements_from_state,
    perifocal_axes,
    propagate_two_body,
    state_from_elements,
    stumpff,
    universal_anomaly,
)

TOL_STATE = 1e-11  # relative; some ten roundings of the longest arc

shape = {
    "q": st.floats(0.05, 30.0),
    "e": st.one_of(st.sampled_from([0.0, 1e-9, 0.5, 0.999999, 1.0, 1.000001, 1.5]), st.floats(0.0, 5.0)),
    "dt": st.floats(-5000.0, 5000.0),
}


@settings(max_examples=300, deadline=None, derandomize=True)
@given(**shape)
def test_invariants_hold_on_every_conic(q, e, dt):
    state = state_from_elements(q, e, 0.3, 1.0, 2.0, 0.0, dt)[0]
    r, v2 = np.linalg.norm(state[:3]), state[3:] @ state[3:]
    assert 0.5 * v2 - GM_SUN / r == pytest.approx(-GM_SUN * (1 - e) / (2 * q), abs=1e-12 * (v2 + GM_SUN / r))
    spin = np.linalg.norm(np.cross(state[:3], state[3:]))
    assert spin == pytest.approx(np.sqrt(GM_SUN * q * (1 + e)), rel=1e-10)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(**shape)
def test_propagation_agrees_with_the_elements(q, e, dt):
    start = state_from_elements(q, e, 0.3, 1.0, 2.0, 0.0, 100.0)
    there = propagate_two_body(start, dt)
    straight = state_from_elements(q, e, 0.3, 1.0, 2.0, 0.0, 100.0 + dt)
    # Near a deep perihelion an error in time counts most: it is measured against the longest way.
    size = np.linalg.norm(start[0, :3]) + np.linalg.norm(straight[0, :3])
    size += np.linalg.norm(start[0, 3:]) * abs(dt)
    loss = 1.0 + size / q
    assert np.abs(there - straight)[0, :3].max() < TOL_STATE * size * loss


def test_elements_come_back():
    rng = np.random.default_rng(2)
    n = 2000
    q, e = rng.uniform(0.1, 5.0, n), rng.choice([0.05, 0.5, 0.97, 1.0, 1.02, 2.5], n)
    angles = [rng.uniform(0.01, 3.1, n), rng.uniform(0.0, 6.28, n), rng.uniform(0.0, 6.28, n)]
    tp = rng.uniform(-150.0, 150.0, n)
    found = elements_from_state(state_from_elements(q, e, *angles, tp, 0.0), 0.0)
    period = np.where(e < 1, 2 * np.pi * np.sqrt((q / np.where(e < 1, 1 - e, 1)) ** 3 / GM_SUN), np.inf)
    with np.errstate(invalid="ignore"):
        late = found.tp_jd_tdb - tp
        late = np.where(np.isfinite(period), late - period * np.round(late / period), late)
    assert np.abs(found.q_au / q - 1).max() < 1e-11
    assert np.abs(found.e - e).max() < 1e-11
    for mine, true in zip(found[2:5], angles, strict=True):
        assert np.abs((mine - true + np.pi) % (2 * np.pi) - np.pi).max() < 1e-9
    assert np.abs(late).max() < 1e-8


def test_kepler_equation_of_the_textbook():
    """Meeus, Astronomical Algorithms, example 30.a (from memory): e 0.1, M 5 degrees, E 5.554589 degrees."""
    a, e = 1.0, 0.1
    dt = np.radians(5.0) / np.sqrt(GM_SUN)
    x = state_from_elements(a * (1 - e), e, 0, 0, 0, 0.0, dt)[0, 0]
    assert np.degrees(np.arccos(x / a + e)) == pytest.approx(5.554589, abs=1e-6)


def test_parabola_in_closed_form():
    """Barker's equation: s + s^3/3 = sqrt(GM / 2 q^3) t, r = q (1 + s^2)."""
    q, s = 0.7, np.array([-1.3, 0.2, 2.5])
    t = (s + s**3 / 3) / np.sqrt(GM_SUN / (2 * q**3))
    state = state_from_elements(q, 1.0, 0, 0, 0, 0.0, t)
    assert np.linalg.norm(state[:, :3], axis=1) == pytest.approx(q * (1 + s**2), rel=1e-13)


@pytest.mark.parametrize("e", [1 - 1e-8, 1 + 1e-8])
def test_nothing_happens_at_e_one(e):
    t = np.linspace(-400.0, 400.0, 9)
    near, exact = (state_from_elements(0.8, k, 0.1, 0.2, 0.3, 0.0, t) for k in (e, 1.0))
    assert np.abs(near - exact).max() < 1e-6


def test_stumpff_where_the_forms_meet():
    for psi in (0.5, -0.5):
        below, above = stumpff(psi * (1 - 1e-12)), stumpff(psi * (1 + 1e-12))
        assert below[0] == pytest.approx(above[0], rel=1e-11)
        assert below[1] == pytest.approx(above[1], rel=1e-11)


def test_ecliptic_turns_to_icrf():
    """The ecliptic's pole lies at declination 90 degrees minus the obliquity, RA 18h."""
    x, y, z = ECLIPTIC_TO_ICRF @ [0.0, 0.0, 1.0]
    assert np.degrees(np.arcsin(z)) == pytest.approx(90.0 - 84_381.448 / 3600.0, abs=1e-12)
    assert np.degrees(np.arctan2(y, x)) % 360 == pytest.approx(270.0)


@pytest.mark.parametrize(
    ("q", "e", "words"),
    [(0.0, 0.1, "positive"), (-1.0, 0.1, "positive"), (1.0, -0.1, "negative"), (np.nan, 0.1, "finite"),
     (1.0, np.inf, "finite")],
)  # fmt: skip
def test_elements_that_make_no_orbit(q, e, words):
    with pytest.raises(OrbitError, match=words):
        state_from_elements(q, e, 0.1, 0.1, 0.1, 0.0, 1.0)


@pytest.mark.parametrize(
    ("state", "words"),
    [([0, 0, 0, 0.01, 0, 0], "zero vector"), ([1, 0, 0, 0, 0, 0], "zero vector"),
     ([1, 0, 0, 0.01, 0, 0], "straight"), ([1, 0, 0, np.nan, 0, 0], "finite")],
)  # fmt: skip
def test_states_that_make_no_orbit(state, words):
    with pytest.raises(OrbitError, match=words):
        elements_from_state(np.array([state], float), 0.0)
    if words != "straight" and state[0] == 0:
        with pytest.raises(OrbitError, match="Sun's centre"):
            propagate_two_body(np.array([state], float), 1.0)


def test_universal_anomaly_on_a_circle_is_the_angle_turned_through():
    assert float(universal_anomaly(1.0, 1.0, 0.0, 1.0, 0.25)) == pytest.approx(0.5, abs=1e-15)


def test_axes_of_an_orbit_in_the_reference_plane():
    towards, further = perifocal_axes(np.zeros(1), np.zeros(1), np.zeros(1))
    assert towards.tolist() == [[1.0, 0.0, 0.0]]
    assert further.tolist() == [[0.0, 1.0, 0.0]]

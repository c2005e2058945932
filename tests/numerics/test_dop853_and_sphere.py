"""The integrator's coefficients and order; directions on the sphere against ERFA."""

import erfa
import numpy as np
import pytest
from scipy.integrate import DOP853

from appulse.numerics.dop853 import Dop853Step, interpolate, step_factor, tableau
from appulse.numerics.nbody import Forces, oblateness
from appulse.numerics.sphere import (
    ellipse_from_cov,
    offsets_rad,
    radec_from_unit,
    separation_rad,
    tangent_axes,
    unit_from_radec,
)

TOL_ORDER_CONDITION = 2e-14


def test_order_conditions():
    """Quadrature to order 8, and row sums equal to the nodes."""
    table = tableau()
    b, c = table.weights, table.nodes[:12]
    for k in range(1, 9):
        assert b @ c ** (k - 1) == pytest.approx(1.0 / k, abs=TOL_ORDER_CONDITION)
    assert table.stages.sum(axis=1) == pytest.approx(table.nodes, abs=TOL_ORDER_CONDITION)
    assert table.third.sum() == pytest.approx(0.0, abs=TOL_ORDER_CONDITION)
    assert table.fifth.sum() == pytest.approx(0.0, abs=TOL_ORDER_CONDITION)


def test_coefficients_are_the_printed_ones():
    """Numbers of each kind as Hairer, Norsett & Wanner 1993 print them (from memory); the rest is scipy's."""
    table = tableau()
    printed = {
        table.nodes[1]: 0.526001519587677318785587544488e-01,
        table.nodes[8]: 0.651282051282051282051282051282e00,
        table.nodes[13]: 0.1e00,
        table.stages[5, 4]: 1.25467687566822425016691814123e-1,
        table.stages[8, 4]: -8.68219346841726006818189891453e-1,
        table.stages[12, 0]: 5.42937341165687622380535766363e-2,
        table.weights[5]: 4.45031289275240888144113950566e0,
        table.weights[11]: 4.47106157277725905176885569043e-2,
        table.stages[14, 0]: 3.18346481635021405060768473261e-2,
        table.fifth[0]: 0.1312004499419488073250102996e-01,
        table.dense[0, 0]: -0.84289382761090128651353491142e01,
    }
    for used, number in printed.items():
        assert used == number
    assert not np.triu(table.stages).any()  # an explicit method: no stage needs a later one


def test_coefficients_are_those_of_scipy_to_the_last_bit():
    table = tableau()
    assert np.array_equal(table.stages[:12, :12], DOP853.A)
    assert np.array_equal(table.stages[12, :12], DOP853.B)
    assert np.array_equal(table.stages[13:], DOP853.A_EXTRA)
    assert np.array_equal(table.nodes, [*DOP853.C, 1.0, *DOP853.C_EXTRA])
    for mine, theirs in (
        (table.weights, DOP853.B),
        (table.third, DOP853.E3[:12]),
        (table.fifth, DOP853.E5[:12]),
    ):
        assert np.array_equal(mine, theirs)
    assert np.array_equal(table.dense, DOP853.D)


def test_step_factor_at_its_limits():
    assert step_factor(np.array([1.0, 0.0, np.inf])).tolist() == [0.9, 6.0, 0.2]


def test_one_step_is_that_of_another_implementation():
    def pendulum(t, y):
        return np.array([y[1], -np.sin(y[0])])

    other = DOP853(pendulum, 0.0, np.array([1.0, 0.0]), 1.0, first_step=0.3, rtol=1e-3, atol=1e-3)
    other.step()
    y = np.array([[1.0], [0.0]])
    rate = lambda i, y: np.stack([y[1], -np.sin(y[0])])  # noqa: E731
    step = Dop853Step(rate, y, 0.3, rate(0, y))
    assert step.end[:, 0] == pytest.approx(other.y, abs=1e-15)
    dense = step.dense(rate)
    for x in (0.0, 0.37, 1.0):
        assert interpolate(dense, x)[:, 0] == pytest.approx(other.dense_output()(0.3 * x), abs=1e-15)


def test_error_falls_with_the_eighth_power():
    rate = lambda i, y: np.stack([y[1], -y[0]])  # noqa: E731
    off = []
    for count in (4, 8):
        y, h = np.array([[1.0], [0.0]]), 2.0 / count
        for _ in range(count):
            y = Dop853Step(rate, y, h, rate(0, y)).end
        off.append(abs(y[0, 0] - np.cos(2.0)))
    assert 7.5 < np.log2(off[0] / off[1]) < 9.5


def test_oblateness_is_the_gradient_of_its_potential():
    pole = np.array([0.1, -0.3, 0.9]) / np.linalg.norm([0.1, -0.3, 0.9])

    def potential(r):
        d = np.linalg.norm(r)
        return -1e-3 * 0.5**2 / d**3 * 0.5 * (3 * (r @ pole / d) ** 2 - 1)

    r, h = np.array([1.1, 0.4, -0.7]), 1e-5
    slope = [(potential(r + h * k) - potential(r - h * k)) / (2 * h) for k in np.eye(3)]
    assert oblateness(r[:, None], 1.0, 1e-3, 0.5, pole[:, None])[:, 0] == pytest.approx(slope, rel=1e-8)


def test_perihelion_advance_of_relativity():
    """Mercury's 42.98 arcsec a century, from the force itself, averaged over one orbit.

    The formula 6 pi GM / (c^2 a (1 - e^2)) is that of Einstein 1915, who gave 43; 42.98 by today's constants.
    """
    gm, a, e = 2.9591220828411956e-4, 0.387098, 0.205630  # DE440's; Mercury's orbit, from memory
    forces = Forces(np.array([gm]))
    y = np.array([[a * (1 - e)], [0], [0], [0], [np.sqrt(gm * (1 + e) / (a * (1 - e)))], [0]])
    still, here = np.zeros((1, 3, 1)), np.zeros((3, 1))
    rate = lambda i, y: forces(y, still, here, 0.0)  # noqa: E731
    period = 2 * np.pi * np.sqrt(a**3 / gm)
    steps = 400
    for _ in range(steps):
        y = Dop853Step(rate, y, period / steps, rate(0, y)).end
    r, v = y[:3, 0], y[3:, 0]
    ecc = np.cross(v, np.cross(r, v)) / gm - r / np.linalg.norm(r)
    century = np.arctan2(ecc[1], ecc[0]) * 206_264.806 * 36_525.0 / period
    assert century == pytest.approx(42.98, abs=0.3)  # the Sun's J2 adds 0.03, osculation a little


def test_sphere_against_erfa():
    rng = np.random.default_rng(5)
    ra1, ra2 = rng.uniform(0, 360, (2, 500))
    dec1, dec2 = np.degrees(np.arcsin(rng.uniform(-1, 1, (2, 500))))
    a, b = unit_from_radec(ra1, dec1), unit_from_radec(ra2, dec2)
    rad = np.radians
    four = (rad(ra1), rad(dec1), rad(ra2), rad(dec2))
    assert separation_rad(a, b) == pytest.approx(erfa.seps(*four), abs=1e-14)
    pa = erfa.pas(*four) % (2 * np.pi)
    east, north = tangent_axes(a)
    towards = np.arctan2(np.einsum("ni,ni->n", b, east), np.einsum("ni,ni->n", b, north)) % (2 * np.pi)
    assert towards == pytest.approx(pa, abs=1e-12)
    back = radec_from_unit(3.7 * a)
    assert back[0] == pytest.approx(ra1, abs=1e-12)
    assert back[1] == pytest.approx(dec1, abs=1e-12)


def test_tangent_plane_against_sofa():
    """SOFA's t_sofa_c.c, tpxes: (1.3, 1.55) about (2.3, 1.5) rad."""
    xi, eta = offsets_rad(unit_from_radec(*np.degrees([2.3, 1.5])), unit_from_radec(*np.degrees([1.3, 1.55])))
    assert float(xi) == pytest.approx(-0.01753200983236980595, abs=1e-15)
    assert float(eta) == pytest.approx(0.05962940005778712891, abs=1e-15)
    assert np.isnan(offsets_rad(unit_from_radec(0.0, 0.0), unit_from_radec(180.0, 0.0))[0])


def test_small_and_opposite_separations():
    a = unit_from_radec(10.0, 89.999999)
    assert float(separation_rad(a, -a)) == pytest.approx(np.pi, abs=1e-15)
    assert float(separation_rad(a, a)) == 0.0


def test_ellipse_of_a_needle():
    """Correlation of nearly one: the small axis keeps its digits."""
    turn = np.radians(30.0)
    axes = np.array([[np.sin(turn), np.cos(turn)], [np.cos(turn), -np.sin(turn)]]).T
    cov = axes @ np.diag([1.0, 1e-6]) @ axes.T
    major, minor, pa = ellipse_from_cov(cov)
    assert (float(major), float(minor)) == pytest.approx((1.0, 1e-3), rel=1e-9)
    assert np.degrees(float(pa)) == pytest.approx(30.0, abs=1e-9)

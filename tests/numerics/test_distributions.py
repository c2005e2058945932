"""Chances out of special functions against the statistics package."""

import pytest
from scipy import stats

from appulse.numerics import distributions


@pytest.mark.parametrize("dof", [1, 2, 3, 6, 37])
def test_chi_squared(dof):
    for value in (0.0, 1e-3, 1.0, 30.0, 200.0):
        assert distributions.chi2_sf(value, dof) == pytest.approx(stats.chi2.sf(value, dof), rel=1e-9)
    for chance in (1e-8, 1e-4, 0.01, 0.5):
        assert distributions.chi2_isf(chance, dof) == pytest.approx(stats.chi2.isf(chance, dof), rel=1e-8)
        # With two degrees above the tail has a closed form; scipy's own loses digits far out.
        closed = 0.5 * dof * (chance ** (-2.0 / dof) - 1.0)
        assert distributions.f_isf(chance, 2, dof) == pytest.approx(closed, rel=1e-9)


def test_a_chi_squared_below_zero_by_rounding_is_certain():
    assert distributions.chi2_sf(-1e-12, 2) == 1.0


def test_counts_and_the_normal_tail():
    for count in (-1, 0, 1, 5, 50):
        for mean in (1e-6, 0.1, 3.0, 70.0):
            assert distributions.poisson_sf(count, mean) == pytest.approx(
                stats.poisson.sf(count, mean), rel=1e-9
            )
    for chance in (1e-12, 1e-4, 0.3):
        assert distributions.normal_isf(chance) == pytest.approx(stats.norm.isf(chance), rel=1e-9)

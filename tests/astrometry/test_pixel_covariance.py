"""The covariance of a stamp's bins against the same matrix, inverted as it stands."""

import numpy as np
import pytest

from appulse.astrometry.pixel_covariance import Functions, PixelCovariance, Weighed, narrow_factor

LEFT_OUT = 1e-9
CASES = (
    {}, {"wide": 1.0}, {"wide": 4.0}, {"narrow": 3.0},
    {"wide": 1.0, "narrow": 0.5}, {"wide": 1.0, "narrow": 40.0},
)  # fmt: skip


@pytest.fixture(scope="module")
def stamp():
    """Places of bins, their noise and the kernels of two kinds of structure in units of it."""
    rng = np.random.default_rng(5)
    x, y = rng.uniform(0, 9, (2, 60))
    noise = rng.uniform(0.5, 2.0, 60)
    distance2 = (x[:, None] - x) ** 2 + (y[:, None] - y) ** 2
    over = np.sqrt(np.outer(noise, noise))
    kernels = {kind: np.exp(-0.5 * distance2 / s**2) / over for kind, s in (("wide", 4.0), ("narrow", 1.5))}
    return noise, kernels, over


def weighed(stamp):
    noise, kernels, _ = stamp
    strongest = {"wide": 4.0, "narrow": 40.0}
    return Weighed(Functions(
        lambda: sum(strongest[kind] * kernel for kind, kernel in kernels.items()),
        lambda kind, rows: kernels[kind][np.ix_(rows, rows)], np.sqrt(noise), strongest, LEFT_OUT,
    ), noise)  # fmt: skip


def dense(stamp, noise, case):
    _, kernels, over = stamp
    return np.diag(noise) + sum((s * kernels[kind] * over for kind, s in case.items()), np.zeros((60, 60)))


@pytest.mark.parametrize("case", CASES)
def test_the_inverse_of_a_case_is_that_of_its_matrix(stamp, case):
    noise = stamp[0]
    known, matrix = weighed(stamp), dense(stamp, noise, case)
    columns = np.random.default_rng(6).normal(size=(60, 5))
    pixels, inverse = known.covariance(case), np.linalg.inv(matrix)
    wanted = columns.T @ inverse @ columns
    assert known.product(case, known.terms(columns)) == pytest.approx(wanted, rel=1e-4, abs=1e-5)
    white = pixels.whitened(columns)
    assert white.T @ white == pytest.approx(wanted, rel=1e-4, abs=1e-5)
    assert pixels.log_det == pytest.approx(np.linalg.slogdet(matrix)[1], abs=1e-4)
    assert pixels.solved(columns[:, 0]) == pytest.approx(inverse @ columns[:, 0], abs=1e-4)
    rows = np.array([3, 40])
    assert pixels.inverse_diagonal(rows) == pytest.approx(np.diag(inverse)[rows], rel=1e-4)


def test_a_ray_that_is_put_aside_changes_what_its_bin_alone_weighs(stamp):
    known, noise = weighed(stamp), stamp[0].copy()
    columns, case = np.random.default_rng(7).normal(size=(60, 3)), CASES[-1]
    known.product(case, known.terms(columns))
    assert known.changed(noise * 1.001) is known
    noise[[5, 17]] = 1e5
    after = known.changed(noise)
    wanted = columns.T @ np.linalg.inv(dense(stamp, noise, case)) @ columns
    assert after.product(case, after.terms(columns)) == pytest.approx(wanted, rel=1e-4, abs=1e-5)


def test_a_covariance_of_one_factor_is_its_own(stamp):
    noise, kernels, over = stamp
    kernel = kernels["wide"] * over
    factor = narrow_factor(kernel, 1e-9)
    assert factor.shape[1] < 60
    assert factor @ factor.T == pytest.approx(kernel, abs=1e-6)
    pixels = PixelCovariance.of(noise, factor, factor.T @ (factor.T / noise).T)
    inverse = np.linalg.inv(np.diag(noise) + kernel)
    assert pixels.inverse_diagonal() == pytest.approx(np.diag(inverse), rel=1e-5)

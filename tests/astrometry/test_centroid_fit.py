"""The centroid fit: errors against the Cramér-Rao bound, sigmas against errors, and what must not bend it."""

import numpy as np
import pytest

from appulse.astrometry.psf import POINT, PSF, Trail, pixel_image
from appulse.astrometry.source_fit import fit_source, phase_error
from appulse.astrometry.stamp import Noise
from appulse.errors import MeasurementError
from invented_frames import add_point, add_trail

GAIN, SKY = 1.5, 400.0
TRIALS = 200
SPREAD = 1 / np.sqrt(2 * TRIALS)
"""Relative error of a width from so many trials; checks allow three of them."""


def bound(psf, trail, x, y, flux, size):
    """Cramér-Rao covariance of (x, y) with flux and background unknown, from the drawn photons."""
    rows, columns = (a.ravel() for a in np.mgrid[0:size, 0:size])
    value, sx, sy = pixel_image(psf, x, y, columns, rows, trail)
    design = np.stack([flux * sx, flux * sy, value, np.ones_like(value)], axis=1)
    return np.linalg.inv((design / (SKY + flux * value)[:, None]).T @ design)[:2, :2]


def trials(rng, draw, psf, trail, flux, size=39, n=TRIALS, **options):
    """Errors, pulls and bounds of n fits; along x and y."""
    errors, pulls, bounds = [], [], []
    for _ in range(n):
        x, y = size // 2 + rng.uniform(-0.5, 0.5, 2)
        canvas = np.full((size, size), SKY)
        draw(canvas, x, y)
        data = rng.poisson(canvas) / GAIN
        fit = fit_source(data, round(x), round(y), psf, Noise(GAIN), trail=trail, **options)
        error = np.array([fit.x - x, fit.y - y])
        errors.append(error)
        pulls.append(error / np.sqrt(np.diag(fit.cov)))
        bounds.append(np.diag(bound(psf, trail, x, y, flux, size)))
    return np.array(errors), np.array(pulls), np.array(bounds)


@pytest.mark.parametrize(
    ("fwhm", "length", "flux"),
    [(2.0, 0.0, 600.0), (3.0, 0.0, 8000.0), (3.0, 10.0, 1500.0), (5.0, 6.0, 9000.0)],
)
def test_error_is_the_bound_and_sigma_is_the_error(fwhm, length, flux):
    rng = np.random.default_rng(int(100 * fwhm + length))
    trail = POINT if length == 0 else Trail.straight(length, 0.0)

    def draw(canvas, x, y):
        add_trail(canvas, x, y, flux, fwhm, length, 0.0, parts=60 if length else 1)

    errors, pulls, bounds = trials(rng, draw, PSF.round(fwhm), trail, flux, size=51 if fwhm == 5.0 else 39)
    ratio = np.sqrt(np.mean(errors**2, axis=0) / bounds.mean(axis=0))
    assert np.all(ratio < 1.05 + 3 * SPREAD)
    assert np.all(np.abs(pulls.std(axis=0) - 1.0) < 0.05 + 3 * SPREAD)
    assert np.all(np.abs(pulls.mean(axis=0)) < 4 / np.sqrt(TRIALS))


def galaxy(canvas, x, y):
    """A body on the flank of a galaxy five times as bright as the sky, its core 12 px off."""
    rows, columns = np.indices(canvas.shape)
    canvas += 2000.0 * np.exp(-np.sqrt((columns - x - 11.0) ** 2 + (rows - y + 5.0) ** 2 + 4.0) / 10.0)
    add_point(canvas, x, y, 6000.0, 3.0)


def test_pulls_on_a_galaxys_slope():
    rng = np.random.default_rng(31)
    _, pulls, _ = trials(rng, galaxy, PSF.round(3.0), POINT, 6000.0, n=250)
    assert np.all(np.abs(pulls.mean(axis=0)) < 3 / np.sqrt(len(pulls)))
    assert np.all(np.abs(pulls.std(axis=0) - 1) < 0.05 + 3 / np.sqrt(2 * len(pulls)))


def test_bias_falls_with_the_background_fitted():
    """Noiseless: what a constant leaves of the galaxy, a plane takes away, and higher orders the rest."""
    canvas = np.full((41, 41), SKY)
    galaxy(canvas, 20.2, 19.9)
    off = []
    for order in (0, 1, 4):
        fit = fit_source(
            canvas / GAIN, 20.0, 20.0, PSF.round(3.0), Noise(GAIN), background_order=order, radius=6.4
        )
        off.append(np.hypot(fit.x - 20.2, fit.y - 19.9))
    assert off[0] > 5 * off[1] > 10 * off[2]


def test_next_to_a_star():
    rng = np.random.default_rng(32)

    def draw(canvas, x, y):
        add_point(canvas, x, y, 3000.0, 3.0)
        add_point(canvas, x + 5.0, y + 1.0, 30000.0, 3.0)

    errors, pulls = [], []
    for _ in range(200):
        x, y = 19 + rng.uniform(-0.5, 0.5, 2)
        canvas = np.full((39, 39), SKY)
        draw(canvas, x, y)
        fit = fit_source(
            rng.poisson(canvas) / GAIN, x, y, PSF.round(3.0), Noise(GAIN), neighbours=[(x + 5.2, y + 0.9)]
        )
        errors.append([fit.x - x, fit.y - y])
        pulls.append(errors[-1] / np.sqrt(np.diag(fit.cov)))
    pulls = np.array(pulls)
    assert np.all(np.abs(pulls.mean(axis=0)) < 3 / np.sqrt(len(pulls)))
    assert np.all(np.abs(pulls.std(axis=0) - 1) < 0.05 + 3 / np.sqrt(2 * len(pulls)))


def test_faint_sources_have_the_sigma_of_their_errors():
    """At a signal to noise of ten the curvature of the likelihood alone would promise 8% too little."""
    rng = np.random.default_rng(37)
    trail = Trail.straight(10.0, 0.0)

    def draw(canvas, x, y):
        add_trail(canvas, x, y, 1150.0, 2.0, 10.0, 0.0, parts=60)

    errors, pulls, bounds = trials(rng, draw, PSF.round(2.0), trail, 1150.0)
    assert np.all(np.sqrt(np.mean(errors**2, axis=0) / bounds.mean(axis=0)) < 1.10 + 3 * SPREAD)
    assert np.all(np.abs(pulls.std(axis=0) - 1.0) < 0.05 + 3 * SPREAD)


def test_a_cosmic_ray_on_the_trail_is_rejected():
    rng = np.random.default_rng(33)
    psf, trail = PSF.round(2.5), Trail.straight(8.0, 30.0)
    clean, hit = [], []
    for _ in range(40):
        x, y = 19 + rng.uniform(-0.5, 0.5, 2)
        canvas = np.full((39, 39), SKY)
        add_trail(canvas, x, y, 6000.0, 2.5, 8.0, 30.0, parts=60)
        data = rng.poisson(canvas) / GAIN
        for collected in (clean, hit):
            fit = fit_source(data, 19.0, 19.0, psf, Noise(GAIN), trail=trail)
            collected.append((fit.x - x) / np.sqrt(fit.cov[0, 0]))
            data[round(y + 1), round(x + 3)] += 900.0
    assert np.std(hit) < 1.3 * np.std(clean) + 0.1
    assert abs(np.mean(hit)) < 0.6


def test_free_trail_finds_length_and_direction():
    canvas = np.full((45, 45), SKY)
    add_trail(canvas, 22.1, 21.8, 20000.0, 2.5, 9.0, 40.0)
    data = np.random.default_rng(34).poisson(canvas) / GAIN
    fit = fit_source(
        data, 22, 22, PSF.round(2.5), Noise(GAIN), trail=Trail.straight(7.0, 30.0), free_trail=True
    )
    assert abs(fit.trail.length - 9.0) < 4 * fit.trail_sigma[0]
    assert abs(fit.trail.angle_deg - 40.0) < 4 * fit.trail_sigma[1]


def test_saturated_core_is_fitted_from_its_ring():
    canvas = np.full((45, 45), SKY)
    add_point(canvas, 22.2, 21.7, 4e6, 4.0)
    data = np.minimum(np.random.default_rng(35).poisson(canvas) / GAIN, 60000.0)
    fit = fit_source(data, 22, 22, PSF.round(4.0), Noise(GAIN), saturation=59000.0)
    free = fit_source(np.random.default_rng(35).poisson(canvas) / GAIN, 22, 22, PSF.round(4.0), Noise(GAIN))
    assert fit.n_saturated > 3
    assert np.hypot(fit.x - 22.2, fit.y - 21.7) < 4 * np.sqrt(np.trace(fit.cov))
    assert fit.cov[0, 0] > free.cov[0, 0]


def test_undersampled_states_its_phase_error():
    canvas = np.full((31, 31), SKY)
    add_point(canvas, 15.3, 15.2, 1e5, 1.3)
    fit = fit_source(canvas / GAIN, 15, 15, PSF.round(1.3), Noise(GAIN))
    assert fit.phase_error_px == pytest.approx(phase_error(PSF.round(1.3), contrast=1e9))
    assert fit.phase_error_px > 0.5 * phase_error(PSF.round(1.3))
    assert 0.003 < fit.phase_error_px < 0.2


def test_nothing_there_is_an_error_not_a_number():
    data = np.random.default_rng(36).normal(100.0, 1.0, (41, 41)) - 30 * np.exp(
        -(np.hypot(*(np.indices((41, 41)) - 20)) ** 2) / 4
    )
    with pytest.raises(MeasurementError):
        fit_source(data, 20, 20, PSF.round(3.0), Noise(GAIN))
    with pytest.raises(MeasurementError, match="outside"):
        fit_source(data, 60, 20, PSF.round(3.0), Noise(GAIN))

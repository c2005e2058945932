"""Centroid errors against the Cramér-Rao bound, and how true the sigmas are.

    python tests/benchmarks/bench_centroid.py [trials per cell]

The bound is the Fisher information of the pixel-integrated image with flux and a constant background unknown.
"""

import sys

import numpy as np

from appulse.astrometry.centroid import fit_source
from appulse.astrometry.noise import Noise
from appulse.astrometry.psf import POINT, PSF, Trail, pixel_image
from appulse.errors import MeasurementError

GAIN, SKY_E = 1.5, 400.0


def scene(psf, trail, snr, x, y, size, background=None):
    """Expected electrons with the flux that gives `snr` (matched filter, photons of the source counted)."""
    rows, columns = (a.ravel() for a in np.mgrid[0:size, 0:size])
    value, sx, sy = pixel_image(psf, x, y, columns, rows, trail)
    sky = np.full(value.size, SKY_E) if background is None else background
    flux = 10.0
    for _ in range(60):
        before, flux = flux, snr / np.sqrt(np.sum(value**2 / (sky + flux * value)))
        if abs(flux - before) < 1e-6 * flux:
            break
    return sky + flux * value, flux, np.stack([flux * sx, flux * sy, value, np.ones_like(value)], axis=1)


def bound(mean, design):
    """Cramér-Rao covariance of (x, y)."""
    return np.linalg.inv((design / mean[:, None]).T @ design)[:2, :2]


def cell(fwhm, length, snr, trials, rng, fit_psf=None, angle=25.0):
    """RMS/bound along and across, and pull widths."""
    psf = PSF.round(fwhm)
    trail = POINT if length == 0 else Trail.straight(length, angle)
    half = int(np.ceil(9 * fwhm / 2.355 + length / 2)) + 2
    size = 2 * half + 1
    errors, pulls = [], []
    turn = np.radians(angle)
    axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    scale = []
    lost = 0
    for _ in range(trials):
        x, y = half + rng.uniform(-0.5, 0.5, 2)
        mean, _, design = scene(psf, trail, snr, x, y, size)
        data = (rng.poisson(mean) / GAIN).reshape(size, size)
        guess = np.array([x, y]) + rng.normal(0, 0.3, 2)
        try:
            fit = fit_source(data, *guess, fit_psf or psf, Noise(GAIN), trail=trail)
        except MeasurementError:
            lost += 1
            continue
        error = axes @ np.array([fit.x - x, fit.y - y])
        cov = axes @ fit.cov @ axes.T
        errors.append(error)
        pulls.append(error / np.sqrt(np.diag(cov)))
        scale.append(np.diag(axes @ bound(mean, design) @ axes.T))
    errors, pulls = np.array(errors), np.array(pulls)
    rms = np.sqrt(np.mean(errors**2, axis=0) / np.mean(scale, axis=0))
    return rms, pulls.std(axis=0), pulls.mean(axis=0) * np.sqrt(len(pulls)), lost


def main():
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 5000
    rng = np.random.default_rng(20270504)
    print("fwhm length snr | rms/bound along across | pull width along across | mean in its errors | lost")
    for fwhm in (2.0, 3.0, 5.0):
        for length in (0.0, 5.0, 10.0):
            for snr in (10.0, 30.0, 100.0):
                rms, width, mean, lost = cell(fwhm, length, snr, trials, rng)
                print(
                    f"{fwhm:4.1f} {length:5.1f} {snr:5.0f} | {rms[0]:.3f} {rms[1]:.3f}"
                    f" | {width[0]:.3f} {width[1]:.3f} | {mean[0]:+.1f} {mean[1]:+.1f} | {lost}",
                    flush=True,
                )


if __name__ == "__main__":
    main()

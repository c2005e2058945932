"""Centroid errors against the Cramér-Rao bound, and how true the sigmas are.

    python tests/benchmarks/bench_centroid.py [trials per cell] [fwhm,length,snr[,mosaic] ...]

The bound is the Fisher information of the pixel-integrated image with flux and a constant background unknown;
behind a colour mosaic (RGGB, red and blue 60 and 50% of green) that of its own pixels, the colours known.
"""

import sys

import numpy as np

from appulse.astrometry.psf import POINT, PSF, Trail, pixel_image
from appulse.astrometry.scene import look_around
from appulse.astrometry.scene_fit import fit_in_scene
from appulse.astrometry.source_fit import fit_source
from appulse.astrometry.stamp import Noise
from appulse.errors import MeasurementError

GAIN, SKY_E = 1.5, 400.0
PLACES = 200
"""Within a pixel, per cell; each is drawn again with new noise."""


MOSAIC = np.array([[0, 1], [1, 2]])
PASSES = np.array([0.6, 1.0, 0.5])
ROOM = 30
"""px around what is fitted: a mosaic's fit looks at its surroundings."""


def colours_of(size):
    """Index of each pixel's colour."""
    rows, columns = np.mgrid[0:size, 0:size]
    return MOSAIC[rows % 2, columns % 2]


def scene(psf, trail, snr, x, y, size, background=None, passes=1.0):
    """Expected electrons with the flux that gives `snr` (matched filter, photons of the source counted)."""
    rows, columns = (a.ravel() for a in np.mgrid[0:size, 0:size])
    value, sx, sy = pixel_image(psf, x, y, columns, rows, trail)
    value, sx, sy = passes * value, passes * sx, passes * sy
    sky = np.full(value.size, SKY_E) * passes if background is None else background
    flux = 10.0
    for _ in range(60):
        before, flux = flux, snr / np.sqrt(np.sum(value**2 / (sky + flux * value)))
        if abs(flux - before) < 1e-6 * flux:
            break
    level = passes * np.ones_like(value)
    return sky + flux * value, flux, np.stack([flux * sx, flux * sy, value, level], axis=1)


def bound(mean, design):
    """Cramér-Rao covariance of (x, y)."""
    return np.linalg.inv((design / mean[:, None]).T @ design)[:2, :2]


def cell(fwhm, length, snr, trials, rng, fit_psf=None, angle=25.0, mosaic=False):
    """RMS/bound along and across, and pull widths."""
    psf = PSF.round(fwhm)
    trail = POINT if length == 0 else Trail.straight(length, angle)
    half = int(np.ceil(9 * fwhm / 2.355 + length / 2)) + 2 + (ROOM if mosaic else 0)
    size = 2 * half + 1
    colours = colours_of(size)
    passes = PASSES[colours.ravel()] if mosaic else 1.0
    errors, pulls = [], []
    turn = np.radians(angle)
    axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    scale = []
    lost = 0
    places = [half + rng.uniform(-0.5, 0.5, 2) for _ in range(min(PLACES, trials))]
    scenes = [scene(psf, trail, snr, *place, size, passes=passes) for place in places]
    for mean, _, design in scenes:
        scale.append(np.diag(axes @ bound(mean, design) @ axes.T))
    for k in range(trials):
        x, y = places[k % len(places)]
        data = (rng.poisson(scenes[k % len(places)][0]) / GAIN).reshape(size, size)
        guess = np.array([x, y]) + rng.normal(0, 0.3, 2)
        try:
            if mosaic:
                around = look_around(
                    data, *guess, 2.0 * fwhm, fit_psf or psf, Noise(GAIN), trail=trail, colours=colours
                )
                fit = fit_in_scene(around, *guess, trail=trail)
            else:
                fit = fit_source(data, *guess, fit_psf or psf, Noise(GAIN), trail=trail)
        except MeasurementError:
            lost += 1
            continue
        error = axes @ np.array([fit.x - x, fit.y - y])
        cov = axes @ fit.cov @ axes.T
        errors.append(error)
        pulls.append(error / np.sqrt(np.diag(cov)))
    errors, pulls = np.array(errors), np.array(pulls)
    rms = np.sqrt(np.mean(errors**2, axis=0) / np.mean(scale, axis=0))
    return rms, pulls.std(axis=0), pulls.mean(axis=0) * np.sqrt(len(pulls)), lost


CELLS = [(f, t, s) for f in (2.0, 3.0, 5.0) for t in (0.0, 5.0, 10.0) for s in (10.0, 30.0, 100.0)]
LIMITS = {0.0: 1.05, 5.0: 1.10, 10.0: 1.10}
MOSAIC_CELLS = [(f, t, s, 1.0) for f in (2.0, 3.0, 5.0) for t in (0.0, 5.0) for s in (10.0, 30.0, 100.0)]
MOSAIC_LIMIT, MOSAIC_SHARE = 1.15, 10
"""A mosaic's fit takes ten times as long: so many trials fewer."""


def main():
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 5000
    cells = [tuple(map(float, text.replace("mosaic", "1").split(","))) for text in sys.argv[2:]]
    cells = cells or [*CELLS, *MOSAIC_CELLS]
    print(f"{trials} trials a cell: ratios +-{1 / np.sqrt(2 * trials):.3f} (one sigma)")
    print("fwhm length snr | rms/bound along across, limit | pull width | pull mean in its errors | lost")
    for fwhm, length, snr, *mosaic in cells:
        rng = np.random.default_rng([20270504, int(10 * fwhm), int(10 * length), int(snr)])
        many = max(trials // MOSAIC_SHARE, 1) if mosaic else trials
        limit = MOSAIC_LIMIT if mosaic else LIMITS.get(length, 1.10)
        rms, width, mean, lost = cell(fwhm, length, snr, many, rng, mosaic=bool(mosaic))
        over = "  <-- above" if rms.max() > limit * (1 + (2 / np.sqrt(2 * many) if mosaic else 0)) else ""
        print(
            f"{fwhm:4.1f} {length:5.1f} {snr:5.0f}{' mosaic' if mosaic else ''} | {rms[0]:.3f} {rms[1]:.3f} "
            f"{limit:.2f} | {width[0]:.3f} {width[1]:.3f} | {mean[0]:+.1f} {mean[1]:+.1f} | {lost}{over}",
            flush=True,
        )


if __name__ == "__main__":
    main()

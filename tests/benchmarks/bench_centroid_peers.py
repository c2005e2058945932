"""The same invented images for the fit and for other centroids: RMS over the Cramér-Rao bound of each.

    python tests/benchmarks/bench_centroid_peers.py [trials per cell]

The last columns fit with a PSF taken from forty stars of an invented frame instead of the known one: RMS over
the bound (at most 1.2), and the width of error over sigma (1 within 5%).
"""

import sys
import warnings

import numpy as np
from bench_centroid import GAIN, bound, scene

from appulse.astrometry.detection import detect_stars
from appulse.astrometry.psf import POINT, PSF, Trail, pixel_image
from appulse.astrometry.source_fit import fit_source
from appulse.astrometry.stamp import Noise
from appulse.astrometry.star_fit import psf_from_stars
from appulse.errors import MeasurementError


def ours(data, guess, psf, trail):
    fit = fit_source(data, *guess, psf, Noise(GAIN), trail=trail)
    return fit.x, fit.y


def windowed(data, guess, psf, trail):
    import sep

    clean = data - np.median(data)
    x, y, _ = sep.winpos(clean.astype(float), [guess[0]], [guess[1]], psf.sigma)
    return x[0], y[0]


def photutils_peer(name):
    def centroid(data, guess, psf, trail):
        from photutils import centroids

        x, y = (round(v) for v in guess)
        half = int(np.ceil(2 * psf.fwhm + trail.length / 2))
        cut = data[y - half : y + half + 1, x - half : x + half + 1] - np.median(data)
        px, py = getattr(centroids, name)(cut)
        return x - half + px, y - half + py

    return centroid


PEERS = {
    "fit": ours,
    "sep windowed": windowed,
    "photutils com": photutils_peer("centroid_com"),
    "photutils quadratic": photutils_peer("centroid_quadratic"),
    "photutils 2dg": photutils_peer("centroid_2dg"),
}


def frame_psf(rng, fwhm):
    """PSF from the stars of a frame, as the program finds it."""
    size = 400
    canvas = np.full((size, size), 400.0)
    for x, y in rng.uniform(20, size - 20, (40, 2)):
        x0, y0 = int(x) - 16, int(y) - 16
        rows, columns = np.mgrid[max(y0, 0) : min(y0 + 33, size), max(x0, 0) : min(x0 + 33, size)]
        light = pixel_image(PSF.round(fwhm), x, y, columns.ravel(), rows.ravel())[0].reshape(rows.shape)
        canvas[rows, columns] += 10 ** rng.uniform(3.7, 5.0) * light
    data = (rng.poisson(canvas) / GAIN).astype(np.float32)
    return psf_from_stars(data, detect_stars(data), Noise(GAIN)).at(size / 2, size / 2)


def main():
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    warnings.simplefilter("ignore")
    print(
        "fwhm length snr | "
        + " | ".join(PEERS)
        + " | fit, PSF of the frame | its pull width x, y   (median error of both axes if it fails)"
    )
    cells = ((2.0, 0, 30), (2.0, 10, 100), (3.0, 0, 10), (3.0, 0, 100), (3.0, 10, 30), (5.0, 10, 100))
    for fwhm, length, snr in cells:
        rng = np.random.default_rng(11)
        psf, found = PSF.round(fwhm), frame_psf(rng, fwhm)
        trail = POINT if length == 0 else Trail.straight(length, 25.0)
        half = int(np.ceil(9 * fwhm / 2.355 + length / 2)) + 2
        errors, pulls = {name: [] for name in (*PEERS, "frame")}, []
        bounds = []
        for _ in range(trials):
            x, y = half + rng.uniform(-0.5, 0.5, 2)
            mean, _, design = scene(psf, trail, snr, x, y, 2 * half + 1)
            data = (rng.poisson(mean) / GAIN).reshape(2 * half + 1, -1)
            guess = np.array([x, y]) + rng.normal(0, 0.3, 2)
            bounds.append(np.trace(bound(mean, design)))
            for name, method in PEERS.items():
                try:
                    px, py = method(data, guess, psf, trail)
                except MeasurementError:
                    px, py = np.nan, np.nan
                errors[name].append((px - x) ** 2 + (py - y) ** 2)
            fit = fit_source(data, *guess, found, Noise(GAIN), trail=trail)
            errors["frame"].append((fit.x - x) ** 2 + (fit.y - y) ** 2)
            pulls.append(np.array([fit.x - x, fit.y - y]) / np.sqrt(np.diag(fit.cov)))
        ratios = [np.sqrt(np.nanmean(values) / np.mean(bounds)) for values in errors.values()]
        words = " | ".join(f"{r:6.2f}" for r in ratios) + " | {:.3f} {:.3f}".format(*np.std(pulls, axis=0))
        print(f"{fwhm:4.1f} {length:5d} {snr:5d} | {words}", flush=True)


if __name__ == "__main__":
    main()

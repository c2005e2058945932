"""Are the sigmas true beside a galaxy and beside a star? Error over sigma of the fit, by default 1000 trials.

    python tests/benchmarks/bench_centroid_pulls.py [trials]

To reach: widths within 5% of 1, means within three of their standard errors.
"""

import sys
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "astrometry"))
from invented_frames import add_point

from appulse.astrometry.centroid import fit_source
from appulse.astrometry.noise import Noise
from appulse.astrometry.psf import PSF

SKY_E, GAIN, SIZE, FWHM = 400.0, 1.5, 39, 3.0


def galaxy(peak):
    """A body on the flank of an exponential galaxy, twelve pixels from its core."""

    def draw(canvas, x, y, rng):
        rows, columns = np.indices(canvas.shape)
        radius = np.sqrt((columns - x - 11.0) ** 2 + (rows - y + 5.0) ** 2 + 4.0)
        canvas += peak * np.exp(-radius / 10.0)
        add_point(canvas, x, y, 6000.0, FWHM)
        return ()

    return draw


def star(canvas, x, y, rng):
    """A star ten times as bright five pixels off, its detected place a little wrong."""
    add_point(canvas, x, y, 3000.0, FWHM)
    add_point(canvas, x + 5.0, y + 1.0, 30000.0, FWHM)
    return [(x + 5.0 + rng.normal(0, 0.15), y + 1.0 + rng.normal(0, 0.15))]


SCENES = {"galaxy, peak 100 e": galaxy(100.0), "galaxy, peak 2000 e": galaxy(2000.0), "star": star}


def main():
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    print("scene | pull width x y | pull mean in its errors x y | rms px | orders of the background")
    for name, draw in SCENES.items():
        rng = np.random.default_rng(20270506)
        errors, pulls, orders = [], [], Counter()
        for _ in range(trials):
            x, y = SIZE // 2 + rng.uniform(-0.5, 0.5, 2)
            canvas = np.full((SIZE, SIZE), SKY_E)
            near = draw(canvas, x, y, rng)
            data = rng.poisson(canvas) / GAIN
            fit = fit_source(data, round(x), round(y), PSF.round(FWHM), Noise(GAIN), neighbours=near)
            errors.append([fit.x - x, fit.y - y])
            pulls.append(errors[-1] / np.sqrt(np.diag(fit.cov)))
            orders[fit.background_order] += 1
        width, mean = np.std(pulls, axis=0), np.mean(pulls, axis=0) * np.sqrt(trials)
        rms = np.sqrt(np.mean(np.square(errors), axis=0))
        print(
            f"{name} | {width[0]:.3f} {width[1]:.3f} | {mean[0] / width[0]:+.1f} {mean[1] / width[1]:+.1f}"
            f" | {rms[0]:.4f} {rms[1]:.4f} | {dict(orders)}",
            flush=True,
        )


if __name__ == "__main__":
    main()

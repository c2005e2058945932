"""Are the sigmas true beside a galaxy, beside a star, undersampled? Error over sigma, by default 1000 trials.

    python tests/benchmarks/bench_centroid_pulls.py [trials] [word in the scene's name ...]

To reach: widths within 5% of 1 (beyond what so few trials leave open), means within three standard errors.
Axes: towards the galaxy's core or the star, and across.
"""

import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from appulse.astrometry.psf import PSF
from appulse.astrometry.source_fit import fit_source
from appulse.astrometry.stamp import Noise
from appulse.errors import MeasurementError
from invented_frames import add_point

SKY_E, GAIN, SIZE, FWHM = 400.0, 1.5, 39, 3.0
BODY_E = 6000.0
ANGLE = np.radians(-24.4)
"""Direction of the core or star, from +x: along no axis of the pixels."""


def exponential(peak, away, scale=10.0):
    """A body on an exponential disc, `away` px from its core."""
    return _galaxy(away, lambda r, _: peak * np.exp(-np.sqrt(r**2 + 4.0) / scale))


def power_law(peak, away, core=2.5, slope=2.2):
    """A body on the flank of a bulge that falls as a power of the distance."""
    return _galaxy(away, lambda r, _: peak * (1.0 + (r / core) ** 2) ** (-slope / 2))


def arm(peak, away, width=4.0):
    """A body on the inner flank of a spiral arm on a faint disc, with knots along it."""

    def light(r, phi):
        ridge = 16.0 * np.exp(0.25 * phi)
        knots = 1.0 + 0.3 * np.cos(7.0 * phi)
        disc = 0.4 * peak * np.exp(-r / 15.0)
        return disc + peak * knots * np.exp(-0.5 * ((r - ridge) / width) ** 2)

    return _galaxy(away, light)


def _galaxy(away, light):
    def draw(canvas, x, y, rng):
        fine = 3  # light falls off within a pixel too, near a core
        ny, nx = canvas.shape
        rows = (np.arange(ny * fine) + 0.5) / fine - 0.5
        columns = (np.arange(nx * fine) + 0.5) / fine - 0.5
        dx = columns[None, :] - x - away * np.cos(ANGLE)
        dy = rows[:, None] - y - away * np.sin(ANGLE)
        values = light(np.hypot(dx, dy), np.arctan2(dy, dx) - ANGLE - np.pi)
        canvas += values.reshape(ny, fine, nx, fine).mean(axis=(1, 3))
        add_point(canvas, x, y, BODY_E, FWHM)
        return ()

    return draw, FWHM, 0.0


def star(fwhms, ratio):
    """A star `ratio` times as bright, its detected place a little wrong."""
    dx, dy = FWHM * fwhms * np.cos(ANGLE), FWHM * fwhms * np.sin(ANGLE)

    def draw(canvas, x, y, rng):
        add_point(canvas, x, y, BODY_E, FWHM)
        add_point(canvas, x + dx, y + dy, BODY_E * ratio, FWHM)
        return [(x + dx + rng.normal(0, 0.15), y + dy + rng.normal(0, 0.15))]

    return draw, FWHM, 0.0


def undersampled(fwhm, width_error, electrons=BODY_E):
    """A narrow image whose width is known to `width_error` only."""

    def draw(canvas, x, y, rng):
        add_point(canvas, x, y, electrons, fwhm * (1.0 + width_error * rng.normal()))
        return ()

    return draw, fwhm, width_error


BRIGHT, FAINT = 10**1.2, 10**-1.2
SCENES = {
    **{f"exponential, peak {p} e, {d} px from core": exponential(p, d)
       for p, d in ((30, 12), (100, 12), (300, 12), (2000, 12), (100, 7), (300, 7), (2000, 7))},
    **{f"power law, peak {p} e, {d} px from core": power_law(p, d)
       for p, d in ((300, 6), (3000, 6), (300, 12), (3000, 12), (30000, 12))},
    **{f"arm, peak {p} e, {d} px from centre": arm(p, d) for p, d in ((60, 12), (300, 12), (1500, 12))},
    **{f"star {how} by 3 mag at {d} FWHM": star(d, ratio)
       for d in (1.0, 1.5, 2.0, 3.0, 4.0) for how, ratio in (("brighter", BRIGHT), ("fainter", FAINT))},
    **{f"undersampled, FWHM {f}, width known to {100 * e:g}%": undersampled(f, e)
       for f in (1.2, 1.5, 1.8, 2.0) for e in (0.03, 0.1)},
}  # fmt: skip


def trial(scene, rng):
    """Error and pull towards the neighbour and across, and the fit."""
    draw, fwhm, width_error = scene
    x, y = SIZE // 2 + rng.uniform(-0.5, 0.5, 2)
    canvas = np.full((SIZE, SIZE), SKY_E)
    near = draw(canvas, x, y, rng)
    data = rng.poisson(canvas) / GAIN
    psf = replace(PSF.round(fwhm), width_error=width_error)
    fit = fit_source(data, round(x), round(y), psf, Noise(GAIN), neighbours=near)
    c, s = np.cos(ANGLE), np.sin(ANGLE)
    turn = np.array([[c, s], [-s, c]])
    error = turn @ [fit.x - x, fit.y - y]
    return error, error / np.sqrt(np.diag(turn @ fit.cov @ turn.T)), fit


def main():
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    wanted = sys.argv[2:]
    print(f"{trials} trials a scene: widths +-{1 / np.sqrt(2 * trials):.3f}")
    print("scene | pull width towards, across | pull mean in its errors | rms px | orders | lost")
    for name, scene in SCENES.items():
        if wanted and not any(word in name for word in wanted):
            continue
        rng = np.random.default_rng(20270506)
        errors, pulls, orders, lost = [], [], Counter(), 0
        for _ in range(trials):
            try:
                error, pull, fit = trial(scene, rng)
            except MeasurementError:
                lost += 1
                continue
            errors.append(error)
            pulls.append(pull)
            orders[fit.background_order] += 1
        width = np.std(pulls, axis=0)
        mean = np.mean(pulls, axis=0) * np.sqrt(len(pulls)) / width
        rms = np.sqrt(np.mean(np.square(errors), axis=0))
        over = np.abs(width - 1).max() > 0.05 + 2 / np.sqrt(2 * trials) or np.abs(mean).max() > 3
        print(
            f"{name} | {width[0]:.3f} {width[1]:.3f} | {mean[0]:+.1f} {mean[1]:+.1f} | {rms[0]:.4f} "
            f"{rms[1]:.4f} | {dict(sorted(orders.items()))} | {lost}{'  <-- off' if over else ''}",
            flush=True,
        )


if __name__ == "__main__":
    main()

"""Invented comets with known nuclei through `measure`: are the places honest, and what does a centroid do?

python tests/benchmarks/bench_nucleus.py [comets] [first seed] [--jets] [--sun]

Each comet is drawn by `tests/invented_nights.py` (any_comet) from its seed: slopes 0.7 to 1.6, S/N 10 to 200,
tails at any angle, trails of a FWHM and more, stars within. Printed: pulls of both axes (0.9 to 1.1), bias
along the tail (at most 0.1 sigma), the same of a plain centroid (light above the sky within two FWHM of the
true place, which flatters it), sigma over the Cramer-Rao bound of a comet whose shape is known, and the seeds
worth a look.
"""

import argparse
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
import appulse
from appulse.astrometry import Prediction, check_plate, measure
from appulse.frames import read_frame
from invented_nights import any_comet, make_night, with_jets


def centroid(pixels, truth, fwhm, noise):
    """Centre of the light within two FWHM, the sky's median taken off, and its photon sigma, px."""
    rows, columns = np.indices(pixels.shape)
    away = np.hypot(columns - truth.x, rows - truth.y)
    use, ring = away < 2 * fwhm, (away > 6 * fwhm) & (away < 9 * fwhm)
    light = pixels[use] - np.median(pixels[ring])
    variance = np.var(pixels[ring][np.abs(pixels[ring] - np.median(pixels[ring])) < 4 * np.std(pixels[ring])])
    variance = variance + np.maximum(light, 0) / noise.gain_e_adu
    total = light.sum()
    place = np.array([light @ columns[use], light @ rows[use]]) / total
    sides = np.array([columns[use], rows[use]]) - place[:, None]
    return place, np.sqrt((sides**2 * variance).sum(axis=1)) / abs(total)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("comets", type=int, nargs="?", default=300)
    parser.add_argument("first", type=int, nargs="?", default=1)
    parser.add_argument("--jets", action="store_true", help="comets with curled jets and bent tails")
    parser.add_argument("--sun", action="store_true", help="the Sun's direction is known; tails lag")
    options = parser.parse_args()
    pulls, tailward, plain, ratios, worth = [], [], [], [], []
    for seed in range(options.first, options.first + options.comets):
        plan = with_jets(any_comet(seed)) if options.jets else any_comet(seed)
        with tempfile.TemporaryDirectory() as folder:
            night = make_night(plan, Path(folder))
            truth, frame = night.truths[0], read_frame(night.frames[0])
            row = appulse.open_bodies("C/2099 A1", positions=night.positions).in_frame(frame)[0]
            plate = check_plate(frame, appulse.open_stars(night.stars).around(frame))
            known = Prediction.from_row(row)
            if options.sun:
                lag = np.random.default_rng(30_000 + seed).normal(0.0, 20.0)
                known = replace(known, antisolar_pa=(plan.comet.tail_pa_deg + lag) % 360.0)
            residual = measure(frame, known, plate)
            centre, its = centroid(plate.survey.pixels, truth, plan.fwhm_px, plate.survey.noise)
            frame.release()
        if not residual.seen:
            worth.append(f"{seed} S/N {truth.snr:.0f} slope {plan.comet.slope:.2f}: {residual.flag[:80]}")
            continue
        pa = np.radians(plan.comet.tail_pa_deg)
        axis = np.linalg.solve(frame.jacobian(truth.x, truth.y), [np.sin(pa), np.cos(pa)])
        axis /= np.hypot(*axis)
        cov, error = residual.fit.cov, np.array([residual.fit.x - truth.x, residual.fit.y - truth.y])
        pulls.append(np.linalg.solve(np.linalg.cholesky(cov), error))
        tailward.append(axis @ error / np.sqrt(axis @ cov @ axis))
        plain.append(axis @ (centre - (truth.x, truth.y)) / np.sqrt((axis**2) @ its**2))
        ratios.append(np.sqrt(np.trace(cov) / np.sum(np.square(truth.bound_px))))
        if np.abs(pulls[-1]).max() > 3.5:
            worth.append(f"{seed} S/N {truth.snr:.0f}: pulls {pulls[-1].round(1)}")
    pulls, n = np.array(pulls), len(pulls)
    print(f"{n} of {options.comets} measured")
    for words, values in (("both axes", pulls), ("along the tail", tailward), ("plain centroid", plain)):
        values = np.array(values)
        core = 0.7413 * np.subtract(*np.percentile(values, [75, 25]))
        print(f"pulls, {words}: standard deviation {values.std():.3f}, width of the core {core:.3f}")
    for words, values in (("nucleus in a coma", tailward), ("plain centroid", plain)):
        error = np.std(values) / np.sqrt(n)
        print(f"bias along the tail, {words}: {np.mean(values):+.3f}+-{error:.3f} sigma "
              f"(median {np.median(values):+.3f})")  # fmt: skip
    print(f"sigma over the bound of a known shape: median {np.median(ratios):.2f}")
    for words in worth:
        print(f"    {words}")


if __name__ == "__main__":
    main()

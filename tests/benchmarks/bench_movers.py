"""Unknown movers in invented series of four frames: how many are found, how many are false.

    python tests/benchmarks/bench_movers.py [fields per cell]

Four movers a field, of one signal to noise (matched filter, on the sky alone) and one rate, in directions and
places of chance, among forty stars; frames 40 minutes apart. Found: a line of that rate within five of its
sigmas and a tenth of it, through the planted place within 3 arcsec.
"""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "astrometry"))
from invented_frames import READ_E, SKY_E
from test_movers_found import SHAPE, series

from appulse.astrometry.movers import find_movers

SCALE, PLANTED, FRAMES, STEP_MIN, STARS = 3.6, 4, 4, 40.0, 40


def field(rng, snr, rate):
    """Movers planted and found: counts of planted, found, false."""
    sigma = 2.8 / 2.354820045
    flux = snr * np.sqrt(SKY_E + READ_E**2) * 2 * np.sqrt(np.pi) * sigma
    hours = STEP_MIN / 60 * np.arange(FRAMES)
    planted = []
    while len(planted) < PLANTED:
        turn, speed = rng.uniform(0, 2 * np.pi), rate / SCALE
        dx, dy = speed * np.cos(turn), speed * np.sin(turn)
        x, y = rng.uniform(8, SHAPE[1] - 8), rng.uniform(8, SHAPE[0] - 8)
        end = x + dx * hours[-1], y + dy * hours[-1]
        if 8 < end[0] < SHAPE[1] - 8 and 8 < end[1] < SHAPE[0] - 8:
            planted.append((x, y, dx, dy, flux))
    frames, plates = series(rng, planted, n_frames=FRAMES, step_min=STEP_MIN, n_stars=STARS)
    found, false = set(), 0
    for mover in find_movers(frames, plates, max_rate=400.0):
        k, x, y = mover.sightings[0]
        near = [
            i for i, (x0, y0, dx, dy, _) in enumerate(planted)
            if SCALE * np.hypot(x0 + dx * hours[k] - x, y0 + dy * hours[k] - y) < 3.0
            and abs(mover.rate - rate) < 5 * mover.sigma_rate + 0.1 * rate
        ]  # fmt: skip
        found.update(near)
        false += not near
    return PLANTED, len(found), false


def main():
    fields = int(sys.argv[1]) if len(sys.argv) > 1 else 25
    print("snr  rate (arcsec/h) | found of planted | false lines")
    for snr in (5.0, 6.0, 8.0, 12.0, 30.0):
        for rate in (10.0, 60.0, 200.0):
            rng = np.random.default_rng([20270505, int(snr), int(rate)])
            planted, found, false = np.sum([field(rng, snr, rate) for _ in range(fields)], axis=0)
            print(f"{snr:4.0f} {rate:5.0f} | {found:3d} of {planted} | {false} in {fields}", flush=True)


if __name__ == "__main__":
    main()

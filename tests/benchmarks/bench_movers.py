"""Unknown movers in invented series of four frames: how many are found, how many are false.

    python tests/benchmarks/bench_movers.py [fields per cell] [plain|nebula|seeing|moved|rough ...]
    python tests/benchmarks/bench_movers.py speed [megapixels [frames ...]]

Four movers a field, of one signal to noise (matched filter, on the sky alone, at a FWHM of 2.8 px) and one
rate, in directions and places of chance, among forty stars; frames 40 minutes apart. Found: a line of that
rate, within five of its sigmas and a tenth of it, whose middle detection is within 3 arcsec of the planted
place. False: a line without a planted mover of its rate within 6 arcsec. Both methods see the same frames:
the lists of sources, and the star-subtracted frames.

plain: one seeing; nebula: over clouds and knots as bright as the sky; seeing: FWHM 2.4 to 3.5 px from frame
to frame; moved: frames shifted, turned and one mirrored against each other; rough: seeing and moved together,
stars of Moffat profile (beta 3) that widen towards a side, 90 of them down to 18.5 mag, saturation at 40,000
units, ten cosmic rays a frame.

speed: the whole of `appulse movers` on an undarked night with a satellite (`tests/invented_nights.py`; 0.5
megapixel; 4, 8 and 16 frames), one process: CPU seconds, and the exponent of their growth with the number of
frames (bound 1.1).
"""

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "movers"))
from invented_movers import SHAPE, nebula, series

from appulse.movers.mover_search import search_movers
from appulse.workflows import find_movers, open_stars
from invented_frames import READ_E, SKY_E
from invented_nights import NightPlan, make_night

SCALE, PLANTED, FRAMES, STEP_MIN, STARS = 3.6, 4, 4, 40.0, 40
METHODS = ("lists", "star-subtracted")
POSES = (
    (0.0, False, 0.0, 0.0), (0.6, False, 25.0, -18.0), (179.0, False, -12.0, 9.0), (0.3, True, 14.0, 22.0),
)  # fmt: skip


def add_moffat(canvas, x, y, electrons, fwhm, beta=3.0):
    """A Moffat profile, 5 x 5 points a pixel, up to a tenth wider to the right."""
    alpha = fwhm * (1 + 0.1 * x / SHAPE[1]) / (2 * np.sqrt(2 ** (1 / beta) - 1))
    reach = int(min(40, 4 + 3 * alpha * max(electrons / 30.0, 1.0) ** (0.5 / beta)))
    x0, x1 = max(0, round(x) - reach), min(SHAPE[1], round(x) + reach + 1)
    y0, y1 = max(0, round(y) - reach), min(SHAPE[0], round(y) + reach + 1)
    if x0 >= x1 or y0 >= y1:
        return
    fine = (np.arange(5) - 2) / 5
    px = (np.arange(x0, x1)[:, None] + fine).ravel() - x
    py = (np.arange(y0, y1)[:, None] + fine).ravel() - y
    light = (1 + (px[None, :] ** 2 + py[:, None] ** 2) / alpha**2) ** -beta
    light = light.reshape(y1 - y0, 5, x1 - x0, 5).sum(axis=(1, 3))
    canvas[y0:y1, x0:x1] += electrons * (beta - 1) / (np.pi * alpha**2) / 25 * light


def plant(rng, snr, rate):
    """Movers (x, y, dx, dy per hour, electrons) that stay on the frame."""
    flux = snr * np.sqrt(SKY_E + READ_E**2) * 2 * np.sqrt(np.pi) * 2.8 / 2.354820045
    last = STEP_MIN / 60 * (FRAMES - 1)
    planted = []
    while len(planted) < PLANTED:
        turn, speed = rng.uniform(0, 2 * np.pi), rate / SCALE
        dx, dy = speed * np.cos(turn), speed * np.sin(turn)
        x, y = rng.uniform(8, SHAPE[1] - 8), rng.uniform(8, SHAPE[0] - 8)
        end = x + dx * last, y + dy * last
        if 8 < end[0] < SHAPE[1] - 8 and 8 < end[1] < SHAPE[0] - 8:
            planted.append((x, y, dx, dy, flux))
    return planted


def field(rng, snr, rate, kind):
    """Found and false of each method in one field: (methods, 2)."""
    planted = plant(rng, snr, rate)
    more = {"n_stars": STARS}
    if kind == "nebula":
        more["cloud"] = nebula(rng, SHAPE)
    if kind in ("seeing", "rough"):
        more["fwhms"] = list(rng.permutation([2.4, 2.7, 3.1, 3.5]))
    if kind in ("moved", "rough"):
        more["poses"] = POSES
    if kind == "rough":
        more |= {"draw": add_moffat, "n_stars": 90, "faintest": 18.5, "saturation": 40_000.0, "hits": 10}
    frames, plates = series(rng, planted, n_frames=FRAMES, step_min=STEP_MIN, **more)
    return np.array([
        judge(search_movers(frames, plates, max_rate=400.0, method=method), frames, planted, rate)
        for method in METHODS
    ])  # fmt: skip


def judge(search, frames, planted, rate):
    """How many of the planted were found, how many more lines there are."""
    found, false = set(), 0
    for mover in search.movers:
        k, x, y = mover.detections[len(mover.detections) // 2]
        x, y = frames[0].to_pixel(*frames[k].to_sky(x, y))
        hours = STEP_MIN / 60 * k
        apart = {
            i: SCALE * np.hypot(x0 + dx * hours - x, y0 + dy * hours - y)
            for i, (x0, y0, dx, dy, _) in enumerate(planted)
            if abs(mover.rate - rate) < 5 * mover.sigma_rate + 0.1 * rate
        }
        found.update(i for i, distance in apart.items() if distance < 3.0)
        false += not any(distance < 6.0 for distance in apart.values())
    return len(found), false


def speed(megapixels=0.5, *counts):
    """CPU seconds of the whole search against the number of frames."""
    counts = [int(count) for count in counts] or [4, 8, 16]
    ny = round(np.sqrt(0.8e6 * megapixels))
    shape = ny, round(1e6 * megapixels / ny)
    plan = NightPlan(
        seed=20270505, frames=max(counts), shape=shape, stars=int(400 * megapixels) + 20, hot_share=0.0004,
        snr=40.0, rate_arcsec_h=33.0, gap_s=7200.0 / max(counts), satellite_on=2,
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        night = make_night(plan, Path(folder))
        stars = open_stars(night.stars)
        find_movers(night.frames[:: max(counts) // 3], None, stars)  # what is loaded once
        taken = []
        for count in counts:
            started = time.process_time()
            found = find_movers(night.frames[:: max(counts) // count], None, stars)
            taken.append(time.process_time() - started)
            rates = ", ".join(f"{row['rate']:.2f} arcsec/h on {row['frames']}" for row in found.table)
            words = f"{count} frames of {megapixels:g} megapixel: {taken[-1]:.1f} s"
            print(f"{words}; planted 33.00, found {rates or 'nothing'}", flush=True)
    print(f"exponent {np.polyfit(np.log(counts), np.log(taken), 1)[0]:.2f} (bound 1.1)")


def main():
    if sys.argv[1:2] == ["speed"]:
        speed(*(float(word) for word in sys.argv[2:]))
        return
    fields = int(sys.argv[1]) if len(sys.argv) > 1 else 25
    kinds = sys.argv[2:] or ["plain", "nebula", "seeing", "moved", "rough"]
    for kind in kinds:
        print(f"{kind}: {FRAMES} frames, {PLANTED * fields} planted a cell")
        print(" snr  rate (arcsec/h) | found: lists, star-subtracted | false: lists, star-subtracted")
        total = np.zeros((2, 2), int)
        for snr in (5.0, 6.0, 8.0, 12.0, 30.0):
            for rate in (10.0, 60.0, 200.0):
                rng = np.random.default_rng([20270505, int(snr), int(rate)])
                (a, c), (b, d) = cell = np.sum([field(rng, snr, rate, kind) for _ in range(fields)], axis=0)
                total += cell
                print(f"{snr:4.0f} {rate:5.0f} | {a:4d} {b:4d} | {c:3d} {d:3d}", flush=True)
        fields_seen = 15 * fields
        print(f"false lines in {fields_seen} fields: lists {total[0, 1]}, star-subtracted {total[1, 1]}\n")


if __name__ == "__main__":
    main()

"""Unknown movers in invented series of four frames: how many are found, how many are false.

    python tests/benchmarks/bench_movers.py [fields per cell] [plain|nebula|seeing|moved]

Four movers a field, of one signal to noise (matched filter, on the sky alone, at a FWHM of 2.8 px) and one
rate, in directions and places of chance, among forty stars; frames 40 minutes apart. Found: a line of that
rate, within five of its sigmas and a tenth of it, whose middle sighting is within 3 arcsec of the planted
place. Both methods see the same frames: the lists of sources, and the star-subtracted frames.

plain: one seeing; nebula: over clouds and knots as bright as the sky; seeing: FWHM 2.4 to 3.5 px from frame
to frame; moved: frames shifted, turned and one mirrored against each other.
"""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "astrometry"))
from invented_frames import READ_E, SKY_E
from test_movers_found import SHAPE, nebula, series

from appulse.astrometry.movers import search_movers

SCALE, PLANTED, FRAMES, STEP_MIN, STARS = 3.6, 4, 4, 40.0, 40
METHODS = ("lists", "star-subtracted")
POSES = (
    (0.0, False, 0.0, 0.0), (0.6, False, 25.0, -18.0), (179.0, False, -12.0, 9.0), (0.3, True, 14.0, 22.0),
)  # fmt: skip


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
    more = {}
    if kind == "nebula":
        more["cloud"] = nebula(rng, SHAPE)
    elif kind == "seeing":
        more["fwhms"] = list(rng.permutation([2.4, 2.7, 3.1, 3.5]))
    elif kind == "moved":
        more["poses"] = POSES
    frames, plates = series(rng, planted, n_frames=FRAMES, step_min=STEP_MIN, n_stars=STARS, **more)
    return np.array([
        judge(search_movers(frames, plates, max_rate=400.0, method=method), frames, planted, rate)
        for method in METHODS
    ])  # fmt: skip


def judge(search, frames, planted, rate):
    """How many of the planted were found, how many more lines there are."""
    found, false = set(), 0
    for mover in search.movers:
        k, x, y = mover.sightings[len(mover.sightings) // 2]
        x, y = frames[0].to_pixel(*frames[k].to_sky(x, y))
        hours = STEP_MIN / 60 * k
        near = [
            i for i, (x0, y0, dx, dy, _) in enumerate(planted)
            if SCALE * np.hypot(x0 + dx * hours - x, y0 + dy * hours - y) < 3.0
            and abs(mover.rate - rate) < 5 * mover.sigma_rate + 0.1 * rate
        ]  # fmt: skip
        found.update(near)
        false += not near
    return len(found), false


def main():
    fields = int(sys.argv[1]) if len(sys.argv) > 1 else 25
    kinds = sys.argv[2:] or ["plain", "nebula", "seeing", "moved"]
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

"""The ephemeris beside an independent N-body program, and its own goals. Run by hand:

    python tests/benchmarks/bench_ephemeris.py

Needs the extra 'compare'. Both sides run in one process, in turns; ratios are of the best of three runs.
"""

import sys
import time
from pathlib import Path

import numpy as np
from astropy.time import Time

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "bodies"))

from worlds import EPOCH_D, EPOCH_JD, assist_states, barycentric, main_belt, milliarcsec

from appulse.bodies.engine import Trajectory
from appulse.bodies.ephemeris import NBodyEphemeris
from appulse.bodies.kernels import EARTH, default_kernels
from appulse.bodies.orbit import Orbit
from appulse.observers.site import Site


def against_assist(count, days, turns=3):
    """Main belt, all bodies in one simulation each."""
    kernels, state = default_kernels(), main_belt(count)
    start = barycentric(kernels, state, EPOCH_D)
    earth = kernels.major(np.array([EPOCH_D + days]))[0][0, EARTH]
    ours_s, theirs_s = [], []
    for _ in range(turns):
        begun = time.perf_counter()
        track = Trajectory(kernels, np.full(count, EPOCH_D), state)
        ours = track.states(np.arange(count), np.full((count, 1), EPOCH_D + days))[:, 0, :3]
        ours_s.append(time.perf_counter() - begun)
        theirs, took = assist_states(start, EPOCH_JD, EPOCH_JD + days)
        theirs_s.append(took)
    off = milliarcsec(ours, theirs, earth)
    print(
        f"{count} main-belt bodies, {days:.0f} d: {min(ours_s):.3f} s, assist {min(theirs_s):.3f} s,"
        f" ratio {min(theirs_s) / min(ours_s):.2f}; max {off.max():.4f} mas, median {np.median(off):.4f}"
    )


def warm_night():
    """One body, 200 times in a night, once the night has been asked for before."""
    orbit = Orbit.from_state("1", EPOCH_JD, main_belt(1)[0])
    ephemeris, site = NBodyEphemeris([orbit]), Site.from_mpc_code("X05")
    times = Time(EPOCH_JD + 180.0 + np.linspace(0.0, 0.4, 200), format="jd", scale="utc")
    ephemeris.at(times, site)
    runs = []
    for shift in range(10):
        moved = Time(times.jd1, times.jd2 + shift * 1e-4, format="jd", scale="utc")
        begun = time.perf_counter()
        ephemeris.at(moved, site)
        runs.append(time.perf_counter() - begun)
    best, middle = min(runs) * 1e3, np.median(runs) * 1e3
    print(f"one body, 200 times, warm: {best:.1f} ms (goal 20), median {middle:.1f} ms")


if __name__ == "__main__":
    against_assist(1000, 365.0)
    against_assist(200, 3652.0)
    warm_night()

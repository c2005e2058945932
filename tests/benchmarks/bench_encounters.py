"""Encounter search: cost against bodies, days and objects, beside a loop of search_around_sky.

    python tests/benchmarks/bench_encounters.py [BODIES] [DAYS]
    python tests/benchmarks/bench_encounters.py --full [PROCESSES]

Invented main-belt orbits, the whole deep-sky catalogue. Everything is timed in one run on one process; ratios
are what counts on a noisy machine. With --full, the search that is meant to end within 40 seconds and 2 GB:
10,000 bodies, every object of the catalogue, 365 days, on two processes.
"""

import resource
import sys
import time
import warnings
from concurrent.futures import ProcessPoolExecutor

import numpy as np
from astropy import units as u
from astropy.coordinates import SkyCoord, search_around_sky
from astropy.time import Time, TimeDelta

from appulse.bodies.catalogue import OrbitCatalogue
from appulse.bodies.ephemeris import NBodyEphemeris
from appulse.encounters.campaign_file import TargetChoice
from appulse.encounters.passes import PassSearch, find_passes
from appulse.encounters.paths import follow
from appulse.encounters.targets import choose_targets
from appulse.observers.site import Site

EPOCH_JD = 2_461_400.5
START = Time("2026-12-20")


def invented_main_belt(n, seed=0):
    """Orbits spread as the main belt's are, roughly."""
    rng = np.random.default_rng(seed)
    a, e = rng.uniform(2.1, 3.3, n), rng.uniform(0.0, 0.25, n)
    tp = EPOCH_JD - rng.uniform(0, 1, n) * 365.25 * a**1.5
    angles = rng.uniform(0, 360, (2, n))
    elements = np.stack([a * (1 - e), e, rng.rayleigh(7.0, n), *angles, tp], axis=1)
    names = np.array([f"{1_000_000 + i}" for i in range(n)])
    return OrbitCatalogue(
        names, np.full(n, EPOCH_JD), elements=elements, h=rng.uniform(8, 15, n), g=np.full(n, 0.15)
    )


def timed(function):
    """Result and seconds."""
    begin = time.perf_counter()
    result = function()
    return result, time.perf_counter() - begin


def search_of(targets, days, within=10.0):
    """The search over some days."""
    return PassSearch(targets, START, START + TimeDelta(days, format="jd"), Site.geocentre(), within)


def sky_loop(catalogue, targets, days, within=10.0):
    """Pairs within reach on each day by astropy's own search, on the same integrated places."""
    objects = SkyCoord(targets.ra * u.deg, targets.dec * u.deg)
    ephemeris = NBodyEphemeris(catalogue)
    count = 0
    for paths in follow(ephemeris, START, START + TimeDelta(days, format="jd")):
        for k in range(len(paths.t_d)):
            x, y, z = paths.vectors[:, k].T
            bodies = SkyCoord(x=x, y=y, z=z, representation_type="cartesian")
            bodies = SkyCoord(bodies.spherical.lon, bodies.spherical.lat)
            # a day's motion on top: the loop has no arcs, it must not miss what passes between two days
            count += len(search_around_sky(bodies, objects, (within / 60 + 0.25) * u.deg)[0])
    return count


def main(bodies=1000, days=365):
    """Print times and ratios."""
    warnings.simplefilter("ignore")
    targets = choose_targets(TargetChoice())
    tenth = targets.take(np.arange(0, len(targets), 10))
    catalogue = invented_main_belt(bodies)
    half = catalogue.take(np.arange(bodies // 2))
    whole, t_whole = timed(lambda: find_passes(catalogue, search_of(targets, days)))
    _, t_half = timed(lambda: find_passes(half, search_of(targets, days)))
    _, t_days = timed(lambda: find_passes(catalogue, search_of(targets, days / 2)))
    few, t_few = timed(lambda: find_passes(catalogue, search_of(tenth, days)))
    _, t_loop = timed(lambda: sky_loop(half, targets, days / 4))
    _, t_same = timed(lambda: find_passes(half, search_of(targets, days / 4)))
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"{bodies} bodies x {len(targets)} objects x {days} days: {len(whole)} passes, {t_whole:.1f} s")
    print(f"  twice the bodies:          {t_whole / t_half:.2f} x the time (linear: 2)")
    print(f"  twice the days:            {t_whole / t_days:.2f} x the time (linear: 2)")
    passes = len(whole) / len(few)
    print(f"  ten times the objects:     {t_whole / t_few:.2f} x the time, {passes:.1f} x the passes")
    print(f"  search_around_sky, a slice: {t_loop / t_same:.2f} x ours (it finds no times and no outlines)")
    print(f"  largest memory:            {memory:.2f} GB")
    full = t_whole * 1e4 / bodies * 365 / days / 2
    print(f"  10,000 bodies x 365 days on 2 processes, by proportion: {full:.0f} s")


def full(processes=2):
    """Print the time and the memory of the whole search, all processes together."""
    targets = choose_targets(TargetChoice())
    catalogue = invented_main_belt(10_000)
    with ProcessPoolExecutor(processes) as pool:
        passes, seconds = timed(lambda: find_passes(catalogue, search_of(targets, 365), run=pool.map))
    parent, worker = (
        resource.getrusage(who).ru_maxrss / 1e6 for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    print(f"10,000 bodies x {len(targets)} objects x 365 days on {processes} processes:")
    print(f"  {len(passes)} passes, {seconds:.0f} s (bound 40)")
    print(f"  memory: {parent:.2f} GB and at most {worker:.2f} GB in each process (bound 2 in all)")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--full"]:
        full(*(int(word) for word in sys.argv[2:]))
    else:
        main(*(int(word) for word in sys.argv[1:]))

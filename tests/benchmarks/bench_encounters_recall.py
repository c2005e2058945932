"""Encounter search against brute force: 200 random orbits, 2,000 random objects, 200 days.

    python tests/benchmarks/bench_encounters_recall.py

Brute force: places of all bodies every half hour straight from the ephemeris (no spline, no tree), separation
from every object, every local minimum below the reach; then both lists are compared.
"""

import warnings

import numpy as np
from astropy.time import Time, TimeDelta
from bench_encounters import invented_main_belt

from appulse.bodies.ephemeris import NBodyEphemeris
from appulse.catalogues.deepsky import Outline
from appulse.encounters.passes import PassSearch, find_passes
from appulse.encounters.targets import Targets
from appulse.observers.site import Site

BODIES, OBJECTS, DAYS, STEP_H, WITHIN_ARCMIN = 200, 2000, 200, 0.5, 30.0


def main():
    """Print recall and precision."""
    warnings.simplefilter("ignore")
    rng = np.random.default_rng(11)
    catalogue = invented_main_belt(BODIES, seed=11)
    start = Time("2027-01-01")
    # objects along the belt, so that there is something to find
    ra, dec = rng.uniform(0, 360, OBJECTS), rng.normal(0, 20, OBJECTS).clip(-85, 85)
    targets = Targets.from_outlines(
        Outline(f"T{i}", "point", a, d) for i, (a, d) in enumerate(zip(ra, dec, strict=True))
    )
    search = PassSearch(targets, start, start + TimeDelta(DAYS, format="jd"), Site.geocentre(), WITHIN_ARCMIN)
    found = {(p.row, int(p.target.name[1:]), round(p.time.mjd * 4)) for p in find_passes(catalogue, search)}
    truth = brute_force(catalogue, targets, start)
    near = {(b, t, q + d) for b, t, q in truth for d in (-1, 0, 1)}
    mine = {(b, t, q + d) for b, t, q in found for d in (-1, 0, 1)}
    recall = np.mean([one in mine for one in truth])
    precision = np.mean([one in near for one in found])
    print(f"{len(truth)} passes by brute force, {len(found)} by the search")
    print(f"recall {recall:.4f}, precision {precision:.4f}")


def brute_force(catalogue, targets, start):
    """Body, object and quarter day of every minimum below the reach."""
    ephemeris = NBodyEphemeris(catalogue)
    steps = int(DAYS * 24 / STEP_H)
    unit, reach = targets.unit, np.cos(np.radians(WITHIN_ARCMIN / 60))
    times = start + TimeDelta(np.arange(steps + 1) * STEP_H * 3600.0, format="sec")
    truth = set()
    for row in range(len(catalogue)):
        vector = ephemeris.vectors(times, Site.geocentre(), [row])[0]
        vector /= np.linalg.norm(vector, axis=1, keepdims=True)
        cosine = vector @ unit.T
        high = (cosine[1:-1] > cosine[:-2]) & (cosine[1:-1] >= cosine[2:])
        for k, j in zip(*np.nonzero(high), strict=True):
            low, mid, up = cosine[k : k + 3, j]
            peak = mid - (up - low) ** 2 / 8 / (low - 2 * mid + up)  # parabola through the three
            if peak >= reach:
                truth.add((row, int(j), round(times.mjd[k + 1] * 4)))
    return truth


if __name__ == "__main__":
    main()

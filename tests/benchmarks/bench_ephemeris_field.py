"""Field search over 1.4 million invented orbits. Run by hand:

    python tests/benchmarks/bench_ephemeris_field.py [COUNT]
"""

import resource
import sys
import time
from pathlib import Path

import numpy as np
from astropy.time import Time

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "bodies"))

from invented_sky import invented_catalogue

from appulse.bodies.field_search import bodies_in_field, night_sky
from appulse.bodies.kernels import default_kernels
from appulse.numerics.sphere import unit_from_radec
from appulse.observers.site import Site


def timed(call):
    begun = time.perf_counter()
    result = call()
    return time.perf_counter() - begun, result


def main(count):
    catalogue, site, when = invented_catalogue(count), Site.from_mpc_code("X05"), Time("2026-05-20T04:00:00")
    kernels = default_kernels()
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    bodies_in_field(invented_catalogue(1000, seed=9), when, site, 200.0, -10.0, 1.0)  # imports, tables
    cold, table = timed(lambda: bodies_in_field(catalogue, when, site, 200.0, -10.0, 1.0, limit_mag=21.0))
    passes = [timed(lambda: night_sky(catalogue, 9636.0, kernels)) for _ in range(3)]
    sky, centre = passes[0][1], unit_from_radec(240.0, -20.0)
    cuts = [timed(lambda: sky.survivors(centre, np.radians(1.0), 9636.3, 21.0)) for _ in range(5)]
    warm, _ = timed(lambda: bodies_in_field(catalogue, when, site, 240.0, -20.0, 1.0, limit_mag=21.0))
    again, _ = timed(lambda: bodies_in_field(catalogue, when, site, 240.0, -20.0, 1.0, limit_mag=21.0))
    one_pass, cut = min(p[0] for p in passes), min(c[0] for c in cuts)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(f"{count} orbits; radius 1 degree, limit 21: {len(table)} bodies")
    print(f"cold, sky and integration: {cold:.2f} s (goal 3)")
    ratio = one_pass / cut
    print(f"two-body pass over all {one_pass:.3f} s, cut by the cached sky {cut * 1e3:.1f} ms: 1/{ratio:.0f}")
    print(f"new field of the same night, integration of {len(cuts[0][1])} included: {warm:.2f} s (goal 1)")
    print(f"the same field again: {again:.2f} s")
    print(f"memory {peak / 1e6:.2f} GB at most, of which {before / 1e6:.2f} before the first search")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_400_000)

"""Reading MPCORB: lines per second beside two bounds in the same run.

    python tests/benchmarks/bench_mpcorb.py [lines]

Bounds: merely splitting the bytes into lines, and ``float`` on the six elements of each line in a plain loop
(the least that a reader without arrays would do). Prints memory, too.
"""

import gzip
import os
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from appulse.bodies.designations import LETTERS, pack
from appulse.bodies.readers import read_orbits

HALF_MONTHS = "ABCDEFGHJKLMNOPQRSTUVWXY"
FIELDS = ((26, 35), (37, 46), (48, 57), (59, 68), (70, 79), (92, 103))


def lines(n, rng):
    """Invented lines: two thirds numbered, the others provisional."""
    a, e, i = rng.uniform(2.0, 3.3, n), rng.uniform(0.0, 0.3, n), rng.uniform(0, 30, n)
    node, peri, m = rng.uniform(0, 360, (3, n))
    motion = np.degrees(0.01720209895) / a**1.5
    for k in range(n):
        if k < 2 * n // 3:
            name, readable = str(k + 1), f"{f'({k + 1})':>8}"
        else:
            year, rest = 2000 + k % 25, k // 25
            count = rest // (24 * 25)
            name = f"{year} {HALF_MONTHS[rest % 24]}{LETTERS[rest // 24 % 25]}{count or ''}"
            readable = " " * 9 + name
        start = f"{pack(name):7} {15.0:5.2f} {0.15:5.2f} K2655 {m[k]:9.5f}  {peri[k]:9.5f}  {node[k]:9.5f}  "
        middle = f"{i[k]:9.5f}  {e[k]:9.7f} {motion[k]:11.8f} {a[k]:11.7f}  0 MPO492748  6751 115 1801-2019"
        yield f"{start + middle + ' 0.60 M-v 30h Nobody     0000':166}{readable:28}20260915"


def timed(function):
    start = time.perf_counter()
    result = function()
    return result, time.perf_counter() - start


def plain_loop(content):
    return [[float(line[a:b]) for a, b in FIELDS] for line in content.decode("ascii").split("\n") if line]


def peak_gb():
    try:
        import resource
    except ImportError:  # Windows
        return float("nan")
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1e6 if sys.platform != "darwin" else 1e9)


def main():
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 1_400_000
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "MPCORB.DAT"
        path.write_text("\n".join(lines(n, np.random.default_rng(1))) + "\n", encoding="ascii")
        catalogue, read_s = timed(lambda: read_orbits(path))
        memory = peak_gb()
        _, state_s = timed(lambda: catalogue.state)
        _, select_s = timed(lambda: catalogue.select(catalogue.label(n - 1)))
        content = path.read_bytes()
        _, split_s = timed(lambda: content.split(b"\n"))
        _, loop_s = timed(lambda: plain_loop(content))
        zipped = Path(folder) / "MPCORB.DAT.gz"
        with gzip.open(zipped, "wb", compresslevel=1) as file:
            file.write(content)
        _, gz_s = timed(lambda: read_orbits(zipped))
        print(f"{n} lines, {os.path.getsize(path) / 1e6:.0f} MB; {len(catalogue)} read")
    print(f"read_orbits            {read_s:7.2f} s  {n / read_s:9.0f} lines/s")
    print(f"  gzipped              {gz_s:7.2f} s")
    print(f"  / splitting lines    {read_s / split_s:7.1f} x  ({split_s:.2f} s)")
    print(f"  / loop of float()    {read_s / loop_s:7.2f} x  ({loop_s:.2f} s)")
    print(f"states of all          {state_s:7.2f} s")
    print(f"select one             {select_s * 1e3:7.1f} ms")
    print(f"peak memory            {memory:7.2f} GB after reading, the lines' own making included")


if __name__ == "__main__":
    main()

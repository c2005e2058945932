"""Make coastlines.json out of npm's world-atlas 2.0.2 (ISC), which packs Natural Earth's land, 1:110m.

    npm pack world-atlas@2.0.2 && tar xzf world-atlas-2.0.2.tgz
    python plugins/appulse/data/make_coastlines.py package/land-110m.json

Natural Earth is in the public domain. Lines are decoded from TopoJSON and rounded to 0.1 degrees.
"""

import itertools
import json
import sys
from pathlib import Path


def lines(topology: dict) -> list[list[list[float]]]:
    """Arcs as [longitude, latitude] lines, degrees."""
    scale, shift = topology["transform"]["scale"], topology["transform"]["translate"]
    found = []
    for arc in topology["arcs"]:
        steps = zip(*(itertools.accumulate(values) for values in zip(*arc, strict=True)), strict=True)
        places = [[round(v * s + t, 1) for v, s, t in zip(at, scale, shift, strict=True)] for at in steps]
        found.append([place for place, _ in itertools.groupby(places)])
    return [line for line in found if len(line) > 1]


if __name__ == "__main__":
    land = json.loads(Path(sys.argv[1]).read_text("utf-8"))
    text = json.dumps({"source": "Natural Earth 1:110m land, public domain; world-atlas 2.0.2 (ISC)",
                       "lines": lines(land)}, separators=(",", ":"))  # fmt: skip
    (Path(__file__).parent / "coastlines.json").write_text(text, "utf-8", newline="\n")

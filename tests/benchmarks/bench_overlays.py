"""Cost of outlines on a frame full of galaxies, against SkyCoord.to_pixel of the same vertices.

Run by hand: ``python tests/benchmarks/bench_overlays.py``
"""

import time

import numpy as np
from astropy.coordinates import SkyCoord
from astropy.io import fits
from astropy.wcs import WCS

from appulse.catalogues.deepsky import objects_near
from appulse.frames.frame import SolvedFrame
from appulse.overlays.shapes import outline_in_frame


def clock(function, repeats=5):
    """Best of some runs, seconds."""
    function()
    times = []
    for _ in range(repeats):
        begin = time.perf_counter()
        function()
        times.append(time.perf_counter() - begin)
    return min(times)


def main():
    """Print times, their ratio and the largest difference in pixels."""
    cards = {
        "CTYPE1": "RA---TAN-SIP", "CTYPE2": "DEC--TAN-SIP", "CRVAL1": 187.7, "CRVAL2": 12.4,
        "CRPIX1": 2000, "CRPIX2": 1500, "CDELT1": -1e-3, "CDELT2": 1e-3,
        "A_ORDER": 2, "B_ORDER": 2, "A_2_0": 1e-7, "B_0_2": 2e-7,
    }  # fmt: skip
    frame = SolvedFrame.from_arrays(np.zeros((3000, 4000), np.float32), WCS(fits.Header(cards)))
    found = clock(lambda: objects_near(*frame.centre, frame.radius_deg))
    outlines = [o for o in objects_near(*frame.centre, frame.radius_deg) if o.rings]
    ours = clock(lambda: [outline_in_frame(frame, o) for o in outlines])
    vertices = SkyCoord(np.concatenate([o.rings[0] for o in outlines]), unit="deg")
    theirs = clock(lambda: vertices.to_pixel(frame.wcs))
    worst = 0.0
    for outline in outlines:
        pieces = outline_in_frame(frame, outline)
        if (
            len(pieces) == 1
            and pieces[0].where == "wholly"
            and len(outline.rings[0]) == len(pieces[0].exterior)
        ):
            x, y = SkyCoord(outline.rings[0], unit="deg").to_pixel(frame.wcs)
            gap = np.hypot(pieces[0].exterior[:, 0][:, None] - x, pieces[0].exterior[:, 1][:, None] - y)
            worst = max(worst, gap.min(axis=0).max())
    print(f"{len(outlines)} outlines found in {found * 1e3:.1f} ms, cut and projected in {ours * 1e3:.1f} ms")
    print(
        f"one projection of their {len(vertices)} vertices: {theirs * 1e3:.1f} ms, ratio {ours / theirs:.1f}"
    )
    print(f"largest difference from SkyCoord.to_pixel: {worst:.1e} px")


if __name__ == "__main__":
    main()

"""Sky to pixels against SkyCoord.to_pixel, reading a frame against reading its bytes. Prints ratios."""

import tempfile
import time
import warnings
from pathlib import Path

import numpy as np
from astropy.coordinates import SkyCoord
from astropy.io import fits
from astropy.wcs import WCS

from appulse.frames.reading import read_frame

CARDS = {
    "CTYPE1": "RA---TAN-SIP", "CTYPE2": "DEC--TAN-SIP", "CRVAL1": 246.42, "CRVAL2": -24.16, "CRPIX1": 800.5,
    "CRPIX2": 600.5, "CD1_1": -0.001, "CD1_2": 0.0, "CD2_1": 0.0, "CD2_2": 0.001, "A_ORDER": 3, "B_ORDER": 3,
    "A_3_0": -4e-10, "B_0_3": -4e-10, "RADESYS": "ICRS",
}  # fmt: skip


def best_s(call, repeat=5):
    """Shortest of some runs, s."""
    times = []
    for _ in range(repeat):
        begin = time.perf_counter()
        call()
        times.append(time.perf_counter() - begin)
    return min(times)


def main():
    """Print the ratios."""
    path = Path(tempfile.mkdtemp()) / "m1.fits"
    fits.writeto(path, np.ones((1200, 1600), dtype=np.int16), fits.Header(CARDS))
    frame = read_frame(path, require=("wcs",))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        wcs = WCS(frame.header)
    random = np.random.default_rng(1)
    for n in (1, 100, 100_000):
        ra, dec = frame.to_sky(random.uniform(0, 1600, n), random.uniform(0, 1200, n))
        ours = best_s(lambda ra=ra, dec=dec: frame.to_pixel(ra, dec))
        theirs = best_s(lambda ra=ra, dec=dec: SkyCoord(ra, dec, unit="deg").to_pixel(wcs))
        print(f"to_pixel, {n:6d} places: {theirs / ours:.2f} times as fast as SkyCoord.to_pixel")
    header = best_s(lambda: read_frame(path, require=("wcs",)))
    raw = best_s(path.read_bytes)
    pixels = best_s(lambda: (frame.release(), frame.data))
    print(f"read_frame, no pixels: {header * 1e3:.1f} ms; pixels: {pixels / raw:.1f} times the bytes")


if __name__ == "__main__":
    main()

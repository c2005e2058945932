"""A 24-megapixel frame with one body, cold: seconds and memory above the bare process.

    python tests/benchmarks/bench_centroid_speed.py [frames]

First inside this process, then `appulse residuals` as a whole: start, imports, reading the FITS, everything.
With `frames` the command gets so many of them, to see whether memory grows.
"""

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.table import Table
from astropy.time import Time
from astropy.wcs import WCS

from appulse.astrometry.plate import check_plate
from appulse.astrometry.prediction import Prediction
from appulse.astrometry.psf import PSF, pixel_image
from appulse.astrometry.residuals import measure
from appulse.catalogues.stars import star_table
from appulse.frames.camera import Camera
from appulse.frames.exposure import Exposure
from appulse.frames.solved import SolvedFrame

SHAPE, N_STARS = (4000, 6000), 4000


WATCH = """
import resource, subprocess, sys, time
start = time.perf_counter()
subprocess.run(sys.argv[1:], check=True, stdout=subprocess.DEVNULL)
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(time.perf_counter() - start, used.ru_utime + used.ru_stime, used.ru_maxrss)
"""


def invented():
    """A frame of 24 megapixels and its star table."""
    rng = np.random.default_rng(1)
    data = rng.standard_normal(SHAPE, dtype=np.float32)
    data *= 12
    data += 500
    wcs = WCS(naxis=2)
    wcs.wcs.ctype, wcs.wcs.crval = ["RA---TAN", "DEC--TAN"], [246.0, -24.0]
    wcs.wcs.crpix, wcs.wcs.cdelt = [3000, 2000], [-1 / 3600, 1 / 3600]
    x, y = rng.uniform(15, SHAPE[1] - 16, N_STARS), rng.uniform(15, SHAPE[0] - 16, N_STARS)
    flux = np.sort(10 ** rng.uniform(2.6, 5.5, N_STARS))[::-1]
    for px, py, light in zip(x, y, flux, strict=True):
        rows, columns = np.mgrid[int(py) - 9 : int(py) + 11, int(px) - 9 : int(px) + 11]
        value = pixel_image(PSF.round(3.0), px, py, columns.ravel(), rows.ravel())[0]
        data[rows, columns] += light * value.reshape(rows.shape).astype(np.float32)
    ra, dec = wcs.all_pix2world(x, y, 0)
    frame = SolvedFrame.from_arrays(
        data, wcs, Exposure.from_mid(Time("2027-05-04T22:00:00"), 60.0), None, Camera()
    )
    return frame, star_table(ra, dec, 20 - 2.5 * np.log10(flux))


def main():
    frame, stars = invented()
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    start = time.perf_counter()
    plate = check_plate(frame, stars)
    middle = time.perf_counter()
    measure(frame, Prediction("7", 246.0, -24.0, 30.0, 10.0), plate)
    end = time.perf_counter()
    above = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    size = frame.data.nbytes / 2**20
    print(f"plate check {middle - start:.2f} s, body {end - middle:.2f} s (bound 5 s in all)")
    print(f"memory above the frame itself {above:.0f} MB = {above / size:.2f} frames of float32 (bound 3)")


    whole_command(frame, int(sys.argv[1]) if len(sys.argv) > 1 else 1)


def whole_command(frame, count):
    """Wall time and peak memory of the command, less those of a frame of next to no pixels."""
    with tempfile.TemporaryDirectory() as folder:
        folder = Path(folder)
        x, y = 3000.0, 2000.0
        ra, dec = (float(v) for v in frame.to_sky(x, y))
        times = ["2027-05-04T21:00:00", "2027-05-04T22:00:00", "2027-05-04T23:00:00", "2027-05-05T00:00:00"]
        Table({"designation": ["7"] * 4, "time": times, "ra": [ra] * 4, "dec": [dec] * 4}).write(
            folder / "places.csv"
        )
        stars = frame.to_sky(*np.random.default_rng(2).uniform(100, 3900, (2, 500)))
        Table({"ra": stars[0], "dec": stars[1], "phot_g_mean_mag": np.full(500, 12.0)}).write(
            folder / "stars.csv"
        )
        header = frame.wcs.to_header()
        header["DATE-OBS"], header["EXPTIME"] = "2027-05-04T22:00:00", 60.0
        big = [folder / f"f{k:03d}.fits" for k in range(count)]
        for path in big:
            fits.PrimaryHDU(frame.data, header).writeto(path)
        corner = frame.data[1900:2100, 2900:3100].copy()
        small_header = header.copy()
        small_header["CRPIX1"] -= 2900
        small_header["CRPIX2"] -= 1900
        fits.PrimaryHDU(corner, small_header).writeto(folder / "small.fits")
        bare_s, bare_mb = _run([folder / "small.fits"], folder, "bare")
        for what in ("first", "again"):
            seconds, mb = _run(big, folder, what)
            size = frame.data.nbytes / 2**20
            print(
                f"command on {count} frame(s), {what}: {seconds:.2f} s (bound 5 s for one), "
                f"{(mb - bare_mb) / size:.2f} frames of float32 above a bare run of {bare_mb:.0f} MB, "
                f"{bare_s:.2f} s (bound 4)"
            )


def _run(paths, folder, name):
    """Seconds and peak MB of one `appulse residuals`."""
    command = [
        "appulse", "residuals", *map(str, paths), "--body", "7", "--positions",
        str(folder / "places.csv"), "--stars",
        str(folder / "stars.csv"), "--site", "10,50,200", "--out", str(folder / name),
    ]  # fmt: skip
    # Started by a small process: a child's peak memory starts at that of its parent.
    found = subprocess.run([sys.executable, "-c", WATCH, *command], capture_output=True, text=True)
    if found.returncode:
        raise SystemExit(found.stderr)
    seconds, cpu, kilobytes = map(float, found.stdout.split())
    print(f"  {name}: {seconds:.2f} s on the clock, {cpu:.2f} s of processor time")
    return seconds, kilobytes / 1024


if __name__ == "__main__":
    main()

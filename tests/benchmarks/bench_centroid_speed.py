"""A 24-megapixel frame with one body, cold: seconds and memory above the bare process.

    python tests/benchmarks/bench_centroid_speed.py [frames]

First inside this process, then `appulse residuals` as a whole: start, imports, reading the FITS, everything.
With `frames` the command also gets so many, of other times and one of them cut short, to see whether memory
grows; 100 of them need 5 GB in the temporary folder.
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
from astropy.time import Time, TimeDelta
from astropy.wcs import WCS

from appulse.astrometry.plate import check_plate
from appulse.astrometry.prediction import Prediction
from appulse.astrometry.psf import PSF, pixel_image
from appulse.astrometry.residual import measure
from appulse.catalogues.stars import star_table
from appulse.frames.camera import Camera
from appulse.frames.exposure import Exposure
from appulse.frames.frame import SolvedFrame

SHAPE, N_STARS = (4000, 6000), 4000
BODY = 3000, 2000

WATCH = """
import resource, subprocess, sys, time
start = time.perf_counter()
code = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL).returncode
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(code, time.perf_counter() - start, used.ru_utime + used.ru_stime, used.ru_maxrss)
"""


def star_places():
    """Pixels and flux of the invented stars, brightest first."""
    rng = np.random.default_rng(2)
    x, y = rng.uniform(15, SHAPE[1] - 16, N_STARS), rng.uniform(15, SHAPE[0] - 16, N_STARS)
    return x, y, np.sort(10 ** rng.uniform(2.6, 5.5, N_STARS))[::-1]


def invented():
    """A frame of 24 megapixels and its star table."""
    rng = np.random.default_rng(1)
    data = rng.standard_normal(SHAPE, dtype=np.float32)
    data *= 12
    data += 500
    wcs = WCS(naxis=2)
    wcs.wcs.ctype, wcs.wcs.crval = ["RA---TAN", "DEC--TAN"], [246.0, -24.0]
    wcs.wcs.crpix, wcs.wcs.cdelt = [3000, 2000], [-1 / 3600, 1 / 3600]
    x, y, flux = star_places()
    for px, py, light in zip([*x, BODY[0]], [*y, BODY[1]], [*flux, 20_000.0], strict=True):
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
    place = (float(v) for v in frame.to_sky(*BODY))
    measure(frame, Prediction("7", *place, 30.0, 10.0), plate)
    end = time.perf_counter()
    above = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    size = frame.data.nbytes / 2**20
    print(f"plate check {middle - start:.2f} s, body {end - middle:.2f} s (bound 5 s in all)")
    print(f"memory above the frame itself {above:.0f} MB = {above / size:.2f} frames of float32 (bound 3)")
    whole_command(frame)
    if len(sys.argv) > 1:
        streamed(frame, int(sys.argv[1]))


def whole_command(frame):
    """Wall time and peak memory of the command, less those of a frame of next to no pixels."""
    with tempfile.TemporaryDirectory() as folder:
        folder = Path(folder)
        bare_s, bare_mb = _tables_and_bare_run(frame, folder)
        big = _written(frame, folder, 1, np.float32)
        for what in ("first", "again"):
            seconds, mb = _run(big, folder, what)
            print(
                f"command on one frame, {what}: {seconds:.2f} s (bound 5 s), "
                f"{_frames(mb - bare_mb, frame):.2f} frames of float32 above the bare run (bound 4)"
            )
        print(f"bare run, a corner of the frame: {bare_s:.2f} s, {bare_mb:.0f} MB", flush=True)


def streamed(frame, count):
    """Memory of the command on many frames of other times, one of them cut short."""
    with tempfile.TemporaryDirectory() as folder:
        folder = Path(folder)
        _, bare_mb = _tables_and_bare_run(frame, folder)
        paths = _written(frame, folder, count, np.uint16)
        with open(paths[count // 2], "r+b") as file:
            file.truncate(30_000_000)
        before = None
        for n in sorted({min(3, count), min(20, count), count}):
            seconds, mb = _run(paths[:n], folder, f"n{n}", codes=(0, 1))
            measured = len(Table.read(folder / f"n{n}" / "residuals.ecsv"))
            growth = "" if before is None else f", {(mb - before[1]) / (n - before[0]):+.2f} MB a frame"
            print(
                f"command on {n} frames: {measured} measured, {seconds / n:.2f} s a frame, "
                f"{_frames(mb - bare_mb, frame):.2f} frames of float32 above the bare run (bound 4){growth}",
                flush=True,
            )
            before = n, mb


def _frames(mb, frame):
    return mb / (frame.data.nbytes / 2**20)


def _times(count):
    return [(Time("2027-05-04T20:00:00") + TimeDelta(120.0 * k, format="sec")).isot for k in range(count)]


def _header(frame, moment):
    header = frame.wcs.to_header()
    header["DATE-OBS"], header["EXPTIME"] = moment, 60.0
    return header


def _tables_and_bare_run(frame, folder):
    """Places and stars of the frame as tables; seconds and MB of a run on a corner of it."""
    ra, dec = (float(v) for v in frame.to_sky(*BODY))
    times = _times(400)
    n = len(times)
    Table({"designation": ["7"] * n, "time": times, "ra": [ra] * n, "dec": [dec] * n}).write(
        folder / "places.csv"
    )
    x, y, flux = star_places()
    stars = frame.to_sky(x, y)
    Table({"ra": stars[0], "dec": stars[1], "phot_g_mean_mag": 20 - 2.5 * np.log10(flux)}).write(
        folder / "stars.csv"
    )
    header = _header(frame, times[0])
    header["CRPIX1"] -= BODY[0] - 100
    header["CRPIX2"] -= BODY[1] - 100
    corner = frame.data[BODY[1] - 100 : BODY[1] + 100, BODY[0] - 100 : BODY[0] + 100].copy()
    fits.PrimaryHDU(corner, header).writeto(folder / "small.fits")
    return _run([folder / "small.fits"], folder, "bare")


def _written(frame, folder, count, kind):
    paths = [folder / f"f{k:03d}.fits" for k in range(count)]
    pixels = frame.data.astype(kind)
    for path, moment in zip(paths, _times(count), strict=True):
        fits.PrimaryHDU(pixels, _header(frame, moment)).writeto(path)
    return paths


def _run(paths, folder, name, codes=(0,)):
    """Seconds and peak MB of one `appulse residuals`."""
    command = [
        "appulse", "residuals", *map(str, paths), "--body", "7", "--positions",
        str(folder / "places.csv"), "--stars",
        str(folder / "stars.csv"), "--site", "10,50,200", "--out", str(folder / name),
    ]  # fmt: skip
    # Started by a small process: a child's peak memory starts at that of its parent.
    found = subprocess.run([sys.executable, "-c", WATCH, *command], capture_output=True, text=True)
    code, seconds, cpu, kilobytes = map(float, (found.stdout or "-1 0 0 0").split())
    if code not in codes:
        raise SystemExit(found.stderr)
    print(f"  {name}: {seconds:.2f} s on the clock, {cpu:.2f} s of processor time")
    return seconds, kilobytes / 1024


if __name__ == "__main__":
    main()

"""A 24-megapixel frame with one body, cold: seconds and memory above the bare process.

python tests/benchmarks/bench_centroid_speed.py
"""

import resource
import time

import numpy as np
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


if __name__ == "__main__":
    main()

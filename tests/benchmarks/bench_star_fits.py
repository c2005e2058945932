"""All stars of an invented frame: this program's fits beside photutils' PSF photometry, in one run.

    python tests/benchmarks/bench_star_fits.py [frames]

Both take the same pixels, the same bad ones left out, the same star image and first guesses, and errors
of pixels from the same photons; photutils (`PSFPhotometry`, the star image as an `ImagePSF`) fits each
star with a level of sky from a ring. Printed per kind of frame: processor seconds of both and their
ratio, and the robust RMS of the places; stars with a bad or saturated pixel within two are left out.
"""

import sys
import tempfile
import time
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
from astropy.table import Table
from photutils.background import LocalBackground
from photutils.psf import ImagePSF, PSFPhotometry

from appulse.astrometry.detection import survey_frame
from appulse.astrometry.psf import pixel_image
from appulse.frames import read_frame

sys.path.insert(0, str(Path(__file__).parents[1]))
from invented_nights import NightPlan, make_night

OVERSAMPLING, REACH = 4, 14
KINDS = {
    "plain": {},
    "undarked": {"hot_share": 0.001, "cosmic_rays": 12},
    "nebula": {"nebula": 0.6, "gradient": 0.2},
    "wide stars": {"fwhm_px": 4.5},
}


def as_photutils(psf):
    """The star image as an array four times finer than pixels, each value the light of a pixel there."""
    steps = np.arange(-REACH * OVERSAMPLING, REACH * OVERSAMPLING + 1) / OVERSAMPLING
    columns, rows = np.meshgrid(steps, steps)
    light = pixel_image(psf, 0.0, 0.0, columns.ravel(), rows.ravel())[0].reshape(columns.shape)
    return ImagePSF(light, oversampling=OVERSAMPLING)


def both(frame, survey, rows):
    """Places (n, 2) and seconds of this program's fits and of photutils'."""
    x, y, flux = (np.asarray(survey.sources[name])[rows] for name in ("x", "y", "flux"))
    start = time.process_time()
    ours = survey.star_fits(rows)
    seconds = [time.process_time() - start]
    sigma = np.hypot(survey.sky.typical[1], np.sqrt(np.maximum(frame.data - survey.sky.typical[0], 0) / 1.2))
    fit = 2 * int(np.ceil(1.6 * survey.psf.fwhm)) + 1
    model = as_photutils(survey.psf.at(*(size / 2 for size in frame.data.shape[::-1])))
    work = PSFPhotometry(
        model, (fit, fit), aperture_radius=survey.psf.fwhm,
        local_bkg_estimator=LocalBackground(3 * survey.psf.fwhm, 5 * survey.psf.fwhm),
    )  # fmt: skip
    guesses = Table({"x_init": x, "y_init": y, "flux_init": flux})
    start = time.process_time()
    theirs = work(frame.data.astype(float), error=sigma, mask=survey.bad, init_params=guesses)
    seconds.append(time.process_time() - start)
    return (np.stack([ours.x, ours.y], 1), np.stack([theirs["x_fit"], theirs["y_fit"]], 1)), seconds


def matched(night, frame, survey):
    """Rows of the sources that are a star of the list and not saturated, and the true places."""
    stars = Table.read(night.stars)
    true = np.stack(frame.to_pixel(np.asarray(stars["ra"]), np.asarray(stars["dec"])), 1)
    true = true[np.all((true > 20) & (true < np.array(frame.data.shape[::-1]) - 20), axis=1)]
    places = np.stack([survey.sources["x"], survey.sources["y"]], 1)
    apart = np.linalg.norm(places[:, None] - true, axis=2)
    near = apart.argmin(axis=1)
    ny, nx = frame.data.shape
    columns, lines = np.clip(places.round().astype(int), 3, [nx - 4, ny - 4]).T
    spoilt = [survey.bad[y - 2 : y + 3, x - 2 : x + 3].any() for x, y in zip(columns, lines, strict=True)]
    rows = np.flatnonzero((apart.min(axis=1) < 1.0) & ~np.array(spoilt))[:140]
    return rows, true[near[rows]]


def main():
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    warnings.simplefilter("ignore")
    print("frame        stars   seconds: here, photutils, ratio   RMS, px: here, photutils, ratio")
    for kind, changes in KINDS.items():
        errors, seconds, count = ([], []), np.zeros(2), 0
        for seed in range(1, frames + 1):
            plan = NightPlan(seed=100 + seed, frames=1, shape=(600, 800), stars=1000, dither_px=0.0)
            with tempfile.TemporaryDirectory() as folder:
                night = make_night(replace(plan, **changes), Path(folder))
                frame = read_frame(night.frames[0])
                survey = survey_frame(frame)
                rows, truth = matched(night, frame, survey)
                found, spent = both(frame, survey, rows)
            seconds += spent
            count += len(rows)
            for kept, places in zip(errors, found, strict=True):
                kept.append(places - truth)
        # What both can measure: the median of squares is not moved by a star beside another.
        sizes = [np.sqrt(1.48 * np.nanmedian(np.concatenate(kept) ** 2)) for kept in errors]
        print(
            f"{kind:12s} {count:5d}   {seconds[0]:6.2f} {seconds[1]:7.2f} {seconds[0] / seconds[1]:6.2f}"
            f"          {sizes[0]:.4f} {sizes[1]:.4f} {sizes[0] / sizes[1]:6.2f}"
        )


if __name__ == "__main__":
    main()

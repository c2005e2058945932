"""An invented night through the whole of `sequence`: alignment, signal to noise, clean base, memory, time.

    python tests/benchmarks/bench_sequence.py [--frames 60] [--megapixels 24] [--folder DIR]

With --folder the frames are kept there, and found there the next time.
Two sites of different scale, an altazimuth's field rotation, WCS wrong by a few pixels. Every figure is
printed beside its bound; reproject's own co-addition of the same frames runs in the same process afterwards.
"""

import argparse
import pickle
import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.table import Table
from astropy.time import Time, TimeDelta
from astropy.wcs import WCS
from reproject import reproject_interp
from reproject.mosaicking import reproject_and_coadd
from scipy import ndimage

from appulse.astrometry.psf import PSF, pixel_image
from appulse.catalogues.stars import read_star_table
from appulse.frames.reading import read_frame
from appulse.frames.wcs import sky_to_pixel
from appulse.registration.alignment import folded
from appulse.registration.resampling import resample
from appulse.sequence.body_places import BodyPlace
from appulse.sequence.picture_job import PictureJob, PictureSettings
from appulse.sequence.run import run
from appulse.sequence.sky_grid import SkyGrid, tangent_grid
from appulse.sequence.subframe import subframe_of

RA, DEC = 246.42, -24.16
SCALES = (1.20, 1.38)
RATE_ARCSEC_H, PA_DEG = 30.0, 282.0
EXPOSURE_S, CADENCE_S = 120.0, 180.0
FWHM_ARCSEC, SKY, GAIN, BODY_FLUX = 3.4, 900.0, 1.5, 26_000.0
START = Time("2027-05-04T20:00:00", scale="utc")


def star_field(seed, n=4500, width_deg=2.6):
    """RA, Dec, flux of invented stars."""
    random = np.random.default_rng(seed)
    ra = RA + random.uniform(-width_deg / 2, width_deg / 2, n) / np.cos(np.radians(DEC))
    dec = DEC + random.uniform(-width_deg / 2, width_deg / 2, n)
    return ra, dec, 4000.0 * (1.0 + random.pareto(0.9, n)).clip(1.0, 100.0)


def body_at(hours):
    """Place of the body: straight on the tangent plane."""
    path = RATE_ARCSEC_H * hours / 3600.0
    ra = RA + 0.05 + path * np.sin(np.radians(PA_DEG)) / np.cos(np.radians(DEC))
    return ra, DEC + 0.03 + path * np.cos(np.radians(PA_DEG))


def add_source(image, x, y, flux, psf):
    """Add a point of light, pixel-integrated."""
    reach = int(np.ceil(4.5 * psf.fwhm))
    i, j = round(x), round(y)
    ny, nx = image.shape
    x0, x1, y0, y1 = max(i - reach, 0), min(i + reach + 1, nx), max(j - reach, 0), min(j + reach + 1, ny)
    if x0 < x1 and y0 < y1:
        rows, columns = np.mgrid[y0:y1, x0:x1]
        value, _, _ = pixel_image(psf, x, y, columns.ravel(), rows.ravel())
        image[y0:y1, x0:x1] += (flux * value).reshape(rows.shape)


def make_night(folder, n, shape, stars):
    """Write the frames, or take those that an earlier run left; a list of (path, true WCS, BodyPlace)."""
    kept, key = folder / "night.pickle", (n, shape)
    if kept.exists():
        with kept.open("rb") as stream:
            found, night = pickle.load(stream)  # noqa: S301 (own scratch folder)
        if found == key:
            return [(path, SkyGrid(WCS(header), shape), place) for path, header, place in night]
    night = _drawn(folder, n, shape, stars)
    with kept.open("wb") as stream:
        pickle.dump((key, [(path, truth.wcs.to_header(), place) for path, truth, place in night]), stream)
    return night


def _drawn(folder, n, shape, stars):
    random = np.random.default_rng(7)
    night = []
    for index in range(n):
        scale = SCALES[index % 2]
        turn = 42.0 * index / max(n - 1, 1) + (180.0 if index > n // 2 else 0.0)
        centre = RA + random.normal(0, 0.004), DEC + random.normal(0, 0.004)
        truth = tangent_grid(*centre, scale, turn, shape)
        psf = PSF.round(FWHM_ARCSEC / scale)
        image = np.full(shape, SKY, dtype=np.float64)
        image += 40.0 * random.normal() * np.linspace(-0.5, 0.5, shape[1])[None, :]
        x, y = truth.to_pixel(stars[0], stars[1])

        for sx, sy, flux in zip(x, y, stars[2], strict=True):
            if -20 < sx < shape[1] + 20 and -20 < sy < shape[0] + 20:
                add_source(image, sx, sy, flux, psf)
        hours = (index * CADENCE_S + EXPOSURE_S / 2) / 3600.0
        half = EXPOSURE_S / 7200.0
        for step in np.linspace(-half, half, 5):
            bx, by = truth.to_pixel(*body_at(hours + step))
            add_source(image, float(bx), float(by), BODY_FLUX / 5, psf)
        noisy = image + random.standard_normal(shape, dtype=np.float32) * np.sqrt(image / GAIN)
        tilt = np.radians(random.normal(0, 0.001))
        matrix = np.array([[np.cos(tilt), np.sin(tilt)], [-np.sin(tilt), np.cos(tilt)]])
        wrong = folded(truth.wcs, matrix, random.normal(0, 2.5, 2))
        header = wrong.to_header()
        begin = START + TimeDelta(index * CADENCE_S, format="sec")
        header["DATE-BEG"], header["EXPTIME"], header["EGAIN"] = begin.isot, EXPOSURE_S, GAIN
        header["OBSGEO-L"], header["OBSGEO-B"], header["OBSGEO-H"] = 20.5, -23.0, 1250.0
        path = folder / f"n{index:03d}.fits"
        fits.writeto(path, np.clip(np.round(noisy), 0, 65535).astype(np.uint16), header, overwrite=True)
        trail = tuple(tuple(float(v) for v in body_at(hours + s)) for s in np.linspace(-half, half, 5))
        mid = begin + TimeDelta(EXPOSURE_S / 2, format="sec")
        place = BodyPlace(mid.isot, *(float(v) for v in body_at(hours)), trail, RATE_ARCSEC_H, PA_DEG, 15.0)
        night.append((path, truth, place))
        print(f"\rframe {index + 1} of {n} drawn", end="", file=sys.stderr)
    return night


def star_table(folder, stars):
    """The brighter stars as a table that a user would give."""
    bright = np.argsort(-stars[2])[:600]
    table = Table({"ra": stars[0][bright], "dec": stars[1][bright]})
    table["phot_g_mean_mag"] = 25 - 2.5 * np.log10(stars[2][bright])
    path = folder / "stars.ecsv"
    table.write(path, overwrite=True)
    return read_star_table(path)


def alignment_rms(result, truths):
    """RMS distance, per axis, between refined and true maps onto the reference, frame px; worst frame."""
    reference = result.night.reference
    grid = result.night.grid
    places = np.stack(
        [v.ravel() for v in np.meshgrid(*(np.linspace(0.1, 0.9, 7) * n for n in grid.shape[::-1]))]
    )
    ra, dec = grid.to_sky(*places)
    ref_true = truths[reference.frame.name]
    at = sky_to_pixel(reference.alignment.wcs, ra, dec)
    true_ra, true_dec = ref_true.to_sky(*at)
    worst, every = 0.0, []
    for subframe in result.night.kept:
        if subframe is reference:
            continue
        mine = np.stack(sky_to_pixel(subframe.alignment.wcs, ra, dec))
        real = np.stack(truths[subframe.frame.name].to_pixel(true_ra, true_dec))
        rms = float(np.sqrt(np.mean((mine - real) ** 2)))
        every.append(rms)
        worst = max(worst, rms)
    return float(np.sqrt(np.mean(np.square(every)))), worst


def aperture(image, x, y, r):
    """Sum in a circle with pixel weights by 5 x 5 sub-pixels."""
    k = int(np.ceil(r)) + 1
    i, j = round(x), round(y)
    box = image[j - k : j + k + 1, i - k : i + k + 1]
    return float(np.sum(np.nan_to_num(box) * share_of_pixels(x - i, y - j, r, k)))


def aperture_snr(image, x, y, r, reach=220):
    """Light of a source over the scatter of all empty apertures around it, the sky a plane; SNR, sigma, sky.

    Apertures at whole-pixel steps in four phases: fewer, drawn at random, tell the scatter to 3 per cent.
    """
    ny, nx = image.shape
    x0, y0 = max(round(x) - reach, 0), max(round(y) - reach, 0)
    # The sky off first: an aperture's own area wavers by half a per cent with the place of its pixels.
    near = image[y0 : min(round(y) + reach, ny), x0 : min(round(x) + reach, nx)]
    middle = np.nanmedian(near)
    near, k, found = np.nan_to_num(near - middle), int(np.ceil(r)) + 1, []
    for phase in ((0.0, 0.0), (0.5, 0.0), (0.0, 0.5), (0.25, 0.25)):
        sums = ndimage.correlate(near, share_of_pixels(*phase, r, k), mode="nearest")[k:-k, k:-k]
        rows, columns = np.indices(sums.shape)
        empty = np.hypot(columns + k + x0 - x, rows + k + y0 - y) > 8 * r
        # A gradient is no noise.
        from_body = columns[empty] + k + x0 - x, rows[empty] + k + y0 - y
        design = np.column_stack([np.ones(empty.sum()), *from_body])
        values, keep = sums[empty], np.ones(empty.sum(), dtype=bool)
        for _ in range(8):
            plane = np.linalg.lstsq(design[keep][::5], values[keep][::5], rcond=None)[0]
            left = values - design @ plane
            keep = np.abs(left) < 3.5 * 1.4826 * np.median(np.abs(left[keep]))
        found.append((left[keep].std(), plane[0]))
    sigma, level = np.mean(found, axis=0)
    return (aperture(image - middle, x, y, r) - level) / sigma, sigma, level


def share_of_pixels(dx, dy, r, k):
    """Share of each of (2k + 1)^2 pixels that lies in a circle about (dx, dy), by 5 x 5 sub-pixels."""
    rows, columns = np.mgrid[-k : k + 1, -k : k + 1].astype(float)
    steps = (-0.4, -0.2, 0.0, 0.2, 0.4)
    return sum(np.hypot(columns + sx - dx, rows + sy - dy) <= r for sy in steps for sx in steps) / 25.0


def signal_to_noise(out, result, night):
    """SNR of the tracked stack over the root of the summed squares of the frames' own."""
    grid = result.night.grid
    data = fits.getdata(out / "tracked.fits")
    x, y = result.night.reference.place.on(grid)[0]
    r = 0.75 * FWHM_ARCSEC * 1.5
    stacked, _, _ = aperture_snr(data, x, y, r / grid.pixel_scale)
    squares = 0.0
    chosen = [night[i] for i in sorted({*range(0, len(night), 5), *range(1, len(night), 5)})]
    for path, truth, place in chosen:
        frame = fits.getdata(path).astype(float)
        fx, fy = (float(v) for v in truth.to_pixel(place.ra, place.dec))
        one, _, _ = aperture_snr(frame, fx, fy, r / truth.pixel_scale)
        squares += one**2
    expected = np.sqrt(squares * len(night) / len(chosen))
    return stacked, expected


def base_residual(out, result):
    """Mean light left in the base on the body's places, in sigmas of an aperture there."""
    grid, data = result.night.grid, fits.getdata(out / "base.fits")
    r = 1.0 * FWHM_ARCSEC / grid.pixel_scale
    left = []
    for subframe in result.night.kept:
        (x, y), _ = subframe.place.on(grid)
        snr, _, _ = aperture_snr(data, x, y, r, reach=60)
        left.append(snr)
    return float(np.mean(left)), float(np.median(left))


def brightness_kept():
    """Relative errors of surface brightness and of sums when a frame is turned and rescaled."""
    found = {}
    for name, scale, kernel in (
        ("turned", 1.2, "spline"),
        ("1.15 coarser", 1.38, "spline"),
        ("2 coarser", 2.4, "adaptive"),
    ):
        source = tangent_grid(RA, DEC, 1.2, 33.0, (600, 600))
        image = np.full((600, 600), 0.0)
        psf = PSF.round(FWHM_ARCSEC / 1.2)
        for x, y in ((200.3, 250.7), (310.1, 330.2), (402.8, 288.9)):
            add_source(image, x, y, 1e5, psf)
        grid = tangent_grid(RA, DEC, scale, 0.0, (int(400 * 1.2 / scale),) * 2)
        flux = resample(image.astype(np.float32), source.wcs, grid, keep="flux", kernel=kernel)
        flat = resample(np.full((600, 600), 50.0, np.float32), source.wcs, grid, kernel=kernel)
        found[name] = abs(np.nansum(flux) / image.sum() - 1), float(np.nanmax(np.abs(flat / 50.0 - 1)))
    return found


def main():
    """Draw, run, compare, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=60)
    parser.add_argument("--megapixels", type=float, default=24.0)
    parser.add_argument("--folder", type=Path)
    args = parser.parse_args()
    folder = args.folder or Path(tempfile.mkdtemp(prefix="bench-sequence-"))
    folder.mkdir(parents=True, exist_ok=True)
    ny = round((args.megapixels * 1e6 / 1.5) ** 0.5)
    shape = (ny, round(1.5 * ny))
    width = 1.3 * shape[1] * SCALES[1] / 3600.0
    stars = star_field(11, n=int(260 * width**2) + 60, width_deg=width)
    night = make_night(folder, args.frames, shape, stars)
    out = folder / "out"
    settings = PictureSettings(longest_px=700)
    begin, cpu = time.perf_counter(), time.process_time()
    subframes = [subframe_of(read_frame(path), place, None, settings) for path, _, place in night]
    table = star_table(folder, stars)
    job = PictureJob("body", subframes, settings, out, star_table=table, workers=2, overwrite=True)
    result = run(job)
    ours, our_cpu = time.perf_counter() - begin, time.process_time() - cpu
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"\n{args.frames} frames of {shape[1]} x {shape[0]}; grid {result.night.grid.shape[::-1]}")
    rms, worst = alignment_rms(result, {path.name: truth for path, truth, _ in night})
    print(f"alignment RMS {rms:.4f} px, worst frame {worst:.4f} px (bound 0.1)")
    stacked, expected = signal_to_noise(out, result, night)
    words = f"tracked SNR {stacked:.1f}, root of summed squares {expected:.1f}"
    print(f"{words}: ratio {stacked / expected:.3f} (bound 0.95 to 1.05)")
    mean, middle = base_residual(out, result)
    print(f"body left in the base: mean {mean:+.2f}, median {middle:+.2f} sigma (bound 1)")
    for name, (flux, flat) in brightness_kept().items():
        print(f"kept, {name}: sums {flux:.1e}, surface brightness {flat:.1e} (bound 1e-3)")
    print(f"memory {memory:.2f} GB at most (bound 3)")
    begin, cpu = time.perf_counter(), time.process_time()
    grid = result.night.grid
    reproject_and_coadd(
        [str(path) for path, _, _ in night], grid.wcs, shape_out=grid.shape,
        reproject_function=reproject_interp, hdu_in=0, roundtrip_coords=False,
    )  # fmt: skip
    theirs, their_cpu = time.perf_counter() - begin, time.process_time() - cpu
    words = f"time {ours:.0f} s, reproject's co-addition alone {theirs:.0f} s"
    print(f"{words}: ratio {ours / theirs:.2f} (bound 1.5); of processor time {our_cpu / their_cpu:.2f}")


if __name__ == "__main__":
    main()

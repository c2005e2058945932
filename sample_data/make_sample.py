"""Draw the six sample frames, their star table and the answers; the same seed gives the same pixels.

    python sample_data/make_sample.py            writes beside this file
    python sample_data/make_sample.py --out DIR  writes elsewhere, to compare

Needs truth.ecsv (made by truth.py from the JPL kernels). The model is rounded before noise is added and the
noise comes from numpy's frozen legacy generator, so that the last bits of a mathematical library hardly show:
on another processor a few pixels in a million may differ by one, and numbers of the tables in the last digit.
"""

import argparse
import hashlib
from pathlib import Path

import numpy as np
import scenario
import yaml
from astropy.io import fits
from astropy.table import Table
from astropy.time import Time, TimeDelta
from astropy.wcs import WCS, Sip
from scipy.interpolate import CubicSpline
from scipy.special import erf
from sky import REF_EPOCH, Nebulae, invent_stars

HERE = Path(__file__).resolve().parent
QUANTUM_E = 1.0 / 64.0
STEP_S = 5.0
"""The trail is drawn as a row of images, one for each so many seconds of open shutter."""


def true_wcs(shot: scenario.Shot) -> WCS:
    """Where the telescope really pointed: TAN with a touch of barrel distortion (SIP)."""
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN-SIP", "DEC--TAN-SIP"]
    wcs.wcs.crval = [scenario.FIELD_RA_DEG, scenario.FIELD_DEC_DEG]
    wcs.wcs.crpix = [scenario.NX / 2 + 0.5 + shot.shift_px[0], scenario.NY / 2 + 0.5 + shot.shift_px[1]]
    angle, scale = np.radians(shot.rotation_deg), scenario.SCALE_ARCSEC / 3600
    cos, sin = np.cos(angle), np.sin(angle)
    wcs.wcs.cd = np.round([[-scale * cos, scale * sin], [scale * sin, scale * cos]], 14)
    forward = np.zeros((4, 4))
    forward[3, 0] = forward[1, 2] = -4.0e-10  # pixels per cubic pixel: a third of a pixel in the corners
    inverse = -forward
    wcs.sip = Sip(forward, forward.T.copy(), inverse, inverse.T.copy(), wcs.wcs.crpix)
    wcs.wcs.radesys = "ICRS"
    wcs.wcs.set()
    return wcs


def recorded_wcs(shot: scenario.Shot) -> WCS:
    """What the header says: the same solution, shifted by the plate's error."""
    wcs = true_wcs(shot)
    dec = np.radians(scenario.FIELD_DEC_DEG)
    wcs.wcs.crval = np.round(
        [
            scenario.FIELD_RA_DEG + scenario.PLATE_DRA_ARCSEC / 3600 / np.cos(dec),
            scenario.FIELD_DEC_DEG + scenario.PLATE_DDEC_ARCSEC / 3600,
        ],
        10,
    )
    return wcs


class Path7:
    """The body's true place and brightness at any moment of the night, from truth.ecsv."""

    def __init__(self):
        table = Table.read(HERE / "truth.ecsv")
        self._zero = Time(table["time"][0], scale="utc")
        seconds = (Time(list(table["time"]), scale="utc") - self._zero).sec
        self._spline = CubicSpline(seconds, np.column_stack([table["ra"], table["dec"], table["mag"]]))

    def at(self, time: Time):
        """RA and Dec in degrees and the magnitude, each of the shape of `time`."""
        return np.moveaxis(self._spline((time - self._zero).sec), -1, 0)


def shutter_moments(shot: scenario.Shot) -> Time:
    """True moments, equally weighted, at which the shutter was open."""
    per_sub = max(1, round(shot.sub_s / STEP_S))
    inside = (np.arange(per_sub) + 0.5) * shot.sub_s / per_sub
    after_s = np.add.outer(shot.sub_starts_s(), inside).ravel()
    return Time(shot.begin, scale="utc") + TimeDelta(after_s, format="sec")


def add_image(canvas: np.ndarray, x: float, y: float, electrons: float) -> None:
    """Add a Gaussian image, integrated over pixels, around (x, y)."""
    sigma = scenario.FWHM_PX / 2.354820045
    reach = int(np.ceil(6 * sigma)) if electrons < 1e5 else int(np.ceil(8 * sigma))
    x0, x1 = max(0, round(x) - reach), min(scenario.NX, round(x) + reach + 1)
    y0, y1 = max(0, round(y) - reach), min(scenario.NY, round(y) + reach + 1)
    if x0 >= x1 or y0 >= y1:
        return
    profile_x = np.diff(erf((np.arange(x0, x1 + 1) - 0.5 - x) / (np.sqrt(2) * sigma))) / 2
    profile_y = np.diff(erf((np.arange(y0, y1 + 1) - 0.5 - y) / (np.sqrt(2) * sigma))) / 2
    canvas[y0:y1, x0:x1] += electrons * np.outer(profile_y, profile_x)


def add_halo(canvas: np.ndarray, x: float, y: float, electrons: float) -> None:
    """Add the faint wide glow that optics and dust spread around a bright star."""
    rows, columns = np.indices(canvas.shape)
    radius2 = (columns - x) ** 2 + (rows - y) ** 2
    canvas += 4.0e-5 * electrons * (1 + radius2 / 5.0**2) ** -1.5


def star_places(stars: Table, time: Time):
    """Places of the stars at the time of the frame, degrees: linear proper motion, no parallax."""
    years = time.utc.jyear - REF_EPOCH
    dec = stars["dec"] + stars["pmdec"] * years / 3.6e6
    ra = stars["ra"] + stars["pmra"] * years / 3.6e6 / np.cos(np.radians(stars["dec"]))
    return np.asarray(ra), np.asarray(dec)


def expose(shot, stars, nebulae, body, random) -> np.ndarray:
    """The frame's pixels as the camera stores them, uint16, shape (ny, nx)."""
    wcs, moments = true_wcs(shot), shutter_moments(shot)
    seconds = shot.sub_s * shot.n_sub
    sky = 10 ** (0.4 * (scenario.ZERO_POINT_E_S - scenario.SKY_MAG_ARCSEC2)) * scenario.SCALE_ARCSEC**2
    model = seconds * (sky + nebulae.in_frame(nebulae.glow, wcs))
    ra, dec = star_places(stars, moments[0])
    flux = seconds * 10 ** (0.4 * (scenario.ZERO_POINT_E_S - np.asarray(stars["phot_g_mean_mag"])))
    for x, y, electrons in zip(*wcs.all_world2pix(ra, dec, 0), flux, strict=True):
        add_image(model, x, y, electrons)
        if electrons > seconds * 2500 and -300 < x < scenario.NX + 300 and -300 < y < scenario.NY + 300:
            add_halo(model, x, y, electrons)
    ra, dec, mag = body.at(moments)
    light = seconds / len(moments) * 10 ** (0.4 * (scenario.ZERO_POINT_E_S - mag))
    for x, y, electrons in zip(*wcs.all_world2pix(ra, dec, 0), light, strict=True):
        add_image(model, x, y, electrons)
    model = np.round(model / QUANTUM_E) * QUANTUM_E
    noise = random.standard_normal(model.shape) * np.sqrt(model + shot.read_noise_e**2)
    pedestal_adu = 400.0
    adu = np.round((model + noise) / shot.gain_e_adu + pedestal_adu)
    return np.clip(adu, 0, scenario.SATURATION_ADU).astype(np.uint16)


def recorded_times(shot: scenario.Shot) -> dict[str, Time]:
    """What the camera's clock wrote: beginning, end, and the light-weighted middle, UTC."""
    starts = np.asarray(shot.sub_starts_s())
    recorded = Time(shot.begin, scale="utc") - TimeDelta(scenario.CLOCK_ERROR_S, format="sec")
    middle_s, end_s = starts.mean() + shot.sub_s / 2, starts[-1] + shot.sub_s
    after_s = {"DATE-BEG": 0.0, "DATE-AVG": middle_s, "DATE-END": end_s}
    return {name: recorded + TimeDelta(seconds, format="sec") for name, seconds in after_s.items()}


def header(shot: scenario.Shot) -> fits.Header:
    """The header, by the FITS standard 4.0 (times, OBSGEO) and common camera keywords."""
    s = scenario
    starts = shot.sub_starts_s()
    cards = [("OBJECT", "IC 4603", "invented frame, see PROVENANCE.txt"), ("TIMESYS", "UTC", "time scale")]
    comments = {
        "DATE-BEG": "start of the first exposure, by the camera",
        "DATE-AVG": "middle, weighted with the light",
        "DATE-END": "end of the last exposure",
    }
    cards += [(name, time.isot, comments[name]) for name, time in recorded_times(shot).items()]
    cards += [
        ("XPOSURE", shot.sub_s * shot.n_sub, "[s] light collected"),
        ("TELAPSE", round(starts[-1] + shot.sub_s, 3), "[s] from beginning to end"),
        ("NCOMBINE", shot.n_sub, "exposures stacked by the telescope itself"),
        ("SUBEXP", shot.sub_s, "[s] one exposure"),
        ("FILTER", "CLEAR", "no filter"),
        ("TELESCOP", "short refractor", "invented"),
        ("INSTRUME", "monochrome camera", "invented"),
        ("EGAIN", shot.gain_e_adu, "[electron/adu] of the stored numbers"),
        ("RDNOISE", shot.read_noise_e, "[electron] of the whole frame, per pixel"),
        ("SATURATE", s.SATURATION_ADU, "[adu] largest number stored"),
        ("OBSGEO-L", s.SITE_LON_DEG, "[deg] geodetic longitude, east positive"),
        ("OBSGEO-B", s.SITE_LAT_DEG, "[deg] geodetic latitude"),
        ("OBSGEO-H", s.SITE_HEIGHT_M, "[m] above the WGS84 ellipsoid"),
    ]
    result = fits.Header(cards)
    wcs = recorded_wcs(shot)
    wcs_cards = wcs.to_header(relax=True)
    for name in ("DATEREF", "MJDREF", "LONPOLE", "LATPOLE"):
        wcs_cards.remove(name, ignore_missing=True)
    result.update(wcs_cards)
    return result


def answer(shot: scenario.Shot, body: Path7) -> dict:
    """What a perfect measurement of this frame gives."""
    moments = shutter_moments(shot)
    ra, dec, mag = body.at(moments)
    x, y = true_wcs(shot).all_world2pix(ra, dec, 0)
    recorded = recorded_times(shot)["DATE-AVG"]
    middle = recorded + TimeDelta(scenario.CLOCK_ERROR_S, format="sec")
    then, now = body.at(recorded), body.at(middle)
    dra = (now[0] - then[0]) * 3600 * np.cos(np.radians(then[1]))
    ddec = (now[1] - then[1]) * 3600
    second = TimeDelta(1.0, format="sec")
    later, sooner = body.at(middle + second), body.at(middle - second)
    step = (later - sooner)[:2] * [np.cos(np.radians(now[1])), 1.0]
    rate = np.hypot(*step) * 3600 * 1800
    numbers = {
        "x": (x.mean(), 4),
        "y": (y.mean(), 4),
        "ra_true": (now[0], 9),
        "dec_true": (now[1], 9),
        "mag_true": (mag.mean(), 3),
        "rate": (rate, 4),
        "dra_plate": (dra, 4),
        "ddec_plate": (ddec, 4),
        "along_plate": (np.hypot(dra, ddec), 4),
        "dra_cosdec": (dra + scenario.PLATE_DRA_ARCSEC, 4),
        "ddec": (ddec + scenario.PLATE_DDEC_ARCSEC, 4),
    }
    times = {"time_recorded": recorded.isot, "time_true": middle.isot}
    return times | {name: round(float(value), digits) for name, (value, digits) in numbers.items()}


ANSWERS_HEAD = """\
# What was put into the sample frames: a perfect measurement finds these numbers. Written by make_sample.py.
# clock_offset_s: true minus recorded time. plate_*: places by the WCS minus true ones, RA with cosDec.
# Of each frame: pixels are zero-based; *_true in degrees at the true light-weighted middle; rate in arcsec/h;
# dra_plate, ddec_plate, along_plate: O-C with the plate's error taken off (the clock alone), arcsec;
# dra_cosdec, ddec: O-C by the frame's own WCS, arcsec.
"""


def exposure_list(shot: scenario.Shot) -> fits.BinTableHDU:
    """Start and end of each exposure of a stack, UTC by the camera's clock."""
    starts = recorded_times(shot)["DATE-BEG"] + TimeDelta(shot.sub_starts_s(), format="sec")
    ends = starts + TimeDelta(shot.sub_s, format="sec")
    columns = [fits.Column(name, "23A", array=t.isot) for name, t in (("START", starts), ("END", ends))]
    return fits.BinTableHDU.from_columns(columns, name="EXPOSURES")


def write_frame(path: Path, pixels: np.ndarray, shot: scenario.Shot) -> None:
    """One tile-compressed FITS file without any date of making; a stack with a pause lists its exposures."""
    image = fits.CompImageHDU(pixels, header(shot), compression_type="RICE_1", name="FRAME")
    parts = [fits.PrimaryHDU(), image]
    if shot.pause_s > 0.0:
        parts.append(exposure_list(shot))
    fits.HDUList(parts).writeto(path, overwrite=True)


def make(out: Path, only: str | None = None) -> list[Path]:
    """Write the frames (or the one named), the star table and the answers into a folder.

    Every frame draws its noise from a seed of its own, so that one can be made without the others.
    """
    random = np.random.RandomState(scenario.SEED)
    nebulae = Nebulae(random)
    stars, body = invent_stars(random, nebulae), Path7()
    written = []
    for number, shot in enumerate(scenario.SHOTS, 1):
        if only in (None, shot.name):
            noise = np.random.RandomState(scenario.SEED + number)
            written.append(out / f"{shot.name}.fits.fz")
            write_frame(written[-1], expose(shot, stars, nebulae, body, noise), shot)
    stars.meta["source"] = "invented by make_sample.py; column names of the Gaia archive"
    stars.meta["astCat"] = "UNK"  # no catalogue's name in observations that rest on invented stars
    stars.write(out / "stars.ecsv", overwrite=True)
    answers = {
        "body": scenario.BODY,
        "clock_offset_s": scenario.CLOCK_ERROR_S,
        "plate_dra": scenario.PLATE_DRA_ARCSEC,
        "plate_ddec": scenario.PLATE_DDEC_ARCSEC,
        "frames": {f"{shot.name}.fits.fz": answer(shot, body) for shot in scenario.SHOTS},
    }
    text = ANSWERS_HEAD + yaml.safe_dump(answers, sort_keys=False)
    (out / "answers.yaml").write_text(text, encoding="utf-8", newline="\n")
    return [*written, out / "stars.ecsv", out / "answers.yaml"]


def write_checksums(folder: Path) -> None:
    """SHA256SUMS of every data file in a folder, in the form that `sha256sum -c` reads."""
    data = sorted(p for p in folder.iterdir() if p.suffix in (".fz", ".ecsv") or p.name == "answers.yaml")
    lines = [f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {path.name}\n" for path in data]
    (folder / "SHA256SUMS").write_text("".join(lines), encoding="utf-8", newline="\n")


def main() -> None:
    """Make everything and print what was written."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=HERE, help="folder to write to (beside this file)")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    for path in make(args.out):
        print(f"{path.stat().st_size / 1e6:6.2f} MB  {path}")
    write_checksums(args.out)


if __name__ == "__main__":
    main()

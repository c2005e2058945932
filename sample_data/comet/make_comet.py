"""Draw the second sample: 2P/Encke by the galaxy NGC 7311 on 2026-12-14, three filters; with right answers.

    python sample_data/comet/make_comet.py            writes beside this file
    python sample_data/comet/make_comet.py --out DIR  writes elsewhere, to compare
    python sample_data/comet/make_comet.py --orbit F  also carries the comet's orbit to the night, out of an
                                                      orbit file (needs appulse)

The comet's place is integrated here from orbit.ecsv (Sun and planets of DE440 read with jplephem, scipy's
DOP853), without appulse. The pass is what `appulse encounters` ranks first for 2P in that month.
"""

import argparse
import sys
from pathlib import Path

import numpy as np
import yaml
from astropy import units as u
from astropy.coordinates import EarthLocation
from astropy.io import fits
from astropy.table import Table
from astropy.time import Time, TimeDelta
from astropy.utils import iers
from astropy.wcs import WCS
from jplephem.spk import SPK
from scipy import fft, ndimage
from scipy.integrate import solve_ivp

HERE = Path(__file__).resolve().parent
PLANETS = HERE.parents[1] / "plugins" / "appulse" / "data" / "de440_1990_2050.bsp"
SEED, BODY = 7311, "2P"
SITE_LON_DEG, SITE_LAT_DEG, SITE_HEIGHT_M = 121.5, -28.5, 450.0
"""An invented hosted telescope where, to our knowledge, no observatory stands."""
NX, NY, SCALE_ARCSEC, FWHM_PX = 640, 520, 3.5, 2.6
FIELD_RA_DEG, FIELD_DEC_DEG, ROTATION_DEG = 338.655, 5.490, 1.5
GALAXIES = ((338.52796, 5.56989, 0.7, 0.32, 11.0, 12.6), (338.64496, 5.81736, 0.45, 0.3, 79.0, 13.6))
"""RA, Dec, half axes (arcmin), position angle (OpenNGC: NGC 7311, NGC 7312) and invented magnitudes."""
EXPOSURE_S, GAIN_E_ADU, READ_NOISE_E, PEDESTAL_ADU, FULL_ADU = 90.0, 1.0, 3.0, 300.0, 60_000
ZERO_E_S = {"R": 18.5, "G": 18.7, "B": 18.3}
SKY_MAG = {"R": 20.3, "G": 20.7, "B": 21.2}
"""Per square arcsec: red of the lamps, blue of the night."""
COMET_MAG, COMET_COLOUR = 11.9, {"R": 0.1, "G": -0.35, "B": 0.25}
"""Total magnitude within its coma, and what each filter adds: C2 shines in green."""
SLOPE, NUCLEUS_SHARE, COMA_ARCMIN = 1.05, 0.06, 2.2
TAIL, TAIL_PA_DEG, TAIL_WIDTH_DEG = 2.2, 67.0, 20.0
"""The tail against the coma far out; it points away from the Sun."""
PLATE_ARCSEC = (0.60, -0.40)
ORBIT_ARCSEC = (1.80, 1.10)
"""The comet's true place minus that of orbit.ecsv, east and north: its jets have shifted it since."""
SHOTS = (
    ("encke_1", "2026-12-14T12:06:10", "R", (0.0, 0.0)), ("encke_2", "2026-12-14T12:10:02", "G", (2.4, -1.3)),
    ("encke_3", "2026-12-14T12:13:51", "B", (-1.7, 2.2)), ("encke_4", "2026-12-14T14:21:33", "R", (3.1, 4.4)),
    ("encke_5", "2026-12-14T14:25:20", "G", (-2.9, 1.8)), ("encke_6", "2026-12-14T14:29:12", "B", (1.2, -3.6))
)  # fmt: skip
C_AU_D = 173.144632674
BODIES = {10: 2.959122082855911e-4, 1: 4.9125001948893e-11, 2: 7.2434523326e-10, 3: 8.9970113898e-10,
          4: 9.5495488297e-11, 5: 2.825345825239e-7, 6: 8.459705993e-8, 7: 1.292026564e-8, 8: 1.524357347e-8}
"""GM in au^3/d^2 (DE440), the Earth with the Moon; read as barycentres of the systems."""


class Ephemeris:
    """Places of Sun, planets and Earth, au from the barycentre, ICRF."""

    def __init__(self):
        self.spk = SPK.open(PLANETS)

    def body(self, code, jd):
        """A barycentre of the kernel, (3,) or (3, n)."""
        return self.spk[0, code].compute(jd) / 149_597_870.7

    def earth(self, jd):
        """The Earth's centre."""
        return self.body(3, jd) + self.spk[3, 399].compute(jd) / 149_597_870.7


def comet_path(orbit: Table, kernels: Ephemeris):
    """Dense solution of the comet's heliocentric motion about its epoch: Newton and the Sun's relativity."""
    row = orbit[0]
    start, sun = float(row["epoch"]), 10
    state = np.array([float(row[name]) for name in ("x", "y", "z", "vx", "vy", "vz")])

    def pull(days, y):
        jd, here, speed = start + days, y[:3], y[3:]
        at_sun = kernels.body(sun, jd)
        r, gm = np.linalg.norm(here), BODIES[sun]
        total = -gm * here / r**3
        bent = (4 * gm / r - speed @ speed) * here + 4 * (here @ speed) * speed
        total = total + gm / C_AU_D**2 / r**3 * bent
        for code, mass in BODIES.items():
            if code != sun:
                planet = kernels.body(code, jd) - at_sun
                away = planet - here
                direct, indirect = (v / np.linalg.norm(v) ** 3 for v in (away, planet))
                total = total + mass * (direct - indirect)
        return np.concatenate([speed, total])

    found = solve_ivp(pull, (0.0, 20.0), state, method="DOP853", rtol=1e-13, atol=1e-15, dense_output=True)
    return lambda jd: found.sol(np.asarray(jd) - start)[:3]


def comet_places(orbit: Table, time: Time):
    """Astrometric RA and Dec, degrees, from the invented site, by orbit.ecsv."""
    kernels = Ephemeris()
    path = comet_path(orbit, kernels)
    location = EarthLocation.from_geodetic(SITE_LON_DEG, SITE_LAT_DEG, SITE_HEIGHT_M * u.m)
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        site = location.get_gcrs_posvel(time)[0].xyz.to_value(u.au)
    jd = time.tdb.jd
    here, delay = kernels.earth(jd) + site, np.zeros(len(jd))
    for _ in range(4):
        there = path(jd - delay) + kernels.body(10, jd - delay) - here
        delay = np.linalg.norm(there, axis=0) / C_AU_D
    kernels.spk.close()
    return np.degrees(np.arctan2(there[1], there[0])) % 360, np.degrees(np.arcsin(there[2] / delay / C_AU_D))


def true_wcs(shift) -> WCS:
    """Where the telescope really pointed."""
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [FIELD_RA_DEG, FIELD_DEC_DEG]
    wcs.wcs.crpix = [NX / 2 + 0.5 + shift[0], NY / 2 + 0.5 + shift[1]]
    c, s = np.cos(np.radians(ROTATION_DEG)), np.sin(np.radians(ROTATION_DEG))
    wcs.wcs.cd = np.round(SCALE_ARCSEC / 3600 * np.array([[-c, s], [s, c]]), 14)
    wcs.wcs.radesys = "ICRS"
    wcs.wcs.set()
    return wcs


def comet_image(angle, over=4):
    """Spectrum of a comet of unit light on fine cells about its nucleus, blurred; and its frequencies."""
    n = 2 * over * int(1.6 * COMA_ARCMIN * 60 / SCALE_ARCSEC + 12)
    a, b = np.meshgrid(*[(np.arange(n) - n // 2) / over] * 2)
    r = np.maximum(np.hypot(a, b), 0.38 / over)  # a cell about the nucleus holds its mean
    away = (np.arctan2(b, a) - angle + np.pi) % (2 * np.pi) - np.pi
    far = r / (8 * FWHM_PX)
    dust = r**-SLOPE * (1 + TAIL * np.exp(-0.5 * (away / np.radians(TAIL_WIDTH_DEG)) ** 2) * far / (1 + far))
    dust *= np.exp(-((r * SCALE_ARCSEC / (60 * COMA_ARCMIN)) ** 3))
    dust[n // 2, n // 2] += NUCLEUS_SHARE * dust.sum()
    fx, fy = np.meshgrid(np.fft.rfftfreq(n, 1 / over), np.fft.fftfreq(n, 1 / over))
    blur = np.exp(-2 * np.pi**2 * (FWHM_PX / 2.354820045) ** 2 * (fx**2 + fy**2)) * np.sinc(fx) * np.sinc(fy)
    return fft.rfft2(np.fft.ifftshift(dust / dust.sum())) * blur, fx, fy, over


def add_comet(canvas, spectrum, x, y, trail, electrons):
    """Add the comet at (x, y), trailed by (dx, dy) px."""
    image, fx, fy, over = spectrum
    x0, y0, n = round(x), round(y), len(fy)
    shift = np.exp(-2j * np.pi * (fx * (x - x0) + fy * (y - y0))) * np.sinc(fx * trail[0] + fy * trail[1])
    box = np.fft.fftshift(fft.irfft2(image * shift, (n, n)))[::over, ::over] * over**2 * electrons
    half = n // 2 // over
    ya, yb, xa, xb = max(y0 - half, 0), min(y0 + half, NY), max(x0 - half, 0), min(x0 + half, NX)
    canvas[ya:yb, xa:xb] += box[ya - y0 + half : yb - y0 + half, xa - x0 + half : xb - x0 + half]


def add_star(canvas, x, y, electrons):
    """Add a Gaussian star, the mean of 5 x 5 places in each pixel."""
    s, reach = FWHM_PX / 2.354820045, 12
    x0, x1, y0, y1 = max(0, round(x) - reach), min(NX, round(x) + reach + 1), max(0, round(y) - reach), min(
        NY, round(y) + reach + 1
    )
    if x0 < x1 and y0 < y1:
        sub = (np.arange(5) + 0.5) / 5 - 0.5
        sides = [
            np.exp(-0.5 * ((np.arange(low, high)[:, None] + sub - at) / s) ** 2).mean(axis=1)
            for low, high, at in ((x0, x1, x), (y0, y1, y))
        ]
        canvas[y0:y1, x0:x1] += electrons * np.outer(sides[1], sides[0]) / (2 * np.pi * s**2)


def invent_stars(random) -> Table:
    """Stars of no catalogue, under the column names of the Gaia archive."""
    n = 900
    mags = 9.2 + np.log(1 + random.uniform(0, 1, n) * (np.exp(0.72 * 8.3) - 1)) / 0.72
    table = Table({"source_id": np.arange(1, n + 1)})
    table["ra"] = np.round(FIELD_RA_DEG + random.uniform(-0.42, 0.42, n), 8)
    table["dec"] = np.round(FIELD_DEC_DEG + random.uniform(-0.36, 0.36, n), 8)
    for name in ("ra_error", "dec_error"):
        table[name] = np.full(n, 0.05)
    for name in ("pmra", "pmdec", "parallax"):
        table[name] = np.zeros(n)
    table["phot_g_mean_mag"] = np.round(mags, 3)
    table["ref_epoch"] = np.full(n, 2016.0)
    table.meta["source"] = "invented by make_comet.py; column names of the Gaia archive"
    table.meta["astCat"] = "UNK"
    return table


def galaxies(wcs) -> np.ndarray:
    """Light of the galaxies for magnitude 0 = 1 electron, exponential discs, blurred."""
    rows, columns = np.indices((NY, NX))
    ra, dec = wcs.all_pix2world(columns, rows, 0)
    total = np.zeros((NY, NX))
    for ra0, dec0, major, minor, pa, mag in GALAXIES:
        east, north = (ra - ra0) * 60 * np.cos(np.radians(dec0)), (dec - dec0) * 60
        along = east * np.sin(np.radians(pa)) + north * np.cos(np.radians(pa))
        across = east * np.cos(np.radians(pa)) - north * np.sin(np.radians(pa))
        light = np.exp(-3.2 * np.hypot(along / major, across / minor))
        total += 10 ** (-0.4 * mag) * light / light.sum()
    return ndimage.gaussian_filter(total, FWHM_PX / 2.354820045)


def expose(shot, stars, orbit, random) -> tuple[np.ndarray, dict, fits.Header]:
    """Pixels, right answers and header of one frame."""
    _, begin, band, shift = shot
    wcs, start = true_wcs(shift), Time(begin, scale="utc")
    times = start + TimeDelta(np.array([0.0, 0.5, 1.0]) * EXPOSURE_S, format="sec")
    ra, dec = comet_places(orbit, times)
    cosdec = np.cos(np.radians(dec[1]))
    ra, dec = ra + ORBIT_ARCSEC[0] / 3600 / cosdec, dec + ORBIT_ARCSEC[1] / 3600
    x, y = wcs.all_world2pix(ra, dec, 0)
    one = EXPOSURE_S * 10 ** (0.4 * ZERO_E_S[band])
    model = np.full((NY, NX), one * 10 ** (-0.4 * SKY_MAG[band]) * SCALE_ARCSEC**2)
    rows, columns = np.indices(model.shape)
    model *= 1 + 0.05 * (columns / NX - 0.5) - 0.04 * (rows / NY - 0.5)
    model += one * galaxies(wcs)
    tint = np.random.RandomState(SEED + 99).normal(0, 0.12, len(stars))  # the same in every frame
    tint *= {"R": 1.0, "G": 0.0, "B": -1.0}[band]
    light = one * 10 ** (-0.4 * (np.asarray(stars["phot_g_mean_mag"]) + tint))
    for px, py, electrons in zip(*wcs.all_world2pix(stars["ra"], stars["dec"], 0), light, strict=True):
        if -12 < px < NX + 12 and -12 < py < NY + 12:
            add_star(model, px, py, electrons)
    turn = np.radians(TAIL_PA_DEG)
    tip = wcs.all_world2pix(ra[1] + np.sin(turn) / 60 / cosdec, dec[1] + np.cos(turn) / 60, 0)
    spectrum = comet_image(float(np.arctan2(tip[1] - y[1], tip[0] - x[1])))
    mag = COMET_MAG + COMET_COLOUR[band]
    add_comet(model, spectrum, x[1], y[1], (x[2] - x[0], y[2] - y[0]), one * 10 ** (-0.4 * mag))
    hot = np.where(np.random.RandomState(SEED + 7).uniform(size=model.shape) < 2e-4, 4000.0, 0.0)
    electrons = random.poisson(np.round(model * 64) / 64 + hot) + random.normal(0, READ_NOISE_E, model.shape)
    for _ in range(4):  # cosmic rays
        electrons[random.randint(0, NY), random.randint(0, NX)] += random.exponential(2500)
    pixels = np.clip(np.round(electrons / GAIN_E_ADU + PEDESTAL_ADU), 0, FULL_ADU).astype(np.uint16)
    recorded = true_wcs(shift)
    recorded.wcs.crval = np.round(
        [FIELD_RA_DEG + PLATE_ARCSEC[0] / 3600 / cosdec, FIELD_DEC_DEG + PLATE_ARCSEC[1] / 3600], 10
    )
    header = fits.Header([
        ("OBJECT", "NGC 7311", "invented frame, see PROVENANCE.txt"), ("TIMESYS", "UTC", "time scale"),
        ("DATE-OBS", start.isot, "start of the exposure, UTC"), ("EXPTIME", EXPOSURE_S, "[s]"),
        ("FILTER", band, "one of three"), ("TELESCOP", "short refractor", "invented"),
        ("EGAIN", GAIN_E_ADU, "[electron/adu]"), ("RDNOISE", READ_NOISE_E, "[electron]"),
        ("SATURATE", FULL_ADU, "[adu]"), ("OBSGEO-L", SITE_LON_DEG, "[deg] invented place"),
        ("OBSGEO-B", SITE_LAT_DEG, "[deg]"), ("OBSGEO-H", SITE_HEIGHT_M, "[m]"),
    ])  # fmt: skip
    cards = recorded.to_header()
    for card in ("DATEREF", "MJDREF", "LONPOLE", "LATPOLE"):
        cards.remove(card, ignore_missing=True)
    header.update(cards)
    numbers = {
        "x": (x[1], 3), "y": (y[1], 3), "ra_true": (ra[1], 9), "dec_true": (dec[1], 9), "mag_true": (mag, 2),
        "dra_plate": (ORBIT_ARCSEC[0], 3), "ddec_plate": (ORBIT_ARCSEC[1], 3),
        "dra_cosdec": (ORBIT_ARCSEC[0] + PLATE_ARCSEC[0], 3), "ddec": (ORBIT_ARCSEC[1] + PLATE_ARCSEC[1], 3),
    }  # fmt: skip
    answer = {"filter": band} | {key: round(float(value), n) for key, (value, n) in numbers.items()}
    return pixels, answer, header


HEAD = """\
# What was put into the comet's frames: a perfect measurement finds these numbers. Written by make_comet.py.
# plate_*: places by the WCS minus true ones, RA with cosDec, arcsec. coma_slope: it falls as distance^-slope.
# Of each frame: zero-based pixels; *_true in degrees at mid-exposure; dra_plate, ddec_plate: O-C with the
# plate's error taken off; dra_cosdec, ddec: O-C by the frame's own WCS, arcsec; mag_true: all of its light.
"""


def make(out: Path) -> None:
    """Write frames, star table and answers into a folder."""
    orbit = Table.read(HERE / "orbit.ecsv")
    stars = invent_stars(np.random.RandomState(SEED))
    answers = {}
    for number, shot in enumerate(SHOTS, 1):
        pixels, answer, header = expose(shot, stars, orbit, np.random.RandomState(SEED + number))
        path = out / f"{shot[0]}.fits.fz"
        image = fits.CompImageHDU(pixels, header, compression_type="RICE_1", name="FRAME")
        fits.HDUList([fits.PrimaryHDU(), image]).writeto(path, overwrite=True)
        answers[path.name] = answer
    stars.write(out / "stars.ecsv", overwrite=True)
    whole = {
        "body": BODY, "plate_dra": PLATE_ARCSEC[0], "plate_ddec": PLATE_ARCSEC[1], "coma_slope": SLOPE,
        "tail_pa": TAIL_PA_DEG, "frames": answers,
    }  # fmt: skip
    (out / "answers.yaml").write_text(HEAD + yaml.safe_dump(whole, sort_keys=False), "utf-8", newline="\n")


def carry_orbit(source: Path) -> None:
    """Write orbit.ecsv: the comet's published orbit carried to ten days before the night, by appulse."""
    from appulse.bodies import NBodyEphemeris, orbit_table, read_orbits

    catalogue = read_orbits(source)
    row = next(k for k in range(len(orbit_table(catalogue))) if str(catalogue.designation[k]) == BODY)
    epoch = Time("2026-12-04T00:00:00", scale="tdb").jd
    table = orbit_table(catalogue)[row : row + 1]
    ephemeris = NBodyEphemeris(catalogue)
    barycentric = ephemeris.states(np.array([row]), np.array([[epoch - 2451545.0]]))[0, 0]
    kernels, day = Ephemeris(), 0.5
    sun = kernels.body(10, epoch)
    speed = (kernels.body(10, epoch + day) - kernels.body(10, epoch - day)) / (2 * day)
    table["epoch"] = epoch
    for name, value in zip(("x", "y", "z", "vx", "vy", "vz"), barycentric - np.r_[sun, speed], strict=True):
        table[name] = value
    words = "JPL Horizons' orbit of 2P (reply of 2024-09-02), carried to the night by appulse"
    table.meta = {"source": words}
    table.write(HERE / "orbit.ecsv", overwrite=True)


def main() -> None:
    """Make everything."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=HERE, help="folder to write to (beside this file)")
    parser.add_argument("--orbit", type=Path, help="an orbit file with 2P: carry it to the night first")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    if args.orbit:
        carry_orbit(args.orbit)
    make(args.out)
    sys.path.insert(0, str(HERE.parent))
    from make_sample import write_checksums

    write_checksums(args.out)


if __name__ == "__main__":
    main()

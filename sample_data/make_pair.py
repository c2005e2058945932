"""Draw the sample pair: one close body, photographed from two sites at the same time; find its distance.

    python sample_data/make_pair.py            writes sample_data/pair
    python sample_data/make_pair.py --out DIR  writes elsewhere, to compare

The body, its orbit, both sites, cameras and all stars are invented. Its path is integrated here from the JPL
kernels (Sun, Earth and Moon; jplephem and ERFA, without appulse), so that the distance is known beforehand.
"""

import argparse
from pathlib import Path
from typing import NamedTuple

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
from make_sample import write_checksums
from scipy.integrate import solve_ivp
from scipy.special import erf

HERE = Path(__file__).resolve().parent
PLANETS = HERE.parent / "plugins/appulse/data/de440_1990_2050.bsp"
SEED, BODY = 1609, "PAIR1"
AU_KM, C_KM_S = 149_597_870.7, 299_792.458
GM_KM3_S2 = {"sun": 132_712_440_041.279, "earth": 398_600.4355, "moon": 4_902.8001}
EPOCH = Time("2027-05-04T23:00:00", scale="utc")
# From the Earth's centre at the epoch: direction, distance, motion.
RA_DEG, DEC_DEG, DISTANCE_AU = 236.3, -9.4, 0.052
ACROSS_KM_S, AWAY_KM_S, MOTION_PA_DEG = 4.2, -5.5, 118.0
MAG = 13.4
# How far the orbit that comes with the frames puts the body off, km along each axis: some arcseconds.
ORBIT_OFF_KM = (95.0, -60.0, 70.0)
ORBIT_SIGMA_AU, ORBIT_SIGMA_AU_D = 1.2e-6, 4e-8
NX, NY, SCALE_ARCSEC, FWHM_PX = 620, 460, 2.2, 2.4
ZERO_POINT_E_S, GAIN_E, READ_NOISE_E, PEDESTAL_ADU, SATURATION_ADU = 20.6, 1.6, 3.4, 310.0, 60_000
N_STARS, MAGS = 260, (8.8, 15.8)


class Observer(NamedTuple):
    """One site: where, its sky, its frames (s from the epoch), its plate's error (arcsec), how it stands."""

    name: str
    lon: float
    lat: float
    height: float
    sky_mag: float
    starts_s: tuple
    plate: tuple
    rotation_deg: float
    cloud: float


OBSERVERS = (
    Observer("south", 20.5, -23.0, 1250.0, 21.2, (-1500.0, -600.0, 300.0, 1200.0), (0.6, -0.3), 1.5, 0.0),
    Observer("north", 11.0, 50.0, 400.0, 20.3, (-1420.0, -520.0, 380.0, 1280.0), (-0.4, 0.5), 178.0, 0.35),
)
EXPOSURE_S = 20.0


class Sky:
    """The kernels' Sun, Earth and Moon, and the body's path between them, km from the barycentre."""

    def __init__(self):
        kernel = SPK.open(PLANETS)
        self._kernel = kernel
        self.zero = float(EPOCH.tdb.jd)
        earth, velocity = self._earth(0.0, True)
        ra, dec = np.radians([RA_DEG, DEC_DEG])
        out = np.array([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])
        east, north = np.array([-np.sin(ra), np.cos(ra), 0.0]), np.cross(out, [-np.sin(ra), np.cos(ra), 0.0])
        pa = np.radians(MOTION_PA_DEG)
        motion = ACROSS_KM_S * (np.sin(pa) * east + np.cos(pa) * north) + AWAY_KM_S * out
        start = np.concatenate([earth + DISTANCE_AU * AU_KM * out, velocity + motion])
        self.start = start
        span = 5400.0
        ends = [
            solve_ivp(self._slope, (0.0, side * span), start, method="DOP853", rtol=1e-12, atol=1e-6,
                      dense_output=True)
            for side in (-1.0, 1.0)
        ]  # fmt: skip
        self._behind, self._ahead = (end.sol for end in ends)

    def _earth(self, t, velocity=False):
        day = t / 86_400.0
        parts = [self._kernel[pair].compute_and_differentiate(self.zero, day) for pair in ((0, 3), (3, 399))]
        place = parts[0][0] + parts[1][0]
        return (place, (parts[0][1] + parts[1][1]) / 86_400.0) if velocity else place

    def _slope(self, t, state):
        day = t / 86_400.0
        centre = self._kernel[0, 3].compute(self.zero, day)
        places = {
            "sun": self._kernel[0, 10].compute(self.zero, day),
            "earth": centre + self._kernel[3, 399].compute(self.zero, day),
            "moon": centre + self._kernel[3, 301].compute(self.zero, day),
        }
        force = np.zeros(3)
        for name, place in places.items():
            away = state[:3] - place
            force -= GM_KM3_S2[name] * away / np.linalg.norm(away) ** 3
        return np.concatenate([state[3:], force])

    def close(self) -> None:
        """Let go of the kernel."""
        self._kernel.close()

    def body(self, t):
        """Place of the body, km."""
        return (self._behind if t < 0 else self._ahead)(t)[:3]

    def seen(self, t, observer: Observer):
        """RA and Dec (degrees) from a site, seconds after the epoch, and the distance in km."""
        when = EPOCH + TimeDelta(t, format="sec")
        location = EarthLocation.from_geodetic(observer.lon, observer.lat, observer.height * u.m)
        with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
            own = location.get_gcrs_posvel(when)[0].xyz.to_value(u.km)
        here, delay = self._earth(t) + own, 0.0
        for _ in range(4):
            away = self.body(t - delay) - here
            delay = np.linalg.norm(away) / C_KM_S
        ra = np.degrees(np.arctan2(away[1], away[0])) % 360
        return ra, np.degrees(np.arcsin(away[2] / np.linalg.norm(away))), float(np.linalg.norm(away))


def invent_stars(random) -> Table:
    """Stars with the columns of the Gaia archive, without motions; mas and degrees."""
    share = random.random_sample(N_STARS)
    low, high = MAGS
    g = np.log10(10 ** (0.33 * low) + share * (10 ** (0.33 * high) - 10 ** (0.33 * low))) / 0.33
    table = Table()
    table["source_id"] = np.arange(1, N_STARS + 1) + 1_609_000_000
    table["ra"] = np.round(RA_DEG + random.uniform(-0.36, 0.36, N_STARS), 9)
    table["dec"] = np.round(DEC_DEG + random.uniform(-0.3, 0.3, N_STARS), 9)
    for name, value in (
        ("ra_error", 0.05),
        ("dec_error", 0.05),
        ("parallax", 0.5),
        ("pmra", 0.0),
        ("pmdec", 0.0),
    ):
        table[name] = np.full(N_STARS, value)
        table[name].unit = "mas/yr" if name.startswith("pm") else "mas"
    table["phot_g_mean_mag"] = np.round(g, 3)
    table["ref_epoch"] = np.full(N_STARS, 2016.0)
    for name, unit in (("ra", "deg"), ("dec", "deg"), ("phot_g_mean_mag", "mag"), ("ref_epoch", "yr")):
        table[name].unit = unit
    table.sort("phot_g_mean_mag")
    return table


def true_wcs(observer: Observer, shift) -> WCS:
    """Where the camera pointed: the middle between both sites' views of the body."""
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [RA_DEG, DEC_DEG]
    wcs.wcs.crpix = [NX / 2 + 0.5 + shift[0], NY / 2 + 0.5 + shift[1]]
    angle, scale = np.radians(observer.rotation_deg), SCALE_ARCSEC / 3600
    cos, sin = np.cos(angle), np.sin(angle)
    wcs.wcs.cd = np.round([[-scale * cos, scale * sin], [scale * sin, scale * cos]], 14)
    wcs.wcs.radesys = "ICRS"
    wcs.wcs.set()
    return wcs


def add_image(canvas, x, y, electrons, fwhm_px) -> None:
    """Add a Gaussian image, integrated over pixels."""
    sigma = fwhm_px / 2.354820045
    reach = int(np.ceil(7 * sigma))
    x0, x1 = max(0, round(x) - reach), min(NX, round(x) + reach + 1)
    y0, y1 = max(0, round(y) - reach), min(NY, round(y) + reach + 1)
    if x0 < x1 and y0 < y1:
        edges = (np.arange(x0, x1 + 1) - 0.5 - x, np.arange(y0, y1 + 1) - 0.5 - y)
        part_x, part_y = (np.diff(erf(edge / (np.sqrt(2) * sigma))) / 2 for edge in edges)
        canvas[y0:y1, x0:x1] += electrons * np.outer(part_y, part_x)


def draw(sky: Sky, observer: Observer, number: int, stars, hot) -> tuple[np.ndarray, WCS]:
    """Pixels as the camera stores them, undarked, and the WCS of the header."""
    random = np.random.RandomState(SEED + 100 * OBSERVERS.index(observer) + number)
    shift = tuple(np.round(random.uniform(-6, 6, 2), 2))
    wcs, fwhm = true_wcs(observer, shift), FWHM_PX * (1.0 + 0.12 * random.random_sample())
    rows, columns = np.indices((NY, NX), dtype=float)
    sky_e = 10 ** (0.4 * (ZERO_POINT_E_S - observer.sky_mag)) * SCALE_ARCSEC**2 * EXPOSURE_S
    model = sky_e * (1 + 0.12 * (columns / NX - 0.5) + 0.08 * (rows / NY - 0.5))
    bank = 1.0 - observer.cloud * np.exp(-(((columns - NX * (0.2 + 0.25 * number)) / 160.0) ** 2))
    light = np.zeros_like(model)
    flux = EXPOSURE_S * 10 ** (0.4 * (ZERO_POINT_E_S - np.asarray(stars["phot_g_mean_mag"])))
    for x, y, electrons in zip(*wcs.all_world2pix(stars["ra"], stars["dec"], 0), flux, strict=True):
        add_image(light, x, y, electrons, fwhm)
    start = observer.starts_s[number - 1]
    steps = 10
    for k in range(steps):
        ra, dec, _ = sky.seen(start + (k + 0.5) * EXPOSURE_S / steps, observer)
        x, y = wcs.all_world2pix(ra, dec, 0)
        add_image(light, float(x), float(y), EXPOSURE_S / steps * 10 ** (0.4 * (ZERO_POINT_E_S - MAG)), fwhm)
    model = model * (1.0 + 0.3 * (1.0 - bank)) + light * bank + 0.9 * EXPOSURE_S + hot * EXPOSURE_S
    model = np.round(model * 64) / 64
    noise = random.standard_normal(model.shape) * np.sqrt(model + READ_NOISE_E**2)
    for _ in range(6):  # cosmic rays: short straight scratches
        x, y = random.uniform(10, NX - 10), random.uniform(10, NY - 10)
        angle, length = random.uniform(0, np.pi), random.randint(1, 7)
        for k in range(length):
            noise[int(y + k * np.sin(angle)) % NY, int(x + k * np.cos(angle)) % NX] += random.uniform(
                600, 4000
            )
    adu = np.clip(np.round((model + noise) / GAIN_E + PEDESTAL_ADU), 0, SATURATION_ADU).astype(np.uint16)
    shown = wcs.deepcopy()
    dra, ddec = observer.plate
    shown.wcs.crval = np.round([RA_DEG + dra / 3600 / np.cos(np.radians(DEC_DEG)), DEC_DEG + ddec / 3600], 10)
    return adu, shown


def header(observer: Observer, number: int, wcs: WCS) -> fits.Header:
    """By the FITS standard 4.0."""
    begin = EPOCH + TimeDelta(observer.starts_s[number - 1], format="sec")
    result = fits.Header([
        ("OBJECT", BODY, "invented body, see PROVENANCE.txt"), ("TIMESYS", "UTC", "time scale"),
        ("DATE-BEG", begin.isot, "start of the exposure"),
        ("DATE-END", (begin + TimeDelta(EXPOSURE_S, format="sec")).isot, "end of the exposure"),
        ("XPOSURE", EXPOSURE_S, "[s] exposure time"), ("FILTER", "CLEAR", "no filter"),
        ("TELESCOP", "small reflector", "invented"), ("INSTRUME", "monochrome camera", "invented"),
        ("EGAIN", GAIN_E, "[electron/adu]"), ("RDNOISE", READ_NOISE_E, "[electron] per pixel"),
        ("SATURATE", SATURATION_ADU, "[adu] largest number stored"),
        ("OBSGEO-L", observer.lon, "[deg] geodetic longitude, east positive"),
        ("OBSGEO-B", observer.lat, "[deg] geodetic latitude"),
        ("OBSGEO-H", observer.height, "[m] above the WGS84 ellipsoid"),
    ])  # fmt: skip
    cards = wcs.to_header(relax=True)
    for name in ("DATEREF", "MJDREF", "LONPOLE", "LATPOLE"):
        cards.remove(name, ignore_missing=True)
    result.update(cards)
    return result


def orbit_table(sky: Sky) -> Table:
    """The state about the Sun at the epoch, off by what an orbit of few nights would be."""
    place, velocity = sky.start[:3] + ORBIT_OFF_KM, sky.start[3:]
    sun, sun_velocity = sky._kernel[0, 10].compute_and_differentiate(sky.zero, 0.0)
    state = [*((place - sun) / AU_KM), *((velocity * 86_400.0 - sun_velocity) / AU_KM)]
    table = Table({"designation": [BODY], "epoch": [sky.zero]})
    table["epoch"].unit = "d"
    for name, value in zip(("x", "y", "z", "vx", "vy", "vz"), state, strict=True):
        table[name] = [float(f"{value:.14g}")]
        table[name].unit = "AU" if len(name) == 1 else "AU / d"
    table["H"], table["G"] = [19.0], [0.15]
    for j in range(6):
        for k in range(j, 6):
            sigma = ORBIT_SIGMA_AU if j < 3 else ORBIT_SIGMA_AU_D
            table[f"cov_{j}{k}"] = [sigma**2 if j == k else 0.0]
    return table


def make(out: Path) -> None:
    """Write frames, stars, orbit and answer."""
    out.mkdir(parents=True, exist_ok=True)
    sky, random = Sky(), np.random.RandomState(SEED)
    stars = invent_stars(random)
    answer = {"body": BODY, "epoch_utc": EPOCH.isot, "distance_au": DISTANCE_AU, "frames": {}}
    for observer in OBSERVERS:
        hot = np.zeros((NY, NX))
        some = np.random.RandomState(SEED + len(observer.name)).randint(0, NX * NY, 350)
        hot.flat[some] = np.random.RandomState(SEED + 7).exponential(45.0, 350)
        for number in range(1, len(observer.starts_s) + 1):
            pixels, wcs = draw(sky, observer, number, stars, hot)
            image = fits.CompImageHDU(
                pixels, header(observer, number, wcs), compression_type="RICE_1", name="FRAME"
            )
            name = f"{observer.name}_{number}.fits.fz"
            fits.HDUList([fits.PrimaryHDU(), image]).writeto(out / name, overwrite=True)
            ra, dec, _ = sky.seen(observer.starts_s[number - 1] + EXPOSURE_S / 2, observer)
            answer["frames"][name] = {"ra_true": round(float(ra), 8), "dec_true": round(float(dec), 8)}
    stars.meta["source"] = "invented by make_pair.py; column names of the Gaia archive"
    stars.meta["astCat"] = "UNK"  # no catalogue's name in observations that rest on invented stars
    stars.write(out / "stars.ecsv", overwrite=True)
    orbit_table(sky).write(out / "orbit.ecsv", overwrite=True)
    words = (
        "# What was put into the pair: the distance is from the Earth's centre. Written by make_pair.py.\n"
    )
    (out / "answers.yaml").write_text(words + yaml.safe_dump(answer, sort_keys=False), "utf-8", newline="\n")
    write_checksums(out)
    sky.close()


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--out", type=Path, default=HERE / "pair", help="folder to write to (pair, beside this)"
    )
    make(parser.parse_args().out)

"""Nights as cameras take them, invented: undarked, mosaic, clouded, crowded, nebulous; with right answers.

Nothing here uses the program's own image model: points are drawn by sub-pixel sums of a Moffat or Gaussian
profile, a body's trail as many points, and what the sensor does to light (colour mosaic, hot pixels, cosmic
rays, columns, saturation, gain, bits) is done in the order in which a camera does it. Each body comes with
the matched signal to noise and the bound of Cramer and Rao, out of the very electrons that were expected.

    light of stars, body, nebula, sky gradient  x  cloud   --> expected electrons (per mosaic colour)
    + satellite's trail + dark current (hot pixels)        --> Poisson + read noise + cosmic rays
    clipped at the full well, bled, / gain + bias, rounded --> the frame
"""

from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path

import erfa
import numpy as np
from astropy.io import fits
from astropy.table import Table, vstack
from astropy.time import Time, TimeDelta
from astropy.wcs import WCS, Sip
from scipy import fft

MOSAIC_SHARE = {"R": 0.60, "G": 1.0, "B": 0.50}
"""Share of the light that passes each filter of the mosaic, against green."""

AU_M = 149597870700.0


@dataclass(frozen=True)
class CometPlan:
    """What a comet looks like: a point, a coma that falls with a power of the distance, a tail, a day side.

    Dust leaves all round and is pushed back as it goes: at the nucleus the tail adds nothing, and with the
    distance it comes to outshine the coma (the fountain of Eddington 1910, MNRAS 70, 442, in words).
    """

    slope: float = 1.0
    nucleus: float = 0.1
    """The point's share of all light within two FWHM."""
    tail_pa_deg: float = 60.0
    tail: float = 2.0
    """Its light on the axis far out, against the coma's there."""
    tail_width_deg: float = 25.0
    tail_from_fwhm: float = 5.0
    tail_power: float = 1.0
    bend_deg: float = 0.0
    """By so much the tail's axis turns until ten FWHM."""
    day_side: float = 0.05
    """Excess of the coma towards the Sun at every distance, as a cosine."""
    jets: tuple[tuple[float, float, float, float], ...] = ()
    """Jets: degrees from the tail's axis, light against the coma, width (deg), turn until ten FWHM (deg)."""
    reach_fwhm: float = 18.0
    """Beyond it there is nothing left to see."""


@dataclass
class NightPlan:
    """What a night is like; the defaults are a plain, good one."""

    seed: int = 1
    frames: int = 5
    shape: tuple[int, int] = (360, 480)
    scale_arcsec: float = 1.8
    ra: float = 246.42
    dec: float = -24.16
    turn_deg: float = 0.0
    mirrored: bool = False
    sip: bool = False
    fwhm_px: float = 2.9
    beta: float | None = 3.5
    """Moffat's exponent; None for a Gaussian."""
    exposure_s: float = 60.0
    rate_arcsec_h: float = 40.0
    motion_pa_deg: float = 250.0
    snr: float = 40.0
    """Of the body on an unclouded frame, with the photons of all that stands there counted."""
    stars: int = 90
    faintest_listed: float = 17.5
    sky_e: float = 400.0
    read_noise_e: float = 4.0
    gain_e: float = 1.2
    bits: int = 16
    bias_adu: float = 400.0
    full_well_e: float = 60000.0
    hot_share: float = 0.0
    cosmic_rays: int = 3
    bad_columns: int = 0
    mosaic: str = ""
    """'' or four letters such as RGGB: rows of the frame from its first."""
    gradient: float = 0.1
    nebula: float = 0.0
    """Brightness of a patchy nebula, in units of the sky."""
    filament: float = 0.0
    """Brightness of a filament that runs past the body, in units of the sky."""
    neighbours: tuple[tuple[float, float, float, bool], ...] = ()
    """Stars by the body's middle place: distance (FWHM), position angle (deg), magnitudes fainter, listed."""
    clouds: tuple[float, ...] = ()
    """Share of the light on each frame; 1 when empty."""
    satellite_on: int = -1
    """Frame on which a trail runs through the body; -1 none."""
    dither_px: float = 6.0
    says_gain: bool = True
    says_saturation: bool = True
    clock_late_s: float = 0.0
    clock_drift_s_h: float = 0.0
    plate_arcsec: tuple[float, float] = (0.0, 0.0)
    offset_arcsec: tuple[float, float] = (0.0, 0.0)
    """True place minus predicted place, east and north."""
    gap_s: float = 900.0
    pause_s: float = 0.0
    """Before the second half of the frames: a day between two nights."""
    strange: tuple[int, float, float, float] | None = None
    """A frame of its own: its number, how late its clock is (s), how its plate is shifted (arcsec)."""
    comet: CometPlan | None = None
    """A comet instead of a dot; `snr` is then that of all its light."""
    drift_arcsec_h: tuple[float, float] = (0.0, 0.0)
    """True motion minus predicted motion, east and north."""
    sigma_arcsec: float = np.nan
    """One sigma per axis that is stated of the places; NaN: nothing is stated."""
    delta_au: float = np.nan
    """Distance that the places come with; NaN: none."""
    shows_on: tuple[int, ...] = ()
    """Frames on which the body is in the sky; all when empty."""
    second: tuple[float, float] | None = None
    """A second body as bright: its motion (arcsec/h) and the position angle of it, degrees."""
    lists_stars: bool = True
    """False: the star table is of another field."""
    longitude_deg: float = 20.5
    """Of the header; the place is there, or, where `is_mirrored`, at the opposite one."""
    is_mirrored: bool = False


@dataclass
class Truth:
    """The right answers of one frame."""

    name: str
    x: float
    y: float
    ra: float
    dec: float
    snr: float
    bound_px: tuple[float, float]
    """Cramer-Rao bound of the place in x and y, px, brightness and a level of the sky unknown."""
    transparency: float
    saturated: bool
    mag: float
    snr_in_nebula: float = np.nan
    """S/N with the nebula's structure counted as noise: what its spectrum, were it known, leaves of it."""


@dataclass
class InventedNight:
    """Files of a night and its answers."""

    plan: NightPlan
    folder: Path
    frames: list[Path] = field(default_factory=list)
    truths: list[Truth] = field(default_factory=list)

    @property
    def stars(self) -> Path:
        """The star table, with the Gaia archive's column names."""
        return self.folder / "stars.ecsv"

    @property
    def positions(self) -> Path:
        """Predicted places over the night: the true ones less `offset_arcsec`."""
        return self.folder / "positions.ecsv"


def point_image(shape, x, y, fwhm, beta, reach=None):
    """Slices and pixel values of a point of unit light; sub-pixel sums: a pixel holds its integral."""
    reach = reach or int(np.ceil((6.0 if beta is None else 9.0) * fwhm)) + 2
    x0, y0 = round(x) - reach, round(y) - reach
    n, over = 2 * reach + 1, 5 if fwhm < 3 else 3
    sub = (np.arange(n * over) + 0.5) / over - 0.5
    dx, dy = sub + x0 - x, sub + y0 - y
    r2 = dx[None, :] ** 2 + dy[:, None] ** 2
    if beta is None:
        s2 = (fwhm / 2.354820045) ** 2
        light = np.exp(-0.5 * r2 / s2) / (2 * np.pi * s2)
    else:
        a2 = (fwhm / 2) ** 2 / (2 ** (1 / beta) - 1)
        light = (beta - 1) / (np.pi * a2) * (1 + r2 / a2) ** -beta
    image = light.reshape(n, over, n, over).mean(axis=(1, 3))
    ys, xs = slice(max(y0, 0), min(y0 + n, shape[0])), slice(max(x0, 0), min(x0 + n, shape[1]))
    if ys.start >= ys.stop or xs.start >= xs.stop:
        return None
    return (ys, xs), image[ys.start - y0 : ys.stop - y0, xs.start - x0 : xs.stop - x0]


def add_point(canvas, x, y, light, fwhm, beta):
    """Add a point of so much light."""
    reach = None if light > 0 else 1
    if light < 3000:
        reach = int(np.ceil(4 * fwhm)) + 2
    found = point_image(canvas.shape, x, y, fwhm, beta, reach)
    if found is not None:
        canvas[found[0]] += light * found[1]


def add_trail(canvas, x, y, light, fwhm, beta, dx, dy):
    """Add a trail of (dx, dy) px about (x, y)."""
    parts = max(1, int(np.ceil(4 * np.hypot(dx, dy))))
    for share in (np.arange(parts) + 0.5) / parts - 0.5:
        add_point(canvas, x + share * dx, y + share * dy, light / parts, fwhm, beta)


@lru_cache(maxsize=2)
def comet_spectrum(comet: CometPlan, angle, fwhm, beta, dx, dy, over):
    """Spectrum of a blurred, trailed comet of unit light, integrated over pixels, centred on its nucleus."""
    n = 2 * (int(np.ceil((comet.reach_fwhm + 4) * fwhm + np.hypot(dx, dy))) + 5)
    n = fft.next_fast_len((n + 1) // 2, real=True) * 2 * over
    u = (np.arange(n) - n // 2) / over
    a, b = np.meshgrid(u, u)
    r = np.hypot(a, b)
    r[n // 2, n // 2] = 1.0
    coma = r**-comet.slope
    # cells about the nucleus hold their integral, which is symmetrical there
    sub = (np.arange(40) + 0.5) / 40 - 0.5
    for j in range(-3, 4):
        for i in range(-3, 4):
            near = np.hypot(*np.meshgrid(sub + i, sub + j)) / over
            coma[n // 2 + j, n // 2 + i] = np.mean(near**-comet.slope)
    away = np.arctan2(b, a) - angle - np.radians(comet.bend_deg) * r / (10 * fwhm)
    away = (away + np.pi) % (2 * np.pi) - np.pi
    t = (r / (comet.tail_from_fwhm * fwhm)) ** comet.tail_power
    fan = np.exp(-0.5 * (away / np.radians(comet.tail_width_deg)) ** 2)
    shape = 1.0 - comet.day_side * np.cos(away) + comet.tail * fan * t / (1 + t)
    for aside, light, width, curl in comet.jets:
        off = np.arctan2(b, a) - angle - np.radians(aside + curl * r / (10 * fwhm))
        off = (off + np.pi) % (2 * np.pi) - np.pi
        shape = shape + light * np.exp(-0.5 * (off / np.radians(width)) ** 2)
    shape[n // 2, n // 2] = 1.0
    dust = coma * shape * np.exp(-((r / (0.8 * comet.reach_fwhm * fwhm)) ** 4))
    dust[n // 2, n // 2] += comet.nucleus / (1 - comet.nucleus) * dust[r < 2 * fwhm].sum()
    found = point_image((n, n), n // 2, n // 2, fwhm * over, beta, min(n // 2 - 1, int(12 * fwhm * over)))
    blur = np.zeros((n, n))
    blur[found[0]] = found[1]
    fx, fy = np.meshgrid(np.fft.rfftfreq(n, 1 / over), np.fft.fftfreq(n, 1 / over))
    spectrum = fft.rfft2(np.fft.ifftshift(dust / dust.sum())) * fft.rfft2(np.fft.ifftshift(blur / blur.sum()))
    return spectrum * np.sinc(fx * dx + fy * dy) * np.sinc(fx) * np.sinc(fy), fx, fy


def add_comet(canvas, x, y, light, comet: CometPlan, angle, fwhm, beta, dx=0.0, dy=0.0):
    """Add a comet of so much light (all that is drawn), its tail at an angle from +x towards +y, radians.

    Shifted to its place in the frequency domain: nothing of it is the image model of the program.
    """
    over = 4 if fwhm < 3 else 3
    spectrum, fx, fy = comet_spectrum(comet, float(angle), fwhm, beta, float(dx), float(dy), over)
    x0, y0 = round(x), round(y)
    shifted = spectrum * np.exp(-2j * np.pi * (fx * (x - x0) + fy * (y - y0)))
    n = len(fy)
    image = light * over**2 * np.fft.fftshift(fft.irfft2(shifted, (n, n)))[::over, ::over]
    half, (ny, nx) = n // 2 // over, canvas.shape
    ya, yb, xa, xb = max(y0 - half, 0), min(y0 + half, ny), max(x0 - half, 0), min(x0 + half, nx)
    if ya < yb and xa < xb:
        canvas[ya:yb, xa:xb] += image[ya - y0 + half : yb - y0 + half, xa - x0 + half : xb - x0 + half]


def true_wcs(plan: NightPlan, shift_px) -> WCS:
    """Where the telescope really pointed: TAN, or TAN with a distortion of a few pixels at the corners."""
    ny, nx = plan.shape
    c, s = np.cos(np.radians(plan.turn_deg)), np.sin(np.radians(plan.turn_deg))
    side = 1.0 if plan.mirrored else -1.0
    wcs = WCS(naxis=2)
    tail = "-SIP" if plan.sip else ""
    wcs.wcs.ctype = [f"RA---TAN{tail}", f"DEC--TAN{tail}"]
    wcs.wcs.crval = [plan.ra, plan.dec]
    wcs.wcs.crpix = [(nx + 1) / 2 + shift_px[0], (ny + 1) / 2 + shift_px[1]]
    wcs.wcs.cd = plan.scale_arcsec / 3600 * np.array([[side * c, s], [-side * s, c]])
    if plan.sip:
        a, b = np.zeros((3, 3)), np.zeros((3, 3))
        a[2, 0], a[0, 2], b[1, 1], b[0, 2] = 3e-5, -1e-5, 2e-5, -2e-5
        wcs.sip = Sip(a, b, None, None, wcs.wcs.crpix)
    wcs.wcs.set()
    return wcs


def nebula_image(plan: NightPlan, rng) -> np.ndarray:
    """Light of a patchy nebula: mean 1, structure of a third of it, blurred by the seeing.

    The power spectrum falls as k^-2.9, as dust in the Milky Way has been measured to do from degrees to
    arcminutes and below (Miville-Deschenes et al. 2007, A&A 469, 595).
    """
    ny, nx = plan.shape
    ky, kx = np.fft.fftfreq(2 * ny)[:, None], np.fft.rfftfreq(2 * nx)[None, :]
    k = np.hypot(kx, ky)
    k[0, 0] = 1.0
    seeing = np.exp(-2 * (np.pi * k * plan.fwhm_px / 2.3548) ** 2)
    phases = np.exp(2j * np.pi * rng.uniform(0, 1, k.shape))
    field = np.fft.irfft2(k ** (-2.9 / 2) * seeing * phases, (2 * ny, 2 * nx))[:ny, :nx]
    field = (field - field.mean()) / field.std()
    return np.clip(1 + 0.33 * field, 0.05, None)


def filament_image(plan: NightPlan, place, rng) -> np.ndarray:
    """A curved filament a FWHM or two wide that passes a few pixels beside the body."""
    ny, nx = plan.shape
    y, x = np.mgrid[0:ny, 0:nx]
    angle, width = rng.uniform(0, np.pi), plan.fwhm_px * rng.uniform(1.0, 2.0)
    aside = plan.fwhm_px * rng.uniform(1.0, 2.5) * rng.choice([-1, 1])
    along = (x - place[0]) * np.cos(angle) + (y - place[1]) * np.sin(angle)
    across = -(x - place[0]) * np.sin(angle) + (y - place[1]) * np.cos(angle) - aside - along**2 / (4 * nx)
    return np.exp(-0.5 * (across / (width / 2.3548)) ** 2) * (1 + 0.3 * np.sin(along / (4 * plan.fwhm_px)))


def colour_of_pixels(plan: NightPlan) -> np.ndarray:
    """Letter of each pixel's filter; '' on a mono sensor."""
    ny, nx = plan.shape
    letters = np.full(plan.shape, "", dtype="<U1")
    if plan.mosaic:
        for k, letter in enumerate(plan.mosaic):
            letters[k // 2 : ny : 2, k % 2 : nx : 2] = letter
    return letters


def matched_snr(image, variance) -> float:
    """Signal to noise of a known image in pixels of these variances."""
    return float(np.sqrt(np.sum(image**2 / variance)))


def kept_in_nebula(plan: NightPlan, image, cloud: float) -> float:
    """Share of a body's S/N that is left where the structure of the nebula counts as noise: 1 without one.

    The best that a linear filter can do that knows the nebula's spectrum (Kay 1998, Detection Theory, 4.4);
    a mosaic's colours together.
    """
    if not plan.nebula:
        return 1.0
    shape = 2 * plan.shape[0], 2 * plan.shape[1]
    k = np.hypot(np.fft.fftfreq(shape[0])[:, None], np.fft.fftfreq(shape[1])[None, :])
    k[0, 0] = 1.0
    power = k**-2.9 * np.exp(-4 * (np.pi * k * plan.fwhm_px / 2.3548) ** 2)
    mean = float(np.mean([MOSAIC_SHARE[letter] for letter in plan.mosaic])) if plan.mosaic else 1.0
    power *= (0.33 * cloud * plan.nebula * plan.sky_e * mean) ** 2 / power.mean()
    white = plan.sky_e * (1.5 - 0.5 * cloud + cloud * plan.nebula) * mean + plan.read_noise_e**2
    light = np.abs(fft.fft2(image, shape)) ** 2
    light[0, 0] = 0.0
    return float(np.sqrt(np.sum(light / (white + power)) / np.sum(light / white)))


def place_bound(draw, x, y, light, variance) -> tuple[float, float]:
    """Cramer-Rao bound of x and y with brightness and one level of the sky unknown, by Fisher information."""
    h = 0.05
    middle = draw(x, y, light)
    slopes = [
        (draw(x + h, y, light) - draw(x - h, y, light)) / (2 * h),
        (draw(x, y + h, light) - draw(x, y - h, light)) / (2 * h),
        middle / light,
        np.ones_like(middle),
    ]
    near = middle > 1e-7 * middle.max()
    design = np.array([slope[near] for slope in slopes])
    cov = np.linalg.inv((design / variance[near]) @ design.T)
    return float(np.sqrt(cov[0, 0])), float(np.sqrt(cov[1, 1]))


def make_night(plan: NightPlan, folder: Path) -> InventedNight:
    """Draw a night into a folder: frames, stars.ecsv, positions.ecsv; the answers are returned."""
    rng = np.random.default_rng(plan.seed)
    folder.mkdir(parents=True, exist_ok=True)
    night = InventedNight(plan, folder)
    ny, nx = plan.shape
    start = Time("2027-05-04T22:00:00", scale="utc") + TimeDelta(float(rng.uniform(0, 3600)), format="sec")
    letters = colour_of_pixels(plan)
    passes = np.ones(plan.shape)
    for letter, share in MOSAIC_SHARE.items():
        passes[letters == letter] = share
    east, north = np.sin(np.radians(plan.motion_pa_deg)), np.cos(np.radians(plan.motion_pa_deg))
    cosdec = np.cos(np.radians(plan.dec))
    aim = rng.uniform(-0.2, 0.2, 2) * np.array([nx, ny]) * plan.scale_arcsec  # arcsec off the field's centre
    span_s = (plan.frames - 1) * plan.gap_s + plan.pause_s

    def body_at(seconds):
        """True RA and Dec, seconds after the first mid-exposure."""
        hours = (seconds - span_s / 2) / 3600
        moved = plan.rate_arcsec_h * hours
        dec = plan.dec + (aim[1] + moved * north + plan.drift_arcsec_h[1] * hours) / 3600
        moved_east = aim[0] + moved * east + plan.drift_arcsec_h[0] * hours
        return (plan.ra + moved_east / 3600 / cosdec) % 360.0, dec

    def second_at(seconds):
        """The same of a second body, on the other side of the field's centre."""
        rate, pa = plan.second[0], np.radians(plan.second[1])
        moved = rate * (seconds - span_s / 2) / 3600
        dec = plan.dec + (-aim[1] + 25 * plan.scale_arcsec + moved * np.cos(pa)) / 3600
        return (plan.ra + (-aim[0] + moved * np.sin(pa)) / 3600 / cosdec) % 360.0, dec

    # stars: about 0.35 dex more per magnitude, as the sky has them; a tenth of the faint ones is not listed
    mags = 10.0 + np.log(1 + rng.uniform(0, 1, plan.stars) * (np.exp(0.75 * 9.0) - 1)) / 0.75
    star_ra = plan.ra + rng.uniform(-0.75, 0.75, plan.stars) * nx * plan.scale_arcsec / 3600 / cosdec
    star_dec = plan.dec + rng.uniform(-0.75, 0.75, plan.stars) * ny * plan.scale_arcsec / 3600
    listed = (mags < plan.faintest_listed) & ((mags < 15) | (rng.uniform(0, 1, plan.stars) > 0.1))
    # a star of magnitude 18.5 has a signal to noise of 8 on these frames: every night has stars to go by
    noise_e = np.sqrt(4 * np.pi) * plan.fwhm_px / 2.3548 * np.sqrt(plan.sky_e + plan.read_noise_e**2)
    zero_e = 8.0 * noise_e * 10 ** (0.4 * 18.5)

    # the body's brightness from the wanted S/N on the plain sky of the middle frame, neighbours counted later
    hot = rng.uniform(0, 1, plan.shape) < plan.hot_share
    hot_e = np.where(hot, np.exp(rng.uniform(np.log(300), np.log(20000), plan.shape)) * plan.gain_e, 0.0)
    hot_e = np.minimum(hot_e, 0.9 * plan.full_well_e)
    columns = rng.choice(nx, plan.bad_columns, replace=False)
    neb = nebula_image(plan, rng) if plan.nebula else 0.0
    slope = rng.normal(0, 1, 2)
    slope *= plan.gradient / max(np.hypot(*slope), 1e-9)
    yy, xx = np.mgrid[0:ny, 0:nx]
    ramp = 1 + slope[0] * (xx / nx - 0.5) + slope[1] * (yy / ny - 0.5)
    top = min(plan.full_well_e, ((2**plan.bits - 1) - plan.bias_adu) * plan.gain_e)
    light = None
    body_mag = np.nan
    for k in range(plan.frames):
        seconds = k * plan.gap_s + plan.pause_s * (k >= plan.frames // 2)
        own_late, own_shift = 0.0, np.zeros(2)
        if plan.strange is not None and plan.strange[0] == k:
            own_late, own_shift = plan.strange[1], np.array(plan.strange[2:])
        shift = rng.normal(0, plan.dither_px, 2)
        wcs = true_wcs(plan, shift)
        ra, dec = body_at(seconds)
        x, y = (float(value) for value in wcs.all_world2pix(ra, dec, 0))
        before, after = (
            wcs.all_world2pix(*body_at(seconds + sign * plan.exposure_s / 2), 0) for sign in (-1, 1)
        )
        dx, dy = float(after[0] - before[0]), float(after[1] - before[1])
        cloud = plan.clouds[k % len(plan.clouds)] if plan.clouds else 1.0

        tailward = 0.0
        if plan.comet is not None:
            turn = np.radians(plan.comet.tail_pa_deg)
            far = wcs.all_world2pix(ra + np.sin(turn) / 3600 / cosdec, dec + np.cos(turn) / 3600, 0)
            tailward = float(np.arctan2(far[1] - y, far[0] - x))

        def draw(px, py, amount, dx=dx, dy=dy, tailward=tailward):
            canvas = np.zeros(plan.shape)
            if plan.comet is None:
                add_trail(canvas, px, py, amount, plan.fwhm_px, plan.beta, dx, dy)
            else:
                add_comet(canvas, px, py, amount, plan.comet, tailward, plan.fwhm_px, plan.beta, dx, dy)
            return canvas * passes

        sky = plan.sky_e * ramp * (1.5 - 0.5 * cloud)
        still = np.zeros(plan.shape)
        if plan.nebula:
            sky = sky + cloud * plan.nebula * plan.sky_e * neb
        if plan.filament:
            sky = sky + cloud * plan.filament * plan.sky_e * filament_image(
                plan, (x, y), np.random.default_rng(plan.seed + 9)
            )
        sx, sy = wcs.all_world2pix(star_ra, star_dec, 0)
        tint = np.random.default_rng(plan.seed + 5).uniform(0.7, 1.3, (plan.stars, 2))
        for px, py, mag, (red, blue) in zip(sx, sy, mags, tint, strict=True):
            if -60 < px < nx + 60 and -60 < py < ny + 60:
                if not plan.mosaic:
                    add_point(still, px, py, zero_e * 10 ** (-0.4 * mag), plan.fwhm_px, plan.beta)
                else:
                    star = np.zeros(plan.shape)
                    add_point(star, px, py, zero_e * 10 ** (-0.4 * mag), plan.fwhm_px, plan.beta)
                    still += star * np.where(letters == "R", red, np.where(letters == "B", blue, 1.0))
        if light is None:
            # solve for the light that gives the wanted S/N on a plain piece of this sky
            one = draw(x, y, 1.0)
            light = 100.0
            for _ in range(60):
                variance = sky * passes + plan.read_noise_e**2 + light * one
                light *= (plan.snr / matched_snr(light * one, variance)) ** 0.8
            body_mag = -2.5 * np.log10(light / zero_e)
            middle = body_at(span_s / 2)
            added = []
            for distance, angle, fainter, is_listed in plan.neighbours:
                off = distance * plan.fwhm_px * plan.scale_arcsec / 3600
                star = (
                    middle[0] + off * np.sin(np.radians(angle)) / cosdec,
                    middle[1] + off * np.cos(np.radians(angle)),
                    body_mag + fainter,
                    is_listed,
                )
                added.append(star)
        for s_ra, s_dec, s_mag, _ in added:
            px, py = wcs.all_world2pix(s_ra, s_dec, 0)
            add_point(still, float(px), float(py), zero_e * 10 ** (-0.4 * s_mag), plan.fwhm_px, plan.beta)
        body = draw(x, y, light)
        shown_body = body if not plan.shows_on or k in plan.shows_on else 0.0
        if plan.second is not None:
            places = [wcs.all_world2pix(*second_at(seconds + t * plan.exposure_s), 0) for t in (-0.5, 0, 0.5)]
            other = np.zeros(plan.shape)
            (ax, ay), (mx, my), (bx, by) = ((float(v) for v in place) for place in places)
            add_trail(other, mx, my, light, plan.fwhm_px, plan.beta, bx - ax, by - ay)
            shown_body = shown_body + other * passes
        expected = (sky + cloud * still) * passes + cloud * shown_body
        variance = expected + plan.read_noise_e**2
        snr = matched_snr(cloud * body, variance)
        bound = place_bound(draw, x, y, cloud * light, variance)
        kept = kept_in_nebula(plan, body / passes, cloud)
        if plan.satellite_on == k:
            angle = rng.uniform(0, np.pi)
            across = -(xx - x) * np.sin(angle) + (yy - y) * np.cos(angle) - rng.uniform(-1, 1)
            expected = expected + 3000.0 * np.exp(-0.5 * (across / (plan.fwhm_px / 2.3548)) ** 2)
        electrons = rng.poisson(np.clip(expected + hot_e, 0, 1e9)) + rng.normal(
            0, plan.read_noise_e, plan.shape
        )
        for _ in range(rng.poisson(plan.cosmic_rays)):
            cx, cy, angle, length = (
                rng.uniform(0, nx),
                rng.uniform(0, ny),
                rng.uniform(0, np.pi),
                rng.exponential(4),
            )
            for step in np.arange(0, length + 0.5, 0.5):
                px, py = int(cx + step * np.cos(angle)), int(cy + step * np.sin(angle))
                if 0 <= px < nx and 0 <= py < ny:
                    electrons[py, px] += rng.exponential(1500)
        over = np.clip(electrons - hot_e - plan.full_well_e, 0, None)
        for column in np.unique(np.nonzero(over > 0)[1]):  # charge that does not fit runs along the column
            spill = over[:, column].sum()
            rows = np.nonzero(over[:, column] > 0)[0]
            low, high = rows.min(), rows.max()
            while spill > 0 and (low > 0 or high < ny - 1):
                low, high = max(low - 1, 0), min(high + 1, ny - 1)
                for row in (low, high):
                    room = max(plan.full_well_e - electrons[row, column], 0)
                    electrons[row, column] += min(room, max(spill, 0.0) / 2)
                    spill -= room
        stored = np.clip(electrons, None, plan.full_well_e) / plan.gain_e + plan.bias_adu
        for column in columns:
            stored[:, column] = plan.bias_adu + rng.normal(0, 2, ny) + 40 * (column % 3)
        stored = np.clip(np.round(stored), 0, 2**plan.bits - 1)
        saturated = bool(np.any((electrons >= 0.98 * top) & (body > 0.2 * body.max())))
        late = own_late + plan.clock_late_s + plan.clock_drift_s_h * (seconds - span_s / 2) / 3600
        # the clock shows less than the true time when it is late
        shown = start + TimeDelta(seconds - plan.exposure_s / 2 - late, format="sec")
        path = folder / f"night_{k + 1}.fits"
        _write(path, stored, wcs, shown, plan, top, own_shift)
        night.frames.append(path)
        truth = Truth(path.name, x, y, ra, dec, snr, bound, cloud, saturated, body_mag, kept * snr)
        night.truths.append(truth)
    _write_stars(night, star_ra, star_dec, mags, listed, added)
    _write_positions(night, [body_at] if plan.second is None else [body_at, second_at], start, span_s)
    return night


def _write(path, stored, wcs, shown, plan, top, own_shift):
    """One frame: unsigned integers of the sensor's depth, and a header such as capture programs write."""
    kind = np.uint8 if plan.bits == 8 else np.uint16
    header = wcs.to_header(relax=True)
    for card in ("MJDREF", "RADESYS"):
        header.remove(card, ignore_missing=True)
    header["RADESYS"] = "ICRS"
    cosdec = np.cos(np.radians(plan.dec))
    header["CRVAL1"] += (plan.plate_arcsec[0] + own_shift[0]) / 3600 / cosdec
    header["CRVAL2"] += (plan.plate_arcsec[1] + own_shift[1]) / 3600
    header["DATE-OBS"] = (shown.isot, "start of the exposure, UTC")
    header["EXPTIME"] = plan.exposure_s
    header["OBSGEO-L"], header["OBSGEO-B"], header["OBSGEO-H"] = plan.longitude_deg, -23.0, 1250.0
    if plan.says_gain:
        header["EGAIN"], header["RDNOISE"] = plan.gain_e, plan.read_noise_e
    if plan.says_saturation:
        header["SATURATE"] = min(top / plan.gain_e + plan.bias_adu, 2**plan.bits - 1)
    if plan.mosaic:
        header["BAYERPAT"] = plan.mosaic
    fits.PrimaryHDU(stored.astype(kind), header).writeto(path, overwrite=True)


def _write_stars(night, star_ra, star_dec, mags, listed, added):
    """The listed stars at rest, epoch of the night."""
    ra = np.concatenate([star_ra[listed], [star[0] for star in added if star[3]]])
    dec = np.concatenate([star_dec[listed], [star[1] for star in added if star[3]]])
    mag = np.concatenate([mags[listed], [star[2] for star in added if star[3]]])
    n = len(ra)
    dec = dec if night.plan.lists_stars else np.clip(-dec - 10.0, -89.0, 89.0)
    Table({
        "source_id": np.arange(1, n + 1), "ra": ra % 360.0, "dec": dec, "ra_error": np.full(n, 0.05),
        "dec_error": np.full(n, 0.05), "pmra": np.zeros(n), "pmdec": np.zeros(n), "parallax": np.zeros(n),
        "phot_g_mean_mag": mag, "ref_epoch": np.full(n, 2027.34),
    }).write(night.stars, overwrite=True)  # fmt: skip


def _write_positions(night, bodies, start, span_s):
    """Predicted places, every five minutes from an hour before to an hour after the night, by its clock."""
    plan = night.plan
    room = 3600.0 + 300.0 * np.ceil(abs(plan.clock_late_s) / 300.0)
    seconds = np.arange(-room, span_s + room + 1.0, 300.0)
    times, hours = start + TimeDelta(seconds, format="sec"), (seconds - span_s / 2) / 3600
    names = ["2099 AB1" if plan.comet is None else "C/2099 A1", "2099 CD2"]
    parts = []
    for k, body_at in enumerate(bodies):
        ra, dec = body_at(seconds)
        cosdec = np.cos(np.radians(plan.dec))
        off = np.zeros((2, len(seconds)))
        if k == 0:
            off += np.array(plan.offset_arcsec)[:, None] + np.array(plan.drift_arcsec_h)[:, None] * hours
        if plan.is_mirrored:
            off += _mirror_parallax(plan, times, ra, dec)
        columns = {
            "designation": [names[k]] * len(seconds), "time": times.isot,
            "ra": (ra - off[0] / 3600 / cosdec) % 360.0, "dec": dec - off[1] / 3600,
        }  # fmt: skip
        if np.isfinite(plan.sigma_arcsec):
            columns |= {"sigma_major": np.full(len(seconds), plan.sigma_arcsec),
                        "sigma_minor": np.full(len(seconds), plan.sigma_arcsec),
                        "sigma_pa": np.zeros(len(seconds))}  # fmt: skip
        if np.isfinite(plan.delta_au):
            columns["delta"] = np.full(len(seconds), plan.delta_au)
        if plan.comet is not None:  # as every ephemeris of a comet has it
            columns["sun_pa"] = np.full(len(seconds), plan.comet.tail_pa_deg if k == 0 else np.nan) % 360.0
        parts.append(Table(columns))
    vstack(parts).write(night.positions, overwrite=True)


def _mirror_parallax(plan, times, ra, dec):
    """True place minus that seen from the header's longitude, the true one of the other sign, arcsec."""
    lon, lat = np.radians(plan.longitude_deg), np.radians(-23.0)
    # From the header's place to the true one, Earth-fixed: twice the distance from the meridian plane.
    step = erfa.gd2gc(1, lon, lat, 1250.0) * np.array([0.0, -2.0, 0.0]) / AU_M
    to_earth = erfa.c2t06a(times.tt.jd1, times.tt.jd2, times.utc.jd1, times.utc.jd2, 0.0, 0.0)
    away = np.einsum("tij,i->jt", to_earth, step) / plan.delta_au * 206264.806
    ra, dec = np.radians(ra), np.radians(dec)
    east = np.array([-np.sin(ra), np.cos(ra), 0 * ra])
    north = np.array([-np.sin(dec) * np.cos(ra), -np.sin(dec) * np.sin(ra), np.cos(dec)])
    return -np.array([np.sum(east * away, axis=0), np.sum(north * away, axis=0)])


def any_night(seed: int) -> NightPlan:
    """A night out of everything that issue-wide benchmarks ask for, drawn by its seed."""
    rng = np.random.default_rng(seed)
    fwhm = float(np.exp(rng.uniform(np.log(1.2), np.log(8.0))))
    scale, rate = float(rng.uniform(0.8, 4.0)), float(rng.uniform(5, 120))
    bits = int(rng.choice([8, 12, 14, 16], p=[0.1, 0.2, 0.2, 0.5]))
    neighbours = tuple(
        (
            float(rng.uniform(1.5, 10)),
            float(rng.uniform(0, 360)),
            float(rng.uniform(-4, 4)),
            bool(rng.random() < 0.6),
        )
        for _ in range(rng.choice([0, 1, 2], p=[0.4, 0.4, 0.2]))
    )
    full = {8: 250.0, 12: 3900.0, 14: 15000.0, 16: 52000.0}[bits]
    sky = float(np.exp(rng.uniform(np.log(60), np.log(3000))))
    gain = float(rng.uniform(0.4, 3.0)) if bits > 8 else sky * 8 / 200
    gain = max(gain, sky * 3.0 / (0.4 * full))  # sky and nebula fill at most 40% of the range
    return NightPlan(
        seed=seed,
        fwhm_px=fwhm,
        beta=None if rng.random() < 0.4 else float(rng.uniform(2.5, 5.0)),
        shape=(420, 560) if fwhm > 4 else (360, 480),
        scale_arcsec=scale,
        ra=float(rng.choice([246.42, 0.02, 359.98, 100.0])),
        dec=float(rng.uniform(-75, 75)),
        turn_deg=float(rng.uniform(0, 360)),
        mirrored=bool(rng.random() < 0.3),
        sip=bool(rng.random() < 0.3),
        snr=float(np.exp(rng.uniform(np.log(8), np.log(500)))),
        exposure_s=float(rng.choice([10.0, 30.0, 60.0, 120.0])),
        rate_arcsec_h=rate,
        gap_s=min(900.0, 20.0 * scale / rate * 3600.0),  # so that the body stays in the frame
        motion_pa_deg=float(rng.uniform(0, 360)),
        stars=int(rng.uniform(40, 200)),
        sky_e=sky,
        gain_e=gain,
        read_noise_e=float(rng.uniform(1.5, 9.0)),
        bits=bits,
        bias_adu=float(rng.uniform(10, 40) if bits == 8 else rng.uniform(100, 600)),
        full_well_e=full * gain,
        hot_share=float(rng.choice([0.0, 0.0002, 0.0005, 0.001, 0.002])),
        cosmic_rays=int(rng.choice([0, 3, 10])),
        bad_columns=int(rng.choice([0, 0, 1, 3])),
        mosaic=str(rng.choice(["", "", "RGGB", "GBRG"])),
        gradient=float(rng.uniform(0, 0.5)),
        nebula=float(rng.choice([0.0, 0.3, 0.6, 1.0])),
        filament=float(rng.choice([0.0, 0.0, 0.1, 0.3])),
        neighbours=neighbours,
        clouds=tuple(float(c) for c in rng.uniform(0.12, 1.0, 5)) if rng.random() < 0.25 else (),
        satellite_on=int(rng.integers(0, 5)) if rng.random() < 0.1 else -1,
        dither_px=float(rng.choice([0.5, 3.0, 8.0])),
        says_gain=bool(rng.random() < 0.5),
        says_saturation=bool(rng.random() < 0.5),
    )


def with_jets(plan: NightPlan) -> NightPlan:
    """The same comet with what no fit of it has as a term: jets that curl, and a tail that bends by more."""
    rng = np.random.default_rng(20_000 + plan.seed)
    jets = tuple(
        (float(180 + rng.normal(0, 50) if rng.random() < 0.7 else rng.uniform(0, 360)),
         float(rng.uniform(0.1, 0.6)), float(rng.uniform(6, 25)), float(rng.uniform(-90, 90)))
        for _ in range(rng.integers(0, 3))
    )  # fmt: skip
    return replace(plan, comet=replace(plan.comet, jets=jets, bend_deg=float(rng.uniform(-70, 70))))


def any_comet(seed: int) -> NightPlan:
    """One frame of a comet with a known nucleus: slope, S/N, tail, trail and neighbours drawn by the seed."""
    rng = np.random.default_rng(10_000 + seed)
    fwhm = float(rng.uniform(2.0, 4.5))
    exposure, scale = float(rng.choice([30.0, 60.0, 120.0, 180.0])), float(rng.uniform(0.8, 2.5))
    comet = CometPlan(
        slope=float(rng.uniform(0.7, 1.6)),
        nucleus=float(rng.uniform(0.0, 0.3)),
        tail_pa_deg=float(rng.uniform(0, 360)),
        tail=float(rng.choice([0.0, rng.uniform(0.5, 4.0)], p=[0.15, 0.85])),
        tail_width_deg=float(rng.uniform(12, 60)),
        tail_from_fwhm=float(rng.uniform(3, 10)),
        tail_power=float(rng.uniform(0.8, 1.6)),
        bend_deg=float(rng.uniform(-30, 30)),
        day_side=float(rng.uniform(0, 0.12)),
    )
    neighbours = tuple(
        (float(rng.uniform(1.5, 6)), float(rng.uniform(0, 360)), float(rng.uniform(-1, 4)),
         bool(rng.random() < 0.7))
        for _ in range(rng.choice([0, 1, 2, 3]))
    )  # fmt: skip
    # star tables reach fainter than a comet's whole light: what is in none is faint against the coma
    neighbours = tuple((d, pa, fainter, listed or fainter < 3.5) for d, pa, fainter, listed in neighbours)
    return NightPlan(
        seed=seed, frames=1, shape=(220, 260), scale_arcsec=scale, fwhm_px=fwhm,
        beta=None if rng.random() < 0.3 else float(rng.uniform(2.8, 5.0)),
        turn_deg=float(rng.uniform(0, 360)),
        mirrored=bool(rng.random() < 0.3), dec=float(rng.uniform(-60, 60)), exposure_s=exposure,
        rate_arcsec_h=float(rng.uniform(0, 2.5)) * fwhm * scale * 3600 / exposure * 0.5,
        motion_pa_deg=float(rng.uniform(0, 360)), snr=float(np.exp(rng.uniform(np.log(10), np.log(200)))),
        stars=int(rng.uniform(50, 110)), sky_e=float(rng.uniform(150, 900)),
        gradient=float(rng.uniform(0, 0.3)),
        hot_share=float(rng.choice([0.0, 0.0003])), neighbours=neighbours, comet=comet,
        nebula=float(rng.choice([0.0, 0.0, 0.3])), dither_px=3.0,
    )  # fmt: skip

"""The invented sky: stars from the seed, and two reflection nebulae drawn at their catalogue places.

Only IC 4603's and IC 4604's places and sizes are real (OpenNGC); their look is fractal noise. All
brightness is in electrons per second and pixel of the scenario's camera.
"""

import numpy as np
import scenario
from astropy.table import Table
from astropy.wcs import WCS
from scipy import ndimage

N_STARS = 2300
CANVAS_PX, CANVAS_SCALE_ARCSEC = 1100, 7.2
"""The nebulae are drawn once on this tangent plane, 2.2 degrees wide, and carried into each frame."""

REF_EPOCH = 2016.0
LAMPS = ((246.372, -24.459, 7.9), (246.300, -24.497, 9.2), (246.40, -23.45, 5.6))
"""RA, Dec, magnitude of invented stars that light the nebulae; the last is beyond the northern edge."""
BAND_LIMITS_G = (6.4, 16.4)


def canvas_wcs() -> WCS:
    """The tangent plane on which the nebulae are drawn."""
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [scenario.FIELD_RA_DEG, scenario.FIELD_DEC_DEG]
    wcs.wcs.crpix = [(CANVAS_PX + 1) / 2] * 2
    wcs.wcs.cdelt = [-CANVAS_SCALE_ARCSEC / 3600, CANVAS_SCALE_ARCSEC / 3600]
    return wcs


def _cloud(random: np.random.RandomState, slope: float, largest_px: float) -> np.ndarray:
    """Fractal noise with a power-law spectrum, mean 0, standard deviation 1."""
    n = CANVAS_PX
    frequency = np.hypot(*np.meshgrid(np.fft.fftfreq(n), np.fft.fftfreq(n)))
    amplitude = (frequency**2 + largest_px**-2) ** (-slope / 4)
    field = np.fft.ifft2(np.fft.fft2(random.standard_normal((n, n))) * amplitude).real
    return (field - field.mean()) / field.std()


def _warped(field: np.ndarray, du: np.ndarray, dv: np.ndarray) -> np.ndarray:
    v, u = np.indices(field.shape, dtype=float)
    return ndimage.map_coordinates(field, [v + dv, u + du], order=1, mode="wrap")


class Nebulae:
    """Surface brightness (e/s per pixel) and the share of starlight that the dust lets through."""

    def __init__(self, random: np.random.RandomState):
        n = CANVAS_PX
        bend_u, bend_v = (_cloud(random, 4.4, 260.0) for _ in range(2))
        billow = _warped(_cloud(random, 3.5, 260.0), 15 * bend_u, 15 * bend_v)
        wisps = _warped(_cloud(random, 3.0, 70.0), 18 * bend_v, 14 * bend_u)
        ridges = 1.0 - np.abs(_warped(_cloud(random, 3.9, 200.0), 30 * bend_u, 22 * bend_v))
        v, u = np.indices((n, n), dtype=float)
        texture = np.exp(0.42 * billow + 0.16 * wisps)

        self.wcs = canvas_wcs()
        glow = 0.06 * np.exp(0.55 * billow)
        for ra, dec, major, minor, pa, peak in (
            (246.3520, -24.4684, 26.0, 15.0, 65.0, 1.5),  # IC 4603
            (246.3799, -23.4366, 46.0, 25.0, 100.0, 3.0),  # IC 4604
        ):
            rho = self._elliptical_radius(u, v, ra, dec, major, minor, pa)
            glow += peak * texture * (0.6 * np.exp(-2.2 * rho) + 0.4 * np.exp(-1.5 * rho**2))
        for ra, dec, g in LAMPS:
            rho = self._elliptical_radius(u, v, ra, dec, 2.0, 2.0, 0.0)
            glow += 10 ** (0.4 * (8.0 - g)) * texture / (1.0 + rho**2) ** 0.9
        lane = np.clip(ridges + 0.30 * billow - 0.42, 0.0, None)
        curtain = 1.0 / (1.0 + np.exp(-(0.0045 * (u - 0.36 * n) + 0.9 * bend_u)))
        depth = ndimage.gaussian_filter(2.4 * lane**1.3 * (0.35 + curtain), 1.5)
        self.transmission = np.exp(-depth)
        self.glow = glow * (0.12 + 0.88 * np.exp(-0.9 * depth))

    def _elliptical_radius(self, u, v, ra, dec, major_arcmin, minor_arcmin, pa_deg):
        """1 on the ellipse with these full axes (arcmin) and position angle (degrees E of N)."""
        u0, v0 = self.wcs.all_world2pix(ra, dec, 0)
        east, north = -(u - u0) * CANVAS_SCALE_ARCSEC / 60, (v - v0) * CANVAS_SCALE_ARCSEC / 60
        pa = np.radians(pa_deg)
        along = east * np.sin(pa) + north * np.cos(pa)
        across = east * np.cos(pa) - north * np.sin(pa)
        return np.hypot(along / (major_arcmin / 2), across / (minor_arcmin / 2))

    def in_frame(self, layer: np.ndarray, wcs: WCS) -> np.ndarray:
        """A layer of the canvas, resampled to the pixels of a frame."""
        y, x = np.indices((scenario.NY, scenario.NX), dtype=float)
        u, v = self.wcs.all_world2pix(*wcs.all_pix2world(x, y, 0), 0)
        return ndimage.map_coordinates(layer, [v, u], order=1, mode="nearest")

    def transmission_at(self, ra, dec) -> np.ndarray:
        """Share of light that reaches us from behind the dust, at places in degrees."""
        u, v = self.wcs.all_world2pix(ra, dec, 0)
        return ndimage.map_coordinates(self.transmission, [v, u], order=1, mode="nearest")


def invent_stars(random: np.random.RandomState, nebulae: Nebulae) -> Table:
    """A star table with the column names of the Gaia archive; places at epoch 2016.0, degrees and mas."""
    bright, faint = BAND_LIMITS_G
    share = random.random_sample(N_STARS)
    g = np.log10(10 ** (0.34 * bright) + share * (10 ** (0.34 * faint) - 10 ** (0.34 * bright))) / 0.34
    half_deg = 0.98
    xi, eta = (random.uniform(-half_deg, half_deg, N_STARS) for _ in range(2))
    plane = canvas_wcs()
    centre = (CANVAS_PX - 1) / 2
    to_px = 3600 / CANVAS_SCALE_ARCSEC
    ra, dec = plane.all_pix2world(centre - xi * to_px, centre + eta * to_px, 0)
    g = g - 1.1 * np.log10(np.maximum(nebulae.transmission_at(ra, dec), 0.02))  # stars fade behind the dust
    g, ra, dec = _place_lamps(g, ra, dec)
    error_mas = 0.02 + 0.05 * 10 ** (0.2 * (g - 15.0))
    table = Table()
    table["source_id"] = np.arange(1, N_STARS + 1) + 4_603_000_000
    for name, values, digits, unit in (
        ("ra", ra, 9, "deg"),
        ("dec", dec, 9, "deg"),
        ("ra_error", error_mas, 4, "mas"),
        ("dec_error", error_mas * 0.8, 4, "mas"),
        ("parallax", 0.2 + random.gamma(1.5, 0.9, N_STARS), 4, "mas"),
        ("pmra", -4.0 + 9.0 * random.standard_normal(N_STARS), 3, "mas/yr"),
        ("pmdec", -9.0 + 9.0 * random.standard_normal(N_STARS), 3, "mas/yr"),
        ("phot_g_mean_mag", g, 3, "mag"),
    ):
        table[name] = np.round(values, digits)
        table[name].unit = unit
    table["ref_epoch"] = np.full(N_STARS, REF_EPOCH)
    table["ref_epoch"].unit = "yr"
    table.sort("phot_g_mean_mag")
    return table


def _place_lamps(g, ra, dec):
    """Give the nebulae the stars that light them: two in IC 4603, one beyond the edge in IC 4604."""
    g, ra, dec = g.copy(), ra.copy(), dec.copy()
    for i, lamp in enumerate(LAMPS):
        ra[i], dec[i], g[i] = lamp
    return g, ra, dec

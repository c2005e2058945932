"""Invented frames, drawn by products of error functions: not by the model that measures them."""

import numpy as np
from astropy.time import Time
from astropy.wcs import WCS
from scipy.special import erf

from appulse.catalogues.stars import star_table
from appulse.frames.camera import Camera, Valued
from appulse.frames.exposure import Exposure
from appulse.frames.frame import SolvedFrame

MID = Time("2027-05-04T22:36:00", scale="utc")
RA, DEC = 246.42, -24.16
GAIN, SKY_E, READ_E = 1.6, 300.0, 6.0
ZERO_E = 26.0
"""Magnitude that gives one electron over the exposure."""


def add_point(canvas, x, y, electrons, fwhm):
    """Add a pixel-integrated round Gaussian."""
    s = fwhm / 2.354820045
    reach = int(np.ceil(7 * s)) + 1
    ny, nx = canvas.shape
    x0, x1 = max(0, round(x) - reach), min(nx, round(x) + reach + 1)
    y0, y1 = max(0, round(y) - reach), min(ny, round(y) + reach + 1)
    if x0 >= x1 or y0 >= y1:
        return
    px = np.diff(erf((np.arange(x0, x1 + 1) - 0.5 - x) / (np.sqrt(2) * s))) / 2
    py = np.diff(erf((np.arange(y0, y1 + 1) - 0.5 - y) / (np.sqrt(2) * s))) / 2
    canvas[y0:y1, x0:x1] += electrons * np.outer(py, px)


def add_trail(canvas, x, y, electrons, fwhm, length, angle_deg, parts=200):
    """Add a row of points: a trail of `length` px about (x, y)."""
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    for share in (np.arange(parts) + 0.5) / parts - 0.5:
        add_point(canvas, x + share * length * c, y + share * length * s, electrons / parts, fwhm)


def tan_wcs(shape, scale=3.6, turn_deg=0.0, mirrored=False, ra=RA, dec=DEC):
    """A plain TAN WCS; x grows to the west, or to the east when mirrored."""
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [ra, dec]
    wcs.wcs.crpix = [(shape[1] + 1) / 2, (shape[0] + 1) / 2]
    side = 1.0 if mirrored else -1.0
    wcs.wcs.cd = scale / 3600 * np.array([[side * c, s], [-side * s, c]])
    return wcs


def star_field(rng, n, shape, wcs, faintest=15.5, brightest=9.5):
    """Star table and true pixels of invented stars, evenly spread."""
    x, y = rng.uniform(0, shape[1] - 1, n), rng.uniform(0, shape[0] - 1, n)
    g = np.sort(faintest - (faintest - brightest) * rng.uniform(0, 1, n) ** 1.5)
    ra, dec = wcs.all_pix2world(x, y, 0)
    table = star_table(
        ra, dec, g, names=[f"s{i}" for i in range(n)], epoch=np.full(n, MID.jyear), catalogue="invented",
        pmra=np.zeros(n), pmdec=np.zeros(n), sigma_ra=np.full(n, 1.0), sigma_dec=np.full(n, 1.0),
    )  # fmt: skip
    return table, x, y


def make_frame(rng, *, shape=(400, 500), n_stars=60, fwhm=2.8, wcs=None, shown_wcs=None, exposure_s=120.0,
               draw=None, faintest=15.5, camera=True, saturation=None):  # fmt: skip
    """A frame and its star table.

    `wcs` is where the telescope pointed, `shown_wcs` what the frame says; `draw(canvas)` adds electrons.
    """
    wcs = wcs if wcs is not None else tan_wcs(shape)
    table, x, y = star_field(rng, n_stars, shape, wcs, faintest)
    canvas = np.full(shape, SKY_E)
    for px, py, g in zip(x, y, table.g, strict=True):
        add_point(canvas, px, py, 10 ** (0.4 * (ZERO_E - g)), fwhm)
    if draw is not None:
        draw(canvas)
    data = ((rng.poisson(canvas) + rng.normal(0, READ_E, shape)) / GAIN).astype(np.float32)
    known = None
    if saturation is not None:
        data = np.minimum(data, saturation)
        known = Valued(saturation, "given")
    cam = (
        Camera(Valued(GAIN, "given"), Valued(READ_E, "given"), known) if camera else Camera(None, None, known)
    )
    frame = SolvedFrame.from_arrays(
        data, shown_wcs if shown_wcs is not None else wcs, Exposure.from_mid(MID, exposure_s), None, cam
    )
    return frame, table

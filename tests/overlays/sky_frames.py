"""Frames of every kind of projection, in memory, and a body that moves as told."""

import numpy as np
from astropy import units as u
from astropy.io import fits
from astropy.table import QTable
from astropy.time import Time
from astropy.wcs import WCS

from appulse.frames.exposure import Exposure
from appulse.frames.frame import SolvedFrame
from appulse.numerics.sphere import radec_from_unit, tangent_axes, unit_from_radec
from appulse.observers.site import Site

SHAPE = (300, 400)
MID = Time("2027-05-04T22:36:00", scale="utc")


def header(ra, dec, scale_deg=0.002, rotation_deg=0.0, mirrored=False, projection="TAN", sip=False):
    turn = np.radians(rotation_deg)
    sign = 1.0 if mirrored else -1.0
    cards = {
        "NAXIS": 2, "NAXIS1": SHAPE[1], "NAXIS2": SHAPE[0],
        "CTYPE1": f"RA---{projection}" + ("-SIP" if sip else ""),
        "CTYPE2": f"DEC--{projection}" + ("-SIP" if sip else ""),
        "CRVAL1": ra, "CRVAL2": dec, "CRPIX1": 200.5, "CRPIX2": 150.5,
        "CD1_1": sign * scale_deg * np.cos(turn), "CD1_2": scale_deg * np.sin(turn),
        "CD2_1": -sign * scale_deg * np.sin(turn), "CD2_2": scale_deg * np.cos(turn),
        "RADESYS": "ICRS",
    }  # fmt: skip
    if sip:
        cards |= {"A_ORDER": 2, "B_ORDER": 2, "A_2_0": 2e-5, "A_1_1": -1e-5, "B_0_2": 3e-5, "B_1_1": 1e-5}
    return fits.Header(cards)


FRAMES = {
    "plain": {"ra": 120.0, "dec": 20.0},
    "mirrored": {"ra": 120.0, "dec": 20.0, "mirrored": True},
    "rotated": {"ra": 120.0, "dec": -50.0, "rotation_deg": 37.0},
    "rotated, mirrored": {"ra": 120.0, "dec": -50.0, "rotation_deg": 217.0, "mirrored": True},
    "sip": {"ra": 246.35, "dec": -24.4, "sip": True, "rotation_deg": 5.0},
    "0h": {"ra": 0.05, "dec": 3.0},
    "north pole": {"ra": 40.0, "dec": 90.0},
    "near the south pole": {"ra": 40.0, "dec": -89.9},
    "sin": {"ra": 200.0, "dec": 60.0, "projection": "SIN"},
    "very wide": {"ra": 30.0, "dec": 45.0, "scale_deg": 0.25},
}


def make_frame(name="plain", exposure=None, observer=None, **changes):
    options = {**FRAMES[name], **changes}
    exposure = exposure or Exposure.from_mid(MID, 120.0)
    wcs = WCS(header(**options))
    return SolvedFrame.from_arrays(np.zeros(SHAPE, np.float32), wcs, exposure, observer or Site.geocentre())


class Mover:
    """A body on a great circle, or on whatever line over the sky it is told."""

    def __init__(self, ra, dec, rate_arcsec_h, pa_deg, bend=0.0, sigma=None):
        self.start = unit_from_radec(ra, dec)
        east, north = tangent_axes(self.start)
        pa = np.radians(pa_deg)
        self.along, self.across = (
            np.sin(pa) * east + np.cos(pa) * north,
            np.cos(pa) * east - np.sin(pa) * north,
        )
        self.rate, self.pa, self.bend, self.sigma = rate_arcsec_h, pa_deg, bend, sigma
        self.asked = 0

    def sky(self, hours):
        angle = np.radians(self.rate * np.asarray(hours) / 3600.0)[:, None]
        side = np.radians(self.bend * np.asarray(hours) ** 2 / 3600.0)[:, None]
        unit = np.cos(angle) * self.start + np.sin(angle) * self.along + side * self.across
        return radec_from_unit(unit)

    def rows(self, bodies):
        return np.zeros(len(bodies), dtype=int)

    def vectors(self, times, observer, rows):
        self.asked += 1
        hours = np.array((np.atleast_1d(times) - MID).to_value("h"), dtype=float)
        return unit_from_radec(*self.sky(hours))[None]

    def at(self, times, observer, bodies=None, uncertainty=True):
        times = np.atleast_1d(times)
        self.asked += 1
        hours = (times - MID).to_value("h")
        ra, dec = self.sky(np.array(hours, dtype=float))
        n = len(hours)
        table = QTable({"designation": ["7"] * n, "time": times, "ra": ra * u.deg, "dec": dec * u.deg})
        table["rate"] = np.full(n, self.rate) * u.arcsec / u.hour
        table["motion_pa"] = np.full(n, self.pa) * u.deg
        table["mag"] = np.full(n, 9.9) * u.mag
        if self.sigma is not None and uncertainty:
            for key, value, unit in zip(
                ("major", "minor", "pa"), self.sigma, ("arcsec", "arcsec", "deg"), strict=True
            ):
                table[f"sigma_{key}"] = np.full(n, value) * u.Unit(unit)
        return table

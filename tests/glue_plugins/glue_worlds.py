"""Frames, tracks and outlines in memory."""

import numpy as np
import shapely
from astropy.wcs import WCS
from glue.core import Data
from glue.core.data_region import RegionData

from glue_appulse.data.frame_wcs import FrameWCS
from glue_appulse.data.kinds import FRAME, KIND_KEY, OUTLINES, TRACK, to_json
from glue_appulse.layers.outline_model import CIRCLE, ELLIPSE, POINT
from glue_appulse.layers.track_model import EXPOSURES_KEY

MID_MJD = 61529.95
SHAPE = (300, 400)


def make_wcs(
    ra=246.4,
    dec=-24.3,
    scale=9.0,
    rotation=0.0,
    mirrored=False,
    ctype="TAN",
    sip=False,
    shape=SHAPE,
    system=None,
):
    """A celestial WCS; scale in arcsec, rotation in degrees east of north."""
    wcs = WCS(naxis=2)
    names = ("GLON", "GLAT") if system == "galactic" else ("RA--", "DEC-")
    suffix = f"-{ctype}" + ("-SIP" if sip else "")
    wcs.wcs.ctype = names[0] + suffix, names[1] + suffix
    wcs.wcs.crval, wcs.wcs.crpix = (ra, dec), ((shape[1] + 1) / 2, (shape[0] + 1) / 2)
    angle, hand = np.radians(rotation), -1 if mirrored else 1
    wcs.wcs.cd = (
        scale
        / 3600
        * np.array([[-hand * np.cos(angle), np.sin(angle)], [hand * np.sin(angle), np.cos(angle)]])
    )
    if sip:
        from astropy.wcs import Sip

        a = np.zeros((3, 3))
        a[2, 0], a[0, 2], a[1, 1] = 2e-5, -1e-5, 5e-6
        wcs.sip = Sip(a, a.T.copy(), None, None, wcs.wcs.crpix)
    wcs.wcs.set()
    return wcs


def make_frame(label="frame-1", shape=SHAPE, seed=1, **kwargs):
    """A frame's data set with noise for pixels."""
    pixels = np.random.default_rng(seed).normal(100, 5, shape).astype("f4")
    data = Data(label=label, coords=FrameWCS.from_wcs(make_wcs(shape=shape, **kwargs), shape), pixels=pixels)
    data.meta.update({KIND_KEY: FRAME, "sha256": label})
    return data


def make_track(
    name="(7) Iris",
    ra=246.4,
    dec=-24.3,
    rate_deg_d=(-0.19, 0.05),
    frames=("frame-1",),
    hours=12,
    n=241,
    sigma=20.0,
):
    """A track's data set that passes (ra, dec) at MID_MJD."""
    mjd = MID_MJD + np.linspace(-hours / 2, hours / 2, n) / 24
    at = lambda t: ((ra + rate_deg_d[0] * t / np.cos(np.radians(dec))) % 360, dec + rate_deg_d[1] * t)  # noqa: E731
    ras, decs = at(mjd - MID_MJD)
    data = Data(label=name, **{"MJD (UTC)": mjd, "RA": ras, "Dec": decs})
    places = []
    for i, frame in enumerate(frames):
        mid = MID_MJD + i / 24
        place = dict(zip(("ra", "dec"), at(mid - MID_MJD), strict=True))
        places.append(
            {
                "frame": frame,
                "mid_mjd": mid,
                "start_mjd": mid - 0.002,
                "end_mjd": mid + 0.002,
                **place,
                "sigma_major": sigma,
                "sigma_minor": sigma / 3,
                "sigma_pa": 60.0,
            }
        )
    data.meta.update({KIND_KEY: TRACK, "designation": name, EXPOSURES_KEY: to_json(places)})
    data.style.color, data.style.alpha = "#ffb000", 1.0
    return data


def make_outlines(places, size_deg=0.05, names=None):
    """Outlines as ellipses (every third a circle by guess, every fourth a point) around places in degrees."""
    turn = np.linspace(0, 2 * np.pi, 65)
    shapes, kinds = [], []
    for i, (ra, dec) in enumerate(places):
        kind = POINT if i % 4 == 3 else CIRCLE if i % 3 == 2 else ELLIPSE
        ring = np.column_stack(
            [ra + size_deg * np.cos(turn) / np.cos(np.radians(dec)), dec + size_deg / 2 * np.sin(turn)]
        )
        shapes.append(shapely.Point(ra, dec) if kind == POINT else shapely.Polygon(ring))
        kinds.append(kind)
    n = len(shapes)
    data = RegionData(label="outlines", outline=np.array(shapes, dtype=object))
    columns = {
        "name": np.array(names or [f"IC {4600 + i}" for i in range(n)]),
        "type": np.array(["reflection nebula", "galaxy"] * n)[:n],
        "major axis": np.full(n, 120 * size_deg),
        "magnitude": np.where(np.arange(n) % 2, np.nan, 9.0),
        "drawn as": np.array(kinds),
    }
    for name, values in columns.items():
        data.add_component(values, name)
    data.meta[KIND_KEY] = OUTLINES
    data.style.color, data.style.alpha = "#5ad1c8", 1.0
    return data

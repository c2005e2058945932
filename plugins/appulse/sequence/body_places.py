"""Where the body is in each frame: predicted, at mid-exposure and along its trail, and as it shows."""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from astropy.time import TimeDelta
from scipy import ndimage

from appulse.constants import FWHM_PER_SIGMA
from appulse.errors import InputError
from appulse.numerics import MAD_TO_SIGMA, mad_sigma
from appulse.observers import quiet_erfa
from appulse.overlays import plain_column
from appulse.sequence.resampled_frames import ResampledFrame

TRAIL_POINTS = 5
SEARCH_FWHM = 4.0
COMPARED = 8
FARTHEST = 3.0
"""Radii of the frame from its centre: a body that passes in and out of a night is nearer."""


@dataclass(frozen=True)
class BodyPlace:
    """Predicted place of a body in one frame.

    Parameters
    ----------
    time : str
        Effective middle, UTC.
    ra, dec : float
        There, ICRF degrees.
    trail : ((ra, dec), ...) tuple
        From the first opening to the last closing of the shutter.
    rate, pa, mag : float or None
        arcsec/h, degrees, magnitude.

    Examples
    --------
    >>> place = BodyPlace("2027-05-04T22:36:00.000", 246.35, -24.47, ((246.35, -24.47),), 28.8, 278.0, 10.0)
    >>> BodyPlace.from_plain(place.plain()) == place
    True
    """

    time: str
    ra: float
    dec: float
    trail: tuple
    rate: float | None = None
    pa: float | None = None
    mag: float | None = None

    def plain(self) -> dict:
        """As a recipe keeps it."""
        return {**self.__dict__, "trail": [list(point) for point in self.trail]}

    @classmethod
    def from_plain(cls, kept) -> "BodyPlace":
        """Back from a recipe."""
        return cls(**{**kept, "trail": tuple(tuple(point) for point in kept["trail"])})

    def on(self, grid):
        """Pixels on a grid: (x, y) at the middle, and the trail as an (m, 2) array."""
        x, y = grid.to_pixel(self.ra, self.dec)
        trail = np.array(self.trail)
        return (float(x), float(y)), np.stack(grid.to_pixel(trail[:, 0], trail[:, 1]), axis=1)


def place_in(frame, ephemeris, body, offset_arcsec=(0.0, 0.0)) -> BodyPlace:
    """Predict a body for a frame.

    Parameters
    ----------
    frame : SolvedFrame
        With time and observer.
    ephemeris : NBodyEphemeris or alike
    body : str
    offset_arcsec : (float, float)
        Added to every place, east and north, where the observed path is known to lie beside the orbit's.

    Returns
    -------
    BodyPlace

    Raises
    ------
    InputError
        If the body is nowhere near the frame.
    """
    exposure = frame.exposure
    half = np.linspace(0.0, 1.0, TRAIL_POINTS) * exposure.span_s
    with quiet_erfa():
        seconds = np.append(half, (exposure.mid - exposure.start).sec)
        times = exposure.start.utc + TimeDelta(seconds, format="sec")
    rows = ephemeris.at(times, frame.observer, bodies=[body], uncertainty=False)
    ra, dec = plain_column(rows, "ra"), plain_column(rows, "dec")
    dec = dec + offset_arcsec[1] / 3600.0
    ra = ra + offset_arcsec[0] / 3600.0 / np.cos(np.radians(dec))
    away = frame.away_deg(ra[-1], dec[-1])
    if away > FARTHEST * frame.radius_deg:
        raise InputError(
            f"{frame.name}: another field, body or time than was meant: the body is predicted {away:.1f} "
            "degrees from the frame's centre"
        )
    known = {}
    for name, column in (("rate", "rate"), ("pa", "motion_pa"), ("mag", "mag")):
        value = plain_column(rows, column)[-1]
        known[name] = float(value) if np.isfinite(value) else None
    trail = tuple((float(a), float(d)) for a, d in zip(ra[:-1], dec[:-1], strict=True))
    return BodyPlace(exposure.mid.utc.isot, float(ra[-1]), float(dec[-1]), trail, **known)


def distance_to_trail(x, y, trail):
    """Distance of pixels from a polyline, px."""
    best = np.hypot(x - trail[0, 0], y - trail[0, 1])
    for (ax, ay), (bx, by) in pairwise(trail):
        length2 = (bx - ax) ** 2 + (by - ay) ** 2
        if length2 == 0.0:
            continue
        t = np.clip(((x - ax) * (bx - ax) + (y - ay) * (by - ay)) / length2, 0.0, 1.0)
        best = np.minimum(best, np.hypot(x - ax - t * (bx - ax), y - ay - t * (by - ay)))
    return best


class TrailMask:
    """Pixels of a grid near a body's trail, row by row as the stack asks for them."""

    def __init__(self, trail, radius, shape):
        # trail: (m, 2) array, grid px
        # shape: (int, int)
        self.trail, self.radius, self.shape = np.asarray(trail, dtype=float), float(radius), shape

    def __call__(self, first, last):
        """Mask of rows first..last-1."""
        mask = np.zeros((last - first, self.shape[1]), dtype=bool)
        low = np.floor(self.trail.min(axis=0) - self.radius).astype(int)
        high = np.ceil(self.trail.max(axis=0) + self.radius).astype(int) + 1
        x0, x1 = max(low[0], 0), min(high[0], self.shape[1])
        y0, y1 = max(low[1], first), min(high[1], last)
        if x0 < x1 and y0 < y1:
            y, x = np.mgrid[y0:y1, x0:x1].astype(float)
            mask[y0 - first : y1 - first, x0:x1] = distance_to_trail(x, y, self.trail) <= self.radius
        return mask


def centred_on_body(resampled: list[ResampledFrame], fwhm: float) -> tuple[list, tuple]:
    """Frames whose places are where the body shows, moved by one shift for all; and a note if they are."""
    # Clock, orbit and plate put the whole path beside the prediction alike. The shift is the median of what
    # the frames say that show the body well; fewer than three say nothing.
    offsets = [_body_offset(frame, resampled, fwhm) for frame in resampled]
    found = np.array([offset for offset in offsets if offset is not None])
    if len(found) < 3:
        return resampled, ()
    shift = np.median(found, axis=0)
    # Of both axes about their own medians.
    spread = MAD_TO_SIGMA * np.median(np.abs(found - shift))
    if np.hypot(*shift) < 0.1 * fwhm or spread > 0.5 * fwhm:
        return resampled, ()
    moved = [
        replace(
            frame, place=(frame.place[0] + shift[0], frame.place[1] + shift[1]), trail=frame.trail + shift
        )
        for frame in resampled
    ]
    words = f"the body lies {shift[0]:+.2f}, {shift[1]:+.2f} px (x, y) beside its predicted path: followed"
    return moved, (words,)


def _body_offset(frame: ResampledFrame, resampled, fwhm):
    """Offset (x, y) of the body from its predicted place in one frame; None where it does not stand out."""
    x, y = (round(v) for v in frame.place)
    ny, nx = frame.planes[0].shape
    length = np.ptp(frame.trail, axis=0).max()
    reach = int(np.ceil(SEARCH_FWHM * fwhm + length))
    x0, x1, y0, y1 = x - reach, x + reach + 1, y - reach, y + reach + 1
    if x0 < 0 or y0 < 0 or x1 > nx or y1 > ny:
        return None
    others = [other for other in resampled[:: max(1, len(resampled) // COMPARED)] if other is not frame]
    if len(others) < 2:
        return None
    # What no other frame shows there: the body has moved on, the sky has not.
    boxes = [each.box(0, x0, y0, x1, y1) for each in [frame, *others]]
    extra = np.nan_to_num(boxes[0] - np.median(boxes[1:], axis=0))
    smooth = ndimage.gaussian_filter(extra, fwhm / FWHM_PER_SIGMA)
    j, i = np.unravel_index(np.argmax(smooth), smooth.shape)
    if smooth[j, i] < 10 * mad_sigma(smooth):
        return None
    if not (2 < i < smooth.shape[1] - 3 and 2 < j < smooth.shape[0] - 3):
        return None
    rows, columns = np.mgrid[0 : smooth.shape[0], 0 : smooth.shape[1]]
    # The middle of light within the trail's length: the peak of a trail alone wanders along it.
    near = np.hypot(columns - i, rows - j) <= 1.5 * fwhm + 0.5 * length
    light = np.where(near, np.maximum(smooth, 0.0), 0.0)
    here = np.array([(light * columns).sum() + light.sum() * x0, (light * rows).sum() + light.sum() * y0])
    return here / light.sum() - frame.trail.mean(axis=0)


def body_peaks(resampled: list[ResampledFrame], fwhm: float) -> list[float]:
    """Peak of the body above its surroundings in each frame, in sigmas of a pixel."""
    return [_peak(frame, fwhm) for frame in resampled]


def _peak(frame, fwhm) -> float:
    x, y = (round(v) for v in frame.place)
    reach = int(np.ceil(6 * fwhm))
    ny, nx = frame.planes[0].shape
    x0, x1, y0, y1 = max(x - reach, 0), min(x + reach + 1, nx), max(y - reach, 0), min(y + reach + 1, ny)
    if x0 >= x1 or y0 >= y1:
        return 0.0
    values = frame.box(0, x0, y0, x1, y1)
    known = np.isfinite(values)
    core = TrailMask(frame.trail - [x0, y0], 1.5 * fwhm, values.shape)(0, y1 - y0)
    inside, rest = values[core & known], values[~core & known]
    peak = (inside.max() - np.median(rest)) if len(inside) and len(rest) else 0.0
    sigma = frame.levels[0].sigma
    # Values near the least that float32 holds have a noise of zero, against which nothing is high.
    return float(max(peak, 0.0) / sigma) if sigma > 0 else 0.0

"""Where the body is in each frame: predicted, at mid-exposure and along its trail, and as it shows."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from astropy.time import TimeDelta
from scipy import ndimage

from appulse.constants import FWHM_PER_SIGMA
from appulse.observers.timescales import quiet_erfa
from appulse.overlays.columns import plain_column

TRAIL_POINTS = 5


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


SEARCH_FWHM = 4.0
COMPARED = 8


def centre_on_body(resampled, fwhm) -> list:
    """Move the predicted places to where the body shows, by one shift for all frames; notes."""
    # Clock, orbit and plate put the whole path beside the prediction alike. The shift is the median of what
    # the frames say that show the body well; fewer than three say nothing.
    found = []
    for one in resampled:
        offset = _body_offset(one, resampled, fwhm)
        if offset is not None:
            found.append(offset)
    if len(found) < 3:
        return []
    found = np.array(found)
    shift = np.median(found, axis=0)
    spread = 1.4826 * np.median(np.abs(found - shift))
    if np.hypot(*shift) < 0.1 * fwhm or spread > 0.5 * fwhm:
        return []
    for one in resampled:
        one.place = (one.place[0] + shift[0], one.place[1] + shift[1])
        one.trail = one.trail + shift
    return [f"the body lies {shift[0]:+.2f}, {shift[1]:+.2f} px (x, y) beside its predicted path: followed"]


def _body_offset(one, resampled, fwhm):
    """Offset (x, y) of the body from its predicted place in one frame; None where it does not stand out."""
    x, y = (round(v) for v in one.place)
    ny, nx = one.planes[0].shape
    reach = int(np.ceil(SEARCH_FWHM * fwhm + np.ptp(one.trail, axis=0).max()))
    x0, x1, y0, y1 = x - reach, x + reach + 1, y - reach, y + reach + 1
    if x0 < 0 or y0 < 0 or x1 > nx or y1 > ny:
        return None
    step = max(1, len(resampled) // COMPARED)
    others = [o for o in resampled[::step] if o is not one]
    if len(others) < 2:
        return None
    boxes = [o.levels[0].apply(o.planes[0].box(x0, y0, x1, y1), x0, y0) for o in [one, *others]]
    extra = np.nan_to_num(boxes[0] - np.median(boxes[1:], axis=0))
    smooth = ndimage.gaussian_filter(extra, fwhm / FWHM_PER_SIGMA)
    j, i = np.unravel_index(np.argmax(smooth), smooth.shape)
    noise = 1.4826 * np.median(np.abs(smooth - np.median(smooth)))
    if smooth[j, i] < 10 * noise or not (2 < i < smooth.shape[1] - 3 and 2 < j < smooth.shape[0] - 3):
        return None
    rows, columns = np.mgrid[0 : smooth.shape[0], 0 : smooth.shape[1]]
    # The middle of light within the trail's length: the peak of a trail alone wanders along it.
    near = np.hypot(columns - i, rows - j) <= 1.5 * fwhm + 0.5 * np.ptp(one.trail, axis=0).max()
    light = np.where(near, np.maximum(smooth, 0.0), 0.0)
    total = light.sum()
    middle = one.trail.mean(axis=0)
    return (
        float((light * columns).sum() / total + x0 - middle[0]),
        float((light * rows).sum() / total + y0 - middle[1]),
    )


def body_peaks(resampled, fwhm) -> list:
    """Peak of the body above its surroundings in each frame, in sigmas of a pixel."""
    peaks = []
    for one in resampled:
        x, y = (round(v) for v in one.place)
        reach = int(np.ceil(6 * fwhm))
        ny, nx = one.planes[0].shape
        x0, x1, y0, y1 = max(x - reach, 0), min(x + reach + 1, nx), max(y - reach, 0), min(y + reach + 1, ny)
        if x0 >= x1 or y0 >= y1:
            peaks.append(0.0)
            continue
        values = one.levels[0].apply(one.planes[0].box(x0, y0, x1, y1), x0, y0)
        core = TrailMask(one.trail - [x0, y0], 1.5 * fwhm, values.shape)(0, y1 - y0)
        inside = values[core & np.isfinite(values)]
        rest = values[~core & np.isfinite(values)]
        peak = (inside.max() - np.median(rest)) if len(inside) and len(rest) else 0.0
        peaks.append(float(max(peak, 0.0) / one.levels[0].sigma))
    return peaks

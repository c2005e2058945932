"""Where the body is in each frame: at the effective middle, and along its trail."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from astropy.time import TimeDelta

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
    """Distance of pixels from a polyline, px.

    Parameters
    ----------
    x, y : arrays of one shape
    trail : (m, 2) array

    Examples
    --------
    >>> trail = np.array([[0.0, 0.0], [2.0, 0.0]])
    >>> distance_to_trail(np.array([0.0, 5.0]), np.array([3.0, 0.0]), trail).tolist()
    [3.0, 3.0]
    """
    best = np.hypot(x - trail[0, 0], y - trail[0, 1])
    for (ax, ay), (bx, by) in pairwise(trail):
        length2 = (bx - ax) ** 2 + (by - ay) ** 2
        if length2 == 0.0:
            continue
        t = np.clip(((x - ax) * (bx - ax) + (y - ay) * (by - ay)) / length2, 0.0, 1.0)
        best = np.minimum(best, np.hypot(x - ax - t * (bx - ax), y - ay - t * (by - ay)))
    return best


class TrailMask:
    """Pixels of a grid near a body's trail, row by row as the stack asks for them.

    Parameters
    ----------
    trail : (m, 2) array, grid px
    radius : float, px
    shape : (int, int)
    """

    def __init__(self, trail, radius, shape):
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

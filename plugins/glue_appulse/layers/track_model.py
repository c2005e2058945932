"""A track's table turned into what is needed to draw it."""

from dataclasses import dataclass, field

import numpy as np
from scipy.interpolate import CubicSpline

from appulse.numerics import unit_from_radec
from glue_appulse.data.kinds import from_json

MJD, RA, DEC = "MJD (UTC)", "RA", "Dec"
"""Columns of a track's data set."""
EXPOSURES_KEY = "appulse_exposures"
MIN_ROWS = 4
"""Fewest rows from which a cubic can be drawn without inventing a bend."""


class SkyCurve:
    """Place at any time within a dense table, by cubic splines of the direction cosines.

    Neither 0h nor the poles are special that way. With rows a minute apart the interpolated place of a
    body that crosses ten degrees a day stays within a microarcsecond.

    Examples
    --------
    >>> curve = SkyCurve([0, 1, 2, 3], [359.0, 359.5, 0.0, 0.5], [0, 0, 0, 0])
    >>> ra, dec = curve.at([1.5, 2.5])
    >>> ra.round(5)
    array([3.5975e+02, 2.5000e-01])
    """

    def __init__(self, mjd, ra_deg, dec_deg):
        mjd = np.asarray(mjd, float)
        if mjd.size < MIN_ROWS or np.any(np.diff(mjd) <= 0):
            raise ValueError(
                f"a track needs at least {MIN_ROWS} rows with ascending times; got {mjd.size} rows"
            )
        unit = unit_from_radec(np.asarray(ra_deg, float), np.asarray(dec_deg, float))
        self.start, self.end = float(mjd[0]), float(mjd[-1])
        self._spline = CubicSpline(mjd, unit)

    def at(self, mjd):
        """Places (RA, Dec; ICRF degrees) at times (MJD, UTC); NaN outside the table."""
        mjd = np.atleast_1d(np.asarray(mjd, float))
        unit = self._spline(mjd)
        unit[(mjd < self.start) | (mjd > self.end)] = np.nan
        ra = np.degrees(np.arctan2(unit[:, 1], unit[:, 0])) % 360.0
        dec = np.degrees(np.arctan2(unit[:, 2], np.hypot(unit[:, 0], unit[:, 1])))
        return ra, dec


@dataclass(frozen=True)
class Place:
    """Where the body is predicted for one exposure.

    Attributes
    ----------
    frame : str
        Checksum of the frame's file, or its label where it has none.
    mid_mjd, start_mjd, end_mjd : float
        UTC.
    ra, dec : float
        At mid-exposure, ICRF degrees.
    sigma_major, sigma_minor, sigma_pa : float or None
        1-sigma half axes, arcsec, and position angle of the major one, degrees east of north.
    """

    frame: str
    mid_mjd: float
    start_mjd: float
    end_mjd: float
    ra: float
    dec: float
    sigma_major: float | None = None
    sigma_minor: float | None = None
    sigma_pa: float | None = None

    def ellipse(self, count=73):
        """Ring of the 1-sigma ellipse, (n, 2): east and north, arcsec; empty where no sigma is known."""
        if self.sigma_major is None or self.sigma_minor is None:
            return np.empty((0, 2))
        angle, pa = np.linspace(0, 2 * np.pi, count), np.radians(self.sigma_pa or 0.0)
        along, across = self.sigma_major * np.cos(angle), self.sigma_minor * np.sin(angle)
        # position angle runs from north through east
        east, north = along * np.sin(pa) + across * np.cos(pa), along * np.cos(pa) - across * np.sin(pa)
        return np.column_stack([east, north])


@dataclass
class TrackModel:
    """Name, table (MJD of UTC; ICRF degrees) and predicted places of a track."""

    name: str
    mjd: np.ndarray
    ra: np.ndarray
    dec: np.ndarray
    places: list = field(default_factory=list)

    def __post_init__(self):
        # a source that knows single moments only has no curve: places are drawn then, and no line
        self.curve = SkyCurve(self.mjd, self.ra, self.dec) if len(self.mjd) >= MIN_ROWS else None

    def at(self, mjd):
        """Places (RA, Dec; ICRF degrees) at times (MJD, UTC); NaN where the table does not reach."""
        if self.curve is not None:
            return self.curve.at(mjd)
        nowhere = np.full(np.size(mjd), np.nan)
        return nowhere, nowhere

    @classmethod
    def from_data(cls, data):
        """Read a data set of kind 'track'."""
        columns = [np.asarray(data[name], float) for name in (MJD, RA, DEC)]
        places = [Place(**record) for record in from_json(data.meta.get(EXPOSURES_KEY))]
        return cls(str(data.meta.get("designation", data.label)), *columns, places)

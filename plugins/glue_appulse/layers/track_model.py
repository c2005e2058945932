"""A track's table turned into what is needed to draw it."""

from dataclasses import dataclass, field

import numpy as np

from glue_appulse.data.kinds import from_json

from .curve import MIN_ROWS, SkyCurve

#: Columns of a track's data set.
MJD, RA, DEC = "MJD (UTC)", "RA", "Dec"
EXPOSURES_KEY = "appulse_exposures"


@dataclass(frozen=True)
class Place:
    """Where the body is predicted for one exposure.

    Parameters
    ----------
    frame : str
        Checksum of the frame's file, or its label where it has none.
    mid_mjd, start_mjd, end_mjd : float
        UTC.
    ra, dec : float
        At mid-exposure, ICRF degrees.
    sigma_major, sigma_minor : float or None
        1-sigma half axes, arcsec.
    sigma_pa : float or None
        Position angle of the major axis, degrees east of north.
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

    def ellipse(self, n_sigma=1.0, n=73):
        """Ring of the uncertainty ellipse.

        Parameters
        ----------
        n_sigma : float
        n : int

        Returns
        -------
        east, north : ndarray, (n,)
            Offsets from the place, arcsec; empty arrays where no sigma is known.
        """
        if self.sigma_major is None or self.sigma_minor is None:
            return np.empty(0), np.empty(0)
        angle = np.linspace(0, 2 * np.pi, n)
        pa = np.radians(self.sigma_pa or 0.0)
        along, across = n_sigma * self.sigma_major * np.cos(angle), n_sigma * self.sigma_minor * np.sin(angle)
        return along * np.sin(pa) + across * np.cos(pa), along * np.cos(pa) - across * np.sin(pa)


@dataclass
class TrackModel:
    """Name, table and places of a track.

    Parameters
    ----------
    name : str
    mjd, ra, dec : ndarray, (n,)
        UTC; ICRF degrees.
    places : list of Place
    """

    name: str
    mjd: np.ndarray
    ra: np.ndarray
    dec: np.ndarray
    places: list = field(default_factory=list)

    def __post_init__(self):
        #: None for a source that knows single moments only: places are drawn then, and no line.
        self.curve = SkyCurve(self.mjd, self.ra, self.dec) if len(self.mjd) >= MIN_ROWS else None

    def at(self, mjd):
        """Places at times.

        Parameters
        ----------
        mjd : array_like, (n,)
            UTC, MJD.

        Returns
        -------
        ra, dec : ndarray, (n,)
            ICRF degrees; NaN where the table does not reach.
        """
        if self.curve is not None:
            return self.curve.at(mjd)
        nowhere = np.full(np.size(mjd), np.nan)
        return nowhere, nowhere

    @classmethod
    def from_data(cls, data):
        """Read a track's data set.

        Parameters
        ----------
        data : glue.core.data.Data
            Of kind 'track'.

        Returns
        -------
        TrackModel
        """
        columns = [np.asarray(data[name], float) for name in (MJD, RA, DEC)]
        places = [Place(**record) for record in from_json(data.meta.get(EXPOSURES_KEY))]
        return cls(str(data.meta.get("designation", data.label)), *columns, places)

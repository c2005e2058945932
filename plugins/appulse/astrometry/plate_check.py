"""What a plate check found: the zero point anywhere on the frame, and the parts of the plate's error.

All offsets are observed (by the frame's own WCS) minus catalogue, east and north, arcsec: subtract them from
a measured place.
"""

from dataclasses import dataclass, field, replace

import numpy as np
from astropy.table import QTable, Table

from appulse.astrometry.matching import Match
from appulse.astrometry.plate_model import PlateModel
from appulse.astrometry.survey import Survey, within
from appulse.constants import ARCSEC_PER_RAD
from appulse.numerics.spherical import tangent_axes, unit_from_radec


@dataclass
class PlateCheck:
    """Outcome of a plate check.

    Parameters
    ----------
    n_stars : int
        Stars that the zero point rests on; 0 where there is no correction.
    offset : (2,) array
        At the frame's centre: east, north, arcsec; NaN where there is no correction.
    covariance : (2, 2) array
        arcsec^2.
    stars : QTable
        Every matched star: ``name, g, x, y, ra, dec, dra, ddec`` (observed minus catalogue), ``sigma_ra,
        sigma_dec``, ``left_dra, left_ddec`` (what the model leaves), ``snr, flux, flux_sigma, used``.
    model : PlateModel or None
    notes : tuple of str
    catalogue, ades_code : str
    survey : Survey
        What the frame's pixels told; measuring needs it again.
    found : Match or None
    n_catalogue : int
        Catalogue stars on the frame.
    field_stars : Table
        All of them: ``name, g, x, y`` (pixels where they show, the plate's error put in).
    pixel_scale : float
        arcsec.
    reach_px : float
        How far from the place that :meth:`around` was asked about the sources and catalogue stars are all
        there.
    """

    n_stars: int
    offset: np.ndarray
    covariance: np.ndarray
    stars: QTable
    model: PlateModel | None
    notes: tuple[str, ...]
    catalogue: str
    ades_code: str
    survey: Survey = field(repr=False)
    found: Match | None = field(default=None, repr=False)
    n_catalogue: int = 0
    field_stars: Table = field(default_factory=Table, repr=False)
    pixel_scale: float = 1.0
    reach_px: float = np.inf
    _frame: object = field(default=None, repr=False)

    @property
    def corrected(self) -> bool:
        """Whether there is a zero point to take off."""
        return self.model is not None

    def around(self, x: float, y: float, radius_px: float) -> "PlateCheck":
        """The same check with the sources and catalogue stars about a place only: little to keep of a frame.

        Parameters
        ----------
        x, y, radius_px : float
            Zero-based px.

        Returns
        -------
        PlateCheck
        """
        return replace(
            self,
            survey=self.survey.about(x, y, radius_px),
            field_stars=within(self.field_stars, x, y, radius_px),
            reach_px=min(radius_px, self.reach_px),
        )

    def local_offset(self, x: float, y: float):
        """Zero point at a pixel.

        Parameters
        ----------
        x, y : float
            Zero-based px.

        Returns
        -------
        dra, ddec : float
            Observed minus catalogue, arcsec, RA with cosDec; NaN where there is no correction.
        covariance : (2, 2) array
            arcsec^2.
        """
        if self.model is None:
            return np.nan, np.nan, np.full((2, 2), np.nan)
        shift, cov = self.model.at(x, y)
        turn = _to_local(self._frame, x, y)
        dra, ddec = turn @ shift
        return float(dra), float(ddec), turn @ cov @ turn.T

    def true_pixel(self, ra: float, dec: float) -> tuple[float, float]:
        """Pixel where a true place shows on this frame, the plate's offset put in."""
        x, y = (float(v) for v in self._frame.to_pixel(ra, dec))
        if self.model is None or not np.isfinite(x):
            return x, y
        if self.found is not None and self.found.how == "turned":
            return tuple(float(v) for v in self.found.apply(np.array([[x, y]]))[0])
        for _ in range(3):
            dra, ddec, _ = self.local_offset(x, y)
            ra_seen = ra + dra / 3600 / max(np.cos(np.radians(dec)), 1e-9)
            x, y = (float(v) for v in self._frame.to_pixel(ra_seen, dec + ddec / 3600))
        return x, y

    @property
    def catalogue_covariance(self) -> np.ndarray:
        """The catalogue's share of the zero point's covariance, from its stars' errors, arcsec^2."""
        if self.model is None:
            return np.full((2, 2), np.nan)
        used = np.asarray(self.stars["used"])
        shares = []
        for axis, floor in zip(("ra", "dec"), self.model.floor, strict=True):
            total2 = self.stars[f"sigma_{axis}"].value[used] ** 2 + floor**2
            catalogue2 = self.stars[f"catalogue_{axis}"].value[used] ** 2
            shares.append(np.sum(catalogue2 / total2**2) / np.sum(1.0 / total2) ** 2)
        return np.diag(shares)

    @property
    def parts(self) -> dict[str, tuple[float, float]]:
        """Shift east, north (arcsec), scale (ppm), turn and skew (arcsec), each with its sigma."""
        if self.model is None:
            return {}
        m = self.model
        values = {
            "east": (m.east[0], m.cov_east[0, 0] ** 0.5),
            "north": (m.north[0], m.cov_north[0, 0] ** 0.5),
        }
        if m.order >= 1:
            values |= _linear_parts(self)
        return {name: (float(a), float(b)) for name, (a, b) in values.items()}


def _to_local(frame, x, y) -> np.ndarray:
    """Turn, (2, 2), from the central plane's east and north to those at a pixel: they part near a pole."""
    centre, here = unit_from_radec(*frame.centre), unit_from_radec(*(float(v) for v in frame.to_sky(x, y)))
    east0, north0 = tangent_axes(centre)
    east, north = tangent_axes(here)
    depth = float(here @ centre)
    # A step in the plane moves the direction by that step, seen across the line of sight, times the depth.
    steps = depth * np.stack([east0, north0])
    return np.array([[step @ east for step in steps], [step @ north for step in steps]])


def _linear_parts(plate) -> dict:
    """Scale, turn and skew from the linear terms d(offset)/d(pixel), through the frame's own matrix."""
    m, frame = plate.model, plate._frame
    jacobian = frame.jacobian(*m.centre)
    slopes = np.array([m.east[1:3], m.north[1:3]]) / m.scale
    strain = slopes @ np.linalg.inv(jacobian)  # d(offset) / d(east, north), pure numbers
    sigma = np.sqrt(np.mean([m.cov_east[1, 1], m.cov_east[2, 2], m.cov_north[1, 1], m.cov_north[2, 2]]))
    sigma = sigma / m.scale / plate.pixel_scale
    return {
        "scale_ppm": (5e5 * np.trace(strain), 7.1e5 * sigma),
        "turn_arcsec": (0.5 * ARCSEC_PER_RAD * (strain[0, 1] - strain[1, 0]), 0.71 * ARCSEC_PER_RAD * sigma),
        "skew_arcsec": (0.5 * ARCSEC_PER_RAD * (strain[0, 1] + strain[1, 0]), 0.71 * ARCSEC_PER_RAD * sigma),
    }

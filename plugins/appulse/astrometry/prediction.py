"""A prediction as measuring needs it: bare numbers from a row of any ephemeris, NaN where it does not say."""

from dataclasses import dataclass, field, replace

import numpy as np
from astropy import units as u

from appulse.astrometry.psf import POINT, Trail
from appulse.constants import ARCSEC_PER_RAD
from appulse.errors import TableError
from appulse.numerics import axes_from_radec
from appulse.observers import SpacecraftVector, itrs_to_gcrs, quiet_erfa

MERGE_PX = 0.25
"""Pauses in which the body moves less than this are too short to show: the trail is drawn through them."""


@dataclass(frozen=True)
class Prediction:
    """Where a body should be at the effective middle of a frame.

    Parameters
    ----------
    designation : str
    ra, dec : float
        Degrees, astrometric, ICRF.
    ra_rate, dec_rate : float
        arcsec/h, RA with cosDec; NaN where unknown.
    mag : float
        NaN where unknown.
    covariance : (2, 2) array
        Of the predicted place (east, north), arcsec^2; NaN where unknown.
    typical_sigma : float
        One sigma per axis, arcsec, of orbits of its kind, where its own has no covariance; NaN where unknown.
    delta, r : float
        Distances from the observer and from the Sun, au; NaN where unknown.
    phase, antisolar_pa : float
        Phase angle, and position angle of the direction away from the Sun, degrees; NaN where unknown.
    antisolar_length : float
        How long a unit vector away from the Sun looks, where the phase does not say it.
    parallax : (2, 3) array
        How O-C (east, north) changes with the site's Earth-fixed place, arcsec/km; NaN where unknown.
    mirror_km : (3,) array
        From the site to the one of the opposite longitude, Earth-fixed; NaN where unknown.

    Examples
    --------
    >>> prediction = Prediction("7", 10.0, 20.0, 0.0, -30.0)
    >>> prediction.rate, prediction.motion_pa
    (30.0, 180.0)
    """

    designation: str
    ra: float
    dec: float
    ra_rate: float = np.nan
    dec_rate: float = np.nan
    mag: float = np.nan
    covariance: np.ndarray = field(default_factory=lambda: np.full((2, 2), np.nan))
    typical_sigma: float = np.nan
    delta: float = np.nan
    parallax: np.ndarray = field(default_factory=lambda: np.full((2, 3), np.nan), repr=False)
    mirror_km: np.ndarray = field(default_factory=lambda: np.full(3, np.nan), repr=False)
    r: float = np.nan
    phase: float = np.nan
    antisolar_pa: float = np.nan
    antisolar_length: float = np.nan

    @property
    def rate(self) -> float:
        """Motion, arcsec/h."""
        return float(np.hypot(self.ra_rate, self.dec_rate))

    @property
    def motion_pa(self) -> float:
        """Position angle of the motion, degrees north through east; NaN for a body at rest or unknown."""
        if not self.rate > 0:
            return np.nan
        return float(np.degrees(np.arctan2(self.ra_rate, self.dec_rate)) % 360.0)

    @property
    def sigma(self) -> float:
        """Major semi-axis of the one-sigma ellipse, arcsec; NaN where unknown."""
        if not np.isfinite(self.covariance).all():
            return np.nan
        return float(np.sqrt(np.linalg.eigvalsh(self.covariance)[-1]))

    @classmethod
    def from_row(cls, row) -> "Prediction":
        """From a row of an ephemeris table (or a mapping of the same names).

        Raises
        ------
        TableError
            If it has no place.
        """
        if isinstance(row, Prediction):
            return row
        ra, dec = cell(row, "ra", u.deg), cell(row, "dec", u.deg)
        if not (np.isfinite(ra) and np.isfinite(dec)):
            raise TableError(f"a prediction needs ra and dec in degrees, got {ra}, {dec}")
        arcsec_h = u.arcsec / u.hour
        rates = cell(row, "ra_rate", arcsec_h), cell(row, "dec_rate", arcsec_h)
        if not np.isfinite(rates).all():
            rate, pa = cell(row, "rate", arcsec_h), np.radians(cell(row, "motion_pa", u.deg))
            rates = rate * np.sin(pa), rate * np.cos(pa)
        major, minor = cell(row, "sigma_major", u.arcsec), cell(row, "sigma_minor", u.arcsec)
        pa = np.radians(cell(row, "sigma_pa", u.deg))
        axes = np.array([[np.sin(pa), np.cos(pa)], [np.cos(pa), -np.sin(pa)]])
        covariance = axes.T @ np.diag([major**2, minor**2]) @ axes
        name = str(row["designation"]) if "designation" in _names(row) else "body"
        typical = (getattr(row, "meta", None) or {}).get("typical_sigma_arcsec", {})
        return cls(
            name, ra, dec, *map(float, rates), cell(row, "mag", u.mag), covariance,
            float(typical.get(name, np.nan)), cell(row, "delta", u.au), r=cell(row, "r", u.au),
            phase=cell(row, "phase", u.deg), antisolar_pa=cell(row, "sun_pa", u.deg),
        )  # fmt: skip

    def seen_from(self, observer, time) -> "Prediction":
        """The same with the parallax of an observer on the ground put in; others leave it unknown."""
        if not hasattr(observer, "itrs_m") or not self.delta > 0:
            return self
        # One kilometre along each Earth-fixed axis, on ICRF axes, au.
        turned = np.array([itrs_to_gcrs(1e3 * axis, time)[0][0] for axis in np.eye(3)])
        # The camera stands farther that way: the body is seen shifted the other way.
        parallax = -ARCSEC_PER_RAD / self.delta * np.stack(axes_from_radec(self.ra, self.dec)) @ turned.T
        mirror = np.array([0.0, -2e-3 * observer.itrs_m[1], 0.0])
        return replace(self, parallax=parallax, mirror_km=mirror)

    def with_sun(self, observer, time) -> "Prediction":
        """The same with the direction away from the Sun put in, for an observer on or near the Earth.

        As the Sun, the body and the observer lie in one plane, it is the direction away from the Sun on the
        sky. Where the distance from the Sun is not known, the body is taken to be as far as the Earth is.
        """
        if np.isfinite(self.antisolar_pa) or isinstance(observer, SpacecraftVector) or time is None:
            return self
        from astropy.coordinates import get_sun  # of comets only

        with quiet_erfa():
            sun = get_sun(time.utc).cartesian.xyz.to_value("au")
        size = float(np.linalg.norm(sun))
        east, north = axes_from_radec(self.ra, self.dec)
        pa = float(np.degrees(np.arctan2(-sun @ east, -sun @ north)) % 360.0)
        sine = float(np.hypot(sun @ east, sun @ north))  # of the elongation, times the Sun's distance
        far = self.r if np.isfinite(self.r) else max(size, 1.0)
        return replace(self, antisolar_pa=pa, antisolar_length=min(sine / far, 1.0))


def _names(row):
    return row.colnames if hasattr(row, "colnames") else row.keys()


def cell(row, name: str, unit) -> float:
    """A number of a row in a unit; NaN where the column is absent or the cell masked."""
    if name not in _names(row):
        return float("nan")
    value = row[name]
    if np.ma.is_masked(value) or bool(np.any(getattr(value, "mask", False))):
        return float("nan")
    value = getattr(value, "unmasked", value)
    return float(value.to_value(unit)) if isinstance(value, u.Quantity) and unit is not None else float(value)


def pixel_trail(frame, x: float, y: float, prediction: Prediction) -> Trail:
    """How the body is smeared on the frame while light is collected."""
    exposure = frame.exposure
    if exposure is None or not np.isfinite(prediction.rate) or prediction.rate == 0.0:
        return POINT
    rate = np.array([prediction.ra_rate, prediction.dec_rate]) / 3600.0
    speed = np.linalg.solve(frame.jacobian(x, y), rate)  # px/s
    starts, ends, light = _pieces_s(exposure)
    merged = [[starts[0], ends[0], light[0]]]
    listed = exposure.intervals is not None  # two halves of unequal light touch, and must not be merged
    for a, b, seconds in zip(starts[1:], ends[1:], light[1:], strict=True):
        if listed and (a - merged[-1][1]) * np.hypot(*speed) < MERGE_PX:
            merged[-1][1], merged[-1][2] = b, merged[-1][2] + seconds
        else:
            merged.append([a, b, seconds])
    merged = np.array(merged)
    total = merged[:, 2].sum()
    if total <= 0.0:
        return POINT
    weights = merged[:, 2] / total
    # Merging must not move the middle of the light.
    middle = np.sum(weights * 0.5 * (merged[:, 0] + merged[:, 1]))
    true_middle = np.sum(light * 0.5 * (starts + ends)) / total
    times = merged[:, :2] - middle + true_middle
    return Trail(times[:, :, None] * speed, weights)


def _pieces_s(exposure):
    """Start, end and light of the pieces of an exposure, seconds about its effective middle."""
    if exposure.intervals is not None:
        starts, ends = exposure.bounds_s(exposure.mid)
        return starts, ends, ends - starts
    start, end = (exposure.start - exposure.mid).sec, (exposure.end - exposure.mid).sec
    centre, span = 0.5 * (start + end), end - start
    if span <= 0.0 or abs(centre) < 1e-3 * span:
        return np.array([start]), np.array([end]), np.array([span])
    late = np.clip(0.5 - 2.0 * centre / span, 0.0, 1.0)
    return np.array([start, centre]), np.array([centre, end]), span * np.array([1.0 - late, late])

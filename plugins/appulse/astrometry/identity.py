"""Is it the body? Its brightness, what else could stand there, and what would have shown there."""

from dataclasses import dataclass

import numpy as np

from appulse.numerics.robust import mad_sigma

MIN_PHOTOMETRY_STARS = 3


@dataclass(frozen=True)
class ZeroPoint:
    """Magnitude of a star that gives one stored unit over the exposure, in the band of the star table.

    Parameters
    ----------
    value, scatter : float
        Magnitudes; NaN where unknown. The scatter of single stars holds their colours.
    n_stars : int
    """

    value: float
    scatter: float
    n_stars: int

    @property
    def known(self) -> bool:
        """Whether there is one."""
        return bool(np.isfinite(self.value))

    def magnitude(self, flux: float, flux_sigma: float = 0.0) -> tuple[float, float]:
        """Magnitude and its sigma of a flux in stored units; NaN where there is no zero point.

        Examples
        --------
        >>> ZeroPoint(20.0, 0.03, 10).magnitude(100.0, 4.0)[0]
        15.0
        """
        if not (self.known and flux > 0):
            return float("nan"), float("nan")
        sigma = np.hypot(self.scatter, 1.0857 * flux_sigma / flux)
        return float(self.value - 2.5 * np.log10(flux)), float(sigma)

    def flux(self, magnitude: float) -> float:
        """Flux in stored units of a magnitude; NaN where there is no zero point."""
        return float(10 ** (0.4 * (self.value - magnitude)))


def zero_point(plate) -> ZeroPoint:
    """Zero point from the stars of a plate check.

    Parameters
    ----------
    plate : PlateCheck

    Returns
    -------
    ZeroPoint
        NaN with fewer than three unsaturated stars of known magnitude.
    """
    if not plate.corrected:
        return ZeroPoint(np.nan, np.nan, 0)
    stars = plate.stars
    good = np.asarray(stars["used"]) & np.isfinite(np.asarray(stars["g"], dtype=float))
    good &= (np.asarray(stars["n_saturated"]) == 0) & (np.asarray(stars["snr"]) > 10)
    if good.sum() < MIN_PHOTOMETRY_STARS:
        return ZeroPoint(np.nan, np.nan, int(good.sum()))
    values = np.asarray(stars["g"], dtype=float)[good] + 2.5 * np.log10(np.asarray(stars["flux"])[good])
    middle = float(np.median(values))
    scatter = max(mad_sigma(values), 0.005)
    return ZeroPoint(middle, float(scatter), int(good.sum()))

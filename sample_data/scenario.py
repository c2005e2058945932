"""The invented night: who observes what from where, with which camera, and what is wrong on purpose.

Everything here but the bodies' motion and the nebulae's places is made up. The home and the hosted
telescope stand where, to our knowledge, no observatory is.
"""

from typing import NamedTuple

SEED = 4603
BODY = "7"

HOME_LON_DEG, HOME_LAT_DEG, HOME_HEIGHT_M = 11.0, 50.0, 400.0
"""The observer's home: from here the pass stays a few degrees above the southern horizon."""

SITE_LON_DEG, SITE_LAT_DEG, SITE_HEIGHT_M = 20.5, -23.0, 1250.0
"""The rented, hosted telescope in the south."""

NX, NY = 1600, 1200
SCALE_ARCSEC = 3.6
FWHM_PX = 2.5
ZERO_POINT_E_S = 17.9
"""Magnitude of a star that gives one electron a second."""
SKY_MAG_ARCSEC2 = 21.3
SATURATION_ADU = 62_000
FIELD_RA_DEG, FIELD_DEC_DEG = 246.42, -24.16
"""Where the telescope points: IC 4603 in the lower half, IC 4604 cut by the northern edge."""

CLOCK_ERROR_S = 95.0
"""True minus recorded time, the same for all frames: the camera's clock is late by this much."""
PLATE_DRA_ARCSEC, PLATE_DDEC_ARCSEC = 0.85, -0.55
"""Places read through the frames' WCS minus true places, RA with cosDec: an error put into CRVAL."""

EPOCH_JD_TDB = 2_461_480.5
"""Epoch of the orbit in orbit.ecsv, JD TDB (2027-03-17 0h)."""
SIGMA_POSITION_AU, SIGMA_VELOCITY_AU_D = 4e-8, 4e-10
"""Invented error of the orbit, 1-sigma in each axis, of the size that well observed main-belt bodies have."""
H_MAG, G_SLOPE = 5.64, 0.15
"""Absolute magnitude and slope of (7), from memory; they set how bright the invented dot is."""


class Shot(NamedTuple):
    """One frame: when it truly began (UTC), its exposures, how the camera stood."""

    name: str
    begin: str
    sub_s: float
    n_sub: int
    cadence_s: float
    pause_after: int
    pause_s: float
    gain_e_adu: float
    read_noise_e: float
    rotation_deg: float
    shift_px: tuple[float, float]

    def sub_starts_s(self) -> list[float]:
        """Seconds from the beginning to the start of each exposure; one pause, when a cloud came."""
        first_after = self.pause_after or self.n_sub
        return [i * self.cadence_s + (self.pause_s if i >= first_after else 0.0) for i in range(self.n_sub)]


SHOTS = (
    Shot("iris_1", "2027-05-04T19:55:12.000", 120.0, 1, 120.0, 0, 0.0, 1.0, 2.5, 2.5, (0.0, 0.0)),
    Shot("iris_2", "2027-05-04T21:20:40.000", 10.0, 60, 11.5, 0, 0.0, 4.0, 19.4, 2.5, (3.4, -5.2)),
    Shot("iris_3", "2027-05-04T22:25:05.000", 10.0, 90, 11.5, 50, 260.0, 5.0, 23.7, 2.5, (-7.1, 2.6)),
    Shot("iris_4", "2027-05-05T00:40:18.000", 10.0, 120, 11.5, 0, 0.0, 6.0, 27.4, 182.9, (5.8, 9.3)),
    Shot("iris_5", "2027-05-05T02:02:33.000", 10.0, 60, 11.5, 20, 180.0, 4.0, 19.4, 182.9, (-2.7, 6.5)),
    Shot("iris_6", "2027-05-05T03:20:47.000", 120.0, 1, 120.0, 0, 0.0, 1.0, 2.5, 182.9, (8.2, -1.9)),
)
"""Two single exposures, four frames stacked by the telescope itself; the mount turns over after the third."""

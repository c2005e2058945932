"""The IERS's table of UT1 and polar motion that comes with astropy-iers-data.

Nothing is downloaded, and neither astropy's IERS settings nor its cached tables are touched: the table is
read here, by its published columns. Past its end the last UT1-TAI is held and the accuracy is stated with
the IERS's own growth law. Bare floats: the time scales are built on this.
"""

from functools import lru_cache
from typing import NamedTuple

import astropy_iers_data
import erfa
import numpy as np

from appulse.constants import DAY_S, MJD_ZERO_JD


class EarthTable(NamedTuple):
    """Pole and UT1 by day, predictions included, and where these begin."""

    mjd_utc: np.ndarray
    xp_rad: np.ndarray
    yp_rad: np.ndarray
    ut1_tai_s: np.ndarray
    last_measured_mjd: float


@lru_cache(maxsize=1)
def earth_table() -> EarthTable:
    """The IERS's finals2000A.all: fixed columns as in its ReadMe; Bulletin A values, predictions included."""
    # Past the last row the file has blanks where values will be: such lines are no rows.
    rows = []
    measured = 0.0
    with open(astropy_iers_data.IERS_A_FILE, encoding="ascii") as handle:
        for line in handle:
            if line[58:68].strip() and line[18:27].strip():
                mjd = float(line[7:15])
                rows.append((mjd, float(line[18:27]), float(line[37:46]), float(line[58:68])))
                measured = mjd if line[57] == "I" else measured
    mjd, xp, yp, ut1_utc = np.array(rows).T
    as2rad = erfa.DAS2R
    return EarthTable(mjd, xp * as2rad, yp * as2rad, ut1_utc - _tai_minus_utc_s(mjd), measured)


def _tai_minus_utc_s(mjd_utc):
    _, tai2, _ = erfa.ufunc.utctai(np.full_like(mjd_utc, MJD_ZERO_JD), mjd_utc)
    return np.round((tai2 - mjd_utc) * DAY_S)


def ut1_minus_tai_s(mjd_utc: np.ndarray) -> np.ndarray:
    """UT1 - TAI, seconds, at MJD UTC (or TAI: half a minute does not matter); the ends are held."""
    # Continuous through leap seconds, hence the quantity to interpolate, where UT1-UTC jumps.
    table = earth_table()
    return np.interp(np.asarray(mjd_utc, dtype=float), table.mjd_utc, table.ut1_tai_s)


def ut1_sigma_s(mjd_utc: np.ndarray) -> np.ndarray:
    """One-sigma uncertainty of UT1, s, by the law of IERS Bulletin A; 0.9 s before 1973."""
    table = earth_table()
    mjd = np.asarray(mjd_utc, dtype=float)
    # 0.00025 s (days ahead)^0.75. Before 1973 the table does not reach: UT1-UTC was kept below 0.9 s.
    ahead = np.maximum(mjd - table.last_measured_mjd, 0.0)
    return np.where(mjd < table.mjd_utc[0], 0.9, np.maximum(1e-5, 0.000_25 * ahead**0.75))


def table_ends_mjd() -> tuple[float, float]:
    """MJD of the last measured and of the last predicted day in the table at hand."""
    table = earth_table()
    return table.last_measured_mjd, float(table.mjd_utc[-1])

"""Earth orientation offline: explicit ERFA and the IERS table that comes with astropy-iers-data.

Nothing is downloaded, and neither astropy's IERS settings nor its cached tables are touched: the table is
read here, by its published columns. Past its end the last UT1-TAI is held and the accuracy is stated with
the IERS's own growth law.

    ITRS --polar motion--> TIRS --Earth rotation angle--> CIRS --precession, nutation--> GCRS

IAU 2006/2000B with 1 mas of nutation left out moves an observer by 3 cm.
Source: IERS Conventions 2010 (Technical Note 36), chapter 5; SOFA, *Tools for Earth Attitude*.
"""

from functools import lru_cache
from typing import NamedTuple

import astropy_iers_data
import erfa
import numpy as np

from appulse.constants import AU_KM, DAY_S, MJD_ZERO_JD
from appulse.observers.timescales import tt_jd

ROTATION_RAD_DAY = 2.0 * np.pi * 1.002_737_811_911_354_48
"""Rate of the Earth rotation angle, rad per UT1 day. IERS Conventions 2010, eq. 5.15."""

EQUATOR_SPEED_M_S = 465.1
"""Speed of a site on the equator, m/s: turns an error of UT1 into one of place."""


class _Table(NamedTuple):
    mjd_utc: np.ndarray
    xp_rad: np.ndarray
    yp_rad: np.ndarray
    ut1_tai_s: np.ndarray
    last_measured_mjd: float


@lru_cache(maxsize=1)
def _table():
    """The IERS's finals2000A.all: fixed columns as in its ReadMe; Bulletin A values, predictions included."""
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
    return _Table(mjd, xp * as2rad, yp * as2rad, ut1_utc - _tai_minus_utc_s(mjd), measured)


def _tai_minus_utc_s(mjd_utc):
    _, tai2, _ = erfa.ufunc.utctai(np.full_like(mjd_utc, MJD_ZERO_JD), mjd_utc)
    return np.round((tai2 - mjd_utc) * DAY_S)


def ut1_minus_tai_s(mjd_utc):
    """UT1 - TAI, seconds: continuous through leap seconds, hence the quantity to interpolate.

    Parameters
    ----------
    mjd_utc : array, MJD (UTC, or TAI: the half minute does not matter)

    Returns
    -------
    array, s; held at the first and last value of the table outside it

    Examples
    --------
    >>> round(float(ut1_minus_tai_s(57754.0)), 3)
    -36.409
    """
    table = _table()
    return np.interp(np.asarray(mjd_utc, dtype=float), table.mjd_utc, table.ut1_tai_s)


def ut1_sigma_s(mjd_utc):
    """One-sigma uncertainty of UT1, s, by the law of IERS Bulletin A: 0.00025 s (days ahead)^0.75.

    Parameters
    ----------
    mjd_utc : array, MJD

    Returns
    -------
    array, s; 0.9 s before 1973, where the table does not reach

    Examples
    --------
    >>> bool(ut1_sigma_s(58000.0) < 1e-4), bool(0.1 < ut1_sigma_s(69807.0) < 0.4)
    (True, True)
    """
    table = _table()
    mjd = np.asarray(mjd_utc, dtype=float)
    ahead = np.maximum(mjd - table.last_measured_mjd, 0.0)
    return np.where(mjd < table.mjd_utc[0], 0.9, np.maximum(1e-5, 0.000_25 * ahead**0.75))


def table_ends_mjd():
    """MJD of the last measured and of the last predicted day in the table at hand.

    Examples
    --------
    >>> measured, predicted = table_ends_mjd()
    >>> 300 < predicted - measured < 500
    True
    """
    table = _table()
    return table.last_measured_mjd, float(table.mjd_utc[-1])


def accuracy_note(times):
    """Words for a result's provenance: how well the site's place in space is known at these times.

    Parameters
    ----------
    times : Time

    Returns
    -------
    str

    Examples
    --------
    >>> from astropy.time import Time
    >>> accuracy_note(Time("2019-01-01", scale="utc"))
    'measured Earth rotation'
    """
    tt1, tt2 = tt_jd(times)
    mjd = np.atleast_1d(tt1 - MJD_ZERO_JD + tt2)
    measured, predicted = table_ends_mjd()
    worst = float(np.max(ut1_sigma_s(mjd)))
    metres = f"UT1 good to about {worst:.2g} s, the site to {worst * EQUATOR_SPEED_M_S:.0f} m (1 sigma)"
    if mjd.min() < _table().mjd_utc[0]:
        return f"before the Earth rotation table (1973): {metres}"
    if mjd.max() <= measured + 1.0:
        return "measured Earth rotation"
    if mjd.max() <= predicted:
        return f"predicted Earth rotation: {metres}"
    return f"beyond the Earth rotation predictions, last UT1-TAI held: {metres}"


def itrs_to_gcrs(itrs_m, times):
    """Geocentric place and velocity of a site on GCRS (ICRF) axes.

    Parameters
    ----------
    itrs_m : (3,) array, m
        Earth-fixed coordinates (WGS84 agrees with ITRS to centimetres).
    times : Time, shape (n,) or scalar

    Returns
    -------
    position_au, velocity_au_d : (n, 3) arrays

    Examples
    --------
    >>> from astropy.time import Time
    >>> pos, vel = itrs_to_gcrs([6378137.0, 0.0, 0.0], Time("2020-01-01", scale="utc"))
    >>> round(float(np.linalg.norm(pos)) * 149597870.7, 3)  # km
    6378.137
    """
    tt1, tt2 = (np.atleast_1d(a) for a in tt_jd(times))
    mjd_tai = tt1 - MJD_ZERO_JD + tt2 - 32.184 / DAY_S
    table = _table()
    xp, yp = np.interp(mjd_tai, table.mjd_utc, table.xp_rad), np.interp(mjd_tai, table.mjd_utc, table.yp_rad)
    ut1 = tt2 + (ut1_minus_tai_s(mjd_tai) - 32.184) / DAY_S
    angle = erfa.era00(tt1, ut1)
    tirs = np.einsum("nji,j->ni", erfa.pom00(xp, yp, erfa.sp00(tt1, tt2)), np.asarray(itrs_m, dtype=float))
    cos, sin = np.cos(angle), np.sin(angle)
    x, y = cos * tirs[:, 0] - sin * tirs[:, 1], sin * tirs[:, 0] + cos * tirs[:, 1]
    cirs = np.stack([x, y, tirs[:, 2]], axis=-1)
    cirs_rate = ROTATION_RAD_DAY * np.stack([-y, x, np.zeros_like(x)], axis=-1)
    to_cirs = erfa.c2i00b(tt1, tt2)
    scale = 1.0 / (AU_KM * 1e3)
    return (
        np.einsum("nji,nj->ni", to_cirs, cirs) * scale,
        np.einsum("nji,nj->ni", to_cirs, cirs_rate) * scale,
    )

"""Earth orientation offline: explicit ERFA and the IERS table at hand.

    ITRS --polar motion--> TIRS --Earth rotation angle--> CIRS --precession, nutation--> GCRS

IAU 2006/2000B with 1 mas of nutation left out moves an observer by 3 cm.
Source: IERS Conventions 2010 (Technical Note 36), chapter 5; SOFA, *Tools for Earth Attitude*.
"""

import erfa
import numpy as np

from appulse.constants import AU_KM, DAY_S, MJD_ZERO_JD
from appulse.observers.iers import earth_table, table_ends_mjd, ut1_minus_tai_s, ut1_sigma_s
from appulse.observers.timescales import tt_jd

# Rate of the Earth rotation angle, rad per UT1 day. IERS Conventions 2010, eq. 5.15.
ROTATION_RAD_DAY = 2.0 * np.pi * 1.002_737_811_911_354_48

# Speed of a site on the equator, m/s: turns an error of UT1 into one of place.
EQUATOR_SPEED_M_S = 465.1


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
    if mjd.min() < earth_table().mjd_utc[0]:
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
    # The table is read at TAI for UTC: in half a minute the pole moves by less than 0.1 mm.
    mjd_tai = tt1 - MJD_ZERO_JD + tt2 - 32.184 / DAY_S
    table = earth_table()
    xp, yp = np.interp(mjd_tai, table.mjd_utc, table.xp_rad), np.interp(mjd_tai, table.mjd_utc, table.yp_rad)
    ut1 = tt2 + (ut1_minus_tai_s(mjd_tai) - 32.184) / DAY_S
    angle = erfa.era00(tt1, ut1)
    tirs = np.einsum("nji,j->ni", erfa.pom00(xp, yp, erfa.sp00(tt1, tt2)), np.asarray(itrs_m, dtype=float))
    cos, sin = np.cos(angle), np.sin(angle)
    x, y = cos * tirs[:, 0] - sin * tirs[:, 1], sin * tirs[:, 0] + cos * tirs[:, 1]
    cirs = np.stack([x, y, tirs[:, 2]], axis=-1)
    # Precession and polar motion are left out of the velocity: below 0.1 mm/s.
    cirs_rate = ROTATION_RAD_DAY * np.stack([-y, x, np.zeros_like(x)], axis=-1)
    to_cirs = erfa.c2i00b(tt1, tt2)
    scale = 1.0 / (AU_KM * 1e3)
    return (
        np.einsum("nji,nj->ni", to_cirs, cirs) * scale,
        np.einsum("nji,nj->ni", to_cirs, cirs_rate) * scale,
    )

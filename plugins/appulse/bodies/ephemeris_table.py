"""The one table that every ephemeris returns."""

import numpy as np
from astropy import units as u
from astropy.table import QTable
from astropy.time import Time
from astropy.utils.masked import Masked

from appulse.errors import TimeError
from appulse.observers.earth import accuracy_note
from appulse.observers.timescales import quiet_erfa, tt_jd

UNITS = {
    "ra": u.deg,
    "dec": u.deg,
    "ra_rate": u.arcsec / u.hour,
    "dec_rate": u.arcsec / u.hour,
    "rate": u.arcsec / u.hour,
    "motion_pa": u.deg,
    "phase": u.deg,
    "elongation": u.deg,
    "delta": u.au,
    "r": u.au,
    "mag": u.mag,
    "sigma_major": u.arcsec,
    "sigma_minor": u.arcsec,
    "sigma_pa": u.deg,
    "ra_rate_apparent": u.arcsec / u.hour,
    "dec_rate_apparent": u.arcsec / u.hour,
}
DESCRIPTIONS = {
    "designation": "body",
    "time": "UTC",
    "ra": "right ascension, astrometric, ICRF",
    "dec": "declination, astrometric, ICRF",
    "ra_rate": "motion in right ascension times cos Dec, ICRF",
    "dec_rate": "motion in declination, ICRF",
    "rate": "motion on the sky",
    "motion_pa": "position angle of the motion, north through east, ICRF",
    "phase": "angle Sun-body-observer",
    "elongation": "angle Sun-observer-body",
    "delta": "distance from the observer",
    "r": "distance from the Sun",
    "mag": "apparent magnitude by the record's own system",
    "sigma_major": "1-sigma error ellipse, major semi-axis",
    "sigma_minor": "1-sigma error ellipse, minor semi-axis",
    "sigma_pa": "position angle of the ellipse's major axis",
    "ra_rate_apparent": "motion in right ascension times cos Dec, axes of date at the apparent place",
    "dec_rate_apparent": "motion in declination, axes of date at the apparent place",
}
UTC_BEGINS_JD = 2_436_934.5
"""1960-01-01."""
MAYBE = ("mag", "sigma_major", "sigma_minor", "sigma_pa")
"""Columns that may always be masked; others are only where something is not known."""
DECIMALS = {"ra": ".11f", "dec": ".11f"}


def clean_times(time):
    """Times as a one-dimensional UTC ``Time`` without ERFA's 'dubious year'.

    Parameters
    ----------
    time : Time, scalar or (m,)

    Returns
    -------
    Time, shape (m,), scale UTC

    Raises
    ------
    TimeError
        Not a Time, empty, not finite, or before UTC began.

    Examples
    --------
    >>> clean_times(Time(2451545.0, format="jd", scale="tt")).scale
    'utc'
    """
    if not isinstance(time, Time):
        raise TimeError(f"times must be astropy Time objects, got {type(time).__name__}")
    if time.size == 0:
        raise TimeError("no time is given; at least one is needed")
    if time.ndim > 1:
        raise TimeError(f"times must be scalar or one-dimensional, got shape {time.shape}")
    tt1, tt2 = tt_jd(time)  # finite, on a scale that can be tied to TDB
    if np.any((tt1 - UTC_BEGINS_JD) + tt2 < 0.01):
        raise TimeError("a time lies before 1960, when UTC begins; places are tabulated in UTC from then on")
    with quiet_erfa():
        utc = time.utc
    jd1, jd2 = np.atleast_1d(np.asarray(utc.jd1)), np.atleast_1d(np.asarray(utc.jd2))
    return Time(jd1, jd2, format="jd", scale="utc")


def build_table(designations, times, observer, columns, ellipses, meta):
    """Assemble the table, body by body.

    Parameters
    ----------
    designations : sequence of k str
    times : Time, (m,), UTC
    observer : Site or alike
    columns : dict of (k, m) arrays in the units of ``UNITS``
    ellipses : (3, k, m) array or None
        sigma_major, sigma_minor (arcsec), sigma_pa (deg); NaN where unknown.
    meta : dict

    Returns
    -------
    QTable
    """
    k, m = len(designations), len(times)
    table = QTable()
    table["designation"] = np.repeat(np.asarray(designations, dtype=str), m)
    table["time"] = Time(np.tile(times.jd1, k), np.tile(times.jd2, k), format="jd", scale="utc")
    table["time"].format = "isot"
    if ellipses is None:
        ellipses = np.full((3, k, m), np.nan)
    columns = {**columns, **dict(zip(MAYBE[1:], ellipses, strict=True))}
    for name, unit in UNITS.items():
        if name in columns:
            values = np.ravel(columns[name])
            unknown = ~np.isfinite(values)
            if name in MAYBE or unknown.any():
                table[name] = Masked(np.where(unknown, 0.0, values), mask=unknown) * unit
            else:
                table[name] = values * unit
    for name in table.colnames:
        table[name].info.description = DESCRIPTIONS[name]
    table.meta.update(meta)
    table.meta["observer"] = observer.code or observer.name
    if observer.origin == "earth":
        table.meta["earth_orientation"] = accuracy_note(times)
    return table

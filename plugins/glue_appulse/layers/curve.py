"""A body's path between the rows of its table."""

import numpy as np
from scipy.interpolate import CubicSpline

from appulse.numerics.sphere import unit_from_radec

#: Fewest rows from which a cubic can be drawn without inventing a bend.
MIN_ROWS = 4


class SkyCurve:
    """Place at any time within a dense table, by cubic splines of the direction cosines.

    Neither 0h nor the poles are special that way. With rows a minute apart the interpolated place of a
    body that crosses ten degrees a day stays within a microarcsecond.

    Parameters
    ----------
    mjd : array_like, (n,)
        Times, ascending (UTC as MJD; a leap second inside a night would shift a place by one second).
    ra_deg, dec_deg : array_like, (n,)
        ICRF degrees.

    Raises
    ------
    ValueError
        Fewer than four rows, or times that do not ascend.

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
        """Places at times.

        Parameters
        ----------
        mjd : array_like, (n,)
            UTC, MJD, within the table.

        Returns
        -------
        ra, dec : ndarray, (n,)
            ICRF degrees; NaN outside the table.
        """
        mjd = np.atleast_1d(np.asarray(mjd, float))
        unit = self._spline(mjd)
        unit[(mjd < self.start) | (mjd > self.end)] = np.nan
        ra = np.degrees(np.arctan2(unit[:, 1], unit[:, 0])) % 360.0
        dec = np.degrees(np.arctan2(unit[:, 2], np.hypot(unit[:, 0], unit[:, 1])))
        return ra, dec


#: Steps that a clock face divides evenly, minutes.
STEPS_MIN = (
    1 / 12,
    1 / 6,
    1 / 4,
    1 / 2,
    1,
    2,
    5,
    10,
    15,
    20,
    30,
    60,
    120,
    180,
    240,
    360,
    720,
    1440,
    2880,
    7200,
    14400,
)


def choose_step(span_min, length_px, spacing_px=70.0):
    """Tick step, minutes, that puts ticks at least ``spacing_px`` apart along a line.

    Parameters
    ----------
    span_min : float
        Time that the visible line takes.
    length_px : float
        Its length on the screen.
    spacing_px : float

    Returns
    -------
    float

    Examples
    --------
    >>> choose_step(span_min=360, length_px=700)
    60
    >>> choose_step(span_min=30, length_px=9000)
    0.25
    """
    wanted = span_min * spacing_px / max(length_px, 1e-9)
    return next((step for step in STEPS_MIN if step >= wanted), STEPS_MIN[-1])


def tick_times(start_mjd, end_mjd, step_min):
    """Times within a span that fall on whole steps of the UT day.

    Parameters
    ----------
    start_mjd, end_mjd : float
        UTC.
    step_min : float

    Returns
    -------
    ndarray, (n,)
        MJD.

    Examples
    --------
    >>> (tick_times(61529.9, 61530.1, 120) - 61530) * 24
    array([-2.,  0.,  2.])
    """
    step = step_min / 1440.0
    first, last = np.ceil(start_mjd / step - 1e-9), np.floor(end_mjd / step + 1e-9)
    return np.arange(first, last + 1) * step


def tick_label(mjd, step_min):
    """Text beside a tick: the time, with the day where midnight or a whole day is meant.

    Parameters
    ----------
    mjd : float
        UTC.
    step_min : float

    Returns
    -------
    str

    Examples
    --------
    >>> tick_label(61529.9166666667, 60), tick_label(61530.0, 60)
    ('22:00', '05-05 00:00')
    >>> tick_label(61530.0, 1440), tick_label(61530 + 61 / 1440 + 15 / 86400, 0.25)
    ('05-05', '01:01:15')
    """
    second = round(mjd * 86400 / (60 * step_min)) * round(60 * step_min)
    day, second = divmod(second, 86400)
    month_day = str(np.datetime64("1858-11-17") + np.timedelta64(int(day), "D"))[5:]
    if step_min >= 1440:
        return month_day
    clock = f"{second // 3600:02d}:{second // 60 % 60:02d}" + (f":{second % 60:02d}" if step_min < 1 else "")
    return f"{month_day} {clock}" if second == 0 else clock

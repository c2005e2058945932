"""Time ticks along a track."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from astropy.time import Time, TimeDelta

STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400)
"""Steps that a reader can count in."""
SPACING_PX = 40.0
SPACING_OF_DIAGONAL = 0.02
"""Ticks stand at least this far apart: room for a label of hours and minutes."""
MAX_TICKS = 400
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True)
class Tick:
    """A moment on a track.

    Attributes
    ----------
    time : Time
        UTC, scalar.
    x, y : float
        Zero-based pixels.
    label : str
        ``22:30``, or ``May 5`` at midnight: short, for ticks stand close.
    angle : float
        Direction across the track in which a label finds room, degrees from +x towards +y.
    """

    time: Time
    x: float
    y: float
    label: str
    angle: float


def choose_step_s(speed_px_h, diagonal_px, span_h):
    """Step between ticks.

    Parameters
    ----------
    speed_px_h : float
        Speed of the body, pixels per hour.
    diagonal_px : float
        Of the frame.
    span_h : float
        Time that the track shows.

    Returns
    -------
    int
        The shortest of :data:`STEPS_S` that keeps labels apart; shorter where else there would be but one
        tick or two.

    Examples
    --------
    >>> choose_step_s(8.0, 2000.0, 24.0), choose_step_s(600.0, 2000.0, 3.0)
    (21600, 300)
    """
    apart = max(SPACING_PX, SPACING_OF_DIAGONAL * diagonal_px)
    wide = [step for step in STEPS_S if speed_px_h * step / 3600.0 >= apart]
    step = wide[0] if wide else STEPS_S[-1]
    fitting = [one for one in STEPS_S if one * 3 <= span_h * 3600.0]
    return min(step, fitting[-1]) if fitting else STEPS_S[0]


def tick_hours(mid, begin_h, end_h, step_s):
    """Moments at whole steps of UTC.

    Parameters
    ----------
    mid : Time
        UTC, zero of the hours.
    begin_h, end_h : float
    step_s : float

    Returns
    -------
    (n,) array of hours

    Examples
    --------
    >>> tick_hours(Time("2027-05-04T22:36:00"), 0.0, 2.0, 3600).round(6).tolist()
    [0.4, 1.4]
    """
    midnight = Time(np.floor(mid.mjd), format="mjd", scale="utc")
    origin_s = (midnight - mid).sec
    first = int(np.ceil((begin_h * 3600.0 - origin_s) / step_s - 1e-9))
    last = int(np.floor((end_h * 3600.0 - origin_s) / step_s + 1e-9))
    return (origin_s + np.arange(first, min(last, first + MAX_TICKS) + 1) * step_s) / 3600.0


def _label(date, clock, with_seconds):
    if clock.startswith("00:00:00"):
        return f"{MONTHS[int(date[5:7]) - 1]} {int(date[8:10])}"
    return clock if with_seconds else clock[:5]


def make_ticks(mid, hours, pixels, directions, step_s):
    """Ticks with labels.

    Parameters
    ----------
    mid : Time
    hours : (n,) array
        After `mid`.
    pixels : (n, 2) array
    directions : (n, 2) array
        Of the motion, pixels of any length.
    step_s : float

    Returns
    -------
    list of Tick
    """
    ticks = []
    side = np.stack([-directions[:, 1], directions[:, 0]], axis=1)
    if len(side) and side[:, 1].sum() < 0.0:
        # Labels keep to one side of the track, the upper one.
        side = -side
    for hour, place, across in zip(hours, pixels, side, strict=True):
        # A nanosecond of rounding must not print 21:59 for 22:00.
        time = mid + TimeDelta(round(hour * 3600.0, 6), format="sec")
        shown = Time(time, precision=0).isot if step_s == int(step_s) else time.isot
        label = _label(*shown.split("T"), with_seconds=step_s % 60 != 0)
        angle = float(np.degrees(np.arctan2(across[1], across[0])))
        ticks.append(Tick(time, float(place[0]), float(place[1]), label, angle))
    return ticks

"""Time ticks along a track: one choice of steps and labels for every painter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from astropy.time import Time, TimeDelta

MINUTE_S, HOUR_S, DAY_S = 60, 3600, 86400
STEPS_S = (
    1, 2, 5, 10, 15, 30,
    *(n * MINUTE_S for n in (1, 2, 5, 10, 15, 20, 30)),
    *(n * HOUR_S for n in (1, 2, 3, 4, 6, 12)),
    *(n * DAY_S for n in (1, 2, 5, 10)),
)  # fmt: skip
"""Steps that a reader can count in."""
SPACING_PX = 40.0
SPACING_OF_DIAGONAL = 0.02
"""Ticks of a frame stand at least this far apart: room for a label of hours and minutes."""
FEW_HOURS, LEAST_PX = 10.0, 8.0
"""A track of so few hours is ticked hourly where its ticks stay this far apart, whatever labels find room."""
MAX_TICKS = 400


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
        ``22:30``, or ``2027-05-05`` at midnight.
    angle : float
        Direction across the track in which a label finds room, degrees from +x towards +y.
    """

    time: Time
    x: float
    y: float
    label: str
    angle: float


def choose_step_s(speed_px_h, spacing_px, span_h):
    """Seconds between ticks for a body of a speed (px/h), a wanted distance (px) and the time shown (h).

    The shortest step that keeps ticks apart; shorter where else there would be but a tick or two, and an
    hour on a track of a few hours.

    Examples
    --------
    >>> choose_step_s(8.0, 40.0, 24.0), choose_step_s(600.0, 40.0, 3.0), choose_step_s(15.0, 40.0, 7.0)
    (21600, 300, 3600)
    """
    step = next((step for step in STEPS_S if speed_px_h * step / HOUR_S >= spacing_px), STEPS_S[-1])
    if step > HOUR_S and span_h <= FEW_HOURS and speed_px_h >= LEAST_PX:
        return HOUR_S
    # three ticks at least: from one or two nobody can read a rate
    fitting = [step for step in STEPS_S if step * 3 <= span_h * HOUR_S]
    return min(step, fitting[-1]) if fitting else STEPS_S[0]


def whole_steps(begin_s, end_s, step_s):
    """Multiples of a step within two moments, seconds since some midnight.

    Examples
    --------
    >>> whole_steps(10.0, 7300.0, 3600).tolist()
    [3600.0, 7200.0]
    """
    # a moment that misses its step by rounding alone still counts
    first, last = np.ceil(begin_s / step_s - 1e-9), np.floor(end_s / step_s + 1e-9)
    return np.arange(first, last + 1) * step_s


def tick_hours(mid, begin_h, end_h, step_s):
    """Moments at whole steps of UTC, hours after `mid` (Time, UTC).

    Examples
    --------
    >>> tick_hours(Time("2027-05-04T22:36:00"), 0.0, 2.0, 3600).round(6).tolist()
    [0.4, 1.4]
    """
    midnight = Time(np.floor(mid.mjd), format="mjd", scale="utc")
    # from the day's own midnight: a leap second then shifts no tick of the evening before
    origin_s = (midnight - mid).sec
    steps = whole_steps(begin_h * 3600.0 - origin_s, end_h * 3600.0 - origin_s, step_s)
    return (origin_s + steps[: MAX_TICKS + 1]) / 3600.0


def tick_label(day_mjd, second, step_s):
    """Words beside a tick at so many seconds of a day: the date where midnight or a whole day is meant.

    Examples
    --------
    >>> tick_label(61529, 79200.0, 3600), tick_label(61530, 0.0, 3600), tick_label(61530, 3675.0, 15)
    ('22:00', '2027-05-05', '01:01:15')
    >>> tick_label(61529, 86399.9999, 3600), tick_label(61530, 0.5, 0.5)
    ('2027-05-05', '00:00:00.5')
    """
    # a nanosecond of rounding must print neither 21:59 for 22:00 nor the day before
    second = round(round(second / step_s) * step_s, 6)
    days, second = divmod(second, DAY_S)
    if second == 0.0 or step_s >= DAY_S:
        return str(np.datetime64("1858-11-17") + np.timedelta64(int(day_mjd) + int(days), "D"))
    hours_minutes = f"{int(second) // HOUR_S:02d}:{int(second) // MINUTE_S % 60:02d}"
    if step_s % MINUTE_S == 0:
        return hours_minutes
    seconds = f"{second % MINUTE_S:.6f}".rstrip("0").rstrip(".")
    whole, _dot, rest = seconds.partition(".")
    return f"{hours_minutes}:{whole.zfill(2)}" + (f".{rest}" if rest else "")


def make_ticks(mid, hours, pixels, directions, step_s):
    """Ticks with labels at `hours` (n,) after `mid`, at `pixels` (n, 2), of a motion along `directions`."""
    ticks = []
    side = np.stack([-directions[:, 1], directions[:, 0]], axis=1)
    if len(side) and side[:, 1].sum() < 0.0:
        # labels keep to one side of the track, the upper one
        side = -side
    for hour, place, across in zip(hours, pixels, side, strict=True):
        time = mid + TimeDelta(round(hour * 3600.0, 6), format="sec")
        # half a second on, so that a moment just before midnight counts to the day that it means
        day = np.floor((time + TimeDelta(0.5, format="sec")).mjd)
        second = (time - Time(day, format="mjd", scale="utc")).sec
        angle = float(np.degrees(np.arctan2(across[1], across[0])))
        ticks.append(Tick(time, *(float(v) for v in place), tick_label(day, second, step_s), angle))
    return ticks

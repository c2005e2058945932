"""Where and when a path crosses a frame: samples dense enough that straight lines between them are exact."""

from __future__ import annotations

import numpy as np

from appulse.errors import EphemerisSpanError

EXACT_PX = 0.03
"""Most by which the middle of a segment may miss the path."""
MAX_ROUNDS = 14
MAX_SAMPLES = 20_000
_RESOLUTION_H = 0.5 / 3600.0


def reachable_hours(place, low_h, high_h):
    """The part of a span of hours about zero that an ephemeris covers.

    Parameters
    ----------
    place : callable
        Of an array of hours; raises EphemerisSpanError outside its span. It covers zero.
    low_h, high_h : float
        Wanted, with low_h <= 0 <= high_h.

    Returns
    -------
    low_h, high_h : float
        To half a second.

    Examples
    --------
    >>> def place(hours):
    ...     if np.any(np.abs(hours) > 2.0):
    ...         raise EphemerisSpanError("outside")
    >>> [round(h, 2) for h in reachable_hours(place, -12.0, 1.0)]
    [-2.0, 1.0]
    """
    return _farthest(place, low_h), _farthest(place, high_h)


def _farthest(place, limit_h):
    good, tried = 0.0, limit_h
    while abs(tried - good) > _RESOLUTION_H:
        try:
            place(np.array([tried]))
        except EphemerisSpanError:
            limit_h = tried
        else:
            good = tried
            if tried == limit_h:
                return good
        tried = (good + limit_h) / 2.0
    return good


def refine(pixel, hours, rectangle):
    """Add samples until straight lines between them follow the path near a rectangle.

    Parameters
    ----------
    pixel : callable
        Hours (n,) to pixels (n, 2); NaN where there is no place.
    hours : (n,) array, increasing
    rectangle : (x_low, y_low, x_high, y_high)

    Returns
    -------
    hours : (m,) array
    pixels : (m, 2) array

    Examples
    --------
    >>> circle = lambda t: 100.0 * np.stack([np.cos(t), np.sin(t)], axis=1)
    >>> hours, pixels = refine(circle, np.linspace(0.0, 3.0, 7), (0.0, 0.0, 100.0, 100.0))
    >>> middle = circle((hours[1:5] + hours[:4]) / 2.0)
    >>> bool(np.abs(middle - (pixels[1:5] + pixels[:4]) / 2.0).max() < 0.03)
    True
    """
    hours, pixels = np.asarray(hours, dtype=float), pixel(hours)
    unchecked = np.ones(len(hours) - 1, dtype=bool)
    for _ in range(MAX_ROUNDS):
        asked = np.flatnonzero(unchecked & _near(pixels, rectangle))
        if len(asked) == 0 or len(hours) > MAX_SAMPLES:
            break
        middle_h = (hours[asked] + hours[asked + 1]) / 2.0
        middle = pixel(middle_h)
        straight = (pixels[asked] + pixels[asked + 1]) / 2.0
        bent = ~(np.hypot(*(middle - straight).T) <= EXACT_PX)
        unchecked[asked] = False
        split = asked[bent]
        hours = np.insert(hours, split + 1, middle_h[bent])
        pixels = np.insert(pixels, split + 1, middle[bent], axis=0)
        # Both halves of a segment that was split are to be looked at.
        unchecked[split] = True
        unchecked = np.insert(unchecked, split + 1, True)
    return hours, pixels


def _near(pixels, rectangle):
    """Segments whose box comes within a quarter of the rectangle's diagonal of it."""
    x0, y0, x1, y1 = rectangle
    reach = 0.25 * np.hypot(x1 - x0, y1 - y0)
    low, high = np.minimum(pixels[:-1], pixels[1:]), np.maximum(pixels[:-1], pixels[1:])
    with np.errstate(invalid="ignore"):
        beside = (high[:, 0] >= x0 - reach) & (low[:, 0] <= x1 + reach)
        return beside & (high[:, 1] >= y0 - reach) & (low[:, 1] <= y1 + reach)


def passages(hours, pixels, rectangle):
    """Stretches of a path within a rectangle.

    Parameters
    ----------
    hours : (n,) array, increasing
    pixels : (n, 2) array
        Straight lines between them are taken for the path.
    rectangle : (x_low, y_low, x_high, y_high)

    Returns
    -------
    list of (float, float)
        First and last hour of each.

    Examples
    --------
    >>> passages(np.array([0.0, 1.0]), np.array([[-1.0, 0.5], [3.0, 0.5]]), (0.0, 0.0, 1.0, 1.0))
    [(0.25, 0.5)]
    """
    enter, leave = _cut(pixels, rectangle)
    found = []
    for i in np.flatnonzero(leave >= enter):
        step = hours[i + 1] - hours[i]
        begin, end = float(hours[i] + enter[i] * step), float(hours[i] + leave[i] * step)
        if found and enter[i] == 0.0 and found[-1][1] == hours[i]:
            found[-1] = (found[-1][0], end)
        elif end > begin:
            found.append((begin, end))
    return found


def _cut(pixels, rectangle):
    """Shares of each segment at which it enters and leaves (Liang & Barsky 1984, ACM TOG 3, 1)."""
    start, step = pixels[:-1], np.diff(pixels, axis=0)
    low, high = np.array(rectangle[:2]), np.array(rectangle[2:])
    with np.errstate(divide="ignore", invalid="ignore"):
        one, two = (low - start) / step, (high - start) / step
    still = step == 0.0
    within = (start >= low) & (start <= high)
    one = np.where(still, np.where(within, -np.inf, np.inf), one)
    two = np.where(still, np.where(within, np.inf, -np.inf), two)
    first = np.where(still, one, np.minimum(one, two)).max(axis=1)
    last = np.where(still, two, np.maximum(one, two)).min(axis=1)
    good = np.isfinite(pixels).all(axis=1)
    good = good[:-1] & good[1:]
    return np.where(good, np.maximum(first, 0.0), 1.0), np.where(good, np.minimum(last, 1.0), 0.0)

"""A body's path across a frame: the line, its time ticks, the place at mid-exposure, the trail.

The line is sampled densely enough that straight lines between its vertices follow the path.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from astropy.table import QTable
from astropy.time import Time, TimeDelta

from appulse.bodies import body_label
from appulse.errors import EphemerisSpanError, FrameSiteError, FrameTimeError, TimeError
from appulse.numerics import radec_from_unit, separation_rad, unit_from_radec
from appulse.observers import quiet_erfa
from appulse.overlays.columns import plain_column
from appulse.overlays.ticks import SPACING_OF_DIAGONAL, SPACING_PX, choose_step_s, make_ticks, tick_hours

EXACT_PX = 0.03
"""Most by which the middle of a segment may miss the path."""
MAX_ROUNDS = 14
MAX_SAMPLES = 20_000
_RESOLUTION_H = 0.5 / 3600.0


def reachable_hours(place, low_h, high_h):
    """The part of a span of hours about zero that an ephemeris covers, to half a second.

    `place` takes an array of hours and raises EphemerisSpanError outside its span; it covers zero.

    Examples
    --------
    >>> def place(hours):
    ...     if np.any(np.abs(hours) > 2.0):
    ...         raise EphemerisSpanError("outside")
    >>> [round(h, 2) for h in reachable_hours(place, -12.0, 1.0)]
    [-2.0, 1.0]
    """
    try:
        place(np.array([low_h, high_h]))
    except EphemerisSpanError:
        return _farthest(place, low_h), _farthest(place, high_h)
    return low_h, high_h


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
        # bisection: an ephemeris says only whether it reaches a moment
        tried = (good + limit_h) / 2.0
    return good


def refine(pixel, hours, rectangle):
    """Hours and pixels with samples added until straight lines between them follow a path near a rectangle.

    `pixel` takes hours (n,) and gives pixels (n, 2), NaN where there is no place.

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
        # only bent segments near the frame are split: far away a straight line does
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
    """First and last hour of each stretch of a path within a rectangle (x_low, y_low, x_high, y_high).

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
        to_low, to_high = (low - start) / step, (high - start) / step
    still = step == 0.0
    within = (start >= low) & (start <= high)
    to_low = np.where(still, np.where(within, -np.inf, np.inf), to_low)
    to_high = np.where(still, np.where(within, np.inf, -np.inf), to_high)
    first = np.where(still, to_low, np.minimum(to_low, to_high)).max(axis=1)
    last = np.where(still, to_high, np.maximum(to_low, to_high)).min(axis=1)
    good = np.isfinite(pixels).all(axis=1)
    good = good[:-1] & good[1:]
    return np.where(good, np.maximum(first, 0.0), 1.0), np.where(good, np.minimum(last, 1.0), 0.0)


@dataclass(frozen=True)
class MidPlace:
    """Predicted place at mid-exposure.

    Attributes
    ----------
    time : Time
        UTC.
    ra, dec : float
        ICRF degrees.
    x, y : float
        Zero-based pixels.
    sigma_major_px, sigma_minor_px, sigma_angle_deg : float or None
        1-sigma ellipse in pixels, its angle from +x towards +y; None where the orbit has no covariance.
    """

    time: Time
    ra: float
    dec: float
    x: float
    y: float
    sigma_major_px: float | None
    sigma_minor_px: float | None
    sigma_angle_deg: float | None


@dataclass(frozen=True, eq=False)
class Track:
    """A body's path across one frame.

    Attributes
    ----------
    designation, name : str
    table : QTable
        The ephemeris at the line's vertices.
    times : Time, (n,)
        UTC, of the vertices.
    ra, dec : (n,) arrays, ICRF degrees
    x, y : (n,) arrays, zero-based pixels
        Straight lines between them follow the path to better than 0.05 pixel.
    ticks : list of Tick
    mid : MidPlace or None
        None where the body has no place on the frame's projection at mid-exposure.
    trail : (x0, y0, x1, y1) or None
        From the first opening to the last closing of the shutter.
    trail_parts : tuple of (m, 2) arrays
        Pixels of the path while the shutter was open: one line per exposure of a stack.
    enters, leaves : Time or None
        When the body crosses the frame's edge; None beyond the span looked at.
    rate : float or None
        arcsec/h at mid-exposure.
    pa : float or None
        Position angle of the motion, degrees.
    mag : float or None
    notes : tuple of str
    """

    designation: str
    name: str
    table: QTable
    times: Time
    ra: np.ndarray
    dec: np.ndarray
    x: np.ndarray
    y: np.ndarray
    ticks: list
    mid: MidPlace | None
    trail: tuple | None
    trail_parts: tuple
    enters: Time | None
    leaves: Time | None
    rate: float | None
    pa: float | None
    mag: float | None
    notes: tuple = ()


def mid_place(frame, row):
    """Predicted place of an ephemeris row at mid-exposure; None where the frame has no place for it."""
    ra, dec = plain_column(row, "ra")[0], plain_column(row, "dec")[0]
    x, y = (float(v) for v in frame.to_pixel(ra, dec))
    if not np.isfinite(x + y):
        return None
    major, minor, angle = (plain_column(row, f"sigma_{n}")[0] for n in ("major", "minor", "pa"))
    ellipse = (None, None, None)
    if np.isfinite(major + minor + angle):
        ellipse = _pixel_ellipse(frame.jacobian(x, y), major, minor, np.radians(angle))
    return MidPlace(frame.exposure.mid.utc, float(ra), float(dec), x, y, *ellipse)


def _pixel_ellipse(jacobian, major, minor, pa_rad):
    """Axes (px) and angle (deg, from +x towards +y) of an ellipse given on the sky (arcsec)."""
    # columns: the ellipse's axes as east and north
    axes = np.array([[np.sin(pa_rad), np.cos(pa_rad)], [np.cos(pa_rad), -np.sin(pa_rad)]]).T
    to_pixel = np.linalg.solve(jacobian, axes * [major, minor])
    # a sheared frame turns the axes of an ellipse: its new ones are the singular vectors
    left, sizes, _ = np.linalg.svd(to_pixel)
    angle = float(np.degrees(np.arctan2(left[1, 0], left[0, 0])) % 180.0)
    return float(sizes[0]), float(sizes[1]), angle


SPAN_H = 12.0
"""A track reaches at most so far before and after mid-exposure unless other times are given."""
PADDING = 0.05
"""A track goes on beyond the frame by this part of its longer side."""
COARSE_H = 0.5
TRAIL_STEPS = 8


class _Path:
    """A body as seen from a frame's observer: hours after mid-exposure to rows and pixels."""

    def __init__(self, frame, ephemeris, designation):
        self.frame, self.ephemeris, self.designation = frame, ephemeris, designation
        self.mid, self.row = frame.exposure.mid.utc, ephemeris.rows([designation])

    def times(self, hours):
        with quiet_erfa():
            return self.mid + TimeDelta(np.asarray(hours, dtype=float) * 3600.0, format="sec")

    def rows(self, hours, uncertainty=False):
        return self.ephemeris.at(
            self.times(hours), self.frame.observer, bodies=[self.designation], uncertainty=uncertainty
        )

    def directions(self, hours):
        # A table of all that is known takes three times as long.
        return self.ephemeris.vectors(self.times(hours), self.frame.observer, self.row)[0]

    def pixels(self, hours):
        return np.stack(self.frame.to_pixel(*radec_from_unit(self.directions(hours))), axis=1)


def track_in_frame(
    frame, ephemeris, designation, *, name=None, padding_px=None, tick_step=None, begin=None, end=None
):
    """The path of a body across a frame.

    Parameters
    ----------
    frame : SolvedFrame
        With time and observer.
    ephemeris : NBodyEphemeris, TabulatedEphemeris or alike
        With ``rows(bodies)``, ``at(times, observer, bodies, uncertainty)`` and ``vectors(times, observer,
        rows)``.
    designation : str
        As the ephemeris calls the body.
    name : str, optional
        What people read.
    padding_px : float, optional
        The line goes on so far beyond the frame; a twentieth of its longer side by default.
    tick_step : float, optional
        Seconds between ticks; chosen from the rate by default.
    begin, end : Time, optional
        Times to look between; by default 12 hours to either side of mid-exposure, or as far as the
        ephemeris reaches.

    Returns
    -------
    Track or None
        None when the body does not come onto the frame between those times.

    Raises
    ------
    FrameTimeError, FrameSiteError
        The frame has no time or no observer.
    TimeError
        `begin` is not before `end`, or `tick_step` is not above zero.
    EphemerisSpanError
        The ephemeris does not cover mid-exposure.
    DesignationError
        The ephemeris does not know the body.

    Examples
    --------
    >>> from astropy.table import Table
    >>> from astropy.time import Time
    >>> from astropy.wcs import WCS
    >>> from appulse.bodies.tabulated import TabulatedEphemeris
    >>> from appulse.frames.exposure import Exposure
    >>> from appulse.frames.frame import SolvedFrame
    >>> from appulse.observers.site import Site
    >>> wcs = WCS(naxis=2)
    >>> wcs.wcs.ctype, wcs.wcs.cdelt = ["RA---TAN", "DEC--TAN"], [-0.001, 0.001]
    >>> wcs.wcs.crval, wcs.wcs.crpix = [246.352, -24.468], [200.5, 200.5]
    >>> exposure = Exposure.from_mid(Time("2027-05-04T22:36:00"), 120.0)
    >>> frame = SolvedFrame.from_arrays(np.zeros((400, 400)), wcs, exposure, Site.geocentre())
    >>> rows = {"designation": ["7"] * 3, "ra": [246.5, 246.4, 246.3], "dec": [-24.41, -24.42, -24.43],
    ...         "time": ["2027-05-04T12:00", "2027-05-05T00:00", "2027-05-05T12:00"]}
    >>> track = track_in_frame(frame, TabulatedEphemeris.from_table(Table(rows)), "7")
    >>> round(track.mid.x, 1), round(track.rate, 1), [tick.label for tick in track.ticks]
    (145.2, 27.5, ['18:00', '2027-05-05', '06:00'])
    """
    require_time_and_site(frame)
    if tick_step is not None and not (np.isfinite(tick_step) and tick_step > 0):
        raise TimeError(f"a step of {tick_step} s between ticks: a finite number above zero is needed")
    path = _Path(frame, ephemeris, designation)
    here = path.rows([0.0], uncertainty=True)[:1]
    low_h, high_h = _span(path, here, begin, end)
    if padding_px is None:
        padding_px = PADDING * max(frame.shape)
    hours, notes = _vertices(path, low_h, high_h, padding_px, here)
    if hours is None:
        return None
    return _assemble(path, here, hours, (low_h, high_h), name, tick_step, notes)


def tracks_in_frame(frame, ephemeris, designations=None, **options):
    """Tracks of every body that comes onto a frame.

    Parameters
    ----------
    frame, ephemeris
        As for :func:`track_in_frame`.
    designations : sequence of str, optional
        All bodies of the ephemeris by default.
    **options
        As for :func:`track_in_frame`.

    Returns
    -------
    list of Track

    Raises
    ------
    AppulseError
        As :func:`track_in_frame`.
    """
    require_time_and_site(frame)
    rows = ephemeris.at(frame.exposure.mid, frame.observer, bodies=designations, uncertainty=False)
    rate = np.nan_to_num(plain_column(rows, "rate"), nan=0.0)
    # a generous circle: bodies that turn out to stay away cost one prediction
    reach = frame.radius_deg * (1 + 2 * PADDING) + 1.5 * rate * SPAN_H / 3600.0
    near = separation_deg(rows, frame.centre) <= reach
    if options.get("begin") is not None or options.get("end") is not None:
        near[:] = True
    found = [track_in_frame(frame, ephemeris, str(d), **options) for d in rows["designation"][near]]
    return [track for track in found if track is not None]


def separation_deg(rows, centre):
    """Angles of ephemeris rows from a place, degrees."""
    places = unit_from_radec(plain_column(rows, "ra"), plain_column(rows, "dec"))
    return np.degrees(separation_rad(places, unit_from_radec(*centre)))


def require_time_and_site(frame):
    """Refuse a frame for which bodies cannot be predicted.

    Raises
    ------
    FrameTimeError, FrameSiteError
        It has no time, or no observer.
    """
    if frame.exposure is None:
        raise FrameTimeError(f"{frame.name} has no time: a body's place needs one; give it with --time")
    if frame.observer is None:
        raise FrameSiteError(f"{frame.name} has no site: a body's place needs one; give it with --site")


def _span(path, here, begin, end):
    """Hours before and after mid-exposure to look at."""
    exposure = path.frame.exposure
    rate = np.nan_to_num(plain_column(here, "rate")[0])
    # A body that crosses in minutes is looked for over several crossings, not over hours.
    away = separation_deg(here, path.frame.centre)[0] + 3 * path.frame.radius_deg
    default_h = min(SPAN_H, max(3.0 * away * 3600.0 / max(rate, 1e-3), exposure.span_s / 3600.0))
    low_h = -default_h if begin is None else (begin - path.mid).sec / 3600.0
    high_h = default_h if end is None else (end - path.mid).sec / 3600.0
    if not low_h < high_h:
        raise TimeError(f"track from {begin} to {end}: the first time must come before the last")
    if begin is None and end is None:
        return reachable_hours(path.directions, low_h, high_h)
    return low_h, high_h


def _rectangle(frame, padding_px):
    ny, nx = frame.shape
    return (-0.5 - padding_px, -0.5 - padding_px, nx - 0.5 + padding_px, ny - 0.5 + padding_px)


def _vertices(path, low_h, high_h, padding_px, here):
    """Hours of the line's vertices; None when the body stays away."""
    if high_h - low_h < 1e-3:
        if path.frame.contains(plain_column(here, "ra"), plain_column(here, "dec"))[0]:
            return np.array([0.0]), ("the ephemeris holds for mid-exposure only: no track",)
        return None, ()
    rate = np.nan_to_num(plain_column(here, "rate")[0])
    step_h = min(COARSE_H, 0.4 * path.frame.radius_deg * 3600.0 / max(rate, 1e-3))
    count = int(np.clip(np.ceil((high_h - low_h) / step_h), 4, 5000))
    coarse = np.linspace(low_h, high_h, count + 1)
    hours, pixels = refine(path.pixels, coarse, _rectangle(path.frame, padding_px))
    if not passages(hours, pixels, _rectangle(path.frame, 0.0)):
        return None, ()
    stretches = passages(hours, pixels, _rectangle(path.frame, padding_px))
    # zero hours is mid-exposure: the crossing that holds it, else the nearest
    first, last = min(stretches, key=lambda s: max(s[0], -s[1], 0.0))
    notes = (
        ()
        if len(stretches) == 1
        else ("it crosses the frame more than once: the crossing nearest in time is drawn",)
    )
    inner = hours[(hours > first) & (hours < last)]
    return np.concatenate([[first], inner, [last]]), notes


def _assemble(path, here, hours, span, name, tick_step, notes):
    frame = path.frame
    rows = path.rows(hours)
    ra, dec = plain_column(rows, "ra"), plain_column(rows, "dec")
    pixels = np.stack(frame.to_pixel(ra, dec), axis=1)
    enters, leaves = _crossings(path, hours, pixels, span)
    parts = _trail(path, hours)
    trail = None if not parts else (*parts[0][0].tolist(), *parts[-1][-1].tolist())
    value = {n: plain_column(here, n)[0] for n in ("rate", "motion_pa", "mag")}
    known = {n: float(v) if np.isfinite(v) else None for n, v in value.items()}
    designation = str(here["designation"][0])
    return Track(
        designation=designation, name=name or body_label(designation), table=rows, times=path.times(hours),
        ra=ra, dec=dec, x=pixels[:, 0], y=pixels[:, 1], ticks=_ticks(path, hours, pixels, tick_step),
        mid=mid_place(frame, here), trail=trail, trail_parts=parts, enters=enters, leaves=leaves,
        rate=known["rate"], pa=known["motion_pa"], mag=known["mag"], notes=notes,
    )  # fmt: skip


def _crossings(path, hours, pixels, span):
    if len(hours) < 2:
        return None, None
    inside = passages(hours, pixels, _rectangle(path.frame, 0.0))
    if not inside:
        return None, None
    first, last = min(inside, key=lambda s: max(s[0], -s[1], 0.0))
    # a track that ends with the span looked at has not left the frame
    slack = 1e-9
    return (
        path.times(first) if first > span[0] + slack else None,
        path.times(last) if last < span[1] - slack else None,
    )


def _trail(path, hours):
    """Lines of the path while the shutter was open; none where the ephemeris does not reach so far."""
    if len(hours) < 2:
        return ()
    opened, closed = path.frame.exposure.bounds_s(path.mid)[..., None] / 3600.0
    moments = opened + (closed - opened) * np.linspace(0.0, 1.0, TRAIL_STEPS + 1)
    try:
        pixels = path.pixels(moments.ravel()).reshape(*moments.shape, 2)
    except EphemerisSpanError:
        return ()
    return tuple(part for part in pixels if np.isfinite(part).all())


def _ticks(path, hours, pixels, tick_step):
    if len(hours) < 2:
        return []
    span_h = hours[-1] - hours[0]
    length = float(np.hypot(*np.diff(pixels, axis=0).T).sum())
    apart = max(SPACING_PX, SPACING_OF_DIAGONAL * float(np.hypot(*path.frame.shape)))
    step_s = tick_step or choose_step_s(length / span_h, apart, span_h)
    at = tick_hours(path.mid, hours[0], hours[-1], step_s)
    at = at[(at >= hours[0]) & (at <= hours[-1])]
    if len(at) == 0:
        return []
    # the direction at a tick from a moment before and after it
    half = np.minimum(span_h * 1e-3, 0.01)
    before, after = np.maximum(at - half, hours[0]), np.minimum(at + half, hours[-1])
    places = path.pixels(np.concatenate([at, before, after])).reshape(3, -1, 2)
    return make_ticks(path.mid, at, places[0], places[2] - places[1], step_s)

"""When the light of a frame was collected: one exposure, or many that the telescope stacked by itself.

::

    start                       mid                            end
      |  ####  ####  ####   cloud   ####  ####  ####  ####      |
      |<------------------------ span_s ---------------------->|      seconds = the ####'s together

The effective mid-time is the mean of all moments at which the shutter was open. With a gap off the middle it
is not the middle of the span; a measured place belongs to it as long as the motion is straight. From a header
it follows by arithmetic, and a contradiction is named, not resolved.
"""

from dataclasses import dataclass, replace

import numpy as np
from astropy.table import Table
from astropy.time import Time, TimeDelta

from appulse.errors import FrameTimeError
from appulse.frames.header import Cards
from appulse.frames.time_keywords import (
    AGREE_S,
    OVERHEAD_S,
    ROLES,
    ExposureTime,
    Moment,
    assign_roles,
    clash,
    collect_moments,
    read_exposure_time,
    same_length,
    settle_exposure_time,
    time_scale,
    tolerant_moments,
)
from appulse.observers import quiet_erfa

# Pauses up to this share of one exposure are a camera's own, and even.
READOUT_SHARE = 1 / 3

# A shutter that stays open for longer, s, is more likely a unit misread (common practice, no source).
LONGEST_S = 6 * 3600.0

# Slack in comparisons of start, middle and end, s: times in headers are commonly cut to a millisecond.
ROUNDING_S = 1e-3


@dataclass(frozen=True)
class Exposure:
    """The time of a frame.

    Parameters
    ----------
    start, end : astropy.time.Time
        Scalar, UTC: the shutter first opens and last closes.
    mid : astropy.time.Time
        Scalar, UTC: the effective (exposure-weighted) middle.
    seconds : float
        Time in which light was collected, s; 0 where only the middle is known.
    n_sub : int
        Number of exposures in the frame.
    intervals : tuple of (Time, Time), optional
        Start and end of each exposure where they are known; else taken as spread evenly over the span.
    derivation : str
        In words, how the times were found.
    clock_sigma_s : float, optional
        One-sigma error of the clock, s, where it was given.

    Raises
    ------
    FrameTimeError
        If start, middle and end are out of order, or more light was collected than the span allows.

    Examples
    --------
    >>> single = Exposure.from_start(Time("2027-05-04T22:00:00", scale="utc"), 120.0)
    >>> single.mid.isot, single.span_s, single.n_sub
    ('2027-05-04T22:01:00.000', 120.0, 1)
    """

    start: Time
    end: Time
    mid: Time
    seconds: float
    n_sub: int = 1
    intervals: tuple[tuple[Time, Time], ...] | None = None
    derivation: str = "given"
    clock_sigma_s: float | None = None

    def __post_init__(self):
        if not (np.isfinite(self.seconds) and self.seconds >= 0.0 and self.n_sub >= 1):
            raise FrameTimeError(
                f"exposure of {self.seconds} s in {self.n_sub} parts: seconds >= 0 and at least one part are "
                "allowed"
            )
        before, after = (self.mid - self.start).sec, (self.end - self.mid).sec
        if not (before >= -ROUNDING_S and after >= -ROUNDING_S):
            raise FrameTimeError(
                f"exposure out of order: start {self.start.isot}, middle {self.mid.isot}, end "
                f"{self.end.isot} (UTC)"
            )
        if self.seconds > self.span_s + ROUNDING_S * (1 + self.n_sub):
            raise FrameTimeError(
                f"{self.seconds:g} s of light cannot be collected in the {self.span_s:.3f} s from "
                f"{self.start.isot} to {self.end.isot} (UTC)"
            )

    @property
    def span_s(self) -> float:
        """From start to end, s."""
        return round(float((self.end - self.start).sec), 6)

    @property
    def middle_sigma_s(self) -> float:
        """How well the middle of the light is known within the frame, s.

        0 where the single exposures are listed, or the shutter closed only as long as a camera needs between
        two of them (up to a third of an exposure each: common practice, no source). Else the pauses may lie
        anywhere: n exposures scattered over what the light leaves of the span move the mean by a uniform
        scatter over root n, (span - light) / sqrt(12 n).

        Examples
        --------
        >>> at = lambda clock: Time(f"2027-05-04T22:{clock}")
        >>> stack = Exposure(at("00:00"), at("30:00"), at("15:00"), seconds=600.0, n_sub=5)
        >>> round(stack.middle_sigma_s)
        155
        """
        pause = self.span_s - self.seconds
        if self.intervals is not None or self.seconds <= 0.0 or pause <= 0.01 * self.span_s:
            return 0.0
        if self.n_sub > 1 and pause / (self.n_sub - 1) <= READOUT_SHARE * self.seconds / self.n_sub:
            return 0.0
        return float(pause / np.sqrt(12.0 * self.n_sub))

    @property
    def is_stack(self) -> bool:
        """Whether the telescope stacked several exposures into the frame."""
        return self.n_sub > 1

    @classmethod
    def from_start(cls, start: Time, seconds: float, **more) -> "Exposure":
        """One exposure that begins at `start` and lasts `seconds`."""
        return cls.from_mid(start + TimeDelta(_checked(seconds) / 2, format="sec"), seconds, **more)

    @classmethod
    def from_mid(cls, mid: Time, seconds: float, **more) -> "Exposure":
        """One exposure of `seconds` around `mid`."""
        half = TimeDelta(_checked(seconds) / 2, format="sec")
        mid = mid.utc
        return cls(start=mid - half, end=mid + half, mid=mid, seconds=float(seconds), **more)

    @classmethod
    def from_intervals(cls, intervals, **more) -> "Exposure":
        """Several exposures of known start and end.

        Parameters
        ----------
        intervals : sequence of (Time, Time)
            Start and end of each, in any order.
        **more
            `derivation`, `clock_sigma_s`.

        Raises
        ------
        FrameTimeError
            If there is none, one ends before it begins, or two overlap.

        Examples
        --------
        >>> at = lambda clock: Time(f"2027-05-04T22:{clock}")
        >>> stack = Exposure.from_intervals([(at("00:00"), at("01:00")), (at("09:00"), at("10:00"))])
        >>> stack.mid.isot, stack.seconds, stack.span_s
        ('2027-05-04T22:05:00.000', 120.0, 600.0)
        """
        ordered = sorted(((a.utc, b.utc) for a, b in intervals), key=lambda interval: interval[0].jd)
        if not ordered:
            raise FrameTimeError("the list of intervals is empty: at least one start and end are needed")
        first = ordered[0][0]
        starts, ends = _seconds_after(first, ordered)
        lengths = ends - starts
        if not np.all(lengths > 0.0):
            bad = ordered[int(np.argmin(lengths))]
            raise FrameTimeError(f"an exposure ends ({bad[1].isot}) before it begins ({bad[0].isot})")
        if np.any(starts[1:] < ends[:-1] - ROUNDING_S):
            bad = int(np.argmin(starts[1:] - ends[:-1]))
            raise FrameTimeError(f"exposures overlap: one ends at {ordered[bad][1].isot}, the next begins at "
                                 f"{ordered[bad + 1][0].isot}")  # fmt: skip
        # Each exposure counts with its length: a long one pulls the middle towards itself.
        mid_s = float(np.sum(lengths * (starts + ends)) / (2.0 * np.sum(lengths)))
        return cls(
            start=first, end=ordered[-1][1], mid=first + TimeDelta(mid_s, format="sec"),
            seconds=round(float(np.sum(lengths)), 6), n_sub=len(ordered), intervals=tuple(ordered), **more,
        )  # fmt: skip

    def bounds_s(self, since: Time) -> np.ndarray:
        """Starts and ends, (2, n), of the exposures known one by one, or of the whole, s after a moment."""
        return _seconds_after(since, self.intervals or ((self.start, self.end),))

    def moments(self, n: int) -> Time:
        """Moments spread over the time in which light was collected, each worth the same light.

        Parameters
        ----------
        n : int
            How many, at least one.

        Returns
        -------
        astropy.time.Time
            UTC, shape (n,), increasing; the trail of a body is drawn or fitted through them.

        Examples
        --------
        >>> at = lambda clock: Time(f"2027-05-04T22:{clock}")
        >>> stack = Exposure.from_intervals([(at("00:00"), at("01:00")), (at("09:00"), at("10:00"))])
        >>> stack.moments(2).isot.tolist()
        ['2027-05-04T22:00:30.000', '2027-05-04T22:09:30.000']
        """
        share = (np.arange(n) + 0.5) / n
        if self.intervals is None:
            after_s = share * self.span_s
        else:
            starts, ends = self.bounds_s(self.start)
            lengths = ends - starts
            # Light collected by the start of each exposure; equal shares of it are inverted to moments.
            done = np.concatenate([[0.0], np.cumsum(lengths)])
            at = share * done[-1]
            which = np.clip(np.searchsorted(done, at, side="right") - 1, 0, len(starts) - 1)
            after_s = starts[which] + at - done[which]
        return self.start + TimeDelta(after_s, format="sec")

    def shifted(self, seconds: float) -> "Exposure":
        """The same exposure with all its times later by `seconds` (a known clock error taken off).

        Examples
        --------
        >>> Exposure.from_mid(Time("2027-05-04T22:00:00"), 10.0).shifted(95.0).mid.isot
        '2027-05-04T22:01:35.000'
        """
        step = TimeDelta(seconds, format="sec")
        moved = None if self.intervals is None else tuple((a + step, b + step) for a, b in self.intervals)
        times = {name: getattr(self, name) + step for name in ("start", "end", "mid")}
        return replace(
            self, **times, intervals=moved, derivation=f"{self.derivation}; shifted by {seconds:+g} s"
        )


def _seconds_after(since: Time, intervals) -> np.ndarray:
    """Starts and ends, (2, n), of intervals of UTC in seconds after a moment."""
    # All at once: a difference of two times takes a third of a millisecond, and a stack has hundreds.
    ends = [[interval[k].utc for interval in intervals] for k in (0, 1)]
    days = [[[getattr(time, part) for time in times] for times in ends] for part in ("jd1", "jd2")]
    return (Time(*days, format="jd", scale="utc") - since).sec


def _checked(seconds: float) -> float:
    if not (np.isfinite(seconds) and seconds >= 0.0):
        raise FrameTimeError(f"exposure time {seconds} s: a number >= 0 is allowed")
    return float(seconds)


def read_exposure(
    cards: Cards,
    *,
    time=None,
    time_is: str | None = None,
    exposure_s: float | None = None,
    clock_sigma_s: float | None = None,
    intervals: Table | None = None,
) -> tuple[Exposure, tuple[str, ...]]:
    """When the light of a frame was collected."""
    if time_is is not None and time_is not in ROLES:
        raise FrameTimeError(f"{cards.name}: time-is {time_is!r}: start, mid or end is allowed")
    if clock_sigma_s is not None and not 0.0 <= float(clock_sigma_s) < 1e6:
        raise FrameTimeError(
            f"{cards.name}: clock sigma {clock_sigma_s} s: a number of at least 0 is allowed"
        )
    with quiet_erfa():
        length, notes = read_exposure_time(cards, exposure_s)
        if intervals is not None and time is None:
            exposure, more = _from_table(cards, intervals)
        else:
            moments, moment_notes = collect_moments(cards, time, time_is)
            places, role_notes = assign_roles(cards.name, moments, length, time_is)
            exposure, more = _solve(cards.name, places, length)
            more = *moment_notes, *role_notes, *more
    clock_sigma_s = None if clock_sigma_s is None else float(clock_sigma_s)
    return replace(exposure, clock_sigma_s=clock_sigma_s), (*notes, *more)


def _solve(name: str, places: dict[str, Moment], length: ExposureTime) -> tuple[Exposure, list[str]]:
    start, mid, end = (places.get(role) for role in ROLES)
    if start and end and (end.time - start.time).sec < -AGREE_S:
        raise clash(name, start, end)
    solve = _solve_stack if length.n_sub > 1 else _solve_single
    return solve(name, start, mid, end, length)


def _describe(*parts: Moment | None) -> str:
    return ", ".join(
        f"{moment.key} ({role}{', ' + moment.role_source if moment.role_source else ''})"
        for role, moment in zip(ROLES, parts, strict=True)
        if moment
    )


def _later(time: Time, seconds: float) -> Time:
    return time + TimeDelta(seconds, format="sec")


def _solve_single(name: str, start, mid, end, length: ExposureTime) -> tuple[Exposure, list[str]]:
    total_s, notes = length.total_s, []
    words = f"{_describe(start, mid, end)}; exposure {length.source}"
    if total_s is None:
        total_s, note = _length_of_span(name, start, mid, end)
        notes.append(note)
        words = f"{_describe(start, mid, end)}; exposure from the times themselves"
    if total_s > LONGEST_S:
        notes.append(
            f"one exposure of {total_s / 3600:.3g} hours: were it in milliseconds, it would be "
            f"{total_s / 1000:g} s; give --exposure SECONDS"
        )
    gaps = length.span_s is not None and length.span_s > total_s + OVERHEAD_S
    if gaps and start and not (end or mid):
        notes.append(f"TELAPSE {length.span_s:g} s is longer than the exposure: gaps taken as evenly spread")
        stop, middle = (_later(start.time, length.span_s * share) for share in (1.0, 0.5))
        words += f", TELAPSE {length.span_s:g} s"
        return Exposure(start.time, stop, middle, total_s, derivation=words), notes
    if start and mid and end and _leaves_gaps(start, mid, end, total_s):
        notes.append(
            f"{total_s:g} s of light between start and end {(end.time - start.time).sec:g} s apart, around "
            f"{mid.key}: taken as having gaps"
        )
        return Exposure(start.time, end.time, mid.time, total_s, derivation=words), notes
    # Each known point of the exposure gives a middle of its own; the first is taken, the others must agree.
    shifts_s = (total_s / 2, 0.0, -total_s / 2)
    guesses = [
        (moment, _later(moment.time, shift_s) if shift_s else moment.time)
        for moment, shift_s in zip((start, mid, end), shifts_s, strict=True)
        if moment
    ]
    first, middle = guesses[0]
    for other, time in guesses[1:]:
        off_s = abs((time - middle).sec)
        if off_s > OVERHEAD_S + first.resolution_s + other.resolution_s:
            raise FrameTimeError(
                f"{name}: {first} and {other} lie {(other.time - first.time).sec:.3f} s apart, which "
                f"contradicts the exposure of {total_s:g} s ({length.source or 'from the times'}): --time "
                f"{first.key} or --time {other.key} takes one of them, --exposure SECONDS corrects "
                "the exposure"
            )
        if off_s > 0.1:
            notes.append(
                f"{first.key}, {other.key} and the exposure of {total_s:g} s miss by {off_s:.2f} s in the "
                f"middle of the exposure: {first.key} taken"
            )
    return Exposure.from_mid(middle, total_s, derivation=words), notes


def _leaves_gaps(start: Moment, mid: Moment, end: Moment, total_s: float) -> bool:
    """Whether start, middle and end allow for light with gaps: the middle off by half of them at most."""
    span_s = (end.time - start.time).sec
    off_s = abs((mid.time - start.time).sec - span_s / 2)
    gaps_s = span_s - total_s
    return gaps_s > 2 * OVERHEAD_S and off_s <= gaps_s / 2


def _length_of_span(name: str, start, mid, end) -> tuple[float, str]:
    """Seconds of light where the header has none, from its times, and a note that says so."""
    if start and end:
        seconds = (end.time - start.time).sec
    elif start and mid:
        seconds = 2.0 * (mid.time - start.time).sec
    elif mid and end:
        seconds = 2.0 * (end.time - mid.time).sec
    elif mid:
        words = f"only the middle ({mid.key}) is used, no trail; --exposure gives it"
        return 0.0, f"exposure time unknown: {words}"
    else:
        raise FrameTimeError(
            f"{name}: {start or end} is the {'start' if start else 'end'} of an exposure whose length the "
            "header does not say (EXPTIME, EXPOSURE, XPOSURE): give --exposure SECONDS, or --time-is mid if "
            "it is the middle"
        )
    return max(0.0, seconds), f"exposure time not in the header: {seconds:g} s, from its times"


def _solve_stack(name: str, start, mid, end, length: ExposureTime) -> tuple[Exposure, list[str]]:
    span_s, notes = ((end.time - start.time).sec if start and end else length.span_s), []
    if span_s is None and mid and (start or end):
        span_s = 2.0 * abs((mid.time - (start or end).time).sec)
        notes.append("end of the stack from start and middle, as if its exposures were evenly spread")
    length, more = settle_exposure_time(name, length, span_s)
    notes += more
    if length.total_s is None and span_s is not None:
        notes.append("exposure time not in the header: the whole span taken as collecting light")
        length = replace(length, total_s=span_s, source="start to end")
    if span_s is None and mid and length.total_s is not None:
        notes.append("span of the stack unknown: taken without gaps around its middle")
        span_s = length.total_s
    _check_span(name, span_s, length)
    if start:
        first = start.time
    else:
        first = _later(end.time, -span_s) if end else _later(mid.time, -span_s / 2)
    last = _later(first, span_s)
    middle = mid.time if mid else _later(first, span_s / 2)
    _check_middle(name, first, middle, last, length, mid)
    if mid is None and not same_length(span_s, length.total_s):
        notes.append(
            f"gaps of {span_s - length.total_s:g} s in the stack taken as evenly spread: the header gives no "
            "middle weighted with the light (DATE-AVG)"
        )
    words = f"{_describe(start, mid, end)}; stack of {length.n_sub}, light {length.source}, span {span_s:g} s"
    total_s = min(length.total_s, span_s)
    return Exposure(first, last, middle, total_s, n_sub=length.n_sub, derivation=words), notes


def _check_span(name: str, span_s: float | None, length: ExposureTime) -> None:
    if span_s is None:
        raise FrameTimeError(
            f"{name}: a stack of {length.n_sub} exposures of which the header gives only one end: add "
            "DATE-BEG and DATE-END (or TELAPSE), or give its effective middle with --time UTC --time-is mid"
        )
    if length.total_s > span_s and not same_length(length.total_s, span_s):
        raise FrameTimeError(
            f"{name}: {length.total_s:g} s of light ({length.source}) do not fit in the {span_s:g} s from "
            "start to end: give --exposure SECONDS, or the time with --time"
        )


def _check_middle(name: str, first: Time, middle: Time, last: Time, length: ExposureTime, mid) -> None:
    """The light's middle can lie off the span's by half of the gaps, no more."""
    #   |####....|  all light at one end of the span: its middle lies (span - light) / 2 off the span's
    span_s = (last - first).sec
    off_s = abs((middle - first).sec - span_s / 2)
    if off_s > (span_s - length.total_s) / 2 + OVERHEAD_S + (mid.resolution_s if mid else 0.0):
        raise FrameTimeError(
            f"{name}: {mid} lies {off_s:.3f} s off the middle of the stack, more than its gaps allow: --time "
            f"{mid.key} takes it as the middle, --exposure SECONDS corrects the light collected"
        )


def _from_table(cards: Cards, table: Table) -> tuple[Exposure, tuple[str, ...]]:
    """A stack whose every exposure stands in a table of the file."""
    scale, offset_s, _ = time_scale(cards)
    columns = []
    for column in ("START", "END"):
        values = table[column]
        if values.dtype.kind in "SU":
            times = Time([str(v).strip().removesuffix("Z") for v in values], format="isot", scale=scale)
        else:
            times = Time(values.astype(float), format="mjd", scale=scale)
        columns.append(_later(times, offset_s).utc)
    words = f"table EXPOSURES of the file ({len(table)} exposures)"
    exposure = Exposure.from_intervals(zip(*columns, strict=True), derivation=words)
    for moment in tolerant_moments(cards):
        wanted = {"start": exposure.start, "mid": exposure.mid, "end": exposure.end}.get(moment.role)
        if wanted is not None and abs((moment.time - wanted).sec) > OVERHEAD_S + moment.resolution_s:
            raise FrameTimeError(
                f"{cards.name}: {moment} contradicts the table EXPOSURES, by which the {moment.role} is "
                f"{wanted.isot}: correct one of them, or give the time with --time"
            )
    return exposure, ("times of the single exposures read from the table EXPOSURES",)

"""When light was collected: one exposure, or many that the telescope stacked by itself.

::

    start                       mid                            end
      |  ####  ####  ####   cloud   ####  ####  ####  ####      |
      |<------------------------ span_s ---------------------->|      seconds = the ####'s together

The effective mid-time is the mean of all moments at which the shutter was open. With a gap off the middle it
is not the middle of the span; a measured place belongs to it as long as the motion is straight.
"""

from dataclasses import dataclass, replace

import numpy as np
from astropy.time import Time, TimeDelta

from appulse.errors import FrameTimeError

READOUT_SHARE = 1 / 3
"""Pauses up to this share of one exposure are a camera's own, and even."""

ROUNDING_S = 1e-3
"""Slack in comparisons of start, middle and end, s: times in headers are commonly cut to a millisecond."""


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
    >>> one = Exposure.from_start(Time("2027-05-04T22:00:00", scale="utc"), 120.0)
    >>> one.mid.isot, one.span_s, one.n_sub
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
        """One exposure that begins at `start` and lasts `seconds`.

        Examples
        --------
        >>> Exposure.from_start(Time("2027-05-04T22:00:00"), 10.0).end.isot
        '2027-05-04T22:00:10.000'
        """
        return cls.from_mid(start + TimeDelta(_checked(seconds) / 2, format="sec"), seconds, **more)

    @classmethod
    def from_mid(cls, mid: Time, seconds: float, **more) -> "Exposure":
        """One exposure of `seconds` around `mid`.

        Examples
        --------
        >>> Exposure.from_mid(Time("2027-05-04T22:00:00"), 10.0).start.isot
        '2027-05-04T21:59:55.000'
        """
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
        ordered = sorted(((a.utc, b.utc) for a, b in intervals), key=lambda one: one[0].jd)
        if not ordered:
            raise FrameTimeError("the list of intervals is empty: at least one start and end are needed")
        first = ordered[0][0]
        starts = np.array([(a - first).sec for a, _ in ordered])
        ends = np.array([(b - first).sec for _, b in ordered])
        lengths = ends - starts
        if not np.all(lengths > 0.0):
            bad = ordered[int(np.argmin(lengths))]
            raise FrameTimeError(f"an exposure ends ({bad[1].isot}) before it begins ({bad[0].isot})")
        if np.any(starts[1:] < ends[:-1] - ROUNDING_S):
            bad = int(np.argmin(starts[1:] - ends[:-1]))
            raise FrameTimeError(f"exposures overlap: one ends at {ordered[bad][1].isot}, the next begins at "
                                 f"{ordered[bad + 1][0].isot}")  # fmt: skip
        mid_s = float(np.sum(lengths * (starts + ends)) / (2.0 * np.sum(lengths)))
        return cls(
            start=first,
            end=ordered[-1][1],
            mid=first + TimeDelta(mid_s, format="sec"),
            seconds=round(float(np.sum(lengths)), 6),
            n_sub=len(ordered),
            intervals=tuple(ordered),
            **more,
        )

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
            starts = np.array([(a - self.start).sec for a, _ in self.intervals])
            lengths = np.array([(b - a).sec for a, b in self.intervals])
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


def _checked(seconds: float) -> float:
    if not (np.isfinite(seconds) and seconds >= 0.0):
        raise FrameTimeError(f"exposure time {seconds} s: a number >= 0 is allowed")
    return float(seconds)

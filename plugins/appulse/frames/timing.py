"""From what a header says about time to one exposure, or to a sentence that names the contradiction.

::

    start ----- light ----- mid ----- light ----- end    one exposure: mid = start + light / 2
    start - light - gap - light - ... - mid - ... - end  stack: mid off by (span - light) / 2 at most
"""

from dataclasses import replace

from astropy.table import Table
from astropy.time import Time, TimeDelta

from appulse.errors import FrameTimeError
from appulse.frames.exposure import Exposure
from appulse.frames.header import Cards
from appulse.frames.light import Light, read_light, same, settle
from appulse.frames.moments import Moment, time_scale
from appulse.frames.roles import (
    AGREE_S,
    OVERHEAD_S,
    ROLES,
    assign_roles,
    clash,
    collect_moments,
    tolerant_moments,
)
from appulse.observers.timescales import quiet_erfa


def read_exposure(
    cards: Cards,
    *,
    time=None,
    time_is: str | None = None,
    exposure_s: float | None = None,
    clock_sigma_s: float | None = None,
    intervals: Table | None = None,
) -> tuple[Exposure, list[str]]:
    """When the light of a frame was collected.

    Parameters
    ----------
    cards : Cards
    time : str or Time, optional
        UTC, or the name of the header's keyword that is to be believed; wins over everything else.
    time_is : {'start', 'mid', 'end'}, optional
        What `time`, or the header's only time, is.
    exposure_s : float, optional
        Light-collecting time, s.
    clock_sigma_s : float, optional
        One-sigma error of the clock, s.
    intervals : Table, optional
        Start and end of each exposure of a stack.

    Returns
    -------
    exposure : Exposure
    notes : list of str

    Raises
    ------
    FrameTimeError
        If the time is missing, ambiguous or contradictory; the message names the option that helps.

    Examples
    --------
    >>> from astropy.io import fits
    >>> header = fits.Header([("DATE-OBS", "2027-05-04T22:00:00"), ("EXPTIME", 60.0)])
    >>> exposure, notes = read_exposure(Cards(header, "m1.fits"))
    >>> exposure.mid.isot
    '2027-05-04T22:00:30.000'
    >>> notes[0]
    'DATE-OBS taken as the start of the exposure (FITS standard; the header does not say); were it the middle,
    mid-exposure would be 30 s earlier: --time-is start|mid|end'
    """
    if time_is is not None and time_is not in ROLES:
        raise FrameTimeError(f"{cards.name}: time-is {time_is!r}: start, mid or end is allowed")
    if clock_sigma_s is not None and not 0.0 <= float(clock_sigma_s) < 1e6:
        raise FrameTimeError(
            f"{cards.name}: clock sigma {clock_sigma_s} s: a number of at least 0 is allowed"
        )
    notes: list[str] = []
    with quiet_erfa():
        light = read_light(cards, exposure_s, notes)
        if intervals is not None and time is None:
            exposure = _from_table(cards, intervals, notes)
        else:
            moments = collect_moments(cards, time, time_is, notes)
            places = assign_roles(cards.name, moments, light, time_is, notes)
            exposure = _solve(cards.name, places, light, notes)
    return replace(exposure, clock_sigma_s=None if clock_sigma_s is None else float(clock_sigma_s)), notes


def _solve(name: str, places: dict[str, Moment], light: Light, notes) -> Exposure:
    start, mid, end = (places.get(role) for role in ROLES)
    if start and end and (end.time - start.time).sec < -AGREE_S:
        raise clash(name, start, end)
    if light.n_sub > 1:
        return _solve_stack(name, start, mid, end, light, notes)
    return _solve_single(name, start, mid, end, light, notes)


def _describe(*parts: Moment | None) -> str:
    return ", ".join(f"{one.key} ({role}{', ' + one.said if one.said else ''})"
                     for role, one in zip(ROLES, parts, strict=True) if one)  # fmt: skip


def _later(time: Time, seconds: float) -> Time:
    return time + TimeDelta(seconds, format="sec")


def _solve_single(name: str, start, mid, end, light: Light, notes) -> Exposure:
    total_s = light.total_s
    words = _describe(start, mid, end)
    if total_s is None:
        total_s = _length_of_span(name, start, mid, end, notes)
        derivation = f"{words}; exposure from the times themselves"
    else:
        derivation = f"{words}; exposure {light.words}"
    if light.span_s is not None and light.span_s > total_s + OVERHEAD_S and start and not (end or mid):
        stop = _later(start.time, light.span_s)
        notes.append(f"TELAPSE {light.span_s:g} s is longer than the exposure: gaps taken as evenly spread")
        middle = _later(start.time, light.span_s / 2)
        return Exposure(
            start.time, stop, middle, total_s, derivation=f"{derivation}, TELAPSE {light.span_s:g} s"
        )
    if start and mid and end and _leaves_gaps(start, mid, end, total_s):
        notes.append(
            f"{total_s:g} s of light between start and end {(end.time - start.time).sec:g} s apart, around "
            f"{mid.key}: taken as having gaps"
        )
        return Exposure(start.time, end.time, mid.time, total_s, derivation=derivation)
    from_start = start and _later(start.time, total_s / 2)
    guesses = [(start, from_start), (mid, mid and mid.time), (end, end and _later(end.time, -total_s / 2))]
    guesses = [(moment, time) for moment, time in guesses if moment]
    first, middle = guesses[0]
    for other, time in guesses[1:]:
        off_s = abs((time - middle).sec)
        if off_s > OVERHEAD_S + first.resolution_s + other.resolution_s:
            raise _does_not_add_up(name, first, other, total_s, light)
        if off_s > 0.1:
            notes.append(
                f"{first.key}, {other.key} and the exposure of {total_s:g} s miss by {off_s:.2f} s in the "
                f"middle of the exposure: {first.key} taken"
            )
    return replace(Exposure.from_mid(middle, total_s), derivation=derivation)


def _leaves_gaps(start: Moment, mid: Moment, end: Moment, total_s: float) -> bool:
    """Whether start, middle and end allow for light with gaps: the middle off by half of them at most."""
    span_s = (end.time - start.time).sec
    off_s = abs((mid.time - start.time).sec - span_s / 2)
    gaps_s = span_s - total_s
    return gaps_s > 2 * OVERHEAD_S and off_s <= gaps_s / 2


def _does_not_add_up(name: str, first: Moment, other: Moment, total_s: float, light: Light) -> FrameTimeError:
    apart = (other.time - first.time).sec
    return FrameTimeError(
        f"{name}: {first} and {other} lie {apart:.3f} s apart, which contradicts the exposure of {total_s:g} "
        f"s ({light.words or 'from the times'}): --time {first.key} or --time {other.key} takes one of them, "
        "--exposure SECONDS corrects the exposure"
    )


def _length_of_span(name: str, start, mid, end, notes) -> float:
    if start and end:
        length_s = (end.time - start.time).sec
    elif start and mid:
        length_s = 2.0 * (mid.time - start.time).sec
    elif mid and end:
        length_s = 2.0 * (end.time - mid.time).sec
    elif mid:
        notes.append(
            f"exposure time unknown: only the middle ({mid.key}) is used, no trail; --exposure gives it"
        )
        return 0.0
    else:
        one = start or end
        raise FrameTimeError(
            f"{name}: {one} is the {'start' if start else 'end'} of an exposure whose length the header does "
            "not say (EXPTIME, EXPOSURE, XPOSURE): give --exposure SECONDS, or --time-is mid if it is the "
            "middle"
        )
    notes.append(f"exposure time not in the header: {length_s:g} s, from its times")
    return max(0.0, length_s)


def _solve_stack(name: str, start, mid, end, light: Light, notes) -> Exposure:
    words = _describe(start, mid, end)
    span_s = (end.time - start.time).sec if start and end else light.span_s
    if span_s is None and mid and (start or end):
        span_s = 2.0 * abs((mid.time - (start or end).time).sec)
        notes.append("end of the stack from start and middle, as if its exposures were evenly spread")
    light = settle(name, light, span_s, notes)
    if light.total_s is None and span_s is not None:
        notes.append("exposure time not in the header: the whole span taken as collecting light")
        light = replace(light, total_s=span_s, words="start to end")
    span_s = _checked_span(name, span_s, mid, light, notes)
    if start:
        first = start.time
    elif end:
        first = _later(end.time, -span_s)
    else:
        first = _later(mid.time, -span_s / 2)
    last = _later(first, span_s)
    middle = mid.time if mid else _later(first, span_s / 2)
    _check_middle(name, first, middle, last, light, mid)
    if mid is None and not same(span_s, light.total_s):
        notes.append(
            f"gaps of {span_s - light.total_s:g} s in the stack taken as evenly spread: the header gives no "
            "middle weighted with the light (DATE-AVG)"
        )
    derivation = f"{words}; stack of {light.n_sub}, light {light.words}, span {span_s:g} s"
    total_s = min(light.total_s, span_s)
    return Exposure(first, last, middle, total_s, n_sub=light.n_sub, derivation=derivation)


def _checked_span(name: str, span_s, mid, light: Light, notes) -> float:
    if span_s is None and mid and light.total_s is not None:
        notes.append("span of the stack unknown: taken without gaps around its middle")
        return light.total_s
    if span_s is None:
        raise FrameTimeError(
            f"{name}: a stack of {light.n_sub} exposures of which the header gives only one end: add "
            "DATE-BEG and DATE-END (or TELAPSE), or give its effective middle with --time UTC --time-is mid"
        )
    if light.total_s > span_s and not same(light.total_s, span_s):
        raise FrameTimeError(
            f"{name}: {light.total_s:g} s of light ({light.words}) do not fit in the {span_s:g} s from start "
            "to end: give --exposure SECONDS, or the time with --time"
        )
    return span_s


def _check_middle(name: str, first: Time, middle: Time, last: Time, light: Light, mid) -> None:
    """The light's middle can lie off the span's by half of the gaps, no more."""
    span_s = (last - first).sec
    off_s = abs((middle - first).sec - span_s / 2)
    if off_s > (span_s - light.total_s) / 2 + OVERHEAD_S + (mid.resolution_s if mid else 0.0):
        raise FrameTimeError(
            f"{name}: {mid} lies {off_s:.3f} s off the middle of the stack, more than its gaps allow: --time "
            f"{mid.key} takes it as the middle, --exposure SECONDS corrects the light collected"
        )


def _from_table(cards: Cards, table: Table, notes: list[str]) -> Exposure:
    """A stack whose every exposure stands in a table of the file."""
    scale, offset_s = time_scale(cards, [])
    columns = []
    for wanted in ("START", "END"):
        values = table[wanted]
        if values.dtype.kind in "SU":
            times = Time([str(v).strip().removesuffix("Z") for v in values], format="isot", scale=scale)
        else:
            times = Time(values.astype(float), format="mjd", scale=scale)
        columns.append(_later(times, offset_s).utc)
    starts, ends = columns
    words = f"table EXPOSURES of the file ({len(starts)} exposures)"
    exposure = Exposure.from_intervals(zip(starts, ends, strict=True), derivation=words)
    for moment in tolerant_moments(cards):
        wanted = {"start": exposure.start, "mid": exposure.mid, "end": exposure.end}.get(moment.role)
        if wanted is not None and abs((moment.time - wanted).sec) > OVERHEAD_S + moment.resolution_s:
            raise FrameTimeError(
                f"{cards.name}: {moment} contradicts the table EXPOSURES, by which the {moment.role} is "
                f"{wanted.isot}: correct one of them, or give the time with --time"
            )
    notes.append("times of the single exposures read from the table EXPOSURES")
    return exposure

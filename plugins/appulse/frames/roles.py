"""Which point of the exposure each moment of a header is, and whether they can all be right."""

from dataclasses import replace

from astropy.time import Time

from appulse.errors import FrameTimeError, TimeError
from appulse.frames.header import Cards
from appulse.frames.light import Light
from appulse.frames.local_time import check_local_time
from appulse.frames.moments import Moment, header_moments, keyed_moment
from appulse.observers.timescales import parse_utc

AGREE_S = 0.5
"""Keywords that name one moment agree within this, s, and the last digits they write; a computer's clock is
read for each of them in turn."""
OVERHEAD_S = 1.5
"""By how much the middles from start, middle and end may differ before they contradict each other, s."""

ROLES = ("start", "mid", "end")


def collect_moments(cards: Cards, time, time_is: str | None, notes: list[str]) -> list[Moment]:
    """The moments to work with: the one given, the keyword picked, or all of the header.

    Parameters
    ----------
    cards : Cards
    time : Time, str or None
        UTC, or the name of a keyword.
    time_is : {'start', 'mid', 'end', None}
    notes : list of str

    Returns
    -------
    list of Moment
        At least one.

    Raises
    ------
    FrameTimeError
        If there is none, or one cannot be understood.

    Examples
    --------
    >>> from astropy.io import fits
    >>> cards = Cards(fits.Header(), "m1.fits")
    >>> str(collect_moments(cards, "2027-05-04 22:36:00", "mid", [])[0])
    'time given 2027-05-04T22:36:00.000 UTC'
    """
    if time is None:
        moments = header_moments(cards, notes)
        if not moments:
            raise FrameTimeError(
                f"{cards.name}: the header has no time (DATE-OBS, DATE-BEG, MJD-OBS ...): give the UTC of "
                "the exposure with --time, and --time-is start|mid|end"
            )
        check_local_time(cards, moments, notes)
        return moments
    if isinstance(time, Time):
        return [Moment("time given", time.utc, time_is, 0.001, "as given")]
    text = str(time).strip()
    if text and not text[0].isdigit():
        moment = keyed_moment(cards, text, notes)
        return [replace(moment, role=time_is or moment.role, said="as given" if time_is else moment.said)]
    try:
        utc = parse_utc(text)
    except TimeError as error:
        raise FrameTimeError(f"{cards.name}: --time: {error}") from error
    passed_over = ", ".join(one.key for one in tolerant_moments(cards))
    if passed_over:
        notes.append(f"time given; {passed_over} of the header passed over")
    return [Moment("time given", utc, time_is, 0.001, "as given")]


def tolerant_moments(cards: Cards) -> list[Moment]:
    """The header's times, none if one is bad: for a note beside what the user had to overrule.

    Examples
    --------
    >>> from astropy.io import fits
    >>> tolerant_moments(Cards(fits.Header([("DATE-OBS", "yesterday")]), "m1.fits"))
    []
    """
    try:
        return header_moments(cards, [])
    except FrameTimeError:
        return []


def _agree(a: Moment, b: Moment) -> bool:
    return abs((a.time - b.time).sec) <= AGREE_S + a.resolution_s + b.resolution_s


def clash(name: str, a: Moment, b: Moment) -> FrameTimeError:
    """The sentence about two moments that should be one.

    Examples
    --------
    >>> a = Moment("DATE-OBS", parse_utc("2027-05-04T20:00:00"), None, 1.0)
    >>> b = Moment("MJD-OBS", parse_utc("2027-05-04T22:00:00"), None, 1.0)
    >>> print(clash("m1.fits", a, b))
    m1.fits: DATE-OBS 2027-05-04T20:00:00.000 UTC and MJD-OBS 2027-05-04T22:00:00.000 UTC differ by 7200.000 s
    (a time zone's worth: one of them may be local time): ...
    """
    off = abs((a.time - b.time).sec)
    return FrameTimeError(
        f"{name}: {a} and {b} differ by {off:.3f} s{_hours_hint(off)}: --time {a.key} or --time {b.key} "
        "takes one of them, --time UTC gives another; --time-is start|mid|end says what it is"
    )


def _hours_hint(off_s: float) -> str:
    quarter = off_s / 900.0
    near = abs(quarter - round(quarter)) * 900.0 <= 2.0 and 1 <= round(quarter) <= 56
    return " (a time zone's worth: one of them may be local time)" if near else ""


def assign_roles(name: str, moments: list[Moment], light: Light, time_is, notes) -> dict[str, Moment]:
    """One moment for each point of the exposure that is known.

    Parameters
    ----------
    name : str
        Of the file.
    moments : list of Moment
    light : Light
    time_is : {'start', 'mid', 'end', None}
        What DATE-OBS and its kin are, by the user.
    notes : list of str

    Returns
    -------
    dict of str to Moment
        Keys 'start', 'mid', 'end', as far as known.

    Raises
    ------
    FrameTimeError
        If two moments contradict each other.

    Examples
    --------
    >>> one = Moment("DATE-OBS", parse_utc("2027-05-04T22:00:00"), None, 1.0)
    >>> assign_roles("m1.fits", [one], Light(60.0), "end", [])["end"].key
    'DATE-OBS'
    """
    places: dict[str, Moment] = {}
    open_ones = []
    for moment in moments:
        role = moment.role
        if role is None or (time_is is not None and moment.key.replace("_", "-").endswith("-OBS")):
            open_ones.append(moment)
        elif role not in places:
            places[role] = moment
        elif not _agree(places[role], moment):
            raise clash(name, places[role], moment)
    if not open_ones:
        return places
    if time_is is not None:
        places_given = {time_is: open_ones[0]}
        for other in [*open_ones[1:], *([places[time_is]] if time_is in places else [])]:
            if not _agree(open_ones[0], other):
                raise clash(name, open_ones[0], other)
        return places | places_given
    for moment in open_ones:
        _place_open(name, moment, places, light, notes)
    return places


def _place_open(name: str, moment: Moment, places: dict, light: Light, notes) -> None:
    """Find what a moment without a role is: by equality with known ones, else the start."""
    if any(_agree(moment, known) for known in places.values()):
        return
    if not places:
        length = light.total_s or light.span_s
        early = f"{length / 2:g} s earlier" if length else "earlier by half the exposure"
        notes.append(
            f"{moment.key} taken as the start of the exposure (FITS standard; the header does not say); were "
            f"it the middle, mid-exposure would be {early}: --time-is start|mid|end"
        )
        places["start"] = replace(moment, said="by the FITS standard")
        return
    if "start" not in places and all((known.time - moment.time).sec > 0.0 for known in places.values()):
        # Whether the exposure fills what lies between is for the arithmetic to say.
        places["start"] = replace(moment, said="by the FITS standard")
        return
    raise clash(name, moment, next(iter(places.values())))

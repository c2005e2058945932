"""Local time where UTC belongs: told by the header's other clocks.

FITS has no field for a time zone, so a camera whose computer runs on local time writes it as if it were UTC,
and every body is looked for hours off its place.
"""

import re

from appulse.constants import DAY_S
from appulse.errors import FrameTimeError
from appulse.frames.header import Card, Cards, parse_angle
from appulse.frames.moments import Moment

LOCAL_KEYS = ("DATE-LOC", "DATE_LOC", "DATELOC", "LOCALTIM", "LOCTIME", "TIME-LOC")
ZONE_KEYS = ("TIMEZONE", "TIME-ZON", "TZ", "UTCOFFS", "UTC-OFF", "UTOFFSET", "TZOFFSET")
UT_KEYS = ("UT", "UTC", "UT-OBS", "UTC-OBS", "TIME-OBS", "TIME_OBS")
SAME_S = 2.0
QUARTER_S = 900.0
"""Time zones differ by quarters of an hour."""
LONGITUDE_KEYS = ("OBSGEO-L", "SITELONG", "LONG-OBS", "OBS-LONG", "LONGITUD")
NEAR_GREENWICH_DEG = 25.0
"""Within this of Greenwich local time can be UTC in winter."""

_CLOCK = re.compile(r"(?:.*[T\s])?(\d{1,2}):(\d{2})(?::(\d{2}(?:\.\d*)?))?\s*Z?")


def clock_s(card: Card) -> float | None:
    """Time of day in a card, s; None if there is none.

    Examples
    --------
    >>> clock_s(Card("DATE-LOC", "2027-05-04T22:00:01.5", ""))
    79201.5
    """
    match = _CLOCK.fullmatch(str(card.value))
    return (
        None if match is None else float(match[1]) * 3600.0 + float(match[2]) * 60.0 + float(match[3] or 0.0)
    )


def check_local_time(cards: Cards, moments: list[Moment], notes: list[str]) -> None:
    """Hold DATE-OBS and its kin against the header's local and universal clocks.

    Parameters
    ----------
    cards : Cards
    moments : list of Moment
        As read from the header.
    notes : list of str
        Grows by what looks odd and may yet be right.

    Raises
    ------
    FrameTimeError
        If the header's own clocks show that local time stands in the field of UTC.

    Examples
    --------
    >>> from astropy.io import fits
    >>> from appulse.frames.moments import header_moments
    >>> header = fits.Header([("DATE-OBS", "2027-05-04T22:00:00"), ("UT", "20:00:00")])
    >>> cards = Cards(header, "m1.fits")
    >>> check_local_time(cards, header_moments(cards, []), [])
    Traceback (most recent call last):
    appulse.errors.FrameTimeError: m1.fits: DATE-OBS 2027-05-04T22:00:00 is 2 h off ...
    """
    for moment in moments:
        card = cards.find(moment.key)
        own_s = None if card is None or not moment.key.startswith("DATE") else clock_s(card)
        if own_s is None or moment.role in ("mid", "end"):
            continue
        _against_universal(cards, card, own_s)
        _against_local(cards, card, own_s, notes)


def _apart_s(a_s: float, b_s: float) -> float:
    return (a_s - b_s + DAY_S / 2) % DAY_S - DAY_S / 2


def _against_universal(cards: Cards, card: Card, own_s: float) -> None:
    for other in cards.all(*UT_KEYS):
        other_s = clock_s(other)
        if other_s is None or re.search(r"\blocal\b", other.comment, re.IGNORECASE):
            continue
        apart_s = _apart_s(own_s, other_s)
        quarters = round(apart_s / QUARTER_S)
        if quarters and abs(apart_s - quarters * QUARTER_S) <= SAME_S:
            raise FrameTimeError(
                f"{cards.name}: {card} is {quarters / 4:g} h off the header's {other}: a time zone's worth, "
                "one of them is local time; give the time in UTC with --time"
            )


def _against_local(cards: Cards, card: Card, own_s: float, notes: list[str]) -> None:
    local = next((one for one in cards.all(*LOCAL_KEYS) if clock_s(one) is not None), None)
    if local is None or abs(_apart_s(own_s, clock_s(local))) > SAME_S:
        return
    zone, longitude = (cards.find(*keys) for keys in (ZONE_KEYS, LONGITUDE_KEYS))
    hours = None if zone is None else parse_angle(zone.value)
    lon = None if longitude is None else parse_angle(longitude.value)
    if hours == 0.0:
        return
    if hours is not None or (
        lon is not None and NEAR_GREENWICH_DEG < lon % 360.0 < 360.0 - NEAR_GREENWICH_DEG
    ):
        why = str(zone if hours is not None else longitude)
        raise FrameTimeError(
            f"{cards.name}: {card} is the same as the local time ({local}), which with {why} cannot be UTC: "
            "give the time in UTC with --time"
        )
    notes.append(
        f"{card.key} is the same as the local time ({local.key}): right only if that is UTC; else --time UTC"
    )

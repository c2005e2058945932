"""Every moment that a header names: which keyword, which time scale, which point of the exposure.

The FITS standard 4.0 (section 9) gives DATE-BEG, DATE-AVG, DATE-END and their MJD- kin; DATE-OBS is the start
unless the header says otherwise. Headers say otherwise in comments, split date and time over two keywords,
write an underscore for the hyphen, append a Z, and put local time where UTC belongs.
"""

import re
from dataclasses import dataclass

from astropy.time import Time, TimeDelta

from appulse.constants import DAY_S, MJD_ZERO_JD
from appulse.errors import FrameTimeError, TimeError
from appulse.frames.header import Card, Cards
from appulse.observers.timescales import parse_utc, quiet_erfa, tt_jd

ROLE_KEYS = {
    "start": ("DATE-BEG", "DATE_BEG", "MJD-BEG", "MJD_BEG", "JD-BEG", "JD_BEG"),
    "mid": (
        "DATE-AVG",
        "DATE_AVG",
        "DATE-MID",
        "DATE_MID",
        "MJD-AVG",
        "MJD_AVG",
        "MJD-MID",
        "MJD_MID",
        "JD-MID",
    ),
    "end": ("DATE-END", "DATE_END", "MJD-END", "MJD_END", "JD-END", "JD_END"),
    None: ("DATE-OBS", "DATE_OBS", "MJD-OBS", "MJD_OBS", "JD-OBS", "JD_OBS", "JD"),
}
"""Keywords by the point of the exposure that they name; those under None leave it open."""

TIME_KEYS = (
    "TIME-OBS",
    "TIME_OBS",
    "UTC-OBS",
    "UT-OBS",
    "UTSTART",
    "UT-START",
    "UTCSTART",
    "UTC",
    "UT",
    "TIME",
)
"""Keywords with the time of day for a DATE-OBS that has only the date."""

SCALES = {
    "UTC": "utc", "UT": "utc", "GMT": "utc", "Z": "utc", "TAI": "tai", "IAT": "tai", "GPS": "tai", "TT": "tt",
    "TDT": "tt", "ET": "tt", "TDB": "tdb", "TCG": "tcg", "TCB": "tcb", "UT1": "ut1",
}  # fmt: skip
"""TIMESYS of the FITS standard 4.0 (table 30), as scales of astropy; GPS time is TAI - 19 s."""

GPS_MINUS_TAI_S = -19.0

_DATE = r"(?P<date>\d{4}-\d{1,2}-\d{1,2}|\d{4}/\d{1,2}/\d{1,2}|\d{4}-\d{3}|\d{1,2}/\d{1,2}/\d{2,4})"
_CLOCK = r"(?P<clock>\d{1,2}:\d{2}(?::\d{2}(?:\.(?P<digits>\d*))?)?)"
_MOMENT = re.compile(
    rf"{_DATE}(?:[T\s]+{_CLOCK})?\s*(?P<zone>Z|UTC?|[+-]\d{{1,2}}(?::?\d{{2}})?)?", re.IGNORECASE
)
_ROLE_WORDS = {
    "mid": re.compile(
        r"\b(mid|middle|mid-?\s?(point|time|exposure)|mean|average|cent(re|er))\b", re.IGNORECASE
    ),
    "start": re.compile(r"\b(start|starts|started|begin|begins|beginning|opens?|opened)\b", re.IGNORECASE),
    "end": re.compile(r"\b(end|ends|ended|stop|finish|closed?)\b", re.IGNORECASE),
}
_LOCAL = re.compile(r"\blocal\b(?!\s*sidereal)", re.IGNORECASE)


@dataclass(frozen=True)
class Moment:
    """A moment that a header names.

    Parameters
    ----------
    key : str
        Keyword, or ``given``.
    time : astropy.time.Time
        UTC.
    role : {'start', 'mid', 'end', None}
        The point of the exposure, None where the header leaves it open.
    resolution_s : float
        Worth of the last digit written, s.
    said : str
        How the role is known, in words; empty where it is not.
    """

    key: str
    time: Time
    role: str | None
    resolution_s: float
    said: str = ""

    def __str__(self) -> str:
        with quiet_erfa():
            return f"{self.key} {self.time.isot} UTC"


def header_moments(cards: Cards, notes: list[str], only: str | None = None) -> list[Moment]:
    """All moments in a header that belong to the exposure.

    Parameters
    ----------
    cards : Cards
    notes : list of str
        Grows by what had to be understood.
    only : str, optional
        The one keyword to look at.

    Returns
    -------
    list of Moment
        Those of the FITS standard's start, middle and end first.

    Raises
    ------
    FrameTimeError
        If one cannot be understood, is local time, or contradicts its own second half.

    Examples
    --------
    >>> from astropy.io import fits
    >>> header = fits.Header([("DATE_OBS", "2010-02-11T03:46:38.900", "Observation midpoint UTC")])
    >>> [(str(one), one.role) for one in header_moments(Cards(header, "m1.fits"), [])]
    [('DATE_OBS 2010-02-11T03:46:38.900 UTC', 'mid')]
    """
    scale, offset_s = time_scale(cards, notes)
    moments = []
    for role, keys in ROLE_KEYS.items():
        for card in cards.all(*(key for key in keys if only in (None, key))):
            if re.search("helio|bary", card.comment, re.IGNORECASE):
                continue
            if _LOCAL.search(card.comment):
                raise FrameTimeError(
                    f"{cards.name}: {card.key} {card.value} is local time by its comment ({card.comment!r}): "
                    "give the time in UTC with --time"
                )
            if _is_bare_date(cards, card):
                notes.append(f"{card.key} has no time of day: passed over")
                continue
            time, resolution_s = _card_time(cards, card, scale, notes)
            time = time + TimeDelta(offset_s, format="sec") if offset_s else time
            found, said = (role, "by the keyword") if role else _role_by_comment(card)
            moments.append(Moment(card.key, _as_utc(cards, card, time), found, resolution_s, said))
    return moments


def keyed_moment(cards: Cards, key: str, notes: list[str]) -> Moment:
    """The one keyword that the user picked out of several that disagree.

    Raises
    ------
    FrameTimeError
        If the header does not have it.
    """
    for moment in header_moments(cards, notes, only=key.upper()):
        return moment
    have = ", ".join(card.key for keys in ROLE_KEYS.values() for card in cards.all(*keys)) or "none"
    raise FrameTimeError(f"{cards.name}: --time {key}: the header has no such time keyword (it has: {have})")


def time_scale(cards: Cards, notes: list[str]) -> tuple[str, float]:
    """Scale of the header's times and what to add to bring GPS time to TAI, s.

    Raises
    ------
    FrameTimeError
        If TIMESYS is LOCAL or unknown.

    Examples
    --------
    >>> from astropy.io import fits
    >>> time_scale(Cards(fits.Header([("TIMESYS", "TDT")]), "m1.fits"), [])
    ('tt', 0.0)
    """
    card = cards.find("TIMESYS", "TIMSYS")
    if card is None:
        return "utc", 0.0
    name = re.sub(r"\(.*\)", "", str(card.value)).strip().upper()
    if name not in SCALES:
        local = "local time is not tied to UTC: " if name.startswith("LOC") else ""
        raise FrameTimeError(
            f"{cards.name}: {card.key} = {card.value!r}: {local}allowed are {', '.join(SCALES)}; give the "
            "time in UTC with --time"
        )
    if SCALES[name] != "utc":
        notes.append(f"times in the header are {name}; turned to UTC")
    return SCALES[name], -GPS_MINUS_TAI_S if name == "GPS" else 0.0


def _is_bare_date(cards: Cards, card: Card) -> bool:
    """Whether a card has only the date, nothing completes it, and an MJD or JD can stand in for it."""
    match = None if card.key.startswith(("MJD", "JD")) else _MOMENT.fullmatch(str(card.value))
    if match is None or match["clock"] is not None or _clock_card(cards, card) is not None:
        return False
    return cards.find("MJD-OBS", "MJD_OBS", "JD-OBS", "JD_OBS") is not None


def _role_by_comment(card: Card) -> tuple[str | None, str]:
    roles = [role for role, words in _ROLE_WORDS.items() if words.search(card.comment)]
    return (roles[0], f"by its comment {card.comment.strip()!r}") if len(roles) == 1 else (None, "")


def _card_time(cards: Cards, card: Card, scale: str, notes: list[str]) -> tuple[Time, float]:
    if card.key.startswith(("MJD", "JD")):
        return _day_count(cards, card, scale, notes)
    return _calendar_time(cards, card, scale, notes)


def _day_count(cards: Cards, card: Card, scale: str, notes: list[str]) -> tuple[Time, float]:
    """A Julian Date or MJD; which one it is, is decided by its size."""
    value = cards.as_number(card)
    is_jd = value > 1_000_000.0
    mjd = value - MJD_ZERO_JD if is_jd else value
    if not 0.0 < mjd < 150_000.0:
        raise FrameTimeError(
            f"{cards.name}: {card.key} = {card.value} lies in no year in which frames were taken: correct "
            "it, or give the time with --time"
        )
    if is_jd != card.key.startswith("JD"):
        notes.append(
            f"{card.key} = {card.value} read as a {'Julian Date' if is_jd else 'Modified Julian Date'}"
        )
    decimals = len(repr(value).partition(".")[2]) if "e" not in repr(value) else 0
    resolution_s = DAY_S * max(10.0**-decimals, 1e-16 * value * 4)
    return Time(MJD_ZERO_JD, mjd, format="jd", scale=scale), resolution_s


def _calendar_time(cards: Cards, card: Card, scale: str, notes: list[str]) -> tuple[Time, float]:
    match = _MOMENT.fullmatch(str(card.value))
    if match is None:
        raise FrameTimeError(
            f"{cards.name}: {card.key} = {card.value!r} is no time: YYYY-MM-DDTHH:MM:SS is allowed; give it "
            "with --time"
        )
    zone, clock = (match["zone"] or "").upper(), match["clock"]
    if zone.startswith(("+", "-")) and zone.strip("+-0:"):
        raise FrameTimeError(
            f"{cards.name}: {card.key} = {card.value!r} carries a time zone, so its clock shows local time; "
            "FITS times have none: give the time in UTC with --time"
        )
    if zone and scale != "utc":
        raise FrameTimeError(f"{cards.name}: {card.key} = {card.value!r} ends in {zone}, but TIMESYS says "
                             f"{cards.text('TIMESYS')}: give the time in UTC with --time")  # fmt: skip
    date = _iso_date(match["date"])
    part = _clock_card(cards, card) if clock is None else None
    if part is not None:
        clock = part
        notes.append(f"{card.key} has only the date: time of day {clock} from the header's own time keyword")
    if clock is None:
        raise FrameTimeError(
            f"{cards.name}: {card.key} = {card.value!r} has a date but no time of day, and none of "
            f"{', '.join(TIME_KEYS[:6])} gives it: give the time with --time"
        )
    decimals = len(clock.partition(".")[2])
    resolution_s = 10.0**-decimals if clock.count(":") == 2 else 60.0
    return _build(cards, card, f"{date}T{clock}", scale), resolution_s


def _clock_card(cards: Cards, card: Card) -> str | None:
    keys = ("TIME" + card.key[4:], *TIME_KEYS)
    for found in cards.all(*dict.fromkeys(keys)):
        if _LOCAL.search(found.comment):
            continue
        match = re.fullmatch(rf"(?:{_DATE}[T\s]+)?{_CLOCK}\s*Z?", str(found.value))
        if match:
            return match["clock"]
    return None


def _iso_date(text: str) -> str:
    """The date as YYYY-MM-DD, also from the day of the year and the DD/MM/YY used before 1999."""
    if re.fullmatch(r"\d{4}-\d{3}", text):
        return Time(f"{text[:4]}:{text[5:]}", format="yday").strftime("%Y-%m-%d")
    parts = re.split("[-/]", text)
    if len(parts[0]) < 4:
        parts = [parts[2] if len(parts[2]) == 4 else f"19{parts[2]}", parts[1], parts[0]]
    return f"{int(parts[0]):04d}-{int(parts[1]):02d}-{int(parts[2]):02d}"


def _build(cards: Cards, card: Card, text: str, scale: str) -> Time:
    try:
        if scale == "utc":
            return parse_utc(text)
        return Time(text, format="isot", scale=scale)
    except (TimeError, ValueError) as error:
        raise FrameTimeError(
            f"{cards.name}: {card.key} = {card.value!r}: {error}; give it with --time"
        ) from error


def _as_utc(cards: Cards, card: Card, time: Time) -> Time:
    try:
        with quiet_erfa():
            if time.scale == "ut1":
                time = Time(*tt_jd(time), format="jd", scale="tt")
            utc = time.utc
            utc.format, utc.precision = "isot", 3
            return utc
    except (TimeError, ValueError) as error:
        raise FrameTimeError(
            f"{cards.name}: {card.key} = {card.value!r}: {error}; give it with --time"
        ) from error

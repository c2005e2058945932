"""What a header says about time: its moments, which point of the exposure each is, the length.

The FITS standard 4.0 (section 9) gives DATE-BEG, DATE-AVG, DATE-END and their MJD- forms; DATE-OBS is the
start unless the header says otherwise. Headers say otherwise in comments, split date and time over two
keywords, write an underscore for the hyphen, append a Z, and put local time where UTC belongs: FITS has no
field for a time zone, so a camera whose computer runs on local time writes it as if it were UTC, and every
body is looked for hours off its place.
"""

import re
from dataclasses import dataclass, replace

from astropy.time import Time, TimeDelta

from appulse.constants import DAY_S, MJD_ZERO_JD
from appulse.errors import FrameError, FrameTimeError, TimeError
from appulse.frames.header import Card, Cards, parse_angle
from appulse.observers import parse_utc, quiet_erfa, tt_jd

# Keywords by the point of the exposure that they name; those under None leave it open.
ROLE_KEYS = {
    "start": ("DATE-BEG", "DATE_BEG", "MJD-BEG", "MJD_BEG", "JD-BEG", "JD_BEG"),
    "mid": (
        "DATE-AVG", "DATE_AVG", "DATE-MID", "DATE_MID", "MJD-AVG", "MJD_AVG", "MJD-MID", "MJD_MID", "JD-MID",
    ),
    "end": ("DATE-END", "DATE_END", "MJD-END", "MJD_END", "JD-END", "JD_END"),
    None: ("DATE-OBS", "DATE_OBS", "MJD-OBS", "MJD_OBS", "JD-OBS", "JD_OBS", "JD"),
}  # fmt: skip

# Keywords with the time of day for a DATE-OBS that has only the date.
TIME_KEYS = (
    "TIME-OBS", "TIME_OBS", "UTC-OBS", "UT-OBS", "UTSTART", "UT-START", "UTCSTART", "UTC", "UT", "TIME",
)  # fmt: skip

# TIMESYS of the FITS standard 4.0 (table 30), as scales of astropy; GPS time is TAI - 19 s.
SCALES = {
    "UTC": "utc", "UT": "utc", "GMT": "utc", "Z": "utc", "TAI": "tai", "IAT": "tai", "GPS": "tai", "TT": "tt",
    "TDT": "tt", "ET": "tt", "TDB": "tdb", "TCG": "tcg", "TCB": "tcb", "UT1": "ut1",
}  # fmt: skip

GPS_MINUS_TAI_S = -19.0

_DATE = (
    r"(?P<date>\d{4}-\d{1,2}-\d{1,2}|\d{4}/\d{1,2}/\d{1,2}|\d{4}-\d{3}|\d{1,2}/\d{1,2}/\d{2,4}"
    r"|(?:1[89]|20)\d{2}(?:0[1-9]|1[0-2])(?:0[1-9]|[12]\d|3[01]))"
)
_CLOCK = r"(?P<clock>\d{1,2}:\d{2}(?::\d{2}(?:\.(?P<digits>\d*))?)?)"
_MOMENT = re.compile(
    rf"{_DATE}(?:[T\s]+{_CLOCK})?\s*(?P<zone>Z|UTC?|[+-]\d{{1,2}}(?::?\d{{2}})?)?", re.IGNORECASE
)
_ROLE_WORDS = {
    role: re.compile(rf"\b({words})\b", re.IGNORECASE)
    for role, words in {
        "mid": r"mid|middle|mid-?\s?(point|time|exposure)|mean|average|cent(re|er)",
        "start": "start|starts|started|begin|begins|beginning|opens?|opened",
        "end": "end|ends|ended|stop|finish|closed?",
    }.items()
}
_LOCAL = re.compile(r"\blocal\b(?!\s*sidereal)", re.IGNORECASE)


@dataclass(frozen=True)
class Moment:
    """A moment that a header names."""

    key: str  # a keyword, or `time given`
    time: Time  # UTC
    role: str | None  # 'start', 'mid', 'end'; None where the header leaves it open
    resolution_s: float  # worth of the last digit written
    role_source: str = ""

    def __str__(self) -> str:
        with quiet_erfa():
            return f"{self.key} {self.time.isot} UTC"


def header_moments(cards: Cards, only: str | None = None) -> tuple[list[Moment], tuple[str, ...]]:
    """All moments in a header that belong to the exposure, and what had to be understood."""
    scale, offset_s, scale_notes = time_scale(cards)
    moments, notes = [], [*scale_notes]
    for role, keys in ROLE_KEYS.items():
        for card in cards.all(*(key for key in keys if only in (None, key))):
            # Times corrected to the Sun are off by up to eight minutes from what the clock showed.
            if re.search("helio|bary", card.comment, re.IGNORECASE):
                continue
            if _LOCAL.search(card.comment):
                raise FrameTimeError(
                    f"{cards.name}: {card.key} {card.value} is local time by its comment ({card.comment!r}): "
                    "give the time in UTC with --time"
                )
            if _is_bare_date(cards, card):
                notes.append(f"{card.key} has no time of day: ignored")
                continue
            read = _day_count if card.key.startswith(("MJD", "JD")) else _calendar_time
            try:
                time, resolution_s, more = read(cards, card, scale)
                utc = _as_utc(time + TimeDelta(offset_s, format="sec") if offset_s else time)
            except FrameError:
                raise  # it names the card already
            except (TimeError, ValueError) as error:
                words = f"{cards.name}: {card.key} = {card.value!r}: {error}; give it with --time"
                raise FrameTimeError(words) from error
            notes += more
            found, source = (role, "by the keyword") if role else _role_by_comment(card)
            moments.append(Moment(card.key, utc, found, resolution_s, source))
    return moments, tuple(notes)


def keyed_moment(cards: Cards, key: str) -> tuple[Moment, tuple[str, ...]]:
    """The one keyword that the user picked out of several that disagree."""
    moments, notes = header_moments(cards, only=key.upper())
    if moments:
        return moments[0], notes
    have = ", ".join(card.key for keys in ROLE_KEYS.values() for card in cards.all(*keys)) or "none"
    raise FrameTimeError(f"{cards.name}: --time {key}: the header has no such time keyword (it has: {have})")


def time_scale(cards: Cards) -> tuple[str, float, tuple[str, ...]]:
    """Scale of the header's times, what to add to bring GPS time to TAI, s, and notes."""
    card = cards.find("TIMESYS", "TIMSYS")
    if card is None:
        return "utc", 0.0, ()
    name = re.sub(r"\(.*\)", "", str(card.value)).strip().upper()
    if name not in SCALES:
        local = "local time is not tied to UTC: " if name.startswith("LOC") else ""
        raise FrameTimeError(
            f"{cards.name}: {card.key} = {card.value!r}: {local}allowed are {', '.join(SCALES)}; give the "
            "time in UTC with --time"
        )
    notes = () if SCALES[name] == "utc" else (f"times in the header are {name}; turned to UTC",)
    return SCALES[name], -GPS_MINUS_TAI_S if name == "GPS" else 0.0, notes


def _is_bare_date(cards: Cards, card: Card) -> bool:
    """Whether a card has only the date, nothing completes it, and an MJD or JD can stand in for it."""
    match = None if card.key.startswith(("MJD", "JD")) else _MOMENT.fullmatch(str(card.value))
    if match is None or match["clock"] is not None or _clock_card(cards, card) is not None:
        return False
    return cards.find("MJD-OBS", "MJD_OBS", "JD-OBS", "JD_OBS") is not None


def _role_by_comment(card: Card) -> tuple[str | None, str]:
    roles = [role for role, words in _ROLE_WORDS.items() if words.search(card.comment)]
    return (roles[0], f"by its comment {card.comment.strip()!r}") if len(roles) == 1 else (None, "")


def _day_count(cards: Cards, card: Card, scale: str) -> tuple[Time, float, tuple[str, ...]]:
    """A Julian Date or MJD, its resolution in seconds, and notes."""
    # Headers mix the two up; the numbers are so far apart that the size decides.
    value = cards.as_number(card)
    is_jd = value > 1_000_000.0
    mjd = value - MJD_ZERO_JD if is_jd else value
    if not 0.0 < mjd < 150_000.0:
        raise FrameTimeError(
            f"{cards.name}: {card.key} = {card.value} lies in no year in which frames were taken: correct "
            "it, or give the time with --time"
        )
    kind = "Julian Date" if is_jd else "Modified Julian Date"
    mixed = is_jd != card.key.startswith("JD")
    notes = (f"{card.key} = {card.value} read as a {kind}",) if mixed else ()
    decimals = len(repr(value).partition(".")[2]) if "e" not in repr(value) else 0
    # A double holds a Julian Date to some 40 microseconds, whatever number of digits stands there.
    resolution_s = DAY_S * max(10.0**-decimals, 1e-16 * value * 4)
    return Time(MJD_ZERO_JD, mjd, format="jd", scale=scale), resolution_s, notes


def _calendar_time(cards: Cards, card: Card, scale: str) -> tuple[Time, float, tuple[str, ...]]:
    match = _MOMENT.fullmatch(str(card.value))
    if match is None:
        raise FrameTimeError(
            f"{cards.name}: {card.key} = {card.value!r} is not a time: YYYY-MM-DDTHH:MM:SS is allowed; "
            "give it with --time"
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
    notes = ()
    if clock is None and (clock := _clock_card(cards, card)) is not None:
        notes = (f"{card.key} has only the date: time of day {clock} from the header's own time keyword",)
    if clock is None:
        raise FrameTimeError(
            f"{cards.name}: {card.key} = {card.value!r} has a date but no time of day, and none of "
            f"{', '.join(TIME_KEYS[:6])} gives it: give the time with --time"
        )
    decimals = len(clock.partition(".")[2])
    resolution_s = 10.0**-decimals if clock.count(":") == 2 else 60.0
    text = f"{date}T{clock}"
    time = parse_utc(text) if scale == "utc" else Time(text, format="isot", scale=scale)
    return time, resolution_s, notes


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
    """The date as YYYY-MM-DD, also from YYYYMMDD, the day of the year and the DD/MM/YY used before 1999."""
    if re.fullmatch(r"\d{8}", text):
        text = f"{text[:4]}-{text[4:6]}-{text[6:]}"
    if re.fullmatch(r"\d{4}-\d{3}", text):
        return Time(f"{text[:4]}:{text[5:]}", format="yday").strftime("%Y-%m-%d")
    parts = re.split("[-/]", text)
    if len(parts[0]) < 4:
        parts = [parts[2] if len(parts[2]) == 4 else f"19{parts[2]}", parts[1], parts[0]]
    return f"{int(parts[0]):04d}-{int(parts[1]):02d}-{int(parts[2]):02d}"


def _as_utc(time: Time) -> Time:
    with quiet_erfa():
        if time.scale == "ut1":
            # UT1 - UTC may not be known for the night; ours goes by TT, as everywhere in the house.
            time = Time(*tt_jd(time), format="jd", scale="tt")
        utc = time.utc
        utc.format, utc.precision = "isot", 3
        return utc


LOCAL_KEYS = ("DATE-LOC", "DATE_LOC", "DATELOC", "LOCALTIM", "LOCTIME", "TIME-LOC")
ZONE_KEYS = ("TIMEZONE", "TIME-ZON", "TZ", "UTCOFFS", "UTC-OFF", "UTOFFSET", "TZOFFSET")
UT_KEYS = ("UT", "UTC", "UT-OBS", "UTC-OBS", "TIME-OBS", "TIME_OBS")
SAME_S = 2.0
# Time zones differ by quarters of an hour.
QUARTER_S = 900.0
LONGITUDE_KEYS = ("OBSGEO-L", "SITELONG", "LONG-OBS", "OBS-LONG", "LONGITUD")
# Within this of Greenwich local time can be UTC in winter.
NEAR_GREENWICH_DEG = 25.0

_TIME_OF_DAY = re.compile(r"(?:.*[T\s])?(\d{1,2}):(\d{2})(?::(\d{2}(?:\.\d*)?))?\s*Z?")


def clock_s(card: Card) -> float | None:
    """Time of day in a card, s; None if there is none."""
    match = _TIME_OF_DAY.fullmatch(str(card.value))
    return match and float(match[1]) * 3600.0 + float(match[2]) * 60.0 + float(match[3] or 0.0)


def check_local_time(cards: Cards, moments: list[Moment]) -> tuple[str, ...]:
    """Hold DATE-OBS and its derivatives against the header's local and universal clocks; notes."""
    notes = []
    for moment in moments:
        card = cards.find(moment.key)
        own_s = None if card is None or not moment.key.startswith("DATE") else clock_s(card)
        if own_s is None or moment.role in ("mid", "end"):
            continue
        _against_universal(cards, card, own_s)
        notes += _against_local(cards, card, own_s)
    return tuple(notes)


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


def _against_local(cards: Cards, card: Card, own_s: float) -> tuple[str, ...]:
    local = next((found for found in cards.all(*LOCAL_KEYS) if clock_s(found) is not None), None)
    if local is None or abs(_apart_s(own_s, clock_s(local))) > SAME_S:
        return ()
    zone, longitude = (cards.find(*keys) for keys in (ZONE_KEYS, LONGITUDE_KEYS))
    hours = None if zone is None else parse_angle(zone.value)
    lon = None if longitude is None else parse_angle(longitude.value)
    if hours == 0.0:
        return ()
    far = lon is not None and NEAR_GREENWICH_DEG < lon % 360.0 < 360.0 - NEAR_GREENWICH_DEG
    if hours is not None or far:
        why = str(zone if hours is not None else longitude)
        raise FrameTimeError(
            f"{cards.name}: {card} is the same as the local time ({local}), which with {why} cannot be UTC: "
            "give the time in UTC with --time"
        )
    return (
        f"{card.key} is the same as the local time ({local.key}): right only if that is UTC; else --time UTC",
    )


# One exposure or the sum of a stack: the word does not tell.
GENERIC_KEYS = ("EXPTIME", "EXPOSURE", "EXP_TIME", "EXP-TIME", "ITIME", "INTTIME")
# The sum, by the FITS standard (XPOSURE) or by the word.
TOTAL_KEYS = ("XPOSURE", "TOTEXP", "TOTALEXP", "EXPTOTAL", "TEXPTIME", "LIVETIME")
# One exposure of a stack.
SUB_KEYS = ("SUBEXP", "SUBEXPT", "EXPSUB", "SUBTIME")
# Number of exposures in the frame.
COUNT_KEYS = ("NCOMBINE", "NSUBEXP", "STACKCNT", "NSTACK", "NSUBS", "NCOADDS", "COADDS", "NFRAMES")
# From start to end, by the FITS standard.
SPAN_KEYS = ("TELAPSE",)

# Times that differ by less are the same: headers round them.
SLACK = 0.01
SLACK_S = 0.5
_UNITS = {
    "ms": 1e-3, "msec": 1e-3, "millisecond": 1e-3, "us": 1e-6, "microsecond": 1e-6, "min": 60.0,
    "minute": 60.0,
}  # fmt: skip
_UNIT = re.compile(r"\b(milliseconds?|microseconds?|msec|ms|us|minutes?|min)\b", re.IGNORECASE)


@dataclass(frozen=True)
class ExposureTime:
    """What a header says about the length of a frame."""

    total_s: float | None  # in which light was collected
    n_sub: int = 1
    sub_s: float | None = None  # one exposure of a stack
    generic_s: float | None = None  # one exposure or all of them: only in a stack
    span_s: float | None = None  # from start to end
    source: str = ""  # of the total, in words


def same_length(a_s: float, b_s: float) -> bool:
    """Whether two lengths of time are the same as far as headers round."""
    return abs(a_s - b_s) <= SLACK_S + SLACK * min(a_s, b_s)


def read_exposure_time(cards: Cards, exposure_s: float | None) -> tuple[ExposureTime, tuple[str, ...]]:
    """Exposure time, number and span, from the header or as given, and notes."""
    n_sub = _count(cards)
    span = _seconds(cards, *SPAN_KEYS)
    span_s = None if span is None else span[0]
    if exposure_s is not None:
        if not 0.0 <= float(exposure_s) < 1e8:
            raise FrameTimeError(f"{cards.name}: --exposure {exposure_s}: seconds, at least 0, are allowed")
        said = _seconds(cards, *TOTAL_KEYS, *(GENERIC_KEYS if n_sub == 1 else ()))
        other = said is not None and not same_length(said[0], float(exposure_s))
        notes = (f"exposure {exposure_s:g} s given; {said[1]} s of the header ignored",) if other else ()
        source = f"{exposure_s:g} s (given)"
        return ExposureTime(float(exposure_s), n_sub, span_s=span_s, source=source), notes
    total, sub, notes = _seconds(cards, *TOTAL_KEYS), _seconds(cards, *SUB_KEYS), ()
    if n_sub == 1 and sub is not None and total is not None and not same_length(sub[0], total[0]):
        n_sub = max(1, round(total[0] / sub[0]))
        notes = (f"{n_sub} exposures, from {total[1]} s and {sub[1]} s",)
    length = _single(cards, total or sub) if n_sub == 1 else _stack(cards, n_sub, total, sub)
    return replace(length, span_s=span_s), notes


def _count(cards: Cards) -> int:
    found = cards.number(*COUNT_KEYS)
    if found is None:
        return 1
    value, card = found
    if value != int(value) or not 0 <= value < 1e7:
        raise FrameTimeError(f"{cards.name}: {card} is not a number of exposures: correct it")
    return max(1, int(value))


def _seconds(cards: Cards, *keys: str) -> tuple[float, Card] | None:
    found = cards.number(*keys)
    if found is None:
        return None
    value, card = found
    unit = _UNIT.search(card.comment)
    value *= _UNITS[unit[1].lower().rstrip("s") if len(unit[1]) > 2 else unit[1].lower()] if unit else 1.0
    if not 0.0 <= value < 1e8:
        raise FrameTimeError(
            f"{cards.name}: {card} s is not an exposure time: seconds, at least 0, are allowed; "
            "give --exposure"
        )
    return value, card


def _single(cards: Cards, total) -> ExposureTime:
    generic = [_seconds(cards, card.key) for card in cards.all(*GENERIC_KEYS)]
    known = [found for found in (total, *generic) if found is not None]
    for other in known[1:]:
        if not same_length(other[0], known[0][0]):
            raise FrameTimeError(
                f"{cards.name}: {known[0][1]} s and {other[1]} s contradict each other: give --exposure "
                "SECONDS"
            )
    if not known:
        return ExposureTime(None)
    return ExposureTime(known[0][0], source=f"{known[0][1].key} {known[0][0]:g} s")


def _stack(cards: Cards, n_sub: int, total, sub) -> ExposureTime:
    generic = [_seconds(cards, card.key) for card in cards.all(*GENERIC_KEYS)]
    for value, card in generic:
        if total is None and sub is not None and same_length(value, n_sub * sub[0]):
            total = value, card
        elif sub is None and total is not None and same_length(n_sub * value, total[0]):
            sub = value, card
        elif not any(known and same_length(value, known[0]) for known in (total, sub)) and (total or sub):
            other = total or sub
            raise FrameTimeError(
                f"{cards.name}: {card} s fits neither one nor all of the {n_sub} exposures of {other[1]} s: "
                "give --exposure SECONDS (of light in the whole frame)"
            )
    if total is not None and sub is not None and not same_length(total[0], n_sub * sub[0]):
        raise FrameTimeError(
            f"{cards.name}: {n_sub} exposures of {sub[1]} s are {n_sub * sub[0]:g} s, but {total[1]} s: give "
            "--exposure SECONDS (of light in the whole frame)"
        )
    if total is not None:
        return ExposureTime(total[0], n_sub, sub and sub[0], source=f"{total[1].key} {total[0]:g} s")
    if sub is not None:
        return ExposureTime(n_sub * sub[0], n_sub, sub[0], source=f"{n_sub} x {sub[1].key} {sub[0]:g} s")
    values = [value for value, _ in generic]
    for value, card in generic[1:]:
        if same_length(value, n_sub * values[0]) or same_length(n_sub * value, values[0]):
            low, high = sorted((value, values[0]))
            return ExposureTime(high, n_sub, low, source=f"{card.key} and {generic[0][1].key}")
        if not same_length(value, values[0]):
            raise FrameTimeError(
                f"{cards.name}: {generic[0][1]} s and {card} s contradict each other in a stack of {n_sub}: "
                "give --exposure SECONDS (of light in the whole frame)"
            )
    if not generic:
        return ExposureTime(None, n_sub)
    return ExposureTime(None, n_sub, generic_s=values[0], source=generic[0][1].key)


def settle_exposure_time(
    name: str, length: ExposureTime, span_s: float | None
) -> tuple[ExposureTime, tuple[str, ...]]:
    """Decide by the span whether a stack's exposure time is that of one exposure or of all."""
    if length.generic_s is None or length.total_s is not None:
        return length, ()
    seconds, n_sub, source = length.generic_s, length.n_sub, f"{length.source} {length.generic_s:g} s"
    if span_s is None:
        raise FrameTimeError(
            f"{name}: {source} in a stack of {n_sub} may be one exposure or all, and the "
            "header has no start and end to decide: give --exposure SECONDS (of light in the whole frame)"
        )
    # All of them first: where n times as long fits, the sum would leave a stack that is nearly all gaps.
    room_s = span_s + SLACK_S + SLACK * span_s
    if n_sub * seconds <= room_s:
        total_s, sub_s, words = n_sub * seconds, seconds, f"{n_sub} x {source}"
        note = f"{source} is one of {n_sub} exposures: all fit between start and end"
    elif seconds <= room_s:
        total_s, sub_s, words = seconds, seconds / n_sub, f"{source} (sum)"
        note = (
            f"{source} is the sum of {n_sub} exposures: {n_sub} times as much would not fit "
            f"in the {span_s:g} s from start to end"
        )
    else:
        raise FrameTimeError(
            f"{name}: {source} does not fit in the {span_s:g} s from start to end: give "
            "--exposure SECONDS, or the time with --time"
        )
    return replace(length, total_s=min(total_s, span_s), sub_s=sub_s, source=words), (note,)


# Keywords that name one moment agree within this, s, and the last digits they write; a computer's clock is
# read for each of them in turn.
AGREE_S = 0.5
# By how much the middles from start, middle and end may differ before they contradict each other, s.
OVERHEAD_S = 1.5

ROLES = ("start", "mid", "end")


def collect_moments(cards: Cards, time, time_is: str | None) -> tuple[list[Moment], tuple[str, ...]]:
    """The moments to work with: the one given, the keyword picked, or all of the header; and notes."""
    if time is None:
        moments, notes = header_moments(cards)
        if not moments:
            raise FrameTimeError(
                f"{cards.name}: the header has no time (DATE-OBS, DATE-BEG, MJD-OBS ...): give the UTC of "
                "the exposure with --time, and --time-is start|mid|end"
            )
        return moments, (*notes, *check_local_time(cards, moments))
    if isinstance(time, Time):
        return [Moment("time given", time.utc, time_is, 0.001, "as given")], ()
    text = str(time).strip()
    if text and not text[0].isdigit():
        moment, notes = keyed_moment(cards, text)
        return [replace(moment, role=time_is, role_source="as given") if time_is else moment], notes
    try:
        utc = parse_utc(text)
    except TimeError as error:
        raise FrameTimeError(f"{cards.name}: --time: {error}") from error
    passed_over = ", ".join(moment.key for moment in tolerant_moments(cards))
    notes = (f"time given; {passed_over} of the header ignored",) if passed_over else ()
    return [Moment("time given", utc, time_is, 0.001, "as given")], notes


def tolerant_moments(cards: Cards) -> list[Moment]:
    """The header's times, none if one is bad: for a note beside what the user had to overrule."""
    try:
        return header_moments(cards)[0]
    except FrameTimeError:
        return []


def _agree(a: Moment, b: Moment) -> bool:
    return abs((a.time - b.time).sec) <= AGREE_S + a.resolution_s + b.resolution_s


def clash(name: str, a: Moment, b: Moment) -> FrameTimeError:
    """The sentence about two moments that should be one."""
    off = abs((a.time - b.time).sec)
    return FrameTimeError(
        f"{name}: {a} and {b} differ by {off:.3f} s{_hours_hint(off)}: --time {a.key} or --time {b.key} "
        "takes one of them, --time UTC gives another; --time-is start|mid|end says what it is"
    )


def _hours_hint(off_s: float) -> str:
    # Zones lie between -12 h and +14 h.
    quarter = off_s / 900.0
    near = abs(quarter - round(quarter)) * 900.0 <= 2.0 and 1 <= round(quarter) <= 56
    return " (a time zone's worth: one of them may be local time)" if near else ""


def assign_roles(
    name: str, moments: list[Moment], length: ExposureTime, time_is: str | None
) -> tuple[dict[str, Moment], tuple[str, ...]]:
    """One moment for each point of the exposure that is known ('start', 'mid', 'end'), and notes."""
    places: dict[str, Moment] = {}
    open_moments = []
    for moment in moments:
        role = moment.role
        if role is None or (time_is is not None and moment.key.replace("_", "-").endswith("-OBS")):
            open_moments.append(moment)
        elif not _agree(places.setdefault(role, moment), moment):
            raise clash(name, places[role], moment)
    if open_moments and time_is is not None:
        for other in [*open_moments[1:], *([places[time_is]] if time_is in places else [])]:
            if not _agree(open_moments[0], other):
                raise clash(name, open_moments[0], other)
        return places | {time_is: open_moments[0]}, ()
    notes: tuple[str, ...] = ()
    for moment in open_moments:
        if any(_agree(moment, known) for known in places.values()):
            continue  # a known point of the exposure once more
        if not places:
            notes += (_taken_as_start(moment, length),)
        # Whether the exposure fills what lies between is for the arithmetic to say.
        elif "start" in places or any((known.time - moment.time).sec <= 0.0 for known in places.values()):
            raise clash(name, moment, next(iter(places.values())))
        places["start"] = replace(moment, role_source="by the FITS standard")
    return places, notes


def _taken_as_start(moment: Moment, length: ExposureTime) -> str:
    seconds = length.total_s or length.span_s
    early = f"{seconds / 2:g} s earlier" if seconds else "earlier by half the exposure"
    return (
        f"{moment.key} taken as the start of the exposure (FITS standard; the header does not say); were "
        f"it the middle, mid-exposure would be {early}: --time-is start|mid|end"
    )

"""Names of minor bodies: what users type, what catalogues pack, and both ways between them.

Sources: the Minor Planet Center's designation rules for minor planets and its description of packed
designations (numbers with ``~`` beyond 619,999, the extended provisional form ``_`` in use since 2023), and
the IAU's rules for comets (1995).
"""

import re
import string
from typing import NamedTuple

from appulse.errors import DesignationError

LONGEST = 200
"""Characters of a designation with its name: several times the longest there is."""
DIGITS62 = string.digits + string.ascii_uppercase + string.ascii_lowercase
# The 25 letters of provisional designations: I is left out.
LETTERS = "ABCDEFGHJKLMNOPQRSTUVWXYZ"

LAST_LETTER_NUMBER = 619_999
LAST_NUMBER = 620_000 + 62**4 - 1
# Cycle counts up to here fit the classic seven characters (``z9``).
LAST_SHORT_CYCLE = 619

_PACKED_NUMBER = re.compile(r"[0-9A-Za-z]\d{4}|~[0-9A-Za-z]{4}")
_PACKED_PROVISIONAL = re.compile(r"[I-L]\d\d[A-HJ-Y][0-9A-Za-z]\d[A-HJ-Z]")
_PACKED_EXTENDED = re.compile(r"_[0-9A-Za-z][A-HJ-Y][0-9A-Za-z]{4}")
_PACKED_SURVEY = re.compile(r"(PL|T[123])S(\d{4})")
_PACKED_COMET = re.compile(r"([CPDXAI])([A-L]\d\d|/\d\d)([A-HJ-Y])([0-9A-Za-z]\d)([0a-zA-HJ-Z])")
_PACKED_COMET_NUMBER = re.compile(r"(\d{4})([PDI])\s*([a-z]{1,2})?")


def to_base62(value: int, width: int) -> str:
    """Digits 0-9, A-Z, a-z, padded with zeros."""
    digits = ""
    for _ in range(width):
        value, last = divmod(value, 62)
        digits = DIGITS62[last] + digits
    if value:
        raise DesignationError(f"a number too large for {width} packed characters")
    return digits


def from_base62(text: str) -> int:
    """The inverse of :func:`to_base62`."""
    value = 0
    for letter in text:
        value = value * 62 + DIGITS62.index(letter)
    return value


def pack_number(number: int) -> str:
    """Five packed characters of a minor planet's number, 1 to 15,396,335."""
    if not 1 <= number <= LAST_NUMBER:
        raise DesignationError(f"minor planet number {number}: packed numbers run from 1 to {LAST_NUMBER}")
    if number > LAST_LETTER_NUMBER:
        return "~" + to_base62(number - LAST_LETTER_NUMBER - 1, 4)
    return f"{DIGITS62[number // 10_000]}{number % 10_000:04d}"


def unpack_number(packed: str) -> int:
    """A minor planet's number from its five packed characters."""
    if not _PACKED_NUMBER.fullmatch(packed):
        raise DesignationError(
            f"{packed!r} is not a packed number: five characters such as 00007, K3289 or ~0000"
        )
    if packed[0] == "~":
        return LAST_LETTER_NUMBER + 1 + from_base62(packed[1:])
    return DIGITS62.index(packed[0]) * 10_000 + int(packed[1:])


def pack_cycle(count: int) -> str:
    """Two characters of a cycle count up to 619."""
    return f"{DIGITS62[count // 10]}{count % 10}"


def _unpack_cycle(text):
    return DIGITS62.index(text[0]) * 10 + int(text[1])


def pack_provisional(year: int, half: str, order: str, count: int) -> str:
    """Seven characters of a provisional designation; the extended form beyond cycle 619."""
    if count > LAST_SHORT_CYCLE:
        if not 2000 <= year <= 2061:
            raise DesignationError(
                f"cycle count {count} of {year} cannot be packed: only years 2000-2061 have that form"
            )
        sequence = (count - LAST_SHORT_CYCLE - 1) * 25 + LETTERS.index(order)
        return f"_{DIGITS62[year - 2000]}{half}{to_base62(sequence, 4)}"
    return f"{pack_year(year)}{half}{pack_cycle(count)}{order}"


def pack_year(year: int) -> str:
    """Three characters of a year."""
    if 1000 <= year < 2200:  # I = 18, J = 19, K = 20; the same run of letters further back
        return f"{string.ascii_uppercase[year // 100 - 10]}{year % 100:02d}"
    raise DesignationError(f"year {year}: packed designations here hold the years 1000 to 2199")


def _unpack_year(text):
    return (string.ascii_uppercase.index(text[0]) + 10) * 100 + int(text[1:])


def unpack(packed: str) -> str:
    """The readable form of a packed designation ('K20A00B' is 2020 AB); blanks around it are allowed."""
    text = packed.strip()
    if _PACKED_NUMBER.fullmatch(text):
        return str(unpack_number(text))
    if _PACKED_PROVISIONAL.fullmatch(text):
        return _readable(_unpack_year(text[:3]), text[3], text[6], _unpack_cycle(text[4:6]))
    if _PACKED_EXTENDED.fullmatch(text):
        cycle, order = divmod(from_base62(text[3:]), 25)
        return _readable(
            2000 + DIGITS62.index(text[1]), text[2], LETTERS[order], cycle + LAST_SHORT_CYCLE + 1
        )
    if match := _PACKED_SURVEY.fullmatch(text):
        return f"{match[2]} {match[1][0]}-{match[1][1]}"
    if match := _PACKED_COMET_NUMBER.fullmatch(text):
        return f"{int(match[1])}{match[2]}" + (f"-{match[3].upper()}" if match[3] else "")
    if match := _PACKED_COMET.fullmatch(text):
        return _unpack_comet(*match.groups())
    raise DesignationError(
        f"{packed!r} is not a packed designation: forms are 00007, K20A00B, PLS2040, CK23A030, 0002P"
    )


def _readable(year, half, order, count):
    return f"{year} {half}{order}{count or ''}"


def _unpack_comet(kind, year, half, cycle, last):
    count = _unpack_cycle(cycle)
    start = f"{kind}/{_unpack_year(year)} {half}"
    if last.isupper():
        return f"{start}{last}{count or ''}"
    return f"{start}{count}" + ("" if last == "0" else f"-{last.upper()}")


_PROVISIONAL = re.compile(r"(?:A(?=\d{3} )|(\d))(\d{3}) ?([A-HJ-Y])([A-HJ-Z])(\d*)", re.IGNORECASE)
_SURVEY = re.compile(r"(\d{4}) ?(P-L|T-[123])", re.IGNORECASE)
_COMET = re.compile(
    r"([CPDXAI])/(-?\d{1,4}) ([A-HJ-Y])([A-HJ-Z](?=\d*\b))?(\d*)(?:-([A-Z]{1,2}))?", re.IGNORECASE
)
_COMET_NUMBER = re.compile(r"(\d{1,4})([PDI])(?:-([A-Z]{1,2}))?", re.IGNORECASE)


class Name(NamedTuple):
    """What a text means.

    Attributes
    ----------
    kind : str
        'number', 'provisional', 'survey', 'comet', 'numbered comet' or 'name'.
    designation : str
        In readable form: '7', '2020 AB', '2040 P-L', 'C/2023 A3', '73P-B'; empty for a mere name.
    name : str
        A name that stood beside the designation, or alone; else empty.
    """

    kind: str
    designation: str
    name: str = ""

    @property
    def number(self):
        """The minor planet's number, or None."""
        return int(self.designation) if self.kind == "number" else None


def pack(text):
    """The packed form of a readable designation.

    Parameters
    ----------
    text : str
        '7', '(7) Iris', '2020 AB', '2040 P-L', 'C/2023 A3', '73P-B', '1I'.

    Returns
    -------
    str
        Five characters (numbers; numbered comets, with a fragment's letters after blanks), seven
        (provisional and survey) or eight (comets with their letter).

    Raises
    ------
    DesignationError
        Not a designation (a mere name), or one that has no packed form.

    Examples
    --------
    >>> [pack(name) for name in ("7", "2020 AB", "1995 XL1", "2040 P-L", "2026 CZ6190", "C/2023 A3", "73P-B")]
    ['00007', 'K20A00B', 'J95X01L', 'PLS2040', '_QC0aEM', 'CK23A030', '0073P      b']
    """
    kind, designation, _ = read_name(text)
    if kind == "number":
        return pack_number(int(designation))
    if kind == "provisional":
        _, year, half, order, count = _split_provisional(designation)
        return pack_provisional(year, half, order, count)
    if kind == "survey":
        return f"{designation[5:].replace('-', '')}S{designation[:4]}"
    if kind == "numbered comet":
        number, letter, fragment = _COMET_NUMBER.fullmatch(designation).groups()
        packed = f"{int(number):04d}{letter}"
        return packed + (fragment.lower().rjust(7) if fragment else "")
    if kind == "comet":
        return _pack_comet(designation)
    raise DesignationError(
        f"{text!r} is a name, not a designation: only numbers and designations have a packed form"
    )


def _split_provisional(designation):
    year, rest = designation.split(" ")
    return designation, int(year), rest[0], rest[1], int(rest[2:] or 0)


def _pack_comet(designation):
    kind, year, half, order, count, fragment = _COMET.fullmatch(designation).groups()
    count = int(count or 0)
    if count > LAST_SHORT_CYCLE:
        raise DesignationError(f"{designation}: comets have packed forms up to number {LAST_SHORT_CYCLE}")
    if fragment and (order or len(fragment) > 1):
        raise DesignationError(f"{designation}: this fragment has no packed form of eight characters")
    last = order or (fragment.lower() if fragment else "0")
    return f"{kind}{pack_year(int(year))}{half}{pack_cycle(count)}{last}"


def read_name(text):
    """Understand what a user typed or a catalogue printed: number, designation (packed or not) or name.

    Parameters
    ----------
    text : str
        '7', '(7)', '(7) Iris', '00007', '2020 AB', '2020ab', 'K20A00B', 'A898 PA', 'C/2023 A3 (Some Name)',
        '2P/Encke', '73P-B', 'Iris'.

    Returns
    -------
    Name

    Raises
    ------
    DesignationError
        The text is empty, or longer than any name.

    Notes
    -----
    A text that has no form of a designation is a name. '00007' is number 7 either way; 'A898 PA' is the
    modern writing of 1898 PA.

    Examples
    --------
    >>> read_name("(7) Iris")
    Name(kind='number', designation='7', name='Iris')
    >>> read_name("A898 PA").designation, read_name("2020ab").designation, read_name("K20A00B").designation
    ('1898 PA', '2020 AB', '2020 AB')
    >>> read_name("2P/Encke")
    Name(kind='numbered comet', designation='2P', name='Encke')
    """
    text = " ".join(str(text).split())
    if not text:
        raise DesignationError("an empty designation: give a number, a designation or a name")
    if len(text) > LONGEST:
        raise DesignationError(
            f"a designation of {len(text)} characters ({text[:20]}...): at most {LONGEST} are allowed"
        )
    return (
        _read_number(text)
        or _read_provisional(text)
        or _read_comet(text)
        or _read_packed(text)
        or Name("name", "", text)
    )


def _read_number(text):
    match = (
        re.fullmatch(r"\((\d+)\)(?: (.+))?", text)
        or re.fullmatch(r"(\d+)(?: ([^\W\d][^\d ]*(?: .*)?))?", text)  # a name's first word has no digit
    )
    if not match or int(match[1]) == 0:
        return None
    rest = match[2] or ""
    if len(match[1]) == 4 and not text.startswith("(") and (_read_provisional(text) is not None):
        return None
    if rest.startswith("(") and rest.endswith(")"):
        rest = rest[1:-1]
    return Name("number", str(int(match[1])), rest)


def _read_provisional(text):
    bare = text.strip("()")
    if match := _SURVEY.fullmatch(bare):
        return Name("survey", f"{match[1]} {match[2].upper()}")
    match = _PROVISIONAL.fullmatch(bare)
    if not match:
        return None
    year = f"{match[1] or '1'}{match[2]}"
    return Name(
        "provisional", f"{year} {match[3].upper()}{match[4].upper()}{int(match[5]) if match[5] else ''}"
    )


def _read_comet(text):
    head, _, name = text.partition(" (")
    if match := _COMET.fullmatch(head):
        kind, year, half, order, count, fragment = (part.upper() if part else "" for part in match.groups())
        if not order and not count:
            return None
        tail = f"-{fragment}" if fragment else ""
        number = int(count) if count else ""
        return Name("comet", f"{kind}/{int(year)} {half}{order}{number}{tail}", name.rstrip(")"))
    if match := _COMET.match(text):  # 'C/1995 O1-A Hale-Bopp' and lists without brackets
        rest = text[match.end() :]
        if rest.startswith(" "):
            return _read_comet(match[0])._replace(name=rest.strip(" ()"))
    head, _, name = text.partition("/")
    if match := _COMET_NUMBER.fullmatch(head):
        fragment = f"-{match[3].upper()}" if match[3] else ""
        if not fragment and (tail := re.fullmatch(r"(.+?)[ -]([A-Z]{1,2})", name)):
            name, fragment = tail[1], f"-{tail[2]}"
        return Name("numbered comet", f"{int(match[1])}{match[2].upper()}{fragment}", name)
    return None


def _read_packed(text):
    try:
        return read_name(unpack(text))
    except DesignationError:
        return None


def normalise(text):
    """The readable designation of whatever was typed; a name is returned as it stands, blanks tidied.

    Examples
    --------
    >>> normalise("00007"), normalise("(7) Iris"), normalise("_QC0aEM"), normalise(" Iris ")
    ('7', '7', '2026 CZ6190', 'Iris')
    """
    name = read_name(text)
    return name.designation or name.name

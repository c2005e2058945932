"""Packed designations: numbers, provisional designations, surveys and comets, character by character.

Sources: the Minor Planet Center's description of packed designations (numbers with ``~`` beyond 619,999, the
extended provisional form ``_`` in use since 2023).
"""

import re
import string

from appulse.errors import DesignationError

DIGITS62 = string.digits + string.ascii_uppercase + string.ascii_lowercase
LETTERS = "ABCDEFGHJKLMNOPQRSTUVWXYZ"
"""The 25 letters of provisional designations: I is left out."""

LAST_LETTER_NUMBER = 619_999
LAST_NUMBER = 620_000 + 62**4 - 1
LAST_SHORT_CYCLE = 619
"""Cycle counts up to here fit the classic seven characters (``z9``)."""

_PACKED_NUMBER = re.compile(r"[0-9A-Za-z]\d{4}|~[0-9A-Za-z]{4}")
_PACKED_PROVISIONAL = re.compile(r"[I-L]\d\d[A-HJ-Y][0-9A-Za-z]\d[A-HJ-Z]")
_PACKED_EXTENDED = re.compile(r"_[0-9A-Za-z][A-HJ-Y][0-9A-Za-z]{4}")
_PACKED_SURVEY = re.compile(r"(PL|T[123])S(\d{4})")
_PACKED_COMET = re.compile(r"([CPDXAI])([A-L]\d\d|/\d\d)([A-HJ-Y])([0-9A-Za-z]\d)([0a-zA-HJ-Z])")
_PACKED_COMET_NUMBER = re.compile(r"(\d{4})([PDI])\s*([a-z]{1,2})?")


def to_base62(value, width):
    """Digits 0-9, A-Z, a-z, padded with zeros.

    Examples
    --------
    >>> to_base62(139274, 4)
    '0aEM'
    """
    digits = ""
    for _ in range(width):
        value, last = divmod(value, 62)
        digits = DIGITS62[last] + digits
    if value:
        raise DesignationError(f"a number too large for {width} packed characters")
    return digits


def from_base62(text):
    """The inverse of :func:`to_base62`.

    Examples
    --------
    >>> from_base62("0aEM")
    139274
    """
    value = 0
    for letter in text:
        value = value * 62 + DIGITS62.index(letter)
    return value


def pack_number(number):
    """Five packed characters of a minor planet's number.

    Parameters
    ----------
    number : int
        1 to 15,396,335.

    Returns
    -------
    str

    Raises
    ------
    DesignationError
        The number is outside that range.

    Examples
    --------
    >>> pack_number(7), pack_number(203289), pack_number(620000), pack_number(3140113)
    ('00007', 'K3289', '~0000', '~AZaz')
    """
    if not 1 <= number <= LAST_NUMBER:
        raise DesignationError(f"minor planet number {number}: packed numbers run from 1 to {LAST_NUMBER}")
    if number > LAST_LETTER_NUMBER:
        return "~" + to_base62(number - LAST_LETTER_NUMBER - 1, 4)
    return f"{DIGITS62[number // 10_000]}{number % 10_000:04d}"


def unpack_number(packed):
    """A minor planet's number from its five packed characters.

    Examples
    --------
    >>> unpack_number("K3289"), unpack_number("~AZaz")
    (203289, 3140113)

    Raises
    ------
    DesignationError
        Not a packed number.
    """
    if not _PACKED_NUMBER.fullmatch(packed):
        raise DesignationError(
            f"{packed!r} is not a packed number: five characters such as 00007, K3289 or ~0000"
        )
    if packed[0] == "~":
        return LAST_LETTER_NUMBER + 1 + from_base62(packed[1:])
    return DIGITS62.index(packed[0]) * 10_000 + int(packed[1:])


def pack_cycle(count):
    """Two characters of a cycle count up to 619."""
    return f"{DIGITS62[count // 10]}{count % 10}"


def _unpack_cycle(text):
    return DIGITS62.index(text[0]) * 10 + int(text[1])


def pack_provisional(year, half, order, count):
    """Seven characters of a provisional designation; the extended form beyond cycle 619."""
    if count > LAST_SHORT_CYCLE:
        if not 2000 <= year <= 2061:
            raise DesignationError(
                f"cycle count {count} of {year} cannot be packed: only years 2000-2061 have that form"
            )
        sequence = (count - LAST_SHORT_CYCLE - 1) * 25 + LETTERS.index(order)
        return f"_{DIGITS62[year - 2000]}{half}{to_base62(sequence, 4)}"
    return f"{pack_year(year)}{half}{pack_cycle(count)}{order}"


def pack_year(year):
    """Three characters of a year."""
    if 1000 <= year < 2200:  # I = 18, J = 19, K = 20; the same run of letters further back
        return f"{string.ascii_uppercase[year // 100 - 10]}{year % 100:02d}"
    raise DesignationError(f"year {year}: packed designations here hold the years 1000 to 2199")


def _unpack_year(text):
    return (string.ascii_uppercase.index(text[0]) + 10) * 100 + int(text[1:])


def unpack(packed):
    """The readable form of a packed designation.

    Parameters
    ----------
    packed : str
        As MPCORB, the comet lists and the 80-column format hold it; blanks around it are allowed.

    Returns
    -------
    str
        '7', '2020 AB', '2040 P-L', 'C/2023 A3', '73P-B'.

    Raises
    ------
    DesignationError
        Not a packed designation.

    Examples
    --------
    >>> names = ("00007", "K20A00B", "_QC0aEM", "PLS2040", "CK23A030", "0073P      b", "PK10T20O")
    >>> [unpack(name) for name in names]
    ['7', '2020 AB', '2026 CZ6190', '2040 P-L', 'C/2023 A3', '73P-B', 'P/2010 TO20']
    """
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

"""Names of minor bodies: what users type, what catalogues pack, and both ways between them.

Sources: the Minor Planet Center's designation rules for minor planets, and the IAU's for comets (1995).
"""

import re
from typing import NamedTuple

from appulse.bodies.packing import (
    DIGITS62,
    LAST_NUMBER,
    LAST_SHORT_CYCLE,
    LETTERS,
    pack_cycle,
    pack_number,
    pack_provisional,
    pack_year,
    unpack,
    unpack_number,
)
from appulse.errors import DesignationError

__all__ = [
    "DIGITS62",
    "LAST_NUMBER",
    "LETTERS",
    "Name",
    "normalise",
    "pack",
    "pack_number",
    "read_name",
    "unpack",
    "unpack_number",
]


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
        The text is empty.

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

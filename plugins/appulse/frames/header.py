"""Looking things up in a FITS header as headers are: keywords with variants, numbers as strings, blanks."""

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.io.fits.card import Undefined

from appulse.errors import FrameError
from appulse.files import read_bytes
from appulse.formats import sexagesimal

_STRUCTURE = frozenset(
    [
        *("SIMPLE", "XTENSION", "BITPIX", "NAXIS", "EXTEND", "PCOUNT", "GCOUNT", "INHERIT"),
        *("EXTNAME", "EXTVER", "EXTLEVEL", "BSCALE", "BZERO", "BLANK", "BUNIT", "CHECKSUM", "DATASUM"),
        *("DATAMIN", "DATAMAX", "COMMENT", "HISTORY", "WCSAXES", "WCSNAME", "RADESYS", "RADECSYS", "EQUINOX"),
        *("LONPOLE", "LATPOLE", "A_ORDER", "B_ORDER", "AP_ORDER", "BP_ORDER", "A_DMAX", "B_DMAX"),
    ]
)
_NUMBERED = re.compile(
    r"(NAXIS|CTYPE|CUNIT|CRVAL|CRPIX|CDELT|CROTA|CNAME|CRDER|CSYER)\d+[A-Z]?"
    r"|(CD|PC)\d+_\d+[A-Z]?|P[VS]\d+_\d+[A-Z]?"
    r"|[AB]P?_\d+_\d+|Z(IMAGE|TABLE|CMPTYPE|NAXIS\d*|BITPIX|TILE\d+|QUANTIZ|DITHER0|NAME\d+|VAL\d+)"
)
_CARD = re.compile(r"[A-Z][A-Z0-9_-]{0,7} *= ")
_DECIMAL_MINUTES = re.compile(r"([-+]?)\s*(\d{1,3})[\s:hd°]+(\d{1,2}\.\d*)[m'′]?")


@dataclass(frozen=True)
class Card:
    """One keyword as found."""

    key: str
    value: object
    comment: str

    def __str__(self) -> str:
        return f"{self.key} {self.value}"


class Cards:
    """A header read by what is wanted from it."""

    # header: Not altered.
    # name: The file's name, first in every message.

    def __init__(self, header: fits.Header, name: str):
        self.header, self.name = header, name

    def find(self, *keys: str) -> Card | None:
        """The first of the keywords that is there and says something."""
        return next(iter(self.all(*keys)), None)

    def all(self, *keys: str) -> list[Card]:
        """All of the keywords that are there and say something, in the order asked for."""
        found = []
        for key in keys:
            if key not in self.header:
                continue
            try:
                value, comment = self.header[key], self.header.comments[key]
            except (fits.VerifyError, ValueError) as error:
                raise FrameError(
                    f"{self.name}: the header card {key} cannot be read ({error}): correct it"
                ) from error
            if isinstance(value, str):
                value = value.strip()
            if isinstance(value, Undefined) or value is None or value == "":
                continue
            found.append(Card(key, value, str(comment)))
        return found

    def number(self, *keys: str) -> tuple[float, Card] | None:
        """The first of the keywords that is there, as a number (also one that stands as a string)."""
        card = self.find(*keys)
        return None if card is None else (self.as_number(card), card)

    def as_number(self, card: Card) -> float:
        """A card's value as a finite number."""
        try:
            value = float("nan") if isinstance(card.value, bool) else float(card.value)
        except (TypeError, ValueError, OverflowError):
            value = float("nan")
        if not np.isfinite(value):
            raise FrameError(
                f"{self.name}: {card.key} = {card.value!r} is not a number: correct or remove the card"
            )
        return value

    def text(self, *keys: str) -> str | None:
        """The first of the keywords that is there, as words."""
        card = self.find(*keys)
        return None if card is None else str(card.value)


def parse_angle(value) -> float | None:
    """A number, or a sexagesimal angle, in the unit of its first part."""
    if isinstance(value, bool):
        return None
    if isinstance(value, int | float):
        try:
            return float(value) if np.isfinite(float(value)) else None
        except OverflowError:  # a card of four hundred digits
            return None
    text = str(value).strip()
    side = text[-1:].upper() if text[-1:].upper() in ("N", "S", "E", "W") and len(text) > 1 else ""
    # A trailing s after minutes stands for seconds; any other for south.
    if side == "S" and text[-1:] == "s" and re.search(r"m\s*[\d.]+s$", text):
        side = ""  # seconds, not south
    body = text[:-1].strip() if side else text
    sign = -1.0 if side in ("S", "W") else 1.0
    value = sexagesimal(body)
    if value is None and (match := _DECIMAL_MINUTES.fullmatch(body)) and float(match[3]) < 60.0:
        # By the sign's own character: -0:30.5 is negative.
        value = (-1.0 if match[1] == "-" else 1.0) * (int(match[2]) + float(match[3]) / 60.0)
    if value is not None:
        return sign * value if np.isfinite(value) else None
    try:
        number = float(body.rstrip("°dD"))
    except ValueError:
        return None
    return sign * number if np.isfinite(number) else None


def with_inherited(own: fits.Header, primary: fits.Header) -> fits.Header:
    """An extension's header with what only the primary header says."""
    # not its structure, WCS and pixels' scale.
    merged = own.copy()
    for card in primary.cards:
        key = card.keyword
        if key and key not in own and key not in _STRUCTURE and not _NUMBERED.fullmatch(key):
            merged.append(card, end=True)
    return merged


def read_side_header(path) -> fits.Header:
    """A header that stands in a file of its own: FITS without data, or plain text of one card a line."""
    path = Path(path)
    raw = read_bytes(path, "a side file with the WCS", FrameError)
    text = raw.decode("latin-1")
    # A FITS header is one run of 80-character cards; what has line ends is text, whatever it begins with.
    if raw.startswith(b"SIMPLE  =") and b"\n" not in raw[:2880]:
        lines = [text[i : i + 80] for i in range(0, len(text), 80)]
    else:
        lines = [f"{line.rstrip():80}"[:80] for line in text.splitlines() if line.strip()]
    end = next((i for i, line in enumerate(lines) if line.strip() == "END"), len(lines))
    cards = [fits.Card.fromstring(line) for line in lines[:end] if _CARD.match(line)]
    header = fits.Header(cards)
    for card in header.cards:
        try:
            _ = card.value, card.comment
        except (fits.VerifyError, ValueError) as error:
            words = f"the header card {card.keyword} cannot be read ({error}): correct it"
            raise FrameError(f"{path.name}: {words}") from error
    if not any(key.startswith("CTYPE") for key in header):
        raise FrameError(
            f"{path.name}: side file without CTYPE cards: a FITS header (as a solver's .wcs file) or plain "
            "text with one card a line (KEYWORD = value) is needed"
        )
    return header

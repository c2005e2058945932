"""What a camera's numbers mean: gain, read noise, saturation, dark current, each with where it comes from."""

import re
from dataclasses import dataclass

from appulse.errors import FrameError
from appulse.frames.header import Card, Cards


@dataclass(frozen=True)
class Valued:
    """A number and where it comes from.

    Parameters
    ----------
    value : float
        In the unit that its name in :class:`Camera` says.
    source : str
        A header keyword or ``given``.

    Examples
    --------
    >>> gain = Valued(1.4, "EGAIN")
    >>> float(gain), str(gain)
    (1.4, '1.4 (EGAIN)')
    """

    value: float
    source: str

    def __float__(self) -> float:
        return float(self.value)

    def __str__(self) -> str:
        return f"{self.value:g} ({self.source})"


@dataclass(frozen=True)
class Camera:
    """A camera as far as a frame or its user describes it; what is unknown is None.

    Parameters
    ----------
    gain_e_adu : Valued, optional
        Electrons per unit of the stored numbers (not a camera's gain *setting*).
    read_noise_e : Valued, optional
        Read noise, electrons per pixel.
    saturation_adu : Valued, optional
        Stored number from which a pixel is not to be trusted.
    dark_e_s : Valued, optional
        Dark current, electrons per second and pixel.

    Examples
    --------
    >>> print(Camera(gain_e_adu=Valued(1.4, "EGAIN")))
    gain 1.4 e/ADU (EGAIN)
    >>> Camera().read_noise_e is None
    True
    """

    gain_e_adu: Valued | None = None
    read_noise_e: Valued | None = None
    saturation_adu: Valued | None = None
    dark_e_s: Valued | None = None

    def __str__(self) -> str:
        words = (
            ("gain", self.gain_e_adu, "e/ADU"),
            ("read noise", self.read_noise_e, "e"),
            ("saturation", self.saturation_adu, "ADU"),
            ("dark current", self.dark_e_s, "e/s"),
        )
        known = [
            f"{name} {one.value:g} {unit} ({one.source})" for name, one, unit in words if one is not None
        ]
        return ", ".join(known) or "nothing known"


READ_NOISE_KEYS = ("RDNOISE", "READNOIS", "READNOISE", "RON", "ENOISE")
SATURATION_KEYS = ("SATURATE", "SATLEVEL", "SATURLEV", "MAXLIN")
DARK_KEYS = ("DARKCUR", "DARKCURR")
FILTER_KEYS = ("FILTER", "FILTER1", "FILTNAM", "FILTNAME", "BAND")
GAIN_RANGE = (0.005, 100.0)
"""Electrons per stored unit that some camera has; larger whole numbers are settings."""
LARGEST_WHOLE_GAIN = 20

_PER_ADU = re.compile(r"e[-_ ]?/|electrons?\s*(/|per)|e-?\s*per|\be-?\s*/\s*(adu|dn|count)", re.IGNORECASE)
_SETTING = re.compile(r"setting|\bdb\b|0\.1\s*db|index|camera gain", re.IGNORECASE)


def read_camera(
    cards: Cards,
    notes: list[str],
    *,
    gain_e_adu: float | None = None,
    read_noise_e: float | None = None,
    saturation_adu: float | None = None,
) -> Camera:
    """A camera's numbers: as given, else from the header."""
    given = {"gain_e_adu": gain_e_adu, "read_noise_e": read_noise_e, "saturation_adu": saturation_adu}
    for name, value in given.items():
        if value is not None and not 0.0 < float(value) < 1e12:
            raise FrameError(f"{cards.name}: {name} = {value}: a number above 0 is allowed")
    found = {
        "gain_e_adu": _gain(cards, notes),
        "read_noise_e": _positive(cards, notes, *READ_NOISE_KEYS),
        "saturation_adu": _positive(cards, notes, *SATURATION_KEYS) or _data_max(cards, notes),
        "dark_e_s": _positive(cards, notes, *DARK_KEYS),
    }
    found |= {name: Valued(float(value), "given") for name, value in given.items() if value is not None}
    return Camera(**found)


def _quiet_number(cards: Cards, card: Card, notes: list[str]) -> float | None:
    """A number that is nice to have: a bad one is named, not fatal."""
    try:
        return cards.as_number(card)
    except FrameError:
        notes.append(f"{card.key} = {card.value!r} is not a number: not used")
        return None


def _positive(cards: Cards, notes: list[str], *keys: str) -> Valued | None:
    for card in cards.all(*keys):
        value = _quiet_number(cards, card, notes)
        if value is not None and value > 0.0:
            return Valued(value, card.key)
    return None


def _data_max(cards: Cards, notes: list[str]) -> Valued | None:
    """DATAMAX is the array's largest number (FITS standard); some mean the largest good one, and say so."""
    card = cards.find("DATAMAX")
    if card is None or not re.search(r"satur|good|linear", card.comment, re.IGNORECASE):
        return None
    return _positive(cards, notes, "DATAMAX")


def _gain(cards: Cards, notes: list[str]) -> Valued | None:
    unit = (cards.text("BUNIT") or "").lower()
    if re.fullmatch(r"(photo)?e(lectrons?|-)?", unit):
        return Valued(1.0, "BUNIT")
    exact = _positive(cards, notes, "EGAIN")
    if exact is not None and GAIN_RANGE[0] <= exact.value <= GAIN_RANGE[1]:
        return exact
    card = cards.find("GAIN")
    value = None if card is None else _quiet_number(cards, card, notes)
    if value is None:
        return None
    in_range = GAIN_RANGE[0] <= value <= GAIN_RANGE[1]
    if _PER_ADU.search(card.comment) and in_range:
        return Valued(value, "GAIN")
    whole = value == int(value)
    if _SETTING.search(card.comment) or not in_range or (whole and value > LARGEST_WHOLE_GAIN):
        notes.append(f"{card} is a setting of the camera, not electrons per unit: not used")
        return None
    notes.append(f"{card} taken as electrons per stored unit, though its comment does not say so")
    return Valued(value, "GAIN")


def read_filter(cards: Cards) -> str | None:
    """The filter's name."""
    return cards.text(*FILTER_KEYS)


def read_mosaic(cards: Cards, notes: list[str]) -> str | None:
    """Colour-filter pattern of a raw mosaic, as the header has it."""
    pattern = (cards.text("BAYERPAT", "BAYRPAT", "CFAPAT", "CFA-PAT", "COLORTYP") or "").upper()
    if not re.fullmatch(r"[RGB]{4}", pattern):
        return None
    notes.append(
        f"raw mosaic ({pattern}): measured as it is, each of the four places of the pattern brought to one "
        "sky level; nothing interpolated"
    )
    return pattern

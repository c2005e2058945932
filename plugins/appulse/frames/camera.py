"""What a camera's numbers mean: gain, read noise, saturation, dark current, each with where it comes from."""

import re
from dataclasses import dataclass, replace

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

    def in_units_of(self, unit: float) -> "Camera":
        """The camera of pixels that are counted in `unit` stored ones."""
        gain, full = self.gain_e_adu, self.saturation_adu
        return replace(
            self,
            gain_e_adu=None if gain is None else Valued(gain.value * unit, gain.source),
            saturation_adu=None if full is None else Valued(full.value / unit, full.source),
        )

    def believed(self, scatter: float) -> tuple["Camera", tuple[str, ...]]:
        """The camera without a gain that pixels of this scatter contradict, and why."""
        gain = self.gain_e_adu
        if gain is None or not scatter * gain.value < LEAST_NOISE_E:
            return self, ()
        words = f"gain {gain} not used: the pixels would scatter by {scatter * gain.value:.1g} electrons"
        return replace(self, gain_e_adu=None), (f"{words}; were they rescaled?",)


READ_NOISE_KEYS = ("RDNOISE", "READNOIS", "READNOISE", "RON", "ENOISE")
SATURATION_KEYS = ("SATURATE", "SATLEVEL", "SATURLEV", "MAXLIN")
DARK_KEYS = ("DARKCUR", "DARKCURR")
FILTER_KEYS = ("FILTER", "FILTER1", "FILTNAM", "FILTNAME", "BAND")
# Electrons per stored unit that some camera has; larger whole numbers are settings.
GAIN_RANGE = (0.005, 100.0)
LARGEST_WHOLE_GAIN = 20
LEAST_NOISE_E = 0.1
"""Pixels that scatter by less are not in the unit of the gain: who rescales frames keeps the camera's card.
Common practice, no source: a read noise of 1 electron, averaged over a hundred exposures."""

_PER_ADU = re.compile(r"e[-_ ]?/|electrons?\s*(/|per)|e-?\s*per|\be-?\s*/\s*(adu|dn|count)", re.IGNORECASE)
_SETTING = re.compile(r"setting|\bdb\b|0\.1\s*db|index|camera gain", re.IGNORECASE)


def read_camera(
    cards: Cards,
    *,
    gain_e_adu: float | None = None,
    read_noise_e: float | None = None,
    saturation_adu: float | None = None,
) -> tuple[Camera, tuple[str, ...]]:
    """A camera's numbers, as given, else from the header; and what had to be understood."""
    given = {"gain_e_adu": gain_e_adu, "read_noise_e": read_noise_e, "saturation_adu": saturation_adu}
    for name, value in given.items():
        if value is not None and not 0.0 < float(value) < 1e12:
            raise FrameError(f"{cards.name}: {name} = {value}: a number above 0 is allowed")
    saturation = _positive(cards, *SATURATION_KEYS)
    if saturation[0] is None:
        saturation = _data_max(cards)[0], saturation[1] + _data_max(cards)[1]
    read = {
        "gain_e_adu": _gain(cards),
        "read_noise_e": _positive(cards, *READ_NOISE_KEYS),
        "saturation_adu": saturation,
        "dark_e_s": _positive(cards, *DARK_KEYS),
    }
    found = {name: value for name, (value, _) in read.items()}
    found |= {name: Valued(float(value), "given") for name, value in given.items() if value is not None}
    return Camera(**found), tuple(note for _, notes in read.values() for note in notes)


def _quiet_number(cards: Cards, card: Card | None) -> tuple[float | None, tuple[str, ...]]:
    """A number that is nice to have: a bad one is named, not fatal."""
    try:
        return (None if card is None else cards.as_number(card)), ()
    except FrameError:
        return None, (f"{card.key} = {card.value!r} is not a number: not used",)


def _positive(cards: Cards, *keys: str) -> tuple[Valued | None, tuple[str, ...]]:
    notes: tuple[str, ...] = ()
    for card in cards.all(*keys):
        value, more = _quiet_number(cards, card)
        notes += more
        if value is not None and value > 0.0:
            return Valued(value, card.key), notes
    return None, notes


def _data_max(cards: Cards) -> tuple[Valued | None, tuple[str, ...]]:
    """DATAMAX where its comment says that it is the largest good number."""
    # By the FITS standard it is the array's largest, good or not.
    card = cards.find("DATAMAX")
    if card is None or not re.search(r"satur|good|linear", card.comment, re.IGNORECASE):
        return None, ()
    return _positive(cards, "DATAMAX")


def _gain(cards: Cards) -> tuple[Valued | None, tuple[str, ...]]:
    unit = (cards.text("BUNIT") or "").lower()
    if re.fullmatch(r"(photo)?e(lectrons?|-)?", unit):
        return Valued(1.0, "BUNIT"), ()
    exact, notes = _positive(cards, "EGAIN")
    if exact is not None and GAIN_RANGE[0] <= exact.value <= GAIN_RANGE[1]:
        return exact, notes
    card = cards.find("GAIN")
    value, more = _quiet_number(cards, card)
    notes += more
    if value is None:
        return None, notes
    # GAIN is the keyword of two things: electrons per unit, and the camera's amplifier setting. The comment
    # decides, else the size: a setting is a whole number, mostly a large one.
    in_range = GAIN_RANGE[0] <= value <= GAIN_RANGE[1]
    if _PER_ADU.search(card.comment) and in_range:
        return Valued(value, "GAIN"), notes
    whole = value == int(value)
    if _SETTING.search(card.comment) or not in_range or (whole and value > LARGEST_WHOLE_GAIN):
        return None, (*notes, f"{card} is a setting of the camera, not electrons per unit: not used")
    note = f"{card} taken as electrons per stored unit, though its comment does not say so"
    return Valued(value, "GAIN"), (*notes, note)


def read_filter(cards: Cards) -> str | None:
    """The filter's name."""
    return cards.text(*FILTER_KEYS)


def read_mosaic(cards: Cards, given: str | None = None) -> tuple[str | None, tuple[str, ...]]:
    """Colour-filter pattern of a raw mosaic, by rows from pixel (0, 0), and how it is measured."""
    if given is not None:
        pattern = given.upper()
        if pattern == "NONE":
            return None, ()
        if not re.fullmatch(r"[RGB]{4}", pattern):
            raise FrameError(
                f"{cards.name}: mosaic {given!r}: four letters by rows from the first pixel, such as RGGB, "
                "or none are allowed"
            )
    else:
        pattern = (cards.text("BAYERPAT", "BAYRPAT", "CFAPAT", "CFA-PAT", "COLORTYP") or "").upper()
        if not re.fullmatch(r"[RGB]{4}", pattern):
            return None, ()
        # The pattern begins so many pixels before the first one of the file.
        x, y = (_mosaic_offset(cards, axis) for axis in ("X", "Y"))
        pattern = "".join(pattern[2 * ((j + y) % 2) + (i + x) % 2] for j in (0, 1) for i in (0, 1))
    return pattern, (
        f"raw mosaic ({pattern}): measured as it is, each of the four places of the pattern brought to one "
        "sky level; nothing interpolated",
    )


def _mosaic_offset(cards: Cards, axis: str) -> int:
    """Offset of the colour pattern along an axis, px; 0 where it is not told."""
    card = cards.find(f"{axis}BAYROFF", f"BAYOFF{axis}")
    value, _ = _quiet_number(cards, card)
    return 0 if value is None or not abs(value) < 1e6 else round(value) % 2

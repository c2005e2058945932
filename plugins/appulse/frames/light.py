"""How long light was collected: one exposure, or a stack's number, single and total time, by arithmetic."""

import re
from dataclasses import dataclass, replace

from appulse.errors import FrameTimeError
from appulse.frames.header import Card, Cards

GENERIC_KEYS = ("EXPTIME", "EXPOSURE", "EXP_TIME", "EXP-TIME", "ITIME", "INTTIME")
"""One exposure or the sum of a stack: the word does not tell."""
TOTAL_KEYS = ("XPOSURE", "TOTEXP", "TOTALEXP", "EXPTOTAL", "TEXPTIME", "LIVETIME")
"""The sum, by the FITS standard (XPOSURE) or by the word."""
SUB_KEYS = ("SUBEXP", "SUBEXPT", "EXPSUB", "SUBTIME")
"""One exposure of a stack."""
COUNT_KEYS = ("NCOMBINE", "NSUBEXP", "STACKCNT", "NSTACK", "NSUBS", "NCOADDS", "COADDS", "NFRAMES")
"""Number of exposures in the frame."""
SPAN_KEYS = ("TELAPSE",)
"""From start to end, by the FITS standard."""

SLACK = 0.01
"""Times that differ by less are the same: headers round them."""
SLACK_S = 0.5
_UNITS = {
    "ms": 1e-3,
    "msec": 1e-3,
    "millisecond": 1e-3,
    "us": 1e-6,
    "microsecond": 1e-6,
    "min": 60.0,
    "minute": 60.0,
}
_UNIT = re.compile(r"\b(milliseconds?|microseconds?|msec|ms|us|minutes?|min)\b", re.IGNORECASE)


@dataclass(frozen=True)
class Light:
    """What a header says about the length of a frame.

    Parameters
    ----------
    total_s : float or None
        Time in which light was collected, s.
    n_sub : int
    sub_s : float or None
        One exposure of a stack, s.
    generic_s : float or None
        An exposure time that may be either, s; only in a stack.
    span_s : float or None
        From start to end, s.
    words : str
        Where the total comes from.
    """

    total_s: float | None
    n_sub: int = 1
    sub_s: float | None = None
    generic_s: float | None = None
    span_s: float | None = None
    words: str = ""


def same(a_s: float, b_s: float) -> bool:
    """Whether two lengths of time are the same as far as headers round.

    Examples
    --------
    >>> same(120.0, 120.4), same(120.0, 60.0)
    (True, False)
    """
    return abs(a_s - b_s) <= SLACK_S + SLACK * min(a_s, b_s)


def read_light(cards: Cards, exposure_s: float | None, notes: list[str]) -> Light:
    """Exposure time, number and span, from the header or as given.

    Parameters
    ----------
    cards : Cards
    exposure_s : float, optional
        Light-collecting time of the whole frame as the user gives it, s; wins.
    notes : list of str
        Grows by what had to be understood.

    Returns
    -------
    Light

    Raises
    ------
    FrameTimeError
        If a length is no positive number, or two of them contradict each other.

    Examples
    --------
    >>> from astropy.io import fits
    >>> header = fits.Header([("NCOMBINE", 60), ("SUBEXP", 10.0), ("XPOSURE", 600.0), ("TELAPSE", 688.5)])
    >>> light = read_light(Cards(header, "m1.fits"), None, [])
    >>> light.total_s, light.n_sub, light.span_s
    (600.0, 60, 688.5)
    """
    n_sub = _count(cards)
    span = _seconds(cards, *SPAN_KEYS)
    span_s = None if span is None else span[0]
    if exposure_s is not None:
        if not 0.0 <= float(exposure_s) < 1e8:
            raise FrameTimeError(f"{cards.name}: --exposure {exposure_s}: seconds, at least 0, are allowed")
        said = _seconds(cards, *TOTAL_KEYS, *(GENERIC_KEYS if n_sub == 1 else ()))
        if said is not None and not same(said[0], float(exposure_s)):
            notes.append(f"exposure {exposure_s:g} s given; {said[1]} s of the header passed over")
        return Light(float(exposure_s), n_sub, span_s=span_s, words=f"{exposure_s:g} s (given)")
    total, sub = _seconds(cards, *TOTAL_KEYS), _seconds(cards, *SUB_KEYS)
    if n_sub == 1 and sub is not None and total is not None and not same(sub[0], total[0]):
        n_sub = max(1, round(total[0] / sub[0]))
        notes.append(f"{n_sub} exposures, from {total[1]} s and {sub[1]} s")
    if n_sub == 1:
        return replace(_single(cards, total or sub), span_s=span_s)
    return replace(_stack(cards, n_sub, total, sub), span_s=span_s)


def _count(cards: Cards) -> int:
    found = cards.number(*COUNT_KEYS)
    if found is None:
        return 1
    value, card = found
    if value != int(value) or not 0 <= value < 1e7:
        raise FrameTimeError(f"{cards.name}: {card} is no number of exposures: correct it")
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
            f"{cards.name}: {card} s is no exposure time: seconds, at least 0, are allowed; give --exposure"
        )
    return value, card


def _single(cards: Cards, total) -> Light:
    generic = [_seconds(cards, card.key) for card in cards.all(*GENERIC_KEYS)]
    known = [one for one in (total, *generic) if one is not None]
    for other in known[1:]:
        if not same(other[0], known[0][0]):
            raise FrameTimeError(
                f"{cards.name}: {known[0][1]} s and {other[1]} s contradict each other: give --exposure "
                "SECONDS"
            )
    return Light(known[0][0], words=f"{known[0][1].key} {known[0][0]:g} s") if known else Light(None)


def _stack(cards: Cards, n_sub: int, total, sub) -> Light:
    generic = [_seconds(cards, card.key) for card in cards.all(*GENERIC_KEYS)]
    for value, card in generic:
        if total is None and sub is not None and same(value, n_sub * sub[0]):
            total = value, card
        elif sub is None and total is not None and same(n_sub * value, total[0]):
            sub = value, card
        elif not any(known and same(value, known[0]) for known in (total, sub)) and (total or sub):
            other = total or sub
            raise FrameTimeError(
                f"{cards.name}: {card} s fits neither one nor all of the {n_sub} exposures of {other[1]} s: "
                "give --exposure SECONDS (of light in the whole frame)"
            )
    if total is not None and sub is not None and not same(total[0], n_sub * sub[0]):
        raise FrameTimeError(
            f"{cards.name}: {n_sub} exposures of {sub[1]} s are {n_sub * sub[0]:g} s, but {total[1]} s: give "
            "--exposure SECONDS (of light in the whole frame)"
        )
    if total is not None:
        return Light(total[0], n_sub, sub and sub[0], words=f"{total[1].key} {total[0]:g} s")
    if sub is not None:
        return Light(n_sub * sub[0], n_sub, sub[0], words=f"{n_sub} x {sub[1].key} {sub[0]:g} s")
    values = [value for value, _ in generic]
    for value, card in generic[1:]:
        if same(value, n_sub * values[0]) or same(n_sub * value, values[0]):
            return Light(
                max(value, values[0]),
                n_sub,
                min(value, values[0]),
                words=f"{card.key} and {generic[0][1].key}",
            )
        if not same(value, values[0]):
            raise FrameTimeError(
                f"{cards.name}: {generic[0][1]} s and {card} s contradict each other in a stack of {n_sub}: "
                "give --exposure SECONDS (of light in the whole frame)"
            )
    return Light(
        None, n_sub, generic_s=values[0] if values else None, words=generic[0][1].key if generic else ""
    )


def settle(name: str, light: Light, span_s: float | None, notes: list[str]) -> Light:
    """Decide by the span whether a stack's exposure time is that of one exposure or of all.

    Parameters
    ----------
    name : str
        Of the file.
    light : Light
    span_s : float or None
        From start to end, s.
    notes : list of str

    Returns
    -------
    Light
        With `total_s`, where anything is known.

    Raises
    ------
    FrameTimeError
        If neither fits, or nothing can decide.

    Examples
    --------
    >>> notes = []
    >>> settle("m1.fits", Light(None, 60, generic_s=10.0, words="EXPTIME"), 690.0, notes).total_s
    600.0
    >>> settle("m1.fits", Light(None, 60, generic_s=600.0, words="EXPTIME"), 690.0, notes).total_s
    600.0
    """
    if light.generic_s is None or light.total_s is not None:
        return light
    one, n_sub = light.generic_s, light.n_sub
    if span_s is None:
        raise FrameTimeError(
            f"{name}: {light.words} {one:g} s in a stack of {n_sub} may be one exposure or all, and the "
            "header has no start and end to decide: give --exposure SECONDS (of light in the whole frame)"
        )
    room_s = span_s + SLACK_S + SLACK * span_s
    if n_sub * one <= room_s:
        notes.append(f"{light.words} {one:g} s is one of {n_sub} exposures: all fit between start and end")
        return replace(
            light, total_s=min(n_sub * one, span_s), sub_s=one, words=f"{n_sub} x {light.words} {one:g} s"
        )
    if one <= room_s:
        notes.append(
            f"{light.words} {one:g} s is the sum of {n_sub} exposures: {n_sub} times as much would not fit "
            f"in the {span_s:g} s from start to end"
        )
        return replace(
            light, total_s=min(one, span_s), sub_s=one / n_sub, words=f"{light.words} {one:g} s (sum)"
        )
    raise FrameTimeError(
        f"{name}: {light.words} {one:g} s does not fit in the {span_s:g} s from start to end: give "
        "--exposure SECONDS, or the time with --time"
    )

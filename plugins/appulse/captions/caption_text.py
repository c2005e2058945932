"""Captions from facts and a template: every sentence whose facts are known, and no other.

Figures stand as people read them: no more digits than are known, large numbers in words.
"""

import math
import re
from dataclasses import asdict
from importlib.resources import files

import yaml

from appulse.constants import AU_KM
from appulse.errors import InputError
from appulse.files import read_text

LENGTHS = ("short", "medium", "long")
_FACT = re.compile(r"\{([a-z_]+)\}")


def default_template() -> str:
    """The template that comes with appulse.

    Examples
    --------
    >>> default_template().count("## ")
    3
    """
    return files("appulse.captions").joinpath("caption.md").read_text(encoding="utf-8")


def read_template(path=None) -> dict:
    """Sentences of a template by length.

    Parameters
    ----------
    path : path, optional
        The bundled one when left out.

    Returns
    -------
    dict
        Length to a list of sentences.

    Raises
    ------
    InputError
        If it cannot be read, or has a section that is none of short, medium and long, or none at all.
    """
    if path is None:
        return parse_template(default_template(), "bundled template")
    return parse_template(read_text(path, "a template"), str(path))


def parse_template(text, name="template") -> dict:
    """Sentences of a template's text by length; see :func:`read_template`."""
    sections, current = {}, None
    for line_number, line in enumerate(text.splitlines(), 1):
        words = line.strip()
        if words.startswith("## "):
            current = words[3:].strip().lower()
            if current not in LENGTHS:
                raise InputError(f"{name}:{line_number}: '## {current}': {', '.join(LENGTHS)} are allowed")
            sections[current] = []
        elif words and not words.startswith("#"):
            if current is None:
                raise InputError(f"{name}:{line_number}: a sentence before the first '## short|medium|long'")
            sections[current].append(words)
    if not sections:
        raise InputError(f"{name}: no section; it needs '## short', '## medium' or '## long'")
    return sections


def caption(facts, sentences, *, known=None) -> str:
    """Sentences with their facts filled in, one paragraph.

    Parameters
    ----------
    facts : list of Fact
    sentences : list of str
    known : set of str, optional
        Names that a template may use; a name that is none of them is a mistake, not a missing fact.

    Returns
    -------
    str

    Raises
    ------
    InputError
        If a sentence asks for a name that no fact has.

    Examples
    --------
    >>> from appulse.captions.formulas import light_time_s
    >>> caption([light_time_s(1.0)], ["Its light took {light_time}.", "It weighs {mass}."])
    'Its light took 8.32 minutes.'
    """
    words = {fact.key: value_text(fact) for fact in facts}
    out = []
    for sentence in sentences:
        asked = _FACT.findall(sentence)
        if known is not None and (unknown := sorted(set(asked) - known)):
            raise InputError(f"the template asks for {{{unknown[0]}}}; known: {', '.join(sorted(known))}")
        if all(name in words for name in asked):
            filled = _FACT.sub(lambda match: words[match[1]], sentence)
            out.append(filled[:1].upper() + filled[1:])
    return " ".join(out)


def captions_text(facts, sections, *, markdown, known=None) -> str:
    """The captions of all lengths, as Markdown or plain text."""
    parts = []
    for length in LENGTHS:
        if length not in sections:
            continue
        body = caption(facts, sections[length], known=known)
        parts.append(f"## {length.capitalize()}\n\n{body}" if markdown else f"{length.upper()}\n\n{body}")
    tail = facts_table(facts) if markdown else facts_lines(facts)
    title = "## Where the figures come from" if markdown else "WHERE THE FIGURES COME FROM"
    return "\n\n".join([*parts, title, tail]) + "\n"


def facts_table(facts) -> str:
    """Facts as a Markdown table."""
    rows = ["| fact | value | uncertainty | how | source |", "| --- | --- | --- | --- | --- |"]
    for fact in facts:
        cells = (fact.key, value_text(fact), error_text(fact), fact.formula, fact.source)
        rows.append("| " + " | ".join(cell.replace("|", "/") for cell in cells) + " |")
    return "\n".join(rows)


def facts_lines(facts) -> str:
    """Facts as lines of plain text."""
    lines = []
    for fact in facts:
        behind = [words for words in (error_text(fact), fact.formula, fact.source) if words]
        lines.append(f"{fact.key}: {value_text(fact)} [{'; '.join(behind)}]")
    return "\n".join(lines)


def facts_yaml(facts) -> str:
    """Facts with all that went in, as YAML.

    Examples
    --------
    >>> from appulse.captions.formulas import light_time_s
    >>> yaml.safe_load(facts_yaml([light_time_s(1.0)]))["light_time"]["unit"]
    's'
    """
    kept = {}
    for fact in facts:
        entry = asdict(fact)
        kept[entry.pop("key")] = {
            name: value for name, value in entry.items() if value not in (None, {}, False, "")
        }
    return yaml.safe_dump(kept, sort_keys=False, allow_unicode=True, width=110)


_STEPS = ((1e9, "billion"), (1e6, "million"))
LARGEST_NAMED = 1e12
"""From here on a number stands as a power of ten: the names of larger ones differ between countries."""

_SHARES = (
    (1 / 10, "a tenth"), (1 / 8, "an eighth"), (1 / 6, "a sixth"), (1 / 5, "a fifth"), (1 / 4, "a quarter"),
    (1 / 3, "a third"), (2 / 5, "two fifths"), (1 / 2, "half"), (3 / 5, "three fifths"),
    (2 / 3, "two thirds"), (3 / 4, "three quarters"), (4 / 5, "four fifths"), (9 / 10, "nine tenths"),
)  # fmt: skip


def rounded(value, low=None, high=None, digits=3) -> float:
    """A value cut to two digits of its uncertainty, or to `digits` significant ones."""
    if value == 0 or not math.isfinite(value):
        return value
    places = digits - 1 - math.floor(math.log10(abs(value)))
    if low is not None and high is not None and high > low:
        places = min(places, 1 - math.floor(math.log10((high - low) / 2)))
        # One digit is always left, however wide the limits are.
        places = max(places, -math.floor(math.log10(abs(value))))
    return round(value, places)


def number_text(value) -> str:
    """A number with commas; without a decimal point from 100 on; a power of ten from 10^12 on."""
    if LARGEST_NAMED <= abs(value) < math.inf:
        power = math.floor(math.log10(abs(value)))
        if round(abs(value) / 10**power, 2) >= 10:
            power += 1
        return f"{value / 10**power:.3g} \u00d7 10^{power}"
    for size, word in _STEPS:
        if abs(value) >= size:
            return f"{rounded(value / size):g} {word}"
    if abs(value) >= 100:
        return f"{value:,.0f}"
    return f"{value:.3g}"


def value_text(fact) -> str:
    """A fact's value with its unit, 'about' and limits where they belong.

    Parameters
    ----------
    fact : Fact
        Of :func:`appulse.captions.body_facts` and its kin.

    Returns
    -------
    str
        Text as it is; a number in a unit that can be spoken of, with no more digits than its limits allow.

    Examples
    --------
    >>> from appulse.captions.formulas import Fact
    >>> value_text(Fact("exposure", 1800.0, "s", "sum", "headers", uncertainty="none"))
    '30 minutes'
    """
    if isinstance(fact.value, str):
        return fact.value
    factor, unit = _handy(fact.value, fact.unit)
    value, low, high = (None if v is None else v * factor for v in (fact.value, fact.low, fact.high))
    # no more digits than the limits allow, and the limits themselves to three
    words = f"{number_text(rounded(value, low, high))}{_unit(unit)}"
    if low is not None and high is not None:
        words += f" ({number_text(rounded(low))} to {number_text(rounded(high))}{_unit(unit)})"
    return f"about {words}" if fact.about else words


def _handy(value, unit):
    """Factor and unit that make a number one to speak of: 1800 s are 30 minutes, 0.01 arcmin 0.6 arcsec."""
    if unit == "s" and value >= 7200:
        return 1 / 3600, "hours"
    if unit == "s" and value >= 120:
        return 1 / 60, "minutes"
    if unit == "hours" and value < 1:
        return 60.0, "minutes"
    if unit == "arcmin" and value < 1:
        return 60.0, "arcsec"
    return 1.0, unit


def error_text(fact) -> str:
    """What is known of a fact's error: its limits, or the words that stand for them.

    Parameters
    ----------
    fact : Fact
        Of :func:`appulse.captions.body_facts` and its kin.

    Returns
    -------
    str
        The limits in the unit of :func:`value_text`; the fact's words where it has none.

    Examples
    --------
    >>> from appulse.captions.formulas import Fact
    >>> error_text(Fact("tail_angle", 60.0, "arcmin", "law", "its author", 30.0, 120.0))
    '30 to 120′'
    """
    if fact.low is None or fact.high is None:
        return fact.uncertainty
    factor, unit = _handy(fact.value, fact.unit)
    low, high = (number_text(rounded(limit * factor)) for limit in (fact.low, fact.high))
    return f"{low} to {high}{_unit(unit)}"


def _unit(unit) -> str:
    names = {"ly": " light years", "deg": "\u00b0", "arcmin": "\u2032", "arcsec": "\u2033", "s": " seconds"}
    return names.get(unit, f" {unit}" if unit else "")


def size_comparison(ratio) -> str:
    """A ratio of sizes as something to hold: the smaller one shrunk to a grain of sand of one millimetre."""
    km = ratio * 1e-6
    if km < 1:
        size = f"{number_text(rounded(ratio * 1e-3, digits=2))} m"
    else:
        size = f"{number_text(rounded(km, digits=2))} km"
    words = f"were the first a grain of sand of 1 mm, the second would be {size} wide"
    suns = km / AU_KM
    if suns >= 0.5:
        words += f", {number_text(rounded(suns, digits=2))} times the distance of the Sun"
    return words


def share_text(value) -> str:
    """A length in widths of something: 'about a fifth of the width', 'about 2.3 times the width'."""
    if value >= 1.05:
        return f"about {value:.2g} times the width"
    if value > 0.95:
        return "about the width"
    if value < 0.09:
        return f"about {value * 100:.1g} % of the width"
    nearest = min(_SHARES, key=lambda share: abs(math.log(value / share[0])))
    return f"about {nearest[1]} of the width"


def degrees_text(value, positive, negative) -> str:
    """An angle as 'about 23 degrees south'."""
    return f"about {abs(round(value))}\u00b0 {positive if value >= 0 else negative}"

"""Tables of the evidence sheet: rows of words, and the same as HTML with every word from outside escaped."""

from __future__ import annotations

import re
import textwrap
from html import escape

import numpy as np

SHORT_TABLE = 12
"""Rows that a printed page keeps together."""
DASH = "\u2013"


def number(value, decimals, signed=False):
    """A number with a true minus sign; a dash where there is none.

    Examples
    --------
    >>> number(-0.254, 2, signed=True), number(float("nan"), 2)
    ('−0.25', '–')
    """
    if value is None or np.ma.is_masked(value) or not np.isfinite(float(value)):
        return DASH
    return format(float(value), f"{'+' if signed else ''}.{decimals}f").replace("-", "\u2212")


def with_sigma(value, sigma, decimals=3):
    """A number with its error; a dash where there is none."""
    text = number(value, decimals, signed=True)
    return text if text == DASH else f"{text} \u00b1 {number(sigma, decimals)}"


def html_table(head, rows, words=(), after=()):
    """A table; `words` are the columns of text, `after` a sentence below each row, empty for none.

    Examples
    --------
    >>> html_table(["a"], [["<b>"]])[-49:]
    '<tr><td>&lt;b&gt;</td></tr></tbody></table></div>'
    >>> html_table(["a"], [["b"]], after=["why"])[-69:-22]
    '<tr class="after"><td colspan="1">why</td></tr>'
    """
    top = "<thead><tr>" + _cells(head, words, "th", ' scope="col"') + "</tr></thead>"
    lines = ""
    for row, sentence in zip(rows, after or [""] * len(rows), strict=True):
        lines += f"<tr>{_cells(row, words, 'td')}</tr>"
        if sentence:
            lines += f'<tr class="after"><td colspan="{len(head)}">{escape(str(sentence))}</td></tr>'
    kind = ' class="short"' if len(rows) <= SHORT_TABLE else ""
    return f'<div class="wide"><table{kind}>{top}<tbody>{lines}</tbody></table></div>'


def _cells(row, words, tag, extra=""):
    kinds = [' class="words"' if i in words else "" for i in range(len(row))]
    return "".join(
        f"<{tag}{extra}{kind}>{_breakable(cell) if kind else escape(str(cell))}</{tag}>"
        for cell, kind in zip(row, kinds, strict=True)
    )


def _breakable(text):
    """Escaped text that a narrow column breaks after the marks of a file name, not within its words.

    Examples
    --------
    >>> _breakable("m_1.fits"), _breakable("3.59 px, -0.2")
    ('m_<wbr>1.<wbr>fits', '3.59 px, -0.2')
    """
    return re.sub(r"(_|(?<=\w)[.-])(?=[^\W\d_]|(?<=_)\w)", r"\1<wbr>", escape(str(text)))


def budget_rows(budget):
    """One-sigma errors of a measured place by their cause, arcsec.

    Parameters
    ----------
    budget : Budget
        From :func:`appulse.astrometry.budget.error_budget`.

    Returns
    -------
    head : list of str
    rows : list of list of str
    """
    names = ("sigma_ra", "sigma_dec", "sigma_along", "sigma_across")
    rows = [
        [line["part"], *(number(line[name].to_value("arcsec"), 3) for name in names), line["words"]]
        for line in budget.lines
    ]
    return ["one sigma, arcsec", "RA cos Dec", "Dec", "along", "across", ""], rows


def budget_table(budget):
    """The same as HTML, with what follows from it."""
    head, rows = budget_rows(budget)
    return html_table(head, rows, words=(0, 5)) + f"<p>{escape(budget.sentence)}</p>"


def alternatives_rows(table):
    """Causes with their chi-squared, best first.

    Returns
    -------
    head : list of str
    rows : list of list of str
    """
    order = (
        np.argsort(np.asarray(table["bic"], dtype=float)) if "bic" in table.colnames else range(len(table))
    )
    rows = [
        [
            str(table["cause"][i]) + (f" ({table['body'][i]})" if str(table["body"][i]) else ""),
            number(table["chi2"][i], 1),
            str(int(table["dof"][i])),
            _probability(table["probability"][i]),
            str(table["words"][i]),
        ]
        for i in order
    ]
    return ["cause", "chi-squared", "degrees of freedom", "probability", "judged by"], rows


def alternatives_table(table):
    """The same as HTML."""
    head, rows = alternatives_rows(table)
    return html_table(head, rows, words=(0, 4))


def _probability(value):
    if not np.isfinite(float(value)):
        return DASH
    return f"{float(value):.3f}" if value >= 0.001 else "< 0.001"


def provenance_list(provenance):
    """A dict of words, numbers, lists and dicts as a definition list."""
    items = "".join(f"<dt>{escape(str(k))}</dt><dd>{_plain(v)}</dd>" for k, v in provenance.items())
    return f"<dl>{items}</dl>"


def _plain(value):
    if isinstance(value, dict):
        return "<br>".join(f"{escape(str(k))}: {_plain(v)}" for k, v in value.items())
    if isinstance(value, list | tuple):
        return ", ".join(_plain(item) for item in value)
    return escape(str(value))


def provenance_lines(provenance, width=112):
    """The same as lines of text.

    Examples
    --------
    >>> provenance_lines({"orbits": {"file": "a.ecsv", "rows": [1, 2]}, "stars": "mine"})
    ['orbits', '    file: a.ecsv', '    rows: 1, 2', 'stars: mine']
    """
    lines = []
    for key, value in provenance.items():
        lines += _told(str(key), value, "", width)
    return lines


def _told(key, value, indent, width):
    if isinstance(value, dict):
        deeper = indent + "    "
        inner = [line for name, one in value.items() for line in _told(str(name), one, deeper, width)]
        return [f"{indent}{key}", *inner]
    if isinstance(value, list | tuple):
        value = ", ".join(str(one) for one in value)
    return textwrap.wrap(
        f"{indent}{key}: {value}", width, subsequent_indent=indent + "    ", break_long_words=True,
        break_on_hyphens=False,
    )  # fmt: skip

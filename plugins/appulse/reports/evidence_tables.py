"""Tables of the evidence sheet: rows of words, and the same as HTML with every word from outside escaped."""

from __future__ import annotations

import re
import textwrap
from html import escape

import numpy as np

from appulse.bodies import body_label
from appulse.reports.residual_plots import best_motion, best_place

SHORT_TABLE = 12
"""Rows that a printed page keeps together."""
DASH = "\u2013"


def printed(text):
    """Words as they are printed: a minus sign before numbers, and between O and C.

    Parameters
    ----------
    text : object
        What is shown as text; words with hyphens and dates stay as they are.

    Returns
    -------
    str

    Examples
    --------
    >>> printed("O-C -0.550 on 2027-05-04, 24P-B")
    'O\u2212C \u22120.550 on 2027-05-04, 24P-B'
    """
    words = re.sub(r"(?<![\w\u2212-])-(?=\.?\d)", "\u2212", str(text))
    return re.sub(r"\bO-C\b", "O\u2212C", words)


def number(value, decimals, signed=False):
    """A number with a true minus sign; a dash where there is none.

    Examples
    --------
    >>> number(-0.254, 2, signed=True), number(float("nan"), 2)
    ('−0.25', '–')
    """
    # a masked number prints its filling otherwise
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
    # a short table is not torn between pages
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
    """Head and rows of the one-sigma errors of a measured place by their cause, arcsec."""
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
    """Head and rows of the causes with their chi-squared, best first."""
    order = (
        np.argsort(np.asarray(table["bic"], dtype=float)) if "bic" in table.colnames else range(len(table))
    )
    rows = [
        [
            str(table["cause"][i]) + (f", {body_label(name)}" if (name := str(table["body"][i])) else ""),
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
    # 0.000 would say impossible
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
        lines += _described(str(key), value, "", width)
    return lines


def _described(key, value, indent, width):
    if isinstance(value, dict):
        deeper = indent + "    "
        inner = [line for name, item in value.items() for line in _described(str(name), item, deeper, width)]
        return [f"{indent}{key}", *inner]
    if isinstance(value, list | tuple):
        value = ", ".join(str(item) for item in value)
    return textwrap.wrap(
        f"{indent}{key}: {value}", width, subsequent_indent=indent + "    ", break_long_words=True,
        break_on_hyphens=False,
    )  # fmt: skip


LONG_NAME = 22
"""Letters of a frame's name that fit into a table."""


def frame_labels(names, most=LONG_NAME):
    """Short words for long frame names that share their beginning and end, and what the words leave out.

    Examples
    --------
    >>> labels, words = frame_labels(["2027-05-04_reduced_0001.fits.gz", "2027-05-04_reduced_0002.fits.gz"])
    >>> labels["2027-05-04_reduced_0002.fits.gz"], words
    ('…0002', 'Frames: …0002 is 2027-05-04_reduced_0002.fits.gz, and so on.')
    >>> frame_labels(["a.fits", "b.fits"])[0]
    {'a.fits': 'a.fits', 'b.fits': 'b.fits'}
    """
    names = list(dict.fromkeys(names))
    same = {name: name for name in names}
    # a single name, or short ones, need no shortening
    if len(names) < 2 or max(map(len, names)) <= most:
        return same, ""
    # only whole parts of a name are left out: half a number would be read as another
    start = re.match(r".*[_. -]|", _shared(names))[0]
    rest = [name[len(start) :] for name in names]
    end = _shared([end[::-1] for end in rest])[::-1]
    end = re.search(r"[_. -].*|$", end)[0]
    if not start and not end:
        return same, ""
    before = "\u2026" if start else ""
    labels = {name: before + part[: len(part) - len(end)] for name, part in zip(names, rest, strict=True)}
    return labels, f"Frames: {labels[names[-1]]} is {names[-1]}, and so on."


def _shared(texts):
    """Letters that all begin with."""
    many = next((i for i, column in enumerate(zip(*texts, strict=False)) if len(set(column)) > 1), None)
    return min(texts, key=len)[:many]


def _when(residual):
    return str(residual.time)[:19].replace("T", " ")


def best_rows(residuals):
    """Head and rows of the places that the plots show: plate-corrected, the plate's error added."""
    head = ["frame", "body", "middle, UTC", *SKY_HEAD]
    rows, labels = [], frame_labels([residual.frame for residual in residuals])[0]
    for residual in residuals:
        place, covariance, corrected = best_place(residual)
        # without an offset nothing was taken off: a dash, not the raw place under a wrong heading
        values, sigmas = [np.nan] * 4, [np.nan] * 4
        if corrected:
            motion, motion_sigma = best_motion(residual)
            values = [*place, *motion]
            sigmas = [*np.sqrt(np.diag(covariance)), *motion_sigma]
        cells = [with_sigma(value, sigma) for value, sigma in zip(values, sigmas, strict=True)]
        rows.append([labels[residual.frame], residual.label, _when(residual), *cells])
    return head, rows


SKY_PAIRS = (
    ("dra_cosdec", "sigma_ra"), ("ddec", "sigma_dec"), ("along", "sigma_along"), ("across", "sigma_across")
)  # fmt: skip
PLATE_PAIRS = (("plate_dra", "sigma_plate_ra"), ("plate_ddec", "sigma_plate_dec"))
SKY_HEAD = ["RA cos Dec", "Dec", "along", "across"]


def solved_rows(residuals):
    """Head and rows of the places by the frames' own plate solutions, and what the stars say of those."""
    # places that others reported have neither plate nor S/N, but a time that is asked for
    bare = reported(residuals)
    pairs = SKY_PAIRS if bare else SKY_PAIRS + PLATE_PAIRS
    rows, labels = [], frame_labels([residual.frame for residual in residuals])[0]
    for residual in residuals:
        row = residual.row()
        cells = [with_sigma(row[value], row[sigma]) for value, sigma in pairs]
        if bare:
            rows.append([residual.frame, residual.label, _when(residual), *cells])
        else:
            rows.append([labels[residual.frame], residual.label, *cells, number(row["snr"], 0)])
    if bare:
        return ["of", "body", "middle, UTC", *SKY_HEAD], rows
    return ["frame", "body", *SKY_HEAD, "plate RA", "plate Dec", "S/N"], rows


def reported(residuals):
    """Whether the places come from observations of others, without frames and stars."""
    return not any(residual.plate is not None or residual.fit is not None for residual in residuals)


def solved_words(residuals):
    """Heading and foot of the table of :func:`solved_rows`."""
    return (REPORTED, REPORTED_FOOT) if reported(residuals) else (SOLVED, SOLVED_FOOT)


REPORTED = "Places as reported"
REPORTED_FOOT = (
    "Arcsec; sigmas as stated, or assumed where none are. Along is positive with the motion, across 90\u00b0 "
    "further in position angle."
)
BEST = "Plate-corrected (as in the plots)"
BEST_FOOT = (
    "Arcsec. The stars' own offset at the body is taken off, its error added. Along is positive with the "
    "motion, across 90\u00b0 further in position angle."
)
SOLVED = "Using each frame's own plate solution"
SOLVED_FOOT = (
    "Arcsec. Nothing is taken off. Plate: the stars, observed minus catalogue, at the body; it is what is "
    "taken off above."
)


def numbers_tables(residuals):
    """O-C of every frame and body, with and without the plate's offset; below each row its flag."""
    parts = []
    names = frame_labels([residual.frame for residual in residuals])[1]
    if any(best_place(residual)[2] for residual in residuals):
        head, rows = best_rows(residuals)
        parts += [f"<h3>{BEST}</h3>", html_table(head, rows, words=(0, 1)), _small(f"{BEST_FOOT} {names}")]
    head, rows = solved_rows(residuals)
    flags = [residual.flag for residual in residuals]
    title, foot = solved_words(residuals)
    parts += [f"<h3>{title}</h3>", html_table(head, rows, words=(0, 1), after=flags)]
    parts.append(_small(f"{foot} {names}"))
    return "".join(parts)


def _small(words):
    return f'<p class="small">{escape(words)}</p>'

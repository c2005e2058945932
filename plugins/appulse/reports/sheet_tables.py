"""Tables of the evidence sheet, as HTML; every word from outside is escaped."""

from __future__ import annotations

from html import escape

import numpy as np

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


def _with_sigma(value, sigma, decimals=3):
    text = number(value, decimals, signed=True)
    return text if text == DASH else f"{text} \u00b1 {number(sigma, decimals)}"


def html_table(head, rows, words=()):
    """A table; `words` are the columns of text.

    Examples
    --------
    >>> html_table(["a"], [["<b>"]])[-49:]
    '<tr><td>&lt;b&gt;</td></tr></tbody></table></div>'
    """
    top = "<thead><tr>" + _cells(head, words, "th", ' scope="col"') + "</tr></thead>"
    lines = "".join(f"<tr>{_cells(row, words, 'td')}</tr>" for row in rows)
    return f'<div class="wide"><table>{top}<tbody>{lines}</tbody></table></div>'


def _cells(row, words, tag, extra=""):
    kinds = [' class="words"' if i in words else "" for i in range(len(row))]
    return "".join(
        f"<{tag}{extra}{kind}>{escape(str(cell))}</{tag}>" for cell, kind in zip(row, kinds, strict=True)
    )


def numbers_table(residuals):
    """O-C of every frame and body, arcsec."""
    head = [
        "frame", "body", "RA cos Dec", "Dec", "plate RA", "plate Dec", "less plate RA", "less plate Dec",
        "along", "across", "S/N", "flag",
    ]  # fmt: skip
    rows = []
    for one in residuals:
        row = one.row()
        rows.append(
            [
                one.frame,
                one.designation,
                _with_sigma(row["dra_cosdec"], row["sigma_ra"]),
                _with_sigma(row["ddec"], row["sigma_dec"]),
                _with_sigma(row["plate_dra"], row["sigma_plate_ra"]),
                _with_sigma(row["plate_ddec"], row["sigma_plate_dec"]),
                number(row["dra_plate"], 3, True),
                number(row["ddec_plate"], 3, True),
                _with_sigma(row["along"], row["sigma_along"]),
                _with_sigma(row["across"], row["sigma_across"]),
                number(row["snr"], 0),
                one.flag,
            ]
        )
    foot = (
        '<p class="small">Arcsec. First two: by the frame\'s own plate solution. Plate: the stars, observed '
        "minus catalogue, at the body. Along is positive with the motion, across 90\u00b0 further in "
        "position angle; both by the frame's own plate solution.</p>"
    )
    return html_table(head, rows, words=(0, 1, 11)) + foot


def budget_table(budget):
    """One-sigma errors of a measured place by their cause, arcsec.

    Parameters
    ----------
    budget : Budget
        From :func:`appulse.astrometry.budget.error_budget`.
    """
    names = ("sigma_ra", "sigma_dec", "sigma_along", "sigma_across")
    rows = [
        [line["part"], *(number(line[name].to_value("arcsec"), 3) for name in names), line["words"]]
        for line in budget.lines
    ]
    head = ["one sigma, arcsec", "RA cos Dec", "Dec", "along", "across", ""]
    judged = f"{escape(budget.sentence)} (chi-squared {number(budget.chi2, 1)} with 2 degrees of freedom)"
    return html_table(head, rows, words=(0, 5)) + f"<p>{judged}</p>"


def alternatives_table(table):
    """Causes with their chi-squared, best first."""
    order = (
        np.argsort(np.asarray(table["bic"], dtype=float)) if "bic" in table.colnames else range(len(table))
    )
    rows = [
        [
            str(table["cause"][i]) + (f" ({table['body'][i]})" if str(table["body"][i]) else ""),
            number(table["chi2"][i], 1),
            int(table["dof"][i]),
            _probability(table["probability"][i]),
            str(table["words"][i]),
        ]
        for i in order
    ]
    return html_table(["cause", "chi-squared", "degrees", "probability", "of"], rows, words=(0, 4))


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

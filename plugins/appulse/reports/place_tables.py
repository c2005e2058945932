"""Tables of measured places in the evidence sheet: with and without the plate's offset, and as reported."""

from __future__ import annotations

import re
from html import escape

import numpy as np

from appulse.reports.plots import best_motion, best_place
from appulse.reports.sheet_tables import html_table, number, with_sigma

LONG_NAME = 22
"""Letters of a frame's name that fit into a table."""


def frame_labels(names, most=LONG_NAME):
    """Short words for long frame names that share their beginning and end.

    Parameters
    ----------
    names : sequence of str
    most : int
        Letters that need no shortening.

    Returns
    -------
    labels : dict of str to str
    words : str
        What the labels leave out; empty where they are the names.

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
    if len(names) < 2 or max(map(len, names)) <= most:
        return same, ""
    start = re.match(r".*[_. -]|", _shared(names))[0]
    rest = [name[len(start) :] for name in names]
    end = _shared([one[::-1] for one in rest])[::-1]
    end = re.search(r"[_. -].*|$", end)[0]
    if not start and not end:
        return same, ""
    before = "\u2026" if start else ""
    labels = {name: before + one[: len(one) - len(end)] for name, one in zip(names, rest, strict=True)}
    return labels, f"Frames: {labels[names[-1]]} is {names[-1]}, and so on."


def _shared(texts):
    """Letters that all begin with."""
    many = next((i for i, column in enumerate(zip(*texts, strict=False)) if len(set(column)) > 1), None)
    return min(texts, key=len)[:many]


def _when(residual):
    return str(residual.time)[:19].replace("T", " ")


def best_rows(residuals):
    """The places that the plots show: the plate's offset taken off, its error added.

    Parameters
    ----------
    residuals : sequence of Residual

    Returns
    -------
    head : list of str
    rows : list of list of str
        A dash where no offset is known: then nothing was taken off.
    """
    head = ["frame", "body", "middle, UTC", "RA cos Dec", "Dec", "along", "across"]
    rows, labels = [], frame_labels([one.frame for one in residuals])[0]
    for one in residuals:
        place, covariance, corrected = best_place(one)
        values, sigmas = [np.nan] * 4, [np.nan] * 4
        if corrected:
            motion, motion_sigma = best_motion(one)
            values = [*place, *motion]
            sigmas = [*np.sqrt(np.diag(covariance)), *motion_sigma]
        cells = [with_sigma(value, sigma) for value, sigma in zip(values, sigmas, strict=True)]
        rows.append([labels[one.frame], one.designation, _when(one), *cells])
    return head, rows


def solved_rows(residuals):
    """The places as the frames' own plate solutions have them, and what the stars say of those.

    Parameters
    ----------
    residuals : sequence of Residual

    Returns
    -------
    head : list of str
    rows : list of list of str
    """
    if reported(residuals):
        return _reported_rows(residuals)
    head = ["frame", "body", "RA cos Dec", "Dec", "along", "across", "plate RA", "plate Dec", "S/N"]
    pairs = (
        ("dra_cosdec", "sigma_ra"), ("ddec", "sigma_dec"), ("along", "sigma_along"),
        ("across", "sigma_across"), ("plate_dra", "sigma_plate_ra"), ("plate_ddec", "sigma_plate_dec"),
    )  # fmt: skip
    rows, labels = [], frame_labels([one.frame for one in residuals])[0]
    for one in residuals:
        row = one.row()
        cells = [with_sigma(row[value], row[sigma]) for value, sigma in pairs]
        rows.append([labels[one.frame], one.designation, *cells, number(row["snr"], 0)])
    return head, rows


def reported(residuals):
    """Whether the places come from observations of others, without frames and stars."""
    return not any(one.plate is not None or one.fit is not None for one in residuals)


def _reported_rows(residuals):
    head = ["of", "body", "middle, UTC", "RA cos Dec", "Dec", "along", "across"]
    pairs = (
        ("dra_cosdec", "sigma_ra"), ("ddec", "sigma_dec"), ("along", "sigma_along"),
        ("across", "sigma_across"),
    )  # fmt: skip
    rows = []
    for one in residuals:
        row = one.row()
        cells = [with_sigma(row[value], row[sigma]) for value, sigma in pairs]
        rows.append([one.frame, one.designation, _when(one), *cells])
    return head, rows


def solved_words(residuals):
    """Heading and foot of the table of :func:`solved_rows`."""
    return (REPORTED, REPORTED_FOOT) if reported(residuals) else (SOLVED, SOLVED_FOOT)


REPORTED = "Places as reported"
REPORTED_FOOT = (
    "Arcsec; sigmas as stated, or assumed where none are. Along is positive with the motion, across 90\u00b0 "
    "further in position angle."
)
BEST = "Plate offset taken off (as in the plots)"
BEST_FOOT = (
    "Arcsec. The stars' own offset at the body is taken off, its error added. Along is positive with the "
    "motion, across 90\u00b0 further in position angle."
)
SOLVED = "As the frames' own plate solutions have it"
SOLVED_FOOT = (
    "Arcsec. Nothing is taken off. Plate: the stars, observed minus catalogue, at the body; it is what is "
    "taken off above."
)


def numbers_tables(residuals):
    """O-C of every frame and body, with and without the plate's offset; below each row its flag."""
    parts = []
    names = frame_labels([one.frame for one in residuals])[1]
    if any(best_place(one)[2] for one in residuals):
        head, rows = best_rows(residuals)
        parts += [f"<h3>{BEST}</h3>", html_table(head, rows, words=(0, 1)), _small(f"{BEST_FOOT} {names}")]
    head, rows = solved_rows(residuals)
    flags = [one.flag for one in residuals]
    title, foot = solved_words(residuals)
    parts += [f"<h3>{title}</h3>", html_table(head, rows, words=(0, 1), after=flags)]
    parts.append(_small(f"{foot} {names}"))
    return "".join(parts)


def _small(words):
    return f'<p class="small">{escape(words)}</p>'

"""Find in a catalogue the body that a number, designation or name means."""

import contextlib
import difflib

import numpy as np

from appulse.bodies.designations import pack, read_name
from appulse.errors import DesignationError

FEW = 5_000
"""Up to here every name is compared for the nearest ones."""


def rows_meant(catalogue, text):
    """Rows of an :class:`~appulse.bodies.orbits.OrbitCatalogue` that a text means.

    Parameters
    ----------
    catalogue : OrbitCatalogue
    text : str
        As typed: exact writing goes first, then number, designation (packed, too), other designations, name.

    Returns
    -------
    (k,) array of int
    """
    wanted = read_name(text)
    plain = " ".join(str(text).split())
    found = _equals(catalogue._designation, plain)
    if wanted.number is not None:
        found |= catalogue.number == wanted.number
    elif wanted.designation:
        found |= _equals(catalogue._designation, wanted.designation)
        for row, more in catalogue.extras.items():
            found[row] |= wanted.designation in more.get("aliases", ())
    else:
        found |= _equals(catalogue._name, plain)
        if not found.any():
            for column in (catalogue.name, catalogue.designation):
                found |= np.char.lower(column) == plain.lower()
    if wanted.kind == "numbered comet" and not found.any():  # 73P where only its fragments are listed
        found |= np.char.startswith(catalogue.designation, wanted.designation + "-")
    return np.flatnonzero(found)


def row_meant(catalogue, text):
    """The one row that a text means.

    Raises
    ------
    DesignationError
        None or several are meant; the message names them, or what comes near.
    """
    rows = rows_meant(catalogue, text)
    if len(rows) == 1:
        return int(rows[0])
    if len(rows):
        epochs = catalogue.epoch_jd_tdb
        listed = ", ".join(f"{catalogue.label(row)} (epoch {epochs[row]:.1f})" for row in rows[:4])
        more = f" and {len(rows) - 4} more" if len(rows) > 4 else ""
        raise DesignationError(
            f"{text!r} means {len(rows)} bodies: {listed}{more}; use a number or designation"
        )
    raise DesignationError(
        f"{text!r} is not among the {len(catalogue)} orbits at hand{_hint(catalogue, text)}"
    )


def _hint(catalogue, text):
    """Why a body is missing, or what might have been meant."""
    writings = {repr(str(text)), repr(read_name(text).designation)}
    with contextlib.suppress(DesignationError):  # a mere name has no packed form
        writings.add(repr(pack(text)))
    for line, reason in catalogue.rejected:
        if any(writing in reason for writing in writings):
            return f"; line {line} was skipped: {reason}"
    if len(catalogue) > FEW:
        return ": check the spelling, or use a number or designation"
    labels = [catalogue.label(row) for row in range(len(catalogue))]
    words = [word for word in (*labels, *catalogue.name.tolist()) if word]
    near = difflib.get_close_matches(str(text), words, n=3, cutoff=0.6)
    if near:
        return f"; near: {', '.join(near)}"
    return f" ({', '.join(labels[:4])}{', ...' if len(labels) > 4 else ''})"


def text_at(column, row):
    """One row of a str or bytes column, without decoding the whole of it.

    Examples
    --------
    >>> text_at(np.array([b"7", b"8"]), 1)
    '8'
    """
    return str(column[row : row + 1].astype(str)[0])


def _equals(column, text):
    """Rows of a str or bytes column equal to a text."""
    if column.dtype.kind == "S":
        return column == text.encode("ascii", "replace")
    return column == text

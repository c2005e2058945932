"""What is known of numbered minor planets beside their orbits: names and measured diameters."""

from functools import lru_cache
from importlib import resources
from typing import NamedTuple

import numpy as np
from astropy.table import Table

NAMED_FILE = "starter_named.npz"
"""The packed list of named minor planets, which :mod:`appulse.bodies.listed` reads whole."""


class MeasuredDiameter(NamedTuple):
    """A diameter, km, and who measured it; the table states no error."""

    km: float
    source: str


class _Known(NamedTuple):
    name: str
    diameter: MeasuredDiameter


@lru_cache(maxsize=1)
def _table() -> dict[int, _Known]:
    with resources.as_file(resources.files("appulse.data") / "diameters.ecsv") as path:
        table = Table.read(path, format="ascii.ecsv")
    sources = table.meta["sources"]
    return {
        int(row["number"]): _Known(
            str(row["name"]), MeasuredDiameter(float(row["diameter"]), sources[str(row["source"])])
        )
        for row in table
    }


@lru_cache(maxsize=1)
def _names() -> dict[int, str]:
    """Names by number: of all bundled bodies, and of those with a measured diameter."""
    with (
        resources.as_file(resources.files("appulse.data") / NAMED_FILE) as path,
        np.load(path, allow_pickle=False) as file,
    ):
        names = {number: known.name for number, known in _table().items()}
        for numbers, texts in (("number", "names"), ("others", "names_of_others")):
            words = file[texts].tobytes().decode().split("\n")
            names |= dict(zip(file[numbers].tolist(), words, strict=True))
        return names


def _row(number) -> _Known | None:
    text = str(number)
    return _table().get(int(text)) if text.isascii() and text.isdigit() else None


def measured_diameter(number: int | str | None) -> MeasuredDiameter | None:
    """The measured diameter of a numbered minor planet.

    Parameters
    ----------
    number : int, str or None
        Permanent number.

    Returns
    -------
    MeasuredDiameter or None
        Kilometres and the source in words; None where the table has no such number.

    Examples
    --------
    >>> measured_diameter(7).km
    199.83
    >>> measured_diameter("K20A00B") is None
    True
    """
    row = _row(number)
    return None if row is None else row.diameter


def body_label(designation: str) -> str:
    """What people read of a body that is known by its designation alone.

    Parameters
    ----------
    designation : str
        As in tables.

    Returns
    -------
    str
        A number stands in brackets, with the name where one is known; all else as it is.

    Examples
    --------
    >>> body_label("7"), body_label("99950"), body_label("87654"), body_label("2020 AB")
    ('(7) Iris', '(99950) Euchenor', '(87654)', '2020 AB')
    """
    text = str(designation).strip()
    if not (text.isascii() and text.isdigit()):
        return text
    name = _names().get(int(text))
    return f"({text}) {name}" if name else f"({text})"

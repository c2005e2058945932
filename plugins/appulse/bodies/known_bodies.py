"""What is known of numbered minor planets beside their orbits: names and measured diameters."""

from functools import lru_cache
from importlib import resources
from typing import NamedTuple

from astropy.table import Table


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
        A number stands in brackets, with the name where the table of bodies has one; all else as it is.

    Examples
    --------
    >>> body_label("7"), body_label("87654"), body_label("2020 AB")
    ('(7) Iris', '(87654)', '2020 AB')
    """
    text = str(designation).strip()
    if not (text.isascii() and text.isdigit()):
        return text
    row = _row(text)
    return f"({text})" if row is None else f"({text}) {row.name}"

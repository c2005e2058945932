"""Measured diameters of minor planets, from the table that comes with appulse."""

from functools import lru_cache
from importlib import resources
from typing import NamedTuple

from astropy.table import Table


class MeasuredDiameter(NamedTuple):
    """A diameter, km, and who measured it; the table states no error."""

    km: float
    source: str


@lru_cache(maxsize=1)
def _table() -> dict:
    with resources.as_file(resources.files("appulse.data") / "diameters.ecsv") as path:
        table = Table.read(path, format="ascii.ecsv")
    sources = table.meta["sources"]
    return {
        int(number): MeasuredDiameter(float(km), sources[str(source)])
        for number, km, source in zip(table["number"], table["diameter"], table["source"], strict=True)
    }


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
    text = str(number)
    return _table().get(int(text)) if text.isascii() and text.isdigit() else None

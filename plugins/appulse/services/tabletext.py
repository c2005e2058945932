"""Tables as text, so that replies of every service are kept in one way."""

import io

import numpy as np
from astropy.table import MaskedColumn, Table
from astropy.time import Time


def to_text(table):
    """A table as ECSV; values, units and masks survive.

    Examples
    --------
    >>> to_text(Table({"a": [1]})).startswith("# %ECSV")
    True
    """
    plain = Table(table)
    plain.meta = {}
    buffer = io.StringIO()
    plain.write(buffer, format="ascii.ecsv")
    return buffer.getvalue()


def from_text(text):
    """The table that :func:`to_text` wrote.

    Examples
    --------
    >>> from_text(to_text(Table({"a": [1, 2]})))["a"].tolist()
    [1, 2]
    """
    return Table.read(text, format="ascii.ecsv")


def plain(table):
    """A table of plain columns: times as ISO text in UTC, quantities as numbers with a unit, masks kept.

    Examples
    --------
    >>> plain(Table({"time": Time(["2027-05-04T22:36:00"])}))["time"].tolist()
    ['2027-05-04T22:36:00.000']
    """
    out = Table()
    for name in table.colnames:
        column = table[name]
        if isinstance(column, Time):
            out[name] = list(column.utc.isot)
            continue
        unit = getattr(column, "unit", None)
        values = column.value if hasattr(column, "value") and unit is not None else column
        mask = getattr(values, "mask", None)
        if mask is None or not np.any(mask):
            out[name] = np.asarray(getattr(values, "unmasked", values))
        else:
            out[name] = MaskedColumn(np.asarray(getattr(values, "unmasked", values)), mask=mask)
        if unit is not None:
            out[name].unit = unit
    out.meta = dict(table.meta)
    return out

"""Tables as text, so that replies of every service are kept in one way."""

import io

from astropy.table import Table


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

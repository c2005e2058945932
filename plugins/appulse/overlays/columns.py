"""Columns of ephemeris tables as plain floats."""

import numpy as np


def plain_column(table, name):
    """A column as floats; NaN where it is masked or absent.

    Parameters
    ----------
    table : Table or QTable
    name : str

    Returns
    -------
    (n,) float array, in the column's own unit

    Examples
    --------
    >>> from astropy.table import Table
    >>> plain_column(Table({"mag": np.ma.array([1.0, 2.0], mask=[False, True])}), "mag").tolist()
    [1.0, nan]
    """
    if name not in table.colnames:
        return np.full(len(table), np.nan)
    values = table[name]
    mask = np.broadcast_to(np.asarray(getattr(values, "mask", False)), len(table))
    plain = getattr(values, "unmasked", values)
    return np.where(mask, np.nan, np.asarray(getattr(plain, "value", plain), dtype=float))

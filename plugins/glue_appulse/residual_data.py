"""Residuals as a glue table: rows come, go and come back; ordinary viewers plot them."""

import numpy as np
from astropy.table import QTable
from astropy.time import Time

from .kinds import KIND_KEY, RESIDUALS, all_of, from_json, to_json

LABEL = "residuals"
MJD = "MJD (UTC)"
PROVENANCE_KEY, META_KEY = "appulse_provenance", "appulse_table_meta"
TIME_COLUMN = "time"
#: Rows are told apart by these.
ROW_KEY = ("frame", "designation")


def find(data_collection):
    """The residuals of a collection.

    Parameters
    ----------
    data_collection : glue.core.data_collection.DataCollection

    Returns
    -------
    glue.core.data.Data or None
    """
    found = all_of(data_collection, RESIDUALS)
    return found[0] if found else None


def _plain(column):
    """Values, unit and word-ness of a table's column as glue can hold it."""
    unit = "" if getattr(column, "unit", None) is None else str(column.unit)
    mask = np.asarray(getattr(column, "mask", False))
    values = getattr(column, "unmasked", column)
    values = np.asarray(getattr(values, "value", values))
    if values.dtype.kind in "SUO":
        return np.where(mask, "", values.astype(str)), unit
    return np.where(mask, np.nan, values.astype(float)), unit


def data_of(table):
    """A glue data set of a residual table.

    Parameters
    ----------
    table : astropy.table.QTable
        With the columns of :mod:`appulse.formats.residual_table`.

    Returns
    -------
    glue.core.data.Data
        The same columns, and the time as a number for plots.
    """
    from glue.core import Component, Data
    from glue.core.component import CategoricalComponent

    data = Data(label=LABEL)
    times = Time(table[TIME_COLUMN]).utc
    for name in table.colnames:
        if name == TIME_COLUMN:
            data.add_component(CategoricalComponent(np.atleast_1d(times.isot)), name)
            data.add_component(Component(np.atleast_1d(times.mjd).astype(float), units="d"), MJD)
            continue
        values, unit = _plain(table[name])
        made = CategoricalComponent(values) if values.dtype.kind == "U" else Component(values, units=unit)
        data.add_component(made, name)
    data.meta.update({KIND_KEY: RESIDUALS, META_KEY: to_json(_texts(table.meta))})
    data.style.color, data.style.alpha, data.style.markersize = "#ffb000", 1.0, 7
    return data


def _texts(value):
    """Metadata as nested plain values."""
    if isinstance(value, dict):
        return {str(key): _texts(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_texts(item) for item in value]
    return value if isinstance(value, str | int | float | bool | None) else str(value)


def table_of(layer):
    """The residual table of a data set or of the selected rows of one.

    Parameters
    ----------
    layer : glue.core.data.Data or glue.core.subset.Subset

    Returns
    -------
    astropy.table.QTable
    """
    from astropy import units as u
    from glue.core.subset import Subset

    data = layer.data if isinstance(layer, Subset) else layer
    keep = np.asarray(layer.to_mask(), bool) if isinstance(layer, Subset) else np.ones(data.size, bool)
    table = QTable(meta=from_json(data.meta.get(META_KEY)) or {})
    for cid in data.main_components:
        component = data.get_component(cid)
        if cid.label == MJD:
            continue
        if cid.label == TIME_COLUMN:
            table[TIME_COLUMN] = Time(
                np.asarray(component.labels)[keep].astype(str), scale="utc", format="isot"
            )
        elif component.categorical:
            table[cid.label] = np.asarray(component.labels)[keep].astype(str)
        else:
            values = np.asarray(component.data)[keep]
            table[cid.label] = values * u.Unit(component.units) if component.units else values
    if "n_stars" in table.colnames:
        table["n_stars"] = np.nan_to_num(np.asarray(table["n_stars"], float)).astype(int)
    return table


def _keys(table):
    return list(zip(*[np.asarray(table[name]).astype(str) for name in ROW_KEY], strict=True))


def merged(old, new):
    """Rows of two residual tables; a row measured again takes the place of the earlier one.

    Parameters
    ----------
    old : astropy.table.QTable or None
    new : astropy.table.QTable

    Returns
    -------
    astropy.table.QTable
        By time, then body.
    """
    from astropy.table import vstack

    if old is None or len(old) == 0:
        result = new.copy()
    else:
        fresh = set(_keys(new))
        kept = old[[key not in fresh for key in _keys(old)]]
        result = vstack([kept, new], metadata_conflicts="silent") if len(kept) else new.copy()
    result.meta = dict(new.meta) or (dict(old.meta) if old is not None else {})
    order = np.lexsort((np.asarray(result["designation"]).astype(str), Time(result[TIME_COLUMN]).utc.mjd))
    return result[order]


def without(table, keys):
    """A residual table without some rows.

    Parameters
    ----------
    table : astropy.table.QTable
    keys : list of (str, str)
        Frame and designation.

    Returns
    -------
    astropy.table.QTable
    """
    gone = set(keys)
    return table[[key not in gone for key in _keys(table)]]


def put(data_collection, table):
    """Make a table the residuals of a collection; plots and selections follow.

    Parameters
    ----------
    data_collection : glue.core.data_collection.DataCollection
    table : astropy.table.QTable
        An empty one removes the residuals.

    Returns
    -------
    glue.core.data.Data or None
    """
    data = find(data_collection)
    if len(table) == 0:
        if data is not None:
            data_collection.remove(data)
        return None
    new = data_of(table)
    if data is None:
        data_collection.append(new)
        return new
    data.update_values_from_data(new)
    data.meta.update(new.meta)
    return data


def add_rows(data_collection, table):
    """Add measured rows.

    Parameters
    ----------
    data_collection : glue.core.data_collection.DataCollection
    table : astropy.table.QTable

    Returns
    -------
    undo : callable
        Puts the residuals back as they were.
    """
    data = find(data_collection)
    before = table_of(data) if data is not None else None
    put(data_collection, merged(before, table))
    return lambda: put(data_collection, before if before is not None else table[:0])


def remove_rows(data_collection, keys):
    """Take rows out.

    Parameters
    ----------
    data_collection : glue.core.data_collection.DataCollection
    keys : list of (str, str)
        Frame and designation.

    Returns
    -------
    undo : callable
    """
    data = find(data_collection)
    if data is None:
        return lambda: None
    before = table_of(data)
    put(data_collection, without(before, keys))
    return lambda: put(data_collection, before)

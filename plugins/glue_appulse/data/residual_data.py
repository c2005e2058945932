"""Residuals as a glue table: rows come, go and come back; ordinary viewers plot them."""

from collections.abc import Callable

import numpy as np
from astropy.time import Time

from appulse.overlays import RESIDUAL as MEASURED_COLOR
from glue_appulse.data.kinds import KIND_KEY, RESIDUALS, all_of, from_json, to_json

LABEL = "residuals"
MJD = "MJD (UTC)"
META_KEY = "appulse_table_meta"
TIME_COLUMN = "time"
#: Key of the metadata: how each row was measured, so that it can be measured again after a restore.
TASKS = "tasks"
#: Rows are told apart by these.
ROW_KEY = ("frame", "designation")


def find(data_collection):
    """The residuals of a collection."""
    found = all_of(data_collection, RESIDUALS)
    return found[0] if found else None


def collection_of(layer):
    """The collection that a data set, or the data set of a subset, is in; None outside one."""
    from glue.core import DataCollection

    data = getattr(layer, "data", layer)
    listeners = getattr(data.hub, "_subscriptions", ())
    return next((one for one in list(listeners) if isinstance(one, DataCollection) and data in one), None)


def _plain(column):
    """Values of a table's column as glue can hold them: text, or numbers with NaN for what is masked."""
    mask, values = np.ma.getmaskarray(np.ma.asarray(column)), np.asarray(column)
    if values.dtype.kind in "SUO":
        return np.where(mask, "", values.astype(str))
    return np.where(mask, np.nan, values.astype(float))


def data_of(table):
    """A glue data set of a residual table."""
    from glue.core import Component, Data
    from glue.core.component import CategoricalComponent

    data = Data(label=LABEL)
    for name in table.colnames:
        values, unit = _plain(table[name]), str(table[name].unit or "")
        made = CategoricalComponent(values) if values.dtype.kind == "U" else Component(values, units=unit)
        data.add_component(made, name)
        # A number beside the text: glue shows wrong years on axes of datetime64.
        if name == TIME_COLUMN:
            mjd = np.array([Time(text, scale="utc").mjd if text else np.nan for text in values])
            data.add_component(Component(mjd, units="d"), MJD)
    data.meta.update({KIND_KEY: RESIDUALS, META_KEY: to_json(_texts(table.meta))})
    data.style.color, data.style.alpha, data.style.markersize = MEASURED_COLOR, 1.0, 7
    return data


def _texts(value):
    """Metadata as nested plain values."""
    if isinstance(value, dict):
        return {str(key): _texts(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_texts(item) for item in value]
    return value if isinstance(value, str | int | float | bool | None) else str(value)


def table_of(layer):
    """The residual table of a data set or of the selected rows of one."""
    from glue.core.subset import Subset

    from appulse.formats import COLUMNS, make_table

    # Columns that a user has derived in glue are not of the table and stay behind.
    data = layer.data if isinstance(layer, Subset) else layer
    keep = np.asarray(layer.to_mask(), bool) if isinstance(layer, Subset) else np.ones(data.size, bool)
    known = {column.name for column in COLUMNS}
    columns = {}
    for cid in data.main_components:
        if cid.label in known:
            component = data.get_component(cid)
            values = component.labels if component.categorical else component.data
            columns[cid.label] = np.asarray(values)[keep].tolist()
    rows = [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]
    return make_table(rows, from_json(data.meta.get(META_KEY)) or {})


def row_keys(table) -> list[tuple[str, str]]:
    """What tells the rows of a residual table apart."""
    return list(zip(*[np.asarray(table[name]).astype(str) for name in ROW_KEY], strict=True))


def merged_meta(old: dict, new: dict) -> dict:
    """Provenance of two tables in one: what is kept by frame of both, the rest of the newer one."""
    by_frame = ("frames", "stations", "spacecraft", TASKS)
    joined = {key: {**old[key], **new[key]} for key in by_frame if key in old and key in new}
    return {**old, **new, **joined}


def merged(old, new):
    """Rows of two residual tables; a row measured again takes the place of the earlier one."""
    from astropy.table import vstack

    if old is None or len(old) == 0:
        result = new.copy()
    else:
        # One row for each body in a frame, whenever it was measured: the newest counts.
        fresh = set(row_keys(new))
        kept = old[[key not in fresh for key in row_keys(old)]]
        result = vstack([kept, new], metadata_conflicts="silent") if len(kept) else new.copy()
    result.meta = merged_meta({} if old is None else old.meta, new.meta)
    return result[np.lexsort((np.asarray(result["designation"]), np.asarray(result[TIME_COLUMN])))]


def put(data_collection, table):
    """Make a table the residuals of a collection; plots and selections follow."""
    data = find(data_collection)
    if len(table) == 0:
        if data is not None:
            data_collection.remove(data)
        return None
    new = data_of(table)
    if data is None:
        data_collection.append(new)
        return new
    # In place, so that plots, selections and links of the earlier rows stay; glue leaves the metadata out.
    data.update_values_from_data(new)
    data.meta.update(new.meta)
    return data


def add_rows(data_collection, table) -> Callable:
    """Add measured rows."""
    data = find(data_collection)
    before = table_of(data) if data is not None else None
    put(data_collection, merged(before, table))
    return lambda: put(data_collection, before if before is not None else table[:0])


# --- what an O-C means: by the frame's own plate solution, or with the plate's own offset taken off

#: Names of the two meanings, as every table, plot and panel has them.
AS_MEASURED, PLATE_OFF = "as measured", "plate-corrected"
#: Columns of the residual table that are an O-C: its meaning, and the column of its error.
MEANING_OF = {"dra_cosdec": AS_MEASURED, "ddec": AS_MEASURED, "along": AS_MEASURED, "across": AS_MEASURED,
              "dra_plate": PLATE_OFF, "ddec_plate": PLATE_OFF}  # fmt: skip
SIGMA_OF = {"dra_cosdec": "sigma_ra", "ddec": "sigma_dec", "along": "sigma_along", "across": "sigma_across",
            "mag_obs": "sigma_mag"}  # fmt: skip


def offsets(get: Callable, plate_off: bool) -> dict[str, np.ndarray]:
    """O-C of rows in one meaning, arcsec: dra, ddec, along, across, each with its sigma.

    `get` gives a column of the residual table as floats. Plate-corrected, the plate's own error counts too.
    """
    found = {"sigma_dra": get("sigma_ra"), "sigma_ddec": get("sigma_dec"),
             "sigma_along": get("sigma_along"), "sigma_across": get("sigma_across")}  # fmt: skip
    if not plate_off:
        return {"dra": get("dra_cosdec"), "ddec": get("ddec"), "along": get("along"),
                "across": get("across"), **found}  # fmt: skip
    dra, ddec, pa = get("dra_plate"), get("ddec_plate"), np.radians(get("motion_pa"))
    ra, dec = get("sigma_plate_ra"), get("sigma_plate_dec")
    # along = east sin PA + north cos PA; across is 90 degrees clockwise of it, seen on the sky
    plate = {"sigma_dra": ra, "sigma_ddec": dec, "sigma_along": np.hypot(ra * np.sin(pa), dec * np.cos(pa)),
             "sigma_across": np.hypot(ra * np.cos(pa), dec * np.sin(pa))}  # fmt: skip
    return {
        "dra": dra,
        "ddec": ddec,
        "along": dra * np.sin(pa) + ddec * np.cos(pa),
        "across": dra * np.cos(pa) - ddec * np.sin(pa),
        **{name: np.hypot(sigma, plate[name]) for name, sigma in found.items()},
    }

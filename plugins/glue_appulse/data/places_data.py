"""Places of others as glue data sets: clouds, sightings of several sites, nights in one table.

::

    cloud.ecsv (first-orbit)     --> dots, a cloud for each night to come
    sightings.ecsv (together)    --> rings, and a line from the middle of all sites' places: the parallax
    residuals.ecsv, one a night  --> one table of residuals, a selection for each night
"""

from pathlib import Path

import numpy as np

from glue_appulse.data.kinds import CLOUD, KIND_KEY, PARALLAX, has_columns
from glue_appulse.data.residual_data import put

MJD = "MJD (UTC)"
CLOUD_COLUMNS = ("night", "time", "member", "ra", "dec")
PARALLAX_COLUMNS = ("site", "time", "ra", "dec", "ra_middle", "dec_middle")
#: Okabe & Ito's colour-blind safe set: one for each night in its order.
COLOURS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#56b4e9", "#e69f00")


def is_cloud(path, **_kwargs) -> bool:
    """Whether a file is a cloud of ``appulse first-orbit``."""
    return has_columns(path, CLOUD_COLUMNS)


def is_sightings(path, **_kwargs) -> bool:
    """Whether a file holds the sightings of ``appulse together``."""
    return has_columns(path, PARALLAX_COLUMNS)


def load_cloud(path, **_kwargs):
    """Read a cloud as a glue data set."""
    data = _data_of(path, CLOUD_COLUMNS, {"ra": "RA", "dec": "Dec"})
    data.meta[KIND_KEY] = CLOUD
    data.style.color, data.style.alpha = "#e69f00", 0.8
    return data


def load_sightings(path, **_kwargs):
    """Read the sightings of several sites as a glue data set."""
    names = {"ra": "RA", "dec": "Dec", "ra_middle": "middle RA", "dec_middle": "middle Dec"}
    data = _data_of(path, PARALLAX_COLUMNS, names)
    data.meta[KIND_KEY] = PARALLAX
    data.style.color, data.style.alpha = "#d55e00", 1.0
    return data


def _data_of(path, needed, names):
    from astropy.time import Time
    from glue.core import Component, Data
    from glue.core.component import CategoricalComponent

    from appulse.formats import read_table, require_columns
    from appulse.observers import quiet_erfa

    table = read_table(path)
    require_columns(table, needed, path)
    data = Data(label=Path(path).stem)
    with quiet_erfa():
        mjd = np.array([Time(str(text), scale="utc").mjd for text in table["time"]], dtype=float)
    data.add_component(Component(mjd, units="d"), MJD)
    for name in table.colnames:
        values = np.ma.asarray(table[name])
        label = names.get(name, name)
        if values.dtype.kind in "SUO":
            made = CategoricalComponent(np.asarray(values.filled("")).astype(str))
        else:
            numbers = np.where(np.ma.getmaskarray(values), np.nan, np.asarray(values, dtype=float))
            made = Component(numbers, units=str(table[name].unit or ""))
        data.add_component(made, label)
    return data


def open_nights(data_collection, paths) -> list[str]:
    """Residual tables of several nights as the residuals of a collection, a selection for each.

    Parameters
    ----------
    data_collection : glue DataCollection
    paths : sequence of path
        Two or more tables of ``appulse residuals``.

    Returns
    -------
    list of str
        Names of the nights.
    """
    from astropy.table import vstack
    from glue.core.subset import ElementSubsetState

    from appulse.errors import InputError
    from appulse.formats import read_residuals

    paths = [Path(path) for path in paths]
    if len(paths) < 2:
        raise InputError(f"{len(paths)} tables: choose two or more, one of each night or site")
    tables = [read_residuals(path) for path in paths]
    names = [path.stem if path.stem != "residuals" else path.parent.name or path.stem for path in paths]
    names = [name if names.count(name) == 1 else f"{name} {k}" for k, name in enumerate(names, 1)]
    seen: set[str] = set()
    for table, name in zip(tables, names, strict=True):
        frames = [str(frame) for frame in table["frame"]]
        if seen & set(frames):
            # Two sites' cameras may count alike: a row is known by its frame.
            for key in ("stations", "frames"):
                table.meta[key] = {f"{name}: {k}": v for k, v in dict(table.meta.get(key) or {}).items()}
            frames = [f"{name}: {frame}" for frame in frames]
            table["frame"] = frames
        seen |= set(frames)
    whole = vstack(tables, metadata_conflicts="silent")
    for key in ("stations", "frames"):
        whole.meta[key] = {k: v for table in tables for k, v in dict(table.meta.get(key) or {}).items()}
    data = put(data_collection, whole)
    at = 0
    for k, (table, name) in enumerate(zip(tables, names, strict=True)):
        rows = list(range(at, at + len(table)))
        at += len(table)
        group = data_collection.new_subset_group(name, ElementSubsetState(indices=rows, data=data))
        group.style.color = COLOURS[k % len(COLOURS)]
    return names

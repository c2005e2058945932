"""Passes as a glue table, and the sky of a chosen pass.

The table that ``appulse encounters`` writes opens through glue's ordinary menu; its time is a number, so that
glue's own plots make a timeline of it. A selected pass is shown on a blank field of sky with the object's
outline, its neighbours and the body's track.
"""

import numpy as np

from glue_appulse.data.kinds import KIND_KEY, all_of, has_columns, kind_of

PASSES = "passes"
MJD = "MJD (UTC)"
NEEDED = ("encounter", "designation", "target", "time", "separation")
FIELD_PX = (900, 700)
LEAST_FIELD_DEG = 0.8
TRACK_DAYS = 1.5


def is_passes(path: str, **_kwargs) -> bool:
    """Whether a file is a table of passes."""
    return has_columns(path, NEEDED)


def load_passes(path: str, **_kwargs):
    """Read a table of passes as a glue data set."""
    from pathlib import Path

    from appulse.formats import read_table, require_columns

    table = read_table(path)
    require_columns(table, NEEDED, path)
    return passes_data(table, Path(path).stem)


def passes_data(table, label: str = "passes"):
    """A glue data set of a table of passes."""
    from astropy.time import Time
    from glue.core import Component, Data
    from glue.core.component import CategoricalComponent

    from appulse.observers import quiet_erfa

    data = Data(label=label)
    with quiet_erfa():
        mjd = np.array([Time(str(text), scale="utc").mjd for text in table["time"]], dtype=float)
    data.add_component(Component(mjd, units="d"), MJD)
    for name in table.colnames:
        values = np.ma.asarray(table[name])
        if values.dtype.kind in "SUO":
            data.add_component(CategoricalComponent(np.asarray(values.filled("")).astype(str)), name)
        else:
            numbers = np.where(np.ma.getmaskarray(values), np.nan, np.asarray(values, dtype=float))
            data.add_component(Component(numbers, units=str(table[name].unit or "")), name)
    data.meta[KIND_KEY] = PASSES
    return data


def selected_layer(data_collection):
    """The selected rows of the newest table of passes, or the table itself."""
    tables = all_of(data_collection, PASSES)
    if not tables:
        raise ValueError("no table of passes is open; open one that 'appulse encounters' wrote")
    table = tables[-1]
    chosen = [subset for subset in table.subsets if subset.to_mask().any()]
    return chosen[-1] if chosen else table


def chosen_row(layer) -> dict:
    """First row of a data set of passes, or of the rows selected in it."""
    from glue.core.subset import Subset

    if kind_of(layer) != PASSES:
        raise ValueError("this is not a table of passes; open one that 'appulse encounters' wrote")
    data = layer.data if isinstance(layer, Subset) else layer
    rows = np.flatnonzero(layer.to_mask()) if isinstance(layer, Subset) else np.arange(data.size)
    if not len(rows):
        raise ValueError("no pass is selected; select a row of the table or a point of a plot")
    row = {}
    for cid in data.main_components:
        component = data.get_component(cid)
        values = component.labels if component.categorical else component.data
        row[cid.label] = values[rows[0]]
    return row


def sky_of(row: dict, ephemeris, *, site=None):
    """A blank field of sky around a pass, with outlines and the body's track."""
    from astropy.time import Time
    from astropy.wcs import WCS

    from appulse.catalogues import find_object, objects_near
    from appulse.frames import Exposure, SolvedFrame
    from appulse.observers import Site
    from glue_appulse.data.outline_data import outlines_data
    from glue_appulse.data.solved_frames import frame_data
    from glue_appulse.data.track_data import track_data

    target = find_object(str(row["target"]))
    wide = 2.5 * (target.major_arcmin or 0.0) / 60
    size = max(LEAST_FIELD_DEG, wide, 3.0 * float(row["separation"]) / 3600)
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [target.ra, target.dec]
    wcs.wcs.crpix = [(n + 1) / 2 for n in FIELD_PX]
    wcs.wcs.cdelt = [-size / FIELD_PX[1], size / FIELD_PX[1]]
    exposure = Exposure.from_mid(Time(str(row["time"]), scale="utc"), TRACK_DAYS * 86_400.0)
    frame = SolvedFrame.from_arrays(
        np.zeros(FIELD_PX[::-1], dtype=np.float32), wcs, exposure, site or Site.geocentre(),
        label=f"sky of {row['encounter']}",
    )  # fmt: skip
    sky = frame_data(frame)
    shown = objects_near(target.ra, target.dec, frame.radius_deg)
    outlines = outlines_data(shown or [target], label=f"objects by {row['encounter']}")
    words = f"({row['designation']}) by {target.name}"
    track = track_data(ephemeris, [sky], str(row["designation"]), name=words)
    return sky, outlines, track

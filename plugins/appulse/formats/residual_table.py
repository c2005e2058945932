"""The residual table: its columns, units and meanings, in one place.

A row per frame and body. What could not be measured is masked, never zero, and ``flag`` says why.
"""

from dataclasses import dataclass

import numpy as np
from astropy import units as u
from astropy.table import MaskedColumn, Table

from appulse.errors import TableError
from appulse.formats.output import write_table
from appulse.formats.tables import read_table


@dataclass(frozen=True)
class Column:
    """One column: name, kind ('text', 'number', 'count'), unit, decimals written, meaning."""

    name: str
    kind: str
    unit: str | None
    decimals: int | None
    meaning: str


def _number(name, unit, decimals, meaning):
    return Column(name, "number", unit, decimals, meaning)


# In the order in which they are written.
COLUMNS = (
    Column("frame", "text", None, None, "file name of the frame"),
    Column("time", "text", None, None, "UTC, effective middle of the exposure, as recorded"),
    Column("designation", "text", None, None, "body"),
    _number("x", "pix", 4, "measured place, zero-based: the centre of the first pixel is 0"),
    _number("y", "pix", 4, "measured place, zero-based"),
    _number("ra_obs", "deg", 9, "measured right ascension by the frame's own WCS, ICRF"),
    _number("dec_obs", "deg", 9, "measured declination by the frame's own WCS, ICRF"),
    _number("ra_calc", "deg", 9, "predicted right ascension, astrometric, ICRF"),
    _number("dec_calc", "deg", 9, "predicted declination, astrometric, ICRF"),
    _number("dra_cosdec", "arcsec", 4, "observed minus calculated in RA times cos Dec, frame's own WCS"),
    _number("ddec", "arcsec", 4, "observed minus calculated in Dec, frame's own WCS"),
    _number("along", "arcsec", 4, "observed minus calculated along the motion, positive with it"),
    _number("across", "arcsec", 4, "the same across, positive 90 degrees further in position angle"),
    _number("sigma_ra", "arcsec", 4, "1-sigma of the measured place in RA times cos Dec"),
    _number("sigma_dec", "arcsec", 4, "1-sigma of the measured place in Dec"),
    _number("sigma_along", "arcsec", 4, "1-sigma of the measured place along the motion"),
    _number("sigma_across", "arcsec", 4, "1-sigma of the measured place across the motion"),
    _number("plate_dra", "arcsec", 4, "stars, observed minus catalogue, in RA times cos Dec, at the body"),
    _number("plate_ddec", "arcsec", 4, "stars, observed minus catalogue, in Dec, at the body"),
    _number("dra_plate", "arcsec", 4, "dra_cosdec, plate-corrected"),
    _number("ddec_plate", "arcsec", 4, "ddec, plate-corrected"),
    Column("n_stars", "count", None, None, "stars that the plate's offset rests on"),
    _number("snr", None, 1, "light over its sigma: all noise, its own photons, neighbours and structure"),
    Column("flag", "text", None, None, "empty: measured; else the reason, or a caution"),
    _number("corr_ra_dec", None, 3, "correlation of the errors of the measured place in RA and Dec"),
    _number("sigma_plate_ra", "arcsec", 4, "1-sigma of plate_dra"),
    _number("sigma_plate_dec", "arcsec", 4, "1-sigma of plate_ddec"),
    _number("rate", "arcsec/h", 3, "predicted motion on the sky"),
    _number("motion_pa", "deg", 2, "position angle of the motion, from north through east"),
    _number("mag_calc", "mag", 2, "predicted magnitude"),
    _number("mag_obs", "mag", 2, "measured magnitude, by the frame's own stars, in the star table's band"),
    _number("sigma_mag", "mag", 2, "1-sigma of mag_obs"),
    _number("exposure", "s", 3, "time in which light was collected"),
    _number("sigma_time", "s", 3, "1-sigma of the clock, where it was given"),
    _number("along_plate", "arcsec", 4, "along with the plate's offset taken off"),
    _number("across_plate", "arcsec", 4, "across with the plate's offset taken off"),
    _number("sigma_dra_plate", "arcsec", 4, "1-sigma of dra_plate: measured place and plate's offset"),
    _number("sigma_ddec_plate", "arcsec", 4, "1-sigma of ddec_plate"),
    _number("sigma_along_plate", "arcsec", 4, "1-sigma of along_plate"),
    _number("sigma_across_plate", "arcsec", 4, "1-sigma of across_plate"),
    _number("aperture", "arcsec", 2, "of a comet: radius of the circle whose light mag_obs is"),
    _number("rms_stars", "arcsec", 4, "RMS per axis of what the plate's fit leaves of its stars"),
    Column("note_codes", "text", None, None, "MPC's letters: d diffuse, I involved with a star, t trailed"),
)

# The columns that every residual table has; the rest may be missing from tables of others.
PROMISED = tuple(column.name for column in COLUMNS[:24])


def make_table(rows, meta=None):
    """A residual table from mappings.

    Parameters
    ----------
    rows : sequence of dict
        Column name to value; None or NaN: not measured. Unknown names are refused.
    meta : dict, optional
        Provenance (:mod:`appulse.formats.provenance`).

    Returns
    -------
    Table
        Masked, all columns of :data:`COLUMNS`, units and descriptions attached, numbers rounded to what is
        written.

    Raises
    ------
    TableError
        A name that is not a column.

    Examples
    --------
    >>> table = make_table([{"frame": "a.fits", "designation": "7", "along": 0.51, "flag": ""}])
    >>> table["along"].unit, bool(table["across"].mask[0])
    (Unit("arcsec"), True)
    """
    known = {column.name for column in COLUMNS}
    for row in rows:
        unknown = sorted(set(row) - known)
        if unknown:
            names = ", ".join(sorted(known))
            raise TableError(f"residual column {unknown[0]!r} is not known; known: {names}")
    table = Table(masked=True)
    for column in COLUMNS:
        table[column.name] = _column(column, [row.get(column.name) for row in rows])
    table.meta.update(meta or {})
    return table


def _column(column, values):
    if column.kind == "text":
        filled = np.array(["" if value is None else str(value) for value in values], dtype=str)
        return MaskedColumn(filled, name=column.name, description=column.meaning)
    numbers = np.array([np.nan if value is None else float(value) for value in values], dtype=float)
    missing = ~np.isfinite(numbers)
    # Under the mask stands 0, not NaN: a column of counts cannot hold one.
    numbers = np.where(missing, 0.0, numbers)
    if column.kind == "count":
        return MaskedColumn(numbers.astype(int), mask=missing, name=column.name, description=column.meaning)
    return MaskedColumn(
        np.round(numbers, column.decimals), mask=missing, name=column.name,
        unit=None if column.unit is None else u.Unit(column.unit), description=column.meaning,
    )  # fmt: skip


def write_residuals(table, path, overwrite=False):
    """Write a residual table as ECSV; returns the path.

    Raises
    ------
    OutputExistsError, InputError
        As :func:`appulse.formats.output.write_table`.
    """
    return write_table(table, path, overwrite)


def read_residuals(path):
    """Read a residual table back, masks and provenance included.

    Parameters
    ----------
    path : path
        ECSV as :func:`write_residuals` wrote it.

    Returns
    -------
    Table

    Raises
    ------
    TableError
        Not a residual table: a column of :data:`PROMISED` is missing.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "r.ecsv"
    >>> _ = write_residuals(make_table([{"frame": "a.fits", "ra_obs": 1.0}]), path)
    >>> again = read_residuals(path)
    >>> float(again["ra_obs"][0]), bool(again["dec_obs"].mask[0]), str(again["flag"][0])
    (1.0, True, '')
    """
    found = read_table(path)
    missing = [name for name in PROMISED if name not in found.colnames]
    if missing:
        raise TableError(f"{path}: not a residual table: no column '{missing[0]}'; it has {found.colnames}")
    names = [column.name for column in COLUMNS if column.name in found.colnames]
    rows = [{name: None if np.ma.is_masked(row[name]) else row[name] for name in names} for row in found]
    return make_table(rows, found.meta)

"""Observations of any format as one table of numbers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from astropy import units as u
from astropy.table import MaskedColumn, Table
from astropy.time import Time

from appulse.errors import TableError
from appulse.formats.ades import read_ades
from appulse.formats.obs80 import read_obs80
from appulse.observers.timescales import quiet_erfa

NUMBERS = {
    "ra": ("deg", "measured right ascension, ICRF"),
    "dec": ("deg", "measured declination, ICRF"),
    "sigma_ra": ("arcsec", "stated 1-sigma in RA times cos Dec"),
    "sigma_dec": ("arcsec", "stated 1-sigma in Dec"),
    "corr_ra_dec": (None, "stated correlation of the two"),
    "sigma_time": ("s", "stated 1-sigma of the clock"),
    "mag": ("mag", "measured magnitude in `band`"),
    "pos1": (None, "observer's place in the system `sys`"),
    "pos2": (None, "the same"),
    "pos3": (None, "the same"),
}
TEXTS = {
    "designation": "body, as the file names it: permanent, else provisional, else temporary",
    "kind": "permanent, provisional, temporary, or packed",
    "station": "observatory code",
    "band": "",
    "ast_cat": "star catalogue, by its name in ADES",
    "sys": "WGS84 (deg east, deg, m), ICRF_KM or ICRF_AU (from the Earth's centre); empty: by the code",
    "mode": "kind of detector",
}
_FROM_ADES = {
    "ra": "ra", "dec": "dec", "sigma_ra": "rmsRA", "sigma_dec": "rmsDec", "corr_ra_dec": "rmsCorr",
    "sigma_time": "rmsTime", "mag": "mag", "pos1": "pos1", "pos2": "pos2", "pos3": "pos3", "station": "stn",
    "band": "band", "ast_cat": "astCat", "sys": "sys", "mode": "mode",
}  # fmt: skip
_SYSTEMS = {"geodetic": "WGS84", "km": "ICRF_KM", "au": "ICRF_AU"}


def read_observations(path):
    """Read astrometric observations: ADES PSV or XML, or 80-column lines, told by the content.

    Parameters
    ----------
    path : path

    Returns
    -------
    Table
        ``time`` (Time, UTC) and the columns of :data:`TEXTS` and :data:`NUMBERS`; what is not stated is
        masked. Other kinds than optical (radar, offsets) are counted in ``meta['rejected']``, a list of
        (line number or None, reason).

    Raises
    ------
    TableError
        No optical observation, or a number that is none; the row is named.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "a.psv"
    >>> _ = path.write_text("permID|mode|stn|obsTime|ra|dec|rmsRA|astCat\\n"
    ...                     "7|CCD|X05|2027-05-05T03:00:00Z|246.35|-24.40|0.1|Gaia3\\n")
    >>> table = read_observations(path)
    >>> str(table["designation"][0]), float(table["sigma_ra"][0]), bool(table["mag"].mask[0])
    ('7', 0.1, True)
    """
    path = Path(path)
    try:
        start = path.read_bytes()[:4096].decode("utf-8", errors="replace").lstrip("\ufeff \r\n")
    except OSError as error:
        raise TableError(f"{path}: cannot be read ({error.strerror}); give observations") from None
    if start.startswith(("<", "# version")) or "|" in start:
        rows, rejected = _ades_rows(read_ades(path))
    else:
        found = read_obs80(path)
        rows, rejected = [_obs80_row(one) for one in found], found.rejected
    if not rows:
        raise TableError(f"{path}: no optical observation in it; O-C needs places on the sky")
    return _make(rows, path, rejected)


def _ades_rows(blocks):
    rows, other = [], {}
    for block in blocks:
        if block.kind != "optical":
            other[block.kind] = other.get(block.kind, 0) + len(block.rows)
            continue
        for found in block.rows:
            row = {name: found[field] for name, field in _FROM_ADES.items() if field in found}
            kinds = (("permID", "permanent"), ("provID", "provisional"), ("trkSub", "temporary"))
            field, kind = next(((f, k) for f, k in kinds if f in found), ("artSat", "temporary"))
            rows.append(
                row | {"designation": found.get(field, ""), "kind": kind, "time": found.get("obsTime")}
            )
    return rows, [(None, f"{count} of the kind {kind}: not read") for kind, count in other.items()]


def _obs80_row(one):
    row = {
        "designation": one.packed, "kind": "packed", "time": one.time, "ra": one.ra, "dec": one.dec,
        "station": one.station, "band": one.band, "ast_cat": one.ast_cat, "mag": one.mag, "mode": one.note2,
    }  # fmt: skip
    if one.place is not None:
        row["sys"] = _SYSTEMS[one.place[0]]
        row |= {f"pos{i}": value for i, value in enumerate(one.place[1:], start=1)}
    return row


def _make(rows, path, rejected):
    table = Table(masked=True)
    times = [_time(row["time"], path, i) for i, row in enumerate(rows, start=1)]
    for name, words in TEXTS.items():
        table[name] = MaskedColumn([str(row.get(name, "")) for row in rows], description=words)
    with quiet_erfa():
        table.add_column(
            Time([t.jd1 for t in times], [t.jd2 for t in times], format="jd", scale="utc"), 1, "time"
        )
        table["time"].format = "isot"
    for name, (unit, words) in NUMBERS.items():
        values = np.array([_number(row.get(name), name, path, i) for i, row in enumerate(rows, start=1)])
        missing = ~np.isfinite(values)
        unit = None if unit is None else u.Unit(unit)
        table[name] = MaskedColumn(np.where(missing, 0.0, values), mask=missing, unit=unit, description=words)
    if np.any(table["ra"].mask | table["dec"].mask):
        row = int(np.argmax(table["ra"].mask | table["dec"].mask)) + 1
        raise TableError(f"{path}, observation {row}: without ra or dec")
    table.meta["file"], table.meta["rejected"] = path.name, rejected
    return table


def _time(value, path, number):
    if isinstance(value, Time):
        return value
    try:
        with quiet_erfa():
            return Time(str(value).rstrip("Z"), scale="utc")
    except ValueError:
        raise TableError(f"{path}, observation {number}: obsTime {value!r} is no UTC time") from None


def _number(value, name, path, number):
    if value is None:
        return np.nan
    try:
        return float(value)
    except ValueError:
        raise TableError(f"{path}, observation {number}: {name} = {value!r} is not a number") from None

"""Reading what others wrote: ECSV, CSV, FITS and VOTable, with columns checked before they are used."""

import io
import math
import re
import warnings
from pathlib import Path

import numpy as np
from astropy import units as u
from astropy.table import MaskedColumn, Table
from astropy.utils.masked import Masked

from appulse.errors import TableError
from appulse.files import TABLE_BYTES, gunzip, read_bytes

# An apostrophe before what a spreadsheet would compute: put there on writing.
_GUARDED = re.compile(r"'[=+@-]")
_FITS_MAGIC, _GZIP_MAGIC = b"SIMPLE  =", b"\x1f\x8b"


def read_table(path):
    """Read a table of any of the known kinds; the kind is told by the content, not by the file's name.

    Parameters
    ----------
    path : path
        ECSV, CSV (comma, semicolon, tab or blanks; lines that begin with # are comments), FITS (first table
        HDU) or VOTable.

    Returns
    -------
    Table
        Units where the file gives them; empty cells masked.

    Raises
    ------
    TableError
        Unreadable, empty, of no known kind, or with rows of unequal length; names the file.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "a.csv"
    >>> _ = path.write_text("# places\\nnumber,ra,dec\\n7,246.35,-24.47\\n")
    >>> read_table(path)["ra"][0].item()
    246.35
    """
    path = Path(path)
    content = read_bytes(path, "a table", TableError, TABLE_BYTES)
    if content.startswith(_GZIP_MAGIC):
        content = gunzip(content, path, TableError)
    if not content.strip():
        raise TableError(f"{path}: empty; a table with a line of column names is needed")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            table = _parse(path, content)
    except TableError:
        raise
    except Exception as error:  # astropy's readers raise whatever the content made them stumble over
        why = " ".join(str(error).split())[:200]
        raise TableError(
            f"{path}: not a table that can be read ({why}); use ECSV, CSV, FITS or VOTable"
        ) from None
    if len(table.colnames) == 0:
        raise TableError(f"{path}: no columns; a line of column names is needed")
    table.meta.setdefault("file", path.name)
    return table


def _parse(path, content):
    if content.startswith(_FITS_MAGIC):
        return Table.read(io.BytesIO(content), format="fits")
    text = content.decode("utf-8-sig", errors="strict") if b"\x00" not in content[:4096] else None
    if text is None:
        raise TableError(f"{path}: binary, but neither FITS nor gzip; use ECSV, CSV, FITS or VOTable")
    if text.lstrip().startswith("# %ECSV"):
        return Table.read(text, format="ascii.ecsv")
    if text.lstrip().startswith("<"):
        return Table.read(io.BytesIO(content), format="votable")
    return _parse_csv(path, text)


def _parse_csv(path, text):
    rows = [line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    if not rows:
        raise TableError(f"{path}: comments only; a line of column names is needed")
    # The heading decides: a comma in a later cell is a part of it.
    delimiter = next((mark for mark in ",;\t" if mark in rows[0]), " ")
    words = rows[0].split() if delimiter == " " else rows[0].split(delimiter)
    names = [word.strip(" \"'").lower() for word in words]
    twice = next((name for name in names if name and names.count(name) > 1), None)
    if twice is not None:  # the reader would rename the second, and nobody knew which of them was meant
        raise TableError(f"{path}: two columns are called '{twice}': keep one of them")
    # Masked, not NaN: an empty cell of a column of texts stays empty.
    table = Table.read(rows, format="ascii.basic", delimiter=delimiter, fill_values=[("", "0"), ("nan", "0")])
    for name in table.colnames:
        if table[name].dtype.kind == "U" and any(_GUARDED.match(str(text)) for text in table[name]):
            mask = getattr(table[name], "mask", None)
            texts = [str(text)[1:] if _GUARDED.match(str(text)) else str(text) for text in table[name]]
            table[name] = texts if mask is None else MaskedColumn(texts, mask=mask)
    return table


def find_column(table, *names):
    """Name of the first of these columns that the table has, whatever the case; None when it has none.

    Examples
    --------
    >>> find_column(Table({"RA": [1.0]}), "raj2000", "ra")
    'RA'
    """
    there = {name.lower(): name for name in table.colnames}
    return next((there[name.lower()] for name in names if name.lower() in there), None)


def require_columns(table, names, path):
    """Refuse a table that lacks one of the columns."""
    for name in names:
        if find_column(table, name) is None:
            raise TableError(f"{path}: no column '{name}'; it has: {', '.join(table.colnames)}")


def number_column(table, name, path, *, unit=None, default=None):
    """A column as floats; masked cells become NaN.

    Parameters
    ----------
    table : Table
    name : str
        Matched whatever the case.
    path : path
        For the message.
    unit : str, optional
        Wanted unit: a column that carries another is converted, one without is taken to be in it.
    default : float, optional
        Filled in where the table lacks the column; without it a missing column is an error.

    Returns
    -------
    (n,) float array

    Raises
    ------
    TableError
        Missing, of the wrong unit, or a cell that is not a number; the row is named, counted from 1.

    Examples
    --------
    >>> number_column(Table({"g": ["1.5", "2"]}), "g", "t.csv").tolist()
    [1.5, 2.0]
    >>> number_column(Table({"g": ["1.5", "bright"]}), "g", "t.csv")
    Traceback (most recent call last):
    appulse.errors.TableError: t.csv: column 'g', row 2: 'bright' is not a number
    """
    found = find_column(table, name)
    if found is None:
        if default is not None:
            return np.full(len(table), float(default))
        require_columns(table, [name], path)
    column = table[found]
    mask = np.broadcast_to(getattr(column, "mask", False), len(table))
    values = np.asarray(column.filled() if hasattr(column, "filled") else column)
    if values.dtype.kind not in "fiu":
        values = np.array(
            [_to_float(v, m, path, found, i) for i, (v, m) in enumerate(zip(values, mask, strict=True))]
        )
    values = np.where(mask, np.nan, values.astype(float))
    if unit is not None and getattr(column, "unit", None) is not None:
        try:
            values = (values * u.Unit(column.unit)).to_value(unit)
        except (u.UnitConversionError, ValueError, TypeError):
            raise TableError(f"{path}: column '{found}' is in {column.unit}; {unit} is needed") from None
    return values


def known_column(values, unit):
    """A column to write, in a unit; cells that are not known (NaN) are blank.

    Parameters
    ----------
    values : (n,) array
    unit : Unit

    Returns
    -------
    Quantity or Masked Quantity

    Examples
    --------
    >>> known_column(np.array([1.0, np.nan]), u.deg).mask.tolist()
    [False, True]
    """
    values = np.asarray(values, dtype=float)
    unknown = ~np.isfinite(values)
    return Masked(np.where(unknown, 0.0, values) * unit, mask=unknown) if unknown.any() else values * unit


def _to_float(value, masked, path, name, row):
    if masked or str(value).strip() in ("", "--", "null", "NULL"):
        return np.nan
    try:
        return float(value)
    except (TypeError, ValueError):
        raise TableError(f"{path}: column '{name}', row {row + 1}: {str(value)!r} is not a number") from None


def text_column(table, name, path):
    """A column as a list of str; numbers lose a trailing ``.0``, masked cells become ''."""
    require_columns(table, [name], path)
    column = table[find_column(table, name)]
    mask = np.broadcast_to(getattr(column, "mask", False), len(table))
    return ["" if m else re.sub(r"\.0$", "", str(v).strip()) for v, m in zip(column, mask, strict=True)]


def angle_column(table, name, path, *, hours=False):
    """Right ascension or declination in degrees, from degrees or sexagesimal words.

    Parameters
    ----------
    table, name, path : as :func:`number_column`
    hours : bool
        Sexagesimal words are hours (right ascension).

    Returns
    -------
    (n,) float array, degrees

    Raises
    ------
    TableError
        A cell that is not an angle, or lies outside -90..90 (declination) or -360..360 (right ascension).

    Examples
    --------
    >>> table = Table({"ra": ["15 13 39.758"], "dec": ["-18 50 09.19"]})
    >>> angle_column(table, "ra", "t", hours=True).round(6).tolist()
    [228.415658]
    >>> angle_column(table, "dec", "t").round(6).tolist()
    [-18.835886]
    """
    require_columns(table, [name], path)
    column = table[find_column(table, name)]
    if np.asarray(column).dtype.kind in "fiu":
        values = number_column(table, name, path, unit="deg")
    else:
        texts = text_column(table, name, path)
        values = np.array([_angle(text, hours, path, name, row) for row, text in enumerate(texts)])
    limit = 360.0 if hours else 90.0
    if np.any(np.abs(values) > limit):
        row = int(np.argmax(np.abs(values) > limit))
        raise TableError(
            f"{path}: column '{name}', row {row + 1}: {values[row]} lies outside +-{limit:g} degrees"
        )
    return values


_SEXAGESIMAL = re.compile(
    r"([-+\u2212]?)\s*(\d{1,3})[\s:hd°]+(\d{1,2})(?:[\s:m'′]+(\d{1,2}(?:\.\d*)?)?)?\s*[s\"″]?", re.IGNORECASE
)


def sexagesimal(text):
    """Value of sexagesimal words in the unit of their first part."""
    # NaN with 60 or more, None for other words.
    match = _SEXAGESIMAL.fullmatch(text)
    if match is None:
        return None
    sign, whole, minutes, seconds = match.groups()
    if int(minutes) >= 60 or float(seconds or 0) >= 60:
        return math.nan
    value = int(whole) + int(minutes) / 60 + float(seconds or 0) / 3600
    return -value if sign in ("-", "\u2212") else value  # by the sign's own character: -0 30 is negative


def _angle(text, hours, path, name, row):
    try:
        return float(text)
    except ValueError:
        value = sexagesimal(text)
    if value is None:
        form = "15 13 39.76" if hours else "-18 50 09.2"
        raise TableError(
            f"{path}: column '{name}', row {row + 1}: {text!r} is not an angle; give degrees, or as in {form}"
        )
    if math.isnan(value):
        raise TableError(
            f"{path}: column '{name}', row {row + 1}: {text!r} has 60 minutes or seconds or more"
        )
    return value * (15.0 if hours else 1.0)

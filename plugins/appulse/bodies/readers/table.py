"""Our own orbit table: ECSV or CSV, one row per body.

Columns: ``designation``, ``epoch`` (JD TDB) and one of

* ``x y z vx vy vz``: au, au/d, heliocentric, ICRF axes;
* ``q e i node peri tp``: au, degrees, ecliptic J2000, tp JD TDB;
* ``a e i node peri M``: au, degrees, ecliptic J2000.

Optional: ``name``, ``H G``, ``G1 G2``, ``G12``, ``M1 K1`` (magnitudes; K1 the factor of log r), ``A1 A2 A3``
(au/d^2), ``U``, ``aliases`` (further designations, with semicolons), ``source``, ``date``, and what
:mod:`~appulse.bodies.readers.table_extras` describes (covariance, law of the forces). Units of an ECSV table
are honoured. A table is written by its user, who can mend it: one bad row refuses the whole.
"""

import numpy as np
from astropy import units as u
from astropy.time import Time

from appulse.bodies.designations import read_name
from appulse.bodies.elements import check_states, perihelion_elements, states_icrf
from appulse.bodies.orbits import OrbitCatalogue
from appulse.bodies.readers.table_extras import COVARIANCE, NONGRAV, read_extras
from appulse.bodies.readers.table_parsing import parse_table
from appulse.errors import OrbitError, TableError

STATE, Q_FORM, A_FORM = (
    ("x", "y", "z", "vx", "vy", "vz"),
    ("q", "e", "i", "node", "peri", "tp"),
    ("a", "e", "i", "node", "peri", "M"),
)
FORMS = (STATE, Q_FORM, A_FORM)
UNITS = (
    dict.fromkeys(("x", "y", "z", "q", "a"), u.au)
    | dict.fromkeys(("vx", "vy", "vz"), u.au / u.d)
    | dict.fromkeys(("i", "node", "peri", "M"), u.deg)
    | dict.fromkeys(NONGRAV, u.au / u.d**2)
    | dict.fromkeys(("epoch", "tp"), u.d)
)
SAME_UNIT = (("x", "y", "z"), ("vx", "vy", "vz"), ("i", "node", "peri", "M"), NONGRAV)
"""Columns that must share one unit; a table that mixes them is more likely a mistake than a wish."""

_OPTIONAL = ("name", "H", "G", "G1", "G2", "G12", "M1", "K1", "DT", "g_law", "U", "aliases", "source", "date")
KNOWN = tuple(
    dict.fromkeys(("designation", "epoch", *STATE, *Q_FORM, *A_FORM, *_OPTIONAL, *NONGRAV, *COVARIANCE))
)

DIMENSIONLESS = ("e", "H", "G", "G1", "G2", "G12", "M1", "K1")


def read_orbit_table(text, path):
    """Read the text of an orbit table.

    Parameters
    ----------
    text : str
        ECSV, or CSV with a header line; ``#`` starts a comment.
    path : path-like
        For the messages.

    Returns
    -------
    OrbitCatalogue

    Raises
    ------
    TableError
        Columns are missing, units wrong or mixed, or a cell is no number.
    OrbitError
        A row makes no orbit; the message names it.

    Examples
    --------
    >>> rows = "designation,epoch,q,e,i,node,peri,tp\\n7,2461000.5,1.8,0.2,5,260,145,2461050.5"
    >>> catalogue = read_orbit_table(rows, "mine.csv")
    >>> catalogue.designation.tolist()
    ['7']
    >>> read_orbit_table("designation,epoch,q,e\\n7,2461000.5,1.8,0.2", "mine.csv")
    Traceback (most recent call last):
    ...
    appulse.errors.TableError: mine.csv: columns i, node, peri, tp are missing beside q, e; an orbit is
    x y z vx vy vz, q e i node peri tp, or a e i node peri M
    """
    table = parse_table(text, path, KNOWN)
    if len(table) == 0:
        raise TableError(f"{path}: the table has no rows")
    for name in ("designation", "epoch"):
        if name not in table.colnames:
            raise TableError(f"{path}: no column {name!r}; it has {', '.join(table.colnames)}")
    _check_units(table, path)
    names = np.array([str(value).strip() for value in table["designation"]])
    _check_names(names, table, path)
    epoch = _numbers(table, "epoch", path)
    state = _states(table, epoch, names, path)
    optional = {key.lower(): _numbers(table, key, path, needed=False) for key in ("H", "G", "M1", "K1")}
    read = [read_name(name) for name in names]
    extras = _extras(table, path)
    _add_written_names(extras, names, read)
    label = _texts(table, "name")
    return OrbitCatalogue(
        names, epoch, state=state, name=np.array([one.name for one in read]) if label is None else label,
        number=[one.number or 0 for one in read], uncertainty_code=_texts(table, "U"), extras=extras,
        source=_table_source(table, path), **{key: v for key, v in optional.items() if v is not None},
    )  # fmt: skip


def _add_written_names(extras, names, read):
    """A designation cell may say more ('C/2023 A3 (Name)', '2P/Encke'): each part is found by itself."""
    for row, (name, one) in enumerate(zip(names, read, strict=True)):
        if one.designation and one.designation != name:
            more = extras.setdefault(row, {})
            more["aliases"] = tuple(dict.fromkeys((*more.get("aliases", ()), one.designation)))


def _unit(table, name):
    """Unit of a column, None where it states none."""
    unit = getattr(table[name], "unit", None)
    if str(unit) == "JD":  # a way of writing that astropy does not know
        unit = u.d
    return None if unit in (None, u.dimensionless_unscaled) and name not in DIMENSIONLESS else unit


def _check_units(table, path):
    """Every unit convertible, and vectors and angles in one unit each."""
    for name, expected in UNITS.items():
        if name in table.colnames and not isinstance(table[name], Time):
            unit = _unit(table, name)
            if unit is not None and not (isinstance(unit, u.UnitBase) and unit.is_equivalent(expected)):
                raise TableError(f"{path}: column {name} is in {unit}, which is no {expected.to_string()}")
    for name in DIMENSIONLESS:
        unit = _unit(table, name) if name in table.colnames else None
        if unit not in (None, u.dimensionless_unscaled, u.mag):
            raise TableError(
                f"{path}: column {name} is in {unit}: leave its unit out, or give mag to a magnitude"
            )
    for group in SAME_UNIT:
        units = {name: _unit(table, name) for name in group if name in table.colnames}
        if len({str(unit) for unit in units.values()}) > 1:
            listed = ", ".join(f"{name} in {unit or 'no unit'}" for name, unit in units.items())
            raise TableError(
                f"{path}: mixed units ({listed}): give these columns one unit, or none for the standard ones"
            )


def _check_names(names, table, path):
    masked = getattr(table["designation"], "mask", None)
    for row, name in enumerate(names):
        if not name or name in ("--", "nan") or (masked is not None and np.any(masked[row])):
            raise TableError(f"{path}: row {row + 1} has no designation")


def _numbers(table, name, path, *, needed=True):
    """A column as floats in the standard unit; NaN where a cell is empty; None if there is no such column."""
    if name not in table.colnames:
        return None
    column = table[name]
    if isinstance(column, Time):
        return np.asarray(column.tdb.jd, dtype=float)
    empty = np.broadcast_to(np.ma.getmaskarray(column) if hasattr(column, "mask") else False, len(table))
    values = getattr(column, "filled", lambda _: column)(np.nan) if column.dtype.kind == "f" else column
    try:
        numbers = np.array(
            [np.nan if gone else float(v) for v, gone in zip(np.asarray(values), empty, strict=True)]
        )
    except (TypeError, ValueError):
        bad = next(str(v) for v in column if not _is_number(v))
        wanted = (
            "a JD TDB, as in 2461000.5, is needed"
            if name in ("epoch", "tp")
            else "a number is needed (units belong into the header of an ECSV table)"
        )
        raise TableError(f"{path}: column {name} holds {bad!r}, where {wanted}") from None
    unit = _unit(table, name)
    if unit is not None and name in UNITS:
        numbers = (numbers * unit).to_value(UNITS[name])
    if needed and empty.any():
        raise TableError(f"{path}: row {int(np.argmax(empty)) + 1} has no {name}")
    return numbers


def _is_number(value):
    try:
        float(value)
    except (TypeError, ValueError):
        return value is np.ma.masked
    return True


def _states(table, epoch, names, path):
    """States of all rows, each from the one form that it fills."""
    present = [form for form in FORMS if all(name in table.colnames for name in form)]
    if not present:
        raise TableError(f"{path}: {_what_is_missing(table)}")
    columns = {
        name: _numbers(table, name, path, needed=len(present) == 1) for form in present for name in form
    }
    masks = {name: np.broadcast_to(np.ma.getmaskarray(table[name]), len(table)) for name in columns}
    filled = np.array(
        [[not any(masks[name][row] for name in form) for form in present] for row in range(len(table))]
    )
    count = filled.sum(axis=1)
    if np.any(count != 1):
        row = int(np.flatnonzero(count != 1)[0])
        what = "no complete orbit" if count[row] == 0 else "two descriptions of one orbit: keep one of them"
        raise TableError(f"{path}: row {row + 1} ({names[row]}) has {what}")
    state = np.empty((len(table), 6))
    for k, form in enumerate(present):
        rows = np.flatnonzero(filled[:, k])
        if rows.size:
            state[rows] = _states_of(
                form, {n: columns[n][rows] for n in form}, epoch[rows], names[rows], rows, path
            )
    return state


def _states_of(form, values, epoch, names, rows, path):
    if form == STATE:
        state = np.stack([values[name] for name in STATE], axis=-1)
        _refuse(check_states(state, epoch), names, rows, path)
        return state
    angles = {name: values[name] for name in ("e", "i", "node", "peri")}
    size = {"q": values["q"], "tp": values["tp"]} if form == Q_FORM else {"a": values["a"], "m": values["M"]}
    elements, problems = perihelion_elements(epoch, **angles, **size)
    _refuse(problems, names, rows, path)
    state = states_icrf(elements, epoch)
    _refuse(check_states(state, epoch), names, rows, path)
    return state


def _refuse(problems, names, rows, path):
    if problems:
        row = min(problems)
        raise OrbitError(f"{path}: row {rows[row] + 1} ({names[row]}): {problems[row]}")


def _what_is_missing(table):
    there = set(table.colnames)
    forms = "an orbit is x y z vx vy vz, q e i node peri tp, or a e i node peri M"
    form = max(FORMS, key=lambda f: len(there.intersection(f)))
    have = [name for name in form if name in there]
    lack = [name for name in form if name not in there]
    if not have:
        return f"no columns of an orbit among {', '.join(table.colnames)}; {forms}"
    plural = "columns {} are" if len(lack) > 1 else "column {} is"
    return f"{plural.format(', '.join(lack))} missing beside {', '.join(have)}; {forms}"


def _texts(table, name):
    """A column of words, empty where masked or absent; None where there is no such column."""
    if name not in table.colnames:
        return None
    mask = np.broadcast_to(np.ma.getmaskarray(table[name]), len(table))
    return np.array(["" if gone else str(value) for value, gone in zip(table[name], mask, strict=True)])


def _extras(table, path):
    return read_extras(
        lambda name: _numbers(table, name, path, needed=False),
        lambda name: _texts(table, name),
        len(table),
        path,
    )


def _table_source(table, path):
    stated = table.meta.get("source") if isinstance(table.meta, dict) else None
    return str(stated) if stated else f"orbit table {getattr(path, 'name', path)}"

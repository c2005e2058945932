"""Our own orbit table: ECSV or CSV, one row per body, read and written.

Columns: ``designation``, ``epoch`` (JD TDB) and one of

* ``x y z vx vy vz``: au, au/d, heliocentric, ICRF axes;
* ``q e i node peri tp``: au, degrees, ecliptic J2000, tp JD TDB;
* ``a e i node peri M``: au, degrees, ecliptic J2000.

Optional: ``name``, ``H G``, ``G1 G2``, ``G12``, ``M1 K1`` and ``M2 K2 PC`` (a comet's total and nuclear
magnitude; K1, K2 the factors of log r, PC mag per degree of phase, ``M1_sigma`` the spread about M1), ``A1 A2
A3`` (au/d^2), ``U``, ``aliases`` (further designations, with semicolons), ``source``, ``date``. ``cov_ij`` (i
<= j) is the covariance of the state on ICRF axes, au and au/d; the indices 0 to 5 stand for x, y, z, vx, vy,
vz and 6 to 8 for A1, A2, A3 (au/d^2). ``g_law`` is ``water`` (also when empty), ``inverse square``, or the
five numbers r0, alpha, nm, nn, nk with blanks between; ``DT`` its delay in days.

Units of an ECSV table are honoured. A table is written by its user, who can mend it: one bad row refuses the
whole.
"""

import warnings
from collections import Counter

import numpy as np
from astropy import units as u
from astropy.io import ascii as ascii_tables
from astropy.io.ascii.ecsv import InvalidEcsvDatatypeWarning
from astropy.table import MaskedColumn, Table
from astropy.time import Time

from appulse.bodies.catalogue import OrbitCatalogue
from appulse.bodies.designations import read_name
from appulse.bodies.orbit import STATE_NAMES, NonGrav, check_states, perihelion_elements, states_icrf
from appulse.errors import AppulseWarning, OrbitError, TableError

DELIMITERS = ",;\t"


def header_words(line: str) -> tuple[list, str]:
    """The column names in a header line, and the delimiter between them."""
    delimiter = max(DELIMITERS, key=line.count)
    return [word.strip().strip('"') for word in line.split(delimiter)], delimiter


def parse_table(text: str, path, known):
    """Read the text of a table; a column that differs from a known one in its case only gets that name."""
    try:
        table = _ecsv(text) if text.startswith("# %ECSV") else _delimited(text, path)
    except TableError:
        raise
    # A damaged header raises whatever the YAML in it happens to be.
    except Exception as error:
        reason = " ".join(str(error).split())[:160]
        raise TableError(f"{path}: cannot be read as a table of orbits ({reason})") from None
    for name in known:
        if name not in table.colnames:
            same = [other for other in table.colnames if other.lower() == name.lower() and other not in known]
            if len(same) == 1:
                table.rename_column(same[0], name)
    return table


def _ecsv(text):
    with warnings.catch_warnings():
        # A type that astropy does not know is a damaged header, not a dialect.
        warnings.simplefilter("error", InvalidEcsvDatatypeWarning)
        return ascii_tables.read(text.splitlines(), format="ecsv")


def _delimited(text, path):
    lines = text.splitlines()
    header = next(line for line in lines if line.strip() and not line.lstrip().startswith("#"))
    words, delimiter = header_words(header)
    twice = [name for name, count in Counter(words).items() if count > 1 and name]
    if twice:
        raise TableError(f"{path}: two columns are called {twice[0]!r}: keep one of them")
    # Numbers as designations stay text: '00007' would lose its zeros, '2e3' its meaning.
    as_text = {word: [ascii_tables.convert_numpy(str)] for word in words if word.lower() == "designation"}
    return ascii_tables.read(lines, format="csv", delimiter=delimiter, comment=r"\s*#", converters=as_text)


NONGRAV = ("A1", "A2", "A3")
PARAMETERS = (*STATE_NAMES, *NONGRAV)
COVARIANCE = {f"cov_{i}{j}": (i, j) for i in range(9) for j in range(i, 9)}
WATER, SUNLIGHT = NonGrav(), NonGrav.inverse_square()
LAW_FIELDS = ("r0", "alpha", "nm", "nn", "nk")


def law_of(text: str, path, row: int) -> dict:
    """Keyword arguments of :class:`NonGrav` for a ``g_law`` cell; TableError where it is none of them."""
    if text in ("", "water"):
        return {key: getattr(WATER, key) for key in LAW_FIELDS}
    if text == "inverse square":
        return {key: getattr(SUNLIGHT, key) for key in LAW_FIELDS}
    try:
        numbers = [float(word) for word in text.split()]
        return dict(zip(LAW_FIELDS, numbers, strict=True))
    except ValueError:
        raise TableError(
            f"{path}: row {row + 1}: g_law {text!r} is neither 'water', 'inverse square' nor five numbers "
            "(r0 alpha nm nn nk)"
        ) from None


def law_words(nongrav) -> str:
    """The ``g_law`` cell of a record."""
    values = [getattr(nongrav, key) for key in LAW_FIELDS]
    if values == [getattr(WATER, key) for key in LAW_FIELDS]:
        return "water"
    # With nk = 0 the second factor is 1 whatever nn: the law of sunlight has many writings.
    if nongrav.nm == 2.0 and nongrav.nk == 0.0 and nongrav.alpha * nongrav.r0**2 == 1.0:
        return "inverse square"
    return " ".join(repr(value) for value in values)


def read_extras(numbers, texts, n, path) -> dict:
    """What only some rows have, by row: attributes of their Orbit. A covariance with gaps is refused."""
    extras = {row: {} for row in range(n)}
    for key in ("G1", "G2", "G12", "M2", "K2", "PC", "M1_sigma"):
        values = numbers(key)
        for row in () if values is None else np.flatnonzero(np.isfinite(values)):
            extras[int(row)][key.lower()] = float(values[row])
    _forces(extras, numbers, texts, path)
    _covariances(extras, numbers, path)
    others = texts("aliases")
    for row in () if others is None else np.flatnonzero(others != ""):
        extras[int(row)]["aliases"] = tuple(o.strip() for o in str(others[row]).split(";") if o.strip())
    for column, key in (("source", "source"), ("date", "source_date")):
        words = texts(column)
        for row in () if words is None else np.flatnonzero(words != ""):
            extras[int(row)][key] = str(words[row])
    return {row: more for row, more in extras.items() if more}


def _forces(extras, numbers, texts, path):
    columns = {key: values for key in NONGRAV if (values := numbers(key)) is not None}
    # The law of a body without forces is of no account, however it is written.
    law, delay = texts("g_law"), numbers("DT")
    for row, more in extras.items() if columns else ():
        given = {k.lower(): float(v[row]) for k, v in columns.items() if np.isfinite(v[row]) and v[row] != 0}
        if given:
            late = 0.0 if delay is None or not np.isfinite(delay[row]) else float(delay[row])
            more["nongrav"] = NonGrav(
                **given, dt_d=late, **law_of(str(law[row]) if law is not None else "", path, row)
            )


def _covariances(extras, numbers, path):
    columns = {key: values for key in COVARIANCE if (values := numbers(key)) is not None}
    if not columns:
        return
    for row, more in extras.items():
        given = {COVARIANCE[key]: v[row] for key, v in columns.items() if np.isfinite(v[row])}
        used = sorted({index for pair in given for index in pair})
        if not used:
            continue
        lacking = [f"cov_{i}{j}" for i in used for j in used if i <= j and (i, j) not in given]
        if lacking or used[:6] != list(range(6)):
            gaps = ", ".join(lacking[:3]) or "cov_00 to cov_55"
            raise TableError(f"{path}: row {row + 1}: the covariance has gaps ({gaps})")
        matrix = np.array([[given[min(i, j), max(i, j)] for j in used] for i in used])
        more |= {"covariance": matrix, "covariance_names": tuple(PARAMETERS[index] for index in used)}


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
# Columns that must share one unit; a table that mixes them is more likely a mistake than a wish.
SAME_UNIT = (("x", "y", "z"), ("vx", "vy", "vz"), ("i", "node", "peri", "M"), NONGRAV)

MAGNITUDES = ("H", "G", "G1", "G2", "G12", "M1", "K1", "M2", "K2", "PC", "M1_sigma")
_OPTIONAL = ("name", *MAGNITUDES, "DT", "g_law", "U", "aliases", "source", "date")
KNOWN = tuple(
    dict.fromkeys(("designation", "epoch", *STATE, *Q_FORM, *A_FORM, *_OPTIONAL, *NONGRAV, *COVARIANCE))
)

DIMENSIONLESS = ("e", *MAGNITUDES)


def read_orbit_table(text: str, path) -> OrbitCatalogue:
    """Read the text of an orbit table: ECSV, or CSV with a header line; ``#`` starts a comment."""
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
    extras = read_extras(
        lambda name: _numbers(table, name, path, needed=False), lambda name: _texts(table, name),
        len(table), path,
    )  # fmt: skip
    _add_written_names(extras, names, read)
    label = _texts(table, "name")
    return OrbitCatalogue(
        names, epoch, state=state, name=np.array([name.name for name in read]) if label is None else label,
        number=[name.number or 0 for name in read], uncertainty_code=_texts(table, "U"), extras=extras,
        source=_table_source(table, path), **{key: v for key, v in optional.items() if v is not None},
    )  # fmt: skip


def _add_written_names(extras, names, read):
    """A designation cell may say more ('C/2023 A3 (Name)', '2P/Encke'): each part is found by itself."""
    for row, (cell, name) in enumerate(zip(names, read, strict=True)):
        if name.designation and name.designation != cell:
            more = extras.setdefault(row, {})
            more["aliases"] = tuple(dict.fromkeys((*more.get("aliases", ()), name.designation)))


def _unit(table, name):
    """Unit of a column, None where it states none."""
    unit = getattr(table[name], "unit", None)
    # Some programs give the unit of Julian dates as JD, which astropy does not know.
    if str(unit) == "JD":
        unit = u.d
    return None if unit in (None, u.dimensionless_unscaled) and name not in DIMENSIONLESS else unit


def _fits(unit, expected) -> bool:
    """Whether a unit can be brought to another; one whose scale is no number a machine holds cannot."""
    try:
        return isinstance(unit, u.UnitBase) and unit.is_equivalent(expected)
    except u.UnitsError:
        return False


def _check_units(table, path):
    """Every unit convertible, and vectors and angles in one unit each."""
    for name, expected in UNITS.items():
        if name in table.colnames and not isinstance(table[name], Time):
            unit = _unit(table, name)
            if unit is not None and not _fits(unit, expected):
                raise TableError(f"{path}: column {name} is in {unit}, which is not {expected.to_string()}")
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


def _states(table, epoch: np.ndarray, names, path):
    """States of all rows, each from the one form that it fills."""
    present = [form for form in FORMS if all(name in table.colnames for name in form)]
    if not present:
        raise TableError(f"{path}: {_what_is_missing(table)}")
    columns = {
        name: _numbers(table, name, path, needed=len(present) == 1) for form in present for name in form
    }
    masks = {name: np.broadcast_to(np.ma.getmaskarray(table[name]), len(table)) for name in columns}
    # Rows may differ in form, but each must fill exactly one: two could contradict one another.
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
    turned = np.abs([values[name] for name in form if name in ("i", "node", "peri", "M")])
    # One row of thousands has all its angles by chance within so few degrees; circles in the ecliptic have 0.
    if np.all(turned <= 2 * np.pi) and np.all(np.count_nonzero(turned, axis=0) >= 3):
        warnings.warn(
            f"{path}: all angles are below 2 pi: degrees are taken; are they radians?",
            AppulseWarning, stacklevel=2,
        )  # fmt: skip
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
    values, mask = np.ma.getdata(table[name]).tolist(), np.ma.getmaskarray(table[name]).tolist()
    return np.array(["" if gone else str(value) for value, gone in zip(values, mask, strict=True)])


def _table_source(table, path):
    stated = table.meta.get("source") if isinstance(table.meta, dict) else None
    return str(stated) if stated else f"orbit table {getattr(path, 'name', path)}"


_TEXTS = ("name", "g_law", "U", "aliases", "source", "date")


def orbit_table(catalogue):
    """Write a catalogue into a table.

    Parameters
    ----------
    catalogue : OrbitCatalogue

    Returns
    -------
    Table
        ``designation, epoch`` (JD TDB), the state (``x y z vx vy vz``: au, au/d, heliocentric, ICRF axes) and
        the optional columns that any body needs, in full precision: the ECSV gives the same orbits back.

    Examples
    --------
    >>> from appulse.bodies.catalogue import OrbitCatalogue
    >>> from appulse.bodies.orbit import Orbit
    >>> orbit = Orbit.from_state("7", 2461000.5, [1, 0, 0, 0, 0.017, 0], h=5.5)
    >>> orbit_table(OrbitCatalogue.from_orbits([orbit])).colnames
    ['designation', 'epoch', 'x', 'y', 'z', 'vx', 'vy', 'vz', 'H']
    """
    orbits = list(catalogue)
    table = Table({"designation": [o.designation for o in orbits]})
    words = {name: [_words(o, name) for o in orbits] for name in _TEXTS}
    if any(words["name"]):
        table["name"] = words["name"]
    table["epoch"] = [o.epoch_jd_tdb for o in orbits]
    table["epoch"].unit = u.d
    state = np.array([o.state for o in orbits])
    for k, name in enumerate(STATE_NAMES):
        table[name] = state[:, k]
        table[name].unit = u.au if k < 3 else u.au / u.d
    for name in MAGNITUDES:
        unit = u.mag if name in ("H", "M1", "K1", "M2", "K2", "M1_sigma") else None
        _add(table, name, [getattr(o, name.lower()) for o in orbits], unit)
    for name in NONGRAV:
        values = [getattr(o.nongrav, name.lower()) if o.nongrav else None for o in orbits]
        if any(values):
            _add(table, name, values, u.au / u.d**2)
    if any(o.nongrav and o.nongrav.dt_d for o in orbits):
        _add(table, "DT", [o.nongrav.dt_d if o.nongrav else None for o in orbits], u.d)
    for name in _TEXTS[1:]:
        if any(words[name]):
            table[name] = words[name]
    for name, (i, j) in COVARIANCE.items():
        _add(table, name, [_term(o, i, j) for o in orbits], None)
    if catalogue.source:
        table.meta["source"] = catalogue.source
    return table


def _words(orbit, name):
    if name == "g_law":
        return law_words(orbit.nongrav) if orbit.nongrav else ""
    if name == "aliases":
        return ";".join(orbit.aliases)
    return getattr(orbit, {"U": "uncertainty_code", "date": "source_date"}.get(name, name)) or ""


def _add(table, name, values: list, unit):
    """A column of numbers, masked where a body has none; no column where nobody has one."""
    mask = [value is None for value in values]
    if all(mask):
        return
    numbers = [0.0 if gone else float(value) for value, gone in zip(values, mask, strict=True)]
    table[name] = MaskedColumn(numbers, mask=mask) if any(mask) else numbers
    table[name].unit = unit


def _term(orbit, i, j):
    if orbit.covariance is None:
        return None
    names = orbit.covariance_names
    first, second = PARAMETERS[i], PARAMETERS[j]
    if first not in names or second not in names:
        return None
    return orbit.covariance[names.index(first), names.index(second)]

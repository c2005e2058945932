"""Columns of an orbit table that only some bodies fill: forces, covariance, other designations, sources.

``cov_ij`` (i <= j) is the covariance of the state on ICRF axes, au and au/d; the indices 0 to 5 stand for x,
y, z, vx, vy, vz and 6 to 8 for A1, A2, A3 (au/d^2). ``g_law`` is ``water`` (also when empty), ``inverse
square``, or the five numbers r0, alpha, nm, nn, nk with blanks between; ``DT`` its delay in days.
"""

import numpy as np

from appulse.bodies.record import STATE_NAMES, NonGrav
from appulse.errors import TableError

NONGRAV = ("A1", "A2", "A3")
PARAMETERS = (*STATE_NAMES, *NONGRAV)
COVARIANCE = {f"cov_{i}{j}": (i, j) for i in range(9) for j in range(i, 9)}
WATER, SUNLIGHT = NonGrav(), NonGrav.inverse_square()
LAW_FIELDS = ("r0", "alpha", "nm", "nn", "nk")


def law_of(text, path, row):
    """Keyword arguments of :class:`NonGrav` for a ``g_law`` cell.

    Raises
    ------
    TableError
        The cell is none of the three kinds.

    Examples
    --------
    >>> law_of("inverse square", "t.csv", 0)["nk"]
    0.0
    """
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


def law_words(nongrav):
    """The ``g_law`` cell of a record.

    Examples
    --------
    >>> law_words(NonGrav(a1=1e-9)), law_words(NonGrav.inverse_square(a2=1e-14))
    ('water', 'inverse square')
    """
    values = [getattr(nongrav, key) for key in LAW_FIELDS]
    if values == [getattr(WATER, key) for key in LAW_FIELDS]:
        return "water"
    # With nk = 0 the second factor is 1 whatever nn: the law of sunlight has many writings.
    if nongrav.nm == 2.0 and nongrav.nk == 0.0 and nongrav.alpha * nongrav.r0**2 == 1.0:
        return "inverse square"
    return " ".join(repr(value) for value in values)


def read_extras(numbers, texts, n, path):
    """What only some rows have.

    Parameters
    ----------
    numbers : callable
        Column name -> (n,) floats, NaN where empty, or None where there is no such column.
    texts : callable
        Column name -> (n,) str, or None.
    n : int
    path : path-like

    Returns
    -------
    dict of int -> dict
        Attributes of the rows' :class:`~appulse.bodies.record.Orbit`.

    Raises
    ------
    TableError
        A law that is none, or a covariance with gaps.
    """
    extras = {row: {} for row in range(n)}
    for key in ("G1", "G2", "G12"):
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

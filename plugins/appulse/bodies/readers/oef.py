"""OEF2.0 orbit files (``.ke0 .ke1 .eq0 .eq1``), as the European services write them, with covariance.

Elements: ``KEP`` (a, e, i, node, peri, M), ``COM`` (q, e, i, node, peri, tp), ``CAR``, or ``EQU`` (a, e sin
LP, e cos LP, tan i/2 sin LN, tan i/2 cos LN, mean longitude); au, degrees, MJD; ecliptic J2000 axes. The
covariance (upper triangle by rows) has the units of the printed elements, degrees included: the ``! EIG``
line of recorded equinoctial files (eigenvalues, radians) agrees with that reading only.
"""

import numpy as np

from appulse.bodies.catalogue import OrbitCatalogue
from appulse.bodies.designations import read_name
from appulse.bodies.orbit import STATE_NAMES, NonGrav, Orbit, covariance_icrf, perihelion_elements
from appulse.bodies.readers.orbit_text import none_usable, to_float
from appulse.constants import AU_KM, C_KM_S, DAY_S, GM_SUN, MJD_ZERO_JD
from appulse.errors import OrbitError

KINDS = ("KEP", "EQU", "COM", "CAR")
# au/d^2 per unit of a Yarkovsky coefficient. (99942): -2.869e-4 at the MPC, A2 = -2.902e-14 at JPL.
YARKOVSKY_UNIT = 1e-10

# au/d^2 at 1 au per m^2/t of area to mass: 1361 W/m^2 (Kopp & Lean 2011, GRL 38, L01706) over c.
RADIATION_UNIT = 1361.0 / (C_KM_S * 1e3) / 1000.0 * DAY_S**2 / (AU_KM * 1e3)


def read_oef(text: str, path) -> OrbitCatalogue:
    """Read an OEF2.0 file of one or many orbits; records that cannot be used are listed in ``rejected``."""
    lines = text.splitlines()
    header = "\n".join(
        lines[: next((k for k, s in enumerate(lines) if s.startswith("END_OF_HEADER")), 0) + 1]
    )
    if "refsys" in header and "ECLM" not in header:
        raise OrbitError(f"{path}: only files on ecliptic J2000 axes (refsys = ECLM J2000) are read")
    orbits, rejected = [], []
    for number, record in _records(lines):
        try:
            orbits.append(_orbit(record, getattr(path, "name", path)))
        except OrbitError as error:
            rejected.append((number, str(error)))
        except (ValueError, IndexError):
            rejected.append((number, f"{record[0].strip()!r}: the record was cut or is no OEF2.0"))
    if not orbits:
        raise none_usable(path, "record", rejected)
    return OrbitCatalogue.from_orbits(
        orbits, rejected=rejected, source=f"OEF2.0, {getattr(path, 'name', path)}"
    )


def _records(lines):
    """(line number, lines) of each body: a line without a leading blank begins one."""
    start = next((k + 1 for k, s in enumerate(lines) if s.startswith("END_OF_HEADER")), 0)
    record, first = [], start
    for k in range(start, len(lines)):
        line = lines[k]
        if not line.strip() or line.startswith("!"):
            continue
        if not line[0].isspace():
            if record:
                yield first + 1, record
            record, first = [], k
        record.append(line)
    if record:
        yield first + 1, record


def _orbit(record, file):
    name = record[0].split("!")[0].strip().strip("'")
    words = [line.split("!")[0].split() for line in record[1:]]
    entries = {}
    for line in words:
        if line:
            entries.setdefault(line[0], []).append(line[1:])
    kind = next((key for key in KINDS if key in entries), None)
    if kind is None or "MJD" not in entries:
        raise OrbitError(f"{name!r}: no elements ({', '.join(KINDS)}) or no epoch")
    values = np.array([to_float(v) for v in entries[kind][0][:6]])
    if len(values) < 6:
        raise OrbitError(f"{name!r}: {kind} has {len(values)} of 6 elements")
    epoch = _epoch(entries["MJD"][0], name)
    mag = [to_float(v) for v in entries.get("MAG", [[]])[0]]
    h, g = (m if np.isfinite(m) and m > -9 else None for m in (*mag, np.nan, np.nan)[:2])
    nongrav, extra, scales = _forces(entries, name)
    covariance = _matrix(entries.get("COV"), 6 + len(extra), name)
    more = {"h": h, "g": g, "source": f"OEF2.0, {file}", "nongrav": nongrav}
    designation = _designation(name)
    if covariance is not None:
        covariance *= np.outer(np.r_[np.ones(6), scales], np.r_[np.ones(6), scales])
        more["covariance_names"] = (*STATE_NAMES, *extra)
    if kind == "CAR":
        return Orbit.from_state(designation, epoch, values, frame="ecliptic", covariance=covariance, **more)
    convert = {"KEP": _from_kep, "EQU": _from_equ, "COM": _from_com}[kind]
    perihelion = lambda rows: convert(rows, epoch)  # noqa: E731
    elements = perihelion(values[None, :])
    _, problems = perihelion_elements(epoch, *elements[0, 1:5], q=elements[0, 0], tp=elements[0, 5])
    if problems:
        raise OrbitError(f"{name!r}: {problems[0]}")
    if covariance is not None:
        more["covariance"] = covariance_icrf(values, epoch, covariance, perihelion, _steps(kind, values))
    q, e, i, node, peri, tp = elements[0]
    return Orbit.from_elements(designation, epoch, q=q, e=e, i=i, node=node, peri=peri, tp=tp, **more)


def _designation(name):
    # These files write designations without a blank: 2018VP1.
    return read_name(name).designation or name


def _epoch(words, name):
    scale = words[1] if len(words) > 1 else "TDT"
    if scale not in ("TDT", "TT", "TDB", "ET"):
        raise OrbitError(f"{name!r}: epoch in {scale}; TDT or TDB is read")
    return to_float(words[0]) + MJD_ZERO_JD


def _matrix(rows, size, name):
    if rows is None:
        return None
    numbers = [to_float(v) for row in rows for v in row]
    if len(numbers) != size * (size + 1) // 2 or not np.isfinite(numbers).all():
        raise OrbitError(
            f"{name!r}: the covariance has {len(numbers)} numbers, {size * (size + 1) // 2} are needed"
        )
    matrix = np.zeros((size, size))
    matrix[np.triu_indices(size)] = numbers
    return matrix + np.triu(matrix, 1).T


def _forces(entries, name):
    """Non-gravitational terms: the record's NonGrav, names of the fitted ones, factors to au/d^2."""
    # ``LSP model n dimension [which]`` and ``NGR values``: model 1 has the area to mass ratio (m^2/t) and the
    # Yarkovsky coefficient (1e-10 au/d^2), both with the inverse square of the distance.
    lsp = [int(v) for v in entries.get("LSP", [["0", "0", "6"]])[0]]
    model, dimension, which = lsp[0], lsp[2] if len(lsp) > 2 else 6, lsp[3:]
    if model == 0:
        return None, (), []
    if model != 1:
        raise OrbitError(
            f"{name!r}: non-gravitational model {model} is not known here; use the body's JPL orbit"
        )
    values = [to_float(v) for v in entries.get("NGR", [["0", "0"]])[0]] + [0.0, 0.0]
    nongrav = NonGrav.inverse_square(a1=values[0] * RADIATION_UNIT, a2=values[1] * YARKOVSKY_UNIT)
    fitted = which if which else [1, 2][: dimension - 6]
    names = tuple({1: "A1", 2: "A2"}[k] for k in fitted)
    return nongrav, names, [{"A1": RADIATION_UNIT, "A2": YARKOVSKY_UNIT}[key] for key in names]


def _from_kep(rows, epoch):
    a, e, i, node, peri, m = rows.T
    turn = np.where(e < 1, np.mod(m + 180.0, 360.0) - 180.0, m)
    tp = epoch - np.radians(turn) * np.sqrt(np.abs(a) ** 3 / GM_SUN)
    return np.stack([a * (1.0 - e), e, i, node, peri, tp], axis=-1)


def _from_equ(rows, epoch):
    a, h, k, p, q, longitude = rows.T
    e, node = np.hypot(h, k), np.degrees(np.arctan2(p, q))
    perihelion = np.degrees(np.arctan2(h, k))
    i = 2.0 * np.degrees(np.arctan(np.hypot(p, q)))
    return _from_kep(np.stack([a, e, i, node, perihelion - node, longitude - perihelion], axis=-1), epoch)


def _from_com(rows, epoch):
    elements = rows.copy()
    elements[:, 5] += MJD_ZERO_JD
    return elements


def _steps(kind, values: np.ndarray):
    """Widths of the differences for the Jacobian."""
    if kind == "EQU":
        # h, k, p and q may all be tiny: a difference wider than they are would leave the elements' own space.
        small = min(1e-5, 0.1 * np.hypot(*values[1:3]), 0.1 * np.hypot(*values[3:5])) or 1e-6
        return np.array([1e-4 * abs(values[0]), small, small, small, small, 0.01])
    # Steps stay inside 0 < e < 1 and i > 0, beyond which the elements turn into others.
    e, i = values[1], values[2]
    steps = [1e-4 * abs(values[0]), min(1e-4, e / 4, abs(1 - e) / 4) or 1e-6, min(0.01, i / 4) or 1e-9]
    return np.array([*steps, 0.01, 0.01, 0.01])

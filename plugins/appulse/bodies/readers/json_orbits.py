"""Orbits as the services of the MPC and JPL give them: one orbit with covariance, and rows of a query.

mpc_orb (JSON): the state and its covariance are read from ``CAR`` (ecliptic J2000 axes, au, au/d). SBDB
(JSON): where there is a covariance, the elements of the covariance's own epoch are taken: only there do the
two belong together.

Rows of the SBDB, as its query service and its web form give them, are CSV or JSON: ``{"fields": [...],
"data": [[...], ...]}``. Fields read: ``full_name``, ``pdes`` or ``name``; ``epoch`` or ``epoch_mjd``; ``e i
om w`` with ``q tp`` or ``a ma`` (au, degrees, ecliptic J2000, JD TDB); ``H G``; ``M1 K1 M2 K2 PC``; ``A1 A2
A3`` (au/d^2) with ``DT`` (d); ``condition_code``, ``orbit_id``, ``soln_date``. The rows do not carry the law
of the outgassing: it is that of water for comets, of sunlight for others, as JPL takes them unless a record
says otherwise (Marsden, Sekanina & Yeomans 1973, AJ 78, 211).
"""

import csv
import json

import numpy as np

from appulse.bodies.catalogue import OrbitCatalogue
from appulse.bodies.designations import read_name
from appulse.bodies.orbit import STATE_NAMES, NonGrav, Orbit, covariance_icrf
from appulse.bodies.readers.oef import RADIATION_UNIT, YARKOVSKY_UNIT
from appulse.bodies.readers.orbit_text import catalogue_of_lines, none_usable, to_float
from appulse.constants import MJD_ZERO_JD
from appulse.errors import DesignationError, OrbitError

# au/d^2 per unit in which the MPC prints A1, A2, A3 of comets.
COMET_UNIT = 1e-8

# Below it, A1 to A3 are in au/d^2 already: no comet reaches it, none measured lies below 1e-5 units.
LARGEST_BARE = 1e-5

TIME_SYSTEMS = ("TDT", "TT", "TDB")


def read_json(text: str, path) -> OrbitCatalogue:
    """Read one orbit or a list of them from JSON."""
    try:
        content = json.loads(text)
    except ValueError as error:
        raise OrbitError(f"{path}: no valid JSON ({error}); was the file cut?") from None
    except RecursionError:
        raise OrbitError(f"{path}: JSON nested deeper than any orbit is; give a file of orbits") from None
    orbits, rejected = [], []
    for number, entry in enumerate(_entries(content), start=1):
        try:
            orbits.append(orbit_from_json(entry))
        except OrbitError as error:
            rejected.append((number, str(error)))
        except KeyError as error:
            rejected.append((number, f"the entry lacks {error}"))
        except (TypeError, ValueError, IndexError) as error:
            rejected.append((number, f"the entry is not as its format has it ({error})"))
    if not orbits:
        raise none_usable(path, "orbit", rejected)
    return OrbitCatalogue.from_orbits(orbits, rejected=rejected, source=str(getattr(path, "name", path)))


def _entries(content: dict | list) -> list:
    """The single orbits in what services and files wrap around them."""
    if isinstance(content, dict) and "mpc_orb" in content:
        return _entries(content["mpc_orb"])
    if isinstance(content, list):
        return [entry for item in content for entry in _entries(item)]
    return [content]


def orbit_from_json(entry) -> Orbit:
    """One orbit from a decoded mpc_orb or SBDB record.

    Parameters
    ----------
    entry : dict

    Returns
    -------
    Orbit

    Raises
    ------
    OrbitError
        The record is of neither kind, or makes no orbit.
    KeyError
        It lacks a needed field.

    Examples
    --------
    >>> orbit_from_json({"message": "specified object was not found"})
    Traceback (most recent call last):
    ...
    appulse.errors.OrbitError: the service wrote: specified object was not found
    """
    if not isinstance(entry, dict):
        raise OrbitError("an entry that is no JSON object")
    if "CAR" in entry:
        return _mpc_orb(entry)
    if "orbit" in entry and "object" in entry:
        return _sbdb(entry)
    if "message" in entry:
        raise OrbitError(f"the service wrote: {entry['message']}")
    raise OrbitError(f"neither mpc_orb nor SBDB: fields {', '.join(list(entry)[:5])}")


def _number(value):
    """A float of a JSON field, None where it is null or empty."""
    if value in (None, ""):
        return None
    number = to_float(str(value))
    return number if np.isfinite(number) else None


def _mpc_orb(entry):
    epoch_data, car = entry["epoch_data"], entry["CAR"]
    if epoch_data["timeform"] != "MJD" or epoch_data["timesystem"] not in TIME_SYSTEMS:
        raise OrbitError(
            f"an epoch in {epoch_data['timeform']} {epoch_data['timesystem']}; MJD TDT or TDB is read"
        )
    system = entry.get("system_data", {})
    if system.get("refsys", "Ecliptic") != "Ecliptic":
        raise OrbitError(f"axes {system['refsys']}; ecliptic J2000 is read")
    names, values = list(car["coefficient_names"]), np.array(car["coefficient_values"], dtype=float)
    matrix = _mpc_matrix(car.get("covariance") or {}, len(names))
    nongrav, extra, scales = _mpc_forces(names[6:], values[6:])
    more = _mpc_identity(entry["designation_data"])
    if matrix is not None:
        factors = np.r_[np.ones(6), scales]
        more["covariance"] = matrix * np.outer(factors, factors)
        more["covariance_names"] = (*STATE_NAMES, *extra)
    given = entry.get("magnitude_data", {})
    magnitudes = {key.lower(): _number(given.get(key)) for key in ("H", "G", "G1", "G2", "G12")}
    code = entry.get("orbit_fit_statistics", {}).get("U_param")
    software = entry.get("software_data", {})
    return Orbit.from_state(
        epoch_jd_tdb=epoch_data["epoch"] + MJD_ZERO_JD, state=values[:6], frame="ecliptic", nongrav=nongrav,
        uncertainty_code=None if code is None else f"{code:.0f}", source="MPC mpc_orb.json",
        source_date=str(software.get("fitting_datetime", ""))[:10].replace("/", "-"), **magnitudes, **more,
    )  # fmt: skip


def _mpc_matrix(fields, size):
    rows = [[fields.get(f"cov{min(j, k)}{max(j, k)}") for k in range(size)] for j in range(size)]
    if any(value is None for row in rows for value in row):
        return None
    return np.array(rows, dtype=float)


def _mpc_forces(names, values):
    """NonGrav, the names A1.. of the fitted coefficients, and their factors to au/d^2."""
    terms, extra, scales = {}, [], []
    inverse = False
    for name, value in zip(names, values, strict=True):
        if name in ("yarkovski", "yarkovsky"):
            key, unit, inverse = "A2", YARKOVSKY_UNIT, True
        elif name == "srp":
            key, unit, inverse = "A1", RADIATION_UNIT, True
        elif name in ("A1", "A2", "A3"):
            key, unit = name, (1.0 if abs(value) < LARGEST_BARE else COMET_UNIT)
        else:
            raise OrbitError(f"the fitted parameter {name!r} is not known here; use the body's JPL orbit")
        terms[key.lower()] = value * unit
        extra.append(key)
        scales.append(unit)
    if not terms:
        return None, (), []
    return (NonGrav.inverse_square(**terms) if inverse else NonGrav(**terms)), tuple(extra), scales


def _mpc_identity(data):
    number = data.get("permid")
    provisional = data.get("unpacked_primary_provisional_designation") or ""
    aliases = [provisional, *(data.get("unpacked_secondary_provisional_designations") or [])]
    designation = str(number) if number else provisional
    if not designation:
        raise OrbitError("the record has no designation")
    name = data.get("name") or data.get("iau_name") or ""
    others = tuple(alias for alias in aliases if alias and alias != designation)
    return {"designation": designation, "name": name if name != designation else "", "aliases": others}


def _sbdb(entry):
    orbit, body = entry["orbit"], entry["object"]
    covariance = orbit.get("covariance") or {}
    more = _sbdb_identity(body) | _sbdb_magnitudes(entry.get("phys_par") or [])
    parameters = {p["name"]: to_float(str(p["value"])) for p in orbit.get("model_pars") or []}
    more |= {
        "nongrav": _sbdb_forces(parameters),
        "uncertainty_code": orbit.get("condition_code"),
        "source": f"JPL SBDB, solution {orbit.get('orbit_id', '?')}",
        "source_date": str(orbit.get("soln_date", ""))[:10],
    }
    fitted = covariance.get("elements") or orbit["elements"]
    with_matrix = bool(covariance.get("data"))
    epoch = to_float(str(covariance["epoch"] if with_matrix else orbit["epoch"]))
    values = {e.get("label") or e["name"]: to_float(str(e["value"])) for e in fitted}
    # A covariance names its elements otherwise than the orbit itself does.
    names = {key: key for key in ("e", "q", "tp", "node", "peri", "i")} | {"om": "node", "w": "peri"}
    found = {names[key]: value for key, value in values.items() if key in names}
    elements = np.array([found[key] for key in ("q", "e", "i", "node", "peri", "tp")])
    if not with_matrix:
        return _from_perihelion(more, epoch, elements)
    matrix, extra = _sbdb_matrix(covariance)
    made = _from_perihelion(more, epoch, elements)
    more["covariance"] = covariance_icrf(elements, epoch, matrix)
    more["covariance_names"] = (*STATE_NAMES, *extra)
    return Orbit(epoch_jd_tdb=epoch, state=made.state, **more)


def _from_perihelion(more, epoch, elements):
    q, e, i, node, peri, tp = elements
    return Orbit.from_elements(epoch_jd_tdb=epoch, q=q, e=e, i=i, node=node, peri=peri, tp=tp, **more)


def _sbdb_identity(body):
    read = read_name(body["des"])
    name = body.get("shortname") or body.get("fullname") or ""
    name = read_name(name).name if name else ""
    name = name.split(" (")[0] if read.kind != "comet" else name
    aliases = {d.get("pri") or d.get("des") for d in body.get("des_alt") or []} - {None, body["des"]}
    readable = []
    for alias in sorted(aliases):
        try:
            readable.append(read_name(_comet_alias(alias)).designation)
        except DesignationError:
            continue
    aliases = tuple(alias for alias in readable if alias)
    return {"designation": read.designation or body["des"], "name": name, "aliases": aliases}


def _sbdb_magnitudes(parameters):
    values = {p["name"]: _number(p.get("value")) for p in parameters}
    return {key.lower(): values.get(key) for key in ("H", "G", "M1", "K1", "M2", "K2", "PC")}


def _sbdb_forces(parameters):
    """Model parameters of SBDB; what it leaves out has the standard value."""
    if not any(parameters.get(key) for key in ("A1", "A2", "A3")):
        return None
    names = {key: key.lower() for key in ("A1", "A2", "A3", "R0", "NM", "NN", "NK")} | {"ALN": "alpha"}
    law = {names[key]: value for key, value in parameters.items() if key in names}
    return NonGrav(**law, dt_d=parameters.get("DT", 0.0))


def _sbdb_matrix(covariance: dict):
    """The covariance in the order q, e, i, node, peri, tp, A1, A2, A3."""
    # A fitted delay DT is left out: dropping its row and column is what marginalising a Gaussian means.
    labels = list(covariance["labels"])
    wanted = ["q", "e", "i", "node", "peri", "tp", *(key for key in ("A1", "A2", "A3") if key in labels)]
    matrix = np.array([[to_float(str(v)) for v in row] for row in covariance["data"]])
    order = [labels.index(key) for key in wanted]
    return matrix[np.ix_(order, order)], tuple(wanted[6:])


def _comet_alias(alias):
    """SBDB writes '67P/1969 R1' for what is P/1969 R1."""
    head, slash, tail = alias.partition("/")
    return f"{head[-1]}/{tail}" if slash and head[:-1].isdigit() else alias


NAMES = ("full_name", "pdes", "name")
SHAPE = {"e", "i", "om", "w"}


def are_jpl_heads(words) -> bool:
    """Whether column names are those of such rows."""
    words = {str(word).strip().strip('"') for word in words}
    return words >= SHAPE and bool(words & set(NAMES)) and bool({"epoch", "epoch_mjd"} & words)


def read_jpl_rows(text: str, path):
    """Read rows of JPL's query service, JSON or CSV."""
    heads, rows = _json(text, path) if text.lstrip().startswith("{") else _csv(text)
    if not are_jpl_heads(heads):
        raise OrbitError(
            f"{path}: fields {', '.join(map(str, heads))}; needed are full_name or pdes, epoch, e, i, om, w, "
            "and q with tp or a with ma"
        )
    rejected, lines = [], []
    for number, cells in rows:
        cell = dict(zip(heads, ("" if value is None else str(value) for value in cells), strict=False))
        try:
            if len(cells) != len(heads):
                raise OrbitError(f"{len(cells)} cells under {len(heads)} heads: the row was cut")
            lines.append((number, _row(cell, getattr(path, "name", path))))
        except (OrbitError, DesignationError) as error:
            rejected.append((number, str(error)))
    return catalogue_of_lines(lines, rejected, path, "row of elements", source=f"JPL, {path}")


def _json(text, path):
    try:
        content = json.loads(text)
    except ValueError as error:
        raise OrbitError(f"{path}: no valid JSON ({error}); was the file cut?") from None
    heads, rows = content.get("fields"), content.get("data")
    if not isinstance(heads, list) or not isinstance(rows, list):
        raise OrbitError(f"{path}: 'fields' and 'data' are no lists")
    good = [(k, row) for k, row in enumerate(rows, start=1) if isinstance(row, list)]
    return heads, good


def _csv(text):
    lines = [line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    table = list(csv.reader(lines))
    return [word.strip() for word in table[0]], list(enumerate(table[1:], start=2))


def _row(cell, file) -> dict:
    number = {key: to_float(value.strip() or "x") for key, value in cell.items()}
    written = next(cell[key].strip() for key in NAMES if cell.get(key, "").strip() or key == NAMES[-1])
    name = read_name(written)
    known = lambda key: np.isfinite(number.get(key, np.nan))  # noqa: E731
    epoch = number["epoch"] if known("epoch") else number.get("epoch_mjd", np.nan) + MJD_ZERO_JD
    body = {"designation": name.designation or name.name, "name": name.name if name.designation else ""}
    body |= {"epoch": epoch, "e": number["e"], "i": number["i"], "node": number["om"], "peri": number["w"]}
    if known("q") and known("tp"):
        body |= {"q": number["q"], "tp": number["tp"]}
    elif known("a") and known("ma"):
        # One list holds one form: a hyperbola's a is negative, and q positive, as they should be.
        body |= _to_perihelion(number["a"], number["e"], number["ma"], epoch)
    else:
        raise OrbitError(f"{written!r}: neither q with tp nor a with ma")
    columns = {"h": "H", "g": "G", "m1": "M1", "k1": "K1"}
    body |= {key: number.get(column, np.nan) for key, column in columns.items()}
    body["uncertainty_code"] = cell.get("condition_code", "").strip()
    body["extras"] = {key.lower(): number[key] for key in ("M2", "K2", "PC") if known(key)}
    terms = {key.lower(): number[key] for key in ("A1", "A2", "A3") if known(key) and number[key] != 0.0}
    if terms:
        make = NonGrav if name.kind in ("comet", "numbered comet") and written[:1] not in "IA" else _sunlight
        body["extras"]["nongrav"] = make(**terms, dt_d=number["DT"] if known("DT") else 0.0)
    solution = cell.get("orbit_id", "").strip()
    body["extras"]["source"] = f"JPL SBDB{', solution ' + solution if solution else ''}, {file}"
    body["extras"]["source_date"] = cell.get("soln_date", "").strip()[:10]
    return body


def _sunlight(dt_d=0.0, **terms):
    return NonGrav.inverse_square(**terms)


def _to_perihelion(a, e, ma, epoch) -> dict:
    from appulse.bodies.orbit import perihelion_elements

    found, problems = perihelion_elements(epoch, e, 0.0, 0.0, 0.0, a=a, m=ma)
    if problems:
        raise OrbitError(problems[0])
    return {"q": float(found[0, 0]), "tp": float(found[0, 5])}

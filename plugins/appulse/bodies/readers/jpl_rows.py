"""Rows of JPL's Small-Body Database as its query service and its web form give them: JSON or CSV.

JSON: ``{"fields": [...], "data": [[...], ...]}``. Fields read: ``full_name``, ``pdes`` or ``name``; ``epoch``
or ``epoch_mjd``; ``e i om w`` with ``q tp`` or ``a ma`` (au, degrees, ecliptic J2000, JD TDB); ``H G``;
``M1 K1 M2 K2 PC``; ``A1 A2 A3`` (au/d^2) with ``DT`` (d); ``condition_code``, ``orbit_id``, ``soln_date``.
The rows do not carry the law of the outgassing: it is that of water for comets, of sunlight for others, as
JPL takes them unless a record says otherwise (Marsden, Sekanina & Yeomans 1973, AJ 78, 211).
"""

import csv
import json

import numpy as np

from appulse.bodies.designations import read_name
from appulse.bodies.orbit import NonGrav
from appulse.bodies.readers.orbit_text import catalogue_of_lines, to_float
from appulse.constants import MJD_ZERO_JD
from appulse.errors import DesignationError, OrbitError

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

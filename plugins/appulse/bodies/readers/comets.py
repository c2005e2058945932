"""Lists of comets: the MPC's lines (CometEls.txt), and JPL's element lists.

Formats: the Minor Planet Center's "Ephemerides and orbital elements format for comets"; the column heads and
the rule of dashes that JPL's files carry themselves. Each comet keeps its own epoch.
"""

import re

import numpy as np

from appulse.bodies.designations import read_name, unpack
from appulse.bodies.readers.mpcorb import julian_date
from appulse.bodies.readers.orbit_text import catalogue_of_lines, to_float
from appulse.constants import MJD_ZERO_JD
from appulse.errors import DesignationError, OrbitError

MPC_COMET_LINE = re.compile(r"^[ \d]{4}[CPDXAI][ 0-9A-Za-z]{7}  .?-?\d{1,4} [ 01]\d [ 0-3]\d\.\d")
NAME_HEADS = (["Num"], ["Name"], ["Designation"])
# A comet's line must reach past the inclination.
MPC_SHORTEST = 79


def read_mpc_comets(text: str, path):
    """Read the MPC's comet lines."""
    # The list's formula is H + 5 log delta + 2.5 G log r: k1 is 2.5 times the printed slope. A line without
    # an epoch holds an unperturbed orbit, for which any epoch is right: its time of perihelion is taken.
    rows = []
    for number, line in enumerate(text.splitlines(), start=1):
        if line.strip() and not line.startswith("#"):
            rows.append((number, *_mpc_comet(line.rstrip())))
    return _catalogue(rows, path, "MPC", "line of comet elements")


def _mpc_comet(line: str):
    """One line as a dictionary, and why it cannot be used."""
    if len(line) < MPC_SHORTEST or not MPC_COMET_LINE.match(line):
        return None, f"{line[:30].strip()!r} is not a whole line of comet elements"
    try:
        designation = _comet_designation(line[:4].strip(), line[4], line[5:12].strip())
        year, month, day = int(line[14:18]), int(line[19:21]), to_float(line[22:29])
    except (DesignationError, ValueError) as error:
        return None, f"{line[:30].strip()!r}: {error}"
    tp = julian_date(year, month, day)
    date = re.fullmatch(r"(\d{4})(\d\d)(\d\d)", line[81:89].strip())
    body = {
        "designation": designation, "name": _comet_name(line[102:158]), "tp": tp,
        "epoch": julian_date(*map(int, date.groups())) if date else tp,
        "q": to_float(line[30:39]), "e": to_float(line[41:49]), "peri": to_float(line[51:59]),
        "node": to_float(line[61:69]), "i": to_float(line[71:79]),
        "m1": to_float(line[91:95] or "x"), "k1": 2.5 * to_float(line[96:100] or "x"),
        "source": line[159:168].strip(),
    }  # fmt: skip
    return body, None


def _comet_designation(number: str, kind: str, rest: str) -> str:
    """Designation by number and kind, a fragment's letters or a packed designation beside them."""
    if not number:
        return unpack(kind + rest)
    # A fragment's letters stand alone ('0073P     bt'), or end the packed designation beside the number.
    letters = rest if rest.isalpha() or not rest else unpack(kind + rest).partition("-")[2]
    return f"{int(number)}{kind}" + (f"-{letters.upper()}" if letters else "")


def _comet_name(text: str):
    """The name in 'C/1995 O1 (Hale-Bopp)' or '2P/Encke'."""
    text = text.strip()
    return read_name(text).name if text else ""


def read_jpl_list(text: str, path):
    """Read a JPL list of elements, whose columns the rule of dashes below the heads marks."""
    lines = text.splitlines()
    at = next(k for k, line in enumerate(lines) if line.startswith("-----"))
    spans = [match.span() for match in re.finditer(r"-+", lines[at])]
    heads = [lines[at - 1][a:b].split() for a, b in spans]
    keys = [" ".join(words) for words in heads]
    if not {"Epoch", "e", "i", "Node", "w"} <= set(keys) or not {"Tp", "M"} & set(keys):
        raise OrbitError(
            f"{path}: columns {', '.join(keys)}; a list with Epoch, e, i, Node, w and Tp or M is read"
        )
    rows = []
    for number, line in enumerate(lines[at + 1 :], start=at + 2):
        if line.strip():
            rows.append((number, *_jpl_line(line, keys, spans)))
    return _catalogue(rows, path, "JPL", "line of elements")


def _jpl_line(line, keys, spans):
    cells = {key: line[a:b].strip() for key, (a, b) in zip(keys, spans, strict=True)}
    first = " ".join(cells.pop(key) for key in keys if key.split()[:1] in NAME_HEADS)
    last = spans[keys.index("Tp" if "Tp" in keys else "M")][1]
    # Numbers are printed to the end of their column: a shorter line has lost digits.
    if len(line.rstrip()) < last or not first:
        return None, f"{line[:30].strip()!r} was cut"
    try:
        name = read_name(first)
    except DesignationError as error:
        return None, str(error)
    number = {key: to_float(cells[key] or "x") for key in cells if key not in ("Ref", "Tp")}
    body = {"designation": name.designation or name.name, "name": name.name, "source": cells.get("Ref", "")}
    body |= {"epoch": number.get("Epoch", np.nan) + MJD_ZERO_JD, "e": number.get("e", np.nan)}
    columns = {"i": "i", "node": "Node", "peri": "w", "h": "H", "g": "G"}
    body |= {key: number.get(column, np.nan) for key, column in columns.items()}
    if "Tp" in cells:
        date = re.fullmatch(r"(-?\d{1,4})(\d\d)(\d\d\.\d+)", cells["Tp"])
        if not date:
            return None, f"{first!r}: time of perihelion {cells['Tp']!r} is not a date"
        body |= {"q": number.get("q", np.nan), "tp": julian_date(int(date[1]), int(date[2]), float(date[3]))}
    else:
        body |= {"a": number.get("a", np.nan), "m": number.get("M", np.nan)}
    return body, None


def _catalogue(rows: list, path, agency, what: str):
    """Rows of (line number, values or None, reason) as a catalogue."""
    file = getattr(path, "name", path)
    rejected = [(line, reason) for line, body, reason in rows if body is None]
    lines = [(line, body) for line, body, _ in rows if body is not None]
    for _, body in lines:
        body["extras"] = {"source": _source(agency, body.pop("source"), file)}
    return catalogue_of_lines(lines, rejected, path, what, source=f"{agency}, {file}")


def _source(agency, reference, file):
    """Agency and solution ('JPL K204/19', 'MPC 106342'), or the file where no solution is printed."""
    if not reference:
        return f"{agency}, {file}"
    return reference if reference.startswith(agency) else f"{agency} {reference}"

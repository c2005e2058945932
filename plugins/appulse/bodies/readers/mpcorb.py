"""The MPC's catalogue of minor planets: MPCORB.DAT, and CSV lists with the MPC's own column names.

MPCORB.DAT has fixed-width lines, 1.4 million of them, read as arrays. Format: the Minor Planet Center's
"Export format for minor-planet orbits". Epochs are TT; the 2 ms to TDB are below the last digit of every
element. Lines that were cut, or whose parts contradict one another, are left out and listed by number.
"""

import csv
import io

import numpy as np

from appulse.bodies.catalogue import OrbitCatalogue
from appulse.bodies.designations import DIGITS62, read_name, unpack
from appulse.bodies.orbit import RowProblems, perihelion_elements
from appulse.bodies.readers.orbit_text import catalogue_of_lines, none_usable, to_float
from appulse.constants import GAUSS_K
from appulse.errors import DesignationError
from appulse.files import whole_number

WIDTH = 202
# A line that ends before its reference columns was cut; what stands in it may have lost digits.
SHORTEST = 160

CHUNK_LINES = 60_000
COLUMNS = {
    "h": (8, 13), "g": (14, 19), "m": (26, 35), "peri": (37, 46), "node": (48, 57), "i": (59, 68),
    "e": (70, 79), "n": (80, 91), "a": (92, 103),
}  # fmt: skip
NEEDED = ("m", "peri", "node", "i", "e", "a")
# Share by which the printed mean motion may miss the one of the printed axis: rounding stays far below.
MOTION_TOLERANCE = 1e-3

_ZERO, _DOT, _BLANK = (ord(c) for c in "0. ")
_MONTHS = {c: k for k, c in enumerate("0123456789ABC")}
_DAYS = {c: k for k, c in enumerate("0123456789ABCDEFGHIJKLMNOPQRSTUV")}


def read_mpcorb(content: bytes, path) -> OrbitCatalogue:
    """Read the bytes of an MPCORB file, with or without its header; elements as printed."""
    buffer = np.frombuffer(content, dtype=np.uint8)
    starts, ends, numbers = _lines(buffer, content)
    blanks = np.full(WIDTH, _BLANK, dtype=np.uint8)
    parts, rejected = [], []
    for at in range(0, len(starts), CHUNK_LINES):
        some = slice(at, at + CHUNK_LINES)
        first, last = starts[some][0], ends[some][-1]
        windows = np.lib.stride_tricks.sliding_window_view(
            np.concatenate([buffer[first:last], blanks]), WIDTH
        )
        part, bad = _read_chunk(windows[starts[some] - first], ends[some] - starts[some], numbers[some])
        parts.append(part)
        rejected.extend(bad)
    if not any(len(part["epoch_jd_tdb"]) for part in parts):
        raise none_usable(path, "line of minor-planet elements", rejected)
    joined = {key: np.concatenate([part[key] for part in parts]) for key in parts[0]}
    return OrbitCatalogue(
        joined.pop("designation"), joined.pop("epoch_jd_tdb"), rejected=rejected,
        source=f"MPC, {getattr(path, 'name', path)}", source_date=_prepared(content), **joined,
    )  # fmt: skip


def _lines(buffer: np.ndarray, content: bytes):
    """Where the lines of elements begin and end, and their numbers in the file (from 1)."""
    breaks = np.flatnonzero(buffer == ord("\n"))
    starts = np.concatenate([[0], breaks + 1])
    ends = np.concatenate([breaks, [len(buffer)]])
    numbers = np.arange(1, len(starts) + 1)
    carriage = (ends > starts) & (buffer[np.maximum(ends - 1, 0)] == ord("\r"))
    ends = ends - carriage
    # The header, where there is one, ends with a rule of dashes.
    rule = content[:65_536].find(b"\n-----")
    first = content.find(b"\n", rule + 1) + 1 if rule >= 0 else 0
    keep = (ends > starts) & (starts >= first)
    return starts[keep], ends[keep], numbers[keep]


def _read_chunk(block, lengths: np.ndarray, numbers):
    """Columns of the good lines of a chunk, and (line number, reason) of the others."""
    columns = np.arange(WIDTH)
    # The window of a short line runs on into the next: what is not its own becomes blank.
    block[columns[None, :] >= lengths[:, None]] = _BLANK
    problems = RowProblems()
    problems.add(
        lengths < SHORTEST, lambda r: f"only {lengths[r]} of {WIDTH} columns: {_start(block[r])!r} was cut"
    )
    values = {name: _fixed(block[:, a:b]) for name, (a, b) in COLUMNS.items()}
    epoch, bad_epoch = _epochs(block[:, 20:25])
    problems.add(bad_epoch, lambda r: f"{_start(block[r])!r} has no packed epoch: {_text(block[r, 20:25])!r}")
    for name in NEEDED:
        a, b = COLUMNS[name]
        problems.add(
            np.isnan(values[name]),
            lambda r, k=name, a=a, b=b: f"{_start(block[r])!r}: {k} {_text(block[r, a:b])!r} is not a number",
        )
    # A line with a digit lost inside it still parses: the printed motion is a checksum of the printed axis.
    with np.errstate(all="ignore"):
        motion = np.degrees(GAUSS_K) / np.abs(values["a"]) ** 1.5
        off = np.abs(values["n"] / motion - 1.0) > MOTION_TOLERANCE
    problems.add(
        off, lambda r: f"{_start(block[r])!r}: mean motion and semi-major axis contradict one another"
    )
    size = {"a": values["a"], "m": values["m"]}
    elements, more = perihelion_elements(
        epoch, values["e"], values["i"], values["node"], values["peri"], **size
    )
    for row, reason in more.items():
        problems.setdefault(row, f"{_start(block[row])!r}: {reason}")
    designation, name, number = _names(block, lengths, problems)
    good = problems.keep(len(block))
    code = np.ascontiguousarray(block[:, 105:106]).view("S1")[:, 0]
    out = {
        "designation": designation, "name": name, "number": number, "epoch_jd_tdb": epoch,
        "elements": elements, "h": values["h"], "g": values["g"],
        "uncertainty_code": np.where(code == b" ", b"", code),
    }  # fmt: skip
    rejected = [(int(numbers[row]), problems[row]) for row in sorted(problems)]
    return {key: column[good] for key, column in out.items()}, rejected


def _text(columns):
    return columns.tobytes().decode("latin-1").strip()


def _start(line):
    return _text(line[:20]).split("  ")[0]


def _fixed(field: np.ndarray):
    """Numbers of a fixed-width field, (n, w) bytes -> (n,) floats; NaN where there is none."""
    # The point of nearly all rows stands in one column: the sum of their digits is an integer below 2^53,
    # divided once, which rounds as ``float`` does. The rest goes the slow way.
    # One character of all rows lies together: the loop below is as short as the field is wide.
    columns = np.ascontiguousarray(field.T)
    place = int(np.argmax((columns == _DOT).sum(axis=1)))
    easy = columns[place] == _DOT
    leading = np.ones(len(field), dtype=bool)
    values = np.zeros(len(field))
    for k, column in enumerate(columns):
        if k == place:
            leading &= ~easy
            continue
        leading &= column == _BLANK
        # What is not a digit wraps round to more than 9.
        digit = column - np.uint8(_ZERO)
        digit[leading] = 0
        easy &= digit <= 9
        values = values * 10.0 + digit
    values /= 10.0 ** (len(columns) - 1 - place)
    for row in np.flatnonzero(~easy):
        values[row] = to_float(_text(field[row]) or "x")
    return values


def _epochs(field: np.ndarray):
    """Julian dates of packed dates such as K118R, and which rows have none."""
    packed = np.ascontiguousarray(field).view("S5")[:, 0]
    # A whole catalogue has a handful of epochs: each is unpacked once.
    unique, where = np.unique(packed, return_inverse=True)
    dates = np.array([unpack_epoch(text.decode("latin-1")) for text in unique])
    epoch = dates[where.reshape(-1)]
    return epoch, np.isnan(epoch)


def unpack_epoch(text: str) -> float:
    """Julian date (0h) of a packed date ('K118R'); NaN where the text is none."""
    if len(text) != 5 or text[0] not in "GHIJKL" or whole_number(text[1:3]) is None:
        return np.nan
    year = (DIGITS62.index(text[0])) * 100 + int(text[1:3])
    month, day = _MONTHS.get(text[3], 0), _DAYS.get(text[4], 0)
    return julian_date(year, month, day) if month and day else np.nan


def julian_date(year: int, month: int, day: float) -> float:
    """Julian date of a calendar date (Julian calendar before 1582-10-15); the day may have a fraction."""
    # Source: Meeus 1998, *Astronomical Algorithms*, chapter 7.
    gregorian = (year, month, day) >= (1582, 10, 15)
    if month <= 2:
        year, month = year - 1, month + 12
    century = year // 100
    leap = 2 - century + century // 4 if gregorian else 0
    return int(365.25 * (year + 4716)) + int(30.6001 * (month + 1)) + day + leap - 1524.5


def _names(block, lengths: np.ndarray, problems):
    """Designations, names and numbers from the packed and the readable columns."""
    packed = np.char.rstrip(np.ascontiguousarray(block[:, :7]).view("S7")[:, 0])
    number = _numbers(block)
    readable = np.char.strip(np.ascontiguousarray(block[:, 166:194]).view("S28")[:, 0])
    numbered = number > 0
    designation = np.where(numbered, number.astype("S10"), readable)
    name = np.full(len(block), b"", dtype="S28")
    has_name = numbered & (readable != b"")
    if has_name.any():
        name[has_name] = np.char.strip(np.char.partition(readable[has_name], b")")[:, 2])
    # Where there is no readable column, or the file says something else there, the packed one decides.
    odd = ~numbered & ((lengths < 194) | ~_looks_provisional(readable))
    for row in np.flatnonzero(odd):
        if row not in problems:
            try:
                designation[row] = unpack(packed[row].decode("latin-1")).encode()
            except DesignationError:
                problems[int(row)] = f"{packed[row].decode('latin-1')!r} is not a packed designation"
    return designation.astype("S13"), name, number


def _looks_provisional(readable):
    """Rows such as b'2020 AB12' or b'2040 P-L'."""
    lines = np.zeros((len(readable), 28), dtype=np.uint8)
    lines[:] = np.frombuffer(readable.astype("S28").tobytes(), dtype=np.uint8).reshape(-1, 28)
    year = ((lines[:, :4] >= _ZERO) & (lines[:, :4] <= _ZERO + 9)).all(axis=1)
    letter = (lines[:, 5] >= ord("A")) & (lines[:, 5] <= ord("Z"))
    return year & (lines[:, 4] == _BLANK) & letter


def _numbers(block):
    """Numbers of packed five-character numbers; 0 for other designations."""
    value = np.full(256, -1, dtype=np.int64)
    for k, letter in enumerate(DIGITS62):
        value[ord(letter)] = k
    # A table of 256 turns every character into its digit of base 62, or -1, in one pass.
    digit = value[block[:, :5]]
    tail = (block[:, 5] == _BLANK) & (block[:, 6] == _BLANK)
    plain = tail & (digit[:, 0] >= 0) & ((digit[:, 1:] >= 0) & (digit[:, 1:] <= 9)).all(axis=1)
    tilde = tail & (block[:, 0] == ord("~")) & (digit[:, 1:] >= 0).all(axis=1)
    number = np.where(plain, digit[:, 0] * 10_000 + digit[:, 1:] @ np.array([1000, 100, 10, 1]), 0)
    return np.where(tilde, 620_000 + digit[:, 1:] @ np.array([62**3, 62**2, 62, 1]), number)


def _prepared(content: bytes):
    """Date of the file as its header gives it, if it has one."""
    head = content[:4096].decode("latin-1")
    _, found, rest = head.partition("File prepared ")
    return rest.splitlines()[0].strip() if found else ""


def is_mpcorb_line(line) -> bool:
    """Whether a line looks like one of minor-planet elements."""
    if len(line) < 103 or np.isnan(unpack_epoch(line[20:25])):
        return False
    kind = read_name(line[:7]).kind if line[:7].strip() else "name"
    return kind != "name" and not np.isnan(to_float(line[92:103]))


CSV_COLUMNS = ("Epoch", "a", "e", "i", "Node", "Peri", "M")


def read_named_csv(text: str, path) -> OrbitCatalogue:
    """Read a CSV list with the MPC's column names; elements ecliptic J2000, epochs JD as printed."""
    lines, rejected = [], []
    reader = csv.DictReader(io.StringIO(text))
    for row in reader:
        # DictReader files surplus cells under None, and gives None to the cells of a line that was cut.
        if None in row or None in row.values() or any(row[key] == "" for key in CSV_COLUMNS):
            name = row.get("Principal_desig") or row.get("Number") or "?"
            rejected.append((reader.line_num, f"{name!r} was cut or lacks elements"))
            continue
        try:
            values = _csv_names(row)
        except DesignationError as error:
            rejected.append((reader.line_num, str(error)))
            continue
        values |= {key.lower(): to_float(row.get(key) or "x") for key in (*CSV_COLUMNS, "H", "G")}
        lines.append((reader.line_num, values | {"uncertainty_code": (row.get("U") or "").strip()}))
    source = f"MPC, {getattr(path, 'name', path)}"
    return catalogue_of_lines(lines, rejected, path, "line of elements", source=source)


def _csv_names(row):
    """Designation, name and other designations."""
    number, principal = (row.get("Number") or "").strip("() "), (row.get("Principal_desig") or "").strip()
    other = read_name(principal).designation if principal else ""
    whole = whole_number(number)
    designation = other if whole is None else str(whole)
    if not designation:
        raise DesignationError(f"{principal!r} is not a designation")
    aliases = {"aliases": (other,)} if other and other != designation else {}
    return {"designation": designation, "name": (row.get("Name") or "").strip(), "extras": aliases}

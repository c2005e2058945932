"""Observations in 80 columns: optical lines, and the pairs of spacecraft and roving observers.

::

    00007         C2027 05 05.12503 16 25 24.02 -24 24 00.1          10.0 GW     XXX
    packed number (5) | provisional or temporary (7) | * discovery | note 1 | note 2 (S, V: a second line)
    date (UTC) | RA | Dec | magnitude, band, catalogue | reference | station

Numbers keep the decimals they came with, so that a file is written again as it was read. Designations stay
packed: :mod:`appulse.bodies.designations` unpacks them.

Source: the Minor Planet Center's description of its 80-column format, optical, satellite and roving records.
"""

import re
from dataclasses import dataclass
from pathlib import Path

import erfa
import numpy as np
from astropy.time import Time

from appulse.constants import AU_KM
from appulse.errors import TableError
from appulse.files import TABLE_BYTES, read_bytes
from appulse.formats.ades.build import decimals_for
from appulse.observers import quiet_erfa

# Letter in column 72 to the catalogue's name in ADES; rare ones are left out.
CATALOGUES = {
    "a": "USNOA1", "b": "USNOSA1", "c": "USNOA2", "d": "USNOSA2", "e": "UCAC1", "f": "Tyc1", "g": "Tyc2",
    "h": "GSC1.0", "i": "GSC1.1", "j": "GSC1.2", "k": "GSC2.2", "l": "ACT", "m": "GSCACT", "n": "SDSS8",
    "o": "USNOB1", "p": "PPM", "q": "UCAC4", "r": "UCAC2", "t": "PPMXL", "u": "UCAC3", "v": "NOMAD",
    "w": "CMC14", "x": "Hip2", "y": "Hip", "z": "GSC", "A": "AC", "L": "2MASS", "N": "SDSS7", "Q": "CMC15",
    "S": "URAT1", "U": "Gaia1", "V": "Gaia2", "W": "Gaia3", "X": "Gaia3E", "Y": "UCAC5",
}  # fmt: skip

# Kinds of an observer's place, and the system that ADES names them by.
ADES_SYSTEMS = {"geodetic": "WGS84", "km": "ICRF_KM", "au": "ICRF_AU"}

PAIRED = {"S": "s", "V": "v"}
SKIPPED = {"R": "radar", "r": "radar", "X": "replaced observation", "x": "replaced observation"}


@dataclass(frozen=True)
class Obs80:
    """One observation.

    Attributes
    ----------
    number, provisional : str
        Packed, columns 1-5 and 6-12.
    time : Time
        UTC (UT1 before 1972).
    ra, dec : float
        ICRF degrees; NaN where the columns are blank.
    station : str
    mag : float or None
    band, catalogue, reference, discovery, note1, note2 : str
        Single letters, and the five of the reference; '' for blank.
    place : (str, float, float, float) or None
        Of the observer: ``('km', x, y, z)`` or ``('au', x, y, z)`` from the Earth's centre on ICRF axes, or
        ``('geodetic', longitude, latitude, height)`` in degrees east, degrees and metres.
    date_decimals, ra_decimals, dec_decimals, mag_decimals : int
        ``ra_decimals`` and ``dec_decimals`` are of seconds, or of minutes where ``minutes`` is true.
    minutes : bool
        RA and Dec to minutes only.
    second_line : str
        Of a pair, as it was read; written again as it is.
    """

    number: str
    provisional: str
    time: Time
    ra: float
    dec: float
    station: str
    mag: float | None = None
    band: str = ""
    catalogue: str = ""
    reference: str = ""
    discovery: str = ""
    note1: str = ""
    note2: str = "C"
    place: tuple | None = None
    date_decimals: int = 6
    ra_decimals: int = 3
    dec_decimals: int = 2
    mag_decimals: int = 1
    minutes: bool = False
    second_line: str = ""

    @property
    def packed(self) -> str:
        """The number where there is one, else the provisional or temporary designation."""
        return self.number or self.provisional.strip()

    @property
    def ast_cat(self) -> str:
        """The star catalogue's name in ADES; UNK where it is not known."""
        return CATALOGUES.get(self.catalogue, "UNK")


class Observations(list):
    """Observations, and what was passed over: ``rejected`` holds (line number, reason)."""

    def __init__(self, observations=(), rejected=()):
        super().__init__(observations)
        self.rejected = list(rejected)


def read_obs80(path):
    """Read a file of 80-column lines.

    Parameters
    ----------
    path : path
        Header lines (COD, OBS, TEL ...) and blank lines are passed over.

    Returns
    -------
    Observations
        A list of :class:`Obs80`; lines that are damaged, of radar, or half of a pair are in ``rejected``.

    Raises
    ------
    TableError
        Unreadable, or not one line is an observation.
    """
    path = Path(path)
    text = read_bytes(path, "80-column lines", TableError, TABLE_BYTES).decode("ascii", errors="replace")
    found = parse_obs80(text)
    if not found:
        why = f": line {found.rejected[0][0]}: {found.rejected[0][1]}" if found.rejected else ""
        raise TableError(f"{path}: no 80-column observation{why}")
    return found


def parse_obs80(text):
    """Observations of a text of 80-column lines."""
    found, waiting = Observations(), None
    for number, raw in enumerate(text.splitlines(), start=1):
        line = raw.rstrip("\r\n").ljust(80)
        if waiting is not None:
            # A first line is half an observation: without the observer's place it must not be measured with.
            first, first_line = waiting
            waiting = None
            if line[14] == PAIRED[first_line[14]] and line[77:80] == first_line[77:80]:
                _pair(found, first, first_line, line, number)
                continue
            found.rejected.append((number - 1, f"note 2 is {first_line[14]}, but its second line is missing"))
        if not re.match(r"[-\d]\d{3} \d\d \d\d", line[15:25]):
            if line.strip() and not re.match(r"(?:[A-Z]{3}|AC2)[ \d]|-{3,}|#", line):
                found.rejected.append((number, "not an 80-column observation"))
            continue
        if line[14] in SKIPPED or line[14] in PAIRED.values():
            kind = SKIPPED.get(line[14])
            why = f"{kind}: not read" if kind else "second line of a pair without its first"
            found.rejected.append((number, why))
        elif line[14] in PAIRED:
            waiting = (number, line)
        else:
            _append(found, number, line, None)
    if waiting is not None:
        found.rejected.append((waiting[0], f"note 2 is {waiting[1][14]}, but its second line is missing"))
    return found


def _append(found, number, line, place, second_line=""):
    try:
        found.append(_parse_line(line, place, second_line))
    except ValueError as error:
        found.rejected.append((number, str(error)))


def _pair(found, first, first_line, line, number):
    try:
        place = _parse_place(line)
    except ValueError as error:
        found.rejected.append((number, f"observer's place: {error}"))
        return
    _append(found, first, first_line, place, line[:80])


def _parse_line(line, place, second_line):
    time, date_decimals = _parse_date(line[15:32])
    ra, ra_decimals, ra_minutes = _sexagesimal(line[32:44], 24, "right ascension")
    dec, dec_decimals, dec_minutes = _sexagesimal(line[44:56], 90, "declination")
    mag = line[65:70].strip()
    if mag and not re.fullmatch(r"-?\d+\.?\d*", mag):
        raise ValueError(f"magnitude {mag!r} is not a number")
    if ra_minutes != dec_minutes:
        raise ValueError("right ascension and declination, one with seconds and one without")
    return Obs80(
        number=line[:5].strip(), provisional=line[5:12].rstrip(), time=time, ra=15.0 * ra, dec=dec,
        station=line[77:80].strip(), mag=float(mag) if mag else None, band=line[70].strip(),
        catalogue=line[71].strip(), reference=line[72:77].strip(), discovery=line[12].strip(),
        note1=line[13].strip(), note2=line[14].strip(), place=place, date_decimals=date_decimals,
        ra_decimals=ra_decimals, dec_decimals=dec_decimals, minutes=ra_minutes,
        mag_decimals=len(mag.partition(".")[2]) if "." in mag else -1, second_line=second_line,
    )  # fmt: skip


def _parse_date(text):
    match = re.fullmatch(r"(-?\d+) (\d\d) (\d\d)(?:\.(\d*))?", text.strip())
    if match is None:
        raise ValueError(f"date {text.strip()!r}: as in 2027 05 05.12503 is needed")
    year, month, day, fraction = match.groups()
    with quiet_erfa():
        start = Time(f"{int(year):04d}-{month}-{day}T00:00:00", scale="utc")
        # UTC days are 86,400 s here: the format cannot tell a leap second.
        time = Time(start.jd1, start.jd2 + float(f"0.{fraction or 0}"), format="jd", scale="utc")
        time.format = "isot"
    return time, len(fraction) if fraction is not None else -1


def _sexagesimal(text, limit, what):
    """Value, decimals of its last part (-1: no decimal point), and whether that part is minutes."""
    words = text.strip()
    if not words:
        return np.nan, 0, False
    match = re.fullmatch(r"([-+]?)(\d{1,2}) (\d\d)(?: (\d\d))?(\.\d*)?", words)
    if match is None:
        raise ValueError(f"{what} {words!r} is not sexagesimal")
    sign, whole, minutes, seconds, fraction = match.groups()
    minutes, seconds = float(minutes), None if seconds is None else float(seconds)
    rest = float(fraction) if fraction and fraction != "." else 0.0
    value = int(whole) + (minutes + (rest if seconds is None else (seconds + rest) / 60.0)) / 60.0
    if value > limit or minutes >= 60 or (seconds or 0) >= 60:
        raise ValueError(f"{what} {words!r} is out of range")
    return (-value if sign == "-" else value), len(fraction) - 1 if fraction else -1, seconds is None


def _parse_place(line):
    kind = line[32]
    if line[14] == "v":
        numbers = [line[34:45], line[45:56], line[56:61]]
        return ("geodetic", *(float(text) for text in numbers))
    if kind not in "12":
        raise ValueError(f"unit {kind!r} in column 33: 1 (km) or 2 (au) is needed")
    values = [float(line[a:b].replace(" ", "")) for a, b in ((34, 46), (46, 58), (58, 70))]
    return ("km" if kind == "1" else "au", *values)


_LETTERS = {name: letter for letter, name in CATALOGUES.items()}
# ADES mode to note 2.
MODES = {"CCD": "C", "CMO": "B", "PHO": "P", "TDI": "T", "VID": "N"}


def format_obs80(obs):
    """The line, or the two lines, of an obs.

    Examples
    --------
    >>> from appulse.formats.obs80 import parse_obs80
    >>> line = "00007         C2027 05 05.12503 16 25 24.02 -24 24 00.1          10.0 GW     XXX"
    >>> format_obs80(parse_obs80(line)[0]) == [line]
    True
    """
    note2 = obs.note2 or ("S" if obs.place and obs.place[0] != "geodetic" else "V" if obs.place else " ")
    # Of a pair, the second line has the first's note 2 in small letters.
    head = f"{obs.number:<5}{obs.provisional:<7}{obs.discovery or ' '}{obs.note1 or ' '}"
    date = _date(obs.time, obs.date_decimals)
    blank = not np.isfinite(obs.ra)
    ra = "" if blank else _sexagesimal_text(obs.ra / 15.0, obs.ra_decimals, obs.minutes, 24)
    dec = "" if blank else _sexagesimal_text(obs.dec, obs.dec_decimals, obs.minutes, None)
    tail = f"{obs.reference:<5}{obs.station:>3}"
    body = (
        f"{note2}{date:<17}{ra:<12}{dec:<12}{'':9}{_magnitude(obs):<5}{obs.band or ' '}{obs.catalogue or ' '}"
    )
    lines = [head + body + tail]
    if obs.second_line:
        lines.append(obs.second_line)
    elif obs.place is not None:
        # The discovery mark stands in the first line only.
        again = f"{obs.number:<5}{obs.provisional:<7} {obs.note1 or ' '}"
        lines.append(f"{again}{note2.lower()}{date:<17}{_place(obs.place):<40}{tail}")
    for line in lines:
        if len(line) != 80:
            raise TableError(f"observation of {obs.packed!r} does not fit 80 columns: {line!r}")
    return lines


def _date(time, decimals):
    with quiet_erfa():
        year, month, day, fraction = erfa.jd2cal(time.jd1, time.jd2)
        # Rounding may carry into the next day, and that into the next year: the calendar says which it is.
        scaled = round(float(fraction) * 10 ** max(decimals, 0))
        if scaled >= 10 ** max(decimals, 0):
            year, month, day, _ = erfa.jd2cal(time.jd1, time.jd2 + 0.5)
            scaled = 0
    digits = "" if decimals < 0 else f".{scaled:0{decimals}d}" if decimals else "."
    return f"{int(year):04d} {int(month):02d} {int(day):02d}{digits}"


def _sexagesimal_text(value, decimals, minutes, turn):
    """Rounded as a whole number of last digits first, so that no 60 can come out."""
    places = max(decimals, 0)
    per_whole = (60 if minutes else 3600) * 10**places
    total = round(abs(value) * per_whole)
    if turn:
        total %= turn * per_whole
    whole, rest = divmod(total, per_whole)
    parts = [f"{whole:02d}"]
    if not minutes:
        minute, rest = divmod(rest, 60 * 10**places)
        parts.append(f"{minute:02d}")
    last, fraction = divmod(rest, 10**places)
    digits = "" if decimals < 0 else f".{fraction:0{places}d}" if places else "."
    sign = "" if turn else "-" if value < 0 or (value == 0 and np.signbit(value)) else "+"
    return sign + " ".join([*parts, f"{last:02d}{digits}"])


def _magnitude(obs):
    if obs.mag is None:
        return ""
    decimals = max(obs.mag_decimals, 0)
    return f"{obs.mag:{2 if decimals == 0 else 3 + decimals}.{decimals}f}"


def _place(place):
    kind, *values = place
    if kind == "geodetic":
        lon, lat, height = values
        return f"1 {lon % 360.0:10.6f} {lat:+10.6f} {height:5.0f}"
    decimals = 4 if kind == "km" else 8
    whole = 5 if kind == "km" else 1
    # The sign stands in a column of its own, however small the number: -0.5 is '-    0.5000'.
    cells = [f"{'-' if v < 0 else '+'}{abs(v):{whole + decimals + 1}.{decimals}f}" for v in values]
    if any(len(cell) > 11 for cell in cells):
        cells = [f"{'-' if v < 0 else '+'}{abs(v):10.1f}" for v in values] if kind == "km" else cells
    return f"{'1' if kind == 'km' else '2'} " + " ".join(f"{cell:<11}" for cell in cells)


def from_ades(row, number, provisional=""):
    """An 80-column observation of an ADES one.

    Parameters
    ----------
    row : dict
        Field name to text, as in :class:`appulse.formats.ades.files.AdesBlock`.
    number, provisional : str
        Packed designation; see :mod:`appulse.bodies.designations`.

    Returns
    -------
    Obs80

    Raises
    ------
    TableError
        A field is missing, or the place's system has no 80-column form.

    Examples
    --------
    >>> row = {"stn": "XXX", "obsTime": "2027-05-05T03:00:02.5Z", "ra": "246.35", "dec": "-24.4",
    ...        "rmsRA": "0.2", "rmsDec": "0.2", "astCat": "Gaia3", "mode": "CCD"}
    >>> format_obs80(from_ades(row, "00007"))[0]
    '00007         C2027 05 05.12502916 25 24.000-24 24 00.00               W     XXX'
    """
    try:
        time = Time(row["obsTime"].rstrip("Z"), scale="utc")
        ra, dec, station = float(row["ra"]), float(row["dec"]), row["stn"]
    except (KeyError, ValueError) as error:
        raise TableError(
            f"ADES observation without a usable {error}: obsTime, ra, dec and stn are needed"
        ) from None
    place = _ades_place(row)
    mode = "V" if place and place[0] == "geodetic" else "S" if place else MODES.get(row.get("mode", ""), "C")
    sigma_ra, sigma_dec = (float(row[n]) if n in row else None for n in ("rmsRA", "rmsDec"))
    cosine = max(np.cos(np.radians(dec)), 1e-6)
    return Obs80(
        number=number, provisional=provisional, time=time, ra=ra, dec=dec, station=station,
        mag=float(row["mag"]) if "mag" in row else None, band=row.get("band", "")[:1],
        catalogue=_LETTERS.get(row.get("astCat", ""), ""), note2=mode, place=place,
        ra_decimals=decimals_for(None if sigma_ra is None else sigma_ra / 15.0 / cosine, 3),
        dec_decimals=decimals_for(sigma_dec, 2),
    )  # fmt: skip


def _ades_place(row):
    if "sys" not in row:
        return None
    values = [float(row[f"pos{i}"]) for i in (1, 2, 3)]
    kind = next((kind for kind, system in ADES_SYSTEMS.items() if system == row["sys"]), None)
    if kind is None:
        raise TableError(f"ADES place in {row['sys']}: 80 columns hold WGS84, ICRF_KM and ICRF_AU")
    # Eleven characters with the sign and four decimals: beyond a hundred million kilometres only au fit.
    if kind == "km" and max(map(abs, values)) >= 1e8:
        return ("au", *(value / AU_KM for value in values))
    return (kind, *values)

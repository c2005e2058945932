"""Writing observations in 80 columns, and making them of ADES observations."""

from __future__ import annotations

import erfa
import numpy as np
from astropy.time import Time

from appulse.constants import AU_KM
from appulse.errors import TableError
from appulse.formats.ades_build import decimals_for
from appulse.formats.obs80 import CATALOGUES, Obs80
from appulse.formats.output import write_text
from appulse.observers.timescales import quiet_erfa

_LETTERS = {name: letter for letter, name in CATALOGUES.items()}
MODES = {"CCD": "C", "CMO": "B", "PHO": "P", "TDI": "T", "VID": "N"}
"""ADES mode to note 2."""


def write_obs80(observations, path, overwrite=False):
    """Write observations in 80 columns; returns the path.

    Parameters
    ----------
    observations : sequence of Obs80
    path : path
    overwrite : bool

    Raises
    ------
    TableError
        An observation does not fit its columns.
    OutputExistsError, InputError
        As :func:`appulse.formats.output.write_text`.
    """
    lines = [line for one in observations for line in format_obs80(one)]
    return write_text(path, "".join(line + "\n" for line in lines), overwrite)


def format_obs80(one):
    """The line, or the two lines, of an observation.

    Examples
    --------
    >>> from appulse.formats.obs80 import parse_obs80
    >>> line = "00007         C2027 05 05.12503 16 25 24.02 -24 24 00.1          10.0 GW     X05"
    >>> format_obs80(parse_obs80(line)[0]) == [line]
    True
    """
    note2 = one.note2 or ("S" if one.place and one.place[0] != "geodetic" else "V" if one.place else " ")
    head = f"{one.number:<5}{one.provisional:<7}{one.discovery or ' '}{one.note1 or ' '}"
    date = _date(one.time, one.date_decimals)
    blank = not np.isfinite(one.ra)
    ra = "" if blank else _sexagesimal(one.ra / 15.0, one.ra_decimals, one.minutes, 24)
    dec = "" if blank else _sexagesimal(one.dec, one.dec_decimals, one.minutes, None)
    tail = f"{one.reference:<5}{one.station:>3}"
    body = (
        f"{note2}{date:<17}{ra:<12}{dec:<12}{'':9}{_magnitude(one):<5}{one.band or ' '}{one.catalogue or ' '}"
    )
    lines = [head + body + tail]
    if one.second_line:
        lines.append(one.second_line)
    elif one.place is not None:
        # The discovery mark stands in the first line only.
        again = f"{one.number:<5}{one.provisional:<7} {one.note1 or ' '}"
        lines.append(f"{again}{note2.lower()}{date:<17}{_place(one.place):<40}{tail}")
    for line in lines:
        if len(line) != 80:
            raise TableError(f"observation of {one.packed!r} does not fit 80 columns: {line!r}")
    return lines


def _date(time, decimals):
    with quiet_erfa():
        year, month, day, fraction = erfa.jd2cal(time.jd1, time.jd2)
        scaled = round(float(fraction) * 10 ** max(decimals, 0))
        if scaled >= 10 ** max(decimals, 0):
            year, month, day, _ = erfa.jd2cal(time.jd1, time.jd2 + 0.5)
            scaled = 0
    digits = "" if decimals < 0 else f".{scaled:0{decimals}d}" if decimals else "."
    return f"{int(year):04d} {int(month):02d} {int(day):02d}{digits}"


def _sexagesimal(value, decimals, minutes, turn):
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


def _magnitude(one):
    if one.mag is None:
        return ""
    decimals = max(one.mag_decimals, 0)
    return f"{one.mag:{2 if decimals == 0 else 3 + decimals}.{decimals}f}"


def _place(place):
    kind, *values = place
    if kind == "geodetic":
        lon, lat, height = values
        return f"1 {lon % 360.0:10.6f} {lat:+10.6f} {height:5.0f}"
    decimals = 4 if kind == "km" else 8
    whole = 5 if kind == "km" else 1
    cells = [f"{'-' if v < 0 else '+'}{abs(v):{whole + decimals + 1}.{decimals}f}" for v in values]
    if any(len(cell) > 11 for cell in cells):
        cells = [f"{'-' if v < 0 else '+'}{abs(v):10.1f}" for v in values] if kind == "km" else cells
    return f"{'1' if kind == 'km' else '2'} " + " ".join(f"{cell:<11}" for cell in cells)


def from_ades(row, number, provisional=""):
    """An 80-column observation of an ADES one.

    Parameters
    ----------
    row : dict
        Field name to text, as in :class:`appulse.formats.ades.AdesBlock`.
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
    >>> row = {"stn": "X05", "obsTime": "2027-05-05T03:00:02.5Z", "ra": "246.35", "dec": "-24.4",
    ...        "rmsRA": "0.2", "rmsDec": "0.2", "astCat": "Gaia3", "mode": "CCD"}
    >>> format_obs80(from_ades(row, "00007"))[0]
    '00007         C2027 05 05.12502916 25 24.000-24 24 00.00               W     X05'
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
    kind = {"WGS84": "geodetic", "ICRF_KM": "km", "ICRF_AU": "au"}.get(row["sys"])
    if kind is None:
        raise TableError(f"ADES place in {row['sys']}: 80 columns hold WGS84, ICRF_KM and ICRF_AU")
    if kind == "km" and max(map(abs, values)) >= 1e8:
        return ("au", *(value / AU_KM for value in values))
    return (kind, *values)

"""Observations of any format as one table of numbers."""

import re
from pathlib import Path

import numpy as np
from astropy import units as u
from astropy.table import MaskedColumn, Table
from astropy.time import Time

from appulse.errors import TableError
from appulse.files import TABLE_BYTES, read_bytes
from appulse.formats.ades.files import begins_as_xml, read_ades
from appulse.formats.obs80 import ADES_SYSTEMS, read_obs80
from appulse.observers import quiet_erfa

NUMBERS = {
    "ra": ("deg", "measured right ascension, ICRF"), "dec": ("deg", "measured declination, ICRF"),
    "sigma_ra": ("arcsec", "stated 1-sigma in RA times cos Dec"),
    "sigma_dec": ("arcsec", "stated 1-sigma in Dec"),
    "corr_ra_dec": (None, "stated correlation of the two"),
    "sigma_time": ("s", "stated 1-sigma of the clock"), "mag": ("mag", "measured magnitude in `band`"),
    "pos1": (None, "observer's place in the system `sys`"), "pos2": (None, "the same"),
    "pos3": (None, "the same"),
}  # fmt: skip
TEXTS = {
    "designation": "body, as the file names it: permanent, else provisional, else temporary",
    "kind": "permanent, provisional, temporary, or packed",
    "station": "observatory code",
    "band": "",
    "ast_cat": "star catalogue, by its name in ADES",
    "sys": "WGS84 (deg east, deg, m), ICRF_KM or ICRF_AU (from the Earth's centre); empty: by the code",
    "mode": "kind of detector",
}
SIGMAS = {
    "sigma_ra": (1e-5, 3600.0, "arcsec"), "sigma_dec": (1e-5, 3600.0, "arcsec"),
    "sigma_time": (1e-9, 86400.0, "s"),
}  # fmt: skip
"""Least and largest error of a place: a spacecraft's best, and what is no measurement any more."""
MOST_CORRELATED = 0.99999
_FROM_ADES = {
    "ra": "ra", "dec": "dec", "sigma_ra": "rmsRA", "sigma_dec": "rmsDec", "corr_ra_dec": "rmsCorr",
    "sigma_time": "rmsTime", "mag": "mag", "pos1": "pos1", "pos2": "pos2", "pos3": "pos3", "station": "stn",
    "band": "band", "ast_cat": "astCat", "sys": "sys", "mode": "mode",
}  # fmt: skip
_FROM_OBS80 = {
    "designation": "packed", "time": "time", "ra": "ra", "dec": "dec", "station": "station", "band": "band",
    "ast_cat": "ast_cat", "mag": "mag", "mode": "note2",
}  # fmt: skip


def read_observations(path):
    """Read astrometric observations: ADES PSV or XML, or 80-column lines, told by the content.

    Parameters
    ----------
    path : path

    Returns
    -------
    Table
        ``time`` (Time, UTC) and the columns of :data:`TEXTS` and :data:`NUMBERS`; what is not stated is
        masked. Other kinds than optical (radar, offsets), and observations with a number that is none, are
        counted in ``meta['rejected']``, a list of (line number or None, reason).

    Raises
    ------
    TableError
        Not one optical observation that can be used; the first reason is named.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "a.psv"
    >>> _ = path.write_text("permID|mode|stn|obsTime|ra|dec|rmsRA|astCat\\n"
    ...                     "7|CCD|XXX|2027-05-05T03:00:00Z|246.35|-24.40|0.1|Gaia3\\n")
    >>> table = read_observations(path)
    >>> str(table["designation"][0]), float(table["sigma_ra"][0]), bool(table["mag"].mask[0])
    ('7', 0.1, True)
    """
    path = Path(path)
    content = read_bytes(path, "observations", TableError, TABLE_BYTES)
    start = content[:4096].decode("utf-8", errors="replace").lstrip("\ufeff \r\n")
    # By content: files of both formats come as .txt. Eighty columns hold no bar.
    if begins_as_xml(content) or start.startswith("# version") or "|" in start:
        rows, rejected = _ades_rows(read_ades(path))
    else:
        found = read_obs80(path)
        rows, rejected = [_obs80_row(observation) for observation in found], found.rejected
    if not rows:
        raise TableError(f"{path}: no optical observation in it; O-C needs places on the sky")
    return _make(rows, path, rejected)


def _ades_rows(blocks):
    rows, other = [], {}
    for block in blocks:
        # Radar and offsets have no place on the sky of their own: a residual of them is another quantity.
        if block.kind != "optical":
            other[block.kind] = other.get(block.kind, 0) + len(block.rows)
            continue
        for found in block.rows:
            row = {name: found[field] for name, field in _FROM_ADES.items() if field in found}
            kinds = (("permID", "permanent"), ("provID", "provisional"), ("trkSub", "temporary"))
            field, kind = next(((f, k) for f, k in kinds if f in found), ("artSat", "temporary"))
            rows.append(
                row | {"designation": found.get(field, ""), "kind": kind, "time": found.get("obsTime")}
            )
    return rows, [(None, f"{count} of the kind {kind}: not read") for kind, count in other.items()]


def _obs80_row(observation):
    row = {name: getattr(observation, attribute) for name, attribute in _FROM_OBS80.items()}
    row["kind"] = "packed"
    if observation.place is not None:
        row["sys"] = ADES_SYSTEMS[observation.place[0]]
        row |= {f"pos{i}": value for i, value in enumerate(observation.place[1:], start=1)}
    return row


def _make(rows, path, rejected):
    good = []
    for i, row in enumerate(rows, start=1):
        try:
            numbers = {name: _number(row.get(name), name) for name in NUMBERS}
            _check_place(numbers)
            good.append((row, _time(row["time"]), numbers))
        except ValueError as error:
            rejected.append((None, f"observation {i}: {error}"))
    if not good:
        raise TableError(f"{path}, {next(words for _, words in rejected if words.startswith('observation'))}")
    table = Table(masked=True)
    for name, words in TEXTS.items():
        table[name] = MaskedColumn([str(row.get(name, "")) for row, _, _ in good], description=words)
    times = [time for _, time, _ in good]
    with quiet_erfa():
        table.add_column(
            Time([t.jd1 for t in times], [t.jd2 for t in times], format="jd", scale="utc"), 1, "time"
        )
        table["time"].format = "isot"
    for name, (unit, words) in NUMBERS.items():
        values = np.array([numbers[name] for _, _, numbers in good])
        missing = ~np.isfinite(values)
        if name in SIGMAS:
            missing |= values == 0.0  # how some programs say that they state none
        unit = None if unit is None else u.Unit(unit)
        table[name] = MaskedColumn(np.where(missing, 0.0, values), mask=missing, unit=unit, description=words)
    table.meta["file"], table.meta["rejected"] = path.name, rejected
    return table


def _time(value):
    if isinstance(value, Time):
        return value
    text = str(value).removesuffix("Z")
    try:
        with quiet_erfa():
            time = Time(text, scale="utc")
            # A second 60 that no minute has is quietly carried over: nothing was measured then.
            if re.search(r":60(\.\d*)?$", text) and ":60" not in Time(time, precision=0).isot[-3:]:
                raise ValueError
    except ValueError:
        raise ValueError(f"obsTime {value!r} is no UTC time") from None
    return time


def _number(value, name):
    if value is None:
        return np.nan
    try:
        number = float(value)
    except ValueError:
        number = np.inf
    if not np.isfinite(number):
        raise ValueError(f"{name} = {value!r} is not a number") from None
    return number


def _check_place(numbers):
    """Places on the sky, and errors that can be ones."""
    ra, dec = numbers["ra"], numbers["dec"]
    if not (np.isfinite(ra) and np.isfinite(dec)):
        raise ValueError("without ra or dec")
    if not (0.0 <= ra < 360.0 and -90.0 <= dec <= 90.0):
        raise ValueError(f"ra = {ra}, dec = {dec} is not on the sky: 0 to 360 and -90 to 90 are allowed")
    for name, (least, most, unit) in SIGMAS.items():
        sigma = numbers[name]
        if sigma < 0.0:
            raise ValueError(f"{name} = {sigma} is negative: an error is 0 or more")
        if sigma > most or 0.0 < sigma < least:
            raise ValueError(f"{name} = {sigma:g} {unit}: {least:g} to {most:g} are allowed, or 0 for none")
    if abs(numbers["corr_ra_dec"]) > 1.0:
        raise ValueError(f"corr_ra_dec = {numbers['corr_ra_dec']} is not a correlation: -1 to 1 are allowed")
    if abs(numbers["corr_ra_dec"]) > MOST_CORRELATED:
        raise ValueError(
            f"corr_ra_dec = {numbers['corr_ra_dec']} leaves no width to the ellipse: at most "
            f"{MOST_CORRELATED} is allowed"
        )

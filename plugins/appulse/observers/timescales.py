"""Time scales with nothing downloaded and nothing warned about that the caller cannot help.

UTC is counted by the leap-second table that ERFA carries. Beyond the table no leap second is assumed; UTC
before 1960 does not exist, and 1960-1972 had the drifting UTC of the time, which ERFA knows.
"""

import re
import warnings
from contextlib import contextmanager

import erfa
import numpy as np
from astropy.time import Time

from appulse.constants import DAY_S, J2000_JD
from appulse.errors import TimeError
from appulse.files import read_text
from appulse.observers.iers import ut1_minus_tai_s

_ISO = re.compile(
    r"(?P<y>\d{4})-(?P<m>\d{1,2})-(?P<d>\d{1,2})"
    r"(?:[T ]\s*(?P<h>\d{1,2}):(?P<mi>\d{2})(?::(?P<s>\d{2}(?:\.\d*)?))?)?\s*(?P<zone>Z|[+-]\d{2}:?\d{2})?",
    re.IGNORECASE,
)
_ALLOWED = "allowed: YYYY-MM-DD[T| ]HH:MM[:SS[.fff]] in UTC, with or without a trailing Z"
_DTF2D = {-1: "year", -2: "month", -3: "day of the month", -4: "hour", -5: "minute", -6: "second"}


@contextmanager
def quiet_erfa():
    """Silence ERFA's 'dubious year' while times far from now are printed or converted by astropy.

    Examples
    --------
    >>> with quiet_erfa():
    ...     parse_utc("2050-01-01 00:00").isot
    '2050-01-01T00:00:00.000'
    """
    # ERFA warns from five years after its last edition on that leap seconds may come; nothing is wrong.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", erfa.ErfaWarning)
        yield


def parse_utc(text):
    """Read one UTC time.

    Parameters
    ----------
    text : str
        ``2027-05-04T22:36:00``, with a blank for the T, without seconds, as a bare date (0h), or with a
        trailing Z or +00:00.

    Returns
    -------
    Time, scalar, scale UTC

    Raises
    ------
    TimeError
        Another form, a date that does not exist, a 60th second where none was inserted, another zone than
        UTC, or a time before 1960, when UTC began.

    Examples
    --------
    >>> parse_utc("2027-05-04 22:36:00Z").isot
    '2027-05-04T22:36:00.000'
    >>> parse_utc("2016-12-31T23:59:60").isot
    '2016-12-31T23:59:60.000'
    """
    match = _ISO.fullmatch(str(text).strip())
    if match is None:
        raise TimeError(f"time {str(text).strip()!r} is not understood; {_ALLOWED}")
    zone = (match["zone"] or "Z").upper()
    if zone != "Z" and zone.replace(":", "").strip("+-") != "0000":
        raise TimeError(f"time {str(text).strip()!r} has the zone {zone}; convert it to UTC; {_ALLOWED}")
    fields = [int(match[k] or 0) for k in ("y", "m", "d", "h", "mi")]
    if fields[0] < 1960:
        raise TimeError(f"time {str(text).strip()!r}: UTC begins in 1960; there is no UTC before")
    d1, d2, status = erfa.ufunc.dtf2d(b"UTC", *fields, float(match["s"] or 0.0))
    if int(status) < 0:
        raise TimeError(f"time {str(text).strip()!r}: no such {_DTF2D.get(int(status), 'time')}; {_ALLOWED}")
    # ERFA takes a 60th second anywhere, with a status; only inserted ones exist.
    if int(status) >= 2:
        raise TimeError(f"time {str(text).strip()!r}: that minute has no second 60 (no leap second there)")
    return Time(float(d1), float(d2), format="jd", scale="utc", precision=3)


def read_times_file(path):
    """Read a file of UTC times, one a line; blank lines and lines starting with # are skipped.

    Parameters
    ----------
    path : str or path

    Returns
    -------
    Time, shape (n,), scale UTC

    Raises
    ------
    TimeError
        The file cannot be read, holds no time, or a line is not understood (its number is named).

    Examples
    --------
    >>> import tempfile, pathlib
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "times.txt"
    >>> _ = path.write_text("# night of the pass\\n2027-05-04T22:00\\n2027-05-04T23:00Z\\n")
    >>> read_times_file(path).shape
    (2,)
    """
    lines = read_text(path, "a list of times", TimeError).splitlines()
    times = []
    for number, line in enumerate(lines, start=1):
        if line.strip() and not line.lstrip().startswith("#"):
            try:
                times.append(parse_utc(line))
            except TimeError as err:
                raise TimeError(f"times file {path}, line {number}: {err}") from err
    if not times:
        raise TimeError(f"times file {path} holds no time; one UTC ISO time a line is expected")
    return Time([t.jd1 for t in times], [t.jd2 for t in times], format="jd", scale="utc")


def tt_jd(times):
    """TT of times on any scale, as two-part Julian dates.

    Parameters
    ----------
    times : Time, any shape; scale utc, tai, tt, tdb, tcg, tcb or ut1

    Returns
    -------
    jd1, jd2 : arrays, JD TT

    Raises
    ------
    TimeError
        A time is not finite, is UTC before 1960, or has a scale without a tie to TT.

    Examples
    --------
    >>> jd1, jd2 = tt_jd(Time("2020-01-01", scale="utc"))
    >>> round(float((jd1 - 2458849.5 + jd2) * 86400), 6)
    69.184
    """
    jd1, jd2 = np.asarray(times.jd1, dtype=float), np.asarray(times.jd2, dtype=float)
    if np.ma.is_masked(times.jd1) or not np.all(np.isfinite(jd1) & np.isfinite(jd2)):
        raise TimeError("a time is masked or not a number: every time must be given")
    scale = times.scale
    if scale == "tt":
        return jd1, jd2
    if scale == "utc":
        return _tai_to_tt(*_utc_to_tai(jd1, jd2))
    if scale == "tai":
        return _tai_to_tt(jd1, jd2)
    if scale == "ut1":
        shift = 0.0
        # UT1-TAI changes by milliseconds a day: the second round is already exact.
        for _ in range(2):
            shift = ut1_minus_tai_s(jd1 - 2_400_000.5 + jd2 - shift / DAY_S)
        return _tai_to_tt(jd1, jd2 - shift / DAY_S)
    if scale == "tcg":
        return erfa.tcgtt(jd1, jd2)
    # By hand: astropy goes through UTC, and warns of years far from now.
    if scale in ("tdb", "tcb"):
        tdb1, tdb2 = (jd1, jd2) if scale == "tdb" else erfa.tcbtdb(jd1, jd2)
        return tdb1, tdb2 - erfa.dtdb(tdb1, tdb2, 0.0, 0.0, 0.0, 0.0) / DAY_S
    raise TimeError(f"time scale {scale!r} has no tie to TT; allowed: utc, tai, tt, tdb, tcg, tcb, ut1")


def tdb_jd(times) -> tuple:
    """TDB of times on any scale that :func:`tt_jd` takes, as two-part Julian dates."""
    if times.scale == "tdb" and np.all(np.isfinite(times.jd1)) and np.all(np.isfinite(times.jd2)):
        return np.asarray(times.jd1, dtype=float), np.asarray(times.jd2, dtype=float)
    tt1, tt2 = tt_jd(times)
    return tt1, tt2 + erfa.dtdb(tt1, tt2, 0.0, 0.0, 0.0, 0.0) / DAY_S


def tdb_days(times):
    """TDB in days from J2000.0, one float a time (good to 0.2 microseconds), shape of the times.

    Examples
    --------
    >>> float(tdb_days(Time(2451546.5, format="jd", scale="tdb")))
    1.5
    """
    jd1, jd2 = tdb_jd(times)
    return (jd1 - J2000_JD) + jd2


def _utc_to_tai(jd1, jd2):
    tai1, tai2, status = erfa.ufunc.utctai(jd1, jd2)
    # The drifting UTC of 1960 to 1972 is ERFA's to count; before, its table says nothing.
    early = (jd1 - 2_436_934.5) + jd2 < 0.0  # 1960-01-01
    if np.any(status < 0) or np.any(early):
        first = float(np.min(np.atleast_1d(jd1 + jd2)))
        raise TimeError(f"UTC begins in 1960 (JD 2436934.5), got JD {first:.5f}; give earlier times as TT")
    return tai1, tai2


def _tai_to_tt(jd1, jd2):
    return jd1, jd2 + 32.184 / DAY_S

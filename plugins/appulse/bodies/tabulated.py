"""Places from a table of time, right ascension and declination, as any ephemeris service prints it."""

from pathlib import Path

import numpy as np
from astropy.table import Table
from astropy.time import Time
from scipy.interpolate import make_interp_spline

from appulse.bodies.astrometric import UNITS, body_list, build_table, clean_times, place_and_motion
from appulse.constants import DAY_S, J2000_JD
from appulse.errors import DesignationError, EphemerisSpanError, TableError
from appulse.formats import angle_column, find_column, number_column, read_table, text_column
from appulse.numerics import separation_rad, unit_from_radec
from appulse.observers import parse_utc, tdb_days

# How near a single row's time must lie to the time asked for.
SAME_TIME_S = 0.5
_EXTRA = {
    "mag": ("mag", "V", "vmag"),
    "delta": ("delta",),
    "r": ("r",),
    "phase": ("phase", "alpha"),
    "elongation": ("elongation", "elong"),
    "sun_pa": ("sun_pa", "sunTargetPA", "PsAng"),
    "antivelocity_pa": ("antivelocity_pa", "velocityPA", "PsAMV"),
    "plane_elevation": ("plane_elevation",),
    "sigma_mag": ("sigma_mag",),
    "nuclear_mag": ("nuclear_mag", "Nmag"),
    "sigma_major": ("sigma_major",),
    "sigma_minor": ("sigma_minor",),
    "sigma_pa": ("sigma_pa",),
}


class TabulatedEphemeris:
    """Places by interpolation in a table; refused outside its span.

    Use :meth:`from_table`. Directions are interpolated as unit vectors by splines of order five (lower where
    a body has few rows), so 0h and the poles are like everywhere else. What the table does not say
    (distance, magnitude, error) is masked; rates follow from the interpolation.

    Attributes
    ----------
    designations : list of str

    Examples
    --------
    >>> from astropy.table import Table
    >>> hours = np.arange(0, 12, 2)
    >>> rows = {"designation": ["7"] * 6, "time": [f"2027-05-04T{h:02d}:00:00" for h in hours],
    ...         "ra": (359.99 + 0.01 * hours) % 360, "dec": -24.5 + 0.001 * hours}
    >>> ephemeris = TabulatedEphemeris.from_table(Table(rows))
    >>> from appulse.observers.site import Site
    >>> place = ephemeris.at(Time("2027-05-04T05:00:00"), Site.geocentre())
    >>> round(float(place["ra"][0].value), 6), round(float(place["dec"][0].value), 6)
    (0.04, -24.495)
    """

    engine = "table, interpolated"

    def __init__(self, bodies, name, spans_time):
        self._bodies, self.name, self._spans_time = bodies, name, spans_time
        self.designations = list(bodies)
        self._moment = None

    @classmethod
    def from_table(cls, table):
        """Read a positions table.

        Parameters
        ----------
        table : path or Table
            Columns ``designation`` or ``number``; ``ra``, ``dec`` (degrees, or sexagesimal with hours for
            ra); ``time`` (UTC, ISO) where the table spans time: without it the places hold for one given
            moment only. Optional ``mag, delta, r, phase, elongation, sun_pa, antivelocity_pa,
            plane_elevation, sigma_mag, nuclear_mag, sigma_major, sigma_minor, sigma_pa``.

        Returns
        -------
        TabulatedEphemeris

        Raises
        ------
        TableError
            A column is missing or holds what it must not; a time stands twice for a body.
        TimeError
            A time is not understood.
        """
        name = Path(table).name if isinstance(table, str | Path) else str(table.meta.get("file", "table"))
        if isinstance(table, str | Path):
            table = read_table(table)
        if len(table) == 0:
            raise TableError(f"{name}: no rows; a row for each place is needed")
        # Quantities with masks become plain masked columns.
        table = Table(table)
        label = find_column(table, "designation", "number", "name")
        if label is None:
            there = ", ".join(table.colnames)
            raise TableError(f"{name}: no column 'designation' or 'number'; it has: {there}")
        names = text_column(table, label, name)
        ra = angle_column(table, find_column(table, "ra") or "ra", name, hours=True)
        dec = angle_column(table, find_column(table, "dec", "de") or "dec", name)
        if not (np.all(np.isfinite(ra)) and np.all(np.isfinite(dec))):
            raise TableError(f"{name}: a row has no ra or dec; every row needs both")
        when = find_column(table, "time", "utc", "date")
        days = None if when is None else _days(table[when], name)
        extra = {}
        for column, aliases in _EXTRA.items():
            found = find_column(table, *aliases)
            if found is not None:
                extra[column] = number_column(table, found, name, unit=str(UNITS[column]))
        bodies = {}
        for body in dict.fromkeys(names):
            mine = np.flatnonzero(np.array(names) == body)
            bodies[body] = _Body(body, unit_from_radec(ra, dec), days, extra, mine, name)
        return cls(bodies, name, days is not None)

    def at(self, time, observer, bodies=None, *, apparent_rates=False, uncertainty=True):
        """Interpolated places, columns as :meth:`~appulse.bodies.ephemeris.StateEphemeris.at` gives them."""
        # The observer is named in the table's meta only: the table's own is taken to be this one. The option
        # of rates of date is for likeness with the other sources; a table knows none.
        times = clean_times(time)
        t_d = tdb_days(times)
        chosen = [self._bodies[name] for name in self._names(bodies)]
        if not self._spans_time:
            self._check_moment(t_d)
        parts = [body.at(t_d) for body in chosen]
        columns = {key: np.array([part[key] for part in parts]) for key in parts[0]}
        ellipses = np.array([columns.pop(key) for key in ("sigma_major", "sigma_minor", "sigma_pa")])
        meta = {"engine": self.engine, "source": [self.name], "kernels": "none"}
        ellipses = ellipses if uncertainty else None
        return build_table([body.name for body in chosen], times, observer, columns, ellipses, meta)

    def vectors(self, time, observer, rows=None):
        """Directions (k, m, 3), ICRF axes, for many places without a table; their lengths mean nothing."""
        t_d = tdb_days(clean_times(time))
        if not self._spans_time:
            self._check_moment(t_d)
        names = self.designations if rows is None else [self.designations[row] for row in rows]
        return np.array([self._bodies[name].directions(t_d) for name in names])

    def rows(self, bodies):
        """Rows of ``designations`` that some bodies mean; DesignationError where none is."""
        return np.array([self.designations.index(name) for name in self._names(bodies)], dtype=int)

    def _names(self, bodies):
        if bodies is None:
            return self.designations
        plain = {name.strip("()").casefold(): name for name in self.designations}
        found = []
        for body in body_list(bodies):
            key = str(body).strip().strip("()").casefold()
            if key not in plain:
                shown = ", ".join(self.designations[:8]) + (" ..." if len(self.designations) > 8 else "")
                raise DesignationError(f"{body!r} is not in {self.name}; it holds {shown}")
            found.append(plain[key])
        return found

    def _check_moment(self, t_d):
        moment = float(t_d[0]) if self._moment is None else self._moment
        if np.any(np.abs(t_d - moment) * DAY_S > SAME_TIME_S):
            raise EphemerisSpanError(
                f"{self.name} has no column 'time': its places hold for one moment only, and this is another;"
                " add the times, or use one table a frame"
            )
        self._moment = moment


class _Body:
    """Rows of one body, in order of time."""

    def __init__(self, name, unit, days, extra, rows, table):
        self.name, self.table = name, table
        if days is None:
            if len(rows) > 1:
                raise TableError(f"{table}: {name} stands in {len(rows)} rows but there is no column 'time'")
            self.days = None
        else:
            rows = rows[np.argsort(days[rows], kind="stable")]
            self.days = days[rows]
            if np.any(np.diff(self.days) * DAY_S < 1e-3):
                raise TableError(f"{table}: {name} has two rows of the same time")
        self.unit = unit[rows]
        self.extra = {key: values[rows] for key, values in extra.items()}
        self._spline = None
        if len(rows) > 1:
            # Five where there are rows enough; a spline of order k needs k + 1 of them.
            order = min(5, (len(rows) - 1) // 2 * 2 + 1 if len(rows) > 2 else 1)
            order = min(order, len(rows) - 1)
            self._spline = make_interp_spline(self.days - self.days[0], self.unit, k=order)

    def at(self, t_d: np.ndarray):
        """Columns of the table at times, each (m,)."""
        unit = self.directions(t_d)
        rate = np.full_like(unit, np.nan)
        if self._spline is not None:
            rate = self._spline.derivative()(t_d - self.days[0])
        return place_and_motion(unit, rate) | {key: self._interpolate(key, t_d) for key in _EXTRA}

    def directions(self, t_d: np.ndarray):
        """Vectors (m, 3) at times; the spline's are not quite of length one, which no direction notices."""
        self._check(t_d)
        if self._spline is None:
            return np.repeat(self.unit, len(t_d), axis=0)
        return self._spline(t_d - self.days[0])

    def _interpolate(self, key, t_d):
        if key not in self.extra:
            return np.full(len(t_d), np.nan)
        if self.days is None or len(self.days) == 1:
            return np.repeat(self.extra[key], len(t_d))
        values = self.extra[key]
        # An axis turns through 180 degrees and is the same again: unwrapped at twice the angle.
        if key == "sigma_pa":
            values = np.degrees(np.unwrap(2.0 * np.radians(values))) / 2.0
            return np.interp(t_d, self.days, values) % 180.0
        if key in ("sun_pa", "antivelocity_pa"):
            return np.interp(t_d, self.days, np.unwrap(values, period=360.0)) % 360.0
        return np.interp(t_d, self.days, values)

    def _check(self, t_d):
        if self.days is None:
            return
        slack = SAME_TIME_S / DAY_S
        bad = (t_d < self.days[0] - slack) | (t_d > self.days[-1] + slack)
        if np.any(bad):
            shown = [Time(J2000_JD, d, format="jd", scale="tdb").tt.iso[:19] for d in self.days[[0, -1]]]
            asked = Time(J2000_JD, float(t_d[bad][0]), format="jd", scale="tdb").tt.iso[:19]
            raise EphemerisSpanError(
                f"{self.table}: {self.name} is tabulated from {shown[0]} to {shown[1]} (TT), asked for"
                f" {asked}; nothing is extrapolated: add rows that span the time"
            )
        if len(self.days) > 1:
            widest = float(separation_rad(self.unit[:-1], self.unit[1:]).max())
            # Between rows so far apart no spline can know the path.
            if widest > np.radians(30.0):
                raise TableError(f"{self.table}: {self.name} moves over 30 degrees between rows: too coarse")


def _days(column: np.ndarray, name):
    """TDB days from J2000.0 of a column of UTC times."""
    if isinstance(column, Time):
        return np.atleast_1d(tdb_days(column))
    return np.array([float(tdb_days(parse_utc(text))) for text in column])

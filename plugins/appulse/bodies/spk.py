"""Places straight from an SPK kernel: a JPL Horizons file of a small body, a spacecraft, a planet."""

import os

import numpy as np
from jplephem.spk import SPK

from appulse.bodies.kernels import EARTH, MOON, SUN, default_kernels
from appulse.bodies.spk_segments import SegmentReader
from appulse.bodies.state_ephemeris import StateEphemeris
from appulse.constants import J2000_JD
from appulse.errors import DesignationError, EphemerisSpanError, InputError

_MAJOR_ROW = {10: SUN, 1: 1, 199: 1, 2: 2, 299: 2, 399: EARTH, 301: MOON, 4: 5, 5: 6, 6: 7, 7: 8, 8: 9, 9: 10}


class SPKEphemeris(StateEphemeris):
    """Places from an SPK file with segments of types 2, 3, 13 or 21.

    Parameters
    ----------
    path : path
    orbits : sequence of Orbit, optional
        Records that lend the bodies their magnitudes, matched by number or designation.
    kernels : Kernels, optional
        For the Earth, the Sun, and the centres that the file's segments refer to.

    Attributes
    ----------
    designations : list of str
        Bodies in the file: numbers of minor planets, NAIF numbers of others.

    Raises
    ------
    InputError
        The file is missing, is no SPK file, or holds no segment of a type that is read.

    Examples
    --------
    (7) from the kernel of massive asteroids, on the night of its pass by IC 4603:

    >>> from astropy.time import Time
    >>> from appulse.bodies.kernels import DEFAULT_ASTEROIDS
    >>> from appulse.observers.site import Site
    >>> with SPKEphemeris(DEFAULT_ASTEROIDS) as kernel:
    ...     place = kernel.at(Time("2027-05-04T22:36"), Site.geocentre(), bodies="7")
    >>> round(float(place["ra"][0].value), 2), round(float(place["dec"][0].value), 2)
    (246.37, -24.41)
    """

    engine = "SPK kernel"

    def __init__(self, path, *, orbits=(), kernels=None):
        if not os.path.isfile(path):
            raise InputError(f"SPK file {path} does not exist")
        try:
            self._spk = SPK.open(path)
        except (ValueError, OSError) as err:
            raise InputError(f"{path} is not an SPK file: {err}") from err
        self.kernels = kernels or default_kernels()
        self.name = os.path.basename(path)
        self._segments = {}
        problems = []
        for segment in self._spk.segments:
            try:
                reader = SegmentReader(segment)
            except InputError as err:
                problems.append(str(err))
            else:
                self._segments.setdefault(segment.target, []).append(reader)
        self._targets = sorted(self._segments)
        if not self._targets:
            self._spk.close()
            why = "; ".join(problems) or "no segment"
            raise InputError(f"SPK file {path} holds nothing that can be read: {why}")
        self.designations = [_name(target) for target in self._targets]
        self._records = {str(o.number or o.designation): o for o in orbits}

    def close(self):
        """Close the file. Places asked for afterwards may fail."""
        self._spk.close()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()

    def span(self, body):
        """First and last time of a body in the file, JD TDB.

        Parameters
        ----------
        body : str

        Returns
        -------
        start, end : float, JD TDB

        Raises
        ------
        DesignationError
            The file does not hold it.
        """
        pieces = self._segments[self._targets[int(self.rows(body)[0])]]
        return min(p.start_d for p in pieces) + J2000_JD, max(p.end_d for p in pieces) + J2000_JD

    def rows(self, bodies):
        """Rows that designations mean: '42', '(42)', or a NAIF number.

        Parameters
        ----------
        bodies : str, int, sequence of them, or None for all

        Returns
        -------
        (k,) int array

        Raises
        ------
        DesignationError
            The file does not hold it.
        """
        if bodies is None:
            return np.arange(len(self._targets))
        if isinstance(bodies, str | int | np.integer):
            bodies = [bodies]
        found = []
        for body in bodies:
            text = str(body).strip().strip("()")
            rows = [i for i, t in enumerate(self._targets) if text in (self.designations[i], str(t))]
            if not rows:
                held = ", ".join(self.designations)
                raise DesignationError(f"{body!r} is not in {self.name}; it holds {held}")
            found.append(rows[0])
        return np.array(found, dtype=int)

    def states(self, rows, t_d):
        """Barycentric states, ICRF axes.

        Parameters
        ----------
        rows : (k,) int array
        t_d : (k, m) array, TDB days from J2000.0

        Returns
        -------
        (k, m, 6) array, au and au/d

        Raises
        ------
        EphemerisSpanError
            A time is not covered by the file.
        InputError
            A segment's centre is neither in the file nor among the planets.
        """
        return np.stack([self._state(self._targets[int(row)], t) for row, t in zip(rows, t_d, strict=True)])

    def _state(self, target, t_d, depth=0):
        """State of a NAIF body, from the file as far as it goes and from the planetary kernel beyond."""
        if target == 0:
            return np.zeros((len(t_d), 6))
        if target not in self._segments or depth > 8:
            return self._major(target, t_d)
        out = np.empty((len(t_d), 6))
        todo = np.ones(len(t_d), bool)
        for piece in reversed(self._segments[target]):  # the last segment in the file has priority
            mine = todo & (t_d >= piece.start_d) & (t_d <= piece.end_d)
            if mine.any():
                out[mine] = piece.at(t_d[mine]) + self._state(piece.center, t_d[mine], depth + 1)
                todo &= ~mine
        if todo.any():
            start, end = self.span(_name(target))
            raise EphemerisSpanError(
                f"{_name(target)}: JD {t_d[todo][0] + J2000_JD:.5f} TDB is not covered by {self.name}"
                f" (JD {start:.1f} to {end:.1f})"
            )
        return out

    def _major(self, target, t_d):
        if target not in _MAJOR_ROW:
            raise InputError(f"{self.name} refers to NAIF body {target}: neither it nor the planets hold it")
        self.kernels.check_span(t_d)
        pos, vel = self.kernels.major(t_d)
        row = _MAJOR_ROW[target]
        return np.hstack([pos[:, row], vel[:, row]])

    def describe(self, rows):
        """Designations, the records that lend magnitudes (or None), and the segments' solutions."""
        names = [self.designations[int(row)] for row in rows]
        pieces = [piece for row in rows for piece in self._segments[self._targets[int(row)]]]
        solutions = {piece.segment.source.decode("latin-1").strip() for piece in pieces}
        records = [self._records.get(name) for name in names]
        return names, records, sorted(f"{self.name}: {solution}" for solution in solutions)


def _name(target):
    """Number of a minor planet from its NAIF number (2000042 or 20000042), else the NAIF number."""
    if 2_000_000 < target < 3_000_000:
        return str(target - 2_000_000)
    if 20_000_000 < target < 30_000_000:
        return str(target - 20_000_000)
    return str(target)

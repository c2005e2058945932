"""Places straight from an SPK kernel: a JPL Horizons file of a small body, a spacecraft, a planet.

Segments of types 2, 3 (Chebyshev), 13 (Hermite) and 21 (extended modified differences). Source: NAIF, *SPK
Required Reading* (types and record layouts); the difference lines are those of Krogh's variable-order
integrator (Krogh 1974, *Changing stepsize in the integration of differential equations using modified
divided differences*, Lecture Notes in Mathematics 362, 22).
"""

import os

import numpy as np
from jplephem.spk import SPK
from scipy.interpolate import KroghInterpolator

from appulse.bodies.astrometric import body_list
from appulse.bodies.ephemeris import StateEphemeris
from appulse.bodies.kernels import EARTH, MOON, SUN, default_kernels
from appulse.constants import AU_KM, DAY_S, J2000_JD
from appulse.errors import DesignationError, EphemerisSpanError, InputError
from appulse.numerics import ECLIPTIC_TO_ICRF

# NAIF frames J2000 (ICRF) and ECLIPJ2000.
_AXES = {1: np.eye(3), 17: ECLIPTIC_TO_ICRF}
TYPES = (2, 3, 13, 21)


class SegmentReader:
    """One segment, read when first asked for; InputError for a type or frame that is not read."""

    def __init__(self, segment):
        if segment.data_type not in TYPES:
            raise InputError(
                f"SPK segment of body {segment.target} has type {segment.data_type};"
                " read are the types 2, 3, 13 and 21"
            )
        if segment.frame not in _AXES:
            raise InputError(
                f"SPK segment of body {segment.target} is in NAIF frame {segment.frame};"
                " read are 1 (J2000) and 17 (ECLIPJ2000)"
            )
        self.segment, self.target, self.center = segment, segment.target, segment.center
        self.start_d, self.end_d = segment.start_second / DAY_S, segment.end_second / DAY_S
        self._axes = _AXES[segment.frame]
        self._reader = None

    def at(self, t_d: np.ndarray):
        """States (m, 6) relative to the segment's centre, au and au/d, ICRF axes, inside the segment."""
        if self._reader is None:
            kinds = {2: _Chebyshev, 3: _Chebyshev, 13: _Hermite, 21: _Differences}
            self._reader = kinds[self.segment.data_type](self.segment)
        pos, vel = self._reader.at(np.asarray(t_d, dtype=float))
        return np.hstack([pos @ self._axes.T / AU_KM, vel @ self._axes.T * (DAY_S / AU_KM)])


class _Chebyshev:
    def __init__(self, segment):
        self.segment = segment

    def at(self, t_d: np.ndarray):
        """Place and velocity from the centre, km and km/s, each (m, 3)."""
        parts = self.segment.compute_and_differentiate(J2000_JD, t_d)
        if self.segment.data_type == 3:
            return parts[0][:3].T, parts[0][3:].T
        return parts[0].T, parts[1].T / DAY_S


class _Hermite:
    """Type 13: states at uneven epochs, osculating polynomials over a window of them."""

    def __init__(self, segment):
        read = segment.daf.read_array
        window, count = read(segment.end_i - 1, segment.end_i)
        self.window, count = int(window) + 1, int(count)
        first = segment.start_i
        self.states = read(first, first + 6 * count - 1).reshape(count, 6)
        self.epochs = read(first + 6 * count, first + 7 * count - 1)
        self.window = min(self.window, count)

    def at(self, t_d: np.ndarray):
        """Place and velocity from the centre, km and km/s, each (m, 3)."""
        t = t_d * DAY_S
        # An odd window is centred on the nearest epoch, an even one has as many epochs on either side.
        if self.window % 2:
            right = np.searchsorted(self.epochs, t)
            left = np.clip(right - 1, 0, len(self.epochs) - 1)
            right = np.clip(right, 0, len(self.epochs) - 1)
            nearer = np.where(np.abs(self.epochs[right] - t) < np.abs(self.epochs[left] - t), right, left)
            start = nearer - self.window // 2
        else:
            start = np.searchsorted(self.epochs, t) - self.window // 2
        start = np.clip(start, 0, len(self.epochs) - self.window)
        out = np.empty((len(t), 6))
        for begin in np.unique(start):
            mine = start == begin
            epochs = self.epochs[begin : begin + self.window]
            # Times of order one keep the divided differences well scaled.
            scale = epochs[-1] - epochs[0] or 1.0
            x = np.repeat((epochs - epochs[0]) / scale, 2)
            states = self.states[begin : begin + self.window]
            y = np.stack([states[:, :3], states[:, 3:] * scale], axis=1).reshape(-1, 3)
            poly = KroghInterpolator(x, y)
            at = (t[mine] - epochs[0]) / scale
            out[mine, :3], out[mine, 3:] = poly(at), poly.derivative(at) / scale
        return out[:, :3], out[:, 3:]


class _Differences:
    """Type 21: difference lines of a multistep integrator, each good up to its own last epoch."""

    # A line holds: reference epoch, step vector G (size m), place and velocity interleaved, differences
    # (m, 3), the greatest order plus one, and the orders of x, y, z.

    def __init__(self, segment):
        read = segment.daf.read_array
        size, count = (int(v) for v in read(segment.end_i - 1, segment.end_i))
        self.size, length = size, 4 * size + 11
        first = segment.start_i
        self.lines = read(first, first + count * length - 1).reshape(count, length)
        self.epochs = read(first + count * length, first + count * (length + 1) - 1)

    def at(self, t_d: np.ndarray):
        """Place and velocity from the centre, km and km/s, each (m, 3)."""
        t = t_d * DAY_S
        index = np.minimum(np.searchsorted(self.epochs, t), len(self.epochs) - 1)
        pos, vel = np.empty((len(t), 3)), np.empty((len(t), 3))
        for i in np.unique(index):
            mine = index == i
            pos[mine], vel[mine] = self._evaluate(self.lines[i], t[mine])
        return pos, vel

    def _evaluate(self, line, t):
        m = self.size
        steps = line[1 : 1 + m]
        place, velocity = line[1 + m : 7 + m : 2], line[2 + m : 7 + m : 2]
        differences = line[7 + m : 7 + 4 * m].reshape(3, m)
        top = int(line[7 + 4 * m])
        orders = line[8 + 4 * m : 11 + 4 * m].astype(int)
        delta = (t - line[0])[:, None]
        first, second = _integration_coefficients(delta[:, 0], steps, top)
        pos, vel = np.empty((len(t), 3)), np.empty((len(t), 3))
        for axis, order in enumerate(orders):
            terms = differences[axis, :order]
            pos[:, axis] = terms @ second[:order]
            vel[:, axis] = terms @ first[:order]
        return place + delta * (velocity + delta * pos), velocity + delta * vel


def _integration_coefficients(delta: np.ndarray, steps: np.ndarray, top):
    """Krogh's coefficients of the first and second integral of the modified differences, each (top, m)."""
    # ``w`` starts as 1, 1/2, 1/3, ... and is swept once for every order; before the last sweep its rows from
    # the second on belong to the second integral, after it those from the first on to the first integral.
    ahead, ratio = [np.ones_like(delta)], []
    reach = delta
    for step in steps[: top - 2]:
        ahead.append(reach / step)
        ratio.append(delta / step)
        reach = delta + step
    w = np.repeat(1.0 / np.arange(1, top + 1)[:, None], len(delta), axis=1)
    w = np.vstack([w, np.zeros((top, len(delta)))])
    sweep = 0
    for level in range(top - 1, 0, -1):
        if level == 1:
            second = w[1 : top + 1].copy()
        else:
            sweep += 1
        for j in range(sweep):
            w[j + level] = ahead[j + 1] * w[j + level - 1] - ratio[j] * w[j + level]
    return w[:top], second


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
        """First and last time of a body in the file, JD TDB."""
        pieces = self._segments[self._targets[int(self.rows(body)[0])]]
        return min(p.start_d for p in pieces) + J2000_JD, max(p.end_d for p in pieces) + J2000_JD

    def rows(self, bodies):
        """Rows that designations mean: '42', '(42)', or a NAIF number."""
        if bodies is None:
            return np.arange(len(self._targets))
        found = []
        for body in body_list(bodies):
            text = str(body).strip().strip("()")
            rows = [i for i, t in enumerate(self._targets) if text in (self.designations[i], str(t))]
            if not rows:
                held = ", ".join(self.designations)
                raise DesignationError(f"{body!r} is not in {self.name}; it holds {held}")
            found.append(rows[0])
        return np.array(found, dtype=int)

    def states(self, rows: np.ndarray, t_d: np.ndarray):
        """Barycentric states (k, m, 6), ICRF axes, of rows (k,) at t_d (k, m), TDB days from J2000.0."""
        return np.stack([self._state(self._targets[int(row)], t) for row, t in zip(rows, t_d, strict=True)])

    def _state(self, target: int, t_d: np.ndarray, depth=0):
        """State of a NAIF body, from the file as far as it goes and from the planetary kernel beyond."""
        if target == 0:
            return np.zeros((len(t_d), 6))
        # Eight centres deep no file is meant; a damaged one may refer to itself for ever.
        if target not in self._segments or depth > 8:
            return self._major(target, t_d)
        out = np.empty((len(t_d), 6))
        todo = np.ones(len(t_d), bool)
        # By the rules of SPK the last segment in the file has priority.
        for piece in reversed(self._segments[target]):
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

    def describe(self, rows: np.ndarray):
        """Designations, the records that lend magnitudes (or None), and the segments' solutions."""
        names = [self.designations[int(row)] for row in rows]
        pieces = [piece for row in rows for piece in self._segments[self._targets[int(row)]]]
        solutions = {piece.segment.source.decode("latin-1").strip() for piece in pieces}
        records = [self._records.get(name) for name in names]
        return names, records, sorted(f"{self.name}: {solution}" for solution in solutions)


def _name(target: int):
    """Number of a minor planet from its NAIF number (2000042 or 20000042), else the NAIF number."""
    if 2_000_000 < target < 3_000_000:
        return str(target - 2_000_000)
    if 20_000_000 < target < 30_000_000:
        return str(target - 20_000_000)
    return str(target)

"""Segments of SPK kernels: types 2, 3 (Chebyshev), 13 (Hermite) and 21 (extended modified differences).

Source: NAIF, *SPK Required Reading* (types and record layouts); the difference lines are those of Krogh's
variable-order integrator (Krogh 1974, *Changing stepsize in the integration of differential equations using
modified divided differences*, Lecture Notes in Mathematics 362, 22).
"""

import numpy as np
from scipy.interpolate import KroghInterpolator

from appulse.constants import AU_KM, DAY_S, J2000_JD
from appulse.errors import InputError
from appulse.numerics.kepler import ECLIPTIC_TO_ICRF

_AXES = {1: np.eye(3), 17: ECLIPTIC_TO_ICRF}
"""NAIF frames J2000 (ICRF) and ECLIPJ2000."""
TYPES = (2, 3, 13, 21)


class SegmentReader:
    """One segment, read when first asked for.

    Parameters
    ----------
    segment : jplephem segment

    Raises
    ------
    InputError
        A type or frame that is not read here.
    """

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

    def at(self, t_d):
        """States relative to the segment's centre.

        Parameters
        ----------
        t_d : (m,) array, TDB days from J2000.0, inside the segment

        Returns
        -------
        (m, 6) array, au and au/d, ICRF axes
        """
        if self._reader is None:
            kinds = {2: _Chebyshev, 3: _Chebyshev, 13: _Hermite, 21: _Differences}
            self._reader = kinds[self.segment.data_type](self.segment)
        pos, vel = self._reader.at(np.asarray(t_d, dtype=float))
        return np.hstack([pos @ self._axes.T / AU_KM, vel @ self._axes.T * (DAY_S / AU_KM)])


class _Chebyshev:
    def __init__(self, segment):
        self.segment = segment

    def at(self, t_d):
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

    def at(self, t_d):
        t = t_d * DAY_S
        if self.window % 2:  # centred on the nearest epoch
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
            scale = epochs[-1] - epochs[0] or 1.0
            x = np.repeat((epochs - epochs[0]) / scale, 2)
            states = self.states[begin : begin + self.window]
            y = np.stack([states[:, :3], states[:, 3:] * scale], axis=1).reshape(-1, 3)
            poly = KroghInterpolator(x, y)
            at = (t[mine] - epochs[0]) / scale
            out[mine, :3], out[mine, 3:] = poly(at), poly.derivative(at) / scale
        return out[:, :3], out[:, 3:]


class _Differences:
    """Type 21: difference lines of a multistep integrator, each good up to its own last epoch.

    A line holds: reference epoch, step vector G (size m), place and velocity interleaved, differences (m, 3),
    the greatest order plus one, and the orders of x, y, z.
    """

    def __init__(self, segment):
        read = segment.daf.read_array
        size, count = (int(v) for v in read(segment.end_i - 1, segment.end_i))
        self.size, length = size, 4 * size + 11
        first = segment.start_i
        self.lines = read(first, first + count * length - 1).reshape(count, length)
        self.epochs = read(first + count * length, first + count * (length + 1) - 1)

    def at(self, t_d):
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


def _integration_coefficients(delta, steps, top):
    """Krogh's coefficients of the first and second integral of the modified differences, each (top, m).

    ``w`` starts as 1, 1/2, 1/3, ... and is swept once for every order; before the last sweep its rows from
    the second on belong to the second integral, after it those from the first on to the first integral.
    """
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

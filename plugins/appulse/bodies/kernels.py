"""The perturbers' places: JPL kernels read once into arrays that many times can be drawn from at once.

jplephem opens the files; the evaluation here is vectorised over bodies as well as times, since the engine
asks for all perturbers at the twelve stages of each step.
"""

import contextlib
import os
import struct
from functools import lru_cache
from pathlib import Path

import numpy as np
from jplephem.spk import SPK

from appulse.constants import AU_KM, GM_SUN, J2000_JD
from appulse.errors import EphemerisSpanError, InputError

DATA = Path(__file__).resolve().parent.parent / "data"
DEFAULT_PLANETS = DATA / "de440_1990_2050.bsp"
DEFAULT_ASTEROIDS = DATA / "sb441-n16_1990_2050.bsp"

SUN, MERCURY, VENUS, EARTH, MOON, MARS, JUPITER = 0, 1, 2, 3, 4, 5, 6
SATURN, URANUS, NEPTUNE, PLUTO = 7, 8, 9, 10
NAMES = (
    "Sun", "Mercury", "Venus", "Earth", "Moon", "Mars", "Jupiter", "Saturn", "Uranus", "Neptune", "Pluto",
)  # fmt: skip

# Minor-planet numbers of bodies that are among the major perturbers: Pluto stands for its system.
MAJOR_ROWS_BY_NUMBER = {134_340: PLUTO}

# GM in the order of NAMES, au^3/d^2. Header of DE440 (Park et al. 2021, AJ 161, 105).
GM_MAJOR = np.array(
    [
        GM_SUN,
        4.9125001948893182e-11,
        7.2434523326441187e-10,
        8.8876924467071022e-10,  # Earth
        1.0931894624024351e-11,  # Moon
        9.5495488297258119e-11,
        2.8253458252257917e-07,  # systems with their moons from here
        8.4597059933762903e-08,
        1.2920265649682399e-08,
        1.5243573478851939e-08,
        2.1750964648933581e-12,
    ]
)

_RADII_KM = (695_700, 2_440, 6_052, 6_378, 1_737, 3_396, 71_492, 60_268, 25_559, 24_764, 1_188)
FARTHEST_KM = 1e12
"""Beyond every body of a kernel: 6,700 au."""
# 1850 to 2150, JD TDB.
READ_SPAN_JD = (2_396_758.5, 2_506_331.5)
# Equatorial radii, au. IAU WG on Cartographic Coordinates 2015 (Archinal et al. 2018, CeMDA 130, 22).
RADIUS_AU = np.array(_RADII_KM) / AU_KM

# GM of the massive asteroids by number, au^3/d^2. Header of DE440, the same as in SB441-N16.
GM_ASTEROIDS = {
    1: 1.3964518123081070e-13,
    2: 3.0471146330043200e-14,
    3: 4.2823439677995011e-15,
    4: 3.8548000225257904e-14,
    7: 2.5416014973471498e-15,
    10: 1.2542530761640810e-14,
    15: 4.5107799051436795e-15,
    16: 3.5445002842488978e-15,
    31: 2.4067012218937576e-15,
    52: 5.9824315264869841e-15,
    65: 2.0917175955133682e-15,
    87: 4.8345606546105521e-15,
    88: 2.6529436610356353e-15,
    107: 3.2191392075878588e-15,
    511: 8.6836253492286545e-15,
    704: 6.3110343420878887e-15,
}


class _Block:
    """Segments that share a Chebyshev grid, evaluated together."""

    def __init__(self, start_d, length_d, targets, coefficients):
        self.start_d, self.length_d, self.targets = start_d, length_d, targets
        self.count = coefficients[0].shape[1]
        # (interval, body*axis, order): one gather per time fetches everything.
        self.coefficients = np.ascontiguousarray(
            np.concatenate([c / AU_KM for c in coefficients], axis=0).transpose(1, 0, 2)
        )
        order = self.coefficients.shape[2]
        derived = np.polynomial.chebyshev.chebder(self.coefficients, axis=2) * (2.0 / length_d)
        self.derivatives = np.ascontiguousarray(np.pad(derived, ((0, 0), (0, 0), (0, 1))))
        self.orders = np.arange(order, dtype=float)

    def at(self, t_d: np.ndarray, velocities):
        """Places and, if asked, velocities at times (m,): arrays (m, bodies, 3)."""
        s = (t_d - self.start_d) / self.length_d
        index = np.clip(s.astype(int), 0, self.count - 1)
        x = np.clip(2.0 * (s - index) - 1.0, -1.0, 1.0)
        # Chebyshev polynomials as cosines: all orders at once, which recurrence would take one by one.
        basis = np.cos(np.multiply.outer(np.arccos(x), self.orders))[:, :, None]
        shape = (len(t_d), len(self.targets), 3)
        place = np.matmul(self.coefficients[index], basis).reshape(shape)
        if not velocities:
            return place, None
        return place, np.matmul(self.derivatives[index], basis).reshape(shape)


class Kernels:
    """Planets, Sun, Moon and massive asteroids from SPK files.

    Parameters
    ----------
    planets, asteroids : path, optional
        Kernels of the user's own for other spans: a DE4xx planetary file and one of the 16 asteroids relative
        to the Sun (``asteroids=None`` with a planetary file of one's own: no asteroids). By default the ones
        that come with appulse, 1990 to 2050.
    span_jd : (start, end), JD TDB
        The part of the files that is read into memory: 1850 to 2150 by default, which
        takes a tenth of a gigabyte.

    Attributes
    ----------
    start_d, end_d : float
        Span, TDB days from J2000.0.
    numbers : tuple of int
        Numbers of the asteroids at hand, in order.
    gm : (11 + asteroids,) array, au^3/d^2
    description : str

    Raises
    ------
    InputError
        A file is missing, is not an SPK file, or lacks a body.

    Examples
    --------
    >>> kernels = Kernels()
    >>> kernels.numbers[:4], kernels.gm.shape
    ((1, 2, 3, 4), (27,))
    >>> pos, vel = kernels.major(np.array([0.0]))       # J2000.0, barycentric, au
    >>> pos[0, EARTH].round(6)
    array([-0.184272,  0.884781,  0.38382 ])
    """

    def __reduce__(self):
        # In another process the bundled kernels are those that are there, and known to be them.
        return (_bundled, ()) if self is _bundled() else super().__reduce__()

    def __init__(self, planets=None, asteroids=None, *, span_jd=READ_SPAN_JD):
        own = planets is not None
        planets = Path(planets or DEFAULT_PLANETS)
        asteroids = Path(asteroids) if asteroids else (None if own else DEFAULT_ASTEROIDS)
        self._planets, span = _read(planets, {**dict.fromkeys(range(1, 11), 0), 301: 3, 399: 3}, span_jd)
        self.numbers, self._asteroids = (), []
        if asteroids is not None:
            self._asteroids, other = _read(asteroids, {2_000_000 + n: 10 for n in GM_ASTEROIDS}, span_jd)
            span = (max(span[0], other[0]), min(span[1], other[1]))
            self.numbers = tuple(t - 2_000_000 for block in self._asteroids for t in block.targets)
        self.start_d, self.end_d = span
        self.gm = np.concatenate([GM_MAJOR, [GM_ASTEROIDS[n] for n in self.numbers]])
        names = [planets.name] + ([asteroids.name] if asteroids is not None else [])
        self.description = " + ".join(names)

    def check_span(self, t_d: np.ndarray, what: str = "a time"):
        """Refuse times (TDB days from J2000.0) outside the kernels; ``what`` they are, for the message."""
        t = np.atleast_1d(np.asarray(t_d, dtype=float))
        bad = ~((t >= self.start_d) & (t <= self.end_d))
        if np.any(bad):
            first = float(t[bad][0])
            raise EphemerisSpanError(
                f"{what} at JD {first + J2000_JD:.5f} TDB (year {2000 + first / 365.25:.1f}) lies outside the"
                f" kernels {self.description}: {2000 + self.start_d / 365.25:.1f} to"
                f" {2000 + self.end_d / 365.25:.1f}; give longer planetary and asteroid kernels "
                "(--kernels FILE...)"
            )

    def major(self, t_d: np.ndarray):
        """Barycentric places (m, 11, 3), au, and velocities, au/d, of Sun, planets and Moon (``NAMES``)."""
        t_d = np.asarray(t_d, dtype=float)
        pos, vel = np.empty((len(t_d), 13, 3)), np.empty((len(t_d), 13, 3))
        for block in self._planets:
            rows = [_ROW[target] for target in block.targets]
            pos[:, rows], vel[:, rows] = block.at(t_d, True)
        # The kernel gives Earth and Moon from their barycentre.
        for array in (pos, vel):
            array[:, EARTH] += array[:, 11]
            array[:, MOON] += array[:, 11]
        return pos[:, :11], vel[:, :11]

    def perturbers(self, t_d: np.ndarray):
        """Places (m, 11 + asteroids, 3) of all perturbers, au, and the Sun's velocity (m, 3), au/d."""
        t_d = np.asarray(t_d, dtype=float)
        pos = np.empty((len(t_d), 11 + len(self.numbers), 3))
        emb = sun_velocity = None
        for block in self._planets:
            place, speed = block.at(t_d, 10 in block.targets)
            for i, target in enumerate(block.targets):
                if target == 3:
                    emb = place[:, i]
                else:
                    pos[:, _ROW[target]] = place[:, i]
                if target == 10:
                    sun_velocity = speed[:, i]
        pos[:, EARTH] += emb
        pos[:, MOON] += emb
        # Asteroids are given from the Sun.
        row = 11
        for block in self._asteroids:
            count = len(block.targets)
            pos[:, row : row + count] = block.at(t_d, False)[0] + pos[:, :1]
            row += count
        return pos, sun_velocity

    def asteroid(self, number: int, t_d: np.ndarray):
        """Barycentric place and velocity (m, 3) of one of the massive asteroids from its own kernel."""
        t_d = np.atleast_1d(np.asarray(t_d, dtype=float))
        for block in self._asteroids:
            if 2_000_000 + number in block.targets:
                i = block.targets.index(2_000_000 + number)
                pos, vel = block.at(t_d, True)
                sun_pos, sun_vel = self.major(t_d)
                return pos[:, i] + sun_pos[:, SUN], vel[:, i] + sun_vel[:, SUN]
        held = ", ".join(map(str, self.numbers))
        raise InputError(f"({number}) is not in the asteroid kernel; it holds {held}")


# Earth-Moon barycentre rides along in row 11; 12 is spare.
_ROW = {10: SUN, 1: MERCURY, 2: VENUS, 399: EARTH, 301: MOON, 4: MARS, 5: JUPITER, 6: SATURN, 7: URANUS}
_ROW.update({8: NEPTUNE, 9: PLUTO, 3: 11})


def _read(path, wanted, span_jd):
    """Blocks of the wanted segments of an SPK file and the span that they share."""
    if not os.path.isfile(path):
        raise InputError(f"kernel {path} does not exist")
    with _opened(path) as kernel:
        pieces = {}
        for segment in kernel.segments:
            if wanted.get(segment.target) == segment.center and segment.data_type == 2:
                pieces.setdefault(segment.target, []).append(segment)
        missing = sorted(set(wanted) - set(pieces))
        if missing:
            raise InputError(f"kernel {path} lacks the bodies {missing} (NAIF numbers, Chebyshev segments)")
        grids = {}
        start, end = -np.inf, np.inf
        for target in wanted:
            t0, length, table, first, last = _joined(pieces[target], span_jd)
            start, end = max(start, first), min(end, last)
            grids.setdefault((t0, length, table.shape[1:]), []).append((target, table))
        blocks = [
            _Block(t0, length, tuple(t for t, _ in group), [c for _, c in group])
            for (t0, length, _), group in grids.items()
        ]
    return blocks, (start, end)


@contextlib.contextmanager
def _opened(path):
    """An SPK file; what its library stumbles over where it is damaged is one line."""
    try:
        with SPK.open(path) as kernel:
            yield kernel
    except InputError:
        raise
    except (ValueError, OSError, LookupError, ArithmeticError, TypeError, struct.error) as err:
        raise InputError(f"kernel {path} is not an SPK file, or is damaged: {err}") from err


def _joined(segments, span_jd):
    """Coefficients (3, intervals, order) of one body within a span; consecutive segments are joined."""
    segments = sorted(segments, key=lambda s: s.start_jd)
    loaded = [s.load_array() for s in segments]
    t0, length, _ = loaded[0]
    tables = [c for _, _, c in loaded]
    for (s0, s_len, _), before, table in zip(loaded[1:], loaded[:-1], tables[1:], strict=True):
        follows = s0 == before[0] + length * before[2].shape[1]
        if s_len != length or table.shape[2] != tables[0].shape[2] or not follows:
            raise InputError(f"segments of body {segments[0].target} do not follow each other on one grid")
    start, end = max(segments[0].start_jd, span_jd[0]), min(segments[-1].end_jd, span_jd[1])
    if not start < end:
        raise InputError(f"body {segments[0].target}: the kernel does not cover any of JD {span_jd}")
    # The files are mapped into memory, so only what is kept here is ever read.
    low = max(int((start - t0) // length), 0)
    high, kept, at = int(np.ceil((end - t0) / length)), [], 0
    for table in tables:
        kept.append(np.array(table[:, max(low - at, 0) : max(high - at, 0)]))
        at += table.shape[1]
    first, joined = t0 + low * length - J2000_JD, np.concatenate(kept, axis=1)
    if not -FARTHEST_KM < joined.min() <= joined.max() < FARTHEST_KM:  # nor where one is not a number
        raise InputError(f"body {segments[0].target}: the kernel's coefficients are no places: it is damaged")
    return first, length, joined, start - J2000_JD, end - J2000_JD


@lru_cache(maxsize=1)
def _bundled() -> Kernels:
    """The kernels that come with appulse, read once."""
    return Kernels()


_chosen: list[Kernels] = []


def default_kernels() -> Kernels:
    """The kernels that come with appulse, read once; or those of :func:`choose_kernels`.

    Returns
    -------
    Kernels
        DE440 and 16 massive asteroids, 1990 to 2050.

    Examples
    --------
    >>> default_kernels().description
    'de440_1990_2050.bsp + sb441-n16_1990_2050.bsp'
    """
    return chosen_kernels() or _bundled()


def chosen_kernels() -> Kernels | None:
    """Those of :func:`choose_kernels`; None where the bundled ones are in use."""
    return _chosen[0] if _chosen else None


def choose_kernels(paths) -> Kernels:
    """Use kernels of the user's own in place of the bundled ones, in this process from here on.

    Parameters
    ----------
    paths : sequence of path
        A DE4xx planetary file and, in any order, one of the 16 massive asteroids; without asteroids those do
        not pull. Empty: the bundled ones again.

    Returns
    -------
    Kernels

    Raises
    ------
    InputError
        A file is missing, is no SPK file, lacks a body, or there are two of a kind.

    Examples
    --------
    >>> choose_kernels([DEFAULT_ASTEROIDS, DEFAULT_PLANETS]).description
    'de440_1990_2050.bsp + sb441-n16_1990_2050.bsp'
    >>> choose_kernels([]).numbers == default_kernels().numbers
    True
    """
    if not paths:
        _chosen.clear()
        return _bundled()
    planets = [path for path in paths if not _holds_asteroids(path)]
    asteroids = [path for path in paths if _holds_asteroids(path)]
    if len(planets) != 1 or len(asteroids) > 1:
        raise InputError(
            f"--kernels: {len(planets)} planetary and {len(asteroids)} asteroid kernels; give one planetary "
            "file (DE4xx) and at most one of the massive asteroids"
        )
    _chosen[:] = [Kernels(planets[0], *asteroids)]
    return _chosen[0]


def adopt_kernels(kernels: Kernels | None) -> None:
    """Use what :func:`chosen_kernels` gave in another process; None: the bundled ones."""
    _chosen[:] = [] if kernels is None else [kernels]


def _holds_asteroids(path) -> bool:
    """Whether an SPK file is one of asteroids: its targets are numbers beyond two million."""
    if not os.path.isfile(path):
        raise InputError(f"kernel {path} does not exist")
    with _opened(path) as kernel:
        return any(segment.target > 2_000_000 for segment in kernel.segments)

"""The one record of an orbit, and the checks and conversions of its elements, states and covariance.

Whatever file or service an orbit comes from, it becomes a heliocentric state on ICRF axes at one epoch, with
covariance, magnitudes and source beside it. The ephemeris sees nothing else.

Catalogues hold up to 1.4 million rows, of which a few are broken: the checks here therefore return the bad
rows with a reason each, and the caller raises (one orbit) or skips and reports (a catalogue).
"""

from dataclasses import dataclass, field, fields

import numpy as np

from appulse.bodies.designations import read_name
from appulse.bodies.known_bodies import body_label
from appulse.constants import GM_SUN
from appulse.errors import OrbitError
from appulse.numerics import ECLIPTIC_TO_ICRF, elements_from_state, state_from_elements

# Accepted epochs, JD TDB: 1975 BC to AD 10072. What lies outside is another time scale, mostly MJD.
EPOCH_SPAN_JD = (1_000_000.0, 5_400_000.0)

# A perihelion farther from the epoch, d (a million years), belongs to no orbit that is used here.
LONGEST_D = 3.7e8

# Mean anomalies of ellipses beyond a hundred turns have no digits left for the place within one.
MOST_TURNS_DEG = 36_000.0

# A parsec, and five times the escape velocity at the Sun's surface: beyond, it is the units.
FARTHEST_AU = 200_000.0
FASTEST_AU_D = 2.0

# Factors from (q, e, degrees, degrees, degrees, tp) to what :mod:`appulse.numerics.kepler` takes.
RADIANS = np.array([1.0, 1.0, np.pi / 180, np.pi / 180, np.pi / 180, 1.0])


class RowProblems(dict):
    """Row number -> why that row cannot be used; the first reason found stays."""

    def add(self, bad, reason):
        """Note the rows where `bad`; `reason` is a function of the row number."""
        for row in np.flatnonzero(bad):
            self.setdefault(int(row), reason(int(row)))

    def keep(self, n):
        """Boolean array of the rows without a problem."""
        good = np.ones(n, dtype=bool)
        good[list(self)] = False
        return good


def perihelion_elements(epoch: np.ndarray, e: np.ndarray, i, node, peri, *, q=None, a=None, tp=None, m=None):
    """Bring elements of either form to (q, e, i, node, peri, tp); say which rows make no orbit."""
    # Angles in degrees, ecliptic J2000; lengths in au, times JD TDB. One of q and a (negative on hyperbolas),
    # and one of the time of perihelion tp and the mean anomaly m at the epoch.
    epoch, e, i, node, peri = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(v, float)) for v in (epoch, e, i, node, peri))
    )
    n, problems = len(epoch), RowProblems()
    given = {"epoch": epoch, "e": e, "i": i, "node": node, "peri": peri, "q": q, "a": a, "tp": tp, "M": m}
    given = {name: np.broadcast_to(np.asarray(v, float), (n,)) for name, v in given.items() if v is not None}
    for name, values in given.items():
        problems.add(
            ~np.isfinite(values), lambda r, k=name, v=values: f"{k} is {v[r]}: a finite number is needed"
        )
    _check_epoch(epoch, problems)
    problems.add(e < 0, lambda r: f"e = {e[r]}: the eccentricity cannot be negative")
    problems.add((i < 0) | (i > 180), lambda r: f"i = {i[r]} degrees: the inclination lies between 0 and 180")
    _check_size(given, problems)
    # Bad rows are computed along with the good ones; what comes of them is thrown away.
    with np.errstate(all="ignore"):
        size = given["q"] if q is not None else given["a"] * (1.0 - e)
        if tp is not None:
            passage = given["tp"]
        else:
            problems.add(
                e == 1, lambda r: "e = 1 exactly with a mean anomaly: a parabola has none; give q and tp"
            )
            many = (e < 1) & (np.abs(given["M"]) > MOST_TURNS_DEG)
            problems.add(
                many, lambda r: f"M = {given['M'][r]:.6g} degrees: give the mean anomaly within a turn or so"
            )
            axis = np.abs(size / (1.0 - e))
            # The perihelion nearest to the epoch: the state keeps the most digits from there.
            turn = np.where(e < 1, np.mod(given["M"] + 180.0, 360.0) - 180.0, given["M"])
            passage = epoch - np.radians(turn) * np.sqrt(axis**3 / GM_SUN)
    with np.errstate(invalid="ignore"):
        far = np.abs(passage - epoch) > LONGEST_D
    problems.add(
        far, lambda r: f"perihelion at JD {passage[r]:.6g} is more than a million years from the epoch"
    )
    problems.add(
        ~np.isfinite(passage),
        lambda r: "the time of perihelion is out of reach: e is too close to 1 for a mean anomaly",
    )
    return np.stack([size, e, i, node, peri, passage], axis=-1), problems


def _check_epoch(epoch, problems):
    low, high = EPOCH_SPAN_JD
    problems.add(
        (epoch < low) | (epoch > high),
        lambda r: (
            f"epoch {epoch[r]} is no Julian date between {low:.0f} and {high:.0f}: "
            + ("it looks like an MJD, add 2400000.5" if abs(epoch[r]) < 200_000 else "give JD TDB")
        ),
    )


def _check_size(given, problems):
    """q positive and not absurd, a of the sign that belongs to e."""
    e = given["e"]
    if "q" in given:
        q = given["q"]
        problems.add(q <= 0, lambda r: f"q = {q[r]} au: the perihelion distance must be positive")
    else:
        q = a = given["a"]
        problems.add(
            e == 1, lambda r: "e = 1 exactly with a semi-major axis: a parabola has none; give q and tp"
        )
        text = "a hyperbola (e > 1) has a negative semi-major axis; give q, or check the sign"
        problems.add((e > 1) & (a > 0), lambda r: f"e = {e[r]} with a = {a[r]} au: {text}")
        problems.add(
            (e < 1) & (a < 0),
            lambda r: f"e = {e[r]} with a = {a[r]} au: an ellipse has a positive semi-major axis",
        )
        problems.add(a == 0, lambda r: "a = 0: the semi-major axis cannot be zero")
    problems.add(np.abs(q) > FARTHEST_AU, lambda r: f"{q[r]} au is more than a parsec: give au, not km or m")


def check_states(state: np.ndarray, epoch: np.ndarray) -> RowProblems:
    """Find the rows of heliocentric states (n, 6), au and au/d, that make no orbit."""
    state, epoch = np.atleast_2d(np.asarray(state, float)), np.atleast_1d(np.asarray(epoch, float))
    problems = RowProblems()
    for k, name in enumerate(("x", "y", "z", "vx", "vy", "vz")):
        problems.add(
            ~np.isfinite(state[:, k]),
            lambda r, c=k, t=name: f"{t} is {state[r, c]}: a finite number is needed",
        )
    problems.add(~np.isfinite(epoch), lambda r: f"epoch is {epoch[r]}: a finite number is needed")
    _check_epoch(epoch, problems)
    # Absurd numbers overflow, and are refused below.
    with np.errstate(over="ignore", invalid="ignore"):
        r_au, v_au_d = np.linalg.norm(state[:, :3], axis=1), np.linalg.norm(state[:, 3:], axis=1)
        area = np.linalg.norm(np.cross(state[:, :3], state[:, 3:]), axis=1)
        radial = area**2 <= 1e-24 * GM_SUN * r_au
    problems.add(r_au == 0, lambda r: "the position vector is zero: an orbit needs a place away from the Sun")
    problems.add(
        v_au_d == 0, lambda r: "the velocity vector is zero: such a body falls straight into the Sun"
    )
    problems.add(
        r_au > FARTHEST_AU,
        lambda r: f"{r_au[r]:.6g} au from the Sun is more than a parsec: give au, not km or m",
    )
    text = "no body of the solar system is so fast: give au/d, not km/s"
    problems.add(v_au_d > FASTEST_AU_D, lambda r: f"a velocity of {v_au_d[r]:.6g} au/d: {text}")
    problems.add(
        radial, lambda r: "position and velocity are parallel: such a body falls straight into the Sun"
    )
    return problems


def states_icrf(elements: np.ndarray, epoch: np.ndarray) -> np.ndarray:
    """Heliocentric states (n, 6), ICRF axes, au and au/d, from elements (n, 6) at an epoch, JD TDB."""
    elements = np.atleast_2d(np.asarray(elements, float))
    ecliptic = state_from_elements(*(elements * RADIANS).T, epoch)
    return rotate(ecliptic, ECLIPTIC_TO_ICRF)


def rotate(state: np.ndarray, matrix: np.ndarray) -> np.ndarray:
    """Apply a 3 x 3 rotation to the positions and velocities of (n, 6) states."""
    return np.hstack([state[:, :3] @ matrix.T, state[:, 3:] @ matrix.T])


def derivative(function, values, steps: np.ndarray) -> np.ndarray:
    """Jacobian (p, m) of a function (k, m) -> (k, p) by central differences of sixth order."""
    values, steps = np.asarray(values, float), np.asarray(steps, float)
    m = len(values)
    shifts = np.array([-3.0, -2.0, -1.0, 1.0, 2.0, 3.0])
    weights = np.array([-1.0, 9.0, -45.0, 45.0, -9.0, 1.0]) / 60.0
    points = values + shifts[None, :, None] * (np.eye(m) * steps)[:, None, :]
    results = function(points.reshape(-1, m)).reshape(m, 6, -1)
    return (np.einsum("s,msp->mp", weights, results) / steps[:, None]).T


def covariance_icrf(elements: np.ndarray, epoch: np.ndarray, covariance, to_perihelion=None, steps=None):
    """Covariance of a state on ICRF axes, au and au/d, from that of the elements at an epoch."""
    # `elements` are what the covariance speaks of: q (au), e, i, node, peri (deg), tp (JD TDB), or others
    # that `to_perihelion` turns into these. Rows beyond the sixth are of parameters that the state ignores.
    covariance = check_covariance(covariance)
    if steps is None:
        q, e = elements[0], elements[1]
        steps = np.array([1e-4 * q, min(1e-4, 0.3 * e) if e > 0 else 1e-4, 0.01, 0.01, 0.01, 0.01])
        # The differences reach out to three steps: a quarter of a small inclination keeps it above zero.
        if elements[2] < 0.04:
            steps[2] = max(elements[2] / 4.0, 1e-9)
    convert = to_perihelion or (lambda values: values)
    # Linear, C' = J C J^T; J by differences of sixth order is good to about 1e-8 of each term.
    inner = derivative(lambda values: states_icrf(convert(values), epoch), elements, steps)
    jacobian = np.eye(len(covariance))
    jacobian[:6, :6] = inner
    return jacobian @ covariance @ jacobian.T


def check_covariance(covariance: np.ndarray) -> np.ndarray:
    """A covariance as floats; OrbitError where it cannot be one."""
    matrix = np.asarray(covariance, dtype=float)
    if matrix.ndim != 2 or matrix.shape[0] != matrix.shape[1] or matrix.shape[0] < 6:
        raise OrbitError(
            f"a covariance of shape {matrix.shape}: 6 x 6 is needed, more with non-gravitational terms"
        )
    if not np.isfinite(matrix).all():
        raise OrbitError("the covariance holds values that are not finite numbers")
    diagonal = np.diag(matrix)
    if np.any(diagonal < 0):
        row = int(np.argmin(diagonal))
        raise OrbitError(f"the covariance has a negative variance ({diagonal[row]} in row {row})")
    # Files print a few digits: a matrix is symmetric as far as those go, relative to its own variances.
    scale = np.sqrt(np.outer(diagonal, diagonal))
    if np.any(np.abs(matrix - matrix.T) > 1e-6 * scale + 1e-300):
        raise OrbitError("the covariance is not symmetric")
    return 0.5 * (matrix + matrix.T)


STATE_NAMES = ("x", "y", "z", "vx", "vy", "vz")


@dataclass(frozen=True)
class NonGrav:
    """Non-gravitational acceleration ``(A1 r^ + A2 t^ + A3 n^) g(r)``.

    Attributes
    ----------
    a1, a2, a3 : float, au/d^2
        Radial, transverse (in the orbital plane, towards the motion) and normal at r = 1 au.
    r0, alpha, nm, nn, nk : float
        ``g(r) = alpha (r/r0)^-nm (1 + (r/r0)^nn)^-nk``, r0 in au. Water ice when left out: Marsden,
        Sekanina & Yeomans 1973, AJ 78, 211.
    dt_d : float, d
        Delay of the action behind the heliocentric distance.

    Examples
    --------
    >>> round(float(NonGrav(a1=1e-8).g(1.0)), 4)
    1.0
    """

    a1: float = 0.0
    a2: float = 0.0
    a3: float = 0.0
    r0: float = 2.808
    alpha: float = 0.1112620426
    nm: float = 2.15
    nn: float = 5.093
    nk: float = 4.6142
    dt_d: float = 0.0

    def __post_init__(self):
        for item in fields(self):
            value = getattr(self, item.name)
            object.__setattr__(self, item.name, float(value))
            if not np.isfinite(value):
                raise OrbitError(f"non-gravitational {item.name} is {value}: a finite number is needed")
        if self.r0 <= 0:
            raise OrbitError(f"non-gravitational r0 is {self.r0} au: it must be positive")

    @classmethod
    def inverse_square(cls, a1=0.0, a2=0.0, a3=0.0):
        """The law of sunlight, ``g(r) = (1 au / r)^2`` (Yarkovsky effect, radiation pressure)."""
        return cls(a1, a2, a3, r0=1.0, alpha=1.0, nm=2.0, nn=1.0, nk=0.0)

    def g(self, r_au: np.ndarray):
        """The factor g(r); r in au."""
        x = np.asarray(r_au, float) / self.r0
        return self.alpha * x**-self.nm * (1.0 + x**self.nn) ** -self.nk


@dataclass(frozen=True, eq=False)
class Orbit:
    """One body's orbit.

    Attributes
    ----------
    designation : str
        What the user calls it: '7', '2020 AB', 'C/2023 A3'.
    epoch_jd_tdb : float, JD TDB
    state : (6,) array, au and au/d
        Heliocentric, ICRF axes.
    name : str
    number : int or None
    aliases : tuple of str
        Further designations of the same body.
    covariance : (6, 6) or (6 + k, 6 + k) array or None
        Of the state and of the k parameters named after it, same frame and units.
    covariance_names : tuple of str
        ``('x', 'y', 'z', 'vx', 'vy', 'vz')`` and then any of 'A1', 'A2', 'A3'.
    h, g, g1, g2, g12 : float or None, mag
        Absolute magnitude and slopes of the H,G; H,G1,G2; or H,G12 system.
    m1, k1 : float or None, mag
        Comet's total magnitude ``m1 + 5 log delta + k1 log r``.
    m2, k2, pc : float or None, mag, mag, mag/deg
        Its nuclear magnitude ``m2 + 5 log delta + k2 log r + pc phase``.
    m1_sigma : float or None, mag
        Spread of the total magnitude about its law; None: nobody has measured it.
    nongrav : NonGrav or None
    uncertainty_code : str or None
        The MPC's U, 0 to 9.
    source, source_date : str
        Where it comes from and of what date; nothing is computed from them.

    Raises
    ------
    OrbitError
        Anything that is not finite, a zero vector, an impossible epoch, a matrix that is not a covariance.

    Examples
    --------
    >>> orbit = Orbit.from_elements("2020 XX", 2461000.5, q=1.1, e=0.3, i=5, node=10, peri=20, tp=2461050.5)
    >>> round(orbit.elements.q, 12), round(orbit.elements.e, 12), round(orbit.elements.tp, 6)
    (1.1, 0.3, 2461050.5)
    """

    designation: str
    epoch_jd_tdb: float
    state: np.ndarray
    name: str = ""
    number: int | None = None
    aliases: tuple = ()
    covariance: np.ndarray | None = None
    covariance_names: tuple = ()
    h: float | None = None
    g: float | None = None
    g1: float | None = None
    g2: float | None = None
    g12: float | None = None
    m1: float | None = None
    k1: float | None = None
    m2: float | None = None
    k2: float | None = None
    pc: float | None = None
    m1_sigma: float | None = None
    nongrav: NonGrav | None = None
    uncertainty_code: str | None = None
    source: str = ""
    source_date: str = ""

    def __post_init__(self):
        # The record is frozen, also against its own constructor.
        put = lambda name, value: object.__setattr__(self, name, value)  # noqa: E731
        if not str(self.designation).strip():
            raise OrbitError("an orbit without a designation: give the body a number, designation or name")
        state = np.array(self.state, dtype=float).reshape(-1)
        if state.shape != (6,):
            raise OrbitError(
                f"{self.designation}: a state has 6 numbers (x, y, z, vx, vy, vz), got {state.size}"
            )
        problems = check_states(state[None, :], [self.epoch_jd_tdb])
        if problems:
            raise OrbitError(f"{self.designation}: {problems[0]}")
        state.flags.writeable = False
        put("state", state)
        put("epoch_jd_tdb", float(self.epoch_jd_tdb))
        for name in ("h", "g", "g1", "g2", "g12", "m1", "k1", "m2", "k2", "pc", "m1_sigma"):
            value = getattr(self, name)
            if value is not None and not np.isfinite(value):
                raise OrbitError(
                    f"{self.designation}: {name} is {value}: give a finite number, or leave it out"
                )
        self._take_covariance(put)
        if self.number is None:
            put("number", read_name(self.designation).number)

    def _take_covariance(self, put):
        if self.covariance is None:
            put("covariance_names", ())
            return
        matrix = check_covariance(self.covariance)
        names = tuple(self.covariance_names) or STATE_NAMES
        if len(names) != len(matrix) or names[:6] != STATE_NAMES:
            raise OrbitError(
                f"{self.designation}: a covariance of {len(matrix)} parameters named {', '.join(names)}: "
                "the first six are x, y, z, vx, vy, vz, and each further one needs its name"
            )
        matrix.flags.writeable = False
        put("covariance", matrix)
        put("covariance_names", names)

    @classmethod
    def from_state(cls, designation, epoch_jd_tdb, state, *, frame="icrf", **more):
        """An orbit from a heliocentric state.

        Parameters
        ----------
        designation : str
        epoch_jd_tdb : float, JD TDB
        state : (6,) array, au and au/d
        frame : 'icrf' or 'ecliptic'
            Axes of the state (and of a covariance): ICRF, or ecliptic J2000 (obliquity 84381.448 arcsec).
        **more
            Further attributes of :class:`Orbit`.

        Raises
        ------
        OrbitError

        Examples
        --------
        >>> Orbit.from_state("7", 2461000.5, [1, 0, 0, 0, 0, 0])
        Traceback (most recent call last):
        ...
        appulse.errors.OrbitError: 7: the velocity vector is zero: such a body falls straight into the Sun
        """
        state = np.asarray(state, float)
        if frame == "ecliptic":
            state = rotate(np.atleast_2d(state), ECLIPTIC_TO_ICRF)[0]
            if more.get("covariance") is not None:
                matrix = check_covariance(more["covariance"])
                turn = np.eye(len(matrix))
                turn[:3, :3] = turn[3:6, 3:6] = ECLIPTIC_TO_ICRF
                more["covariance"] = turn @ matrix @ turn.T
        elif frame != "icrf":
            raise OrbitError(f"frame {frame!r}: states are read on 'icrf' or 'ecliptic' axes")
        return cls(designation=str(designation), epoch_jd_tdb=epoch_jd_tdb, state=state, **more)

    @classmethod
    def from_elements(
        cls, designation, epoch_jd_tdb, *, e, i, node, peri, q=None, a=None, tp=None, m=None, **more
    ):
        """An orbit from osculating elements, ecliptic J2000.

        Parameters
        ----------
        designation : str
        epoch_jd_tdb : float, JD TDB
        e : float
            0 and more; exactly 1 is a parabola (with q and tp).
        i, node, peri : float, degrees
        q, a : float, au
            One of them; a is negative for hyperbolas.
        tp, m : float
            One of them: time of perihelion (JD TDB), mean anomaly (degrees).
        **more
            Further attributes of :class:`Orbit`.

        Raises
        ------
        OrbitError
            Too few or too many elements, or values that make no orbit.

        Examples
        --------
        >>> Orbit.from_elements("X", 2461000.5, e=1.0, i=1, node=2, peri=3, a=2.0, m=10)
        Traceback (most recent call last):
        ...
        appulse.errors.OrbitError: X: e = 1 exactly with a semi-major axis: a parabola has none; give q and tp
        """
        if (q is None) == (a is None) or (tp is None) == (m is None):
            raise OrbitError(
                f"{designation}: elements need one of q and a, and one of tp and the mean anomaly"
            )
        elements, problems = perihelion_elements(epoch_jd_tdb, e, i, node, peri, q=q, a=a, tp=tp, m=m)
        if problems:
            raise OrbitError(f"{designation}: {problems[0]}")
        state = states_icrf(elements, np.atleast_1d(float(epoch_jd_tdb)))[0]
        return cls(designation=str(designation), epoch_jd_tdb=epoch_jd_tdb, state=state, **more)

    @property
    def elements(self):
        """Osculating elements at the epoch, see :class:`OrbitElements`."""
        found = elements_from_state(rotate(self.state[None, :], ECLIPTIC_TO_ICRF.T), self.epoch_jd_tdb)
        return OrbitElements(*(np.array(found).T[0] / RADIANS).tolist(), epoch_jd_tdb=self.epoch_jd_tdb)

    @property
    def label(self):
        """Number, designation and name as one writes them, see :func:`make_label`."""
        return make_label(self.designation, self.number, self.name)


@dataclass(frozen=True)
class OrbitElements:
    """Osculating elements, ecliptic J2000: au, degrees, JD TDB."""

    q: float
    e: float
    i: float
    node: float
    peri: float
    tp: float
    epoch_jd_tdb: float = field(repr=False)

    @property
    def a(self):
        """Semi-major axis, au: negative for hyperbolas, infinite for a parabola."""
        return self.q / (1.0 - self.e) if self.e != 1.0 else np.inf

    @property
    def period_d(self):
        """Period, d; infinite where the orbit is not closed."""
        return 2.0 * np.pi * np.sqrt(self.a**3 / GM_SUN) if self.e < 1.0 else np.inf


def make_label(designation: str, number: int | None, name: str) -> str:
    """Number, designation and name as one writes them: '(7) Iris', '2P/Encke', 'C/2023 A3 (Name)'."""
    if not name or name in designation:
        return body_label(designation) if number is not None else str(designation)
    if number is not None:
        return f"({number}) {name}"
    joined = "/" not in designation and read_name(designation).kind == "numbered comet"
    return f"{designation}/{name}" if joined else f"{designation} ({name})"

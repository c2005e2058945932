"""The one record of an orbit.

Whatever file or service an orbit comes from, it becomes a heliocentric state on ICRF axes at one epoch, with
covariance, magnitudes and source beside it. The ephemeris sees nothing else.
"""

from dataclasses import dataclass, field, fields

import numpy as np

from appulse.bodies.covariances import check_covariance
from appulse.bodies.designations import read_name
from appulse.bodies.elements import RADIANS, check_states, perihelion_elements, rotate, states_icrf
from appulse.constants import GM_SUN
from appulse.errors import OrbitError
from appulse.numerics.kepler import ECLIPTIC_TO_ICRF, elements_from_state

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
        """The law of sunlight, ``g(r) = (1 au / r)^2``, used for asteroids (Yarkovsky, radiation pressure).

        Examples
        --------
        >>> float(NonGrav.inverse_square(a2=1e-14).g(2.0))
        0.25
        """
        return cls(a1, a2, a3, r0=1.0, alpha=1.0, nm=2.0, nn=1.0, nk=0.0)

    def g(self, r_au):
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
    nongrav : NonGrav or None
    uncertainty_code : str or None
        The MPC's U, 0 to 9.
    source, source_date : str
        Where it comes from and of what date; nothing is computed from them.

    Raises
    ------
    OrbitError
        Anything that is not finite, a zero vector, an impossible epoch, a matrix that is no covariance.

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
    nongrav: NonGrav | None = None
    uncertainty_code: str | None = None
    source: str = ""
    source_date: str = ""

    def __post_init__(self):
        put = lambda name, value: object.__setattr__(self, name, value)  # noqa: E731 - the record is frozen
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
        for name in ("h", "g", "g1", "g2", "g12", "m1", "k1"):
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
    """Osculating elements, ecliptic J2000: au, degrees, JD TDB.

    Attributes
    ----------
    q, e, i, node, peri, tp : float
    epoch_jd_tdb : float
    """

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


def make_label(designation, number, name):
    """Number, designation and name as one writes them.

    Examples
    --------
    >>> make_label("7", 7, "Iris"), make_label("2P", None, "Encke"), make_label("C/2023 A3", None, "A. Name")
    ('(7) Iris', '2P/Encke', 'C/2023 A3 (A. Name)')
    """
    if not name or name in designation:
        return f"({number})" if number is not None and designation == str(number) else str(designation)
    if number is not None:
        return f"({number}) {name}"
    joined = "/" not in designation and read_name(designation).kind == "numbered comet"
    return f"{designation}/{name}" if joined else f"{designation} ({name})"

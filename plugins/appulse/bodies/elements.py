"""Elements and states checked for sense, row by row, and turned into one another.

Catalogues hold up to 1.4 million rows, of which a few are broken: the checks here therefore return the bad
rows with a reason each, and the caller raises (one orbit) or skips and reports (a catalogue).
"""

import numpy as np

from appulse.constants import GM_SUN
from appulse.numerics.kepler import ECLIPTIC_TO_ICRF, state_from_elements

FIELDS = ("q", "e", "i", "node", "peri", "tp")
EPOCH_SPAN_JD = (1_000_000.0, 5_400_000.0)
"""Accepted epochs, JD TDB: 1975 BC to AD 10072. What lies outside is another time scale, mostly MJD."""

LONGEST_D = 3.7e8
"""A perihelion farther from the epoch, d (a million years), belongs to no orbit that is used here."""

MOST_TURNS_DEG = 36_000.0
"""Mean anomalies of ellipses beyond a hundred turns have no digits left for the place within one."""

FARTHEST_AU = 200_000.0
FASTEST_AU_D = 2.0
"""Limits: a parsec; five times the escape velocity at the Sun's surface. Beyond, it is the units."""

RADIANS = np.array([1.0, 1.0, np.pi / 180, np.pi / 180, np.pi / 180, 1.0])
"""Factors from (q, e, degrees, degrees, degrees, tp) to what :mod:`appulse.numerics.kepler` takes."""


class Problems(dict):
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


def perihelion_elements(epoch, e, i, node, peri, *, q=None, a=None, tp=None, m=None):
    """Bring elements of either usual form to (q, e, i, node, peri, tp) and find the rows that make no orbit.

    Parameters
    ----------
    epoch : (n,) array, JD TDB
    e : (n,) array
    i, node, peri : (n,) arrays, degrees, ecliptic J2000
    q, a : (n,) arrays, au
        One of them: perihelion distance, or semi-major axis (negative for hyperbolas).
    tp, m : (n,) arrays
        One of them: time of perihelion, JD TDB; or mean anomaly at the epoch, degrees.

    Returns
    -------
    elements : (n, 6) array
        q (au), e, i, node, peri (degrees), tp (JD TDB). Rows with a problem hold what was given.
    problems : Problems
        Empty where all is well.

    Examples
    --------
    >>> _, problems = perihelion_elements([2461000.5], [1.2], [5.0], [0.0], [0.0], a=[2.0], tp=[2461000.5])
    >>> print(problems[0])
    e = 1.2 with a = 2.0 au: a hyperbola (e > 1) has a negative semi-major axis; give q, or check the sign
    """
    epoch, e, i, node, peri = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(v, float)) for v in (epoch, e, i, node, peri))
    )
    n, problems = len(epoch), Problems()
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


def check_states(state, epoch):
    """Find the rows of heliocentric states that make no orbit.

    Parameters
    ----------
    state : (n, 6) array, au and au/d
    epoch : (n,) array, JD TDB

    Returns
    -------
    Problems

    Examples
    --------
    >>> check_states(np.array([[0.0, 0, 0, 0, 0.01, 0]]), np.array([2461000.5]))
    {0: 'the position vector is zero: an orbit needs a place away from the Sun'}
    """
    state, epoch = np.atleast_2d(np.asarray(state, float)), np.atleast_1d(np.asarray(epoch, float))
    problems = Problems()
    for k, name in enumerate(("x", "y", "z", "vx", "vy", "vz")):
        problems.add(
            ~np.isfinite(state[:, k]),
            lambda r, c=k, t=name: f"{t} is {state[r, c]}: a finite number is needed",
        )
    problems.add(~np.isfinite(epoch), lambda r: f"epoch is {epoch[r]}: a finite number is needed")
    _check_epoch(epoch, problems)
    with np.errstate(over="ignore", invalid="ignore"):  # absurd numbers overflow, and are refused below
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


def states_icrf(elements, epoch):
    """Heliocentric states on ICRF axes from elements.

    Parameters
    ----------
    elements : (n, 6) array
        q (au), e, i, node, peri (degrees, ecliptic J2000), tp (JD TDB).
    epoch : (n,) array, JD TDB

    Returns
    -------
    state : (n, 6) array, au and au/d

    Raises
    ------
    OrbitError
        An element is not finite.
    ConvergenceError
        Kepler's equation did not settle.

    Examples
    --------
    >>> states_icrf(np.array([[1.0, 0.0, 0.0, 0.0, 0.0, 2461000.5]]), np.array([2461000.5]))[0, :3] + 0.0
    array([1., 0., 0.])
    """
    elements = np.atleast_2d(np.asarray(elements, float))
    ecliptic = state_from_elements(*(elements * RADIANS).T, epoch)
    return rotate(ecliptic, ECLIPTIC_TO_ICRF)


def rotate(state, matrix):
    """Apply a 3 x 3 rotation to the positions and velocities of (n, 6) states."""
    return np.hstack([state[:, :3] @ matrix.T, state[:, 3:] @ matrix.T])

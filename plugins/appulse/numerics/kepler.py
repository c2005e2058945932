"""Two-body motion with bare floats: elements to states and back, for every conic.

The universal variable of Stumpff and Goodyear carries ellipse, parabola and hyperbola through one
formula, so nothing happens at e = 1 exactly. All angles radians, lengths au, times days, axes as named.

Sources: Battin 1999, *An Introduction to the Mathematics and Methods of Astrodynamics*, sections 4.5 and 4.6
(universal functions, generalised Kepler equation); Danby 1988, *Fundamentals of Celestial Mechanics*, 6.9.
"""

from typing import NamedTuple

import numpy as np

from appulse.constants import ARCSEC_PER_RAD, GM_SUN, OBLIQUITY_J2000_ARCSEC
from appulse.errors import ConvergenceError, OrbitError

MAX_ITERATIONS = 80


def stumpff(psi: np.ndarray) -> tuple:
    """Stumpff functions c2, c3 of psi = alpha chi^2: (1 - cos s) / s^2, (s - sin s) / s^3, s^2 = psi."""
    psi = np.asarray(psi, dtype=float)
    small = np.abs(psi) < 0.5
    root = np.sqrt(np.where(small, 1.0, np.abs(psi)))
    circular = psi > 0
    safe = np.where(small, 1.0, psi)
    hyper = np.where(circular | small, 0.0, root)
    # 1 - cos and cosh - 1 through half angles: near a parabola the direct form would lose every digit.
    half = np.where(circular, np.sin(root / 2) ** 2, -np.sinh(hyper / 2) ** 2)
    c2 = 2.0 * half / safe
    c3 = np.where(circular, root - np.sin(root), np.sinh(hyper) - hyper) / root**3
    if small.any():
        # Both closed forms are 0/0 at the parabola; ten terms of the series reach rounding for |psi| < 0.5.
        p = np.where(small, psi, 0.0)
        s2, s3 = np.zeros_like(p), np.zeros_like(p)
        for k in range(9, -1, -1):  # Horner in -psi of 1/(2k+2)! and 1/(2k+3)!
            s2 = (1.0 - p * s2) / ((2 * k + 1) * (2 * k + 2))
            s3 = (1.0 - p * s3) / ((2 * k + 2) * (2 * k + 3))
        c2, c3 = np.where(small, s2, c2), np.where(small, s3, c3)
    return c2, c3


def universal_anomaly(dt_d: np.ndarray, r0_au: np.ndarray, sigma: np.ndarray, alpha: np.ndarray, gm: float):
    """Solve the generalised Kepler equation for chi, au^0.5; sigma = r . v / sqrt(gm), alpha = 1/a."""
    # Laguerre's method (Conway 1986, Cel. Mech. 39, 199). The time grows with chi throughout (its slope is
    # r), so a bracket kept on the way turns any step that leaves it into a bisection: it cannot run off.
    shape = np.broadcast_shapes(np.shape(dt_d), np.shape(r0_au), np.shape(sigma), np.shape(alpha))
    dt, r0, sigma, alpha = (np.broadcast_to(np.asarray(a, float), shape) for a in (dt_d, r0_au, sigma, alpha))
    # Motion backwards is motion forwards with the radial velocity turned round.
    sign = np.where(dt < 0, -1.0, 1.0)
    target, sigma = np.sqrt(gm) * np.abs(dt), sigma * sign
    chi = _first_chi(target, r0, alpha)
    low, high = np.zeros(shape), np.full(shape, np.inf)
    for turn in range(MAX_ITERATIONS):
        new, over, residual = _laguerre_step(chi, target, r0, sigma, alpha)
        low, high = np.where(over, low, chi), np.where(over, chi, high)
        outside = ~((new >= low) & (new <= high))
        # Far out on a hyperbola the steps crawl down an exponential flank: halve the bracket now and then.
        if turn > 10 and turn % 2:
            outside |= ~(residual < 1e-9)
        middle = np.where(np.isfinite(high), 0.5 * (low + high), 2.0 * chi + 1e-3)
        new = np.where(outside, middle, new)
        settled = np.abs(new - chi) <= 8e-16 * np.abs(chi)
        chi = new
        if settled.all():
            return sign * chi
    # Rounding may keep the last bits moving; that is convergence. A residual beyond rounding is not.
    bad = ~(_laguerre_step(chi, target, r0, sigma, alpha)[2] <= 1e-12)
    if np.any(bad):
        raise ConvergenceError(
            f"Kepler's equation did not settle for {int(np.sum(bad))} orbit(s) in {MAX_ITERATIONS} turns;"
            " check that the elements and the time span are meant as given"
        )
    return sign * chi


def _laguerre_step(chi: np.ndarray, target: np.ndarray, r0, sigma: np.ndarray, alpha: np.ndarray):
    """Next chi; is the present one beyond the target (overflow is); its relative residual."""
    # Laguerre with degree 5 converges from almost anywhere, where Newton's method overshoots at perihelion.
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        c2, c3 = stumpff(alpha * chi * chi)
        u2, u3 = chi * chi * c2, chi**3 * c3
        u1, u0 = chi - alpha * u3, 1.0 - alpha * u2
        f = r0 * u1 + sigma * u2 + u3 - target
        f1 = r0 * u0 + sigma * u1 + u2
        f2 = (1.0 - alpha * r0) * u1 + sigma * u0
        root = np.sqrt(np.abs(16.0 * f1 * f1 - 20.0 * f * f2))
        new = chi - 5.0 * f / (f1 + root)
        scale = np.abs(r0 * u1) + np.abs(sigma * u2) + np.abs(u3) + target + 1e-300
    return new, ~(f <= 0), np.abs(f) / scale


def _first_chi(target: np.ndarray, r0, alpha: np.ndarray):
    """Starting value: near the pericentre, far out on a parabola or hyperbola, or around the ellipse."""
    with np.errstate(divide="ignore", invalid="ignore"):
        # Near the pericentre chi grows as t / r0; far out on a parabola t = chi^3 / 6. The smaller holds.
        guess = np.minimum(target / r0, np.cbrt(6.0 * target))
        root = np.sqrt(np.where(alpha < 0, -alpha, 1.0))
        # A hyperbola runs away exponentially: chi is then the logarithm of the time.
        flown = np.arcsinh(target * root / (r0 + 1.0 / root**2)) / root
        guess = np.where(alpha < 0, np.minimum(guess, flown), guess)
        return np.where(alpha > 0, np.minimum(guess, np.maximum(target * alpha, 0.1 * guess)), guess)


_OBL = OBLIQUITY_J2000_ARCSEC / ARCSEC_PER_RAD
# Rotation from ecliptic J2000 axes (obliquity 84381.448 arcsec) to ICRF axes: ``v_icrf = M @ v_ecl``.
ECLIPTIC_TO_ICRF = np.array(
    [[1.0, 0.0, 0.0], [0.0, np.cos(_OBL), -np.sin(_OBL)], [0.0, np.sin(_OBL), np.cos(_OBL)]]
)
ECLIPTIC_TO_ICRF.flags.writeable = False


class Elements(NamedTuple):
    """Osculating elements; every field an array of shape (n,)."""

    q_au: np.ndarray
    e: np.ndarray
    inc_rad: np.ndarray
    node_rad: np.ndarray
    peri_rad: np.ndarray
    tp_jd_tdb: np.ndarray


def _check_finite(**fields):
    for name, value in fields.items():
        bad = ~np.isfinite(np.atleast_1d(value))
        if np.any(bad):
            where = tuple(int(k[0]) for k in np.nonzero(bad))
            got = np.atleast_1d(value)[where]
            raise OrbitError(f"{name} is {got} in row {where[0]}: a finite number is needed")


def state_from_elements(q_au, e, inc_rad, node_rad, peri_rad, tp_jd_tdb, epoch_jd_tdb, *, gm=GM_SUN):
    """Position and velocity at an epoch from perihelion elements, for any conic.

    Parameters
    ----------
    q_au : (n,) array, au
        Perihelion distance, positive.
    e : (n,) array
        Eccentricity, 0 or more; exactly 1 is a parabola.
    inc_rad, node_rad, peri_rad : (n,) arrays, rad
        Inclination, longitude of the node, argument of perihelion; ecliptic J2000.
    tp_jd_tdb, epoch_jd_tdb : (n,) arrays, JD TDB
        Time of perihelion and the epoch of the state.
    gm : float, au^3/d^2

    Returns
    -------
    state : (n, 6) array, au and au/d, on the axes of the angles (ecliptic J2000)

    Raises
    ------
    OrbitError
        An element is not finite, q is not positive or e is negative.
    ConvergenceError
        Kepler's equation did not settle.

    Examples
    --------
    A circle of 1 au a quarter of a turn after perihelion:

    >>> quarter = 0.5 * np.pi / np.sqrt(GM_SUN)
    >>> state_from_elements(1.0, 0.0, 0.0, 0.0, 0.0, 0.0, quarter)[0, :3].round(12) + 0.0
    array([0., 1., 0.])
    """
    q, e, inc, node, peri, tp, epoch = (
        np.atleast_1d(a).astype(float)
        for a in np.broadcast_arrays(q_au, e, inc_rad, node_rad, peri_rad, tp_jd_tdb, epoch_jd_tdb)
    )
    _check_finite(q=q, e=e, inclination=inc, node=node, perihelion=peri, tp=tp, epoch=epoch)
    if np.any(q <= 0) or np.any(e < 0):
        row = int(np.flatnonzero((q <= 0) | (e < 0))[0])
        raise OrbitError(f"q = {q[row]} au, e = {e[row]} in row {row}: q must be positive and e not negative")
    #      y |   * body            The orbit in its own plane: x towards perihelion,
    #        |  / r                y 90 degrees further along the motion;
    #   -----S-----x perihelion    p_axis and q_axis are these axes on the frame of the angles.
    x, y, vx, vy = _perifocal(q, e, epoch - tp, gm)
    p_axis, q_axis = perifocal_axes(inc, node, peri)
    position = x[:, None] * p_axis + y[:, None] * q_axis
    velocity = vx[:, None] * p_axis + vy[:, None] * q_axis
    return np.hstack([position, velocity])


def _perifocal(q: np.ndarray, e: np.ndarray, dt_d: np.ndarray, gm: float):
    """In-plane coordinates and velocities from q, e and the time since perihelion."""
    alpha = (1.0 - e) / q
    period = np.where(alpha > 0, 2.0 * np.pi / np.sqrt(gm * np.where(alpha > 0, alpha, 1.0) ** 3), np.inf)
    # Whole revolutions change nothing; taken off, chi stays small and keeps its digits.
    with np.errstate(invalid="ignore"):
        dt = np.where(np.isfinite(period), dt_d - period * np.round(dt_d / period), dt_d)
    chi = universal_anomaly(dt, q, 0.0, alpha, gm)
    c2, c3 = stumpff(alpha * chi * chi)
    u2, u1 = chi * chi * c2, chi - alpha * chi**3 * c3
    r = q + e * u2
    root = np.sqrt(gm * (1.0 + e) / q)
    x = q - u2
    # At perihelion sigma = 0, so that g = q u1 / sqrt(gm).
    y = root * (q * u1) / np.sqrt(gm)
    vx = -np.sqrt(gm) * u1 / r
    vy = root * (1.0 - u2 / r)
    return x, y, vx, vy


def perifocal_axes(inc_rad: np.ndarray, node_rad: np.ndarray, peri_rad: np.ndarray) -> tuple:
    """Unit vectors towards perihelion and 90 degrees further along the motion, each (n, 3)."""
    cn, sn = np.cos(node_rad), np.sin(node_rad)
    cw, sw = np.cos(peri_rad), np.sin(peri_rad)
    ci, si = np.cos(inc_rad), np.sin(inc_rad)
    p_axis = np.stack([cn * cw - sn * sw * ci, sn * cw + cn * sw * ci, sw * si], axis=-1)
    q_axis = np.stack([-cn * sw - sn * cw * ci, -sn * sw + cn * cw * ci, cw * si], axis=-1)
    return p_axis, q_axis


def propagate_two_body(state, dt_d, *, gm=GM_SUN):
    """Carry states (n, 6), au and au/d on any inertial axes about the Sun, along their conics."""
    state = np.atleast_2d(np.asarray(state, dtype=float))
    dt = np.broadcast_to(np.asarray(dt_d, dtype=float), state.shape[:1])
    _check_finite(state=state, dt=dt)
    r0v, v0v = state[:, :3], state[:, 3:]
    r0 = np.linalg.norm(r0v, axis=1)
    if np.any(r0 == 0):
        raise OrbitError(f"the position in row {int(np.argmin(r0))} is the Sun's centre: no orbit is there")
    sigma = np.einsum("ij,ij->i", r0v, v0v) / np.sqrt(gm)
    alpha = 2.0 / r0 - np.einsum("ij,ij->i", v0v, v0v) / gm
    period = np.where(alpha > 0, 2.0 * np.pi / np.sqrt(gm * np.where(alpha > 0, alpha, 1.0) ** 3), np.inf)
    with np.errstate(invalid="ignore"):
        dt = np.where(np.isfinite(period), dt - period * np.round(dt / period), dt)
    chi = universal_anomaly(dt, r0, sigma, alpha, gm)
    c2, c3 = stumpff(alpha * chi * chi)
    u2, u3 = chi * chi * c2, chi**3 * c3
    u1, u0 = chi - alpha * u3, 1.0 - alpha * u2
    r = r0 * u0 + sigma * u1 + u2
    f, g = 1.0 - u2 / r0, dt - u3 / np.sqrt(gm)
    fdot, gdot = -np.sqrt(gm) * u1 / (r * r0), 1.0 - u2 / r
    return np.hstack([f[:, None] * r0v + g[:, None] * v0v, fdot[:, None] * r0v + gdot[:, None] * v0v])


def elements_from_state(state, epoch_jd_tdb, *, gm=GM_SUN):
    """Osculating perihelion elements of states, for any conic.

    Parameters
    ----------
    state : (n, 6) array, au and au/d, ecliptic J2000 axes (or any axes; the angles refer to them)
    epoch_jd_tdb : scalar or (n,) array, JD TDB
    gm : float, au^3/d^2

    Returns
    -------
    Elements
        ``q_au, e, inc_rad, node_rad, peri_rad, tp_jd_tdb``. On ellipses tp is the perihelion nearest to the
        epoch. An orbit in the reference plane gets node 0; a circle gets its perihelion at the node.

    Raises
    ------
    OrbitError
        Zero or non-finite vectors, or motion straight through the Sun (no plane).

    Examples
    --------
    >>> state = state_from_elements(1.2, 0.4, 0.1, 2.0, 3.0, 2460000.5, 2460100.5)
    >>> [round(float(v[0]), 9) for v in elements_from_state(state, 2460100.5)]
    [1.2, 0.4, 0.1, 2.0, 3.0, 2460000.5]
    """
    state = np.atleast_2d(np.asarray(state, dtype=float))
    epoch = np.broadcast_to(np.asarray(epoch_jd_tdb, dtype=float), state.shape[:1])
    _check_finite(state=state, epoch=epoch)
    rv, vv = state[:, :3], state[:, 3:]
    hv = np.cross(rv, vv)
    r, h2 = np.linalg.norm(rv, axis=1), np.einsum("ij,ij->i", hv, hv)
    # Without area velocity there is no plane, and no angle would mean anything.
    if np.any(h2 <= 1e-24 * gm * r):
        row = int(np.argmin(h2 / np.maximum(gm * r, 1e-300)))
        raise OrbitError(f"state in row {row} has a zero vector or falls straight into the Sun: no orbit")
    ecc_v = np.cross(vv, hv) / gm - rv / r[:, None]
    e = np.linalg.norm(ecc_v, axis=1)
    q = h2 / gm / (1.0 + e)
    # arctan2 throughout: arccos would lose half the digits of small angles.
    inc = np.arctan2(np.hypot(hv[:, 0], hv[:, 1]), hv[:, 2])
    flat = np.hypot(hv[:, 0], hv[:, 1]) < 1e-14 * np.sqrt(h2)
    # An orbit in the reference plane has no node, a circle no perihelion: both are put at zero.
    node = np.where(flat, 0.0, np.arctan2(hv[:, 0], -hv[:, 1]))
    n_axis = np.stack([np.cos(node), np.sin(node), np.zeros_like(node)], axis=-1)
    m_axis = np.cross(hv / np.sqrt(h2)[:, None], n_axis)
    round_orbit = e < 1e-13
    pv = np.where(round_orbit[:, None], n_axis, ecc_v)
    peri = np.arctan2(np.einsum("ij,ij->i", pv, m_axis), np.einsum("ij,ij->i", pv, n_axis))
    nu = np.arctan2(np.einsum("ij,ij->i", rv, m_axis), np.einsum("ij,ij->i", rv, n_axis)) - peri
    dt = _time_from_perihelion(q, e, nu, gm)
    return Elements(q, e, inc, np.mod(node, 2 * np.pi), np.mod(peri, 2 * np.pi), epoch - dt)


def _time_from_perihelion(q: np.ndarray, e: np.ndarray, nu_rad: np.ndarray, gm: float):
    """Time since perihelion, d, of true anomaly; on ellipses the nearest passage."""
    # Near e = 1 the closed forms lose digits and the series takes over.
    nu = np.mod(nu_rad + np.pi, 2 * np.pi) - np.pi
    w = np.tan(nu / 2)
    alpha = (1.0 - e) / q
    # For every sign of alpha: tan(sqrt(alpha) chi / 2) / sqrt(alpha) = w sqrt(q / (1 + e)).
    t = w * np.sqrt(q / (1.0 + e))
    z = alpha * t * t
    root = np.sqrt(np.abs(alpha))
    with np.errstate(all="ignore"):
        ellipse = 2.0 * np.arctan(root * t) / root
        hyperbola = 2.0 * np.arctanh(np.clip(root * t, -1 + 1e-16, 1 - 1e-16)) / root
        series = 2.0 * t * (1 - z / 3 + z * z / 5 - z**3 / 7 + z**4 / 9 - z**5 / 11)
    chi = np.where(np.abs(z) < 1e-3, series, np.where(alpha > 0, ellipse, hyperbola))
    _, c3 = stumpff(alpha * chi * chi)
    return (q * chi + e * chi**3 * c3) / np.sqrt(gm)

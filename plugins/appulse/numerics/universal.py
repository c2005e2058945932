"""The generalised Kepler equation in Stumpff's universal variable: one formula for every conic.

Source: Battin 1999, *An Introduction to the Mathematics and Methods of Astrodynamics*, sections 4.5 and 4.6.
"""

import numpy as np

from appulse.errors import ConvergenceError

MAX_ITERATIONS = 80


def stumpff(psi):
    """Stumpff functions c2 and c3.

    Parameters
    ----------
    psi : array, dimensionless
        ``alpha chi^2``: positive for ellipses, 0 for parabolas, negative for hyperbolas.

    Returns
    -------
    c2, c3 : arrays
        ``(1 - cos sqrt(psi)) / psi`` and ``(sqrt(psi) - sin sqrt(psi)) / psi^1.5`` continued analytically.

    Examples
    --------
    >>> stumpff(0.0)
    (array(0.5), array(0.16666667))
    """
    psi = np.asarray(psi, dtype=float)
    small = np.abs(psi) < 0.5
    root = np.sqrt(np.where(small, 1.0, np.abs(psi)))
    circular = psi > 0
    safe = np.where(small, 1.0, psi)
    hyper = np.where(circular | small, 0.0, root)
    # 1 - cos and cosh - 1 through half angles: no cancellation.
    half = np.where(circular, np.sin(root / 2) ** 2, -np.sinh(hyper / 2) ** 2)
    c2 = 2.0 * half / safe
    c3 = np.where(circular, root - np.sin(root), np.sinh(hyper) - hyper) / root**3
    if small.any():
        p = np.where(small, psi, 0.0)
        s2, s3 = np.zeros_like(p), np.zeros_like(p)
        for k in range(9, -1, -1):  # Horner in -psi of 1/(2k+2)! and 1/(2k+3)!
            s2 = (1.0 - p * s2) / ((2 * k + 1) * (2 * k + 2))
            s3 = (1.0 - p * s3) / ((2 * k + 2) * (2 * k + 3))
        c2, c3 = np.where(small, s2, c2), np.where(small, s3, c3)
    return c2, c3


def universal_anomaly(dt_d, r0_au, sigma, alpha, gm):
    """Solve the generalised Kepler equation for chi by Laguerre's method (Conway 1986, Cel. Mech. 39, 199).

    The time grows with chi throughout (its slope is r), so a bracket kept on the way turns any step that
    leaves it into a bisection: the iteration cannot run off.

    Parameters
    ----------
    dt_d : (n,) array, d
    r0_au : (n,) array, au, distance at the start
    sigma : (n,) array, au^0.5, ``r . v / sqrt(gm)`` at the start
    alpha : (n,) array, 1/au, reciprocal semi-major axis: negative for hyperbolas
    gm : float, au^3/d^2

    Returns
    -------
    chi : (n,) array, au^0.5

    Raises
    ------
    ConvergenceError
        An orbit's residual stays above rounding.

    Examples
    --------
    On a circle of 1 au chi is the angle turned through:

    >>> float(universal_anomaly(1.0, 1.0, 0.0, 1.0, 0.25))
    0.5
    """
    shape = np.broadcast_shapes(np.shape(dt_d), np.shape(r0_au), np.shape(sigma), np.shape(alpha))
    dt, r0, sigma, alpha = (np.broadcast_to(np.asarray(a, float), shape) for a in (dt_d, r0_au, sigma, alpha))
    sign = np.where(dt < 0, -1.0, 1.0)  # motion backwards is motion forwards with sigma turned round
    target, sigma = np.sqrt(gm) * np.abs(dt), sigma * sign
    chi = _first_chi(target, r0, alpha)
    low, high = np.zeros(shape), np.full(shape, np.inf)
    for turn in range(MAX_ITERATIONS):
        new, over, residual = _laguerre_step(chi, target, r0, sigma, alpha)
        low, high = np.where(over, low, chi), np.where(over, chi, high)
        outside = ~((new >= low) & (new <= high))
        if turn > 10 and turn % 2:  # a crawl down an exponential flank: halve the bracket instead
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


def _laguerre_step(chi, target, r0, sigma, alpha):
    """Next chi; is the present one beyond the target (overflow is); its relative residual."""
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


def _first_chi(target, r0, alpha):
    """Starting value: near the pericentre, far out on a parabola or hyperbola, or around the ellipse."""
    with np.errstate(divide="ignore", invalid="ignore"):
        guess = np.minimum(target / r0, np.cbrt(6.0 * target))
        root = np.sqrt(np.where(alpha < 0, -alpha, 1.0))
        flown = np.arcsinh(target * root / (r0 + 1.0 / root**2)) / root
        guess = np.where(alpha < 0, np.minimum(guess, flown), guess)
        return np.where(alpha > 0, np.minimum(guess, np.maximum(target * alpha, 0.1 * guess)), guess)

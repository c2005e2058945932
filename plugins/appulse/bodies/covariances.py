"""Covariances carried from elements to states by differences, and told from matrices that are none."""

import numpy as np

from appulse.bodies.elements import states_icrf
from appulse.errors import OrbitError


def derivative(function, values, steps):
    """Jacobian of a vector function by central differences of sixth order.

    Parameters
    ----------
    function : callable
        (k, m) array of arguments -> (k, p) array.
    values, steps : (m,) arrays
        Where, and the width of one difference in each argument.

    Returns
    -------
    jacobian : (p, m) array

    Examples
    --------
    >>> derivative(lambda x: x**3, np.array([2.0]), np.array([1e-2])).round(9)
    array([[12.]])
    """
    values, steps = np.asarray(values, float), np.asarray(steps, float)
    m = len(values)
    shifts = np.array([-3.0, -2.0, -1.0, 1.0, 2.0, 3.0])
    weights = np.array([-1.0, 9.0, -45.0, 45.0, -9.0, 1.0]) / 60.0
    points = values + shifts[None, :, None] * (np.eye(m) * steps)[:, None, :]
    results = function(points.reshape(-1, m)).reshape(m, 6, -1)
    return (np.einsum("s,msp->mp", weights, results) / steps[:, None]).T


def covariance_icrf(elements, epoch, covariance, to_perihelion=None, steps=None):
    """Covariance of a state on ICRF axes from that of the elements, extra parameters carried along.

    Parameters
    ----------
    elements : (6,) array
        What the covariance speaks of; without `to_perihelion` q (au), e, i, node, peri (deg), tp (JD TDB).
    epoch : float, JD TDB
    covariance : (6 + k, 6 + k) array
        In the units of `elements`; the last k rows belong to parameters that the state does not depend on.
    to_perihelion : callable, optional
        (n, 6) array of `elements` -> (n, 6) array of (q, e, i, node, peri, tp).
    steps : (6,) array, optional
        Widths of the differences in `elements`.

    Returns
    -------
    covariance : (6 + k, 6 + k) array, au and au/d

    Raises
    ------
    OrbitError
        The covariance is not finite, not symmetric or has a negative variance.

    Notes
    -----
    Linear: ``J C J^T``, with J by differences of sixth order, good to about 1e-8 of each term.
    """
    covariance = check_covariance(covariance)
    if steps is None:
        q, e = elements[0], elements[1]
        wide = 1e-4
        steps = np.array([wide * q, min(wide, 0.3 * e) if e > 0 else wide, 0.01, 0.01, 0.01, 0.01])
        if elements[2] < 0.04:  # the inclination cannot step below zero by a third of its width
            steps[2] = max(elements[2] / 4.0, 1e-9)
    convert = to_perihelion or (lambda values: values)
    inner = derivative(lambda values: states_icrf(convert(values), epoch), elements, steps)
    jacobian = np.eye(len(covariance))
    jacobian[:6, :6] = inner
    return jacobian @ covariance @ jacobian.T


def check_covariance(covariance):
    """A covariance as floats, refused where it cannot be one.

    Raises
    ------
    OrbitError
        Not square, at least 6 x 6, finite, symmetric, with variances that are not negative.

    Examples
    --------
    >>> check_covariance(-np.eye(6))
    Traceback (most recent call last):
    ...
    appulse.errors.OrbitError: the covariance has a negative variance (-1.0 in row 0)
    """
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
    scale = np.sqrt(np.outer(diagonal, diagonal))
    if np.any(np.abs(matrix - matrix.T) > 1e-6 * scale + 1e-300):
        raise OrbitError("the covariance is not symmetric")
    return 0.5 * (matrix + matrix.T)

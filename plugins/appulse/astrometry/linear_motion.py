"""Linear least squares on two-dimensional offsets: the fits behind a night's motions and verdict."""

import numpy as np


def solve(offset, covariance, basis):
    """Weighted fit of vector offsets: parameters, their covariance and chi-squared.

    Parameters
    ----------
    offset : (n, 2) array
    covariance : (n, 2, 2) array
    basis : (n, 2, p) array
        offset = basis @ parameters.

    Returns
    -------
    parameters : (p,) array
    covariance : (p, p) array
    chi2 : float
    """
    inverse = np.linalg.inv(covariance)
    normal = np.einsum("nip,nij,njq->pq", basis, inverse, basis)
    right = np.einsum("nip,nij,nj->p", basis, inverse, offset)
    cov = np.linalg.pinv(normal, hermitian=True) if normal.size else np.zeros((0, 0))
    parameters = cov @ right
    left = offset - basis @ parameters
    return parameters, cov, float(np.einsum("ni,nij,nj->", left, inverse, left))


def polynomial(hours, order) -> np.ndarray:
    """Basis of a motion in both axes: (n, 2, 2 (order + 1)), parameters by order, east before north."""
    powers = np.stack([np.asarray(hours, dtype=float) ** k for k in range(order + 1)], axis=1)
    basis = np.zeros((len(powers), 2, 2 * (order + 1)))
    for k in range(order + 1):
        basis[:, 0, 2 * k] = basis[:, 1, 2 * k + 1] = powers[:, k]
    return basis

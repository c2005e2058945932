"""Statistics that a few wild values cannot spoil; bare floats and arrays."""

import numpy as np
from scipy.special import erf

# Sigma of a Gaussian in units of its median absolute deviation, 1 / Phi^-1(3/4).
MAD_TO_SIGMA = 1.482602218505602


def mad_sigma(values):
    """Standard deviation estimated from the median absolute deviation.

    Parameters
    ----------
    values : array
        Any shape; what is not finite is left out.

    Returns
    -------
    float
        0 for fewer than two finite values.

    Examples
    --------
    >>> mad_sigma([1.0, 2.0, 3.0, 4.0, 1000.0])
    1.482602218505602
    """
    values = np.asarray(values, dtype=float)
    values = values[np.isfinite(values)]
    if values.size < 2:
        return 0.0
    return float(MAD_TO_SIGMA * np.median(np.abs(values - np.median(values))))


def clipped_sigma(values, clip=3.0, rounds=4):
    """Standard deviation of the Gaussian core of an array: twice as precise as the MAD.

    What lies beyond `clip` sigmas is left out, and what a Gaussian loses by that is put back.

    Parameters
    ----------
    values : array
        Any shape; what is not finite is left out.
    clip : float
        In sigmas.
    rounds : int

    Returns
    -------
    float
        0 for fewer than two finite values.

    Examples
    --------
    >>> values = np.random.default_rng(1).normal(0.0, 2.0, 10_000)
    >>> values[:200] = 100.0
    >>> abs(clipped_sigma(values) - 2.0) < 0.05
    True
    """
    values = np.asarray(values, dtype=float).ravel()
    values = values[np.isfinite(values)]
    sigma = mad_sigma(values)
    # More than half of the values are equal: there is no core to measure.
    if sigma == 0.0:
        return 0.0
    middle = np.median(values)
    inside = erf(clip / np.sqrt(2.0))
    # Variance of a Gaussian cut at +-clip, in units of that of the whole.
    lost = np.sqrt(1.0 - np.sqrt(2.0 / np.pi) * clip * np.exp(-0.5 * clip**2) / inside)
    kept = -1
    for _ in range(rounds):
        core = values[np.abs(values - middle) <= clip * sigma]
        # Clipping that takes away the same values again has settled.
        if len(core) == kept or len(core) < 2:
            break
        kept, middle, sigma = len(core), core.mean(), core.std(ddof=1) / lost
    return float(sigma)


def extra_scatter(residuals, sigmas, dof_lost=0.0):
    """Scatter to add in quadrature so that residuals are as wide as their sigmas say.

    The moment estimate of DerSimonian & Laird (1986, Controlled Clinical Trials 7, 177), iterated on the
    weights: sum of w r^2 = n - p, w = 1 / (s^2 + x^2).

    Parameters
    ----------
    residuals, sigmas : (n,) arrays
        In one unit.
    dof_lost : float
        Parameters that were fitted to make the residuals.

    Returns
    -------
    float
        0 where the sigmas already explain the residuals.

    Examples
    --------
    >>> round(extra_scatter(np.array([3.0, -3.0, 3.0, -3.0]), np.zeros(4) + 1e-6), 6)
    3.0
    """
    residuals, sigmas = np.asarray(residuals, dtype=float), np.asarray(sigmas, dtype=float)
    wanted = len(residuals) - dof_lost
    if wanted <= 0 or np.sum((residuals / sigmas) ** 2) <= wanted:
        return 0.0
    square, low2 = residuals**2, 0.0
    # The sum falls with the scatter and bends upwards: steps along its slope come to its target from below.
    for _ in range(200):
        weight = 1.0 / (sigmas**2 + low2)
        step = (np.sum(square * weight) - wanted) / np.sum(square * weight**2)
        low2 += step
        if step <= 1e-12 * low2:
            break
    return float(np.sqrt(low2))


def likely_scatter(residuals, sigmas, leverage):
    """Scatter to add in quadrature, the likeliest: those with small sigmas say most of it.

    Restricted likelihood (Patterson & Thompson 1971, Biometrika 58, 545), by scoring: sum of
    w^2 (r^2 - (1 - h) / w) = 0, w = 1 / (s^2 + x^2). Where the sigmas differ much, moments ask for a scatter
    that the many wide ones show by chance, and the few narrow ones lose their weight.

    Parameters
    ----------
    residuals, sigmas : (n,) arrays
        In one unit.
    leverage : (n,) array
        Share of its own noise that the fit follows at each residual, 0 to 1.

    Returns
    -------
    float
        0 where the sigmas already explain the residuals.

    Examples
    --------
    >>> round(likely_scatter(np.array([3.0, -3.0, 3.0, -3.0]), np.zeros(4) + 1e-3, np.zeros(4)), 3)
    3.0
    """
    square, variance = np.asarray(residuals, dtype=float) ** 2, np.asarray(sigmas, dtype=float) ** 2
    free = 1.0 - np.asarray(leverage, dtype=float)
    low2 = 0.0
    for _ in range(50):
        total = variance + low2
        weight = 1.0 / total**2
        lost = float(weight @ free)
        if not lost > 0.0:
            return 0.0
        before, low2 = low2, max(low2 + float(weight @ (square - free * total)) / lost, 0.0)
        if abs(low2 - before) <= 1e-4 * low2:
            break
    return float(np.sqrt(low2))


def weighted_lstsq(design, values, sigmas):
    """Weighted least squares with the covariance of the solution.

    Parameters
    ----------
    design : (n, p) array
    values, sigmas : (n,) arrays

    Returns
    -------
    solution : (p,) array
    covariance : (p, p) array

    Raises
    ------
    numpy.linalg.LinAlgError
        If the values cannot tell the parameters apart.

    Examples
    --------
    >>> solution, covariance = weighted_lstsq(np.ones((2, 1)), np.array([1.0, 3.0]), np.array([1.0, 1.0]))
    >>> solution.tolist(), covariance.tolist()
    ([2.0], [[0.5]])
    """
    weighted = np.asarray(design, dtype=float) / np.asarray(sigmas, dtype=float)[:, None]
    # Columns of like size first: parameters in pixels and in their squares would spoil the condition number.
    scale = np.sqrt(np.sum(weighted**2, axis=0))
    if np.any(scale == 0.0) or len(weighted) < weighted.shape[1]:
        raise np.linalg.LinAlgError("a parameter that no value depends on")
    normal = (weighted / scale).T @ (weighted / scale)
    if np.linalg.cond(normal) > 1e12:
        raise np.linalg.LinAlgError("parameters that the values cannot tell apart")
    inverse = np.linalg.inv(normal) / np.outer(scale, scale)
    return inverse @ (weighted.T @ (np.asarray(values, dtype=float) / sigmas)), 0.5 * (inverse + inverse.T)

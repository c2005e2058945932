"""What a background's polynomial leaves out, where it is rough: a shift of the place and more sigma.

A quartic follows a galaxy's flank and misses the next order of a spiral arm, and no residual shows it: the
place takes it up. The terms of the fifth order are therefore let in, held to zero with a sigma in
proportion to what the third and fourth were found to be. A smooth background has none of these, and nothing
is lost; on a rough one the place moves to where the pixels draw it and the sigma says what is not known.
"""

import numpy as np

NEXT = 1.0
"""Size of the fifth order against the third and fourth within the stamp: 0.6 for a ridge of a Gaussian width
three quarters of the stamp's radius, more for knots along it."""

CHANCE = 0.5
"""Mean square of nine noisy terms above 1 that is still chance: one sigma, sqrt(2 / 9)."""


def left_out(fit):
    """Shift of the place and what it adds to the covariance.

    Parameters
    ----------
    fit : ProfileFit
        With a quartic background.

    Returns
    -------
    shift : (2,) array
        px.
    covariance : (2, 2) array
        px^2, to be added.
    """
    nothing = np.zeros(2), np.zeros((2, 2))
    known = fit.basis.shape[1]
    if known != 15:
        return nothing
    light, background, jacobian = fit.state
    root = np.sqrt(fit.variance[fit.used])
    before = np.linalg.pinv(fit.normal)
    rough = slice(fit.n_source + 6, fit.n_source + known)
    noise2 = np.diag(before)[rough]
    certain = float(np.mean(fit.p[rough] ** 2 / noise2)) - 1.0 - CHANCE
    if certain <= 0.0:
        return nothing
    size2 = certain * float(np.mean(noise2))
    more = fit.stamp.background_terms(5)[:, known:]
    design = np.concatenate([jacobian, more], axis=1)[fit.used] / root[:, None]
    residual = (fit.stamp.values - light - background)[fit.used] / root
    normal = design.T @ design
    n = len(before)
    normal[:n, :n] = fit.normal
    normal[np.arange(n, len(normal)), np.arange(n, len(normal))] += 1.0 / (NEXT**2 * size2)
    scale = np.sqrt(np.diag(normal))
    after = np.linalg.inv(normal / np.outer(scale, scale)) / np.outer(scale, scale)
    right = design.T @ residual
    right[:n] = 0.0  # the fit has settled: what is left there is rounding and priors
    return (after @ right)[:2], after[:2, :2] - before[:2, :2]

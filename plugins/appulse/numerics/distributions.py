"""Tails of the distributions that decisions rest on, out of their special functions.

The statistics package of scipy takes a quarter of a second to load, more than measuring a body does.
"""

import numpy as np
from scipy import special


def chi2_sf(value, dof):
    """Chance of a chi-squared above `value`.

    Examples
    --------
    >>> round(float(chi2_sf(9.21, 2)), 4)
    0.01
    """
    return special.chdtrc(dof, np.maximum(value, 0.0))


def chi2_isf(chance, dof):
    """Chi-squared that is exceeded with this chance.

    Examples
    --------
    >>> round(float(chi2_isf(0.01, 2)), 2)
    9.21
    """
    return special.chdtri(dof, chance)


def f_isf(chance, dof1, dof2):
    """Ratio of two reduced chi-squareds that is exceeded with this chance.

    Examples
    --------
    >>> round(float(f_isf(0.01, 2, 20)), 2)
    5.85
    """
    # The swapped tail: 1 - chance would lose the digits of a small one.
    return 1.0 / special.fdtri(dof2, dof1, chance)


def poisson_sf(count, mean):
    """Chance of more than `count` where `mean` are expected.

    Examples
    --------
    >>> round(float(poisson_sf(2, 1.0)), 4), float(poisson_sf(-1, 1.0))
    (0.0803, 1.0)
    """
    return special.gammainc(np.maximum(np.floor(count) + 1.0, 0.0), mean)


def normal_isf(chance):
    """Sigmas that are exceeded, on one side, with this chance.

    Examples
    --------
    >>> round(float(normal_isf(0.001)), 2)
    3.09
    """
    return -special.ndtri(chance)


def normal_sf(sigmas):
    """Chance of a normal value above so many sigmas.

    Examples
    --------
    >>> round(float(normal_sf(3.09)), 4)
    0.001
    """
    return special.ndtr(-np.asarray(sigmas))

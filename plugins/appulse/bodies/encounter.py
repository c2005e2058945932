"""Ends of trajectories: bodies that reach the surface of the Sun, a planet or the Moon."""

from typing import NamedTuple

import numpy as np

from appulse.bodies.kernels import NAMES, RADIUS_AU
from appulse.constants import J2000_JD
from appulse.errors import OrbitError


class Ending(NamedTuple):
    """When a body's trajectory ended and at what (a row of the perturbers, or words)."""

    t_d: float
    what: int | str

    def error(self, name, when_jd):
        """The error to raise for a time after the end.

        Parameters
        ----------
        name : str
            The body.
        when_jd : float, JD TDB
            The time that was asked for.

        Returns
        -------
        OrbitError
        """
        end = self.t_d + J2000_JD
        why = self.what if isinstance(self.what, str) else f"it reaches the surface of the {NAMES[self.what]}"
        return OrbitError(
            f"{name}: no place at JD {when_jd:.5f} TDB, its orbit ends near JD {end:.5f}: {why};"
            " check the elements, or ask for times before that"
        )


def find_impacts(y, places, own=None):
    """Rows of the major bodies inside which the bodies are.

    Parameters
    ----------
    y : (6, n) array, au, barycentric
    places : (11, 3) array, au, barycentric
    own : (n,) int array, optional
        Row of the perturber that each body itself is, -1 for none.

    Returns
    -------
    (n,) int array with -1 for none, or None if no body is inside any

    Examples
    --------
    >>> places = np.zeros((11, 3)) + np.arange(11)[:, None]
    >>> find_impacts(np.array([[3.0, 0.5], [3.0, 0.5], [3.0, 0.5]]), places)
    array([ 3, -1])
    """
    to = places[:, :, None] - y[:3]
    inside = np.einsum("bcn,bcn->bn", to, to) < (RADIUS_AU**2)[:, None]
    if own is not None:
        columns = np.flatnonzero((own >= 0) & (own < len(places)))
        inside[own[columns], columns] = False
    if not inside.any():
        return None
    return np.where(inside.any(axis=0), inside.argmax(axis=0), -1)

"""The orbits that come with the package: enough to begin with, each with its source and date."""

from functools import lru_cache
from importlib import resources

import numpy as np

from appulse.bodies.orbits import OrbitCatalogue
from appulse.bodies.readers.table import read_orbit_table
from appulse.errors import OrbitError
from appulse.formats.settings import settings_path

TABLES = ("starter_massive.ecsv", "starter_neas.ecsv", "starter_comets.ecsv")
"""Files in :mod:`appulse.data`, written by the ``make_starter.py`` beside them."""


def own_orbits_path():
    """Where the user's own collection lies: beside the settings file.

    Returns
    -------
    Path
        It need not exist.

    Examples
    --------
    >>> own_orbits_path().name
    'orbits.ecsv'
    """
    return settings_path().with_name("orbits.ecsv")


def own_orbits():
    """The user's own collection, or None where there is none yet.

    Raises
    ------
    OrbitError, TableError
        The file cannot be read.
    """
    path = own_orbits_path()
    if not path.is_file():
        return None
    return read_orbit_table(path.read_text(encoding="utf-8"), path)


def join_orbits(first, second):
    """Two catalogues as one; of a body that both have, the first one's orbit stays.

    Parameters
    ----------
    first, second : OrbitCatalogue

    Returns
    -------
    OrbitCatalogue

    Examples
    --------
    >>> bundled = starter_orbits(own=False)
    >>> len(join_orbits(bundled[:3], bundled)) == len(bundled)
    True
    """
    have = set(first.designation) | {f"number {number}" for number in first.number if number}
    keep = [
        row
        for row, (designation, number) in enumerate(zip(second.designation, second.number, strict=True))
        if designation not in have and f"number {number}" not in have
    ]
    return OrbitCatalogue.concatenate([first, second.take(np.array(keep, dtype=int))]) if keep else first


def starter_orbits(*, own=True):
    """The bundled orbits: the 16 massive asteroids, bright near-Earth asteroids and some periodic comets.

    Parameters
    ----------
    own : bool
        Put the user's own collection (:func:`own_orbits_path`) in front: its orbit of a body is taken.

    Returns
    -------
    OrbitCatalogue
        Every row says its source and date. None carries a covariance: its uncertainty is unknown, or stated
        by the MPC's code where there is one.

    Raises
    ------
    OrbitError
        The installation lacks its data.

    Notes
    -----
    Elements age: the farther a date lies from an orbit's epoch, the more its own uncertainty grows (comets by
    far the most, for their jets push them). ``appulse orbits update`` fetches newer
    ones into the user's own collection.

    Examples
    --------
    >>> orbit = starter_orbits(own=False).select("7")
    >>> orbit.label, orbit.epoch_jd_tdb
    ('(7) Iris', 2461400.5)
    """
    collection = own_orbits() if own else None
    return _bundled() if collection is None else join_orbits(collection, _bundled())


@lru_cache(maxsize=1)
def _bundled():
    parts = []
    for name in TABLES:
        file = resources.files("appulse.data") / name
        if not file.is_file():
            raise OrbitError(f"the bundled table {name} is missing: install appulse again")
        parts.append(read_orbit_table(file.read_text(encoding="utf-8"), name))
    return OrbitCatalogue.concatenate(parts)

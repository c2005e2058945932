"""The orbits that come with the package: enough to begin with, each with its source and date."""

from importlib import resources

from ..errors import OrbitError
from .orbits import OrbitCatalogue
from .readers.table import read_orbit_table

TABLES = ("starter_massive.ecsv", "starter_neas.ecsv", "starter_comets.ecsv")
"""Files in :mod:`appulse.data`, written by the ``make_starter.py`` beside them."""


def starter_orbits():
    """The bundled orbits: the 16 massive asteroids, bright near-Earth asteroids and some periodic comets.

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
    far the most, for their jets push them). ``appulse orbits update`` fetches newer ones.

    Examples
    --------
    >>> orbit = starter_orbits().select("7")
    >>> orbit.label, orbit.epoch_jd_tdb
    ('(7) Iris', 2461400.5)
    """
    parts = []
    for name in TABLES:
        file = resources.files("appulse.data") / name
        if not file.is_file():
            raise OrbitError(f"the bundled table {name} is missing: install appulse again")
        parts.append(read_orbit_table(file.read_text(encoding="utf-8"), name))
    return OrbitCatalogue.concatenate(parts)

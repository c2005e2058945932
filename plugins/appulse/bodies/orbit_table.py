"""A catalogue as our own orbit table: what ``read_orbits`` reads back."""

import numpy as np
from astropy import units as u
from astropy.table import MaskedColumn, Table

from appulse.bodies.readers.table_extras import COVARIANCE, NONGRAV, PARAMETERS, law_words
from appulse.bodies.record import STATE_NAMES

_TEXTS = ("name", "g_law", "U", "aliases", "source", "date")


def orbit_table(catalogue):
    """Write a catalogue into a table.

    Parameters
    ----------
    catalogue : OrbitCatalogue

    Returns
    -------
    Table
        ``designation, epoch`` (JD TDB), the state (``x y z vx vy vz``: au, au/d, heliocentric, ICRF axes) and
        the optional columns that any body needs, in full precision: the ECSV gives the same orbits back.

    Examples
    --------
    >>> from appulse.bodies.orbits import Orbit, OrbitCatalogue
    >>> orbit = Orbit.from_state("7", 2461000.5, [1, 0, 0, 0, 0.017, 0], h=5.5)
    >>> orbit_table(OrbitCatalogue.from_orbits([orbit])).colnames
    ['designation', 'epoch', 'x', 'y', 'z', 'vx', 'vy', 'vz', 'H']
    """
    orbits = list(catalogue)
    table = Table({"designation": [o.designation for o in orbits]})
    words = {name: [_words(o, name) for o in orbits] for name in _TEXTS}
    if any(words["name"]):
        table["name"] = words["name"]
    table["epoch"] = [o.epoch_jd_tdb for o in orbits]
    table["epoch"].unit = u.d
    state = np.array([o.state for o in orbits])
    for k, name in enumerate(STATE_NAMES):
        table[name] = state[:, k]
        table[name].unit = u.au if k < 3 else u.au / u.d
    for name in ("H", "G", "G1", "G2", "G12", "M1", "K1"):
        _add(
            table,
            name,
            [getattr(o, name.lower()) for o in orbits],
            u.mag if name in ("H", "M1", "K1") else None,
        )
    for name in NONGRAV:
        values = [getattr(o.nongrav, name.lower()) if o.nongrav else None for o in orbits]
        if any(values):
            _add(table, name, values, u.au / u.d**2)
    if any(o.nongrav and o.nongrav.dt_d for o in orbits):
        _add(table, "DT", [o.nongrav.dt_d if o.nongrav else None for o in orbits], u.d)
    for name in _TEXTS[1:]:
        if any(words[name]):
            table[name] = words[name]
    for name, (i, j) in COVARIANCE.items():
        _add(table, name, [_term(o, i, j) for o in orbits], None)
    if catalogue.source:
        table.meta["source"] = catalogue.source
    return table


def _words(orbit, name):
    if name == "g_law":
        return law_words(orbit.nongrav) if orbit.nongrav else ""
    if name == "aliases":
        return ";".join(orbit.aliases)
    return {
        "name": orbit.name,
        "U": orbit.uncertainty_code,
        "source": orbit.source,
        "date": orbit.source_date,
    }[name] or ""


def _add(table, name, values, unit):
    """A column of numbers, masked where a body has none; no column where nobody has one."""
    mask = [value is None for value in values]
    if all(mask):
        return
    numbers = [0.0 if gone else float(value) for value, gone in zip(values, mask, strict=True)]
    table[name] = MaskedColumn(numbers, mask=mask) if any(mask) else numbers
    table[name].unit = unit


def _term(orbit, i, j):
    if orbit.covariance is None:
        return None
    names = orbit.covariance_names
    first, second = PARAMETERS[i], PARAMETERS[j]
    if first not in names or second not in names:
        return None
    return orbit.covariance[names.index(first), names.index(second)]

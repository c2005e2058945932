"""Orbits at hand: from files of any known kind, from bundled tables and from the user's own collection."""

import importlib
import re
from functools import lru_cache
from importlib import resources
from pathlib import Path

import numpy as np

from appulse.bodies.catalogue import OrbitCatalogue
from appulse.bodies.listed import listed_orbits
from appulse.bodies.readers.comets import MPC_COMET_LINE
from appulse.bodies.readers.json_orbits import are_jpl_heads
from appulse.bodies.readers.mpcorb import is_mpcorb_line
from appulse.bodies.readers.orbit_table import header_words, read_orbit_table
from appulse.bodies.readers.orbit_text import decode, read_bytes
from appulse.errors import OrbitError
from appulse.formats import settings_path

JSON_ROWS = re.compile(r'"fields"\s*:\s*\[')

# What a file can be -> the module of this package and its function (text, path) that reads it.
READERS = {
    "orbit table": ("orbit_table", "read_orbit_table"),
    "MPCORB lines": ("mpcorb", "read_mpcorb"),
    "MPC comet lines": ("comets", "read_mpc_comets"),
    "JSON (mpc_orb, SBDB)": ("json_orbits", "read_json"),
    "rows of JPL's query service": ("json_orbits", "read_jpl_rows"),
    "OEF2.0": ("oef", "read_oef"),
    "JPL element list": ("comets", "read_jpl_list"),
    "CSV with MPC names": ("mpcorb", "read_named_csv"),
}


def file_kind(text: str) -> str | None:
    """What an orbit file is, a key of :data:`READERS`, or None, from the beginning of its text."""
    if text.startswith("# %ECSV"):
        return "orbit table"
    if text.lstrip().startswith("{") and JSON_ROWS.search(text):
        return "rows of JPL's query service"
    if text.lstrip()[:1] in ("{", "["):
        return "JSON (mpc_orb, SBDB)"
    lines = [line for line in text.splitlines()[:400] if line.strip() and not line.lstrip().startswith("#")]
    header = lines[0] if lines else ""
    words = {word.lower() for word in header_words(header)[0]}
    if {"epoch", "a", "e", "i", "node", "peri", "m"} <= words and "principal_desig" in words:
        return "CSV with MPC names"
    if are_jpl_heads(header_words(header)[0]):
        return "rows of JPL's query service"
    if words & {"designation", "epoch"} and len(words) > 1:
        return "orbit table"
    if header.startswith("format") and "OEF" in header:
        return "OEF2.0"
    if len(lines) > 1 and header.startswith(("Num", "Name", "Designation")) and lines[1].startswith("-----"):
        return "JPL element list"
    if "MPCORB" in text[:4096] or any(is_mpcorb_line(line) for line in lines[:60]):
        return "MPCORB lines"
    if any(MPC_COMET_LINE.match(line) for line in lines[:60]):
        return "MPC comet lines"
    return None


def read_orbits(path):
    """Read an orbit file of any of the known kinds.

    Parameters
    ----------
    path : path-like
        Plain or gzipped: our orbit table (ECSV, CSV), MPCORB and MPC comet lines, mpc_orb.json, SBDB JSON
        (one body, or rows of the query service, these as CSV too), OEF2.0 (``.ke0``, ``.ke1``, ``.eq0``...),
        the JPL element lists, CSV with MPC column names.

    Returns
    -------
    OrbitCatalogue
        Lines that could not be used are listed in ``.rejected`` as (line number, reason).

    Raises
    ------
    OrbitError
        The file cannot be read, is of no known kind, or holds no usable orbit.
    TableError
        An orbit table lacks columns or mixes units.

    Examples
    --------
    >>> import tempfile, os
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = os.path.join(folder, "mine.csv")
    ...     text = "designation,epoch,a,e,i,node,peri,M\\n7,2461000.5,2.39,0.23,5.5,259.5,145.5,200.0"
    ...     _ = Path(path).write_text(text)
    ...     print(len(read_orbits(path)))
    1
    """
    path = Path(path)
    content = read_bytes(path)
    if content.startswith((b"DAF/SPK", b"NAIF/DAF")):
        raise OrbitError(f"{path}: an SPK kernel is an ephemeris, no file of orbits; SPKEphemeris reads it")
    kind = file_kind(decode(content[:65_536], path))
    if kind is None:
        known = ", ".join(READERS)
        raise OrbitError(f"{path}: not recognised as a file of orbits; known kinds: {known}")
    module, function = READERS[kind]
    reader = getattr(importlib.import_module(f"{__package__}.{module}"), function)
    return reader(content if function == "read_mpcorb" else decode(content, path), path)


# Files in :mod:`appulse.data`, written by the ``make_starter.py`` beside them; a further one is read by
# :mod:`appulse.bodies.listed`.
TABLES = ("starter_massive.ecsv", "starter_neas.ecsv", "starter_comets.ecsv")


def own_orbits_path() -> Path:
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

    Returns
    -------
    OrbitCatalogue or None

    Raises
    ------
    OrbitError, TableError
        The file cannot be read.
    """
    path = own_orbits_path()
    if not path.exists():
        return None
    return read_orbit_table(decode(read_bytes(path), path), path)


def join_orbits(first, second) -> OrbitCatalogue:
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
    have = set(first.designation.tolist())
    known = np.array([name in have for name in second.designation.tolist()], dtype=bool)
    known |= (second.number > 0) & np.isin(second.number, first.number)
    keep = np.flatnonzero(~known)
    return OrbitCatalogue.concatenate([first, second.take(keep)]) if len(keep) else first


def starter_orbits(*, own=True):
    """The bundled orbits: named minor planets, bright near-Earth asteroids and some periodic comets.

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
    return OrbitCatalogue.concatenate([bundled_tables(TABLES), listed_orbits()])


def bundled_tables(names) -> OrbitCatalogue:
    """The bodies of some of the bundled tables, one after the other."""
    parts = []
    for name in names:
        file = resources.files("appulse.data") / name
        if not file.is_file():
            raise OrbitError(f"the bundled table {name} is missing: install appulse again")
        parts.append(read_orbit_table(file.read_text(encoding="utf-8"), name))
    return OrbitCatalogue.concatenate(parts)

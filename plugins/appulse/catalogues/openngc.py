"""OpenNGC as arrays: read once from the database that PyOngc carries, corrected, without doubles.

Source: OpenNGC by M. Verga, CC-BY-SA-4.0, through PyOngc. Places are J2000 (ICRF), axes are full axes at the
25 mag/arcsec2 isophote in B for galaxies, by eye for most else.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass, field
from functools import lru_cache
from importlib import resources
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

from appulse.catalogues.names import key, shown
from appulse.formats.tables import read_table
from appulse.numerics.spherical import unit_from_radec

SOURCE = "OpenNGC (M. Verga, CC-BY-SA-4.0)"

TYPES = {
    "*": "star", "**": "double star", "*Ass": "association of stars", "OCl": "open cluster",
    "GCl": "globular cluster", "Cl+N": "star cluster with nebula", "G": "galaxy", "GPair": "pair of galaxies",
    "GTrpl": "triplet of galaxies", "GGroup": "group of galaxies", "PN": "planetary nebula",
    "HII": "ionised region", "DrkN": "dark nebula", "EmN": "emission nebula", "Neb": "nebula",
    "RfN": "reflection nebula", "SNR": "supernova remnant", "Nova": "nova", "Other": "object of unknown type",
}  # fmt: skip
"""Words for OpenNGC's types; doubles (``Dup``) and objects that do not exist (``NonEx``) have none."""

GROUPS = {
    "galaxy": {"G", "GPair", "GTrpl", "GGroup"},
    "nebula": {"Cl+N", "PN", "HII", "DrkN", "EmN", "Neb", "RfN", "SNR"},
    "cluster": {"OCl", "GCl", "*Ass", "Cl+N"},
    "star": {"*", "**", "Nova"},
}

_COLUMNS = (
    "name, type, ra, dec, majax, minax, pa, bmag, vmag, sbrightn, redshift, messier, ngc, ic, identifiers, "
    "commonnames"
)
_NUMBERS = {"major": 4, "minor": 5, "pa": 6, "bmag": 7, "vmag": 8, "sb": 9, "redshift": 10}
_HIDDEN = ("SDSS", "2MASX", "2MASS", "IRAS", "TYC", "MWSC", "ESO-LV")
"""Survey numbers that find an object but tell a reader nothing."""


@dataclass(frozen=True)
class OpenNGC:
    """The catalogue's objects, arrays of one length; NaN where it has no value.

    Attributes
    ----------
    name, type : (n,) arrays of str
        Names as shown; types are keys of :data:`TYPES`.
    ra, dec : (n,) arrays, ICRF degrees
    major, minor : (n,) arrays, full axes, arcmin
    pa : (n,) array, degrees from north through east
    bmag, vmag, sb, redshift : (n,) arrays
    other_names : list of tuple of str
    corrected : dict of int to list of str
        Row to the corrections made there, in words.
    index : dict of str to int
        Every spelling's key to its row.
    tree : cKDTree
        Of unit vectors.
    """

    name: np.ndarray
    type: np.ndarray
    ra: np.ndarray
    dec: np.ndarray
    major: np.ndarray
    minor: np.ndarray
    pa: np.ndarray
    bmag: np.ndarray
    vmag: np.ndarray
    sb: np.ndarray
    redshift: np.ndarray
    other_names: list
    corrected: dict
    index: dict = field(repr=False)
    tree: cKDTree = field(repr=False)


@lru_cache(maxsize=1)
def load():
    """The catalogue, read once.

    Returns
    -------
    OpenNGC

    Examples
    --------
    >>> catalogue = load()
    >>> row = catalogue.index["IC4603"]
    >>> str(catalogue.name[row]), str(catalogue.type[row]), float(catalogue.major[row])
    ('IC 4603', 'Neb', 20.0)
    """
    rows = _read_database()
    kept = [row for row in rows if row[1] in TYPES and row[2] is not None and row[3] is not None]
    columns = {
        name: np.array([np.nan if row[at] is None else row[at] for row in kept], dtype=float)
        for name, at in _NUMBERS.items()
    }
    columns["ra"] = np.degrees([row[2] for row in kept])
    columns["dec"] = np.degrees([row[3] for row in kept])
    common = [_split(row[15]) for row in kept]
    rows_by_name = {row[0]: i for i, row in enumerate(kept)}
    corrected = _correct(columns, common, rows_by_name)
    aliases = [_aliases(row) for row in kept]
    # A redshift of something in the Milky Way is its radial velocity and tells no distance.
    columns["redshift"][[row[1] not in GROUPS["galaxy"] for row in kept]] = np.nan
    return OpenNGC(
        name=np.array([shown(row[0]) for row in kept]),
        type=np.array([row[1] for row in kept]),
        **columns,
        other_names=[
            tuple(dict.fromkeys(n for n in (*more, *names) if not n.startswith(_HIDDEN)))
            for more, names in zip(common, aliases, strict=True)
        ],
        corrected=corrected,
        index=_index(rows, rows_by_name, aliases, common),
        tree=cKDTree(unit_from_radec(columns["ra"] % 360.0, columns["dec"])),
    )


def _read_database():
    from pyongc.ongc import DBPATH

    with closing(sqlite3.connect(f"{Path(DBPATH).as_uri()}?mode=ro", uri=True)) as database:
        return database.execute(f"SELECT {_COLUMNS} FROM objects ORDER BY id").fetchall()


def _split(text):
    return [part.strip() for part in (text or "").split(",") if part.strip()]


def _aliases(row):
    """Other designations of a row, as shown: Messier first, then NGC and IC, then the rest."""
    names = [shown(f"M{n}") for n in _split(row[11])]
    names += [shown(f"{prefix}{n}") for prefix, at in (("NGC", 12), ("IC", 13)) for n in _split(row[at])]
    return [name for name in names + [shown(n) for n in _split(row[14])] if name != shown(row[0])]


def _index(rows, rows_by_name, aliases, common):
    """Key of every spelling to its row; an object's own name wins over another's alias."""
    index = {key(name): row for name, row in rows_by_name.items()}
    for names in (aliases, common):
        for row, spellings in enumerate(names):
            for name in spellings:
                index.setdefault(key(name), row)
    for row in rows:
        if row[1] == "Dup":
            # A double has its other number in one of these columns.
            for prefix, at in (("NGC", 12), ("IC", 13), ("M", 11)):
                for number in _split(row[at]):
                    if key(prefix + number) in index:
                        index.setdefault(key(row[0]), index[key(prefix + number)])
    return index


def _correct(columns, common, rows_by_name):
    """Put the sourced corrections in place; returns the words about them by row."""
    with resources.as_file(resources.files("appulse.data") / "outline_corrections.ecsv") as path:
        table = read_table(path)
    done = {}
    for name, what, value, source in table.iterrows("name", "field", "value", "source"):
        row, empty = rows_by_name[str(name)], np.ma.is_masked(value) or str(value) == ""
        if what == "names":
            common[row] = [] if empty else _split(str(value))
        else:
            columns[what][row] = np.nan if empty else float(value)
        done.setdefault(row, {}).setdefault(str(source), []).append(str(what))
    return {
        row: [f"corrected: {', '.join(fields)} ({source})" for source, fields in by_source.items()]
        for row, by_source in done.items()
    }

"""Deep-sky objects by place and by name, as outlines that can be drawn."""

from __future__ import annotations

import difflib
from functools import lru_cache

import numpy as np
from astropy import units as u
from astropy.table import QTable

from appulse.catalogues.names import key
from appulse.catalogues.openngc import GROUPS, SOURCE, TYPES, load
from appulse.catalogues.outlines import Outline, shape_of
from appulse.catalogues.polygons import read_polygons
from appulse.errors import InputError
from appulse.numerics.spherical import separation_rad, unit_from_radec

__all__ = ["all_objects", "find_object", "objects_near", "read_polygons"]

WIDEST_DEG = 6.0
"""More than the semi-axis of the largest object (the Large Magellanic Cloud, 5.4 degrees)."""


def objects_near(centre_ra, centre_dec, radius_deg, *, types=None, brighter_than=None, larger_than=None):
    """Objects that reach into a circle.

    Parameters
    ----------
    centre_ra, centre_dec, radius_deg : float
        ICRF degrees. An object counts when its outline, by its major axis, reaches into the circle.
    types : str or sequence of str, optional
        ``galaxy``, ``nebula``, ``cluster``, ``star``, or a type in words as ``reflection nebula``. Everything
        but plain stars by default.
    brighter_than : float, optional
        Faintest magnitude. An object of unknown magnitude passes only if it is a nebula: those have none.
    larger_than : float, optional
        Smallest major axis, arcmin; objects without a size do not pass.

    Returns
    -------
    list of Outline
        Largest first.

    Raises
    ------
    InputError
        The place is not a finite number, or a type is unknown.

    Examples
    --------
    >>> [o.name for o in objects_near(246.35, -24.4, 0.7, types="nebula")]
    ['IC 4604', 'IC 4603']
    >>> objects_near(246.35, -24.4, 0.7, types="nebula")[0].note
    'no position angle in the catalogue: drawn as a circle of the major axis'
    """
    place = np.array([centre_ra, centre_dec, radius_deg], dtype=float)
    if not np.isfinite(place).all() or radius_deg <= 0 or abs(centre_dec) > 90:
        raise InputError(
            f"objects around ({centre_ra}, {centre_dec}) within {radius_deg} degrees: finite numbers, a "
            "radius above zero and a declination within 90 degrees are needed"
        )
    catalogue = load()
    centre = unit_from_radec(centre_ra % 360.0, centre_dec)
    reach = np.radians(min(radius_deg + WIDEST_DEG, 180.0))
    rows = np.array(catalogue.tree.query_ball_point(centre, 2.0 * np.sin(reach / 2.0)), dtype=int)
    away = np.degrees(separation_rad(catalogue.tree.data[rows], centre)) if len(rows) else np.empty(0)
    keep = away <= radius_deg + np.nan_to_num(catalogue.major[rows]) / 120.0
    keep &= np.isin(catalogue.type[rows], sorted(_type_codes(types)))
    if brighter_than is not None:
        mag = _magnitude(catalogue, rows)
        nebula = np.isin(catalogue.type[rows], sorted(GROUPS["nebula"]))
        keep &= (mag <= brighter_than) | (np.isnan(mag) & nebula)
    if larger_than is not None:
        keep &= catalogue.major[rows] >= larger_than
    rows = rows[keep]
    order = np.lexsort((rows, -np.nan_to_num(catalogue.major[rows])))
    return [outline_of(row) for row in rows[order].tolist()]


def find_object(name):
    """An object by any of its names.

    Parameters
    ----------
    name : str
        ``NGC 224``, ``ngc224``, ``M31``, ``Messier 31``, ``IC 4603``, ``Caldwell 20``, a common name, or a
        number of a catalogue that OpenNGC knows (PGC, UGC, MCG, LBN, Barnard...).

    Returns
    -------
    Outline

    Raises
    ------
    InputError
        No object has that name; the message offers names that come near.

    Examples
    --------
    >>> find_object("m 31").name, find_object("Andromeda Galaxy").kind, find_object("IC 2118").name
    ('NGC 224', 'ellipse', 'NGC 1909')
    """
    index = load().index
    wanted = key(str(name))
    if wanted not in index:
        near = difflib.get_close_matches(wanted, index, n=3, cutoff=0.75)
        names = ", ".join(dict.fromkeys(str(load().name[index[one]]) for one in near))
        hint = f"near it: {names}" if near else "give a designation such as NGC 224, M31 or IC 4603"
        raise InputError(f"no deep-sky object is called {str(name)!r}; {hint}")
    return outline_of(index[wanted])


def all_objects():
    """Every object as a table, for searches over the whole sky.

    Returns
    -------
    QTable
        ``name``, ``ra, dec`` (deg, ICRF), ``major, minor`` (arcmin, full axes), ``pa`` (deg), ``type`` (in
        words), ``mag`` (V, or B where there is no V), ``row`` (for :func:`outline_of`). NaN where unknown.

    Examples
    --------
    >>> table = all_objects()
    >>> len(table) > 13000, str(table["ra"].unit)
    (True, 'deg')
    """
    catalogue = load()
    return QTable(
        {
            "name": catalogue.name,
            "ra": catalogue.ra * u.deg,
            "dec": catalogue.dec * u.deg,
            "major": catalogue.major * u.arcmin,
            "minor": catalogue.minor * u.arcmin,
            "pa": catalogue.pa * u.deg,
            "type": np.array([TYPES[code] for code in catalogue.type]),
            "mag": _magnitude(catalogue, slice(None)) * u.mag,
            "row": np.arange(len(catalogue.name)),
        },
        meta={"source": SOURCE},
    )


@lru_cache(maxsize=4096)
def outline_of(row):
    """The outline of a row of the catalogue.

    Parameters
    ----------
    row : int
        As in the column ``row`` of :func:`all_objects`.

    Returns
    -------
    Outline

    Examples
    --------
    >>> outline_of(0).source
    'OpenNGC (M. Verga, CC-BY-SA-4.0)'
    """
    catalogue = load()
    value = {
        n: float(getattr(catalogue, n)[row]) for n in ("ra", "dec", "major", "minor", "pa", "sb", "redshift")
    }
    kind, rings, note = shape_of(*(value[n] for n in ("ra", "dec", "major", "minor", "pa")))
    vmag, bmag = catalogue.vmag[row], catalogue.bmag[row]
    band = "V" if np.isfinite(vmag) else "B" if np.isfinite(bmag) else ""
    return Outline(
        name=str(catalogue.name[row]),
        kind=kind,
        ra=value["ra"],
        dec=value["dec"],
        major_arcmin=_known(value["major"]),
        minor_arcmin=_known(value["minor"]),
        pa_deg=_known(value["pa"]),
        rings=rings,
        object_type=TYPES[str(catalogue.type[row])],
        mag=_known(vmag if band == "V" else bmag),
        mag_band=band,
        surface_brightness=_known(value["sb"]),
        redshift=_known(value["redshift"]),
        other_names=catalogue.other_names[row],
        note="; ".join([part for part in (note,) if part] + catalogue.corrected.get(row, [])),
        source=SOURCE,
    )


def _known(value):
    return float(value) if np.isfinite(value) else None


def _magnitude(catalogue, rows):
    vmag = catalogue.vmag[rows]
    return np.where(np.isfinite(vmag), vmag, catalogue.bmag[rows])


def _type_codes(types):
    if types is None:
        return set(TYPES) - GROUPS["star"]
    by_word = {word: {code} for code, word in TYPES.items()}
    codes = set()
    for word in [types] if isinstance(types, str) else types:
        found = GROUPS.get(word) or by_word.get(word)
        if found is None:
            known = ", ".join([*GROUPS, *sorted(set(by_word) - set(GROUPS))])
            raise InputError(f"no kind of deep-sky object is called {word!r}; known: {known}")
        codes |= found
    return codes

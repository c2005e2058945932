"""Deep-sky objects by place and by name, as outlines that can be drawn.

The catalogue is OpenNGC by M. Verga, CC-BY-SA-4.0, through PyOngc: read once, corrected, without doubles.
Places are J2000 (ICRF), axes are full axes at the 25 mag/arcsec2 isophote in B for galaxies, by
eye for most else. An outline is an ellipse by these axes, or a polygon drawn by hand (:func:`read_polygons`).
"""

import difflib
import json
import re
import sqlite3
from contextlib import closing
from dataclasses import dataclass, field, replace
from functools import cache, cached_property, lru_cache
from importlib import resources
from pathlib import Path

import numpy as np
import shapely
from astropy import units as u
from astropy.table import QTable

from appulse.errors import InputError, TableError
from appulse.formats import angle_column, cached_arrays, find_column, number_column, read_table, text_column
from appulse.numerics import SkyPlane, radec_from_unit, separation_rad, tangent_axes, unit_from_radec

# Vertices of an ellipse: its polygon lies inside it by at most 0.1 % of the semi-axis.
VERTICES = 72

NO_ANGLE = "no position angle in the catalogue: drawn as a circle of the major axis"
ONE_AXIS = "one axis in the catalogue: drawn as a circle"
NO_SIZE = "no size in the catalogue: drawn as a point"


@dataclass(frozen=True, eq=False)
class Outline:
    """An object and the line around it.

    Attributes
    ----------
    name : str
    kind : str
        ``ellipse``, ``circle``, ``polygon`` or ``point``.
    ra, dec : float
        Centre, ICRF degrees.
    major_arcmin, minor_arcmin : float or None
        Full axes.
    pa_deg : float or None
        Of the major axis, from north through east.
    rings : tuple of (n, 2) arrays
        RA (0 to 360) and Dec, ICRF degrees, closed (the last vertex is the first). A ring within another is a
        hole. Empty for a point.
    object_type : str
        In words.
    mag : float or None
        V, or B where ``mag_band`` says so.
    surface_brightness : float or None
        mag/arcsec2, of galaxies.
    redshift : float or None
        Of galaxies.
    other_names : tuple of str
    note : str
        What the line does not tell by itself.
    source : str
    level : int or None
        Of hand-drawn outlines: 1 is the faintest.
    mag_band : str
        ``V``, ``B`` or nothing.
    """

    name: str
    kind: str
    ra: float
    dec: float
    major_arcmin: float | None = None
    minor_arcmin: float | None = None
    pa_deg: float | None = None
    rings: tuple = ()
    object_type: str = ""
    mag: float | None = None
    surface_brightness: float | None = None
    redshift: float | None = None
    other_names: tuple = ()
    note: str = ""
    source: str = ""
    level: int | None = None
    mag_band: str = ""


def ellipse_ring(ra, dec, major_arcmin, minor_arcmin, pa_deg, vertices=VERTICES):
    """Vertices of an ellipse on the sphere.

    Each vertex lies on a great circle from the centre, at the ellipse's own distance in its own position
    angle, so that the figure keeps its shape at the poles and across 0h.

    Parameters
    ----------
    ra, dec : float
        Centre, ICRF degrees.
    major_arcmin, minor_arcmin : float
        Full axes.
    pa_deg : float
        Of the major axis, from north through east.
    vertices : int

    Returns
    -------
    (vertices + 1, 2) array
        RA (0 to 360) and Dec, ICRF degrees; the last vertex is the first.

    Raises
    ------
    InputError
        A number is not finite, or an axis is not positive.

    Examples
    --------
    >>> ring = ellipse_ring(10.0, 0.0, 60.0, 30.0, 90.0, vertices=4)
    >>> (ring.round(6) + 0.0).tolist()
    [[10.5, 0.0], [10.0, -0.25], [9.5, 0.0], [10.0, 0.25], [10.5, 0.0]]
    """
    numbers = np.array([ra, dec, major_arcmin, minor_arcmin, pa_deg], dtype=float)
    if not np.isfinite(numbers).all() or min(major_arcmin, minor_arcmin) <= 0 or abs(dec) > 90:
        raise InputError(
            f"ellipse at ({ra}, {dec}) with axes {major_arcmin} x {minor_arcmin} arcmin, position angle "
            f"{pa_deg}: finite numbers, axes above zero and a declination within 90 degrees are needed"
        )
    #        N           each vertex at the distance and position angle that it has on a plane:
    #     .--|--.        along = a cos t, across = b sin t, angle = PA + atan2(across, along)
    #  E (   +---)  a    laid out on great circles from the centre, so no tangent plane bends it
    #     '-----'  b
    turn = np.linspace(0.0, 2 * np.pi, vertices + 1)[:-1]
    along, across = major_arcmin * np.cos(turn), minor_arcmin * np.sin(turn)
    distance = np.radians(np.hypot(along, across) / 120.0)[:, None]
    angle = np.radians(pa_deg) + np.arctan2(across, along)
    centre = unit_from_radec(ra, dec)
    east, north = tangent_axes(centre)
    toward = np.cos(angle)[:, None] * north + np.sin(angle)[:, None] * east
    ring = np.stack(radec_from_unit(np.cos(distance) * centre + np.sin(distance) * toward), axis=1)
    return np.concatenate([ring, ring[:1]])


def shape_of(ra, dec, major_arcmin, minor_arcmin, pa_deg):
    """Kind, rings and note of what a catalogue's axes and position angle can be drawn as."""
    if not major_arcmin > 0:
        return "point", (), NO_SIZE
    has_minor, is_round = minor_arcmin > 0, minor_arcmin == major_arcmin
    if not has_minor or is_round or not np.isfinite(pa_deg):
        note = ONE_AXIS if not has_minor else "" if is_round else NO_ANGLE
        return "circle", (ellipse_ring(ra, dec, major_arcmin, major_arcmin, 0.0),), note
    return "ellipse", (ellipse_ring(ra, dec, major_arcmin, minor_arcmin, pa_deg),), ""


_PARTS = re.compile(r"([A-Za-z]+)\s*0*(\d.*)")
_ALIASES = {"MESSIER": "M", "CALDWELL": "C", "MELOTTE": "MEL", "BARNARD": "B", "COLLINDER": "CL", "CR": "CL"}


def shown(identifier):
    """A designation as it is written: a blank after the letters, no leading zeros."""
    match = _PARTS.fullmatch(identifier.strip())
    return f"{match[1]} {match[2]}" if match else identifier.strip()


def key(text):
    """What two spellings of one name have in common."""
    packed = re.sub(r"[\s_'’.]+", "", text).upper()
    match = _PARTS.fullmatch(packed)
    if match is None:
        return packed
    return f"{_ALIASES.get(match[1], match[1])}{match[2]}"


# Two neighbouring vertices farther apart than this are taken for an error of the table.
WIDEST_STEP_DEG = 60.0


def read_polygons(path):
    """Read outlines as polygons.

    Parameters
    ----------
    path : path
        CSV, ECSV, FITS or VOTable with ``name, ra, dec`` (ICRF degrees or sexagesimal), and where known
        ``ring`` (number of a closed line of the object), ``level`` (1 the faintest) and ``type``. A row is a
        vertex; a ring that is not closed is closed. A ring within another ring of its level is a hole.

    Returns
    -------
    list of Outline
        One per name and level, in the order of the table.

    Raises
    ------
    TableError
        A column is missing, a cell is not a number, a ring has fewer than three different vertices, a level
        or ring is not a whole number, or two neighbouring vertices lie absurdly far apart.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "outline.csv"
    >>> _ = path.write_text("name,ring,ra,dec\\nIC0001,1,359.9,1\\nIC0001,1,0.1,1\\nIC0001,1,0,2\\n")
    >>> outline, = read_polygons(path)
    >>> outline.name, outline.kind, len(outline.rings[0])
    ('IC 1', 'polygon', 4)
    """
    table = read_table(path)
    if not len(table):
        raise TableError(f"{path}: no outline in it; rows of name, ra and dec (and ring, level) are wanted")
    names = text_column(table, "name", path)
    ra, dec = angle_column(table, "ra", path, hours=True), angle_column(table, "dec", path)
    level, ring = (_whole(table, column, path) for column in ("level", "ring"))
    bad = ~(np.isfinite(ra) & np.isfinite(dec)) | np.array([not name for name in names])
    if bad.any():
        raise TableError(
            f"{path}: row {int(np.argmax(bad)) + 1} lacks a name or a place; fill it in or take it out"
        )
    kinds = text_column(table, "type", path) if find_column(table, "type") else [""] * len(names)
    groups = {}
    for row, head in enumerate(zip(names, level, strict=True)):
        groups.setdefault(head, []).append(row)
    return [
        _outline(path, head, np.array(rows), ring, ra % 360.0, dec, kinds) for head, rows in groups.items()
    ]


def _whole(table, column, path):
    values = number_column(table, column, path, default=1.0)
    bad = ~np.isfinite(values) | (values != np.round(values))
    if bad.any():
        row = int(np.argmax(bad))
        raise TableError(f"{path}: column '{column}', row {row + 1}: a whole number is needed")
    return values.astype(int)


def _outline(path, head, rows, ring, ra, dec, kinds):
    name, level = head
    rings = []
    for number in dict.fromkeys(ring[rows].tolist()):
        mine = rows[ring[rows] == number]
        rings.append(_closed(np.stack([ra[mine], dec[mine]], axis=1), f"{path}: {name}, ring {number}"))
    centre, major, minor, pa = extent(rings)
    return Outline(
        name=shown(name), kind="polygon", ra=centre[0], dec=centre[1], major_arcmin=major,
        minor_arcmin=minor, pa_deg=pa, rings=tuple(rings), object_type=kinds[rows[0]] or "outline",
        note=f"drawn by hand, level {level}", source=str(getattr(path, "name", path)), level=int(level),
    )  # fmt: skip


def _closed(ring, where):
    """The ring without repeated vertices, its last vertex the first."""
    unit = unit_from_radec(ring[:, 0], ring[:, 1])
    step = separation_rad(unit, np.roll(unit, -1, axis=0))
    ring = ring[step > 1e-12]
    if len(np.unique(ring, axis=0)) < 3:
        raise TableError(f"{where}: fewer than three different vertices; an outline needs at least three")
    if np.degrees(step.max()) > WIDEST_STEP_DEG:
        raise TableError(
            f"{where}: neighbouring vertices lie {np.degrees(step.max()):.0f} degrees apart; give RA and Dec "
            "in degrees, in the order in which the line runs"
        )
    return np.concatenate([ring, ring[:1]])


def extent(rings):
    """Centre and size of the smallest rotated rectangle around rings."""
    # The mean of unit vectors is a direction also across 0h and around a pole, where that of RA is none.
    unit = unit_from_radec(*np.concatenate(rings).T).mean(axis=0)
    plane = SkyPlane(*(float(v) for v in radec_from_unit(unit)))
    points = np.concatenate([plane.from_sky(ring) for ring in rings])
    corners = np.array(shapely.minimum_rotated_rectangle(shapely.MultiPoint(points)).exterior.coords)
    sides = corners[1:3] - corners[:2]
    lengths = np.degrees(np.hypot(*sides.T)) * 60.0
    along = sides[int(np.argmax(lengths))]
    centre = plane.to_sky(corners[:4].mean(axis=0)[None])[0]
    pa = float(np.degrees(np.arctan2(along[0], along[1])) % 180.0)
    return (float(centre[0]), float(centre[1])), float(lengths.max()), float(lengths.min()), pa


SOURCE = "OpenNGC (M. Verga, CC-BY-SA-4.0)"

# Words for OpenNGC's types; doubles (`Dup`) and objects that do not exist (`NonEx`) have none.
TYPES = {
    "*": "star", "**": "double star", "*Ass": "association of stars", "OCl": "open cluster",
    "GCl": "globular cluster", "Cl+N": "star cluster with nebula", "G": "galaxy", "GPair": "pair of galaxies",
    "GTrpl": "triplet of galaxies", "GGroup": "group of galaxies", "PN": "planetary nebula",
    "HII": "ionised region", "DrkN": "dark nebula", "EmN": "emission nebula", "Neb": "nebula",
    "RfN": "reflection nebula", "SNR": "supernova remnant", "Nova": "nova", "Other": "object of unknown type",
}  # fmt: skip

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
VERSION = 1
"""Of what is kept of the catalogue: raise it when its columns, types or names are made in another way."""
# Survey numbers that find an object but tell a reader nothing.
_HIDDEN = ("SDSS", "2MASX", "2MASS", "IRAS", "TYC", "MWSC", "ESO-LV")


@dataclass(frozen=True)
class OpenNGC:
    """The catalogue's objects, arrays of one length; NaN where it has no value."""

    # name, type: Names as shown; types are keys of `TYPES`.
    # unit: Unit vectors of the centres.
    # texts: JSON of other names by row, of corrections by row, of every spelling's key to its row.

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
    unit: np.ndarray
    texts: dict = field(repr=False)

    @cached_property
    def other_names(self) -> list:
        """Other designations of each row."""
        return self._text("other_names")

    @cached_property
    def corrected(self) -> dict:
        """Row to the corrections made there, in words."""
        return {int(row): words for row, words in self._text("corrected").items()}

    @cached_property
    def index(self) -> dict:
        """Every spelling's key to its row."""
        return self._text("index")

    def _text(self, name: str):
        return json.loads(self.texts[name].tobytes())


@lru_cache(maxsize=1)
def load():
    """The catalogue, made once and then mapped from the user's cache."""
    from pyongc.ongc import DBPATH

    with resources.as_file(resources.files("appulse.data") / "outline_corrections.ecsv") as path:
        arrays = dict(cached_arrays("deep-sky", [Path(DBPATH), path], lambda: _arrays(path), VERSION))
    texts = {name: arrays.pop(name) for name in ("other_names", "corrected", "index")}
    return OpenNGC(**arrays, texts=texts)


def _arrays(corrections):
    """Columns of the catalogue, and what goes with them as JSON."""
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
    corrected = _correct(columns, common, rows_by_name, corrections)
    aliases = [_aliases(row) for row in kept]
    # A redshift of something in the Milky Way is its radial velocity and tells no distance.
    columns["redshift"][[row[1] not in GROUPS["galaxy"] for row in kept]] = np.nan
    other_names = [
        list(dict.fromkeys(n for n in (*more, *names) if not n.startswith(_HIDDEN)))
        for more, names in zip(common, aliases, strict=True)
    ]
    texts = {
        "other_names": other_names, "corrected": corrected,
        "index": _index(rows, rows_by_name, aliases, common),
    }  # fmt: skip
    return {
        "name": np.array([shown(row[0]) for row in kept]), "type": np.array([row[1] for row in kept]),
        **columns, "unit": unit_from_radec(columns["ra"] % 360.0, columns["dec"]),
        **{name: np.frombuffer(json.dumps(text).encode(), dtype=np.uint8) for name, text in texts.items()},
    }  # fmt: skip


def _read_database():
    from pyongc.ongc import DBPATH

    with closing(sqlite3.connect(f"{Path(DBPATH).as_uri()}?mode=ro", uri=True)) as database:
        return database.execute(f"SELECT {_COLUMNS} FROM objects ORDER BY id").fetchall()  # noqa: S608 (own words)


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


def _correct(columns, common, rows_by_name, path):
    """Put the sourced corrections in place; returns the words about them by row."""
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


# More than the semi-axis of the largest object (the Large Magellanic Cloud, 5.4 degrees).
WIDEST_DEG = 6.0


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
    unit = np.asarray(catalogue.unit)
    rows = np.flatnonzero(np.linalg.norm(unit - centre, axis=1) <= 2.0 * np.sin(reach / 2.0))
    away = np.degrees(separation_rad(unit[rows], centre)) if len(rows) else np.empty(0)
    # These are centres only: what is sought reaches in by its semi-axis (full axis in arcmin / 120).
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
        Called as it was asked for, in the catalogue's spelling; its main name is among the others.

    Raises
    ------
    InputError
        No object has that name; the message offers names that come near.

    Examples
    --------
    >>> find_object("m 31").name, find_object("Andromeda Galaxy").kind, find_object("IC 2118").name
    ('M 31', 'ellipse', 'IC 2118')
    """
    index = load().index
    wanted = key(str(name))
    if wanted not in index:
        near = difflib.get_close_matches(wanted, index, n=3, cutoff=0.75)
        names = ", ".join(dict.fromkeys(str(load().name[index[spelling]]) for spelling in near))
        hint = f"near it: {names}" if near else "give a designation such as NGC 224, M31 or IC 4603"
        raise InputError(f"no deep-sky object is called {str(name)!r}; {hint}")
    return _named_as(outline_of(index[wanted]), wanted)


def _named_as(outline, wanted):
    """The outline under the name it was asked for; the catalogue's own is the first of the others."""
    names = (outline.name, *outline.other_names)
    called = next((name for name in names if key(name) == wanted), outline.name)
    return replace(outline, name=called, other_names=tuple(name for name in names if name != called))


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
    columns = {
        "name": catalogue.name, "ra": catalogue.ra * u.deg, "dec": catalogue.dec * u.deg,
        "major": catalogue.major * u.arcmin, "minor": catalogue.minor * u.arcmin, "pa": catalogue.pa * u.deg,
        "type": np.array([TYPES[code] for code in catalogue.type]),
        "mag": _magnitude(catalogue, slice(None)) * u.mag, "row": np.arange(len(catalogue.name)),
    }  # fmt: skip
    return QTable(columns, meta={"source": SOURCE})


@cache  # a search of the whole catalogue comes back to each object
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
        name=str(catalogue.name[row]), kind=kind, ra=value["ra"], dec=value["dec"],
        major_arcmin=_known(value["major"]), minor_arcmin=_known(value["minor"]),
        pa_deg=_known(value["pa"]), rings=rings, object_type=TYPES[str(catalogue.type[row])],
        mag=_known(vmag if band == "V" else bmag), mag_band=band, surface_brightness=_known(value["sb"]),
        redshift=_known(value["redshift"]), other_names=tuple(catalogue.other_names[row]),
        note="; ".join([part for part in (note,) if part] + catalogue.corrected.get(row, [])),
        source=SOURCE,
    )  # fmt: skip


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

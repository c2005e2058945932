"""Outlines drawn by hand, from a table of vertices."""

from __future__ import annotations

import numpy as np
import shapely

from appulse.catalogues.names import shown
from appulse.catalogues.outlines import Outline
from appulse.errors import TableError
from appulse.formats.tables import angle_column, find_column, number_column, read_table, text_column
from appulse.numerics.skyplane import SkyPlane
from appulse.numerics.spherical import radec_from_unit, separation_rad, unit_from_radec

WIDEST_STEP_DEG = 60.0
"""Two neighbouring vertices farther apart than this are taken for an error of the table."""


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
        A column is missing, a cell is no number, a ring has fewer than three different vertices, a level or
        ring is no whole number, or two neighbouring vertices lie absurdly far apart.

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
        name=shown(name),
        kind="polygon",
        ra=centre[0],
        dec=centre[1],
        major_arcmin=major,
        minor_arcmin=minor,
        pa_deg=pa,
        rings=tuple(rings),
        object_type=kinds[rows[0]] or "outline",
        note=f"drawn by hand, level {level}",
        source=str(getattr(path, "name", path)),
        level=int(level),
    )


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
    """Centre and size of the smallest rotated rectangle around rings.

    Parameters
    ----------
    rings : sequence of (n, 2) arrays, ICRF degrees

    Returns
    -------
    centre : (float, float), degrees
    major_arcmin, minor_arcmin, pa_deg : float
        Sides of the rectangle in the azimuthal equidistant plane about the vertices' mean direction.

    Examples
    --------
    >>> from appulse.catalogues.outlines import ellipse_ring
    >>> centre, major, minor, pa = extent([ellipse_ring(359.9, 60.0, 60.0, 20.0, 30.0, vertices=720)])
    >>> round(centre[0], 3), round(major, 1), round(minor, 1), round(pa)
    (359.9, 60.0, 20.0, 30)
    """
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

"""Outlines of the sky on a frame: projected, cut at its edges, never without a number.

::

    ring on the sky -> plane about the frame's centre (whole sky) -> cut by the frame's footprint there
                    -> more vertices along great circles -> pixels -> cut by the frame's rectangle

The first cut takes away what the frame's projection has no place for (the far side of the sky, the region
where a distortion polynomial turns back), so that only places within or next to the frame are projected.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from appulse.catalogues import ellipse_ring
from appulse.errors import InputError
from appulse.numerics import SkyPlane, along_great_circles, separation_rad, unit_from_radec

EDGE_STEPS = 24
"""Points on each edge of the footprint: a distorted edge is followed to a small part of a pixel."""
SLACK_PX = 4.0
"""The first cut lies this far outside the second."""
STEP_PX = 20.0
"""Longest step between projected vertices: sag below 0.01 px in any usual projection."""
SAG_PX = 0.02
"""Sag allowed between the vertices of an ellipse."""
_SAFE_RAD = np.radians(89.0)


@dataclass(frozen=True)
class PixelPolygon:
    """A piece of an outline on a frame, zero-based pixels.

    Attributes
    ----------
    name : str
    exterior : (n, 2) array
        x, y; closed.
    holes : tuple of (m, 2) arrays
    strokes : tuple of (k, 2) arrays
        The outline's own line without the parts that run along the cut; empty when the frame lies within.
    where : str
        ``wholly`` in the frame, ``partly``, or ``around`` it.
    """

    name: str
    exterior: np.ndarray
    holes: tuple
    strokes: tuple
    where: str


def outline_in_frame(frame, outline, margin_px=0.0):
    """The part of an outline that shows on a frame.

    Parameters
    ----------
    frame : SolvedFrame
    outline : Outline
    margin_px : float
        Kept beyond the frame's edges.

    Returns
    -------
    list of PixelPolygon
        Largest first; empty when it does not reach the frame. A point has no polygon: see
        :func:`place_in_frame`.

    Raises
    ------
    InputError
        The margin is negative or not finite, or a vertex is not finite.

    Examples
    --------
    >>> from astropy.wcs import WCS
    >>> from appulse.catalogues.deepsky import find_object
    >>> from appulse.frames.frame import SolvedFrame
    >>> wcs = WCS(naxis=2)
    >>> wcs.wcs.ctype, wcs.wcs.cdelt = ["RA---TAN", "DEC--TAN"], [-0.001, 0.001]
    >>> wcs.wcs.crval, wcs.wcs.crpix = [246.352, -24.468], [200.5, 200.5]
    >>> frame = SolvedFrame.from_arrays(np.zeros((400, 400)), wcs)
    >>> piece, = outline_in_frame(frame, find_object("IC 4603"))
    >>> piece.where, [round(float(v)) for v in np.ptp(piece.exterior, axis=0)]
    ('wholly', [333, 333])
    """
    if not (np.isfinite(margin_px) and margin_px >= 0):
        raise InputError(f"margin of {margin_px} pixels: a finite number, zero or more, is needed")
    rings = [_vertices(outline, ring, frame) for ring in outline.rings]
    if not rings or not _near(frame, rings, margin_px):
        return []
    step_rad = np.radians(frame.pixel_scale * STEP_PX / 3600.0)
    if len(rings) == 1 and (whole := _whole(frame, outline.name, along_great_circles(rings[0], step_rad))):
        return [whole]
    plane = SkyPlane(*frame.centre)
    footprint = _footprint(frame, plane, margin_px + SLACK_PX)
    area = _even_odd([plane.from_sky(along_great_circles(ring, step_rad)) for ring in rings])
    lines = [shapely.LineString(part) for part in _boundaries(area)]
    ny, nx = frame.shape
    rectangle = shapely.box(-0.5 - margin_px, -0.5 - margin_px, nx - 0.5 + margin_px, ny - 0.5 + margin_px)
    project = _projector(frame, plane)
    cut = _polygons(area.intersection(footprint))
    pieces = [part for area in cut for part in _polygons(_mapped(area, project).intersection(rectangle))]
    strokes = _strokes(lines, footprint, project, rectangle)
    found = [_piece(outline.name, piece, strokes, rectangle) for piece in pieces]
    return sorted(found, key=lambda piece: -shapely.Polygon(piece.exterior).area)


def place_in_frame(frame, outline):
    """Zero-based pixels (x, y) of an outline's centre; None where the frame has no place for it."""
    x, y = frame.to_pixel(outline.ra, outline.dec)
    return (float(x), float(y)) if np.isfinite(x) and np.isfinite(y) else None


def _vertices(outline, ring, frame):
    """A ring's vertices; an ellipse gets as many as its size in pixels needs."""
    ring = np.asarray(ring, dtype=float)
    if not np.isfinite(ring).all():
        raise InputError(f"{outline.name}: a vertex of its outline is not a finite number")
    if outline.kind not in ("ellipse", "circle"):
        return ring
    semi_px = outline.major_arcmin * 30.0 / frame.pixel_scale
    # A chord of n sags by semi (1 - cos(pi / n)).
    needed = int(np.ceil(np.pi / np.sqrt(2.0 * SAG_PX / max(semi_px, 1.0))))
    if needed <= len(ring) - 1:
        return ring
    minor = outline.minor_arcmin if outline.kind == "ellipse" else outline.major_arcmin
    angle = outline.pa_deg if outline.kind == "ellipse" else 0.0
    return ellipse_ring(
        outline.ra, outline.dec, outline.major_arcmin, minor, angle, min(4 * (needed // 4 + 1), 2000)
    )


def _near(frame, rings, margin_px):
    """Whether any ring can reach the frame: a cheap test before the costly ones."""
    centre = unit_from_radec(*frame.centre)
    reach = np.radians(frame.radius_deg + (margin_px + SLACK_PX) * frame.pixel_scale * 1.5 / 3600.0)
    for ring in rings:
        unit = unit_from_radec(ring[:, 0], ring[:, 1])
        middle = unit.mean(axis=0)
        # a ring around half the sky has no middle to measure from
        if np.linalg.norm(middle) < 0.1:
            return True
        extent = separation_rad(unit, middle).max()
        if separation_rad(middle, centre) <= extent + reach:
            return True
    return False


def _whole(frame, name, ring):
    """The one piece of a ring that lies in the frame with all its vertices, without any cutting."""
    away = separation_rad(unit_from_radec(ring[:, 0], ring[:, 1]), unit_from_radec(*frame.centre))
    if np.degrees(away.max()) > frame.radius_deg:
        return None
    pixels = np.stack(frame.to_pixel(ring[:, 0], ring[:, 1]), axis=1)
    inside = (pixels > -0.5) & (pixels < np.array(frame.shape[::-1]) - 0.5)
    if not inside.all() or not shapely.Polygon(pixels).is_valid:
        return None
    return PixelPolygon(name, pixels, (), (pixels,), "wholly")


def _footprint(frame, plane, margin_px):
    """The frame's edge with a margin, in the plane; a large disc where the frame shows more than the sky."""
    ny, nx = frame.shape
    along = np.linspace(0.0, 1.0, EDGE_STEPS, endpoint=False)
    low, right, top = -0.5 - margin_px, nx - 0.5 + margin_px, ny - 0.5 + margin_px
    x = np.concatenate(
        [low + along * (right - low), 0 * along + right, right - along * (right - low), 0 * along + low]
    )
    y = np.concatenate(
        [0 * along + low, low + along * (top - low), 0 * along + top, top - along * (top - low)]
    )
    ra, dec = frame.to_sky(x, y)
    # the frame shows more than the sky: its edge has no place on it
    if not np.isfinite(ra + dec).all():
        return shapely.Point(0.0, 0.0).buffer(_SAFE_RAD, quad_segs=64)
    return _valid(shapely.Polygon(plane.from_sky(np.stack([ra, dec], axis=1))))


def _projector(frame, plane):
    def project(points):
        sky = plane.to_sky(points)
        pixels = np.stack(frame.to_pixel(sky[:, 0], sky[:, 1]), axis=1)
        return pixels[np.isfinite(pixels).all(axis=1)]

    return project


def _valid(shape):
    return shape if shape.is_valid else shapely.make_valid(shape)


def _even_odd(rings):
    """One area out of rings: a ring within another is a hole."""
    area = shapely.Polygon()
    for ring in rings:
        # even-odd, as every polygon of the catalogue is meant
        area = area.symmetric_difference(_valid(shapely.Polygon(ring)))
    return area


def _polygons(shape):
    if shape.geom_type == "Polygon":
        return [shape] if not shape.is_empty else []
    return [polygon for part in getattr(shape, "geoms", ()) for polygon in _polygons(part)]


def _lines(shape):
    if shape.geom_type in ("LineString", "LinearRing"):
        return [shape] if not shape.is_empty else []
    return [line for part in getattr(shape, "geoms", ()) for line in _lines(part)]


def _boundaries(area):
    return [ring.coords for part in _polygons(area) for ring in (part.exterior, *part.interiors)]


def _mapped(polygon, project):
    exterior = project(np.array(polygon.exterior.coords))
    holes = [project(np.array(ring.coords)) for ring in polygon.interiors]
    if len(exterior) < 3:
        return shapely.Polygon()
    return _valid(shapely.Polygon(exterior, [hole for hole in holes if len(hole) >= 3]))


def _strokes(lines, footprint, project, rectangle):
    """The outline's own line within the rectangle, in pixels."""
    parts = []
    for line in lines:
        for piece in _lines(_merged(line.intersection(footprint))):
            pixels = project(np.array(piece.coords))
            if len(pixels) >= 2:
                parts += _lines(_merged(shapely.LineString(pixels).intersection(rectangle)))
    return [np.array(part.coords) for part in parts]


def _merged(shape):
    return shapely.line_merge(shape) if shape.geom_type == "MultiLineString" else shape


def _piece(name, polygon, strokes, rectangle):
    mine = tuple(line for line in strokes if shapely.LineString(line).distance(polygon) < 1e-6)
    # no line of its own shows: the whole frame lies within
    if polygon.equals(rectangle) or not mine:
        where = "around"
    elif polygon.boundary.intersection(rectangle.boundary).length > 0:
        where = "partly"
    else:
        where = "wholly"
    holes = tuple(np.array(ring.coords) for ring in polygon.interiors)
    return PixelPolygon(name, np.array(polygon.exterior.coords), holes, mine, where)

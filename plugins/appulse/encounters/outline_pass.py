"""A body's path against the outline of an object: inside or not, entry and exit, length of the chord.

Path and outline are laid on the plane that touches the sphere at the object's centre; both are small there.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
import shapely

from appulse.numerics.sphere import unit_from_radec

ARCMIN_PER_RAD = 180 * 60 / np.pi
_HALF_CIRCLE = np.linspace(0.0, 2 * np.pi, 181)[:-1]


@dataclass(frozen=True)
class Crossing:
    """What the path does to the outline.

    Attributes
    ----------
    distance_arcmin : float
        Least distance of the path from the outline; 0 when it goes inside.
    inside : bool
        The path goes inside.
    enters_d, leaves_d : float
        Times of the first entry and the last exit, NaN when there is none in the span.
    chord_arcmin : float
        Length of path inside.
    """

    distance_arcmin: float
    inside: bool
    enters_d: float
    leaves_d: float
    chord_arcmin: float


def plane(unit, ra_deg, dec_deg):
    """Gnomonic coordinates about a centre, arcmin: east and north; NaN on the far hemisphere.

    Examples
    --------
    >>> plane(np.array([[1.0, 0.0, 0.0]]), 0.0, 0.0).round(9).tolist()
    [[0.0, 0.0]]
    """
    a = np.radians(ra_deg)
    centre = unit_from_radec(ra_deg, dec_deg)
    east = np.array([-np.sin(a), np.cos(a), 0.0])
    north = np.cross(centre, east)
    depth = unit @ centre
    depth = np.where(depth > 0.05, depth, np.nan)
    return np.stack([unit @ east, unit @ north], axis=-1) / depth[..., None] * ARCMIN_PER_RAD


def outline_shape(outline):
    """Polygon of an outline about its own centre, arcmin east and north; None for a point.

    Parameters
    ----------
    outline : Outline
        Its rings when it is a polygon, else its axes and position angle.

    Returns
    -------
    shapely geometry or None
    """
    if outline.kind == "polygon":
        directions = [unit_from_radec(*np.asarray(ring).T) for ring in outline.rings]
        rings = [plane(unit, outline.ra, outline.dec) for unit in directions]
        shapes = [shapely.make_valid(shapely.Polygon(ring)) for ring in rings if np.isfinite(ring).all()]
        # a ring inside another is a hole: points inside an odd number of rings count
        return functools.reduce(shapely.symmetric_difference, shapes) if shapes else None
    if outline.kind == "point" or not outline.major_arcmin:
        return None
    major = outline.major_arcmin / 2
    minor = (outline.minor_arcmin or outline.major_arcmin) / 2 if outline.kind == "ellipse" else major
    pa = np.radians(outline.pa_deg or 0.0)
    along, beside = major * np.cos(_HALF_CIRCLE), minor * np.sin(_HALF_CIRCLE)
    east = along * np.sin(pa) + beside * np.cos(pa)
    north = along * np.cos(pa) - beside * np.sin(pa)
    return shapely.Polygon(np.stack([east, north], axis=1))


def cross(shape, points_arcmin, t_d):
    """Path against outline.

    Parameters
    ----------
    shape : shapely geometry
        From :func:`outline_shape`.
    points_arcmin : (k, 2) array
        Path on the same plane.
    t_d : (k,) array
        Its times.

    Returns
    -------
    Crossing

    Examples
    --------
    >>> square = shapely.box(-1, -1, 1, 1)
    >>> found = cross(square, np.array([[-3.0, 0.5], [3.0, 0.5]]), np.array([0.0, 6.0]))
    >>> found.inside, found.enters_d, found.leaves_d, found.chord_arcmin
    (True, 2.0, 4.0, 2.0)
    """
    good = np.isfinite(points_arcmin).all(axis=1)
    points, times = points_arcmin[good], np.asarray(t_d)[good]
    if len(points) < 2:
        return Crossing(np.inf, False, np.nan, np.nan, 0.0)
    track = shapely.LineString(points)
    within = shapely.intersection(track, shape)
    if within.is_empty or within.length == 0:
        return Crossing(float(shapely.distance(track, shape)), False, np.nan, np.nan, 0.0)
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    ends = _ends_along(track, shape, within)
    enters = np.nan if _contains(shape, points[0]) else float(np.interp(ends[0], run, times))
    leaves = np.nan if _contains(shape, points[-1]) else float(np.interp(ends[-1], run, times))
    return Crossing(0.0, True, enters, leaves, float(within.length))


def _ends_along(track, shape, within):
    """First and last distance along the track at which it lies inside.

    A looping track may pass one point twice, so that projecting points back on it could pick the wrong
    passage; the sides of its own segments are asked instead.
    """
    coordinates = np.asarray(track.coords)
    segments = shapely.linestrings(np.stack([coordinates[:-1], coordinates[1:]], axis=1))
    inside = np.flatnonzero(shapely.length(shapely.intersection(segments, shape)) > 0)
    start = np.concatenate([[0.0], np.cumsum(shapely.length(segments))])
    first, last = inside[0], inside[-1]
    piece = np.asarray(shapely.get_coordinates(shapely.intersection(segments[first], shape)))
    other = np.asarray(shapely.get_coordinates(shapely.intersection(segments[last], shape)))
    return (
        start[first] + np.linalg.norm(piece - coordinates[first], axis=1).min(),
        start[last] + np.linalg.norm(other - coordinates[last], axis=1).max(),
    )


def _contains(shape, point):
    return bool(shapely.intersects_xy(shape, point[0], point[1]))

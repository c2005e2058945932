"""A body's path against the outline of an object: inside or not, entry and exit, length of the chord.

Path and outline are projected on the plane that touches the sphere at the object's centre.

::

          .--~~~--.
     x---/--chord--\\---->  path        enters, leaves: where it crosses the rim
         (  centre  )
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
import shapely

from appulse.numerics import radec_from_unit, tangent_axes, unit_from_radec

ARCMIN_PER_RAD = 180 * 60 / np.pi
_HALF_CIRCLE = np.linspace(0.0, 2 * np.pi, 181)[:-1]


@dataclass(frozen=True)
class Crossing:
    """What the path does to the outline."""

    distance_arcmin: float  # least distance of the path from the outline, 0 when it goes inside
    inside: bool
    enters_d: float  # times of the first entry and the last exit, NaN when there is none in the span
    leaves_d: float
    chord_arcmin: float  # length of path inside


def plane(unit, ra_deg, dec_deg):
    """Gnomonic coordinates about a centre, arcmin: east and north; NaN on the far hemisphere.

    Examples
    --------
    >>> plane(np.array([[1.0, 0.0, 0.0]]), 0.0, 0.0).round(9).tolist()
    [[0.0, 0.0]]
    """
    centre = unit_from_radec(ra_deg, dec_deg)
    return on_planes(unit, centre, *tangent_axes(centre))


def on_planes(unit, centre, east, north):
    """The same of directions (k, 3) about one centre (3,), or each about its own (k, 3)."""
    if centre.ndim == 1:
        depth, right, up = (unit @ axis for axis in (centre, east, north))
    else:
        depth, right, up = (np.einsum("ij,ij->i", unit, axis) for axis in (centre, east, north))
    # Near 90 degrees from the centre the plane runs away to infinity, beyond it the sky would fold back.
    depth = np.where(depth > 0.05, depth, np.nan)
    return np.stack([right, up], axis=-1) / depth[..., None] * ARCMIN_PER_RAD


def radec_of_plane(point_arcmin, ra_deg, dec_deg):
    """Inverse of :func:`plane` for one point: RA and Dec, degrees."""
    xi, eta = point_arcmin / ARCMIN_PER_RAD
    centre = unit_from_radec(ra_deg, dec_deg)
    east, north = tangent_axes(centre)
    ra, dec = radec_from_unit(centre + xi * east + eta * north)
    return float(ra), float(dec)


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
        # A ring inside another is a hole: points inside an odd number of rings count.
        return functools.reduce(shapely.symmetric_difference, shapes) if shapes else None
    if outline.kind == "point" or not outline.major_arcmin:
        return None
    major = outline.major_arcmin / 2
    minor = (outline.minor_arcmin or outline.major_arcmin) / 2 if outline.kind == "ellipse" else major
    pa = np.radians(outline.pa_deg or 0.0)
    # position angles run from north through east: the major axis points (sin pa, cos pa)
    along, beside = major * np.cos(_HALF_CIRCLE), minor * np.sin(_HALF_CIRCLE)
    east = along * np.sin(pa) + beside * np.cos(pa)
    north = along * np.cos(pa) - beside * np.sin(pa)
    return shapely.Polygon(np.stack([east, north], axis=1))


def crosses(shapes, points_arcmin, t_d, starts):
    """What each of many paths does to its outline.

    Parameters
    ----------
    shapes : sequence of shapely geometries, length n
        Outlines, arcmin, each about its own centre (:func:`outline_shape`).
    points_arcmin : array, shape (k, 2)
        All paths one after another, in the planes of their outlines (:func:`plane`); NaN: no place.
    t_d : array, shape (k,)
        Times of the points, in any unit and from any zero: entries and exits come in the same.
    starts : array of int, shape (n + 1,)
        The i-th path are the points from ``starts[i]`` to ``starts[i + 1]``.

    Returns
    -------
    list of Crossing, length n

    Examples
    --------
    >>> square = shapely.box(-1.0, -1.0, 1.0, 1.0)
    >>> [found] = crosses([square], np.array([[-3.0, 0.0], [3.0, 0.0]]), np.array([0.0, 6.0]), [0, 2])
    >>> found.enters_d, found.leaves_d, found.chord_arcmin
    (2.0, 4.0, 2.0)
    """
    good = np.isfinite(points_arcmin).all(axis=1)
    path = np.repeat(np.arange(len(shapes)), np.diff(starts))[good]
    points, times = points_arcmin[good], np.asarray(t_d)[good]
    ends = np.concatenate([[0], np.cumsum(np.bincount(path, minlength=len(shapes)))])
    drawn = np.diff(ends) >= 2
    tracks = np.full(len(shapes), None, dtype=object)
    keep = drawn[path]
    tracks[drawn] = shapely.linestrings(points[keep], indices=(np.cumsum(drawn) - 1)[path[keep]])
    distances = shapely.distance(tracks, np.array(shapes, dtype=object))
    found = []
    for i, distance in enumerate(distances.tolist()):
        here = slice(ends[i], ends[i + 1])
        if not drawn[i]:
            found.append(Crossing(np.inf, False, np.nan, np.nan, 0.0))
        elif distance > 0.0:
            found.append(Crossing(distance, False, np.nan, np.nan, 0.0))
        else:
            found.append(_inside(shapes[i], tracks[i], points[here], times[here], distance))
    return found


def _inside(shape, track, points, times, distance):
    """A path that meets the outline."""
    within = shapely.intersection(track, shape)
    if within.is_empty or within.length == 0:
        return Crossing(distance, False, np.nan, np.nan, 0.0)
    # Entry and exit are looked up by the distance run along the path, which rises even where the path loops.
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    ends = _ends_along(track, shape, within)
    # A path that begins or ends inside has no entry or exit that could be timed.
    enters = np.nan if _contains(shape, points[0]) else float(np.interp(ends[0], run, times))
    leaves = np.nan if _contains(shape, points[-1]) else float(np.interp(ends[-1], run, times))
    return Crossing(0.0, True, enters, leaves, float(within.length))


def _ends_along(track, shape, within):
    """First and last distance along the track at which it lies inside."""
    # A looping track may pass one point twice, so that projecting points back on it could pick the wrong
    # passage; its own segments are intersected instead.
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

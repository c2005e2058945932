"""What a deep-sky object looks like on the sky: a centre, axes or polygons, and honest words about both."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from appulse.errors import InputError
from appulse.numerics.spherical import radec_from_unit, tangent_axes, unit_from_radec

VERTICES = 72
"""Vertices of an ellipse: its polygon lies inside it by at most 0.1 % of the semi-axis."""

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
    """Kind, rings and note of what a catalogue's axes and position angle can be drawn as.

    Parameters
    ----------
    ra, dec : float
        Degrees.
    major_arcmin, minor_arcmin, pa_deg : float
        NaN where the catalogue has none.

    Returns
    -------
    kind : str
    rings : tuple
    note : str
        Empty where nothing needs saying.

    Examples
    --------
    >>> shape_of(10.0, 20.0, 30.0, 10.0, np.nan)[::2]
    ('circle', 'no position angle in the catalogue: drawn as a circle of the major axis')
    >>> shape_of(10.0, 20.0, np.nan, np.nan, np.nan)[::2]
    ('point', 'no size in the catalogue: drawn as a point')
    """
    if not major_arcmin > 0:
        return "point", (), NO_SIZE
    if not minor_arcmin > 0:
        return "circle", (ellipse_ring(ra, dec, major_arcmin, major_arcmin, 0.0),), ONE_AXIS
    if minor_arcmin == major_arcmin:
        return "circle", (ellipse_ring(ra, dec, major_arcmin, major_arcmin, 0.0),), ""
    if not np.isfinite(pa_deg):
        return "circle", (ellipse_ring(ra, dec, major_arcmin, major_arcmin, 0.0),), NO_ANGLE
    return "ellipse", (ellipse_ring(ra, dec, major_arcmin, minor_arcmin, pa_deg),), ""

"""Directions on the sphere with bare floats: vectors, separations, offsets, ellipses, and a plane of the sky.

Right ascensions and declinations are degrees where a name says ``deg``; everything else is in radians.
Separations and angles go through vectors or arctan2: neither arcsecond nor antipodal pairs lose digits.
"""

import numpy as np


def unit_from_radec(ra_deg, dec_deg):
    """Unit vectors of directions.

    Parameters
    ----------
    ra_deg, dec_deg : arrays of one shape (...), degrees

    Returns
    -------
    unit : (..., 3) array

    Examples
    --------
    >>> unit_from_radec(90.0, 0.0).round(12) + 0.0
    array([0., 1., 0.])
    """
    ra, dec = np.radians(ra_deg), np.radians(dec_deg)
    cos_dec = np.cos(dec)
    return np.stack([cos_dec * np.cos(ra), cos_dec * np.sin(ra), np.sin(dec) + 0.0 * ra], axis=-1)


def radec_from_unit(vector):
    """Right ascension (0 to 360) and declination, degrees, of vectors of any length.

    Parameters
    ----------
    vector : (..., 3) array

    Returns
    -------
    ra_deg, dec_deg : (...) arrays

    Examples
    --------
    >>> [float(v) for v in radec_from_unit(np.array([0.0, -2.0, 0.0]))]
    [270.0, 0.0]
    """
    x, y, z = np.moveaxis(np.asarray(vector, dtype=float), -1, 0)
    ra = np.degrees(np.arctan2(y, x)) % 360.0
    # A tiny negative angle, taken modulo 360, rounds to 360 itself.
    return np.where(ra >= 360.0, 0.0, ra), np.degrees(np.arctan2(z, np.hypot(x, y)))


def separation_rad(a, b):
    """Angle between vectors, good at every size (half-angle form of Kahan).

    Parameters
    ----------
    a, b : (..., 3) arrays of any length but zero

    Returns
    -------
    angle : (...) array, rad

    Examples
    --------
    >>> float(separation_rad(np.array([1.0, 0.0, 0.0]), np.array([1.0, 1e-9, 0.0])))
    1e-09
    """
    a, b = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
    na, nb = np.linalg.norm(a, axis=-1, keepdims=True), np.linalg.norm(b, axis=-1, keepdims=True)
    #        u                 The angle at the apex of an isosceles triangle: 2 atan(|u-v| / |u+v|).
    #      / |  u - v          arccos(u.v) would lose half the digits of small angles,
    #     O--v                 arcsin(|u x v|) those near 90 degrees.
    u, v = a * nb, b * na
    return 2.0 * np.arctan2(np.linalg.norm(u - v, axis=-1), np.linalg.norm(u + v, axis=-1))


def tangent_axes(a):
    """East and north unit vectors at a direction; at a pole east is the direction of RA 90 degrees.

    Parameters
    ----------
    a : (..., 3) array

    Returns
    -------
    east, north : (..., 3) arrays

    Examples
    --------
    >>> tangent_axes(np.array([1.0, 0.0, 0.0]))
    (array([-0.,  1.,  0.]), array([-0., -0.,  1.]))
    """
    a = np.asarray(a, dtype=float)
    a = a / np.linalg.norm(a, axis=-1, keepdims=True)
    x, y, z = np.moveaxis(a, -1, 0)
    # At a pole every direction is south: east is then that of RA 90 degrees, and nothing is divided by zero.
    rho = np.hypot(x, y)
    pole = rho < 1e-300
    safe = np.where(pole, 1.0, rho)
    cos_ra, sin_ra = np.where(pole, 1.0, x / safe), np.where(pole, 0.0, y / safe)
    east = np.stack([-sin_ra, cos_ra, np.zeros_like(x)], axis=-1)
    north = np.stack([-z * cos_ra, -z * sin_ra, rho], axis=-1)
    return east, north


def axes_from_radec(ra_deg, dec_deg):
    """East and north unit vectors of places in degrees; defined at a pole, too, by the RA given there.

    Examples
    --------
    >>> east, north = axes_from_radec(90.0, 90.0)
    >>> east.round(9).tolist(), north.round(9).tolist()
    ([-1.0, 0.0, 0.0], [-0.0, -1.0, 0.0])
    """
    ra, dec = np.radians(ra_deg), np.radians(dec_deg)
    east = np.stack([-np.sin(ra), np.cos(ra), np.zeros_like(ra)], axis=-1)
    return east, np.stack([-np.sin(dec) * np.cos(ra), -np.sin(dec) * np.sin(ra), np.cos(dec)], axis=-1)


def offsets_rad(centre, direction):
    """Gnomonic (tangent-plane) offsets xi to the east and eta to the north.

    Parameters
    ----------
    centre, direction : (..., 3) arrays

    Returns
    -------
    xi, eta : (...) arrays, rad; NaN on the far hemisphere, which the tangent plane does not reach

    Examples
    --------
    >>> xi, eta = offsets_rad(unit_from_radec(0.0, 0.0), unit_from_radec(45.0, 0.0))
    >>> round(float(xi), 12), round(float(eta), 12)
    (1.0, 0.0)
    """
    centre = np.asarray(centre, dtype=float)
    east, north = tangent_axes(centre)
    depth = _dot(direction, centre / np.linalg.norm(centre, axis=-1, keepdims=True))
    # Behind the observer a point would be projected upside down, and nobody would see that it is wrong.
    depth = np.where(depth > 0, depth, np.nan)
    return _dot(direction, east) / depth, _dot(direction, north) / depth


def ellipse_from_cov(cov):
    """Axes and position angle of a 2 x 2 covariance on the sky.

    Parameters
    ----------
    cov : (..., 2, 2) array
        Covariance of (east, north), any unit squared.

    Returns
    -------
    major, minor : (...) arrays, one sigma, the unit of the input
    pa_rad : (...) array, rad in [0, pi), of the major axis from north through east

    Examples
    --------
    Errors 0.3 and 0.2 with correlation 0.5:

    >>> major, minor, pa = ellipse_from_cov(np.array([[0.09, 0.03], [0.03, 0.04]]))
    >>> round(float(major), 5), round(float(minor), 5), round(float(np.degrees(pa)), 3)
    (0.32257, 0.16109, 64.903)
    """
    cov = np.asarray(cov, dtype=float)
    east, north, mixed = cov[..., 0, 0], cov[..., 1, 1], 0.5 * (cov[..., 0, 1] + cov[..., 1, 0])
    mean, half = 0.5 * (east + north), 0.5 * (north - east)
    spread = np.hypot(half, mixed)
    major2 = mean + spread
    # The determinant over the larger root keeps the digits of a needle-thin ellipse's minor axis.
    minor2 = np.where(major2 > 0, (east * north - mixed**2) / np.where(major2 > 0, major2, 1.0), 0.0)
    pa = np.mod(0.5 * np.arctan2(mixed, half), np.pi)
    return np.sqrt(np.maximum(major2, 0.0)), np.sqrt(np.maximum(minor2, 0.0)), np.where(pa >= np.pi, 0.0, pa)


def _dot(a, b):
    return np.einsum("...i,...i->...", np.asarray(a, dtype=float), np.asarray(b, dtype=float))


class SkyPlane:
    """Azimuthal equidistant plane: distance from the centre and position angle are the true ones.

    Unlike the tangent plane it has a place for every direction (the antipode becomes a circle of radius pi),
    so nothing is lost behind the observer, at a pole or across 0h. It serves the planar geometry of outlines
    (areas, intersections), never pixels: those have a projection of their own, :mod:`appulse.frames.wcs`.

    Parameters
    ----------
    ra_deg, dec_deg : float
        Centre.

    Examples
    --------
    >>> plane = SkyPlane(0.0, 90.0)
    >>> xy = plane.from_sky(np.array([[90.0, 89.0], [0.0, -30.0]]))
    >>> (np.degrees(xy).round(9) + 0.0).tolist()
    [[1.0, 0.0], [0.0, -120.0]]
    >>> plane.to_sky(xy).round(9).tolist()
    [[90.0, 89.0], [0.0, -30.0]]
    """

    def __init__(self, ra_deg, dec_deg):
        self.centre = unit_from_radec(float(ra_deg), float(dec_deg))
        self.east, self.north = tangent_axes(self.centre)

    def from_sky(self, radec_deg):
        """Plane coordinates (east, north), rad, of RA and Dec in degrees; both (n, 2)."""
        places = np.asarray(radec_deg, dtype=float)
        unit = unit_from_radec(places[:, 0], places[:, 1])
        east, north, depth = unit @ self.east, unit @ self.north, unit @ self.centre
        sine = np.hypot(east, north)
        angle = np.arctan2(sine, depth)
        # At the centre the ratio of angle to sine is 0/0, and 1.
        stretch = np.where(sine > 0.0, angle / np.where(sine > 0.0, sine, 1.0), 1.0)
        return np.stack([east * stretch, north * stretch], axis=1)

    def to_sky(self, plane_rad):
        """RA (0 to 360) and Dec, degrees, of plane coordinates; both (n, 2)."""
        plane = np.asarray(plane_rad, dtype=float)
        angle = np.hypot(plane[:, 0], plane[:, 1])
        # numpy's sinc is that of pi x, and is 1 at the centre.
        shrink = np.sinc(angle / np.pi)
        unit = (
            np.cos(angle)[:, None] * self.centre
            + (shrink * plane[:, 0])[:, None] * self.east
            + (shrink * plane[:, 1])[:, None] * self.north
        )
        return np.stack(radec_from_unit(unit), axis=1)


def along_great_circles(radec_deg, step_rad):
    """A line with further vertices on the great circles between its own.

    Parameters
    ----------
    radec_deg : (n, 2) array
        RA and Dec, degrees; neighbours less than 180 degrees apart.
    step_rad : float
        Longest step wanted.

    Returns
    -------
    (m, 2) array
        The given vertices are kept as they are, m >= n.

    Examples
    --------
    >>> along_great_circles(np.array([[350.0, 0.0], [10.0, 0.0]]), np.radians(10.0)).round(9).tolist()
    [[350.0, 0.0], [0.0, 0.0], [10.0, 0.0]]
    """
    places = np.asarray(radec_deg, dtype=float)
    unit = unit_from_radec(places[:, 0], places[:, 1])
    chord = np.linalg.norm(np.diff(unit, axis=0), axis=1)
    angle = 2.0 * np.arcsin(np.minimum(chord / 2.0, 1.0))
    # A step that fits exactly shall not become two by rounding.
    parts = np.maximum(np.ceil(angle / step_rad - 1e-9), 1).astype(int)
    if np.all(parts == 1):
        return places
    start = np.repeat(np.arange(len(parts)), parts)
    share = (np.arange(len(start)) - np.repeat(np.cumsum(parts) - parts, parts)) / parts[start]
    # Points of the chord, thrown out onto the sphere: uneven steps, which drawing does not mind.
    between = unit[start] * (1.0 - share)[:, None] + unit[start + 1] * share[:, None]
    dense = np.stack(radec_from_unit(between), axis=1)
    dense[share == 0.0] = places[:-1]
    return np.concatenate([dense, places[-1:]])

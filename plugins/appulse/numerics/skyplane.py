"""A plane on which the whole sky but one point lies: for planar geometry of outlines of any size."""

import numpy as np

from appulse.numerics.spherical import radec_from_unit, tangent_axes, unit_from_radec


class SkyPlane:
    """Azimuthal equidistant plane: distance from the centre and position angle are the true ones.

    Unlike the tangent plane it has a place for every direction (the antipode becomes a circle of radius pi),
    so nothing is lost behind the observer, at a pole or across 0h.

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
        stretch = np.where(sine > 0.0, angle / np.where(sine > 0.0, sine, 1.0), 1.0)
        return np.stack([east * stretch, north * stretch], axis=1)

    def to_sky(self, plane_rad):
        """RA (0 to 360) and Dec, degrees, of plane coordinates; both (n, 2)."""
        plane = np.asarray(plane_rad, dtype=float)
        angle = np.hypot(plane[:, 0], plane[:, 1])
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
    parts = np.maximum(np.ceil(angle / step_rad - 1e-9), 1).astype(int)
    if np.all(parts == 1):
        return places
    start = np.repeat(np.arange(len(parts)), parts)
    share = (np.arange(len(start)) - np.repeat(np.cumsum(parts) - parts, parts)) / parts[start]
    between = unit[start] * (1.0 - share)[:, None] + unit[start + 1] * share[:, None]
    dense = np.stack(radec_from_unit(between), axis=1)
    dense[share == 0.0] = places[:-1]
    return np.concatenate([dense, places[-1:]])

"""What is known about a body's path across a frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from astropy.table import QTable
from astropy.time import Time

from appulse.overlays.columns import plain_column


@dataclass(frozen=True)
class MidPlace:
    """Predicted place at mid-exposure.

    Attributes
    ----------
    time : Time
        UTC.
    ra, dec : float
        ICRF degrees.
    x, y : float
        Zero-based pixels.
    sigma_major_px, sigma_minor_px, sigma_angle_deg : float or None
        1-sigma ellipse in pixels, its angle from +x towards +y; None where the orbit has no covariance.
    """

    time: Time
    ra: float
    dec: float
    x: float
    y: float
    sigma_major_px: float | None
    sigma_minor_px: float | None
    sigma_angle_deg: float | None


@dataclass(frozen=True, eq=False)
class Track:
    """A body's path across one frame.

    Attributes
    ----------
    designation, name : str
    table : QTable
        The ephemeris at the line's vertices.
    times : Time, (n,)
        UTC, of the vertices.
    ra, dec : (n,) arrays, ICRF degrees
    x, y : (n,) arrays, zero-based pixels
        Straight lines between them follow the path to better than 0.05 pixel.
    ticks : list of Tick
    mid : MidPlace or None
        None where the body has no place on the frame's projection at mid-exposure.
    trail : (x0, y0, x1, y1) or None
        From the first opening to the last closing of the shutter.
    trail_parts : tuple of (m, 2) arrays
        Pixels of the path while the shutter was open: one line per exposure of a stack.
    enters, leaves : Time or None
        When the body crosses the frame's edge; None beyond the span looked at.
    rate : float or None
        arcsec/h at mid-exposure.
    pa : float or None
        Position angle of the motion, degrees.
    mag : float or None
    notes : tuple of str
    """

    designation: str
    name: str
    table: QTable
    times: Time
    ra: np.ndarray
    dec: np.ndarray
    x: np.ndarray
    y: np.ndarray
    ticks: list
    mid: MidPlace | None
    trail: tuple | None
    trail_parts: tuple
    enters: Time | None
    leaves: Time | None
    rate: float | None
    pa: float | None
    mag: float | None
    notes: tuple = ()


def mid_place(frame, row):
    """Predicted place and its error ellipse in pixels.

    Parameters
    ----------
    frame : SolvedFrame
    row : QTable
        One row of an ephemeris, at mid-exposure.

    Returns
    -------
    MidPlace or None
        None where the frame's projection has no place for it.
    """
    ra, dec = plain_column(row, "ra")[0], plain_column(row, "dec")[0]
    x, y = (float(v) for v in frame.to_pixel(ra, dec))
    if not np.isfinite(x + y):
        return None
    major, minor, angle = (plain_column(row, f"sigma_{n}")[0] for n in ("major", "minor", "pa"))
    ellipse = (None, None, None)
    if np.isfinite(major + minor + angle):
        ellipse = _pixel_ellipse(frame.jacobian(x, y), major, minor, np.radians(angle))
    return MidPlace(frame.exposure.mid.utc, float(ra), float(dec), x, y, *ellipse)


def _pixel_ellipse(jacobian, major, minor, pa_rad):
    """Axes (px) and angle (deg, from +x towards +y) of an ellipse given on the sky (arcsec)."""
    axes = np.array([[np.sin(pa_rad), np.cos(pa_rad)], [np.cos(pa_rad), -np.sin(pa_rad)]]).T
    to_pixel = np.linalg.solve(jacobian, axes * [major, minor])
    left, sizes, _ = np.linalg.svd(to_pixel)
    angle = float(np.degrees(np.arctan2(left[1, 0], left[0, 0])) % 180.0)
    return float(sizes[0]), float(sizes[1]), angle

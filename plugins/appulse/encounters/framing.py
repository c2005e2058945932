"""Where to point and how to turn the camera so that object and track are both in the field."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from astropy.time import Time, TimeDelta

from appulse.encounters.exposure import pixel_scale_arcsec
from appulse.encounters.outline_pass import ARCMIN_PER_RAD, plane
from appulse.encounters.sky import SkyOver
from appulse.numerics.spherical import unit_from_radec

FULL_SHARE = 0.9
"""Share of the field that is used: the rest is margin for pointing errors (common practice, no source)."""

WHOLE = "the whole object and the whole track"
MIDDLE = "the object's centre and the whole track"
TRACK = "the track alone; the object is too far away for this field: plan a mosaic or a shorter focal length"
NOTHING = "not even the track, which is longer than the field: take fewer hours or a shorter focal length"


@dataclass(frozen=True)
class Framing:
    """A pointing.

    Attributes
    ----------
    ra, dec : float
        Centre, ICRF degrees.
    rotation_deg : float
        Position angle of the sensor's up side, east of north.
    width_arcmin, height_arcmin : float
        Field.
    track : (k, 2) array
        RA and Dec of the body over the interval, degrees.
    fits, object_fits : bool
        Track inside the field; whole object inside the field.
    words : str
    """

    ra: float
    dec: float
    rotation_deg: float
    width_arcmin: float
    height_arcmin: float
    track: np.ndarray
    fits: bool
    object_fits: bool
    words: str


def frame_field(one, interval, instrument, vector_au, site):
    """Choose centre and rotation.

    The camera's own rotation is kept where it is given; else north is up, or the longer side is laid along
    the line that holds most of object and track where only that fits. On an altazimuth mount the camera hangs
    from the zenith: its up side is that of the interval's middle, and only the circle that the turning field
    always covers counts. The centre is the middle of what must be seen; what does not fit gives way:
    first the object's rim, then its centre.

    Parameters
    ----------
    one : Pass
    interval : (Time, Time)
    instrument : InstrumentSettings
    vector_au : callable
    site : Site

    Returns
    -------
    Framing
    """
    begin, end = interval
    times = begin + TimeDelta(np.linspace(0, (end - begin).sec, 25), format="sec")
    vector = vector_au(times) - site.posvel_au(Time(times))[0]
    unit = vector / np.linalg.norm(vector, axis=1, keepdims=True)
    target = one.target
    track = plane(unit, target.ra, target.dec)
    scale = float(pixel_scale_arcsec(instrument.pixel_um, instrument.focal_length_mm))
    width, height = (scale * n / 60 for n in instrument.sensor_px)
    semi = (target.major_arcmin or 0.0) / 2
    room, rotations = (width, height), (instrument.rotation_deg,)
    if instrument.mount == "altazimuth":
        zenith = float(SkyOver(site, times).zenith_pa(unit)[len(times) // 2])
        room, rotations = (min(width, height),) * 2, (zenith + (instrument.rotation_deg or 0.0),)
    elif instrument.rotation_deg is None:
        rotations = 0.0, _best_rotation(track, semi, *room)
    wishes = {
        WHOLE if semi else MIDDLE: np.vstack([track, _circle(semi)]),
        f"{MIDDLE}; the object is larger than the field": np.vstack([track, [[0.0, 0.0]]]),
        TRACK: track,
    }
    words, rotation, centre = _first_that_fits(wishes, rotations, room)
    ra, dec = _sky(centre, target.ra, target.dec)
    whole = words in (WHOLE, MIDDLE)
    fits = words != NOTHING
    return Framing(ra, dec, rotation % 360.0, width, height, _radec(unit), fits, whole, words)


def _first_that_fits(wishes, rotations, room):
    """The most that the field holds: words, rotation and centre; the track's middle where nothing fits."""
    for words, points in wishes.items():
        for rotation in rotations:
            centre, fits = _centre(points, rotation, *room)
            if fits:
                return words, rotation, centre
    return NOTHING, rotations[-1], _centre(wishes[TRACK], rotations[-1], *room)[0]


def _best_rotation(track, semi, width, height):
    """Position angle of 'up' that lays the longer side along the spread of object and track."""
    points = np.vstack([track, _circle(semi)])
    centred = points - points.mean(axis=0)
    _, _, axes = np.linalg.svd(centred, full_matrices=False)
    pa = np.degrees(np.arctan2(axes[0, 0], axes[0, 1]))
    return float((pa if height >= width else pa + 90.0) % 180.0)


def _circle(semi):
    angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    return semi * np.stack([np.sin(angle), np.cos(angle)], axis=1)


def _centre(points, rotation, width, height):
    """Middle of the rectangle around the points in the camera's axes; whether it fits."""
    turn = np.radians(rotation)
    right = np.array([-np.cos(turn), np.sin(turn)])  # east is left of north on the sky
    up = np.array([np.sin(turn), np.cos(turn)])
    across, along = points @ right, points @ up
    middle = (across.min() + across.max()) / 2 * right + (along.min() + along.max()) / 2 * up
    inside = np.ptp(across) <= FULL_SHARE * width and np.ptp(along) <= FULL_SHARE * height
    return middle, bool(inside)


def _sky(point, ra, dec):
    """Inverse of the gnomonic projection, degrees."""
    xi, eta = point / ARCMIN_PER_RAD
    a = np.radians(ra)
    east = np.array([-np.sin(a), np.cos(a), 0.0])
    centre = unit_from_radec(ra, dec)
    vector = centre + xi * east + eta * np.cross(centre, east)
    x, y, z = vector / np.linalg.norm(vector)
    return float(np.degrees(np.arctan2(y, x)) % 360), float(np.degrees(np.arcsin(z)))


def _radec(unit):
    ra = np.degrees(np.arctan2(unit[:, 1], unit[:, 0])) % 360
    return np.stack([ra, np.degrees(np.arcsin(unit[:, 2]))], axis=1)

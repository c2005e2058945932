"""Two-body places of a million bodies in half a second: single precision, x, y and z as rows."""

import numpy as np

from appulse.constants import GM_SUN, J2000_JD
from appulse.numerics.kepler import ECLIPTIC_TO_ICRF, state_from_elements

ELLIPTIC_BELOW = 0.95
"""Orbits of greater eccentricity take the universal formula; they are few."""
_COS, _SIN = np.float32(ECLIPTIC_TO_ICRF[1, 1]), np.float32(ECLIPTIC_TO_ICRF[2, 1])


def heliocentric(elements, t_d):
    """Two-body places and velocities, good to a few arcseconds.

    Parameters
    ----------
    elements : (n, 6) array: q (au), e, i, node, peri (degrees, ecliptic J2000), tp (JD TDB)
    t_d : float, TDB days from J2000.0

    Returns
    -------
    place, velocity : (3, n) arrays of single precision, au and au/d, heliocentric, ICRF axes

    Examples
    --------
    At perihelion on the x axis:

    >>> elements = np.array([[2.0, 0.1, 0.0, 0.0, 0.0, 2451545.0]])
    >>> place, velocity = heliocentric(elements, 0.0)
    >>> place[:, 0].round(6) + 0.0
    array([2., 0., 0.], dtype=float32)
    """
    q, e = elements[:, 0], elements[:, 1]
    open_ones = np.flatnonzero(e >= ELLIPTIC_BELOW)
    ecc = e if not len(open_ones) else np.where(e < ELLIPTIC_BELOW, e, 0.5)
    x, y, vx, vy = _ellipse(q, ecc, elements[:, 5], t_d)
    inc, node, peri = np.radians(elements[:, 2:5].T).astype(np.float32)
    place, velocity = np.empty((3, len(q)), np.float32), np.empty((3, len(q)), np.float32)
    for row, (p, w) in enumerate(_axes(inc, node, peri)):
        place[row] = x * p + y * w
        velocity[row] = vx * p + vy * w
    if len(open_ones):
        few = elements[open_ones]
        angles = np.radians(few[:, 2:5]).T
        state = state_from_elements(few[:, 0], few[:, 1], *angles, few[:, 5], t_d + J2000_JD)
        place[:, open_ones] = ECLIPTIC_TO_ICRF @ state[:, :3].T
        velocity[:, open_ones] = ECLIPTIC_TO_ICRF @ state[:, 3:].T
    return place, velocity


def length(vectors):
    """Lengths (n,) of vectors (3, n).

    Examples
    --------
    >>> length(np.array([[3.0], [4.0], [0.0]]))
    array([5.])
    """
    x, y, z = vectors
    return np.sqrt(x * x + y * y + z * z)


def _axes(inc, node, peri):
    """Components x, y, z (ICRF) of the axes towards perihelion and 90 degrees on, one pair at a time."""
    cn, sn, cw, sw, ci, si = np.cos(node), np.sin(node), np.cos(peri), np.sin(peri), np.cos(inc), np.sin(inc)
    yield cn * cw - sn * sw * ci, -cn * sw - sn * cw * ci
    py, wy = sn * cw + cn * sw * ci, -sn * sw + cn * cw * ci
    pz, wz = sw * si, cw * si
    yield _COS * py - _SIN * pz, _COS * wy - _SIN * wz
    yield _SIN * py + _COS * pz, _SIN * wy + _COS * wz


def _ellipse(q, e, tp_jd, t_d):
    """In-plane place and velocity; Kepler's equation by Halley steps (Danby 1988, *Fundamentals*, 6.6)."""
    a = q / (1.0 - e)
    motion = np.sqrt(GM_SUN / a) / a
    mean = motion * ((t_d + J2000_JD) - tp_jd)
    mean = (mean - 2.0 * np.pi * np.round(mean / (2.0 * np.pi))).astype(np.float32)
    ecc, axis, motion = e.astype(np.float32), a.astype(np.float32), motion.astype(np.float32)
    angle = mean + np.copysign(np.float32(0.85), mean) * ecc
    for _ in range(3):
        sine, cosine = ecc * np.sin(angle), ecc * np.cos(angle)
        f, f1 = angle - sine - mean, np.float32(1.0) - cosine
        angle -= f / (f1 - np.float32(0.5) * f * sine / f1)
    sine, cosine = np.sin(angle), np.cos(angle)
    flat = np.sqrt(np.float32(1.0) - ecc * ecc)
    turn = motion * axis / (np.float32(1.0) - ecc * cosine)
    return axis * (cosine - ecc), axis * flat * sine, -turn * sine, turn * flat * cosine

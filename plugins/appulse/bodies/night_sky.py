"""The two-body sky of one night: where every body of a catalogue roughly is, and how roughly.

A field is searched in three passes, each for far fewer bodies than the one before:

    all bodies  --two-body directions of the night (cached), one dot product each-->  some thousand
    those       --brighter than the limit, roughly-->  some hundred
    those       --integrated, exact-->  the bodies in the field

The first pass must not lose anybody. Its margin is the sum of the error of two-body motion since the epoch of
the elements, the motion between the night's middle and the moment asked for, and the observer's parallax.
"""

from typing import NamedTuple

import numpy as np

from appulse.bodies.kernels import EARTH, SUN
from appulse.bodies.night_encounters import widen_after_encounters
from appulse.bodies.photometry import DEFAULT_G
from appulse.bodies.rough_places import heliocentric, length
from appulse.constants import C_AU_DAY, J2000_JD

HALF_NIGHT_D = 0.5
"""A sky serves the times within half a day of its own."""
BASE_RAD = 1.0e-4
"""Single precision, light time to first order and the like, 20 arcsec."""
PARALLAX_AU = 4.3e-5
"""Radius of the Earth with some to spare."""
CHUNK = 65_536
_DEG = np.pi / 180.0


class NightSky(NamedTuple):
    """Directions of n bodies on one night; arrays of single precision."""

    t_d: float
    """TDB days from J2000.0 of the middle."""
    unit: np.ndarray
    """(n, 3) directions, ICRF."""
    margin: np.ndarray
    """(n,) rad, what the direction may be off at the middle of the night; pi: never left out."""
    pace: np.ndarray
    """(n,) rad/d, motion."""
    mag: np.ndarray
    """(n,) mag, NaN where the catalogue has none."""
    slack: np.ndarray
    """(n,) mag, what the magnitude may be off."""

    def survivors(self, centre, radius_rad, t_d, limit_mag=None):
        """Rows that may be in a field.

        Parameters
        ----------
        centre : (3,) array, unit vector
        radius_rad : float
        t_d : float, TDB days from J2000.0, within half a day of the sky's own
        limit_mag : float, optional

        Returns
        -------
        (k,) int array
        """
        reach = self.pace * np.float32(abs(t_d - self.t_d))
        reach += self.margin
        reach += np.float32(radius_rad)
        reach *= reach
        # 1 - cos x <= x^2 / 2, so this keeps a little more than it must; 1e-6 is the rounding of the product.
        apart = self.unit @ np.asarray(centre, dtype=np.float32)
        apart *= np.float32(-2.0)
        apart += np.float32(2.0 - 1e-6)
        rows = np.flatnonzero(apart <= reach)
        if limit_mag is not None:
            rows = rows[~(self.mag[rows] - self.slack[rows] > limit_mag)]
        return rows


def two_body_error_rad(age_d, q_au, aphelion_au):
    """Bound of how far two-body motion strays on the sky, seen from the Earth.

    Envelopes with a factor of 2 or more over the largest errors met among 4,500 invented and 449 real bodies
    integrated over up to ten years (tests hold more against it): main belt, bodies near Jupiter's orbit or
    crossing it, and planet crossers. Common practice, no source.

    Parameters
    ----------
    age_d : (n,) array, d
        Time since the epoch of the elements.
    q_au, aphelion_au : (n,) arrays, au
        Aphelion distance infinite on open orbits.

    Returns
    -------
    (n,) array, rad, at most pi

    Examples
    --------
    >>> bound = two_body_error_rad(np.array([100.0, 365.25]), np.array([2.0, 2.0]), np.array([3.0, 3.0]))
    >>> np.degrees(bound).round(3)
    array([0.026, 0.31 ])
    """
    years = np.abs(age_d) / 365.25
    belt = 0.02 * years + 0.28 * years**2.5 + 0.01 * (years > 0)
    belt = np.minimum(belt, 1e3)
    jovian = 3.0 * years**1.7 + 0.05 * years
    crosser = 1.0 * years + 1.5 * years**2
    near_jupiter = (aphelion_au > 3.7) & (q_au < 7.0)
    out = np.where(near_jupiter, jovian, belt)
    out = np.where(q_au < 1.7, np.maximum(crosser, np.where(near_jupiter, jovian, 0.0)), out)
    return np.minimum(out * _DEG, np.pi)


def night_sky(catalogue, t_d, kernels, observer_au=None):
    """Two-body directions of a whole catalogue.

    Parameters
    ----------
    catalogue : OrbitCatalogue
    t_d : float, TDB days from J2000.0
    kernels : Kernels
    observer_au : (3,) array, au, optional
        Barycentric place of an observer that is not on the Earth.

    Returns
    -------
    NightSky
    """
    n = len(catalogue)
    pos, vel = kernels.major(np.array([t_d]))
    place = pos[0, EARTH] if observer_au is None else np.asarray(observer_au, dtype=float)
    from_sun, velocity = place - pos[0, SUN], vel[0, EARTH] - vel[0, SUN]
    sky = NightSky(t_d, np.empty((n, 3), np.float32), *(np.empty(n, np.float32) for _ in range(4)))
    extra = widen_after_encounters(catalogue, t_d, kernels)
    for start in range(0, n, CHUNK):
        part = slice(start, min(start + CHUNK, n))
        _fill(sky, part, catalogue, from_sun, velocity, extra)
    return sky


def _fill(sky, part, catalogue, from_sun, velocity, extra):
    """Directions, margins and magnitudes of one stretch of the catalogue; rows of places are x, y, z."""
    elements, epoch_d = catalogue.elements[part], catalogue.epoch_jd_tdb[part] - J2000_JD
    q, e = elements[:, 0], elements[:, 1]
    place, speed = heliocentric(elements, sky.t_d)
    seen = place - from_sun[:, None].astype(np.float32)
    seen -= speed * (length(seen) / np.float32(C_AU_DAY))  # light time to first order
    delta = length(seen)
    sky.unit[part] = (seen / delta).T
    motion = length(speed - velocity[:, None].astype(np.float32))
    room = np.maximum(delta - np.float32(HALF_NIGHT_D) * motion - np.float32(2.0 * PARALLAX_AU), 0.0)
    with np.errstate(divide="ignore"):
        sky.pace[part] = np.minimum(motion / room, 1e3)
    aphelion = np.where(e < 1.0, q * (1.0 + e) / np.where(e < 1.0, 1.0 - e, 1.0), np.inf)
    margin = two_body_error_rad(sky.t_d - epoch_d, q, aphelion) * np.maximum(1.0, 0.7 / delta)
    margin += extra[part] / delta + BASE_RAD + np.arctan2(np.float32(PARALLAX_AU), room)
    sky.margin[part] = np.where(room > 0, np.minimum(margin, np.pi), np.pi)
    sky.mag[part], sky.slack[part] = _rough_magnitude(catalogue, part, place, seen, delta, sky.margin[part])


def _rough_magnitude(catalogue, part, place, seen, delta, margin):
    """Magnitude of the night and what it may be off: more for bodies whose distance is in doubt."""
    r = length(place)
    cosine = np.clip((place[0] * seen[0] + place[1] * seen[1] + place[2] * seen[2]) / (r * delta), -1.0, 1.0)
    tan = np.sqrt((1.0 - cosine) / np.maximum(1.0 + cosine, np.float32(1e-6)))
    given = catalogue.g[part]
    slope = np.where(np.isfinite(given), given, DEFAULT_G).astype(np.float32)
    light = (1.0 - slope) * np.exp(np.float32(-3.33) * tan ** np.float32(0.63))
    light += slope * np.exp(np.float32(-1.87) * tan ** np.float32(1.22))
    mag = catalogue.h[part] + 5.0 * np.log10(r * delta) - 2.5 * np.log10(np.maximum(light, 1e-12))
    total = np.isfinite(catalogue.m1[part])
    if total.any():
        k1 = np.where(np.isfinite(catalogue.k1[part]), catalogue.k1[part], 10.0)
        mag = np.where(total, catalogue.m1[part] + 5.0 * np.log10(delta) + k1 * np.log10(r), mag)
    # Twice the doubt in direction is the relative doubt in distance; phase laws differ by 0.3 mag at most.
    slack = 0.4 + 10.0 * np.log10(1.0 + 2.0 * np.minimum(margin, 3.0))
    slack = np.where(tan > 1.2, slack + 3.0, slack)  # beyond 100 degrees of phase
    return mag, np.where((margin >= np.float32(3.0)) | (tan > 3.0), np.inf, slack)  # beyond 143: anything

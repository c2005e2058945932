"""Coma and tail of a comet against the outline of an object: who lies across whom, and when.

::

            .--~~--.         the nucleus stays outside; the tail, a wedge of fifteen degrees along the
           ( object )        antisolar direction, lies across the object between two times
     o ----'==`==='------
    coma     tail

The tail is as long as the law of :func:`appulse.bodies.law_lengths_km` has it, or as the user says.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from astropy.time import Time

from appulse.bodies import EARTH, SUN, law_lengths_km
from appulse.constants import AU_KM, J2000_JD
from appulse.encounters.outline_pass import outline_shape, plane
from appulse.observers import quiet_erfa

OPENING_DEG = 15.0
"""Of the wedge that a tail is taken for: common practice, no source."""
MOST_TAIL_ARCMIN = 1200.0
"""A longer tail is cut here: the plane about an object holds no more."""
POINT_ARCMIN = 0.05
"""Radius that stands for an object without size."""


@dataclass(frozen=True)
class TailPass:
    """What a comet's coma and tail do to an object.

    Attributes
    ----------
    coma_arcmin, tail_arcmin : float
        Diameter and length at the least separation of the nucleus; the coma's NaN where no law gives it.
    tail_pa : float
        Position angle of the antisolar direction, degrees.
    coma_distance_arcmin, tail_distance_arcmin : float
        Least distance of each from the outline in the span, 0 where it lies on it.
    begins_d, ends_d : float
        TDB days between which the tail lies on the object; NaN where it does not, or beyond the span.
    words : str
    """

    coma_arcmin: float
    tail_arcmin: float
    tail_pa: float
    coma_distance_arcmin: float
    tail_distance_arcmin: float
    begins_d: float
    ends_d: float
    words: str

    @property
    def touches(self):
        """Whether coma or tail lie on the object."""
        return self.coma_distance_arcmin == 0.0 or self.tail_distance_arcmin == 0.0


def tail_geometry(vector_au, sun_au, m1, k1, tail_deg=None):
    """Tips of the tail (unit vectors), its length and the coma's radius (rad) along a path.

    `vector_au` and `sun_au` (n, 3) are the comet and the Sun from the observer; what is not known is NaN.
    """
    helio = vector_au - sun_au
    r, delta = np.linalg.norm(helio, axis=1), np.linalg.norm(vector_au, axis=1)
    tail_km, coma_km = law_lengths_km(m1, k1, r)
    outward = helio / r[:, None]
    if tail_deg is None:
        tip = vector_au + outward * (np.atleast_1d(tail_km) / AU_KM)[:, None]
    else:
        unit = vector_au / delta[:, None]
        across = outward - unit * np.einsum("ij,ij->i", outward, unit)[:, None]
        across /= np.maximum(np.linalg.norm(across, axis=1), 1e-12)[:, None]
        tip = np.cos(np.radians(tail_deg)) * unit + np.sin(np.radians(tail_deg)) * across
    tip = tip / np.linalg.norm(tip, axis=1)[:, None]
    unit = vector_au / delta[:, None]
    length = 2.0 * np.arcsin(np.clip(np.linalg.norm(tip - unit, axis=1) / 2.0, 0.0, 1.0))
    coma = np.arctan(np.atleast_1d(coma_km) * np.ones(len(r)) / 2.0 / AU_KM / delta)
    return tip, length, coma


def tail_reach_arcmin(vectors_au, sun_au, m1, k1, tail_deg=None) -> float:
    """How far a comet's tail reaches at most along a path, arcmin; 0 where no length is known."""
    _, length, coma = tail_geometry(vectors_au, sun_au, m1, k1, tail_deg)
    reach = np.nan_to_num(np.maximum(np.nan_to_num(length), np.nan_to_num(coma)))
    return float(min(np.degrees(reach.max(initial=0.0)) * 60.0, MOST_TAIL_ARCMIN))


def tail_pass(vectors_au, sun_au, t_d, target, m1, k1, least, tail_deg=None) -> TailPass | None:
    """A comet's coma and tail against an object along a path (n); `least` is the index of least separation.

    None where neither a law nor the user gives a length.
    """
    tip, length, coma = tail_geometry(vectors_au, sun_au, m1, k1, tail_deg)
    if not np.isfinite(length[least]):
        return None
    shape = outline_shape(target)
    shape = shapely.Point(0.0, 0.0).buffer(POINT_ARCMIN) if shape is None else shape
    unit = vectors_au / np.linalg.norm(vectors_au, axis=1)[:, None]
    place, end = plane(unit, target.ra, target.dec), plane(tip, target.ra, target.dec)
    radius = np.nan_to_num(np.degrees(coma) * 60.0)
    tails, comas = np.full(len(t_d), np.inf), np.full(len(t_d), np.inf)
    for k in range(len(t_d)):
        if np.isfinite(place[k]).all():
            comas[k] = max(float(shapely.distance(shapely.Point(place[k]), shape)) - radius[k], 0.0)
            if np.isfinite(end[k]).all():
                tails[k] = float(shapely.distance(_wedge(place[k], end[k], radius[k]), shape))
    on = np.flatnonzero(tails == 0.0)
    begins = float(t_d[on[0]]) if len(on) and on[0] > 0 else np.nan
    ends = float(t_d[on[-1]]) if len(on) and on[-1] < len(t_d) - 1 else np.nan
    way = end[least] - place[least]
    return TailPass(
        2.0 * float(np.degrees(coma[least])) * 60.0, float(np.degrees(length[least])) * 60.0,
        float(np.degrees(np.arctan2(way[0], way[1])) % 360.0), float(comas.min()), float(tails.min()),
        begins, ends, _words(target.name, comas.min(), tails.min(), begins, ends),
    )  # fmt: skip


def _wedge(place, end, radius):
    """The tail as a polygon: as wide as the coma at the nucleus, opening towards its end."""
    way = end - place
    size = max(float(np.hypot(*way)), 1e-9)
    across = np.array([-way[1], way[0]]) / size
    broad = radius + size * np.tan(np.radians(OPENING_DEG / 2.0))
    corners = [place + radius * across, end + broad * across, end - broad * across, place - radius * across]
    return shapely.convex_hull(shapely.MultiPoint(corners))


def _words(name, coma, tail, begins, ends):
    """What lies on the object, and between which times the tail does."""
    if tail == 0.0:
        what = f"its {'coma and tail lie' if coma == 0.0 else 'tail lies'} across {name}"
        since = "" if np.isnan(begins) else f" from {_utc(begins)}"
        until = "" if np.isnan(ends) else f" to {_utc(ends)}"
        return f"{what}{since}{until}{' UTC' if since or until else ''}"
    return f"its coma reaches {name}" if coma == 0.0 else f"coma and tail stay beside {name}"


@quiet_erfa()
def _utc(t_d):
    return Time(J2000_JD, t_d, format="jd", scale="tdb").utc.isot[:16].replace("T", " ")


def sun_from(kernels, t_d, place_au=0.0):
    """The Sun from an observer at a geocentric place, (n, 3) au."""
    major, _ = kernels.major(np.atleast_1d(t_d))
    return major[:, SUN] - major[:, EARTH] - place_au

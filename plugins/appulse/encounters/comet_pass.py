"""Coma and tail of a comet against the outline of an object: who lies across whom, and when.

::

            .--~~--.         the nucleus stays outside; the tail lies across the object between two times
           ( object )
     o ----'==`==='------    antisolar direction: the ion tail, a narrow wedge
     |`-.___ `--.___
    coma    `---.___ ``      between the syndynes: the dust, as the orbit has it; where no orbit gives it,
                             the tail is a wedge of fifteen degrees along the antisolar direction

The tail is as long as the law of :func:`appulse.bodies.law_lengths_km` has it, or as the user says.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from astropy.time import Time

from appulse.bodies import EARTH, SUN, dust_fan, law_lengths_km
from appulse.constants import AU_KM, J2000_JD
from appulse.encounters.outline_pass import outline_shape, plane
from appulse.errors import AppulseError
from appulse.numerics import tangent_axes, unit_from_radec
from appulse.observers import quiet_erfa

OPENING_DEG, ION_OPENING_DEG = 15.0, 4.0
"""Of the wedge that a tail is taken for where its dust is not known, and of an ion tail: common practice, no
source."""
KNOT_D = 2.0
"""Dust is followed at moments so far apart; between them the fan turns with the antisolar direction."""
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
    dust_pa : tuple of float
        Position angles between which the dust lies at the least separation, degrees, the second the larger;
        NaN where the tail is a wedge.
    """

    coma_arcmin: float
    tail_arcmin: float
    tail_pa: float
    coma_distance_arcmin: float
    tail_distance_arcmin: float
    begins_d: float
    ends_d: float
    words: str
    dust_pa: tuple[float, float] = (np.nan, np.nan)

    @property
    def has_dust(self):
        """Whether the tail is the dust of the orbit, not a wedge."""
        return bool(np.isfinite(self.dust_pa[0]))

    @property
    def shape(self):
        """What the tail was taken for, in words."""
        return "dust and ion tail" if self.has_dust else f"wedge of {OPENING_DEG:g} degrees"

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


class DustFans:
    """The dust of one comet from one place: followed at moments, turned between them."""

    def __init__(self, ephemeris, row, observer):
        self.ephemeris, self.row, self.observer, self._made = ephemeris, int(row), observer, {}

    def at(self, t_d, unit, tip):
        """Directions (n betas, n ages, 3) at a time; `unit` to the nucleus, `tip` to the tail's end.

        None where no grain can be followed.
        """
        low = int(np.floor(t_d / KNOT_D))
        sides = self._knot(low), self._knot(low + 1)
        known = [side for side in sides if side is not None]
        if not known:
            return None
        share = t_d / KNOT_D - low
        offsets = known[0] if len(known) == 1 else (1 - share) * sides[0] + share * sides[1]
        fan = unit + np.einsum("bak,kc->bac", offsets, _axes(unit, tip))
        return fan / np.linalg.norm(fan, axis=-1, keepdims=True)

    def _knot(self, k):
        """Tangents of the grains' distances, along the antisolar direction and to its side."""
        if k not in self._made:
            self._made[k] = self._follow(k * KNOT_D)
        return self._made[k]

    def _follow(self, t_d):
        time = Time(J2000_JD, t_d, format="jd", scale="tdb")
        try:
            seen = self.ephemeris.at(time.utc, self.observer, bodies=[self.row_name], uncertainty=False)[0]
            fan = dust_fan(self.ephemeris, self.row, time.utc, self.observer)
        except AppulseError:
            return None
        unit = unit_from_radec(float(seen["ra"].value), float(seen["dec"].value))
        pa = np.radians(float(seen["sun_pa"].value))
        east, north = tangent_axes(unit)
        axes = _axes(unit, unit + 1e-3 * (np.sin(pa) * east + np.cos(pa) * north))
        ahead = fan @ unit
        return None if (ahead <= 0.1).any() else np.einsum("bac,kc->bak", fan, axes) / ahead[..., None]

    @property
    def row_name(self):
        """The comet, as its ephemeris knows it."""
        return self.ephemeris.orbit(self.row).designation


def _axes(unit, tip):
    """Unit vectors at a nucleus, (2, 3): towards the tail's end and to the left of it."""
    along = tip - unit * (tip @ unit)
    along /= max(float(np.linalg.norm(along)), 1e-15)
    return np.stack([along, np.cross(unit, along)])


def dust_shape(place, points, length):
    """Polygon that grains (n betas, n ages, 2) about a nucleus cover, no farther off than a length."""
    grid = np.concatenate([np.broadcast_to(place, (len(points), 1, 2)), points], axis=1)
    corners = np.stack([grid[:-1, :-1], grid[1:, :-1], grid[1:, 1:], grid[:-1, 1:]], axis=2).reshape(-1, 4, 2)
    parts = shapely.convex_hull(shapely.multipoints(corners))
    return shapely.intersection(shapely.union_all(parts), shapely.Point(place).buffer(length))


def tail_pass(vectors_au, sun_au, t_d, target, m1, k1, least, tail_deg=None, dust=None) -> TailPass | None:
    """A comet's coma and tail against an object along a path (n); `least` is the index of least separation.

    `dust` are its :class:`DustFans`; a wedge stands for them where there are none. None where neither a law
    nor the user gives a length.
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
    dust_pa = np.nan, np.nan
    apart, reach = np.full(len(t_d), np.inf), np.hypot(*(end - place).T)
    for k in np.flatnonzero(np.isfinite(place).all(axis=1)):
        apart[k] = float(shapely.distance(shapely.Point(place[k]), shape))
        comas[k] = max(apart[k] - radius[k], 0.0)
    # No nearer than this comes the tail at a time: grains are followed where it may be the nearest, for that
    # is what takes long.
    bound = apart - np.hypot(reach, radius + reach * np.tan(np.radians(OPENING_DEG / 2.0)))
    bound[least] = -np.inf
    for k in np.argsort(bound):
        if not np.isfinite(end[k]).all() or not np.isfinite(apart[k]):
            continue
        if bound[k] > 0.0 and bound[k] >= tails.min():
            break
        fan = None if dust is None else dust.at(t_d[k], unit[k], tip[k])
        points = None if fan is None else plane(fan.reshape(-1, 3), target.ra, target.dec)
        known = points is not None and np.isfinite(points).all()
        opening = ION_OPENING_DEG if known else OPENING_DEG
        tails[k] = float(shapely.distance(_wedge(place[k], end[k], radius[k], opening), shape))
        if known:
            grains = dust_shape(place[k], points.reshape(*fan.shape[:2], 2), reach[k])
            tails[k] = min(tails[k], float(shapely.distance(grains, shape)))
            if k == least:
                dust_pa = _sides(grains, place[k], end[k])
    on = np.flatnonzero(tails == 0.0)
    begins = float(t_d[on[0]]) if len(on) and on[0] > 0 else np.nan
    ends = float(t_d[on[-1]]) if len(on) and on[-1] < len(t_d) - 1 else np.nan
    way = end[least] - place[least]
    return TailPass(
        2.0 * float(np.degrees(coma[least])) * 60.0, float(np.degrees(length[least])) * 60.0,
        float(np.degrees(np.arctan2(way[0], way[1])) % 360.0), float(comas.min()), float(tails.min()),
        begins, ends, _words(target.name, comas.min(), tails.min(), begins, ends), dust_pa,
    )  # fmt: skip


def _sides(grains, place, end):
    """Position angles between which dust lies in the outer half of its length, degrees."""
    way = shapely.get_coordinates(grains) - place
    way = way[np.hypot(*way.T) > 0.5 * np.hypot(*way.T).max(initial=0.0)]
    middle = np.degrees(np.arctan2(*(end - place)))
    if not len(way):
        return np.nan, np.nan
    off = (np.degrees(np.arctan2(way[:, 0], way[:, 1])) - middle + 180.0) % 360.0 - 180.0
    first = float((middle + off.min()) % 360.0)
    return first, first + float(np.ptp(off))


def _wedge(place, end, radius, opening):
    """The tail as a polygon: as wide as the coma at the nucleus, opening towards its end."""
    way = end - place
    size = max(float(np.hypot(*way)), 1e-9)
    across = np.array([-way[1], way[0]]) / size
    broad = radius + size * np.tan(np.radians(opening / 2.0))
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

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

from appulse.bodies import EARTH, FAN_AGES_D, FAN_BETAS, SUN, dust_fans, law_lengths_km
from appulse.constants import AU_KM, J2000_JD
from appulse.encounters.outline_pass import outline_shape, plane
from appulse.errors import AppulseError
from appulse.observers import quiet_erfa

OPENING_DEG, ION_OPENING_DEG = 15.0, 4.0
"""Of the wedge that a tail is taken for where its dust is not known, and of an ion tail: common practice, no
source."""
KNOT_D, MOST_KNOTS = 2.0, 64
"""Dust is followed at moments so far apart; between them the fan turns with the antisolar direction. So many
are followed together at most."""
AT_ONCE = 8
"""Times that are looked at together where the tail may come near, but does not lie on the object."""
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

    def prepare(self, t_d):
        """Follow what these times need, together: it costs little more than one of them."""
        low = np.unique(np.floor(np.asarray(t_d) / KNOT_D).astype(int))
        new = np.array([k for k in np.union1d(low, low + 1).tolist() if k not in self._made])
        for some in (new[i : i + MOST_KNOTS] for i in range(0, len(new), MOST_KNOTS)):
            self._made.update(zip(some.tolist(), self._follow(some * KNOT_D), strict=True))

    def at(self, t_d, unit, tip):
        """Directions (m, n betas, n ages, 3) at times (m,); `unit` to the nucleus, `tip` to the tail's end.

        NaN where no grain can be followed.
        """
        self.prepare(t_d)
        fans = np.full((len(t_d), len(FAN_BETAS), len(FAN_AGES_D), 3), np.nan)
        for fan, time, middle, axes in zip(fans, t_d / KNOT_D, unit, _axes(unit, tip), strict=True):
            low = int(np.floor(time))
            sides = self._made[low], self._made[low + 1]
            known = [side for side in sides if side is not None]
            if known:
                share = time - low if len(known) == 2 else 0.0
                fan[:] = middle + ((1 - share) * known[0] + share * known[-1]) @ axes
        return fans / np.linalg.norm(fans, axis=-1, keepdims=True)

    def _follow(self, t_d):
        """Tangents of the grains' distances, along the antisolar direction and to its side, at each time."""
        times = Time(J2000_JD, t_d, format="jd", scale="tdb").utc
        try:
            unit, outward, fans = dust_fans(self.ephemeris, self.row, times, self.observer)
        except AppulseError:
            # A grain that ends in the Sun is missing at its own moment only.
            half = len(t_d) // 2
            return [None] if not half else self._follow(t_d[:half]) + self._follow(t_d[half:])
        ahead = np.einsum("mbac,mc->mba", fans, unit)
        sides = np.einsum("mbac,mkc->mbak", fans, _axes(unit, unit + outward)) / ahead[..., None]
        return [None if (a <= 0.1).any() else side for a, side in zip(ahead, sides, strict=True)]


def _axes(unit, tip):
    """Unit vectors at nuclei (m, 3), (m, 2, 3): towards the tail's end and to the left of it."""
    along = tip - unit * np.einsum("mc,mc->m", tip, unit)[:, None]
    along /= np.maximum(np.linalg.norm(along, axis=1), 1e-15)[:, None]
    return np.stack([along, np.cross(unit, along)], axis=1)


def dust_parts(place, points):
    """Polygons (m, k) that grains (m, n betas, n ages, 2) about nuclei (m, 2) cover together."""
    nucleus = np.broadcast_to(place[:, None, None], (*points.shape[:2], 1, 2))
    grid = np.concatenate([nucleus, points], axis=2)
    corners = [grid[:, :-1, :-1], grid[:, 1:, :-1], grid[:, 1:, 1:], grid[:, :-1, 1:]]
    corners = np.stack(corners, axis=3).reshape(len(place), -1, 4, 2)
    return shapely.convex_hull(shapely.multipoints(corners))


def dust_shape(place, parts, length):
    """Polygon of the parts about one nucleus, no farther off than a length."""
    return shapely.intersection(shapely.union_all(parts), shapely.Point(place).buffer(length))


def _dust_distances(place, parts, length, shape):
    """Least distance from a shape (m,) of parts (m, k), no farther from their nuclei (m, 2) than lengths."""
    middle = shapely.points(place)[:, None]
    away = shapely.distance(parts, shape)
    away[shapely.distance(parts, middle) >= length[:, None]] = np.inf
    # Cutting is slow: only what reaches beyond the length and is nearer than all that does not is cut.
    whole = shapely.hausdorff_distance(parts, middle) <= length[:, None]
    best = np.where(whole, away, np.inf).min(axis=1)
    for k, i in zip(*np.nonzero(~whole & (away < best[:, None])), strict=True):
        cut = shapely.intersection(parts[k, i], middle[k, 0].buffer(length[k]))
        best[k] = min(best[k], float(np.nan_to_num(shapely.distance(cut, shape), nan=np.inf)))
    return best


@dataclass(frozen=True, eq=False)
class TailTrack:
    """A comet's tail about an object at times (n): directions, and the plane about the object, arcmin."""

    target: object
    shape: object  # of the object
    t_d: np.ndarray
    least: int  # index of the least separation of the nucleus
    unit: np.ndarray  # (n, 3) directions to the nucleus and to the tail's end
    tip: np.ndarray
    length: np.ndarray  # radians, as the coma's radius
    coma: np.ndarray
    place: np.ndarray  # (n, 2) of the nucleus and of the tail's end
    end: np.ndarray
    apart: np.ndarray  # of the nucleus from the object
    bound: np.ndarray  # no nearer comes the tail

    @property
    def radius(self):
        """Of the coma, arcmin."""
        return np.nan_to_num(np.degrees(self.coma) * 60.0)

    @property
    def near_d(self):
        """Times at which the tail may lie on the object."""
        return self.t_d[self.bound <= 0.0]


def tail_track(vectors_au, sun_au, t_d, target, m1, k1, least, tail_deg=None) -> TailTrack | None:
    """A comet's tail about an object along a path (n); `least` is the index of least separation.

    None where neither a law nor the user gives a length.
    """
    tip, length, coma = tail_geometry(vectors_au, sun_au, m1, k1, tail_deg)
    if not np.isfinite(length[least]):
        return None
    shape = outline_shape(target)
    shape = shapely.Point(0.0, 0.0).buffer(POINT_ARCMIN) if shape is None else shape
    shapely.prepare(shape)
    unit = vectors_au / np.linalg.norm(vectors_au, axis=1)[:, None]
    place, end = plane(unit, target.ra, target.dec), plane(tip, target.ra, target.dec)
    apart, reach = np.full(len(t_d), np.inf), np.hypot(*(end - place).T)
    seen = np.isfinite(place).all(axis=1)
    apart[seen] = shapely.distance(shapely.points(place[seen]), shape)
    broad = np.nan_to_num(np.degrees(coma) * 60.0) + reach * np.tan(np.radians(OPENING_DEG / 2.0))
    bound = np.where(seen & np.isfinite(end).all(axis=1), apart - np.hypot(reach, broad), np.inf)
    bound[least] = -np.inf
    return TailTrack(target, shape, t_d, least, unit, tip, length, coma, place, end, apart, bound)


def tail_pass(track: TailTrack, dust=None) -> TailPass:
    """A comet's coma and tail against an object; a wedge stands for its :class:`DustFans` without them."""
    target, shape, t_d, least = track.target, track.shape, track.t_d, track.least
    place, end, radius, bound = track.place, track.end, track.radius, track.bound
    reach, comas = np.hypot(*(end - place).T), np.maximum(track.apart - radius, 0.0)
    tails, dust_pa = np.full(len(t_d), np.inf), (np.nan, np.nan)
    # Grains are followed where the tail may be the nearest, for that is what takes long.
    drawn = np.flatnonzero(np.isfinite(place).all(axis=1) & np.isfinite(end).all(axis=1))
    drawn = drawn[np.argsort(bound[drawn])]
    sure = int(np.sum(bound[drawn] <= 0.0))
    for some in np.split(drawn, np.arange(sure, len(drawn), AT_ONCE)):
        some = some[(bound[some] <= 0.0) | (bound[some] < tails.min())]
        if not len(some):
            continue
        known = np.zeros(len(some), bool)
        if dust is not None:
            fans = dust.at(t_d[some], track.unit[some], track.tip[some])
            points = plane(fans.reshape(-1, 3), target.ra, target.dec).reshape(*fans.shape[:3], 2)
            known = np.isfinite(points).all(axis=(1, 2, 3))
        opening = np.where(known, ION_OPENING_DEG, OPENING_DEG)
        tails[some] = shapely.distance(_wedges(place[some], end[some], radius[some], opening), shape)
        if known.any():
            these = some[known]
            parts = dust_parts(place[these], points[known])
            tails[these] = np.minimum(tails[these], _dust_distances(place[these], parts, reach[these], shape))
            if least in these:
                grains = dust_shape(place[least], parts[list(these).index(least)], reach[least])
                dust_pa = _sides(grains, place[least], end[least])
    on = np.flatnonzero(tails == 0.0)
    begins = float(t_d[on[0]]) if len(on) and on[0] > 0 else np.nan
    ends = float(t_d[on[-1]]) if len(on) and on[-1] < len(t_d) - 1 else np.nan
    way = end[least] - place[least]
    return TailPass(
        2.0 * float(np.degrees(track.coma[least])) * 60.0, float(np.degrees(track.length[least])) * 60.0,
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


def _wedges(place, end, radius, opening):
    """Tails as polygons (m,): as wide as the coma at the nucleus, opening towards the end."""
    way = end - place
    size = np.maximum(np.hypot(*way.T), 1e-9)
    across = np.stack([-way[:, 1], way[:, 0]], axis=1) / size[:, None]
    broad = radius + size * np.tan(np.radians(opening / 2.0))
    near, far = radius[:, None] * across, broad[:, None] * across
    corners = np.stack([place + near, end + far, end - far, place - near], axis=1)
    return shapely.convex_hull(shapely.multipoints(corners))


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

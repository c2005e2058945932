"""Passes of bodies by objects, and of two bodies by each other, in a span of dates.

    orbits -> geocentric paths (N-body, a grid of days) -> scan on unit vectors -> refined at the observer
           -> against the outline -> table

The search is cut into chunks of bodies; chunks run here, on a process pool, or on a Dask cluster, and give
the same passes in the same order.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from astropy.time import Time

from appulse.bodies import Kernels, NBodyEphemeris, chosen_kernels, default_kernels, may_be_bright
from appulse.catalogues import Outline
from appulse.constants import AU_KM, J2000_JD
from appulse.encounters.close_approaches import (
    Approaches,
    least_separations,
    least_separations_between,
)
from appulse.encounters.comet_pass import DustFans, TailPass, sun_from, tail_pass, tail_reach_arcmin
from appulse.encounters.outline_pass import Crossing, cross, outline_shape, plane
from appulse.encounters.paths import circumstances, follow
from appulse.encounters.targets import Targets, extent_arcmin
from appulse.errors import InputError
from appulse.numerics import radec_from_unit
from appulse.observers import Site, quiet_erfa, tdb_days

CHUNK, SMALL_CHUNK, STEPS_SHOWN = 250, 50, 20
EARTH_RADIUS_AU = 6378.137 / AU_KM
MOST_DIRECTIONS = 20_000_000
TAIL_STEPS = 61
_ARCMIN = np.pi / 180 / 60
_shape_of = lru_cache(maxsize=20_000)(outline_shape)


@dataclass(frozen=True)
class Pass:
    """One body by one object, once.

    Attributes
    ----------
    id : str
        Stable: designation, object and UTC date of least separation.
    designation, name : str
    target : Outline
    time : Time
        UTC of least separation from the object's centre.
    separation_arcsec : float
        Of the centres.
    crossing : Crossing or None
        Against the outline; None for an object without one.
    in_sizes : float
        Separation in units of the object's semi-major axis; NaN for a point.
    delta, r, phase, elongation, mag, rate, motion_pa : float
        au, au, degrees, degrees, magnitudes, arcsec/h, degrees; at that time.
    row : int
        Row of the body in the catalogue.
    tail : TailPass or None
        What a comet's coma and tail do to the object; None for other bodies, and where no length is known.
    """

    id: str
    designation: str
    name: str
    target: object
    time: Time
    separation_arcsec: float
    crossing: Crossing | None
    in_sizes: float
    delta: float
    r: float
    phase: float
    elongation: float
    mag: float
    rate: float
    motion_pa: float
    row: int
    tail: TailPass | None = None

    @property
    def inside_outline(self):
        """The body goes inside the outline."""
        return self.crossing is not None and self.crossing.inside


def slug(words):
    """Letters and digits of a name, as they stand in an encounter's id.

    Examples
    --------
    >>> slug("IC 4603")
    'IC4603'
    """
    return re.sub(r"[^0-9A-Za-z]+", "", words)


def make_id(designation, target, isot):
    """Stable id of an encounter: body, object, UTC date of least separation."""
    return "-".join((slug(designation), slug(target), isot[:10].replace("-", "")))


def utc(t_d):
    """Time (UTC) of TDB days from J2000.0."""
    return Time(J2000_JD, t_d, format="jd", scale="tdb").utc


def _refine_on_ground(path, unit, t_d, observer):
    """Time and separation (rad) of the least separation from a site, within a day of the geocentric one."""
    # The Earth's turning shifts a near body by its parallax, to and fro once a day, so there may be more than
    # one minimum: three nested grids of 49 instants end at 2 s, whatever the curve looks like.
    half = 1.0
    for _ in range(3):
        times = t_d + np.linspace(-half, half, 49)
        separation = _separations(path, unit, times, observer)
        t_d, half = times[int(np.argmin(separation))], half / 20
    # The square of the separation is a parabola for a straight path; the separation itself has a kink at 0.
    times = t_d + np.array([-1.0, 0.0, 1.0]) * half
    low, mid, high = _separations(path, unit, times, observer) ** 2
    bend = low - 2 * mid + high
    t_d = t_d + (0.5 * half * (low - high) / bend if bend > 0 else 0.0)
    return t_d, float(_separations(path, unit, np.array([t_d]), observer)[0])


def _separations(path, unit, t_d, observer):
    """Angle between body and object as the observer sees it, (k,) radians."""
    vector = path(t_d) - place_au(observer, t_d)
    vector /= np.linalg.norm(vector, axis=1, keepdims=True)
    return 2 * np.arcsin(np.linalg.norm(vector - unit, axis=1) / 2)


def place_au(observer, t_d):
    """Geocentric place of the observer, (k, 3) au."""
    # converting times to UTC costs more than the search itself, and the geocentre needs none
    if getattr(observer, "is_geocentre", False):
        return np.zeros((len(t_d), 3))
    return observer.posvel_au(utc(t_d))[0]

@dataclass(frozen=True)
class PassSearch:
    """What is searched; goes to every worker as it is.

    Attributes
    ----------
    targets : Targets
    start, end : Time
    observer : Site
    within_arcmin : float
    measured_from : {'centre', 'outline'}
    least_elongation : float
        Degrees.
    brighter_than : float or None
    tail_deg : float or None
        Length of comets' tails on the sky; None: by the law of their total magnitudes.
    """

    targets: Targets
    start: Time
    end: Time
    observer: Site
    within_arcmin: float = 10.0
    measured_from: str = "centre"
    least_elongation: float = 0.0
    brighter_than: float | None = None
    tail_deg: float | None = None

    def reach_arcmin(self):
        """Separation from the centre below which a pass may count, per target, arcmin."""
        reach = np.full(len(self.targets), float(self.within_arcmin))
        return reach + self.targets.extent_arcmin if self.measured_from == "outline" else reach


class FoundAndHidden(NamedTuple):
    """Passes in the order of time, and how many more the limits of brightness and elongation hide.

    ``n_faint`` bodies stay fainter than the limit on all dates and were not searched.
    """

    passes: list
    n_hidden: int
    n_faint: int = 0


def find_passes(catalogue, search, *, run=None, progress=None, kernels=None):
    """All passes, ordered by time.

    Parameters
    ----------
    catalogue : OrbitCatalogue
    search : PassSearch
    run : callable, optional
        ``run(function, chunks)`` yields results in order: :func:`map` (default), ``pool.imap`` of a process
        pool, or what spreads them over a cluster.
    progress : callable, optional
        Called with the number of bodies done: those too faint, then after each chunk.
    kernels : Kernels, optional

    Returns
    -------
    list of Pass

    Raises
    ------
    InputError
        No target, or dates in the wrong order.
    EphemerisSpanError
        The dates leave the kernels.

    Examples
    --------
    >>> from appulse.bodies.readers import starter_orbits
    >>> from appulse.catalogues.deepsky import find_object
    >>> nebula = Targets.from_outlines([find_object("IC 4603")])
    >>> search = PassSearch(nebula, Time("2027-05-01"), Time("2027-05-09"), Site.geocentre())
    >>> [found] = find_passes(starter_orbits().take([4]), search)
    >>> found.id, round(found.separation_arcsec / 60, 1)
    ('7-IC4603-20270504', 3.7)
    """
    return find_and_count(catalogue, search, run=run, progress=progress, kernels=kernels).passes


@quiet_erfa()
def find_and_count(catalogue, search, *, run=None, progress=None, kernels=None) -> FoundAndHidden:
    """Passes as :func:`find_passes` gives them, and the number of those that the limits hide."""
    if not len(search.targets):
        raise InputError("no object to search near; give names, or limits that leave some")
    if not search.end > search.start:
        raise InputError(f"the search ends ({search.end.iso}) before it begins ({search.start.iso})")
    # Another process knows nothing of the kernels that were chosen in this one.
    kernels = kernels or chosen_kernels()
    bright = _bright_rows(catalogue, search.start, search.end, search.brighter_than, kernels)
    # Of a short list smaller chunks: they show how far the search is, and cost a seventh more.
    size = min(CHUNK, max(SMALL_CHUNK, len(bright) // STEPS_SHOWN))
    parts = [bright[i : i + size] for i in range(0, len(bright), size)]
    # A chunk carries all that it needs, so that it can go to another process or machine.
    chunks = [(catalogue.take(part), part, search, kernels) for part in parts]
    found, n_hidden = [], 0
    if progress is not None and len(bright) < len(catalogue):
        progress(len(catalogue) - len(bright))
    for chunk, (passes, hidden) in zip(chunks, (run or map)(_search_chunk, chunks), strict=True):
        found.extend(passes)
        n_hidden += hidden
        if progress is not None:
            progress(len(chunk[0]))
    found = sorted(found, key=lambda passing: (passing.time.jd, passing.id))
    return FoundAndHidden(found, n_hidden, len(catalogue) - len(bright))


def _bright_rows(catalogue, start, end, brighter_than, kernels):
    """Rows of the bodies that may be bright enough on some of the dates; all where no limit is given."""
    if brighter_than is None:
        return np.arange(len(catalogue))
    if kernels is not None and not isinstance(kernels, Kernels):
        kernels = Kernels(*kernels)
    span = (float(tdb_days(t)) for t in (start, end))
    return may_be_bright(catalogue, *span, brighter_than, kernels or default_kernels())


@quiet_erfa()
def _search_chunk(chunk):
    """Passes, and the number of hidden ones, of ``(catalogue, its rows in the whole, search, kernels)``."""
    catalogue, whole, search, kernels = chunk
    if kernels is not None and not isinstance(kernels, Kernels):
        kernels = Kernels(*kernels)
    ephemeris = NBodyEphemeris(catalogue, kernels=kernels)
    kernels = kernels or default_kernels()
    found, n_hidden = [], 0
    for paths in follow(ephemeris, search.start, search.end):
        passes, hidden = _passes_on(paths, ephemeris, whole, search, kernels)
        found += passes
        n_hidden += hidden
    return found, n_hidden


def _passes_on(paths, ephemeris, whole, search, kernels):
    """Scan one grid, refine each approach at the observer, keep what counts, body by body."""
    reach = search.reach_arcmin() * _ARCMIN
    on_ground = not getattr(search.observer, "is_geocentre", False)
    # Seen from the ground a body may come nearer by its parallax than from the Earth's centre: the scan looks
    # that much wider, and what does not count at the observer is dropped below.
    parallax = EARTH_RADIUS_AU / paths.nearest_au.min() if on_ground else 0.0
    unit = search.targets.unit
    near = least_separations(paths.t_d, paths.unit, unit, reach + parallax)
    # A comet's tail may lie across what its nucleus passes far away: each comet is scanned that much wider.
    tails = _tail_reaches(paths, ephemeris, search, kernels)
    wider = [
        _of_body(least_separations(paths.t_d, paths.unit[[body]], unit, reach + parallax + more), body)
        for body, more in tails.items()
    ]
    if wider:
        parts = [_some(near, ~np.isin(near.body, list(tails))), *wider]
        columns = ("body", "target", "time_d", "separation_rad")
        near = Approaches(*(np.concatenate([getattr(part, name) for part in parts]) for name in columns))
    span = tuple(float(tdb_days(t)) for t in (search.start, search.end))
    found, n_hidden = [], 0
    for body in np.unique(near.body):
        mine = near.body == body
        path, numbers = paths.spline(body), near.target[mine]
        t_d, separation = near.time_d[mine], near.separation_rad[mine]
        if on_ground:
            pairs = zip(numbers, t_d, strict=True)
            refined = [_refine_on_ground(path, unit[k], t, search.observer) for k, t in pairs]
            t_d, separation = np.array(refined).T
        # the grid runs beyond the dates on both sides
        limit = reach[numbers] + tails.get(int(body), 0.0)
        keep = (t_d >= span[0]) & (t_d <= span[1]) & (separation <= limit)
        if keep.any():
            row = int(paths.rows[body])
            dust = DustFans(ephemeris, row, search.observer) if int(body) in tails else None
            who = (path, ephemeris.orbit(row), int(whole[row]), dust)
            passes, hidden = _make_passes(*who, numbers[keep], t_d[keep], separation[keep], search, kernels)
            found += passes
            n_hidden += hidden
    return found, n_hidden


def _make_passes(path, orbit, row, dust, numbers, t_d, separation, search, kernels):
    """The passes of one body, their circumstances computed together; and how many the limits hide."""
    facts = circumstances(path, orbit, t_d, kernels, place_au(search.observer, t_d))
    keep = facts["elongation"] >= search.least_elongation
    if search.brighter_than is not None:
        keep &= facts["mag"] <= search.brighter_than
    times = utc(t_d)
    dates = times.isot  # of all at once: one by one they cost as much as the rest of a pass
    found, n_hidden = [], 0
    # Whether a pass counts that starts from the outline is known when it is drawn: then all are.
    for i in np.flatnonzero(keep | (search.measured_from == "outline")):
        target = search.targets.outline(numbers[i])
        tail = _tail(path, orbit, dust, target, t_d[i], facts["rate"][i], search, kernels)
        beyond = separation[i] > search.reach_arcmin()[numbers[i]] * _ARCMIN
        if beyond and (tail is None or not tail.touches):
            continue
        crossing = _cross(path, target, t_d[i], facts["rate"][i], search)
        outside = crossing is not None and crossing.distance_arcmin > search.within_arcmin
        touches = tail is not None and tail.touches
        if search.measured_from == "outline" and outside and not touches:
            continue
        if not keep[i]:
            n_hidden += 1
            continue
        then = {name: float(values[i]) for name, values in facts.items()}
        moment = times[i], dates[i]
        found.append(_pass(orbit, row, target, *moment, separation[i], crossing, then, tail))
    if search.measured_from != "outline":
        # Of what lies beyond the plain reach nobody has drawn the tail: it is not counted as hidden.
        near = separation <= search.reach_arcmin()[numbers] * _ARCMIN
        n_hidden = int(np.sum(~keep & near))
    return found, n_hidden


def _tail_reaches(paths, ephemeris, search, kernels) -> dict[int, float]:
    """Comets on a grid, by their number there, with how far their tails reach, radians."""
    m1, k1 = ephemeris.catalogue.m1[paths.rows], ephemeris.catalogue.k1[paths.rows]
    found = {}
    for body in np.flatnonzero(np.isfinite(m1)):
        slope = 10.0 if np.isnan(k1[body]) else k1[body]
        sun = sun_from(kernels, paths.t_d)
        reach = tail_reach_arcmin(paths.vectors[body], sun, m1[body], slope, search.tail_deg)
        if reach > 0.0:
            found[int(body)] = reach * _ARCMIN
    return found


def _of_body(near, body):
    """Approaches of a lone body with its number among the others."""
    return replace(near, body=np.full(len(near), body))


def _some(near, keep):
    return Approaches(near.body[keep], near.target[keep], near.time_d[keep], near.separation_rad[keep])


def _tail(path, orbit, dust, target, t_d, rate, search, kernels):
    """Coma and tail against the object, over the time in which they could lie on it."""
    if orbit.m1 is None:
        return None
    k1 = 10.0 if orbit.k1 is None else orbit.k1
    there = np.array([t_d])
    vector, sun = path(there) - place_au(search.observer, there), sun_from(kernels, there)
    reach = tail_reach_arcmin(vector, sun, orbit.m1, k1, search.tail_deg)
    if reach == 0.0:
        return None
    days = min(20.0, (reach + extent_arcmin(target) + 1.0) * 60 / max(rate, 1e-3) / 24)
    times = t_d + np.linspace(-days, days, TAIL_STEPS)
    keep = (times >= path.x[0]) & (times <= path.x[-1])
    times = times[keep]
    place = place_au(search.observer, times)
    least = int(np.argmin(np.abs(times - t_d)))
    return tail_pass(
        path(times) - place, sun_from(kernels, times, place), times, target, orbit.m1, k1, least,
        search.tail_deg, dust,
    )


def _pass(orbit, row, target, time, isot, separation, crossing, facts, tail=None):
    arcsec = float(np.degrees(separation) * 3600)
    return Pass(
        id=make_id(orbit.designation, target.name, isot),
        designation=orbit.designation,
        name=orbit.name,
        target=target,
        time=time,
        separation_arcsec=arcsec,
        crossing=crossing,
        in_sizes=arcsec / 60 / ((target.major_arcmin or np.nan) / 2),
        row=row,
        tail=tail,
        **facts,
    )


def _cross(path, target, t_d, rate, search):
    """Path against outline, over the time in which the body could be inside."""
    shape = _shape_of(target)
    if shape is None:
        return None
    # From one side of the outline to the other and a bit; a body that stands still is followed for 20 days.
    way_arcmin = 1.2 * (2 * extent_arcmin(target) + search.within_arcmin)
    days = min(20.0, way_arcmin * 60 / max(rate, 1e-3) / 24)
    times = t_d + np.linspace(-days, days, 2 * min(120, 10 + int(4 * days)) + 1)
    # a spline answers outside its grid too, with nonsense
    times = times[(times >= path.x[0]) & (times <= path.x[-1])]
    vector = path(times) - place_au(search.observer, times)
    unit = vector / np.linalg.norm(vector, axis=1, keepdims=True)
    return cross(shape, plane(unit, target.ra, target.dec), times)

@quiet_erfa()
def find_mutual_passes(catalogue, start, end, within_arcmin, *, brighter_than=None, kernels=None):
    """All passes of one body by another, as seen from the Earth's centre.

    Parameters
    ----------
    catalogue : OrbitCatalogue
    start, end : Time
    within_arcmin : float
    brighter_than : float, optional
        Both bodies.
    kernels : Kernels, optional

    Returns
    -------
    list of Pass
        Ordered by time; ``target`` is a point named after the second body, at its place of that moment.

    Raises
    ------
    InputError
        More bodies and days than fit into memory.

    Examples
    --------
    >>> from astropy.time import Time
    >>> from appulse.bodies.readers import starter_orbits
    >>> pair = starter_orbits().take([0, 4])
    >>> find_mutual_passes(pair, Time("2027-05-01"), Time("2027-05-09"), 1.0)
    []
    """
    ephemeris = NBodyEphemeris(catalogue, kernels=kernels)
    kernels = kernels or default_kernels()
    groups = list(follow(ephemeris, start, end, _bright_rows(catalogue, start, end, brighter_than, kernels)))
    # Bodies of different grids meet on the finest, where all of them have values.
    grid = max((paths.t_d for paths in groups), key=len)
    count = sum(len(paths.rows) for paths in groups)
    if count * len(grid) > MOST_DIRECTIONS:
        raise InputError(
            f"{count} bodies at {len(grid)} instants are too many for passes of body by body; name "
            "some bodies, or take fewer days"
        )
    splines = {int(row): paths.spline(i) for paths in groups for i, row in enumerate(paths.rows)}
    inner = grid[(grid >= max(p.t_d[0] for p in groups)) & (grid <= min(p.t_d[-1] for p in groups))]
    rows = np.array(sorted(splines))
    vectors = np.stack([splines[row](inner) for row in rows])
    unit = vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)
    near = least_separations_between(inner, unit, np.radians(within_arcmin / 60))
    first, last = (float(tdb_days(t)) for t in (start, end))
    found = []
    columns = (rows[near.body], rows[near.target], near.time_d, near.separation_rad)
    for row, other_row, t_d, separation in zip(*columns, strict=True):
        if first <= t_d <= last:
            pair = [(int(i), splines[int(i)]) for i in (row, other_row)]
            mutual = _mutual_pass(ephemeris, pair, t_d, separation, kernels)
            if brighter_than is None or max(mutual.mag, mutual.target.mag or np.inf) <= brighter_than:
                found.append(mutual)
    return sorted(found, key=lambda mutual: mutual.time.jd)


def _mutual_pass(ephemeris, pair, t_d, separation, kernels):
    (row, path), (other_row, other_path) = pair
    body, other = ephemeris.orbit(row), ephemeris.orbit(other_row)
    facts = {name: float(v[0]) for name, v in circumstances(path, body, [t_d], kernels).items()}
    theirs = circumstances(other_path, other, [t_d], kernels)
    ra, dec = (float(angle) for angle in radec_from_unit(other_path(t_d)))
    mag = float(theirs["mag"][0])
    # The second body stands where an object would: a point at its place of that moment.
    target = Outline(
        name=other.designation,
        kind="point",
        ra=ra,
        dec=dec,
        object_type="minor body",
        mag=mag if np.isfinite(mag) else None,
        other_names=(other.name,) if other.name else (),
        source=other.source,
    )
    time = utc(t_d)
    return _pass(body, row, target, time, time.isot, separation, None, facts)

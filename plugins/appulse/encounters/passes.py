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
from appulse.encounters.comet_pass import (
    DustFans,
    TailPass,
    sun_from,
    tail_pass,
    tail_reach_arcmin,
    tail_track,
)  # fmt: skip
from appulse.encounters.outline_pass import Crossing, crosses, on_planes, outline_shape
from appulse.encounters.paths import circumstances, circumstances_of, follow
from appulse.encounters.targets import Targets, extent_arcmin
from appulse.errors import InputError
from appulse.numerics import radec_from_unit, tangent_axes, unit_from_radec
from appulse.observers import Site, quiet_erfa, tdb_days

CHUNK, SMALL_CHUNK, STEPS_SHOWN = 250, 50, 20
EARTH_RADIUS_AU = 6378.137 / AU_KM
MOST_DIRECTIONS = 20_000_000
AT_ONCE = 1000
"""Passes that are drawn together: enough to spare the calls, few enough for the memory."""
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
    _ = catalogue.state  # of all at once: orbit by orbit it is a tenth of the search
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
        near = _joined(parts)
    span = tuple(float(tdb_days(t)) for t in (search.start, search.end))
    kept = []
    for body in np.unique(near.body):
        mine = near.body == body
        numbers, t_d, separation = near.target[mine], near.time_d[mine], near.separation_rad[mine]
        if on_ground:
            path, pairs = paths.spline(body), zip(numbers, t_d, strict=True)
            refined = [_refine_on_ground(path, unit[k], t, search.observer) for k, t in pairs]
            t_d, separation = np.array(refined).T
        # the grid runs beyond the dates on both sides
        limit = reach[numbers] + tails.get(int(body), 0.0)
        keep = (t_d >= span[0]) & (t_d <= span[1]) & (separation <= limit)
        kept.append(Approaches(near.body[mine][keep], numbers[keep], t_d[keep], separation[keep]))
    if not sum(map(len, kept)):
        return [], 0
    near = _joined(kept)
    return _make_passes(near, paths, ephemeris, whole, tails, search, kernels)


def _make_passes(near, paths, ephemeris, whole, tails, search, kernels):
    """The passes, all that numbers can say of them computed together; and how many the limits hide."""
    place = place_au(search.observer, near.time_d)
    bodies, starts = np.unique(near.body, return_index=True)
    orbits = {int(body): ephemeris.orbit(int(paths.rows[body])) for body in bodies}
    runs = [slice(*ends) for ends in zip(starts, [*starts[1:], len(near)], strict=True)]
    of_orbits = list(zip(orbits.values(), runs, strict=True))
    facts = circumstances_of(*paths.at(near.body, near.time_d), of_orbits, near.time_d, kernels, place)
    keep = facts["elongation"] >= search.least_elongation
    if search.brighter_than is not None:
        keep &= facts["mag"] <= search.brighter_than
    plain = near.separation_rad <= search.reach_arcmin()[near.target] * _ARCMIN
    # Whether a pass counts that starts from the outline is known when it is drawn: then all are.
    from_outline = search.measured_from == "outline"
    rows, drawn = np.flatnonzero(keep | from_outline), {}
    if tails:
        drawn = _tails(near, rows, paths, ephemeris, tails, facts["rate"], search, kernels)
        rows = np.array([i for i in rows if plain[i] or (i in drawn and drawn[i].touches)], dtype=int)
    else:
        rows = rows[plain[rows]]
    targets = [search.targets.outline(number) for number in near.target[rows]]
    crossings = _crossings(paths, near.body[rows], targets, near.time_d[rows], facts["rate"][rows], search)
    times = utc(near.time_d)
    dates = times.isot  # of all at once: one by one they cost as much as the rest of a pass
    lists = {name: values.tolist() for name, values in facts.items()}
    found, n_hidden = [], 0
    for i, target, crossing in zip(rows.tolist(), targets, crossings, strict=True):
        tail = drawn.get(i)
        outside = crossing is not None and crossing.distance_arcmin > search.within_arcmin
        if from_outline and outside and not (tail is not None and tail.touches):
            continue
        if not keep[i]:
            n_hidden += 1
            continue
        body = int(near.body[i])
        who = orbits[body], int(whole[paths.rows[body]]), target, times[i], dates[i]
        then = {name: values[i] for name, values in lists.items()}
        found.append(_pass(*who, near.separation_rad[i], crossing, then, tail))
    if not from_outline:
        # Of what lies beyond the plain reach nobody has drawn the tail: it is not counted as hidden.
        n_hidden = int(np.sum(~keep & plain))
    return found, n_hidden


def _tails(near, rows, paths, ephemeris, tails, rates, search, kernels) -> dict[int, TailPass]:
    """Comas and tails against the objects, by the number of the approach; only those that are known."""
    found = {}
    for body in np.unique(near.body[rows]).tolist():
        row, path = int(paths.rows[body]), paths.spline(body)
        orbit, tracks = ephemeris.orbit(row), {}
        for i in rows[near.body[rows] == body].tolist():
            target = search.targets.outline(near.target[i])
            track = _tail_track(path, orbit, target, near.time_d[i], rates[i], search, kernels)
            if track is not None:
                tracks[i] = track
        dust = DustFans(ephemeris, row, search.observer) if body in tails and tracks else None
        if dust is not None:
            dust.prepare(np.concatenate([track.near_d for track in tracks.values()]))
        found |= {i: tail_pass(track, dust) for i, track in tracks.items()}
    return found


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


def _joined(parts):
    columns = ("body", "target", "time_d", "separation_rad")
    return Approaches(*(np.concatenate([getattr(part, name) for part in parts]) for name in columns))


def _some(near, keep):
    return Approaches(near.body[keep], near.target[keep], near.time_d[keep], near.separation_rad[keep])


def _tail_track(path, orbit, target, t_d, rate, search, kernels):
    """Coma and tail about the object, over the time in which they could lie on it."""
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
    vectors, sun = path(times) - place, sun_from(kernels, times, place)
    return tail_track(vectors, sun, times, target, orbit.m1, k1, least, search.tail_deg)


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


def _crossings(paths, bodies, targets, t_d, rates, search) -> list[Crossing | None]:
    """Paths against outlines, each over the time in which the body could be inside."""
    found = [None] * len(targets)
    shapes = [_shape_of(target) for target in targets]
    drawn = [i for i, shape in enumerate(shapes) if shape is not None]
    for first in range(0, len(drawn), AT_ONCE):
        some = drawn[first : first + AT_ONCE]
        times = [_while_near(paths.t_d, targets[i], t_d[i], rates[i], search) for i in some]
        counts = np.array([len(part) for part in times])
        times = np.concatenate(times)
        vector = paths.at(np.repeat(bodies[some], counts), times)[0] - place_au(search.observer, times)
        centre = unit_from_radec([targets[i].ra for i in some], [targets[i].dec for i in some])
        axes = (np.repeat(axis, counts, axis=0) for axis in (centre, *tangent_axes(centre)))
        points = on_planes(vector / np.linalg.norm(vector, axis=1, keepdims=True), *axes)
        starts = np.concatenate([[0], np.cumsum(counts)])
        for i, crossing in zip(some, crosses([shapes[i] for i in some], points, times, starts), strict=True):
            found[i] = crossing
    return found


def _while_near(grid_d, target, t_d, rate, search):
    # From one side of the outline to the other and a bit; a body that stands still is followed for 20 days.
    way_arcmin = 1.2 * (2 * extent_arcmin(target) + search.within_arcmin)
    days = min(20.0, way_arcmin * 60 / max(rate, 1e-3) / 24)
    times = t_d + np.linspace(-days, days, 2 * min(120, 10 + int(4 * days)) + 1)
    # a spline answers outside its grid too, with nonsense
    return times[(times >= grid_d[0]) & (times <= grid_d[-1])]


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

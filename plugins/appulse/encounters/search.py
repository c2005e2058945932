"""All passes of bodies by objects in a span of dates.

    orbits -> geocentric paths (N-body, a grid of days) -> scan on unit vectors -> refined at the observer
           -> against the outline -> table

The search is cut into chunks of bodies; chunks run here, on a process pool, or on a Dask cluster, and give
the same passes in the same order.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from astropy.time import Time

from appulse.bodies.ephemeris import NBodyEphemeris
from appulse.bodies.kernels import Kernels, default_kernels
from appulse.constants import AU_KM
from appulse.encounters.ground import place_au, refine_on_ground, utc
from appulse.encounters.outline_pass import cross, outline_shape, plane
from appulse.encounters.passes import Pass, make_id
from appulse.encounters.paths import circumstances, follow
from appulse.encounters.scan import least_separations
from appulse.encounters.targets import Targets, extent_arcmin
from appulse.errors import InputError
from appulse.observers.site import Site
from appulse.observers.timescales import quiet_erfa, tdb_days

CHUNK = 250
EARTH_RADIUS_AU = 6378.137 / AU_KM
_ARCMIN = np.pi / 180 / 60


@dataclass(frozen=True)
class Search:
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
    """

    targets: Targets
    start: Time
    end: Time
    observer: Site
    within_arcmin: float = 10.0
    measured_from: str = "centre"
    least_elongation: float = 0.0
    brighter_than: float | None = None

    def reach_arcmin(self):
        """Separation from the centre below which a pass may count, per target, arcmin."""
        reach = np.full(len(self.targets), float(self.within_arcmin))
        return reach + self.targets.extent_arcmin if self.measured_from == "outline" else reach


@quiet_erfa()
def find_passes(catalogue, search, *, run=None, progress=None, kernels=None):
    """All passes, ordered by time.

    Parameters
    ----------
    catalogue : OrbitCatalogue
    search : Search
    run : callable, optional
        ``run(function, chunks)`` yields results in order: :func:`map` (default), ``pool.imap`` of a process
        pool, or :func:`appulse.encounters.cluster.on_dask`.
    progress : callable, optional
        Called with the number of bodies done after each chunk.
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
    >>> search = Search(nebula, Time("2027-05-01"), Time("2027-05-09"), Site.geocentre())
    >>> [found] = find_passes(starter_orbits().take([4]), search)
    >>> found.id, round(found.separation_arcsec / 60, 1)
    ('7-IC4603-20270504', 3.7)
    """
    if not len(search.targets):
        raise InputError("no object to search near; give names, or limits that leave some")
    if not search.end > search.start:
        raise InputError(f"the search ends ({search.end.iso}) before it begins ({search.start.iso})")
    count = len(catalogue)
    rows = [np.arange(i, min(i + CHUNK, count)) for i in range(0, count, CHUNK)]
    chunks = [(catalogue.take(some), int(some[0]), search, kernels) for some in rows]
    found = []
    for chunk, passes in zip(chunks, (run or map)(search_chunk, chunks), strict=True):
        found.extend(passes)
        if progress is not None:
            progress(len(chunk[0]))
    return sorted(found, key=lambda one: (one.time.jd, one.id))


@quiet_erfa()
def search_chunk(chunk):
    """Passes of one chunk of bodies: ``(catalogue, first row, search, kernels)``; picklable both ways."""
    catalogue, first, search, kernels = chunk
    if kernels is not None and not isinstance(kernels, Kernels):
        kernels = Kernels(*kernels)
    ephemeris = NBodyEphemeris(catalogue, kernels=kernels)
    kernels = kernels or default_kernels()
    found = []
    for paths in follow(ephemeris, search.start, search.end):
        found += _passes_on(paths, ephemeris, first, search, kernels)
    return found


def _passes_on(paths, ephemeris, first, search, kernels):
    """Scan one grid, refine each approach at the observer, keep what counts, body by body."""
    reach = search.reach_arcmin() * _ARCMIN
    on_ground = not getattr(search.observer, "is_geocentre", False)
    parallax = EARTH_RADIUS_AU / paths.nearest_au.min() if on_ground else 0.0
    unit = search.targets.unit
    near = least_separations(paths.t_d, paths.unit, unit, reach + parallax)
    span = tuple(float(tdb_days(t)) for t in (search.start, search.end))
    found = []
    for body in np.unique(near.body):
        mine = near.body == body
        path, numbers = paths.spline(body), near.target[mine]
        t_d, separation = near.time_d[mine], near.separation_rad[mine]
        if on_ground:
            pairs = zip(numbers, t_d, strict=True)
            refined = [refine_on_ground(path, unit[k], t, search.observer) for k, t in pairs]
            t_d, separation = np.array(refined).T
        keep = (t_d >= span[0]) & (t_d <= span[1]) & (separation <= reach[numbers])
        if keep.any():
            row = int(paths.rows[body])
            who = (path, ephemeris.orbit(row), first + row)
            found += _make_passes(*who, numbers[keep], t_d[keep], separation[keep], search, kernels)
    return found


def _make_passes(path, orbit, row, numbers, t_d, separation, search, kernels):
    """The passes of one body, their circumstances computed together."""
    facts = circumstances(path, orbit, t_d, kernels, place_au(search.observer, t_d))
    keep = facts["elongation"] >= search.least_elongation
    if search.brighter_than is not None:
        keep &= facts["mag"] <= search.brighter_than
    times = utc(t_d)
    dates = np.atleast_1d(times.isot)
    found = []
    for i in np.flatnonzero(keep):
        target = search.targets.outline(numbers[i])
        crossing = _cross(path, target, t_d[i], facts["rate"][i], search)
        outside = crossing is not None and crossing.distance_arcmin > search.within_arcmin
        if search.measured_from == "outline" and outside:
            continue
        arcsec = float(np.degrees(separation[i]) * 3600)
        found.append(
            Pass(
                id=make_id(orbit.designation, target.name, dates[i]),
                designation=orbit.designation,
                name=orbit.name,
                target=target,
                time=times[i],
                separation_arcsec=arcsec,
                crossing=crossing,
                in_sizes=arcsec / 60 / ((target.major_arcmin or np.nan) / 2),
                row=row,
                **{name: float(values[i]) for name, values in facts.items()},
            )
        )
    return found


_shape_of = lru_cache(maxsize=20_000)(outline_shape)


def _cross(path, target, t_d, rate, search):
    """Path against outline, over the time in which the body could be inside."""
    shape = _shape_of(target)
    if shape is None:
        return None
    # From one side of the outline to the other and a bit; a body that stands still is followed for 20 days.
    way_arcmin = 1.2 * (2 * extent_arcmin(target) + search.within_arcmin)
    days = min(20.0, way_arcmin * 60 / max(rate, 1e-3) / 24)
    times = t_d + np.linspace(-days, days, 2 * min(120, 10 + int(4 * days)) + 1)
    times = times[(times >= path.x[0]) & (times <= path.x[-1])]
    vector = path(times) - place_au(search.observer, times)
    unit = vector / np.linalg.norm(vector, axis=1, keepdims=True)
    return cross(shape, plane(unit, target.ra, target.dec), times)

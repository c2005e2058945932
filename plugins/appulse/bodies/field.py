"""Which bodies of a catalogue, of any size, are in a field at a moment."""

import weakref
from collections import OrderedDict

import numpy as np
from astropy import units as u

from appulse.bodies.ephemeris import NBodyEphemeris
from appulse.bodies.ephemeris_table import clean_times
from appulse.bodies.kernels import EARTH, default_kernels
from appulse.bodies.night_sky import night_sky
from appulse.constants import J2000_JD
from appulse.errors import InputError
from appulse.numerics.spherical import separation_rad, unit_from_radec
from appulse.observers.timescales import tdb_days

NIGHTS_KEPT = 2
MANY, FAR_D = 40, 1000.0
"""More bodies than this, so many days from their epochs, are first looked at roughly: there the two-body sky
cuts nothing, and the full integration of them all takes minutes."""
ROUGH_TOLERANCE, ROUGH_DEG = 1e-8, 1.0
"""Tolerance of the rough look and the error allowed for it: over 16 years the worst of 491 bodies, most of
them near the Earth, was 0.013 degrees off."""
BODIES_KEPT = 20_000
"""Integrated bodies kept for the next field; beyond that they are let go."""
_shelves = weakref.WeakKeyDictionary()


class _Shelf:
    """What is kept of one catalogue: the skies of the last nights and the integrated bodies."""

    def __init__(self, catalogue, kernels):
        self.kernels = kernels
        self.skies = OrderedDict()
        self.ephemeris = NBodyEphemeris(catalogue, kernels=kernels)

    def sky(self, catalogue, t_d, observer, place):
        if observer.origin != "earth" or _far(place, t_d, self.kernels):
            return night_sky(catalogue, t_d, self.kernels, place)
        night = float(np.floor(t_d + 0.5))
        night = min(max(night, self.kernels.start_d), self.kernels.end_d)
        if night not in self.skies:
            self.skies[night] = night_sky(catalogue, night, self.kernels)
            while len(self.skies) > NIGHTS_KEPT:
                self.skies.popitem(last=False)
        return self.skies[night]


def _far(place, t_d, kernels):
    """An observer that goes with the Earth but not on it (a spacecraft near L2) gets a sky of its own."""
    earth = kernels.major(np.array([t_d]))[0][0, EARTH]
    return float(np.linalg.norm(place - earth)) > 4.3e-5


def bodies_in_field(
    catalogue, time, observer, ra_deg, dec_deg, radius_deg, *, limit_mag=None, kernels=None, uncertainty=False
):  # fmt: skip
    """Bodies of a catalogue within a circle on the sky, with integrated places.

    The night's two-body sky is kept with the catalogue, and so are the integrated bodies: a second field of
    the same night costs little.

    Parameters
    ----------
    catalogue : OrbitCatalogue
        Up to the full 1.4 million bodies.
    time : Time, scalar
    observer : Site, SpacecraftVector or alike
    ra_deg, dec_deg : float, degrees, ICRF
    radius_deg : float, degrees, at most 180
    limit_mag : float, optional
        Bodies fainter are left out; those without a magnitude are kept.
    kernels : Kernels, optional
    uncertainty : bool
        Propagate the covariances of those found.

    Returns
    -------
    QTable
        As :meth:`NBodyEphemeris.at`, brightest first, with ``separation`` (deg) from the centre. Empty when
        nothing is there.

    Raises
    ------
    InputError
        The circle is not a circle on the sky, or more than one time is given.
    EphemerisSpanError
        The time lies outside the kernels.

    Examples
    --------
    >>> from astropy.time import Time
    >>> from appulse.bodies.orbits import Orbit, OrbitCatalogue
    >>> from appulse.observers.site import Site
    >>> more = dict(q=1.84, e=0.23, i=5.5, node=259.5, peri=145.5)
    >>> catalogue = OrbitCatalogue.from_orbits(
    ...     [Orbit.from_elements(str(k), 2461000.5, tp=2461200.5 + 30 * k, **more) for k in range(1, 20)])
    >>> time, site = Time("2026-03-01"), Site.geocentre()
    >>> where = NBodyEphemeris(catalogue).at(time, site, bodies="7")[0]
    >>> found = bodies_in_field(catalogue, time, site, where["ra"].value, where["dec"].value, 1.0)
    >>> [str(name) for name in found["designation"]]
    ['7']
    """
    times = clean_times(time)
    if len(times) != 1:
        raise InputError(f"a field is searched at one time, got {len(times)}; call once for each")
    values = np.array([ra_deg, dec_deg, radius_deg], dtype=float)
    if not np.all(np.isfinite(values)) or abs(values[1]) > 90 or not 0 < values[2] <= 180:
        raise InputError(
            f"field at RA {ra_deg}, Dec {dec_deg}, radius {radius_deg}: degrees are needed, the declination"
            " in -90..90, the radius above 0 and at most 180"
        )
    shelf = _shelf(catalogue, kernels or default_kernels())
    rows = _candidates(shelf, catalogue, times, observer, values, limit_mag)
    rows = _roughly_inside(shelf, catalogue, rows, times, observer, values)
    return _exact(shelf.ephemeris, rows, times, observer, values, limit_mag, uncertainty)


def _shelf(catalogue, kernels):
    shelf = _shelves.get(catalogue)
    if shelf is None or shelf.kernels is not kernels or shelf.ephemeris.kept > BODIES_KEPT:
        shelf = _Shelf(weakref.proxy(catalogue), kernels) if shelf is None else shelf
        shelf.kernels = kernels
        shelf.ephemeris = NBodyEphemeris(weakref.proxy(catalogue), kernels=kernels)
        _shelves[catalogue] = shelf
    return shelf


def _candidates(shelf, catalogue, times, observer, circle, limit_mag):
    from appulse.bodies.places import view

    seen = view(shelf.kernels, times, observer)
    sky = shelf.sky(catalogue, float(tdb_days(times)[0]), observer, seen.place[0])
    centre = unit_from_radec(circle[0], circle[1])
    return sky.survivors(centre, np.radians(circle[2]), float(seen.t_d[0]), limit_mag)


def _roughly_inside(shelf, catalogue, rows, times, observer, circle):
    """Rows that a quick integration leaves near the circle; all where they are few or it is not far."""
    away = np.abs(np.asarray(catalogue.epoch_jd_tdb)[rows] - J2000_JD - float(tdb_days(times)[0]))
    if len(rows) <= MANY or np.median(away) <= FAR_D:
        return rows
    rough = NBodyEphemeris(catalogue.take(rows), kernels=shelf.kernels, tolerance=ROUGH_TOLERANCE)
    vectors = rough.vectors(times, observer)[:, 0]
    centre = unit_from_radec(circle[0], circle[1])
    apart = separation_rad(vectors, np.broadcast_to(centre, vectors.shape))
    return rows[apart <= np.radians(circle[2] + ROUGH_DEG)]


def _exact(ephemeris, rows, times, observer, circle, limit_mag, uncertainty):
    """Integrated places of the candidates, those inside kept, brightest first."""
    vectors = ephemeris.vectors(times, observer, rows)[:, 0] if len(rows) else np.empty((0, 3))
    apart = separation_rad(vectors, np.broadcast_to(unit_from_radec(circle[0], circle[1]), vectors.shape))
    inside = np.flatnonzero(apart <= np.radians(circle[2]))
    table = ephemeris.table(rows[inside], times, observer, uncertainty=uncertainty)
    table["separation"] = np.degrees(apart[inside]) * u.deg
    table["separation"].info.description = "distance from the centre of the field"
    mag = np.where(table["mag"].mask, np.inf, table["mag"].unmasked.value)
    table = table[np.argsort(mag, kind="stable")]
    if limit_mag is not None:
        table = table[table["mag"].mask | (table["mag"].unmasked.value <= limit_mag)]
    return table

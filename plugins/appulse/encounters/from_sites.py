"""A pass as several sites see it, and its least separation over the whole Earth.

A body that is near stands in another direction from every place: what it crosses here it misses there.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from astropy import units as u
from astropy.time import Time, TimeDelta

from appulse.bodies import default_kernels
from appulse.constants import ARCSEC_PER_RAD, AU_KM
from appulse.encounters.passes import Pass, PassSearch, find_passes
from appulse.encounters.targets import Targets
from appulse.numerics import unit_from_radec
from appulse.observers import Site, itrs_to_gcrs, quiet_erfa, tdb_days

# Inside this share of the semi-major axis a body crosses an object's core (common practice, no source).
CORE_SHARE = 0.15
WIDE_ARCMIN = 600.0
# Of the map: nodes in longitude and latitude, instants, hours to each side of the geocentric pass.
MAP_STEP_DEG = 4.0
MAP_INSTANTS, MAP_REACH_H = 145, 12.0
EARTH_RADIUS_KM = 6378.137


class SeenPass(NamedTuple):
    """A pass from one site: its name, the pass, and what it does there in words."""

    site: str
    encounter: Pass
    words: str


def seen_from(encounter: Pass, catalogue, places) -> list[SeenPass]:
    """A pass from several sites.

    Parameters
    ----------
    encounter : Pass
        By an object at rest.
    catalogue : OrbitCatalogue
        The one that was searched.
    places : dict of str to Site

    Returns
    -------
    list of SeenPass
        In the order of the places.
    """
    body, found = catalogue.take(np.array([encounter.row])), []
    span = encounter.time - 2 * u.day, encounter.time + 2 * u.day
    for name, site in places.items():
        search = PassSearch(Targets.from_outlines([encounter.target]), *span, site, WIDE_ARCMIN)
        passes = find_passes(body, search)
        if passes:
            nearest = min(passes, key=lambda one: abs((one.time - encounter.time).jd))
            found.append(SeenPass(name, nearest, what_it_does(nearest)))
    return found


def what_it_does(encounter: Pass) -> str:
    """'crosses the core', 'crosses the outline', 'misses by 8 arcsec', or how near it comes."""
    apart = _angle(encounter.separation_arcsec)
    if encounter.crossing is None:
        return f"passes {apart} from the centre"
    if encounter.inside_outline:
        what = "the core" if encounter.in_sizes < CORE_SHARE else "the outline"
        return f"crosses {what}, {apart} from the centre"
    return f"misses by {_angle(encounter.crossing.distance_arcmin * 60)}"


def _angle(arcsec: float) -> str:
    if arcsec < 100:
        return f"{arcsec:.0f} arcsec" if arcsec >= 1 else f"{arcsec:.1f} arcsec"
    return f"{arcsec / 60:.1f} arcmin" if arcsec < 6000 else f"{arcsec / 3600:.2f} degrees"


def parallax_words(found: list[SeenPass]) -> str:
    """'from A it crosses the core, from B it misses by 8 arcsec'."""
    if not found:
        return ""
    said = ", ".join(f"from {one.site} it {one.words}" for one in found)
    spread = np.ptp([one.encounter.separation_arcsec for one in found])
    if len(found) > 1 and spread < 1.0:
        return f"{said}; the sites differ by less than 1 arcsec"
    return said


@dataclass(frozen=True)
class EarthMap:
    """Least separation of a pass over the Earth.

    Attributes
    ----------
    title : str
    lon_deg, lat_deg : (n,), (m,) arrays
    separation_arcsec : (m, n) array
        From the object's centre.
    in_view : (m, n) bool array
        Whether at that moment the body is up and the Sun at least 6 degrees down.
    time : Time
        Of the geocentric pass.
    delta_au : float
    outline_arcsec : float
        Mean radius of the object's outline; NaN without one.
    """

    title: str
    lon_deg: np.ndarray
    lat_deg: np.ndarray
    separation_arcsec: np.ndarray
    in_view: np.ndarray
    time: Time
    delta_au: float
    outline_arcsec: float


@quiet_erfa()
def map_of_pass(encounter: Pass, catalogue, vectors, *, step_deg: float = MAP_STEP_DEG) -> EarthMap:
    """Least separation of a pass from everywhere on the Earth.

    Parameters
    ----------
    encounter : Pass
        By an object at rest.
    catalogue : OrbitCatalogue
    vectors : callable
        Geocentric vector of the body at a Time, (n, 3) au, as ``body_vectors`` gives it.
    step_deg : float
        Of the map.

    Returns
    -------
    EarthMap
    """
    lon = np.arange(-180.0, 180.0 + step_deg / 2, step_deg)
    lat = np.arange(-88.0, 88.0 + step_deg / 2, step_deg)
    # The parallax moves the moment by what the body needs for it, and the Earth turns meanwhile.
    shift_h = EARTH_RADIUS_KM / AU_KM / encounter.delta * ARCSEC_PER_RAD / max(encounter.rate, 1e-3)
    reach = float(np.clip(3.0 * shift_h, 1.0, MAP_REACH_H))
    times = encounter.time + TimeDelta(np.linspace(-reach, reach, MAP_INSTANTS) * 3600.0, format="sec")
    body = vectors(times)
    target = unit_from_radec(encounter.target.ra, encounter.target.dec)
    # The Earth's axes at every moment carry all ground places at once.
    axes = np.stack([itrs_to_gcrs(axis * 1e6, times)[0] * 1e-6 for axis in np.eye(3)], axis=2)
    major = default_kernels().major(np.atleast_1d(tdb_days(times)))[0]
    sun = major[:, 0] - major[:, 3]
    sun = sun / np.linalg.norm(sun, axis=1, keepdims=True)
    least = np.empty((len(lat), len(lon)))
    in_view = np.zeros_like(least, bool)
    for j, latitude in enumerate(lat):
        places = np.array([Site.from_geodetic(x, latitude, 0.0).itrs_m for x in lon])
        ground = np.einsum("tij,gj->tgi", axes, places)
        sight = body[:, None] - ground
        sight /= np.linalg.norm(sight, axis=2, keepdims=True)
        apart = 2 * np.arcsin(np.linalg.norm(sight - target, axis=2) / 2)
        k = np.clip(np.argmin(apart, axis=0), 1, len(times) - 2)
        g = np.arange(len(lon))
        low, mid, high = (apart[k + d, g] ** 2 for d in (-1, 0, 1))
        bend = low - 2 * mid + high
        lower = mid - np.where(bend > 0, (low - high) ** 2 / np.where(bend > 0, 8 * bend, 1.0), 0.0)
        # At the rim of the time that is looked at nothing is interpolated.
        rim = np.min(apart, axis=0)
        least[j] = np.sqrt(np.maximum(np.where(mid <= np.minimum(low, high), lower, rim**2), 0.0))
        up = ground / np.linalg.norm(ground, axis=2, keepdims=True)
        high_up = np.einsum("tgi,tgi->tg", sight, up)[k, g] > 0
        dark = np.einsum("ti,tgi->tg", sun, up)[k, g] < np.sin(np.radians(-6.0))
        in_view[j] = high_up & dark
    name = encounter.name or encounter.designation
    size = encounter.target.major_arcmin
    return EarthMap(
        f"{name} by {encounter.target.name}", lon, lat, least * ARCSEC_PER_RAD, in_view, encounter.time,
        float(encounter.delta), 30.0 * size if size else np.nan,
    )  # fmt: skip

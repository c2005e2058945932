"""When a body can be photographed from a site: the nights around a pass, site by site.

A night runs from one local mean noon to the next and is named by the date of its evening. It can be used
while the Sun is low enough, the body stands above the horizon and in the window, and the Moon is far or dim
enough.
"""

from __future__ import annotations

import datetime
import zoneinfo
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from astropy.time import Time, TimeDelta
from scipy.interpolate import CubicSpline

from appulse.bodies import NBodyEphemeris
from appulse.encounters.atmosphere import airmass, sky_brightness
from appulse.encounters.local_sky import SkyOver, horizon_altitude, in_window
from appulse.encounters.passes import Pass
from appulse.numerics import separation_rad, unit_from_radec
from appulse.observers import Site, quiet_erfa

STEP_MINUTES = 5.0
KEPT_NIGHTS = 128
NIGHT_REACH_D = 1.6
"""From the pass' own moment to the far end of the night that holds it, and the spline's end, days."""

NEAR_ARCMIN = 30.0
"""A night can be used while body and object fit into a field a degree wide: common practice, no source."""

LEAST_HOURS = 0.25
"""A usable stretch shorter than this is none: common practice, no source."""


@dataclass(frozen=True)
class SiteNight:
    """One night of one site.

    Attributes
    ----------
    site : SiteSettings
    evening : datetime.date
        Local date on which the night begins.
    times : Time
        UTC, shape (n,), every 5 minutes from noon to noon.
    altitude, azimuth, air, sun_altitude, moon_altitude, moon_separation : (n,) arrays
        Body's altitude and azimuth, airmass, Sun's and Moon's altitude, Moon's distance from the body
        (degrees).
    sky, moonless_sky : (n,) arrays
        Brightness of the night sky at the body with the Moon and without (V mag/arcsec2).
    moon_illumination : float
        Lit share at the middle.
    dark, seen, moon_ok, near : (n,) bool arrays
        Sun low enough; body above horizon and in the window; Moon no trouble; body near the object.
    reach_deg, nearest_deg : float
        What near means, and how near the body comes to the object within these hours.
    """

    site: object
    evening: datetime.date
    times: Time
    altitude: np.ndarray
    azimuth: np.ndarray
    air: np.ndarray
    sun_altitude: np.ndarray
    moon_altitude: np.ndarray
    moon_separation: np.ndarray
    sky: np.ndarray
    moonless_sky: np.ndarray
    moon_illumination: float
    dark: np.ndarray
    seen: np.ndarray
    moon_ok: np.ndarray
    near: np.ndarray
    reach_deg: float = np.nan
    nearest_deg: float = np.nan

    @property
    def usable(self):
        """Where all conditions hold, bool array."""
        return self.dark & self.seen & self.moon_ok & self.near

    @property
    def chosen(self):
        """The longest usable stretch, bool array."""
        first, last = self._stretch
        index = np.arange(len(self.usable))
        return (index >= first) & (index < last)

    @property
    def hours(self):
        """Hours from the first usable instant of the longest stretch to its last; 0 below a quarter."""
        first, last = self._stretch
        hours = (last - first - 1) * STEP_MINUTES / 60.0
        return hours if hours >= LEAST_HOURS else 0.0

    @property
    def interval(self):
        """Begin and end of the longest usable stretch (Time, Time), or None."""
        if self.hours == 0.0:
            return None
        first, last = self._stretch
        return self.times[first], self.times[last - 1]

    def within(self, begin, end):
        """The same night with nothing usable outside two moments."""
        slack = TimeDelta(1.0, format="sec")
        inside = (self.times >= begin - slack) & (self.times <= end + slack)
        return replace(self, near=self.near & inside)

    @property
    def _stretch(self):
        # +1 where a usable stretch begins, -1 one past its end
        edges = np.flatnonzero(np.diff(np.r_[False, self.usable, False].astype(int)))
        if not len(edges):
            return 0, 0
        starts, ends = edges[::2], edges[1::2]
        best = np.argmax(ends - starts)
        return int(starts[best]), int(ends[best])

    @property
    def reason(self):
        """Why the night does not serve, in words; empty when it does."""
        if self.hours > 0.0:
            return ""
        if not self.dark.any():
            return (
                f"the Sun stays above {self.site.twilight:g} degrees all night "
                f"(lowest {_degrees(self.sun_altitude.min())})"
            )
        if not self.near.any():
            nearest = f"nearest {self.nearest_deg:.2g}"
            return f"the body stays farther than {self.reach_deg:.2g} degrees from the object ({nearest})"
        # The reasons are asked in the order in which they leave nothing: the first that does is the one to
        # give.
        served = self.dark & self.near
        if not served.any():
            return "the body is near the object in daylight only"
        if not (served & self.seen).any():
            return self._hidden(served)
        if not (served & self.seen & self.moon_ok).any():
            return self._moonlit(served & self.seen)
        return "usable for less than a quarter of an hour at a stretch"

    def _hidden(self, served):
        """Why the body is not seen in the dark: below the horizon, too low, behind something."""
        top = float(self.altitude[served].max())
        highest = f"(highest {_degrees(top)} degrees in the dark)"
        if top <= 0.0:
            return f"the body stays below the horizon {highest}"
        if top < self.site.lowest:
            return f"the body stays below {self.site.lowest:g} degrees {highest}"
        where = "outside the site's window" if self.site.window is not None else "behind the horizon"
        return f"the body stays {where} while it is dark {highest}"

    def _moonlit(self, seen):
        """Which of the Moon's limits is broken whenever the body can be seen."""
        farthest, site = float(self.moon_separation[seen].max()), self.site
        if farthest < site.moon_separation:
            limit = f"nearer than {site.moon_separation:g} degrees"
            return f"the Moon stays {limit} (at most {farthest:.0f} away)"
        if self.moon_illumination > site.moon_illumination:
            most = f"allowed while it is up: {site.moon_illumination:.0%}"
            return f"the Moon is up and {self.moon_illumination:.0%} lit ({most})"
        return "the Moon is too near or too bright whenever the body can be seen"


def _degrees(value):
    """One decimal, and no minus before a zero."""
    return f"{value + 0.0 if abs(value) >= 0.05 else 0.0:.1f}"


def local_midnight(site, day):
    """Local mean midnight that follows the evening of `day`, UTC, to the nearest five minutes."""
    # Whole minutes read better, and a midnight to the second would give a private longitude away.
    # kept on the grid's own step
    step_s = STEP_MINUTES * 60.0
    after_d = 1.0 - site.place.geodetic[0] / 360.0 - _date_line(site, day)
    after_s = round(after_d * 86_400.0 / step_s) * step_s
    return Time(day.isoformat(), scale="utc") + TimeDelta(after_s, format="sec")


def evening_of(site, time):
    """Date of the evening of the night that holds a time."""
    lon = site.place.geodetic[0]
    day = (time + TimeDelta((lon / 360.0 - 0.5) * 86_400.0, format="sec")).to_datetime().date()
    return day + datetime.timedelta(days=_date_line(site, day))


def _date_line(site, day):
    """Days by which a site's calendar runs ahead of its longitude: 1 in the bends of the date line."""
    noon = datetime.datetime(day.year, day.month, day.day, 12, tzinfo=zoneinfo.ZoneInfo(site.time_zone))
    return round((noon.utcoffset().total_seconds() / 3600 - site.place.geodetic[0] / 15) / 24)


@lru_cache(maxsize=KEPT_NIGHTS)
def _sky_of(place, midnight, kernels):
    """Sky, Sun and Moon of one night over a place: many bodies are watched through the same night."""
    # from noon to noon, around midnight
    count = int(24 * 60 / STEP_MINUTES)
    offsets = (np.arange(count) - count / 2) * STEP_MINUTES * 60.0
    over = SkyOver(place, Time(midnight, scale="utc") + TimeDelta(offsets, format="sec"))
    return over, over.sun_and_moon(kernels)


@quiet_erfa()
def watch_night(site, day, vector_au, target_unit, reach_deg, kernels=None):
    """Follow a body through one night; it is near the object within `reach_deg`.

    `vector_au` gives the body's geocentric vectors at a Time: ICRF axes, au, light time included, (n, 3).
    """
    over, lights = _sky_of(site.place, local_midnight(site, day).isot, kernels)
    times, count = over.times, len(over.times)
    direction = vector_au(times) - over.place_au
    altitude, azimuth = over.horizontal(direction)
    moon_separation = np.degrees(separation_rad(direction, lights.moon_au))
    # below the horizon the Moon troubles nobody, however near it is on the sphere
    moon_up = lights.moon_altitude > 0.0
    moon_ok = ~moon_up | (
        (moon_separation >= site.moon_separation) & (lights.moon_illumination <= site.moon_illumination)
    )
    apart = np.degrees(separation_rad(direction, target_unit))
    moonlight = moon_separation, lights.moon_phase_angle
    air = {"dark_zenith": site.dark_zenith, "extinction": site.extinction}
    return SiteNight(
        site=site,
        evening=day,
        times=times,
        altitude=altitude,
        azimuth=azimuth,
        air=airmass(altitude),
        sun_altitude=lights.sun_altitude,
        moon_altitude=lights.moon_altitude,
        moon_separation=moon_separation,
        sky=sky_brightness(90.0 - altitude, 90.0 - lights.moon_altitude, *moonlight, **air),
        moonless_sky=sky_brightness(90.0 - altitude, 180.0, *moonlight, **air),
        moon_illumination=float(lights.moon_illumination[count // 2]),
        dark=lights.sun_altitude <= site.twilight,
        seen=(altitude >= np.maximum(horizon_altitude(site.horizon, azimuth, site.lowest), 0.0))
        & in_window(site.window, azimuth, altitude),
        moon_ok=moon_ok,
        near=apart <= reach_deg,
        reach_deg=reach_deg,
        nearest_deg=float(apart.min()),
    )


def nights_of_pass(encounter: Pass, catalogue, campaign, *, reach_arcmin=None):
    """Watch the nights around a pass from every site of a campaign.

    Parameters
    ----------
    encounter : Pass
    catalogue : OrbitCatalogue
        The one that was searched.
    campaign : Campaign
    reach_arcmin : float, optional
        How far body and object may be apart; by default half a degree, or the pass' own least separation and
        the object's half size where those are more.

    Returns
    -------
    list of SiteNight
        ``campaign.usable_nights`` nights of each site, centred on the pass; the places are those that may
        be shown (:attr:`appulse.formats.settings.SiteSettings.shown`), since all that comes of the nights is.
    """
    semi = (encounter.target.major_arcmin or 0.0) / 2
    if reach_arcmin is None:
        reach_arcmin = max(NEAR_ARCMIN, encounter.separation_arcsec / 60 * 1.2, semi)
        tail = getattr(encounter, "tail", None)
        if tail is not None and tail.touches:
            # A comet belongs to the object as long as its tail can lie there.
            reach_arcmin = max(reach_arcmin, tail.tail_arcmin + semi)
    count = campaign.usable_nights
    vector_au = _smooth(body_vectors(encounter, catalogue), encounter.time, count / 2 + NIGHT_REACH_D)
    unit = unit_from_radec(encounter.target.ra, encounter.target.dec)
    nights = []
    for site in (site.shown for site in campaign.sites):
        first = evening_of(site, encounter.time) - datetime.timedelta(days=count // 2)
        days = (first + datetime.timedelta(days=i) for i in range(count))
        nights += [watch_night(site, day, vector_au, unit, reach_arcmin / 60) for day in days]
    return nights


@quiet_erfa()
def _smooth(vector_au, middle, half_d):
    """Vectors off a spline through hourly ones: a night asks for hundreds, and a path has no corners."""
    # A cubic spline errs by a 384th of step^4 times the fourth derivative: below 0.01 arcsec for a body that
    # runs 60 degrees a day.
    hours = np.arange(-np.ceil(half_d * 24), np.ceil(half_d * 24) + 1)
    path = CubicSpline(hours / 24, vector_au(middle + TimeDelta(hours * 3600.0, format="sec")))
    return lambda times: path((times - middle).jd)


def body_vectors(encounter, catalogue):
    """Geocentric vectors of a pass' body: a function of Time that returns (n, 3) au.

    Parameters
    ----------
    encounter : Pass
    catalogue : OrbitCatalogue
        The one that was searched.

    Returns
    -------
    callable
    """
    ephemeris = _ephemeris(catalogue)
    return lambda times: ephemeris.vectors(times, Site.geocentre(), [encounter.row])[0]


@lru_cache(maxsize=4)
def _ephemeris(catalogue):
    return NBodyEphemeris(catalogue)


def best_index(night):
    """Index of the best moment of a night's longest usable stretch: the body highest.

    Raises
    ------
    ValueError
        The night has no usable moment.
    """
    chosen = np.flatnonzero(night.chosen)
    if not len(chosen):
        raise ValueError("the night has no usable moment")
    return int(chosen[np.argmax(night.altitude[chosen])])

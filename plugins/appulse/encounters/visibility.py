"""When a body can be photographed from a site, and with what odds.

A night runs from one local mean noon to the next and is named by the date of its evening. It serves while
the Sun is low enough, the body stands above the horizon and in the window, and the Moon is far or dim enough.
"""

from __future__ import annotations

import datetime
import zoneinfo
from dataclasses import dataclass

import numpy as np
from astropy.time import Time, TimeDelta

from appulse.encounters.atmosphere import airmass
from appulse.encounters.mask import horizon_altitude, in_window
from appulse.encounters.moonlight import sky_brightness
from appulse.encounters.sky import SkyOver, angle_deg
from appulse.observers.timescales import quiet_erfa

STEP_MINUTES = 5.0
LEAST_HOURS = 0.25
"""A usable stretch shorter than this is none: common practice, no source."""


@dataclass(frozen=True)
class Night:
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

    @property
    def usable(self):
        """Where all conditions hold, bool array."""
        return self.dark & self.seen & self.moon_ok & self.near

    @property
    def hours(self):
        """Usable hours of the longest stretch; 0 when it is shorter than a quarter of an hour."""
        first, last = self._stretch
        hours = (last - first) * STEP_MINUTES / 60.0
        return hours if hours >= LEAST_HOURS else 0.0

    @property
    def interval(self):
        """Begin and end of the longest usable stretch (Time, Time), or None."""
        if self.hours == 0.0:
            return None
        first, last = self._stretch
        return self.times[first], self.times[last - 1] + TimeDelta(STEP_MINUTES * 60, format="sec")

    @property
    def _stretch(self):
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
                f"(lowest {self.sun_altitude.min():.1f})"
            )
        if not (self.dark & self.near).any():
            return "the body is near the object in daylight only"
        while_dark = self.dark & self.near
        if not (while_dark & self.seen).any():
            highest = f"highest {self.altitude[while_dark].max():.1f} degrees in the dark"
            if self.altitude[while_dark].max() < self.site.lowest:
                return f"the body stays below {self.site.lowest:g} degrees ({highest})"
            where = "outside the site's window" if self.site.window is not None else "behind the horizon"
            return f"the body stays {where} while it is dark ({highest})"
        if not (while_dark & self.seen & self.moon_ok).any():
            return (
                f"the Moon ({self.moon_illumination:.0%} lit) is nearer than "
                f"{self.site.moon_separation:g} degrees or brighter than allowed"
            )
        return "usable for less than a quarter of an hour at a stretch"


def local_midnight(site, day):
    """Local mean midnight that follows the evening of `day`, UTC.

    Parameters
    ----------
    site : SiteSettings
    day : datetime.date

    Returns
    -------
    Time
    """
    lon = site.place.geodetic[0]
    return Time(day.isoformat(), scale="utc") + TimeDelta((1.0 - lon / 360.0) * 86_400.0, format="sec")


def evening_of(site, time):
    """Date of the evening of the night that holds a time.

    Examples
    --------
    >>> from appulse.formats.settings import SiteSettings
    >>> from appulse.observers.site import Site
    >>> site = SiteSettings("s", Site.from_geodetic(-70.0, -23.0, 2000.0))
    >>> evening_of(site, Time("2027-05-05T03:00:00")).isoformat()
    '2027-05-04'
    """
    lon = site.place.geodetic[0]
    return (time + TimeDelta((lon / 360.0 - 0.5) * 86_400.0, format="sec")).to_datetime().date()


@quiet_erfa()
def watch_night(site, day, vector_au, target_unit, reach_deg, kernels=None):
    """Follow a body through one night.

    Parameters
    ----------
    site : SiteSettings
    day : datetime.date
        Evening.
    vector_au : callable
        Geocentric vector of the body (ICRF axes, au, light time included) at a Time: shape (n, 3).
    target_unit : (3,) array
        Direction of the object.
    reach_deg : float
        The body counts as near the object within this distance.
    kernels : Kernels, optional

    Returns
    -------
    Night
    """
    count = int(24 * 60 / STEP_MINUTES)
    offsets = (np.arange(count) - count / 2) * STEP_MINUTES * 60.0
    times = local_midnight(site, day) + TimeDelta(offsets, format="sec")
    over = SkyOver(site.place, times)
    lights = over.sun_and_moon(kernels)
    direction = vector_au(times) - over.place_au
    altitude, azimuth = over.horizontal(direction)
    moon_separation = angle_deg(direction, lights.moon_au)
    moon_up = lights.moon_altitude > 0.0
    moon_ok = ~moon_up | (
        (moon_separation >= site.moon_separation) & (lights.moon_illumination <= site.moon_illumination)
    )
    moonlight = moon_separation, lights.moon_phase_angle
    air = {"dark_zenith": site.dark_zenith, "extinction": site.extinction}
    return Night(
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
        seen=(altitude >= horizon_altitude(site.horizon, azimuth, site.lowest))
        & in_window(site.window, azimuth, altitude),
        moon_ok=moon_ok,
        near=angle_deg(direction, target_unit) <= reach_deg,
    )


@dataclass(frozen=True)
class Odds:
    """Chance of at least one clear usable night, expected usable hours, and the nights that serve."""

    chance: float
    hours: float
    nights: tuple


def odds(nights):
    """Odds of a set of nights, of one site or of several.

    Nights are taken as independent, which is kinder than the weather of one place: clear nights come in
    spells.

    Parameters
    ----------
    nights : sequence of Night

    Returns
    -------
    Odds

    Examples
    --------
    >>> odds([]).chance
    0.0
    """
    serving = tuple(night for night in nights if night.hours > 0.0)
    clear = np.array([night.site.clear_nights[night.evening.month - 1] for night in serving])
    hours = np.array([night.hours for night in serving])
    return Odds(float(1.0 - np.prod(1.0 - clear)), float(np.sum(clear * hours)), serving)


def advice(by_site):
    """One sentence that compares the sites' odds.

    Parameters
    ----------
    by_site : dict
        Site name to :class:`Odds`.

    Returns
    -------
    str

    Examples
    --------
    >>> advice({"ledge": Odds(0.14, 0.3, (1,)), "hosted": Odds(0.85, 4.0, (1,))})
    'from ledge 14%, from hosted 85%: plan for hosted.'
    >>> advice({"ledge": Odds(0.0, 0.0, ())})
    'from ledge it cannot be seen: choose another site or another pass.'
    """
    serving = {name: one for name, one in by_site.items() if one.nights}
    if not serving:
        return f"from {', '.join(by_site)} it cannot be seen: choose another site or another pass."
    parts = [f"from {name} {chance_text(one)}" for name, one in by_site.items()]
    best = max(serving, key=lambda name: serving[name].chance)
    return f"{', '.join(parts)}: plan for {best}."


def chance_text(one):
    """A chance in words that never claim certainty.

    Examples
    --------
    >>> chance_text(Odds(0.9999, 40.0, (1,))), chance_text(Odds(0.54, 9.0, (1,)))
    ('over 99%', '54%')
    """
    if not one.nights:
        return "not at all"
    return "over 99%" if one.chance > 0.99 else f"{one.chance:.0%}"


@quiet_erfa()
def local_text(time, site):
    """A UTC time in the site's zone, e.g. ``2027-05-05 01:10 CEST``."""
    moment = time.to_datetime(timezone=datetime.UTC).astimezone(zoneinfo.ZoneInfo(site.time_zone))
    return f"{moment:%Y-%m-%d %H:%M} {moment.tzname()}"

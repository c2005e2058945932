"""The nights around a pass, site by site."""

from __future__ import annotations

import datetime
from functools import lru_cache

import numpy as np
from astropy.time import TimeDelta
from scipy.interpolate import CubicSpline

from appulse.bodies.ephemeris import NBodyEphemeris
from appulse.encounters.passes import Pass
from appulse.encounters.visibility import evening_of, watch_night
from appulse.numerics.spherical import unit_from_radec
from appulse.observers.site import Site
from appulse.observers.timescales import quiet_erfa

NIGHT_REACH_D = 1.6
"""From the pass' own moment to the far end of the night that holds it, and the spline's end, days."""

SERVING_REACH_ARCMIN = 30.0
"""A night serves while body and object fit into a field a degree wide: common practice, no source."""


def serving_nights(one: Pass, catalogue, campaign, *, reach_arcmin=None):
    """Watch the nights around a pass from every site of a campaign.

    Parameters
    ----------
    one : Pass
    catalogue : OrbitCatalogue
        The one that was searched.
    campaign : Campaign
    reach_arcmin : float, optional
        How far body and object may be apart; by default half a degree, or the pass' own least separation and
        the object's half size where those are more.

    Returns
    -------
    list of Night
        ``campaign.serving_nights`` nights of each site, centred on the pass; the places are those that may
        be shown (:attr:`appulse.formats.settings.SiteSettings.shown`), since all that comes of the nights is.
    """
    semi = (one.target.major_arcmin or 0.0) / 2
    if reach_arcmin is None:
        reach_arcmin = max(SERVING_REACH_ARCMIN, one.separation_arcsec / 60 * 1.2, semi)
    count = campaign.serving_nights
    vector_au = _smooth(body_vectors(one, catalogue), one.time, count / 2 + NIGHT_REACH_D)
    unit = unit_from_radec(one.target.ra, one.target.dec)
    nights = []
    for site in (one.shown for one in campaign.sites):
        first = evening_of(site, one.time) - datetime.timedelta(days=count // 2)
        days = (first + datetime.timedelta(days=i) for i in range(count))
        nights += [watch_night(site, day, vector_au, unit, reach_arcmin / 60) for day in days]
    return nights


@quiet_erfa()
def _smooth(vector_au, middle, half_d):
    """Vectors off a spline through hourly ones: a night asks for hundreds, and a path has no corners.

    A cubic spline errs by a 384th of step^4 times the fourth derivative: below 0.01 arcsec for a body that
    runs 60 degrees a day.
    """
    hours = np.arange(-np.ceil(half_d * 24), np.ceil(half_d * 24) + 1)
    path = CubicSpline(hours / 24, vector_au(middle + TimeDelta(hours * 3600.0, format="sec")))
    return lambda times: path((times - middle).jd)


def body_vectors(one, catalogue):
    """Geocentric vectors of a pass' body: a function of Time that returns (n, 3) au.

    Parameters
    ----------
    one : Pass
    catalogue : OrbitCatalogue
        The one that was searched.

    Returns
    -------
    callable
    """
    ephemeris = _ephemeris(catalogue)
    return lambda times: ephemeris.vectors(times, Site.geocentre(), [one.row])[0]


@lru_cache(maxsize=4)
def _ephemeris(catalogue):
    return NBodyEphemeris(catalogue)

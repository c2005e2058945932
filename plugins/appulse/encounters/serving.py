"""The nights around a pass, site by site."""

from __future__ import annotations

import datetime
from functools import lru_cache

import numpy as np

from appulse.bodies.ephemeris import NBodyEphemeris
from appulse.encounters.passes import Pass
from appulse.encounters.visibility import evening_of, watch_night
from appulse.observers.site import Site

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
    vector_au = body_vectors(one, catalogue)
    a, d = np.radians(one.target.ra), np.radians(one.target.dec)
    unit = np.array([np.cos(d) * np.cos(a), np.cos(d) * np.sin(a), np.sin(d)])
    count = campaign.serving_nights
    nights = []
    for site in (one.shown for one in campaign.sites):
        first = evening_of(site, one.time) - datetime.timedelta(days=count // 2)
        days = (first + datetime.timedelta(days=i) for i in range(count))
        nights += [watch_night(site, day, vector_au, unit, reach_arcmin / 60) for day in days]
    return nights


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

"""What must agree with the turning Earth: sidereal time and hour angle of the header, Sun and field."""

import erfa
import numpy as np
from astropy.time import Time

from appulse.errors import FrameSiteError
from appulse.frames.header import Card, Cards, parse_angle
from appulse.observers.site import Site
from appulse.observers.timescales import quiet_erfa, tt_jd

LST_SLACK_DEG = 3.0
"""Slack of sidereal time, degrees: of date against J2000, start against middle of the exposure, rounding."""


def sidereal_deg(time: Time, lon_deg: float = 0.0) -> float:
    """Local mean sidereal time, degrees; UT1 taken as UTC (good to 15 arcsec).

    Examples
    --------
    >>> round(sidereal_deg(Time("2018-04-17T03:35:22", scale="utc"), -96.4533) / 15, 3)
    10.841
    """
    with quiet_erfa():
        utc = time.utc
        turned = erfa.gmst06(utc.jd1, utc.jd2, *tt_jd(utc))
    return float((np.degrees(turned) + lon_deg) % 360.0)


def check_rotation(
    cards: Cards, site: Site, mid: Time | None, span_s: float = 0.0, field_ra_deg: float | None = None
) -> None:
    """Hold sidereal time and hour angle of the header against longitude and time.

    Parameters
    ----------
    cards : Cards
    site : Site
        As read from the header.
    mid : Time or None
        Mid-exposure.
    span_s : float
        Length of the exposure, s: the header may speak of its start.
    field_ra_deg : float, optional
        RA of the frame's centre; the header's own RA of the telescope is preferred.

    Raises
    ------
    FrameSiteError
        If they contradict each other; the message names the site that would fit.

    Examples
    --------
    >>> from astropy.io import fits
    >>> cards = Cards(fits.Header([("LST", "10:50:26.5")]), "m1.fits")
    >>> check_rotation(cards, Site.from_geodetic(-96.453, 46.867, 312.0), Time("2018-04-17T03:35:22"))
    >>> check_rotation(cards, Site.from_geodetic(96.453, 46.867, 312.0), Time("2018-04-17T03:35:22"))
    Traceback (most recent call last):
    appulse.errors.FrameSiteError: m1.fits: the longitude +96.45300 east (given) contradicts ...
    """
    if mid is None or site.is_geocentre:
        return
    slack_deg = LST_SLACK_DEG + 15.0 * span_s / 7200.0
    lon, lat, height = site.geodetic
    for said, wanted_deg in _sidereal_statements(cards, field_ra_deg):
        off = _wrapped(wanted_deg - sidereal_deg(mid, lon))
        if abs(off) <= slack_deg:
            continue
        other = _wrapped(wanted_deg - sidereal_deg(mid))
        if abs(_wrapped(other + lon)) <= slack_deg:
            raise FrameSiteError(
                f"{cards.name}: the longitude {lon:+.5f} east ({site.source}) contradicts the header's own "
                f"{said}, by which the site lies at {other:+.1f}: the sign is wrong. Give "
                f"--site={-lon:.5f},{lat:.5f},{height:.0f}"
            )
        raise FrameSiteError(
            f"{cards.name}: the longitude {lon:+.5f} east ({site.source}) and the time contradict the "
            f"header's own {said}, by {off / 15:+.2f} h: give --site LON,LAT,HEIGHT or, if the time is "
            "local, --time UTC"
        )


def _sidereal_statements(cards: Cards, field_ra_deg: float | None) -> list[tuple[str, float]]:
    found = []
    sidereal = _hours(cards.find("LST", "LST-OBS", "ST", "SIDTIME", "LMST"))
    if sidereal is not None and 0.0 <= sidereal[1] < 24.0:
        found.append((f"sidereal time ({sidereal[0]})", sidereal[1] * 15.0))
    # Sexagesimal text is in hours; a bare number may be in degrees, and tells nothing.
    angle = _hours(cards.find("HA", "TELHA", "HOURANG"))
    telescope_ra = _hours(cards.find("RA", "TELRA", "OBJCTRA"))
    ra_deg = field_ra_deg if telescope_ra is None else telescope_ra[1] * 15.0
    if angle is not None and abs(angle[1]) <= 24.0 and ra_deg is not None:
        found.append((f"hour angle ({angle[0]})", angle[1] * 15.0 + ra_deg))
    return found


def _hours(card: Card | None) -> tuple[Card, float] | None:
    hours = None if card is None or ":" not in str(card.value) else parse_angle(card.value)
    return None if hours is None else (card, hours)


def _wrapped(angle_deg: float) -> float:
    return (angle_deg + 180.0) % 360.0 - 180.0


def daylight_notes(site, mid: Time, ra_deg: float, dec_deg: float) -> list[str]:
    """What cannot be if time and site are right: the Sun up, the field below the horizon.

    Parameters
    ----------
    site : Site or SpacecraftVector
    mid : Time
    ra_deg, dec_deg : float
        The frame's centre, degrees.

    Returns
    -------
    list of str
        Empty where all is well, and for observers without a horizon.

    Examples
    --------
    >>> site = Site.from_geodetic(20.5, -23.0, 1250.0)
    >>> daylight_notes(site, Time("2027-05-04T22:36:00"), 246.42, -24.16)
    []
    >>> daylight_notes(site, Time("2027-05-04T12:00:00"), 246.42, -24.16)[0][:41]
    'the Sun stood 46 degrees above the horizo'
    """
    if not isinstance(site, Site) or site.is_geocentre:
        return []
    lon, lat, _ = site.geodetic
    with quiet_erfa():
        earth_h, _ = erfa.epv00(*tt_jd(mid))
    sun = -np.asarray(earth_h["p"])
    sun_ra, sun_dec = (
        np.degrees(np.arctan2(sun[1], sun[0])),
        np.degrees(np.arcsin(sun[2] / np.linalg.norm(sun))),
    )
    lst = sidereal_deg(mid, lon)
    remedy = "if the time is local, give --time UTC; if the place is wrong, --site"
    notes = []
    sun_up, field_up = (
        _altitude_deg(lst - ra, dec, lat) for ra, dec in ((sun_ra, sun_dec), (ra_deg, dec_deg))
    )
    if sun_up > 0.0:
        notes.append(
            f"the Sun stood {sun_up:.0f} degrees above the horizon of the site at this time: {remedy}"
        )
    if field_up < -1.0:
        notes.append(
            f"the field stood {-field_up:.0f} degrees below the horizon of the site at this time: {remedy}"
        )
    return notes


def _altitude_deg(hour_angle_deg: float, dec_deg: float, lat_deg: float) -> float:
    hour_angle, dec, lat = np.radians([hour_angle_deg, dec_deg, lat_deg])
    return float(
        np.degrees(np.arcsin(np.sin(lat) * np.sin(dec) + np.cos(lat) * np.cos(dec) * np.cos(hour_angle)))
    )

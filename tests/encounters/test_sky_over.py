"""Altitude, azimuth, Sun and Moon against astropy, Skyfield and a worked example."""

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_body
from astropy.time import Time
from astropy.utils import iers
from numpy.testing import assert_allclose

from appulse.encounters.local_sky import SkyOver
from appulse.errors import EphemerisSpanError, SiteError
from appulse.observers.site import Site

ABERRATION_DEG = 21.0 / 3600
"""Left out on purpose: annual aberration, 20.5 arcsec, and its diurnal part."""

MOON_SERIES_DEG = 30.0 / 3600
"""Astropy's built-in Moon is a short series; together with aberration half an arcmin."""

TIMES = Time("2027-05-04T12:00:00", scale="utc") + np.arange(0, 24, 1.5) * u.hour


@pytest.fixture
def offline():
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        yield


@pytest.mark.parametrize(("lon", "lat"), [(8.5, 50.0), (-68.0, -23.0), (25.0, 78.0), (179.9, 0.0)])
def test_altitude_and_azimuth_agree_with_astropy(offline, lon, lat):
    frame = AltAz(obstime=TIMES, location=EarthLocation.from_geodetic(lon, lat, 500.0))
    star = SkyCoord(246.35 * u.deg, -24.47 * u.deg)
    theirs = star.transform_to(frame)
    altitude, azimuth = SkyOver(Site.from_geodetic(lon, lat, 500.0), TIMES).horizontal(
        star.cartesian.xyz.value
    )
    assert_allclose(altitude, theirs.alt.deg, atol=ABERRATION_DEG)
    turn = (azimuth - theirs.az.deg + 180) % 360 - 180
    assert_allclose(turn * np.cos(theirs.alt.rad), 0.0, atol=ABERRATION_DEG)


@pytest.mark.parametrize("name", ["sun", "moon"])
def test_sun_and_moon_agree_with_astropy(offline, name):
    location = EarthLocation.from_geodetic(-68.0, -23.0, 2400.0)
    theirs = get_body(name, TIMES, location).transform_to(AltAz(obstime=TIMES, location=location))
    lights = SkyOver(Site.from_geodetic(-68.0, -23.0, 2400.0), TIMES).sun_and_moon()
    assert_allclose(getattr(lights, f"{name}_altitude"), theirs.alt.deg, atol=MOON_SERIES_DEG)


def test_moon_phase_worked_example():
    """Meeus, Astronomical Algorithms, example 48.a (from memory): 1992-04-12 0h TD, i 69.0756, k 0.6786.

    That example is for the Earth's centre; from a site the angle differs by up to the Moon's parallax, so a
    site with the Moon in its zenith is taken: there the parallax vanishes.
    """
    time = Time(["1992-04-12T00:00:00"], scale="tt")
    centre = SkyOver(Site.from_geodetic(0.0, 0.0, 0.0), time).sun_and_moon()
    moon = centre.moon_au[0] + SkyOver(Site.from_geodetic(0.0, 0.0, 0.0), time).place_au[0]
    ra, dec = np.arctan2(moon[1], moon[0]), np.arcsin(moon[2] / np.linalg.norm(moon))
    lon = np.degrees(ra) - time.ut1.sidereal_time("mean", "greenwich").deg[0]
    under = SkyOver(Site.from_geodetic((lon + 180) % 360 - 180, np.degrees(dec), 0.0), time).sun_and_moon()
    assert under.moon_altitude[0] > 89.5
    assert_allclose(under.moon_phase_angle[0], 69.0756, atol=0.02)
    assert_allclose(under.moon_illumination[0], 0.6786, atol=2e-4)


def test_no_horizon_at_the_geocentre_and_no_sun_outside_the_kernels():
    with pytest.raises(SiteError, match="geocentre"):
        SkyOver(Site.geocentre(), TIMES)
    with pytest.raises(EphemerisSpanError, match="2060"):
        SkyOver(Site.from_geodetic(0, 0, 0), Time(["2060-01-01"], scale="tt")).sun_and_moon()

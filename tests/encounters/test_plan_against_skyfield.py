"""A plan's sky at two sites beside an independent library: altitude, Moon, Sun, airmass, field rotation."""

import datetime
from types import SimpleNamespace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from appulse.bodies.kernels import DEFAULT_PLANETS
from appulse.catalogues.deepsky import Outline
from appulse.encounters.capture import plan_capture
from appulse.encounters.visibility import watch_night
from appulse.formats.settings import InstrumentSettings, SiteSettings
from appulse.observers.site import Site

pytest.importorskip("skyfield", reason="skyfield is absent: pip install appulse[test]")

RA, DEC = 246.352, -24.4684
A, D = np.radians([RA, DEC])
UNIT = np.array([np.cos(D) * np.cos(A), np.cos(D) * np.sin(A), np.sin(D)])
MAY = datetime.date(2027, 5, 20)
"""The Moon is full beside the nebula on this night, so that it counts."""

TOL_ABERRATION_DEG = 0.007
"""appulse tells geometric directions; 20.5 arcsec of aberration, and diurnal aberration, are left out."""

TOL_SUN_DEG = 0.01
"""Aberration and the Sun's light time."""

TOL_MOON_DEG = 0.02
"""The same, and the Moon's light time."""


def at_rest(times):
    return np.broadcast_to(2.0 * UNIT, (len(times), 3))


@pytest.fixture(scope="module", params=[(8.5, 50.0, 100.0, 3.0, -12.0), (-68.0, -23.0, 2400.0, 25.0, -15.0)])
def both(request):
    """Night by appulse, and the same instants by skyfield."""
    from skyfield.api import Loader, Star, wgs84
    from skyfield.jpllib import SpiceKernel

    lon, lat, height, lowest, twilight = request.param
    place = Site.from_geodetic(lon, lat, height)
    where = SiteSettings("s", place, lowest=lowest, twilight=twilight, moon_separation=1.0)
    night = watch_night(where, MAY, at_rest, UNIT, 2.0)
    kernel = SpiceKernel(str(DEFAULT_PLANETS))
    t = Loader(".", verbose=False).timescale(builtin=True).from_astropy(night.times)
    here = (kernel["earth"] + wgs84.latlon(lat, lon, height)).at(t)
    star, moon, sun = (
        here.observe(one).apparent()
        for one in (Star(ra_hours=RA / 15, dec_degrees=DEC), kernel["moon"], kernel["sun"])
    )
    zenith = here.from_altaz(alt_degrees=90, az_degrees=0).radec()[:2]
    yield SimpleNamespace(
        night=night, latitude=lat, star=star.altaz(), moon=moon.altaz(), sun=sun.altaz(),
        apart=moon.separation_from(star).degrees, elongation=moon.separation_from(sun).degrees, zenith=zenith,
    )  # fmt: skip
    kernel.close()


def test_altitudes_and_azimuth(both):
    night = both.night
    assert_allclose(night.altitude, both.star[0].degrees, atol=TOL_ABERRATION_DEG)
    assert_allclose(night.sun_altitude, both.sun[0].degrees, atol=TOL_SUN_DEG)
    assert_allclose(night.moon_altitude, both.moon[0].degrees, atol=TOL_MOON_DEG)
    away = (night.azimuth - both.star[1].degrees + 180) % 360 - 180
    assert_allclose(away * np.cos(np.radians(night.altitude)), 0.0, atol=TOL_ABERRATION_DEG)


def test_dark_ends_where_the_sun_says(both):
    night, limit = both.night, both.night.site.twilight
    clear = np.abs(both.sun[0].degrees - limit) > TOL_SUN_DEG
    assert np.array_equal(night.dark[clear], both.sun[0].degrees[clear] <= limit)


def test_the_moon(both):
    assert_allclose(both.night.moon_separation, both.apart, atol=TOL_MOON_DEG)
    middle = len(both.night.times) // 2
    # the Sun is 389 times farther: the phase angle is the elongation's supplement to 0.15 degrees
    lit = (1 - np.cos(np.radians(both.elongation[middle]))) / 2
    assert_allclose(both.night.moon_illumination, lit, atol=0.003)


def test_the_brightness_of_the_moonlit_sky(both):
    """Krisciunas & Schaefer 1991 written out again, eqs. 1-3, 15, 16, 18, 20, 21, on skyfield's angles."""
    night, up = both.night, both.star[0].degrees > 5
    z, zm = 90 - both.star[0].degrees[up], 90 - both.moon[0].degrees[up]
    rho, alpha = both.apart[up], 180 - both.elongation[up]

    def layers(zenith_distance):
        return (1 - 0.96 * np.sin(np.radians(np.minimum(zenith_distance, 90))) ** 2) ** -0.5

    k, x = night.site.extinction, layers(z)
    dark = 34.08 * np.exp(20.7233 - 0.92104 * night.site.dark_zenith) * 10 ** (-0.4 * k * (x - 1)) * x
    light = 10 ** (-0.4 * (3.84 + 0.026 * np.abs(alpha) + 4e-9 * alpha**4))
    mie = np.where(rho >= 10, 10 ** (6.15 - rho / 40), 6.2e7 / rho**2)
    scattered = (
        (10**5.36 * (1.06 + np.cos(np.radians(rho)) ** 2) + mie) * light * 10 ** (-0.4 * k * layers(zm))
    )
    moon = np.where(zm < 90, scattered * (1 - 10 ** (-0.4 * k * x)), 0.0)
    expected = (20.7233 - np.log((dark + moon) / 34.08)) / 0.92104
    certain = np.abs(zm - 90) > 0.1
    assert (night.moonless_sky[up] - night.sky[up]).max() > 2  # the Moon counts on this night
    assert_allclose(night.sky[up][certain], expected[certain], atol=0.02)


def test_the_plan_says_what_the_night_holds(both):
    """Airmass by its paper's formula on skyfield's altitude; field rotation as the zenith's turning."""
    night = both.night
    one = SimpleNamespace(
        rate=0.0, motion_pa=0.0, mag=12.0, tail=None, target=Outline("x", "circle", RA, DEC, 20.0, 20.0)
    )
    optics = InstrumentSettings(
        "t", 50.0, 250.0, 2.9, (1920, 1080), mount="altazimuth", tracking_limit_s=30.0
    )
    plan = plan_capture(one, night, optics, at_rest)
    value = {key: figure.value for key, figure in plan.figures.items()}
    inside = (night.times >= plan.begin) & (night.times <= plan.end)
    altitude = both.star[0].degrees[inside]
    high = altitude.max()
    airmass = 1 / (np.sin(np.radians(high)) + 0.50572 * (high + 6.07995) ** -1.6364)
    assert_allclose(value["altitude"], high, atol=TOL_ABERRATION_DEG)
    assert_allclose(value["airmass"], max(airmass, 1.0), rtol=2e-3)
    assert_allclose(value["moon_distance"], both.apart[inside][altitude.argmax()], atol=TOL_MOON_DEG)
    za, zd = (angle.radians[inside] for angle in both.zenith)
    q = np.unwrap(np.arctan2(
        np.sin(za - A) * np.cos(zd), np.cos(D) * np.sin(zd) - np.sin(D) * np.cos(zd) * np.cos(za - A)
    ))  # fmt: skip
    rates = np.abs(np.degrees(np.diff(q))) * 3600 / 300
    # steps of five minutes against instants: a few percent
    assert_allclose(value["field_rotation"], np.median(rates), rtol=0.03)

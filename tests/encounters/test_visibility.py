"""Nights, masks, windows and odds: known skies, and words for every reason."""

import datetime

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.time import Time
from numpy.testing import assert_allclose

from appulse.encounters import local_sky
from appulse.encounters.ranking import Odds, advice, odds, why_not
from appulse.encounters.visibility import _smooth, evening_of, watch_night
from appulse.errors import InputError
from appulse.formats.settings import SiteSettings
from appulse.observers.site import Site

NEBULA = SkyCoord(246.35 * u.deg, -24.47 * u.deg).cartesian.xyz.value
MAY = datetime.date(2027, 5, 4)


def fixed_body(times):
    """A body at rest far away in the direction of the nebula: 2 au, geocentric."""
    return np.broadcast_to(2.0 * NEBULA, (len(times), 3))


def site(lon=8.5, lat=50.0, **changes):
    return SiteSettings("s", Site.from_geodetic(lon, lat, 100.0), **changes)


def watch(where, day=MAY, **changes):
    return watch_night(where, day, fixed_body, NEBULA, changes.pop("reach_deg", 1.0))


def test_the_scenario_low_in_the_north_high_in_the_south():
    """Dec -24.47 culminates at 90 - |lat - dec|: 15.5 degrees from 50 N, 88.5 from 23 S."""
    assert_allclose(watch(site()).altitude.max(), 90 - 50 - 24.47, atol=0.1)
    assert_allclose(watch(site(-68.0, -23.0)).altitude.max(), 90 - 1.47, atol=0.3)


def test_hours_of_a_night_against_skyfield():
    """Dark time with the place above 20 degrees, from an independent library: what is told is within it."""
    pytest.importorskip("skyfield")
    from skyfield.api import Loader, Star, wgs84
    from skyfield.jpllib import SpiceKernel

    from appulse.bodies.kernels import DEFAULT_PLANETS

    ts = Loader(".", verbose=False).timescale(builtin=True)
    kernel = SpiceKernel(str(DEFAULT_PLANETS))
    place = kernel["earth"] + wgs84.latlon(-23.0, -68.0, 2400.0)
    start = Time("2027-05-04T16:32:00", scale="utc")
    minutes = start + np.arange(0, 24 * 60) * u.min
    t = ts.from_astropy(minutes)
    sun = place.at(t).observe(kernel["sun"]).apparent().altaz()[0].degrees
    star = Star(ra_hours=246.35 / 15, dec_degrees=-24.47)
    high = place.at(t).observe(star).apparent().altaz()[0].degrees
    expected = np.sum((sun <= -15) & (high >= 20)) / 60
    kernel.close()
    where = SiteSettings("s", Site.from_geodetic(-68.0, -23.0, 2400.0), lowest=20.0, twilight=-15.0)
    # the first and the last usable instant of a grid of 5 minutes
    assert expected - 10.5 / 60 <= watch(where).hours <= expected + 0.5 / 60


@pytest.mark.parametrize(
    ("where", "said"),
    [
        (site(lat=78.0, lowest=-5.0), "the Sun stays above"),
        (site(lat=62.0, twilight=-5.0, lowest=10.0), "stays below 10 degrees"),
        (site(window=((20, 5), (60, 5), (60, 40))), "outside the site's window"),
        (site(horizon=((0, 40), (180, 40))), "behind the horizon"),
        (site(-68.0, -23.0, moon_separation=180.0), ""),
    ],
)
def test_each_reason_in_words(where, said):
    night = watch(where)
    assert said in night.reason
    assert (night.hours == 0.0) == bool(said)


def test_a_body_that_is_far_from_the_object_or_near_it_by_day_only():
    def away(times):
        ra = np.radians(246.35 + 5.0)
        unit = np.array(
            [np.cos(np.radians(-24.47)) * np.cos(ra), np.cos(np.radians(-24.47)) * np.sin(ra), -0.414]
        )
        return np.broadcast_to(2.0 * unit, (len(times), 3))

    night = watch_night(site(), MAY, away, NEBULA, 0.5)
    assert "stays farther than 0.5 degrees from the object (nearest 4." in night.reason

    def at_noon(times):
        """Passes by the object within two hours around noon UTC and is far away at night."""
        ra = np.radians(246.35) + (times.mjd % 1 - 0.5)
        return 2.0 * np.stack(
            [np.cos(-0.427) * np.cos(ra), np.cos(-0.427) * np.sin(ra), np.full(len(ra), np.sin(-0.427))],
            axis=1,
        )

    assert (
        watch_night(site(), MAY, at_noon, NEBULA, 2.0).reason
        == "the body is near the object in daylight only"
    )


def test_beneath_the_horizon_and_in_the_polar_day():
    assert "below the horizon" in watch(site(lat=75.0), datetime.date(2027, 3, 1)).reason
    assert watch(site(lat=78.0)).reason == "the Sun stays above -15 degrees all night (lowest 4.1)"


def test_reasons_of_several_nights_are_told_once():
    polar = [watch(site(lat=78.0), MAY + datetime.timedelta(days=i)) for i in range(3)]
    assert why_not(polar) == polar[0].reason
    mixed = [*polar, watch(site(window=((20, 5), (60, 5), (60, 40))))]
    assert why_not(mixed).startswith("3 nights: the Sun stays above -15 degrees all night")
    assert "1 night: the body stays outside" in why_not(mixed)
    assert why_not([*polar, watch(site(-68.0, -23.0))]) == ""


def test_nights_begin_on_whole_minutes_and_tell_no_longitude():
    one, other = (watch(site(lon=lon)) for lon in (8.5, 8.6))
    assert one.times[0].isot == other.times[0].isot
    assert one.times[0].isot.endswith(":00.000")


def test_what_a_private_site_shows():
    home = SiteSettings("home", Site.from_geodetic(8.123456, 50.654321, 123.4))
    assert_allclose(home.shown.place.geodetic, (8.12, 50.65, 100.0), atol=1e-9)
    open_site = SiteSettings("roof", home.place, private=False)
    assert open_site.shown is open_site
    coded = SiteSettings("rubin", Site.parse("X05"))
    assert coded.shown is coded


def test_moon_in_the_way_is_said():
    """Full Moon 2027-05-20 stands in Libra/Scorpius, within 30 degrees of the nebula (lunar ephemeris)."""
    night = watch(site(-68.0, -23.0, moon_separation=60.0), datetime.date(2027, 5, 20))
    assert night.moon_illumination > 0.98
    assert "Moon" in night.reason


def test_beside_the_sun_it_never_rises_in_the_dark():
    """In early December the Sun stands in Ophiuchus beside the nebula."""
    assert "stays below the horizon" in watch(site(-68.0, -23.0), datetime.date(2027, 12, 1)).reason


def test_daylight_only():
    """A fast body that is near the object for an hour around local noon."""

    def passing(times):
        angle = 0.5 * (times.mjd - times.mjd[0])
        turned = NEBULA[None] + angle[:, None] * np.cross(NEBULA, [0.0, 0.0, 1.0])
        return 2.0 * turned

    night = watch_night(site(-68.0, -23.0), MAY, passing, NEBULA, 1.0)
    assert night.near.any()
    assert "daylight only" in night.reason


def test_interval_lies_in_the_usable_stretch():
    night = watch(site(-68.0, -23.0))
    begin, end = night.interval
    assert_allclose((end - begin).to_value("hour"), night.hours, atol=1e-6)
    assert night.usable[(night.times >= begin) & (night.times < end)].all()


def test_odds_by_common_practice():
    """One serving night 14%, five nights 54% (common practice, no source: one night in seven is clear)."""
    night = watch(site(-68.0, -23.0))
    assert_allclose(odds([night]).chance, 0.14, atol=0.005)
    assert_allclose(odds([night] * 5).chance, 0.54, atol=0.005)
    assert_allclose(odds([night] * 5).hours, 5 * night.hours / 7, rtol=1e-9)


def test_advice_compares_sites():
    hosted = Odds(0.85, 5.0, (1,))
    assert advice({"home": Odds(0.14, 0.5, (1,)), "hosted": hosted}).endswith("plan for hosted.")
    assert "not at all" in advice({"home": Odds(0.0, 0.0, ()), "hosted": hosted})


@pytest.mark.parametrize("turn", [-360, 0, 360])
def test_a_window_across_north_however_it_is_written(turn):
    corners = [(340 + turn, 10), (380 + turn, 10), (380 + turn, 60), (340 + turn, 60)]
    azimuth = np.array([339.0, 341.0, 0.0, 19.0, 21.0, 180.0])
    assert local_sky.in_window(corners, azimuth, 30.0).tolist() == [False, True, True, True, False, False]


def test_a_window_that_is_none_is_refused():
    with pytest.raises(InputError, match="crosses itself"):
        local_sky.in_window([(0, 0), (10, 10), (10, 0), (0, 10)], 5.0, 5.0)


def test_horizon_runs_once_around():
    points = [(10, 30), (350, 10)]
    assert_allclose(local_sky.horizon_altitude(points, [0.0, 10.0, 350.0, 180.0], 0.0), [20, 30, 10, 20])


def test_a_night_off_the_spline_is_the_night_off_the_ephemeris():
    """Hourly vectors and a spline against every instant, for a body that turns 60 degrees a day."""

    def running(times):
        turn = np.radians(60.0) * (times.mjd - 61530.0)
        return 0.004 * np.stack([np.cos(turn), np.sin(turn) * 0.9, np.sin(turn) * 0.4359], axis=1)

    middle = Time("2027-05-05T01:23:45.6")
    path, times = _smooth(running, middle, 4.1), middle + np.linspace(-4, 4, 3001) * u.day
    apart = np.linalg.norm(path(times) - running(times), axis=1) / 0.004
    assert np.degrees(apart.max()) * 3600 < 0.05


@pytest.mark.parametrize(
    ("lon", "zone", "utc"),
    [
        (-176.5, "Pacific/Chatham", "2027-05-04T13:05"),  # 01:50 of the 5th there
        (-157.4, "Pacific/Kiritimati", "2027-05-04T13:05"),  # 03:05 of the 5th
        (-68.0, "America/Santiago", "2027-05-05T05:00"),
        (-68.0, "UTC", "2027-05-05T05:00"),
        (84.1, "Asia/Kathmandu", "2027-05-04T20:00"),
        (179.9, "Pacific/Fiji", "2027-05-04T12:00"),
    ],
)
def test_a_night_has_the_date_of_its_evening_on_the_calendar_there(lon, zone, utc):
    where = site(lon=lon, lat=-20.0, time_zone=zone)
    assert evening_of(where, Time(utc)) == MAY
    times = watch(where).times
    assert times[0] < Time(utc) < times[-1]

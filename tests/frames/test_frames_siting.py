"""Sites out of headers, and signs that are wrong."""

import numpy as np
import pytest
from astropy.coordinates import EarthLocation
from astropy.io import fits
from astropy.time import Time
from astropy.utils import iers

from appulse.errors import FrameSiteError
from appulse.frames.header import Cards, parse_angle
from appulse.frames.site_keywords import daylight_notes, read_observer, sidereal_deg
from appulse.observers.site import Site, SpacecraftVector

MID = Time("2018-04-17T03:36:07", scale="utc")
LON, LAT, HEIGHT = 20.5, -23.0, 1250.0
TOL_SITE_M = 1e-3
TOL_UT1_DEG = 0.005
"""UT1 taken as UTC: at most 0.9 s, 0.004 degrees."""


def siting(*cards, **options):
    return read_observer(Cards(fits.Header(cards), "m1.fits"), options.pop("mid", MID), **options)


def apart_m(site, lon=LON, lat=LAT, height=HEIGHT):
    return np.linalg.norm(np.subtract(site.itrs_m, Site.from_geodetic(lon, lat, height).itrs_m))


XYZ = Site.from_geodetic(LON, LAT, HEIGHT).itrs_m


@pytest.mark.parametrize(
    "cards",
    [
        [("OBSGEO-X", XYZ[0]), ("OBSGEO-Y", XYZ[1]), ("OBSGEO-Z", XYZ[2])],
        [("OBSGEO-L", LON), ("OBSGEO-B", LAT), ("OBSGEO-H", HEIGHT)],
        [("SITELONG", "+20:30:00"), ("SITELAT", "-23:00:00.0"), ("SITEELEV", HEIGHT)],
        [("SITELONG", "20 30 00"), ("SITELAT", "-23 00 00"), ("SITEELEV", "1250")],
        [("LONG-OBS", LON), ("LAT-OBS", LAT), ("ALT-OBS", HEIGHT)],
        [("LONGITUD", LON), ("LATITUDE", LAT), ("ALTITUDE", 1.25, "[km] of the observatory")],
        [("OBS-LONG", 380.5 - 360.0), ("OBS-LAT", LAT), ("OBS-ELEV", HEIGHT / 0.3048, "[ft] above the sea")],
        [("SITELONG", "339d30m00s W"), ("SITELAT", "23d00m00s S"), ("SITEELEV", HEIGHT)],
        [("SITELONG", 339.5, "[deg] west positive"), ("SITELAT", LAT), ("SITEELEV", HEIGHT)],
        [("SITELONG", LON, "[deg] west is negative"), ("SITELAT", LAT), ("SITEELEV", HEIGHT)],
        [("LONGITUD", LON), ("LATITUDE", LAT), ("ALTITUDE", 55.0, "altitude of the telescope pointing"),
         ("HEIGHT", HEIGHT)],
        [("SITELONG", "20:30.0"), ("SITELAT", "-23:00.0"), ("SITEELEV", HEIGHT),
         ("TELALT", 60.97, "Telescope altitude at start, deg")],
        [("SITELONG", LON), ("SITELAT", LAT), ("TELALT", 60.97), ("TELAZ", 120.3), ("SITEELEV", HEIGHT)],
        [("SITELONG", LON), ("SITELAT", LAT), ("TELALT", HEIGHT, "telescope altitude above sea level")],
    ],
    ids=lambda cards: " ".join(str(card[:2]) for card in cards)[:50],
)  # fmt: skip
def test_site_of_the_header(cards):
    found = siting(*cards)
    assert found.problem is None
    assert apart_m(found.observer) < TOL_SITE_M


@pytest.mark.parametrize(
    ("cards", "name"),
    [
        ([("TELESCOP", "short refractor")], "site of the frame"),
        ([("TELESCOP", "short refractor"), ("OBSERVAT", "plateau")], "plateau"),
        ([("SITENAME", "ledge by the wood")], "ledge by the wood"),
    ],
)
def test_an_instrument_is_no_name_of_a_site(cards, name):
    found = siting(*cards, ("OBSGEO-L", LON), ("OBSGEO-B", LAT), ("OBSGEO-H", HEIGHT))
    assert found.observer.name == name


def test_code_in_the_header():
    assert siting(("MPCCODE", "W84")).observer.code == "W84"
    assert siting(("OBSCODE", 95)).observer.code == "095"


def test_pointing_is_no_height():
    found = siting(("SITELONG", LON), ("SITELAT", LAT), ("TELALT", 60.97, "Telescope altitude, deg"))
    assert apart_m(found.observer, height=0.0) < TOL_SITE_M
    assert any("height of the site unknown" in note for note in found.notes)


@pytest.mark.parametrize(
    ("card", "offered"),
    [
        (("OBSERVAT", "X05"), "--site X05"),
        (("TELESCOP", "Pan-STARRS 1"), "--site F51 (Pan-STARRS 1, Haleakala)"),
        (("TELESCOP", "C14"), ""),
        (("TELESCOP", "short refractor"), ""),
    ],
)
def test_a_known_name_is_offered_and_not_taken(card, offered):
    found = siting(card)
    assert found.observer is None
    assert ("may mean" in str(found.problem)) == bool(offered)
    assert offered in str(found.problem)


def test_unknown_code_is_passed_over_with_a_note():
    found = siting(("MPCCODE", "247"), ("SITELONG", LON), ("SITELAT", LAT), ("SITEELEV", HEIGHT))
    assert apart_m(found.observer) < TOL_SITE_M
    assert any("MPCCODE" in note for note in found.notes)


def test_given_site_wins():
    found = siting(("SITELONG", -LON), ("SITELAT", LAT), site=f"{LON},{LAT},{HEIGHT}")
    assert apart_m(found.observer) < TOL_SITE_M
    assert any("ignored" in note and "km" in note for note in found.notes)


@pytest.mark.parametrize(
    ("cards", "words"),
    [
        ([], ["does not say where", "--site"]),
        ([("SITELONG", 0.0), ("SITELAT", 0.0)], ["does not say where"]),
        ([("SITELONG", LON)], ["does not say where"]),
        ([("SITELONG", LON), ("SITELAT", 123.0)], ["SITELAT", "-90 to 90", "--site"]),
        ([("SITELONG", "here"), ("SITELAT", LAT)], ["SITELONG", "'here'", "--site"]),
        ([("SITELONG", "20:75:00"), ("SITELAT", LAT)], ["SITELONG", "not an angle"]),
        ([("SITELONG", -LON, "degrees west"), ("SITELAT", LAT)], ["negative", "west", "--site"]),
        ([("OBSGEO-X", 1.0), ("OBSGEO-Y", 2.0), ("OBSGEO-Z", 3.0)], ["OBSGEO", "metres"]),
        (
            [("OBSGEO-L", LON), ("OBSGEO-B", LAT), ("SITELONG", -LON), ("SITELAT", LAT)],
            ["two sites", "OBSGEO-L", "SITELONG", "--site"],
        ),
        ([("MPCCODE", "W84"), ("SITELONG", LON), ("SITELAT", LAT)], ["two sites", "--site"]),
        ([("SUN2SCX", 1.0), ("SUN2SCY", 0.1), ("SUN2SCZ", 0.0)], ["velocity"]),
        (
            [("SUN2SCX", 1.5e8), ("SUN2SCY", 1.0), ("SUN2SCZ", 1.0), ("SCVELX", 1.0), ("SCVELY", 1.0),
             ("SCVELZ", 1.0)],
            ["au"],
        ),
    ],
    ids=lambda value: "-".join(map(str, value))[:60],
)  # fmt: skip
def test_problem_is_named(cards, words):
    found = siting(*cards)
    assert found.observer is None
    assert isinstance(found.problem, FrameSiteError)
    assert str(found.problem).startswith("m1.fits: ")
    for word in words:
        assert word in str(found.problem)


LST = ("LST", "10:50:26.5208")
"""Sidereal time of a header at 96.4533 W, 46.8668 N. Its source was not recorded: the tests ask only whether
time, place and sidereal time agree, which an independent formula says too."""


def test_sidereal_time_agrees():
    assert siting(("SITELONG", -96.4533), ("SITELAT", 46.8668), LST, span_s=90.0).problem is None


def test_wrong_sign_is_told_by_sidereal_time():
    problem = siting(("SITELONG", 96.4533), ("SITELAT", 46.8668), LST).problem
    assert "sign is wrong" in str(problem)
    assert "--site=-96.45330,46.86680,0" in str(problem)


def test_wrong_sign_is_told_by_hour_angle():
    found = siting(
        ("SITELONG", 96.4533),
        ("SITELAT", 46.8668),
        ("HA", "1:48:06.5"),
        ("RA", "09:02:20"),
        field_ra_deg=10.0,
    )
    assert "hour angle (HA 1:48:06.5)" in str(found.problem)


def test_wrong_time_is_told_by_sidereal_time():
    late = Time("2018-04-17T08:36:07")  # 5 h are 5.014 h of sidereal time; the header speaks of 45 s earlier
    problem = siting(("SITELONG", -96.4533), ("SITELAT", 46.8668), LST, mid=late).problem
    assert "-5.03 h" in str(problem)
    assert "--time" in str(problem)


def test_spacecraft():
    names = ("SUN2SCX", "SUN2SCY", "SUN2SCZ", "SCVELX", "SCVELY", "SCVELZ")
    values = (-0.78, 0.55, 0.24, -0.01, -0.011, -0.009)
    found = siting(("TELESCOP", "SURVEYOR"), *zip(names, values, strict=True))
    assert isinstance(found.observer, SpacecraftVector)
    assert found.observer.origin == "sun"
    assert found.observer.time is MID
    assert tuple(found.observer.position_au) == values[:3]
    assert any("space" in note for note in found.notes)


def test_sidereal_time_against_astropy():
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        place = EarthLocation.from_geodetic(LON, LAT, HEIGHT)
        wanted = Time("2020-03-01T20:00:00", location=place).sidereal_time("mean").deg
    assert sidereal_deg(Time("2020-03-01T20:00:00"), LON) == pytest.approx(wanted, abs=TOL_UT1_DEG)


def test_daylight_and_horizon_are_told():
    site = Site.from_geodetic(LON, LAT, HEIGHT)
    assert daylight_notes(site, Time("2027-05-04T22:36:00"), 246.42, -24.16) == []
    assert any("Sun" in note for note in daylight_notes(site, Time("2027-05-04T10:36:00"), 246.42, -24.16))
    north = Site.from_geodetic(11.0, 70.0, 0.0)
    assert any("below" in note for note in daylight_notes(north, Time("2027-01-04T22:36:00"), 246.42, -24.16))
    assert daylight_notes(Site.geocentre(), Time("2027-05-04T10:36:00"), 246.42, -24.16) == []


@pytest.mark.parametrize(
    ("text", "angle"),
    [
        ("+46:52:00.408", 46.86678),
        ("-96 27 11.8", -96.453278),
        ("-0:30:00", -0.5),
        ("12.5 S", -12.5),
        ("96d27m11.8s", 96.453278),
        ("96°27'11.8\"W", -96.453278),
        (3, 3.0),
        ("", None),
        ("nan", None),
        ("111:36.0", 111.6),
        ("-0:30.6", -0.51),
        ("10:60.0", None),
        ("10:60:00", None),
        (True, None),
    ],
)
def test_angles(text, angle):
    got = parse_angle(text)
    assert got is None if angle is None else got == pytest.approx(angle, abs=1e-6)

"""Campaign and settings files: what is wrong is reported with its line number, all at once."""

import pytest

from appulse.encounters.campaign_file import TargetChoice, read_campaign
from appulse.encounters.pass_table import gather
from appulse.encounters.targets import choose_targets
from appulse.errors import InputError
from appulse.formats.settings import InstrumentSettings, Settings, SiteSettings, read_settings
from appulse.observers.site import Site

GOOD = """\
title: spring
dates: {from: 2027-05-01, to: 2027-05-31}
sites:
  - home
  - name: hosted
    place: [-68.0, -23.0, 2400]
    time_zone: America/Santiago
    clear_nights: [0.9, 0.9, 0.9, 0.85, 0.8, 0.8, 0.8, 0.8, 0.85, 0.9, 0.9, 0.9]
instruments: [short]
bodies: {names: [7, 15], brighter_than: 12}
targets: {types: [nebula], larger_than: 5}
passes: {within: 20, measured_from: outline}
ranking: {closeness: 2, airmass: 0}
rental: [{site: hosted, slot_minutes: 60, price_hour: 80, currency: EUR}]
"""


@pytest.fixture
def settings():
    home = SiteSettings("home", Site.from_geodetic(8.5, 50.0, 120.0))
    return Settings(sites=(home,), instruments=(InstrumentSettings("short", 70, 350, 6.1, (1600, 1200)),))


def write(tmp_path, text):
    path = tmp_path / "campaign.yaml"
    path.write_text(text)
    return path


def test_a_campaign_with_names_and_definitions(tmp_path, settings):
    campaign = read_campaign(write(tmp_path, GOOD), settings)
    assert [site.name for site in campaign.sites] == ["home", "hosted"]
    assert campaign.sites[1].clear_nights[4] == 0.8
    assert campaign.instruments[0].name == "short"
    assert campaign.bodies.names == ("7", "15")
    assert campaign.rule.measured_from == "outline"
    assert campaign.ranking["closeness"] == 2.0
    assert campaign.ranking["elongation"] == 1.0
    assert campaign.rental["hosted"].price_hour == 80


@pytest.mark.parametrize(
    ("old", "new", "line", "said"),
    [
        ("to: 2027-05-31", "to: 2027-04-31", 2, "'to'"),
        ("to: 2027-05-31", "to: 2026-05-31", 2, "must be after 'from'"),
        ("- home", "- cellar", 4, "'cellar' is not among the sites of the settings file"),
        ("place: [-68.0, -23.0, 2400]", "place: [-68.0, -123.0, 2400]", 6, "latitude"),
        ("America/Santiago", "Mars/Olympus", 7, "not known"),
        ("0.85, 0.8, 0.8", "0.85, 1.8, 0.8", 8, "outside 0 to 1"),
        ("[short]", "[long]", 9, "'long' is not among the instruments"),
        ("larger_than: 5", "larger_than: 5, smaller_than: 4", 11, "leave nothing"),
        ("measured_from: outline", "measured_from: rim", 12, "allowed: centre, outline"),
        ("within: 20", "within: -3", 12, "above 0"),
        ("closeness: 2", "closness: 2", 13, "did you mean 'closeness'?"),
        ("site: hosted", "site: rented", 14, "'rented' is not one of this campaign's sites"),
    ],
)
def test_each_mistake_has_its_line(tmp_path, settings, old, new, line, said):
    assert old in GOOD
    with pytest.raises(InputError) as caught:
        read_campaign(write(tmp_path, GOOD.replace(old, new)), settings)
    messages = str(caught.value).splitlines()
    assert any(message.split(":")[1] == str(line) and said in message for message in messages), messages


def test_dates_are_all_that_is_needed_and_are_needed(tmp_path):
    assert (
        read_campaign(write(tmp_path, "dates: {from: 2027-05-01, to: 2027-05-02}\n"), Settings()).rule.within
        == 10
    )
    with pytest.raises(InputError, match="'dates' is missing"):
        read_campaign(write(tmp_path, "title: x\n"), Settings())


def test_settings_are_found_where_the_variable_points(tmp_path, monkeypatch):
    path = tmp_path / "s.yaml"
    monkeypatch.setenv("APPULSE_SETTINGS", str(path))
    assert read_settings().sites == ()
    path.write_text("sites: [{name: ledge, place: X05}]\norbits: mine.ecsv\n")
    found = read_settings()
    assert found.site("ledge").place.code == "X05"
    assert found.orbits == (str(tmp_path / "mine.ecsv"),)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("sites: [{name: a, place: X05}, {name: a, place: W84}]", "two sites are called 'a'"),
        ("sites: [{name: a, place: geocentre}]", "nobody observes from there"),
        ("sites: [{name: a, place: X05, window: [[0, 5], [10, 5]]}]", "at least 3 pairs"),
        (
            "instruments: [{name: a, aperture_mm: 70, focal_length_mm: 350, pixel_um: 6}]",
            "'sensor_px' is missing",
        ),
        (
            "instruments: [{name: a, aperture_mm: -7, focal_length_mm: 350, pixel_um: 6, sensor_px: [9, 9]}]",
            "above",
        ),
    ],
)
def test_settings_mistakes(tmp_path, text, said):
    path = tmp_path / "s.yaml"
    path.write_text(text + "\n")
    with pytest.raises(InputError, match=said):
        read_settings(path)


def test_limits_on_targets():
    nebulae = choose_targets(TargetChoice(types=("reflection nebula",), larger_than=5.0))
    assert 3 < len(nebulae) < 200
    with pytest.raises(InputError, match="no object has a type like"):
        choose_targets(TargetChoice(types=("teapot",)))
    with pytest.raises(InputError, match="leave no object"):
        choose_targets(TargetChoice(larger_than=100_000.0))
    with pytest.raises(InputError, match="no deep-sky object"):
        choose_targets(TargetChoice(names=("IC 99999",)))


def test_passes_through_a_group_are_one_event():
    from types import SimpleNamespace

    from astropy import units as u
    from astropy.time import Time

    start = Time("2027-05-01")

    def one(name, body, ra, hours):
        target = SimpleNamespace(name=name, ra=ra, dec=0.0)
        return SimpleNamespace(
            id=f"{body}-{name}", designation=body, target=target, time=start + hours * u.hour
        )

    passes = [
        one("A", "7", 10.0, 0),
        one("B", "7", 10.2, 9),
        one("A", "15", 10.0, 10),
        one("C", "7", 15.0, 12),
    ]
    assert gather(passes, 30.0) == ["7-A", "7-A", "15-A", "7-C"]
    assert gather(passes, 0.0) == [each.id for each in passes]


LEDGE = """dates: {from: 2027-05-01, to: 2027-05-10}
sites:
  - name: ledge
    place: [7.6, 53.1, 10]
    lowest: 10
    window: [[350, 5], [10, 5], [10, 30], [350, 30]]
"""


@pytest.mark.parametrize(
    ("old", "new", "line", "said"),
    [
        ("lowest: 10", "lowest: 60", 6, "'window' ends at altitude 30, but nothing below 60 is of use"),
        ("lowest: 10", "horizon: [[0, 40], [180, 50]]", 6, "lowest point of the horizon"),
        ("lowest: 10", "horizon: [[0, 90], [180, 90]]", 5, "leaves no sky"),
        ("[10, 5], [10, 30]", "[10, 30], [10, 5]", 6, "crosses itself"),
        ("[350, 5], [10, 5], [10, 30], [350, 30]", "[0, 5], [360, 5], [360, 9], [0, 9]", 6, "less than 180"),
        ("[10, 30]", "[10, 130]", 6, "[10, 130] is out of range"),
        ("[10, 30]", "[true, 30]", 6, "is not a pair"),
        ("[10, 30]", "[.nan, 30]", 6, "is not a pair"),
        ("place: [7.6, 53.1, 10]", "place: '500'", 4, "nobody observes from there"),
        ("to: 2027-05-10}", "to: 2027-02-29}", 1, "no such day"),
        ("lowest: 10", "time_zone: ''", 5, "IANA name"),
        ("sites:", "bodies: {names: []}\nsites:", 2, "'names' is empty"),
        ("sites:", "targets: {types: []}\nsites:", 2, "'types' is empty"),
        ("sites:", "usable_nights: 2.5\nsites:", 2, "whole number"),
        ("  - name: ledge", "  - home\n  - name: home", 3, "two sites are called 'home'"),
    ],
)
def test_contradictions_and_slips_have_their_line(tmp_path, settings, old, new, line, said):
    assert old in LEDGE
    with pytest.raises(InputError) as caught:
        read_campaign(write(tmp_path, LEDGE.replace(old, new)), settings)
    messages = str(caught.value).splitlines()
    assert any(message.split(":")[1] == str(line) and said in message for message in messages), messages


def test_dates_across_a_leap_day(tmp_path, settings):
    text = "dates: {from: 2028-02-28, to: 2028-03-01}\n"
    campaign = read_campaign(write(tmp_path, text), settings)
    assert campaign.end.jd - campaign.start.jd == 2


def test_named_and_defined_sites_keep_the_order_of_the_file(tmp_path, settings):
    text = LEDGE.replace("sites:\n", "sites:\n  - home\n") + "  - {name: third, place: X05}\n"
    names = [site.name for site in read_campaign(write(tmp_path, text), settings).sites]
    assert names == ["home", "ledge", "third"]

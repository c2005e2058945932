"""Encounters, campaigns and plans through the command line."""

import csv
import re
from importlib import resources

import numpy as np
import pytest
import yaml
from astropy.io import fits
from astropy.table import Table
from astropy.time import Time

from appulse.bodies.kernels import EARTH, SUN, default_kernels
from appulse.cli.main import main

PASS = "7-IC4603-20270504"


def test_search_by_options_alone(tmp_path, capsys):
    out = tmp_path / "passes.ecsv"
    words = ["encounters", "--body", "7", "--object", "IC 4603,IC 4604", "--from", "2027-05-01", "--to"]
    assert main([*words, "2027-05-09", "--within", "20", "--out", str(out)]) == 0
    table = Table.read(out)
    assert list(table["encounter"]) == [PASS]
    for name in ("designation", "target", "time", "separation", "inside_outline", "elongation", "mag"):
        assert name in table.colnames
    assert abs(table["separation"][0] - 223.7) < 0.5
    assert table.meta["options"]["observer"] == "500"
    assert "3.73'" in capsys.readouterr().out


@pytest.fixture
def broad(tmp_path, capsys):
    """Search of some hundred bodies without limits of one's own, and with none at all: tables and notes."""
    neas = resources.files("appulse.data") / "starter_neas.ecsv"

    def search(*more):
        out = tmp_path / f"passes{len(more)}.ecsv"
        words = ["encounters", "--from", "2027-05-01", "--to", "2027-05-20", "--within", "20", *more]
        words += () if "--body" in more else ("--orbits", str(neas))
        assert main([*words, "--out", str(out)]) == 0
        return Table.read(out), capsys.readouterr().err

    return search


def test_without_a_campaign_passes_are_ranked_and_what_is_left_out_is_counted(broad):
    usual, said = broad()
    everything, nothing_said = broad("--brighter-than", "40", "--elongation", "0")
    assert len(usual) > 2
    assert max(usual["mag"]) <= 13
    assert min(usual["elongation"]) >= 30
    assert list(usual["score"]) == sorted(usual["score"], reverse=True)
    reached = (everything["mag"] <= 13) & (everything["elongation"] >= 30)
    assert set(usual["encounter"]) == set(everything["encounter"][reached])
    assert "beyond the limits" not in nothing_said
    # Passes of bodies that are bright enough on no date are not even counted.
    faint = int(re.search(r"(\d+) bodies stay fainter on all dates", said)[1])
    assert 300 < faint < 449
    assert 0 < beyond(said) < len(everything) - len(usual)
    assert "brighter than magnitude 13 (--brighter-than)" in said
    assert "at least 30 degrees from the Sun (--elongation)" in said


def beyond(said: str) -> int:
    """How many more passes there are, by the words on stderr."""
    [number] = re.findall(r"(\d+) more are beyond the limits", said)
    return int(number)


def test_a_named_body_is_shown_however_faint(broad):
    _, said = broad("--body", "7", "--elongation", "10")
    assert "--brighter-than" not in said


def test_an_existing_table_is_kept(tmp_path, capsys):
    out = tmp_path / "passes.ecsv"
    out.write_text("mine")
    words = ["encounters", "--body", "7", "--from", "2027-05-01", "--to", "2027-05-02", "--out", str(out)]
    assert main(words) == 2
    assert out.read_text() == "mine"
    assert "--overwrite" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--from", "2027-05-01"], "no dates"),
        (["--from", "2027-05-02", "--to", "2027-05-01"], "earlier"),
        (["--from", "2027-05-01", "--to", "2027-05-02", "--body", "nobody"], "nobody"),
        (["--from", "2027-05-01", "--to", "2027-05-02", "--object", "IC 99999"], "IC 99999"),
        (["--from", "2027-05-01", "--to", "2027-05-02", "--within", "-1"], "--within"),
        (["--from", "2027-05-01", "--to", "2027-05-02", "--brighter-than", "nan"], "--brighter-than"),
        (["--from", "2027-05-01", "--to", "2027-05-02", "--object", ","], "names no object"),
        (["--from", "2061-05-01", "--to", "2061-05-02", "--body", "7"], "kernels"),
    ],
)
def test_bad_wishes_in_one_line(tmp_path, capsys, words, said):
    assert main(["encounters", *words, "--out", str(tmp_path / "x.ecsv")]) == 2
    [line] = capsys.readouterr().err.strip().splitlines()
    assert said in line


def test_the_sample_campaign_is_checked_searched_and_planned(tmp_path, sample_data, capsys, monkeypatch):
    monkeypatch.setenv("APPULSE_SETTINGS", str(tmp_path / "none.yaml"))
    campaign = str(sample_data / "campaign.yaml")
    assert main(["campaign", "check", campaign]) == 0
    assert "window of sky" in capsys.readouterr().out
    ranked = tmp_path / "ranked.ecsv"
    assert main(["encounters", campaign, "--out", str(ranked)]) == 0
    table = Table.read(ranked)
    assert table["encounter"][0] == PASS
    assert 0 < table["score"][0] <= 1
    assert all(0 <= table[name][0] <= 1 for name in table.colnames if name.startswith("term_"))
    out = tmp_path / "plan"
    capsys.readouterr()
    assert main(["plan", campaign, "--encounter", PASS, "--site", "hosted", "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert "together" in said
    assert "book hosted" in said
    plan = yaml.safe_load((out / "plan.yaml").read_text())
    assert plan["night"] == "2027-05-04"
    assert plan["figures"]["scale"]["value"] == pytest.approx(206.265 * 6.1 / 350, rel=1e-5)
    assert all(figure["source"] for figure in plan["figures"].values())
    with fits.open(out / "preview.fits") as found:
        assert found[0].data.shape == (1200, 1600)
    sheet = (out / "night_sheet.html").read_text()
    assert "near the Sun" in sheet
    assert "tethered" in sheet
    for private in ("20.5", "-23.0", "1250"):
        assert private not in sheet
    [row] = csv.DictReader((out / "pointings.csv").read_text().splitlines())
    assert float(row["ra_deg"]) == pytest.approx(246.35, abs=0.3)
    booking = (out / "booking.txt").read_text()
    local = r"UTC = 2027-05-04 \d\d:\d\d UTC\+2"
    assert re.search(r"From:    2027-05-04 \d\d:\d\d " + local, booking)
    assert re.search(r"    2    2027-05-04 \d\d:\d\d UTC = 2027-05-0\d \d\d:\d\d UTC\+2", booking)
    assert re.search(r"Pointing: RA 16h25m\d\d\.\ds, Dec -24d\d\d'\d\d\"", booking)
    assert "12 dots, one every" in booking
    cost, count = float(re.search(r"Cost:    ([\d.]+) EUR", booking)[1]), int(row["count"])
    assert row["dots"] == "12"
    assert cost < 400
    assert count < 700
    dense = tmp_path / "dense"
    words = ["plan", campaign, "--encounter", PASS, "--site", "hosted", "--densest", "--out", str(dense)]
    assert main(words) == 0
    booking = (dense / "booking.txt").read_text()
    assert float(re.search(r"Cost:    ([\d.]+) EUR", booking)[1]) > 2 * cost
    [row] = csv.DictReader((dense / "pointings.csv").read_text().splitlines())
    assert int(row["count"]) > 4 * count


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--encounter", "nonsense"], "is not an id"),
        (["--encounter", "8-IC4603-20270504"], "no body '8'"),
        (["--encounter", "7-IC4603-20270424"], "do not pass"),
        (["--encounter", "7-IC4603-20270506"], "nearest to that date is 7-IC4603-20270504"),
        (["--encounter", PASS, "--instrument", "eye"], "known; of the campaign: short refractor"),
        (["--encounter", PASS, "--night", "2027-06-04"], "around the pass: 2027-05-02 to 2027-05-06"),
        (["--encounter", PASS, "--site", "moon"], "'moon' is not known; of the campaign: home, hosted"),
        (["--encounter", PASS, "--night", "4 May"], "is not a date"),
        (["--encounter", PASS, "--cadence", "nan"], "does not fit"),
    ],
)
def test_plans_that_cannot_be(tmp_path, sample_data, capsys, more, said):
    assert main(["plan", str(sample_data / "campaign.yaml"), *more, "--out", str(tmp_path / "p")]) == 2
    assert said in capsys.readouterr().err
    assert not (tmp_path / "p").exists()


def test_every_mistake_of_a_campaign_is_listed(tmp_path, capsys):
    bad = tmp_path / "bad.yaml"
    bad.write_text("dates: {from: 2027-05-01, to: 2026-05-01}\npasses: {withing: 3}\n")
    assert main(["campaign", "check", str(bad)]) == 2
    said = capsys.readouterr().err
    first, second, count = said.splitlines()
    assert "bad.yaml:1:" in first
    assert "bad.yaml:2:" in second
    assert count == "appulse: 2 problems found"


NEAR = """# %ECSV 1.0
# ---
# datatype:
# - {name: designation, datatype: string}
# - {name: epoch, unit: d, datatype: float64}
# - {name: x, unit: AU, datatype: float64}
# - {name: y, unit: AU, datatype: float64}
# - {name: z, unit: AU, datatype: float64}
# - {name: vx, unit: AU / d, datatype: float64}
# - {name: vy, unit: AU / d, datatype: float64}
# - {name: vz, unit: AU / d, datatype: float64}
# - {name: H, unit: mag, datatype: float64}
# - {name: G, datatype: float64}
# schema: astropy-2.0
designation epoch x y z vx vy vz H G
"""


@pytest.fixture
def near_bodies(tmp_path):
    """Two invented bodies 0.03 au away that pass IC 4603 and each other early on 2027-05-05."""
    epoch = Time("2027-05-05", scale="tdb").jd
    place, speed = default_kernels().major(np.array([epoch - 2451545.0]))
    earth, motion = place[0, EARTH] - place[0, SUN], speed[0, EARTH] - speed[0, SUN]
    rows = ""
    for name, ra_deg, km_s, mag in (("2027AA1", 246.30, 12.0, "22.0"), ("2027AA2", 246.34, 10.0, "nan")):
        a, d = np.radians([ra_deg, -24.40])
        unit = np.array([np.cos(d) * np.cos(a), np.cos(d) * np.sin(a), np.sin(d)])
        east = np.array([-np.sin(a), np.cos(a), 0.0])
        state = [
            *(earth + 0.03 * unit),
            *(motion + km_s * 86_400 / 149_597_870.7 * (0.95 * east + 0.3 * unit)),
        ]
        rows += f"{name} {epoch} {' '.join(repr(float(v)) for v in state)} {mag} 0.15\n"
    path = tmp_path / "near.ecsv"
    path.write_text(NEAR + rows, encoding="utf-8")
    return path


def test_a_near_body_is_planned_as_the_site_sees_it(tmp_path, near_bodies, capsys, monkeypatch):
    monkeypatch.setenv("APPULSE_SETTINGS", str(tmp_path / "none.yaml"))
    campaign = tmp_path / "c.yaml"
    campaign.write_text(
        f"dates: {{from: 2027-05-03, to: 2027-05-07}}\nbodies: {{orbits: {near_bodies.name}}}\n"
        "targets: {names: [IC 4603]}\nsites:\n  - {name: south, place: [18.0, -33.0, 100], private: false}\n"
        "instruments:\n"
        "  - {name: t, aperture_mm: 200, focal_length_mm: 800, pixel_um: 12, sensor_px: [90, 60]}\n"
        "passes: {within: 60, body_by_body: true, least_elongation: 0}\n"
    )
    out = tmp_path / "seen.ecsv"
    words = ["encounters", str(campaign), "--site", "south", "--brighter-than", "25", "--out", str(out)]
    assert main(words) == 0
    told = capsys.readouterr()
    assert "1 of 2 bodies have no magnitude" in told.err
    assert "those of the Earth's centre" in told.err
    seen = {row["encounter"]: row for row in Table.read(out)}
    assert main(["encounters", str(campaign), "--out", str(tmp_path / "centre.ecsv")]) == 0
    centre = {row["encounter"]: row for row in Table.read(tmp_path / "centre.ecsv")}
    assert any(name.startswith("2027AA1-2027AA2-") for name in centre)
    [name] = [name for name in centre if name.startswith("2027AA1-IC4603-")]
    [mine] = [row for key, row in seen.items() if key.startswith("2027AA1-IC4603-")]
    assert abs(mine["separation"] - centre[name]["separation"]) > 20  # parallax of up to 290 arcsec
    capsys.readouterr()
    assert main(["plan", str(campaign), "--encounter", name, "--out", str(tmp_path / "p")]) == 0
    told = yaml.safe_load((tmp_path / "p" / "plan.yaml").read_text())["least_separation"]
    assert told["arcsec"] == pytest.approx(float(mine["separation"]), abs=0.1)
    assert told["utc"] == mine["time"][:19]
    [mutual] = [key for key in centre if key.startswith("2027AA1-2027AA2-")]
    assert main(["plan", str(campaign), "--encounter", mutual, "--out", str(tmp_path / "m")]) == 2
    assert "pass of two bodies" in capsys.readouterr().err


def test_an_empty_answer_says_what_was_asked(tmp_path, capsys):
    words = ["encounters", "--body", "7", "--object", "M 31", "--from", "2027-05-01", "--to", "2027-05-05"]
    assert main([*words, "--out", str(tmp_path / "none.ecsv")]) == 0
    said = capsys.readouterr().out
    assert "0 passes" in said
    assert "the body does not come to a least separation from the object between 2027-05-01 00:00" in said


def test_limits_that_hide_every_pass_are_named(tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("APPULSE_SETTINGS", str(tmp_path / "none.yaml"))
    campaign = tmp_path / "c.yaml"
    campaign.write_text(
        "dates: {from: 2027-05-02, to: 2027-05-07}\nbodies: {names: [7], brighter_than: -5}\n"
        "targets: {names: [IC 4603]}\n"
    )
    assert main(["encounters", str(campaign), "--out", str(tmp_path / "none.ecsv")]) == 0
    said = capsys.readouterr().out
    assert "brighter than magnitude -5" in said
    assert "without these limits: 1 pass, 155 degrees from the Sun" in said


def test_a_campaign_without_a_night_says_why_in_the_table(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("APPULSE_SETTINGS", str(tmp_path / "none.yaml"))
    campaign = tmp_path / "c.yaml"
    campaign.write_text(
        "dates: {from: 2027-05-02, to: 2027-05-07}\nbodies: {names: [7]}\ntargets: {names: [IC 4603]}\n"
        "sites:\n  - {name: pole, place: [20, 78.2, 10]}\n"
        "  - {name: ledge, place: [7.6, 53.1, 17], twilight: -10,\n"
        "     window: [[330, 5], [30, 5], [30, 60], [330, 60]]}\n"
    )
    assert main(["campaign", "check", str(campaign)]) == 0
    assert "from azimuth 330 through north to 30 (60 degrees wide)" in capsys.readouterr().out
    assert main(["encounters", str(campaign), "--out", str(tmp_path / "t.ecsv")]) == 0
    [row] = Table.read(tmp_path / "t.ecsv")
    assert "from pole not at all, the Sun stays above -15 degrees all night" in row["chances"]
    assert "from ledge not at all, the body stays outside the site's window" in row["chances"]
    assert row["term_duration"] == 0


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("bodies: {names: [Nobody]}\n", ":2: 'Nobody'"),
        ("targets: {names: [XYZ 99]}\n", ":2: no deep-sky object is called 'XYZ 99'"),
        ("targets:\n  larger_than: 3\n  types: [teapot]\n", ":4: no object has a type like 'teapot'"),
        ("targets: {larger_than: 3000}\n", ":2: the limits on type"),
        ("bodies: {orbits: [nofile.ecsv]}\n", ":2: "),
        ("title: '2050'\n", ":1: a date of the campaign"),
    ],
)
def test_what_a_campaign_names_is_looked_up_by_its_check(tmp_path, capsys, text, said):
    path = tmp_path / "c.yaml"
    dates = "{from: 2027-05-01, to: 2061-05-02}" if "2050" in text else "{from: 2027-05-01, to: 2027-05-02}"
    path.write_text(f"dates: {dates}\n{text}")
    assert main(["campaign", "check", str(path)]) == 2
    assert said in capsys.readouterr().err


def test_a_close_body_is_another_pass_from_every_place(sample_data, tmp_path, capsys):
    """The sample pair's body: words, map, and the plane geometry of its parallax as an outside figure."""
    out, drawn = tmp_path / "close.ecsv", tmp_path / "earth.svg"
    orbits = str(sample_data / "pair" / "orbit.ecsv")
    words = ["encounters", "--body", "PAIR1", "--orbits", orbits, "--object", "NGC 5973"]
    words += ["--from", "2027-05-04", "--to", "2027-05-06", "--out", str(out)]
    places = ["--from-sites", "20.51234,-23.09876,1250", "--from-sites", "11,50,400"]
    assert main([*words, *places, "--map", str(drawn)]) == 0
    said = capsys.readouterr().out
    assert re.search(r"from site 1 it misses by 7\.\d arcmin, from site 2 it misses by 9\.\d arcmin", said)
    ends = re.search(r"(\d+\.\d+) to (\d+\.\d+) arcmin from the centre", said)
    low, high = map(float, ends.groups())
    # the Earth's diameter at 0.0538 au is 5.45 arcmin; the poles of the map stop short of the limb
    assert 5.0 < high - low < 5.5
    assert drawn.read_text("utf-8").startswith("<?xml")
    # the map knows of no site; what is said of one comes from its place rounded
    assert not re.search(r"20\.51|-23\.09|23\.1\b", out.read_text("utf-8") + said)
    assert main([*words, *places[:2], "--overwrite"]) == 2
    assert "twice or more" in capsys.readouterr().err
    assert main([*words, "--map", str(tmp_path / "m.gif"), "--overwrite"]) == 2
    assert ".png and .svg" in capsys.readouterr().err


def test_a_plan_for_two_sites_gives_windows_baseline_and_sigma(sample_data, tmp_path, capsys):
    """The baseline of the two invented sites across the line of sight: their chord is 8545 km (WGS84)."""
    out, campaign = tmp_path / "both", str(sample_data / "campaign.yaml")
    words = ["plan", campaign, "--encounter", PASS, "--site", "hosted", "--out", str(out)]
    assert main([*words, "--together", "home"]) == 0
    said = capsys.readouterr().out
    assert "hosted and home can photograph it together" in said
    assert re.search(r"a distance of 1\.95\d au would come out to ± [23]\.\d% \(1 sigma\)", said)
    table = Table.read(out / "together.ecsv")
    assert len(table) > 20
    assert np.all((table["baseline_km"] > 5000) & (table["baseline_km"] < 8545))
    assert np.all(np.asarray(table["altitude_home"]) > 2.5)
    assert np.all(np.asarray(table["altitude_hosted"]) > 24.5)
    parallax = table["baseline_km"] / 1.49597870700e8 / 1.958 * 206265
    assert np.allclose(table["parallax_arcsec"], parallax, rtol=0.01)
    assert main([*words[:-1], str(tmp_path / "x"), "--together", "hosted"]) == 2
    assert "needs two sites" in capsys.readouterr().err

"""Encounters, campaigns and plans through the command line."""

import csv

import pytest
import yaml
from astropy.io import fits
from astropy.table import Table

from appulse.cli.main import main

PASS = "7-IC4603-20270504"


def test_search_by_options_alone(tmp_path, capsys):
    out = tmp_path / "passes.ecsv"
    words = ["encounters", "--bodies", "7", "--targets", "IC 4603,IC 4604", "--from", "2027-05-01", "--to"]
    assert main([*words, "2027-05-09", "--within", "20", "--out", str(out)]) == 0
    table = Table.read(out)
    assert list(table["encounter"]) == [PASS]
    for name in ("designation", "target", "time", "separation", "inside_outline", "elongation", "mag"):
        assert name in table.colnames
    assert abs(table["separation"][0] - 223.7) < 0.5
    assert table.meta["options"]["observer"] == "500"
    assert "3.73'" in capsys.readouterr().out


def test_an_existing_table_is_kept(tmp_path, capsys):
    out = tmp_path / "passes.ecsv"
    out.write_text("mine")
    words = ["encounters", "--bodies", "7", "--from", "2027-05-01", "--to", "2027-05-02", "--out", str(out)]
    assert main(words) == 2
    assert out.read_text() == "mine"
    assert "--overwrite" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--from", "2027-05-01"], "no dates"),
        (["--from", "2027-05-02", "--to", "2027-05-01"], "earlier"),
        (["--from", "2027-05-01", "--to", "2027-05-02", "--bodies", "nobody"], "nobody"),
        (["--from", "2027-05-01", "--to", "2027-05-02", "--targets", "IC 99999"], "IC 99999"),
        (["--from", "2027-05-01", "--to", "2027-05-02", "--within", "-1"], "--within"),
        (["--from", "2061-05-01", "--to", "2061-05-02", "--bodies", "7"], "kernels"),
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
    for private in ("-68.0", "-23.0", "2400"):
        assert private not in sheet
    [row] = csv.DictReader((out / "pointings.csv").read_text().splitlines())
    assert float(row["ra_deg"]) == pytest.approx(246.35, abs=0.3)
    booking = (out / "booking.txt").read_text()
    zones = "2027-05-04 21:25 -04 (hosted) = 2027-05-05 03:25 CEST (home)"
    assert f"From:    2027-05-05 01:25 UTC = {zones}" in booking
    assert "    2    2027-05-05 02:25 UTC = 2027-05-04 22:25 -04 (hosted)" in booking
    assert "Cost:    810.00 EUR" in booking


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--encounter", "nonsense"], "is no id"),
        (["--encounter", "8-IC4603-20270504"], "no body '8'"),
        (["--encounter", "7-IC4603-20270424"], "do not pass"),
        (["--encounter", "7-IC4603-20270506"], "nearest to that date is 7-IC4603-20270504"),
        (["--encounter", PASS, "--instrument", "eye"], "known; of the campaign: short refractor"),
        (["--encounter", PASS, "--night", "2027-06-04"], "around the pass: 2027-05-02 to 2027-05-06"),
        (["--encounter", PASS, "--site", "moon"], "'moon' is not known; of the campaign: home, hosted"),
        (["--encounter", PASS, "--night", "4 May"], "is no date"),
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
    assert "bad.yaml:1:" in said
    assert "bad.yaml:2:" in said

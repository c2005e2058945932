"""``appulse together``: two nights in ADES, an own table with a private site, and what is refused."""

from pathlib import Path

import numpy as np
import pytest
import yaml
from astropy.time import Time, TimeDelta

from appulse.astrometry.first_orbit import Ranging
from appulse.astrometry.parallax import example_sightings
from appulse.astrometry.short_arc import ShortArc, noise_covariance
from appulse.bodies import Orbit, OrbitCatalogue
from appulse.bodies.readers.orbit_table import orbit_table
from appulse.cli.main import main
from appulse.observers import Site

CODES = ("K91", "J04")


@pytest.fixture(scope="module")
def nights(tmp_path_factory):
    """Two ADES files of one invented body 0.25 au away."""
    folder = tmp_path_factory.mktemp("nights")
    sites = {code: Site.from_mpc_code(code) for code in CODES}
    seen = example_sightings(sites, distance_au=0.25, sigma_arcsec=0.1, seed=3, count=4)
    paths = []
    for code in CODES:
        lines = ["# version=2022", "# observatory", f"! mpcCode {code}"]
        lines.append("permID|mode|stn|obsTime|ra|dec|rmsRA|rmsDec|astCat")
        lines += [
            f"433|CCD|{code}|{s.time.utc.isot}Z|{s.ra_deg:.7f}|{s.dec_deg:.7f}|0.1|0.1|Gaia3"
            for s in seen
            if s.site == code
        ]
        path = folder / f"{code}.psv"
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        paths.append(str(path))
    return paths


def test_two_nights_give_a_distance_within_its_error(nights, tmp_path, capsys):
    out = tmp_path / "out"
    assert main(["together", *nights, "--body", "433", "--out", str(out)]) == 0
    said = capsys.readouterr().out
    found = yaml.safe_load((out / "distance.yaml").read_text("utf-8"))
    off = (found["inverse_distance_per_au"] - 4.0) / found["sigma_inverse_distance_per_au"]
    assert abs(off) < 3.5
    assert found["nearest_au_95"] < 0.25 * 1.02
    assert "million km" in said
    names = ["distance.html", "distance.yaml", "parallax.png", "sightings.ecsv"]
    assert sorted(path.name for path in out.iterdir()) == names
    for path in (out / "distance.html", out / "distance.yaml", out / "sightings.ecsv"):
        text = path.read_text("utf-8")
        lon, lat, _ = Site.from_mpc_code("K91").geodetic
        assert f"{lon:.2f}" not in text
        assert f"{lat:.2f}" not in text
    assert main(["together", *nights, "--body", "433", "--out", str(out)]) == 2


def test_what_cannot_be_put_together_is_one_line(nights, tmp_path, capsys):
    for words, said in (
        ([nights[0], "--body", "12"], "holds no measured place of 12"),
        ([*nights, "--body", "433", "--site", "500"], "tells its own station"),
        ([*nights, "--body", "433", "--clock-sigma", "-1"], "no sigma"),
    ):
        assert main(["together", *words, "--out", str(tmp_path / "none")]) == 2
        text = capsys.readouterr().err
        assert said in text
        assert np.sum([bool(line) for line in text.splitlines()]) == 1
    assert not (tmp_path / "none").exists()


def test_a_first_orbit_comes_with_clouds_pointings_and_refusals(nights, tmp_path, capsys):
    out = tmp_path / "found"
    words = ["first-orbit", nights[0], "--body", "433", "--field", "80,60", "--nights-to-come", "4"]
    assert main([*words, "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert "places over" in said
    found = yaml.safe_load((out / "first_orbit.yaml").read_text("utf-8"))
    low, _, high = found["low_median_high_95"]["distance_from_earth_au"]
    assert low < 0.25 < high
    assert "systematic ranging" in found["method"]
    assert len(found["nights"]) >= 1
    assert (out / "cloud.png").read_bytes().startswith(b"\x89PNG")
    lines = (out / "recovery.csv").read_text("utf-8").splitlines()
    shares = [float(line.split(",")[-1]) for line in lines[1:] if line.startswith(lines[1][:10])]
    assert sum(shares) > 0.94
    # the sample is a file of orbits for every other command
    predict = ["predict", "--orbits", str(out / "sample.ecsv"), "--body", "sample003", "--site", "K91"]
    moment = found["nights"][0]["time_utc"]
    span = ["--from", moment, "--to", moment[:14] + "59", "--step", "10m", "--out", str(tmp_path / "p.ecsv")]
    assert main([*predict, *span]) == 0
    assert main([*words[:4], "--field", "80", "--out", str(tmp_path / "x")]) == 2
    assert "width and height" in capsys.readouterr().err


def orbit_of(sightings):
    """The orbit of exact places whose distance is 0.25 au."""
    arc = ShortArc(sightings)
    exact = dict.fromkeys(CODES, 1e-6)
    ranging = Ranging(arc, noise_covariance(arc, exact, exact, 0.0, [0.0, 0.0]))
    state = arc.heliocentric(ranging.ridge(np.array([4.0]), escape=1.5).parameters)[0]
    return Orbit("433", float(arc.epoch.tdb.jd), state)


def test_the_site_whose_clock_is_late_is_named(nights, tmp_path, capsys):
    """The orbit is the invented body's own; the times of one file are 300 s early: its clock was late."""
    sites = {code: Site.from_mpc_code(code) for code in CODES}
    exact = example_sightings(sites, distance_au=0.25, sigma_arcsec=1e-5, seed=3, count=4)
    table = orbit_table(OrbitCatalogue.from_orbits([orbit_of(exact)]))
    table.write(tmp_path / "mine.ecsv", format="ascii.ecsv")
    late, lines = tmp_path / "late.psv", []
    for line in Path(nights[1]).read_text("utf-8").splitlines():
        parts = line.split("|")
        if parts[0] == "433":
            moved = Time(parts[3].rstrip("Z"), scale="utc") - TimeDelta(300.0, format="sec")
            parts[3] = moved.isot + "Z"
        lines.append("|".join(parts))
    late.write_text("\n".join(lines) + "\n", encoding="utf-8")
    run = ["together", nights[0], str(late), "--body", "433", "--orbits", str(tmp_path / "mine.ecsv")]
    assert main([*run, "--out", str(tmp_path / "out")]) == 0
    assert "J04's clock is late by" in capsys.readouterr().out
    judged = yaml.safe_load((tmp_path / "out/distance.yaml").read_text("utf-8"))["verdict"]
    assert judged["causes"] == [{"cause": "clock", "site": "J04"}]
    assert judged["odds"] > 20


def test_a_middle_that_is_not_known_is_blank(nights, tmp_path):
    """One site alone has no other at its moments: the cells are blank, no NaN is written."""
    out = tmp_path / "out"
    assert main(["together", nights[0], "--body", "433", "--out", str(out)]) in (0, 1)
    assert "nan" not in (out / "sightings.ecsv").read_text("utf-8")

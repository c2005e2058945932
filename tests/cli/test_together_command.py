"""``appulse together``: two nights in ADES, an own table with a private site, and what is refused."""

import numpy as np
import pytest
import yaml

from appulse.astrometry.parallax import example_sightings
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
    assert sorted(path.name for path in out.iterdir()) == ["distance.yaml", "parallax.png", "sightings.ecsv"]
    for path in (out / "distance.yaml", out / "sightings.ecsv"):
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

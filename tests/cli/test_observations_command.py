"""``appulse residuals --observations`` and ``appulse improve`` from outside."""

import re
import subprocess
import sys

import numpy as np
import pytest
import yaml
from astropy.table import Table
from astropy.time import TimeDelta

from appulse.bodies.ephemeris import NBodyEphemeris
from appulse.bodies.readers import read_orbits
from appulse.cli.main import main
from appulse.formats.residual_table import read_residuals
from appulse.observers.site import Site
from appulse.observers.timescales import parse_utc

ROW = re.compile(
    r"(\d{4} \d\d \d\d\.\d+)\s+\S+ (\d\d \d\d \d\d\.\d+)\s+\S+\s+\S+ F\s+(\S+)\s+(\S+) "
    r"([+-]\d\d \d\d \d\d\.\d+)\s+\S+\s+\S+ F\s+(\S+)\s+(\S+)"
)
TOL_PUBLISHED_MAS = 15.0
"""The publisher's own force model and printed digits."""
TOL_PUBLISHED_RMS_MAS = 5.0


def eros_lines(path):
    """The rows of the published list as 80-column lines, and their O-C with the bias put back."""
    lines, published = [], []
    for line in path.read_text(encoding="ascii").splitlines():
        match = ROW.search(line)
        if line.startswith(" 433") and match:
            day, ra, bias_ra, left_ra, dec, bias_dec, left_dec = match.groups()
            lines.append(f"{'00433':14}C{day:17}{ra:12}{dec:12}{'':14}V{'':6}{line.split()[-4]}")
            published.append([float(bias_ra) + float(left_ra), float(bias_dec) + float(left_dec)])
    return lines, np.array(published)


@pytest.mark.needs_shared
def test_published_residuals_of_eros_from_80_columns(shared, tmp_path):
    """ESA NEOCC's list, by its own orbit: checks/eros_residuals_2018_2020.txt, eros_orbit_neocc.ke1.txt.

    All of it, through a process of its own, as a user has it.
    """
    lines, published = eros_lines(shared / "checks" / "eros_residuals_2018_2020.txt")
    (tmp_path / "eros.txt").write_text("\n".join(lines) + "\n", encoding="ascii")
    orbits = str(shared / "checks" / "eros_orbit_neocc.ke1.txt")
    words = ["--observations", str(tmp_path / "eros.txt"), "--orbits", orbits, "--out", str(tmp_path / "m")]
    command = [sys.executable, "-m", "appulse.cli.main", "residuals", *words, "--quiet"]
    found = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (found.returncode, found.stderr) == (0, "")
    table = read_residuals(tmp_path / "m" / "residuals.ecsv")
    off = np.stack([table["dra_cosdec"], table["ddec"]], axis=1) - published
    assert len(table) == len(lines) > 790
    assert 1e3 * np.abs(off).max() < TOL_PUBLISHED_MAS
    assert np.all(1e3 * off.std(axis=0) < TOL_PUBLISHED_RMS_MAS)
    told = yaml.safe_load((tmp_path / "m" / "verdict.yaml").read_text(encoding="utf-8"))
    assert told["statistics"][-1]["n"] == len(table)
    assert told["verdict"] == "not judged"


@pytest.fixture(scope="module")
def psv(sample_data, tmp_path_factory):
    """Eight invented places of (7), 0.3 arcsec north of its orbit; one more of a body without orbit."""
    times = parse_utc("2027-05-04T20:00:00") + TimeDelta(np.linspace(0, 0.3, 8), format="jd")
    rows = NBodyEphemeris(read_orbits(sample_data / "orbit.ecsv")).at(times, Site.from_mpc_code("X05"))
    lines = ["permID|mode|stn|obsTime|ra|dec|rmsRA|rmsDec|astCat"]
    for row in rows:
        time, dec = row["time"].utc.isot, row["dec"].value + 0.3 / 3600
        lines.append(f"7|CCD|X05|{time}Z|{row['ra'].value:.9f}|{dec:.9f}|0.05|0.05|Gaia3")
    path = tmp_path_factory.mktemp("psv") / "seen.psv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    odd = path.with_name("odd.psv")
    odd.write_text("\n".join([*lines, lines[1].replace("7|", "999999|", 1)]) + "\n", encoding="utf-8")
    return path


def test_offset_across_is_seen_and_judged(psv, sample_data, tmp_path, capsys):
    words = ["--orbits", str(sample_data / "orbit.ecsv"), "--also", "all", "--out", str(tmp_path)]
    assert main(["residuals", "--observations", str(psv), *words]) == 0
    table = read_residuals(tmp_path / "residuals.ecsv")
    assert np.allclose(table["ddec"], 0.3, atol=2e-4)
    assert np.allclose(table["dra_cosdec"], 0.0, atol=2e-4)
    assert {path.name for path in tmp_path.iterdir()} == {
        "residuals.ecsv", "verdict.yaml", "evidence.html", "evidence.pdf"
    }  # fmt: skip
    told = yaml.safe_load((tmp_path / "verdict.yaml").read_text(encoding="utf-8"))
    assert told["sentence"] in " ".join(capsys.readouterr().out.split("\n"))
    assert any("plate" in words for words in told["cannot_tell"])


def test_a_body_without_orbit_costs_only_itself(psv, sample_data, tmp_path):
    odd, orbits = str(psv.with_name("odd.psv")), str(sample_data / "orbit.ecsv")
    assert main(["residuals", "--observations", odd, "--orbits", orbits, "--out", str(tmp_path)]) == 1
    table = read_residuals(tmp_path / "residuals.ecsv")
    assert "no orbit" in table["flag"][-1]
    assert np.ma.is_masked(table["ra_obs"][-1])
    assert not np.ma.is_masked(table["ra_obs"][0])


def test_frames_and_observations_at_once(psv, tmp_path, capsys):
    code = main(["residuals", "a.fits", "--observations", str(psv), "--body", "7", "--out", str(tmp_path)])
    assert code == 2
    assert "--observations" in capsys.readouterr().err


def test_neither_frames_nor_observations(tmp_path, capsys):
    assert main(["residuals", "--body", "7", "--out", str(tmp_path)]) == 2
    assert "FRAME" in capsys.readouterr().err.upper()


def test_pictures_need_frames(psv, tmp_path, capsys):
    words = ["--observations", str(psv), "--also", "pictures", "--out", str(tmp_path)]
    assert main(["residuals", *words]) == 2
    assert "frames" in capsys.readouterr().err


def test_improved_orbit_takes_the_offset_off(psv, sample_data, tmp_path, capsys):
    loose = Table.read(sample_data / "orbit.ecsv")
    for name in loose.colnames:
        if name.startswith("cov_"):
            loose[name] = loose[name] * 1e6  # the sample's orbit is too sure of itself to yield
    loose.write(tmp_path / "loose.ecsv")
    words = ["--body", "7", "--orbits", str(tmp_path / "loose.ecsv"), "--anyway"]
    assert main(["improve", str(psv), *words, "--out", str(tmp_path / "better.ecsv")]) == 0
    assert "shrinks" in capsys.readouterr().out
    words = ["--orbits", str(tmp_path / "better.ecsv"), "--out", str(tmp_path / "m")]
    assert main(["residuals", "--observations", str(psv), *words]) == 0
    table = read_residuals(tmp_path / "m" / "residuals.ecsv")
    assert np.abs(table["ddec"]).max() < 0.05
    assert read_orbits(tmp_path / "better.ecsv").orbit(0).covariance is not None


def test_an_arc_that_cannot_carry_an_orbit_is_refused(psv, tmp_path, capsys):
    out = tmp_path / "better.ecsv"
    assert main(["improve", str(psv), "--body", "7", "--anyway", "--out", str(out)]) == 2
    assert "cannot carry" in capsys.readouterr().err
    assert not out.exists()

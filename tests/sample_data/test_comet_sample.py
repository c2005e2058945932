"""The comet's sample: its answers hold, and so do its checksums and its own way of moving the comet."""

import hashlib
import importlib.util
from pathlib import Path

import numpy as np
import pytest
import yaml
from astropy.table import Table
from astropy.time import Time

from appulse.bodies import predict, read_orbits
from appulse.cli.main import main
from appulse.observers import Site

FOLDER = Path(__file__).resolve().parents[2] / "sample_data" / "comet"
TOL_INTEGRATORS_ARCSEC = 0.02
"""Ten days of two integrators, one of them without asteroids and outgassing."""


@pytest.fixture(scope="module")
def generator():
    spec = importlib.util.spec_from_file_location("make_comet", FOLDER / "make_comet.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_files_are_small_and_those_of_the_checksums():
    names = [line.split() for line in (FOLDER / "SHA256SUMS").read_text().splitlines()]
    assert len(names) == 9
    for digest, name in names:
        assert hashlib.sha256((FOLDER / name).read_bytes()).hexdigest() == digest, name
    assert sum(path.stat().st_size for path in FOLDER.iterdir()) < 4e6


def test_own_integration_agrees_with_appulse(generator):
    place = generator.SITE_LON_DEG, generator.SITE_LAT_DEG, generator.SITE_HEIGHT_M
    site = Site.from_geodetic(*place)
    time = Time(["2026-12-14T12:00:00", "2026-12-14T15:00:00"], scale="utc")
    ra, dec = generator.comet_places(Table.read(FOLDER / "orbit.ecsv"), time)
    rows = predict(read_orbits(FOLDER / "orbit.ecsv"), time, site)
    east = (np.asarray(rows["ra"]) - ra) * 3600 * np.cos(np.radians(dec))
    assert np.abs(east).max() < TOL_INTEGRATORS_ARCSEC
    assert np.abs(np.asarray(rows["dec"]) - dec).max() * 3600 < TOL_INTEGRATORS_ARCSEC


def test_demo_finds_what_was_put_in(tmp_path, capsys):
    assert main(["demo", "--comet", "--out", str(tmp_path / "out"), "--quiet"]) == 0
    said = capsys.readouterr().out
    assert "2P: measured as a comet" in said
    assert "A(alpha) f rho" in said
    answers = yaml.safe_load((FOLDER / "answers.yaml").read_text("utf-8"))
    table = Table.read(tmp_path / "out" / "residuals.ecsv")
    pulls = []
    for row in table:
        truth = answers["frames"][str(row["frame"])]
        for name, sigma in (("dra_plate", "sigma_dra_plate"), ("ddec_plate", "sigma_ddec_plate")):
            pulls.append((row[name] - truth[name]) / row[sigma])
    assert len(pulls) == 12
    assert np.abs(pulls).max() < 3.5
    assert np.sqrt(np.mean(np.square(pulls))) < 1.6

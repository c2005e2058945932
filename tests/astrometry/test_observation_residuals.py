"""Observations without frames against an ephemeris."""

import re

import numpy as np
import pytest
from astropy.time import Time, TimeDelta

from appulse.astrometry.observations import observation_residuals
from appulse.astrometry.residual import residual_table
from appulse.astrometry.verdict import judge
from appulse.bodies.ephemeris import NBodyEphemeris
from appulse.bodies.readers import read_orbits
from appulse.formats.observation_table import read_observations
from appulse.observers.site import Site

HEAD = "# version=2022\npermID|mode|stn|obsTime|ra|dec|rmsRA|rmsDec|astCat\n"


@pytest.fixture(scope="module")
def iris(sample_data):
    return NBodyEphemeris(read_orbits(sample_data / "orbit.ecsv"))


def test_signs_and_sigmas(iris, tmp_path):
    time = Time("2027-05-04T22:00:00", scale="utc")
    row = iris.at(time, Site.from_mpc_code("X05"))[0]
    ra, dec = row["ra"].value, row["dec"].value
    east = ra + 0.4 / 3600 / np.cos(np.radians(dec))
    path = tmp_path / "a.psv"
    line = f"7|CCD|X05|2027-05-04T22:00:00Z|{east:.9f}|{dec - 0.3 / 3600:.9f}|0.12|0.10|Gaia3\n"
    path.write_text(HEAD + line + line.replace("X05", "ZZ9"), encoding="utf-8")
    good, unknown = observation_residuals(read_observations(path), iris)
    assert good.dra_cosdec == pytest.approx(0.4, abs=1e-5)
    assert good.ddec == pytest.approx(-0.3, abs=1e-5)
    assert good.sigma_sky == pytest.approx((0.12, 0.10))
    assert "ZZ9" in unknown.flag
    table = residual_table([good, unknown])
    assert bool(table["along"].mask[1])
    assert not bool(table["along"].mask[0])


def test_a_place_of_the_wrong_longitude_is_the_sites_and_no_ones_orbit(iris, tmp_path):
    """Whoever roves states where they stood: with the sign of longitude lost, the parallax shows it."""
    times = Time("2027-05-04T20:00:00", scale="utc") + TimeDelta(np.linspace(0, 0.15, 6), format="jd")
    east, shown = Site.from_geodetic(60.5, -23.0, 1250.0), "-60.5|-23.0|1250"
    rng = np.random.default_rng(5)
    lines = ["permID|mode|stn|sys|pos1|pos2|pos3|obsTime|ra|dec|rmsRA|rmsDec|astCat\n"]
    for row, time in zip(iris.at(times, east), times, strict=True):
        dec = row["dec"].value + rng.normal(0, 0.2) / 3600
        ra = row["ra"].value + rng.normal(0, 0.2) / 3600 / np.cos(np.radians(dec))
        lines.append(f"7|CCD|247|WGS84|{shown}|{time.isot[:19]}Z|{ra:.9f}|{dec:.9f}|0.2|0.2|Gaia3\n")
    path = tmp_path / "roving.psv"
    path.write_text("# version=2022\n" + "".join(lines), encoding="utf-8")
    verdict = judge(observation_residuals(read_observations(path), iris))
    assert verdict.cause == "site"
    assert "longitude of the site has the wrong sign" in verdict.sentence


ROW = re.compile(
    r"(\d{4}) (\d\d) (\d\d\.\d+)\s+\S+ (\d\d) (\d\d) (\d\d\.\d+)\s+\S+\s+\S+ F\s+(\S+)\s+(\S+) ([+-])(\d\d) "
    r"(\d\d) (\d\d\.\d+)\s+\S+\s+\S+ F\s+(\S+)\s+(\S+)"
)
TOL_PUBLISHED_MAS = 15.0
"""What the engine itself is held to on this list: the publisher's own force model and printed digits."""


@pytest.mark.needs_shared
def test_published_residuals_of_eros(shared, tmp_path):
    """O-C of ESA's list: its residuals, with the bias of the star catalogues that it takes off put back."""
    rows, published = [], []
    text = (shared / "checks" / "eros_residuals_2018_2020.txt").read_text(encoding="ascii")
    for line in text.splitlines()[::5]:
        match = ROW.search(line)
        if not (line.startswith(" 433") and match):
            continue
        y, m, d, h, mi, s, bias_ra, res_ra, sign, dd, dm, ds, bias_dec, res_dec = match.groups()
        ra = 15 * (int(h) + int(mi) / 60 + float(s) / 3600)
        dec = (int(dd) + int(dm) / 60 + float(ds) / 3600) * (-1 if sign == "-" else 1)
        day = Time(f"{y}-{m}-{d[:2]}", scale="utc")
        time = Time(day.jd1, day.jd2 + float(d) % 1, format="jd", scale="utc", precision=6)
        rows.append(f"433|CCD|{line.split()[-4]}|{time.isot}Z|{ra:.10f}|{dec:.10f}|0.5|0.5|Gaia2")
        published.append([float(bias_ra) + float(res_ra), float(bias_dec) + float(res_dec)])
    path = tmp_path / "eros.psv"
    path.write_text(HEAD + "\n".join(rows) + "\n", encoding="utf-8")
    ephemeris = NBodyEphemeris(read_orbits(shared / "checks" / "eros_orbit_neocc.ke1.txt"))
    found = observation_residuals(read_observations(path), ephemeris, body="433")
    assert len(found) > 100
    off = np.array([[one.dra_cosdec, one.ddec] for one in found]) - published
    assert 1e3 * np.abs(off).max() < TOL_PUBLISHED_MAS

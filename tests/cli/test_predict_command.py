"""``appulse predict`` from outside: columns, times, sites, refusals."""

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.table import Table
from astropy.time import Time

from appulse.bodies.kernels import DEFAULT_ASTEROIDS, DEFAULT_PLANETS
from appulse.cli.main import main

COLUMNS = [
    *("designation", "time", "ra", "dec", "ra_rate", "dec_rate", "rate", "motion_pa", "phase", "elongation"),
    *("delta", "r", "sun_pa", "antivelocity_pa", "plane_elevation", "mag", "sigma_major", "sigma_minor"),
    "sigma_pa",
]

TOL_KERNEL_MAS = 1.0
"""Seven weeks of integration from a state of the kernel, against the kernel's own orbit of the body."""

SITE = "20.5,-23.0,1250"


@pytest.fixture
def orbits(sample_data):
    return str(sample_data / "orbit.ecsv")


def predict(tmp_path, *words):
    out = tmp_path / "out.ecsv"
    code = main(["predict", *words, "--out", str(out)])
    return code, out


def span(begin="2027-05-04T20:00", end="2027-05-04T21:00", step="10m"):
    return ["--from", begin, "--to", end, "--step", step]


def test_columns_units_and_row_count(tmp_path, orbits):
    code, out = predict(tmp_path, "--orbits", orbits, "--body", "7", "--site", SITE, *span())
    table = Table.read(out)
    assert code == 0
    assert table.colnames[: len(COLUMNS)] == COLUMNS
    assert len(table) == 7  # both ends
    assert str(table["ra"].unit) == "deg"
    assert str(table["ra_rate"].unit) == "arcsec / h"


def test_places_agree_with_the_kernel(tmp_path, orbits, sample_data):
    truth = Table.read(sample_data / "truth.ecsv")
    times = tmp_path / "times.txt"
    times.write_text("".join(f"{time}\n" for time in truth["time"]), encoding="utf-8")
    code, out = predict(tmp_path, "--orbits", orbits, "--times", str(times), "--site", SITE)
    table = Table.read(out)
    ours, theirs = (SkyCoord(t["ra"], t["dec"], unit="deg") for t in (table, truth))
    assert code == 0
    assert ours.separation(theirs).to_value(u.mas).max() < TOL_KERNEL_MAS


def test_rates_are_the_change_of_place(tmp_path, orbits):
    _, out = predict(tmp_path, "--orbits", orbits, "--site", SITE, *span(step="1m"))
    table = Table.read(out)
    hours = (Time(table["time"]) - Time(table["time"][0])).to_value(u.h)
    east = np.gradient(np.asarray(table["ra"]), hours, edge_order=2) * np.cos(np.radians(table["dec"])) * 3600
    north = np.gradient(np.asarray(table["dec"]), hours, edge_order=2) * 3600
    np.testing.assert_allclose(table["ra_rate"], east, atol=2e-3)
    np.testing.assert_allclose(table["dec_rate"], north, atol=2e-3)
    np.testing.assert_allclose(table["rate"], np.hypot(table["ra_rate"], table["dec_rate"]), atol=2e-5)


def test_nine_decimals_are_written(tmp_path, orbits):
    _, out = predict(tmp_path, "--orbits", orbits, "--site", SITE, *span())
    rows = [line for line in out.read_text(encoding="utf-8").splitlines() if "2027-05-04T" in line]
    place = next(word for word in rows[0].split() if word.startswith("246."))
    assert len(place.partition(".")[2]) >= 9


@pytest.mark.parametrize("words", [["--site", "-70.8,-23,2400"], ["--site=-70.8,-23,2400"]])
def test_western_longitude(tmp_path, orbits, words):
    assert predict(tmp_path, "--orbits", orbits, *words, *span())[0] == 0


def test_starter_orbits_need_no_file(tmp_path):
    code, out = predict(tmp_path, "--body", "7", "--site", "geocentre", *span())
    assert code == 0
    assert len(Table.read(out)) == 7


def test_existing_output_is_refused_and_kept(tmp_path, orbits, capsys):
    out = tmp_path / "out.ecsv"
    out.write_text("mine", encoding="utf-8")
    assert predict(tmp_path, "--orbits", orbits, "--site", SITE, *span())[0] == 2
    assert out.read_text(encoding="utf-8") == "mine"
    assert "--overwrite" in capsys.readouterr().err
    assert predict(tmp_path, "--orbits", orbits, "--site", SITE, *span(), "--overwrite")[0] == 0


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--site", SITE], "--times"),
        (["--site", SITE, "--from", "2027-05-04", "--to", "2027-05-05"], "--step"),
        (["--site", SITE, *span(step="10")], "--step"),
        (["--site", SITE, *span("2027-05-05T00:00", "2027-05-04T00:00")], "later"),
        (["--site", SITE, *span("yesterday")], "yesterday"),
        (["--site", SITE, *span("2027-05-04T20:00+02:00")], "+02:00"),
        (["--site", SITE, *span(begin="1820-01-01", end="1820-01-02", step="1d")], "18"),
        (["--site", SITE, *span(end="2099-01-01", step="1s")], "longer --step"),
        (["--site", "XX999", *span()], "XX999"),
        (["--site", "20.5,-93,1250", *span()], "-93"),
        (["--site", SITE, "--body", "Nobody", *span()], "Nobody"),
        (["--site", SITE, "--times", "absent.txt"], "absent.txt"),
    ],
)
def test_bad_input_is_one_line_and_code_2(tmp_path, orbits, capsys, words, says):
    code, out = predict(tmp_path, "--orbits", orbits, *words)
    said = capsys.readouterr().err
    assert (code, said.count("\n"), out.exists()) == (2, 1, False), said
    assert says in said


def test_two_ways_to_give_the_times_at_once(tmp_path, orbits, capsys):
    times = tmp_path / "times.txt"
    times.write_text("2027-05-04T20:00\n", encoding="utf-8")
    code, _ = predict(tmp_path, "--orbits", orbits, "--site", SITE, "--times", str(times), *span())
    assert code == 2
    assert "one of them" in capsys.readouterr().err


def test_unknown_sigma_is_blank_and_not_zero(tmp_path, orbits):
    bare = Table.read(orbits)
    bare.remove_columns([name for name in bare.colnames if name.startswith("cov_")])
    bare.write(tmp_path / "bare.ecsv")
    _, out = predict(tmp_path, "--orbits", str(tmp_path / "bare.ecsv"), "--site", SITE, *span())
    table = Table.read(out)
    for name in ("sigma_major", "sigma_minor", "sigma_pa"):
        assert table[name].mask.all()


def test_known_sigma_is_an_ellipse(tmp_path, orbits):
    _, out = predict(tmp_path, "--orbits", orbits, "--site", SITE, *span())
    table = Table.read(out)
    assert np.all(table["sigma_major"] >= table["sigma_minor"])
    assert np.all(table["sigma_minor"] > 0.0)
    assert np.all(table["sigma_major"] < 0.05)


def test_private_place_stays_out_of_the_table(tmp_path, orbits):
    _, out = predict(tmp_path, "--orbits", orbits, "--site", "20.5123,-23.0456,1250", *span())
    text = out.read_text(encoding="utf-8")
    assert "20.5123" not in text
    assert "23.0456" not in text


def test_own_kernels_are_used_for_this_run_only(tmp_path, orbits):
    words = ["--orbits", orbits, "--body", "7", "--site", SITE, *span(), "--overwrite"]
    _, out = predict(tmp_path, *words)
    bundled = Table.read(out)
    # In any order: what a file holds is told by its content.
    for name, path in (("rocks.bsp", DEFAULT_ASTEROIDS), ("planets.bsp", DEFAULT_PLANETS)):
        (tmp_path / name).symlink_to(path)
    kernels = [str(tmp_path / "rocks.bsp"), str(tmp_path / "planets.bsp")]
    code, out = predict(tmp_path, *words, "--kernels", *kernels)
    own = Table.read(out)
    assert code == 0
    assert own.meta["kernels"] == "planets.bsp + rocks.bsp"
    np.testing.assert_array_equal(own["ra"], bundled["ra"])
    _, out = predict(tmp_path, *words)
    assert Table.read(out).meta["kernels"] == bundled.meta["kernels"]


@pytest.mark.parametrize(
    ("kernels", "says"),
    [
        (["none.bsp"], "does not exist"),
        ([__file__], "is not an SPK file"),
        ([str(DEFAULT_ASTEROIDS)], "0 planetary and 1 asteroid"),
    ],
)
def test_unusable_kernels_are_named(tmp_path, orbits, capsys, kernels, says):
    words = ["--orbits", orbits, "--body", "7", "--site", SITE, *span()]
    code, _ = predict(tmp_path, *words, "--kernels", *kernels)
    assert code == 2
    assert says in capsys.readouterr().err


def test_a_time_beyond_the_kernels_says_what_to_give(tmp_path, orbits, capsys):
    words = ["--orbits", orbits, "--body", "7", "--site", SITE]
    code, _ = predict(tmp_path, *words, *span("1980-05-04T20:00", "1980-05-04T21:00"))
    assert code != 0
    assert "--kernels FILE" in capsys.readouterr().err

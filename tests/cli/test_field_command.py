"""``appulse field``, as a user calls it."""

import pytest
from astropy.table import QTable, Table

from appulse.cli.field import joined
from appulse.cli.main import main

COLUMNS = [
    "kind",
    "designation",
    "x",
    "y",
    "ra",
    "dec",
    "mag",
    "rate",
    "motion_pa",
    "separation",
    "inside",
    "note",
]


@pytest.fixture(scope="module")
def listing(sample_data, tmp_path_factory):
    out = tmp_path_factory.mktemp("field") / "field.ecsv"
    frame, orbits = sample_data / "iris_3.fits.fz", sample_data / "orbit.ecsv"
    words = ["--orbits", str(orbits), "--brighter-than", "14", "--out", str(out)]
    assert main(["field", str(frame), *words]) == 0
    return out


def test_sample_frame_holds_the_body_and_its_nebulae(listing):
    table = QTable.read(listing)
    assert table.colnames == COLUMNS
    inside = dict(zip(table["designation"], table["inside"], strict=True))
    assert inside["7"] == "wholly"
    assert inside["IC 4603"] == "wholly"
    assert inside["IC 4604"] in ("partly", "centre outside")


def test_body_carries_rate_and_magnitude(listing):
    table = QTable.read(listing)
    body = table[table["kind"] == "body"][0]
    assert 28.0 < body["rate"].value < 31.0
    assert str(body["rate"].unit) == "arcsec / h"
    assert 9.0 < body["mag"].value < 11.0


def test_several_frames_share_a_table_whoever_lists_them(sample_data, bad_frames, tmp_path, capsys):
    frames = [*sorted(sample_data.glob("iris_[34].fits.fz")), bad_frames / "nowcs.fits"]
    words = ["field", *map(str, frames), "--orbits", str(sample_data / "orbit.ecsv"), "--out"]
    assert main([*words, str(tmp_path / "one.ecsv")]) == 1
    said = capsys.readouterr()
    assert "3 frames: 2 listed, 1 failed: nowcs.fits" in said.err
    assert main([*words, str(tmp_path / "two.ecsv"), "--jobs", "2"]) == 1
    table = QTable.read(tmp_path / "one.ecsv")
    assert table.colnames == ["frame", *COLUMNS]
    assert [str(row["frame"]) for row in table if row["kind"] == "body"] == [f.name for f in frames[:2]]
    assert (tmp_path / "two.ecsv").read_bytes() == (tmp_path / "one.ecsv").read_bytes()


def test_a_frame_with_nothing_in_it_adds_no_row():
    rows = Table({"designation": ["7"], "mag": [9.5]})
    table = joined([rows, rows[:0]], ["one.fits", "empty.fits"])
    assert table.colnames == ["frame", "designation", "mag"]
    assert list(table["frame"]) == ["one.fits"]


def test_existing_output_is_kept(listing, sample_data, capsys):
    before = listing.read_bytes()
    assert main(["field", str(sample_data / "iris_3.fits.fz"), "--out", str(listing)]) == 2
    assert "--overwrite" in capsys.readouterr().err
    assert listing.read_bytes() == before


def test_frame_without_time_lists_objects_and_says_so(bad_frames, tmp_path, capsys):
    out = tmp_path / "field.ecsv"
    assert main(["field", str(bad_frames / "notime.fits"), "--out", str(out)]) == 0
    assert "bodies are left out; give --time" in capsys.readouterr().err
    assert set(QTable.read(out)["kind"]) == {"nebula"}


def test_frame_without_time_is_refused_when_a_body_is_named(bad_frames, tmp_path, capsys):
    out = tmp_path / "field.ecsv"
    assert main(["field", str(bad_frames / "notime.fits"), "--body", "7", "--out", str(out)]) == 2
    assert "--time" in capsys.readouterr().err
    assert not out.exists()


@pytest.mark.parametrize("name", ["nowcs", "strings", "truncated", "text"])
def test_bad_frames_get_one_line(bad_frames, tmp_path, capsys, name):
    assert main(["field", str(bad_frames / f"{name}.fits"), "--out", str(tmp_path / "f.ecsv")]) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert "Traceback" not in err


@pytest.mark.parametrize("limit", ["nan", "99", "-40"])
def test_limit_that_is_no_magnitude(bad_frames, tmp_path, capsys, limit):
    out = str(tmp_path / "f.ecsv")
    words = ["field", str(bad_frames / "good.fits"), "--brighter-than", limit, "--out", out]
    assert main(words) == 2
    assert "magnitude" in capsys.readouterr().err

"""One table out of ADES and 80 columns: the same observation gives the same numbers."""

import numpy as np
import pytest

from appulse.errors import TableError
from appulse.formats.ades.files import AdesBlock, ades_psv, ades_xml
from appulse.formats.obs80 import format_obs80, from_ades
from appulse.formats.observation_table import read_observations

ROW = {
    "permID": "7", "mode": "CCD", "stn": "C51", "sys": "ICRF_KM", "ctr": "399", "pos1": "+1000.5",
    "pos2": "-2.25", "pos3": "0.0", "obsTime": "2027-05-05T03:00:02.592Z", "rmsTime": "0.01", "ra": "246.35",
    "dec": "-24.4", "rmsRA": "0.02", "rmsDec": "0.03", "rmsCorr": "-0.5", "astCat": "Gaia3", "mag": "10.1",
    "band": "G",
}  # fmt: skip


@pytest.fixture
def files(tmp_path):
    blocks = [AdesBlock([("observatory", [("mpcCode", "C51")])], [ROW])]
    paths = [tmp_path / name for name in ("a.psv", "a.xml", "a.txt")]
    lines = format_obs80(from_ades(ROW, "00007"))
    for path, text in zip(paths, (ades_psv(blocks), ades_xml(blocks), "\n".join(lines)), strict=True):
        path.write_text(text, encoding="utf-8")
    return paths


def write_psv(blocks, path):
    path.write_text(ades_psv(blocks), encoding="utf-8")


def test_three_formats_agree(files):
    psv, xml, columns = (read_observations(path) for path in files)
    for name in psv.colnames:
        if name != "time":
            assert list(psv[name]) == list(xml[name]), name
    assert abs((psv["time"] - columns["time"]).sec[0]) < 0.05
    for name in ("ra", "dec", "pos1", "pos2", "pos3", "mag"):
        assert psv[name][0] == pytest.approx(columns[name][0], abs=1e-6)
    assert list(psv["ast_cat"]) == list(columns["ast_cat"])
    assert (str(psv["designation"][0]), str(columns["designation"][0])) == ("7", "00007")


def test_what_is_not_stated_is_masked(files):
    columns = read_observations(files[2])
    assert all(columns[name].mask.all() for name in ("sigma_ra", "sigma_dec", "corr_ra_dec", "sigma_time"))
    assert not np.any(read_observations(files[0])["sigma_ra"].mask)


def test_other_kinds_are_counted(tmp_path):
    radar = AdesBlock([], [{"permID": "7", "trx": "251", "obsTime": "2027-05-05T03:00:00Z"}], "radar")
    write_psv([AdesBlock([], [ROW]), radar], tmp_path / "a.psv")
    assert read_observations(tmp_path / "a.psv").meta["rejected"] == [(None, "1 of the kind radar: not read")]
    write_psv([radar], tmp_path / "b.psv")
    with pytest.raises(TableError, match="no optical observation"):
        read_observations(tmp_path / "b.psv")


def test_an_error_of_zero_is_none_stated(tmp_path):
    write_psv([AdesBlock([], [ROW | {"rmsRA": "0"}])], tmp_path / "a.psv")
    row = read_observations(tmp_path / "a.psv")[0]
    assert np.ma.is_masked(row["sigma_ra"])
    assert row["sigma_dec"] == 0.03


@pytest.mark.parametrize(("changes", "words"), [
    ({"ra": "x"}, "ra = 'x' is not a number"), ({"obsTime": "yesterday"}, "is no UTC time"),
    ({"ra": ""}, "without ra"), ({"ra": "nan"}, "ra = 'nan' is not a number"),
    ({"ra": "360.0"}, "not on the sky"), ({"ra": "-0.000000001"}, "not on the sky"),
    ({"dec": "90.000872"}, "not on the sky"), ({"rmsRA": "-0.1"}, "negative"),
    ({"rmsCorr": "1.5"}, "not a correlation"), ({"obsTime": "2016-06-30T23:59:60Z"}, "no UTC time"),
])  # fmt: skip
def test_damaged_numbers_are_named(tmp_path, changes, words):
    row = {name: text for name, text in (ROW | changes).items() if text}
    write_psv([AdesBlock([], [row])], tmp_path / "a.psv")
    with pytest.raises(TableError, match=f"observation 1.*{words}"):
        read_observations(tmp_path / "a.psv")


def test_a_damaged_observation_costs_only_itself(tmp_path):
    write_psv([AdesBlock([], [ROW, ROW | {"ra": "x"}, ROW | {"dec": "-95"}, ROW])], tmp_path / "a.psv")
    table = read_observations(tmp_path / "a.psv")
    assert len(table) == 2
    assert [words.partition(":")[0] for _, words in table.meta["rejected"]] == [
        "observation 2",
        "observation 3",
    ]


def test_a_leap_second_is_a_time(tmp_path):
    write_psv([AdesBlock([], [ROW | {"obsTime": "2016-12-31T23:59:60.5Z"}])], tmp_path / "a.psv")
    assert read_observations(tmp_path / "a.psv")["time"][0].isot == "2016-12-31T23:59:60.500"

"""The standard's own samples, all of them, wherever they are at hand.

The installed package has none; its source distribution has some 120: unpack it and name the folder in
APPULSE_ADES_SAMPLES.
"""

import os
from importlib import util
from pathlib import Path

import numpy as np
import pytest

from appulse.errors import TableError
from appulse.formats.ades.files import ades_psv, ades_xml, read_ades
from appulse.formats.obs80 import read_obs80
from appulse.formats.observation_table import read_observations

NOT_XML = {"UTF-7.xml": "field names must come first", "emptyobsdata.xml": "without observations"}
"""Refused with these words: an encoding that XML excludes, and a file of a header only."""
NOT_PSV = {
    "goodades1.xml": "would take that header", "goodades4.xml": "would take that header",
    "goodlocal.xml": "localUse",
}  # fmt: skip
"""What PSV cannot say."""
NO_PLACE = ("baddec1.xml", "baddec2.xml", "badra1.xml", "badra2.xml")
NO_TIME = (
    "badtime2.xml", "badtime4.xml", "badtime5.xml", "badtime6.xml", "badtime8.xml", "badleaptime.xml",
    "badleaptime2.xml", "negtime.xml",
)  # fmt: skip
TOL_DIGITS_DEG = 5e-5
TOL_TIME_S = 0.051
"""The standard's converter writes a tenth of a second."""


def folders():
    """Where samples may lie: what was named, or the package itself."""
    named = os.environ.get("APPULSE_ADES_SAMPLES")
    found = util.find_spec("ades")
    places = [Path(named)] if named else []
    return places + ([] if found is None else [Path(path) for path in found.submodule_search_locations or ()])


@pytest.fixture(scope="module")
def samples():
    paths = [path for folder in folders() for path in sorted(folder.rglob("*")) if is_sample(path)]
    if not paths:
        pytest.skip("no samples: unpack the source distribution of iau-ades, set APPULSE_ADES_SAMPLES")
    return paths


def is_sample(path):
    return path.suffix in (".xml", ".psv") and "adesmaster" not in path.name


@pytest.fixture(scope="module")
def read(samples):
    return {path: read_ades(path) for path in samples if path.name not in NOT_XML}


def test_all_are_read_but_those_that_cannot_be(samples, read):
    assert len(read) > 100
    for path in samples:
        if path.name in NOT_XML:
            with pytest.raises(TableError, match=NOT_XML[path.name]):
                read_ades(path)


def test_all_are_written_again_as_they_were(read, tmp_path):
    for path, blocks in read.items():
        (tmp_path / "a.xml").write_text(ades_xml(blocks), encoding="utf-8")
        assert read_ades(tmp_path / "a.xml") == blocks, path
        if path.name in NOT_PSV:
            with pytest.raises(TableError, match=NOT_PSV[path.name]):
                ades_psv(blocks)
        else:
            (tmp_path / "a.psv").write_text(ades_psv(blocks), encoding="utf-8")
            assert read_ades(tmp_path / "a.psv") == blocks, path


def test_the_same_sample_in_both_forms_and_in_every_encoding_is_the_same(read):
    """Rows of the standard's own conversions; headers of PSV may stand in another order."""
    by_name = {}
    for path, blocks in read.items():
        rows = [row for block in blocks for row in block.rows]
        by_name.setdefault(path.parent.name if path.parent.name == "encodedxml" else path.name, []).append(
            rows
        )
    assert len(by_name["encodedxml"]) > 10
    assert all(len(rows) == len(by_name["encodedxml"][0]) for rows in by_name["encodedxml"])
    pairs = [(rows, by_name[f"{name}.psv"]) for name, rows in by_name.items() if f"{name}.psv" in by_name]
    assert len(pairs) > 20
    for (xml, *_), (psv, *_) in pairs:
        bare = [{name: text for name, text in row.items() if name != "localUse"} for row in xml]
        assert sorted(map(sorted, map(dict.items, bare))) == sorted(map(sorted, map(dict.items, psv)))


def test_numbers_that_are_none_are_refused(read):
    refused = {path.name: path for path in read if path.name in (*NO_PLACE, *NO_TIME)}
    assert len(refused) == len(NO_PLACE) + len(NO_TIME)
    for name, path in refused.items():
        with pytest.raises(TableError, match="no place on the sky" if name in NO_PLACE else "no UTC time"):
            read_observations(path)


def test_80_columns_agree_with_the_standards_own_conversion(samples):
    """``test.mpc`` and what the standard's converter made of it."""
    found = [path for path in samples if path.name == "test.mpc.xml"]
    if not found:
        pytest.skip("these samples hold no 80 columns")
    lines = read_obs80(found[0].parent.parent / "test.mpc")
    table = read_observations(found[0])
    matched = 0
    for one in lines:
        near = 86400.0 * np.abs(table["time"].jd - one.time.jd) < TOL_TIME_S
        near &= np.asarray([str(code) == one.station for code in table["station"]])
        off = np.hypot((table["ra"] - one.ra) * np.cos(np.radians(one.dec)), table["dec"] - one.dec)
        matched += bool(np.any(near & (np.asarray(off) < TOL_DIGITS_DEG)))
    assert matched == len(lines)

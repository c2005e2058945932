"""``appulse orbits`` from outside: list, import, update; the user's own collection."""

import json

import numpy as np
import pytest
from astroquery.jplsbdb import SBDBClass
from astroquery.utils.mocks import MockResponse

from appulse.bodies.readers import read_orbits, starter_orbits
from appulse.cli.main import main

CSV = "designation,name,epoch,q,e,i,node,peri,tp,H\n{},2461000.5,1.1,0.2,5,10,20,2461050.5,17.5\n"


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    """A user with an empty home."""
    monkeypatch.setenv("APPULSE_SETTINGS", str(tmp_path / "home" / "settings.yaml"))
    monkeypatch.setenv("APPULSE_CACHE", str(tmp_path / "cache"))
    return tmp_path / "home"


@pytest.fixture
def mine(tmp_path):
    path = tmp_path / "mine.csv"
    path.write_text(CSV.format("2020 XY,Noboda"), encoding="utf-8")
    return path


def test_list_what_is_at_hand(capsys):
    assert main(["orbits", "list", "--lines", "3"]) == 0
    out = capsys.readouterr().out.splitlines()
    assert out[1].startswith("(1) Ceres")
    assert "JPL SB441-N16" in out[1]
    assert out[-1].endswith("more: --lines 0")
    assert len(out) == 5


def test_list_finds_by_part_of_a_name(capsys, mine):
    for words in (["--orbits", str(mine)], [str(mine)]):
        assert main(["orbits", "list", *words, "--find", "nobod"]) == 0
        assert "2020 XY (Noboda)" in capsys.readouterr().out


def test_imported_orbits_join_the_collection_and_go_first(capsys, home, tmp_path, mine):
    before = len(starter_orbits())
    assert main(["orbits", "import", str(mine)]) == 0
    assert starter_orbits().select("Noboda").h == 17.5
    assert len(starter_orbits()) == before + 1
    newer = tmp_path / "newer.csv"
    newer.write_text(CSV.format("433,").replace("17.5", "10.1"), encoding="utf-8")
    assert main(["orbits", "import", str(newer)]) == 0
    eros = starter_orbits().select("Eros")  # the name was taken over from the bundled orbit
    assert (eros.number, eros.h) == (433, 10.1)
    assert starter_orbits(own=False).select("433").h == 10.38  # the MPC's, in the bundled table
    assert len(read_orbits(home / "orbits.ecsv")) == 2


def test_import_into_a_table(capsys, tmp_path, mine):
    out = tmp_path / "out.ecsv"
    words = ["orbits", "import", str(mine), "--body", "Noboda", "--out", str(out)]
    assert main(words) == 0
    assert np.array_equal(read_orbits(out).state, read_orbits(mine).state)
    assert main(words) == 2
    assert "exists and is kept" in capsys.readouterr().err
    assert main([*words, "--overwrite"]) == 0


def reply(monkeypatch, *contents):
    left = list(contents)

    def request(client, *args, **kwargs):
        return MockResponse(content=left.pop(0))

    monkeypatch.setattr(SBDBClass, "_request", request)


def recorded(name):
    import importlib.resources

    return (
        importlib.resources.files("astroquery")
        .joinpath("jplsbdb", "tests", "data", f"{name}.dat")
        .read_bytes()
    )


def test_update_brings_orbits_with_their_covariance(capsys, monkeypatch, home):
    reply(monkeypatch, recorded("67P"))
    assert main(["orbits", "update", "--body", "67P"]) == 0
    orbit = read_orbits(home / "orbits.ecsv").select("67P")
    assert orbit.covariance.shape == (9, 9)
    assert orbit.nongrav.dt_d == 35.07142445377104
    assert "JPL SBDB, solution K154/2" in orbit.source


def test_update_of_some_is_code_1_and_says_which(capsys, monkeypatch, home):
    missing = json.dumps({"message": "specified object was not found"}).encode()
    reply(monkeypatch, recorded("ceres"), missing)
    assert main(["orbits", "update", "--body", "1,Nobody"]) == 1
    assert "Nobody" in capsys.readouterr().err
    assert len(read_orbits(home / "orbits.ecsv")) == 1


def test_update_offline_is_one_line(capsys, monkeypatch):
    import requests

    def request(client, *args, **kwargs):
        raise requests.exceptions.ConnectionError("HTTPSConnectionPool(host=...) and much more")

    monkeypatch.setattr(SBDBClass, "_request", request)
    monkeypatch.setattr("appulse.services.client.time.sleep", lambda seconds: None)
    assert main(["orbits", "update", "--body", "7"]) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert "did not answer after 3 attempts (no connection)" in err


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["list", "--orbits", "gone.csv"], "no such file"),
        (["list", "--body", "Nobody"], "'Nobody' is not among"),
        (["list", "--find", "qqqq"], "none of the 22668 orbits"),
        (["update"], "your own collection is empty"),
        (["import", "gone.csv"], "no such file"),
        ([], "ACTION"),
    ],
)
def test_bad_input_is_one_line_and_code_2(capsys, words, says):
    assert main(["orbits", *words]) == 2
    err = capsys.readouterr().err
    assert says in err
    assert err.count("\n") == 1

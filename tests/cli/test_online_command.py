"""``appulse online`` from outside, answered by recorded replies."""

import importlib.resources
import time

import pytest
from astropy.table import Table
from astroquery.imcce import SkybotClass
from astroquery.jplhorizons import HorizonsClass
from astroquery.utils.mocks import MockResponse

from appulse.bodies.tabulated import TabulatedEphemeris
from appulse.cli.main import main
from appulse.observers.site import Site

NIGHT = ["--from", "2022-06-10T00:00", "--to", "2022-06-12T00:00", "--step", "1d"]


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("APPULSE_CACHE", str(tmp_path / "cache"))


@pytest.fixture
def replies(monkeypatch):
    """Recorded replies in the place of the network; what was asked is kept."""
    asked = []

    def install(cls, package, name):
        content = (
            importlib.resources.files("astroquery").joinpath(package, "tests", "data", name).read_bytes()
        )

        def request(client, *args, **kwargs):
            asked.append(kwargs.get("params"))
            return MockResponse(content=content, url="")

        monkeypatch.setattr(cls, "_request", request)

    install(HorizonsClass, "jplhorizons", "ceres_ephemerides_range.txt")
    install(SkybotClass, "imcce", "skybot_query.vot")
    return asked


def test_places_are_a_positions_table(tmp_path, replies, capsys):
    out = tmp_path / "ceres.ecsv"
    assert main(["online", "places", "--body", "1", *NIGHT, "--site", "X05", "--out", str(out)]) == 0
    ephemeris = TabulatedEphemeris.from_table(out)
    assert ephemeris.designations == ["1"]
    printed = Table.read(out)
    row = ephemeris.at(_time(printed["time"][1]), Site.from_mpc_code("X05"))
    assert row["ra"][0].value == pytest.approx(printed["ra"][1], abs=1e-9)
    assert "JPL Horizons, fetched" in capsys.readouterr().out


@pytest.mark.parametrize("quiet", [False, True])
def test_a_slow_service_is_waited_for_in_words(tmp_path, replies, monkeypatch, capsys, quiet):
    for name, seconds in (("QUIET_S", 0.0), ("LOG_EVERY_S", 0.0), ("REDRAW_S", 0.01)):
        monkeypatch.setattr(f"appulse.workflows.progress.{name}", seconds)
    prompt = HorizonsClass._request

    def slow(*asked, **options):
        time.sleep(0.3)
        return prompt(*asked, **options)

    monkeypatch.setattr(HorizonsClass, "_request", slow)
    words = ["online", "places", "--body", "1", *NIGHT, "--site", "X05", "--out", str(tmp_path / "a.ecsv")]
    assert main(words + ["--quiet"] * quiet) == 0
    assert ("asking JPL Horizons" in capsys.readouterr().err) is not quiet


def _time(text):
    from appulse.observers.timescales import parse_utc

    return parse_utc(text)


def test_bodies_of_a_frame(tmp_path, replies, sample_data, capsys):
    out = tmp_path / "bodies.ecsv"
    assert main(["online", "bodies", "--frame", str(sample_data / "iris_3.fits.fz"), "--out", str(out)]) == 0
    table = Table.read(out)
    assert len(table) == 4
    assert float(replies[0]["-ra"]) == pytest.approx(246.4, abs=1.0)
    assert "Earth's centre" in capsys.readouterr().err
    assert TabulatedEphemeris.from_table(out).designations[0] == "229762"


def test_a_private_site_is_not_sent_unless_allowed(tmp_path, replies, capsys):
    words = [
        "online",
        "places",
        "--body",
        "1",
        *NIGHT,
        "--site",
        "16.5,-23.2,1800",
        "--out",
        str(tmp_path / "o.ecsv"),
    ]
    assert main(words) == 2
    err = capsys.readouterr().err
    assert "--disclose-site" in err
    assert err.count("\n") == 1
    assert replies == []
    assert main([*words, "--disclose-site"]) == 0
    assert "16.5" in replies[0]["SITE_COORD"]


def test_the_cache_says_what_it_holds(tmp_path, replies, capsys):
    main(["online", "places", "--body", "1", *NIGHT, "--site", "X05", "--out", str(tmp_path / "o.ecsv")])
    capsys.readouterr()
    assert main(["online", "cache"]) == 0
    assert "JPL Horizons: places 1" in capsys.readouterr().out
    assert main(["online", "cache", "--clear"]) == 0
    assert "1 replies removed" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["stars"], "--frame"),
        (["stars", "--at", "1,2"], "--radius"),
        (["stars", "--at", "north", "--radius", "1"], "is not RA,DEC"),
        (["stars", "--at", "1,2", "--radius", "50"], "radii go from 0 to 10"),
        (["bodies", "--at", "1,2", "--radius", "1"], "no time"),
        (["places", "--body", "1", "--site", "X05"], "no times"),
    ],
)
def test_bad_input_is_one_line_and_code_2(tmp_path, capsys, words, says):
    assert main(["online", *words, "--out", str(tmp_path / "o.ecsv")]) == 2
    err = capsys.readouterr().err
    assert says in err
    assert err.count("\n") == 1

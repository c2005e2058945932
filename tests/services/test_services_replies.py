"""Services by their recorded replies (astroquery's own test data); the network is shut for all of it."""

import importlib.resources
import json
import socket
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
import requests
from astropy import units as u
from astropy.table import Table
from astropy.time import Time
from astroquery.imcce import SkybotClass
from astroquery.jplhorizons import HorizonsClass
from astroquery.jplsbdb import SBDBClass
from astroquery.mpc import MPCClass
from astroquery.utils.mocks import MockResponse
from numpy.testing import assert_array_equal

from appulse.bodies.designations import read_name
from appulse.bodies.tabulated import TabulatedEphemeris
from appulse.errors import AppulseWarning, DesignationError, InputError, ServiceError, SiteError
from appulse.observers.site import Site
from appulse.services import cone_queries
from appulse.services.client import (
    Reply,
    ReplyCache,
    RequestPolicy,
    age_words,
    cache_folder,
    from_text,
    to_text,
)
from appulse.services.cone_queries import gaia_stars, known_bodies
from appulse.services.connection import Line
from appulse.services.ephemeris_queries import CHUNK_TIMES, horizons_ephemeris
from appulse.services.orbit_queries import fetch_orbits, horizons_id, horizons_orbit, mpc_orbit, sbdb_orbit

HOME = Site.from_geodetic(16.5, -23.2, 1800.0, name="somebody's garden")
NIGHT = Time("2022-06-10T00:00:00", scale="utc")


@pytest.fixture(autouse=True)
def _no_network(monkeypatch):
    def refuse(*args, **kwargs):
        raise AssertionError("a test reached for the network")

    monkeypatch.setattr(socket.socket, "connect", refuse)
    monkeypatch.setattr(socket, "getaddrinfo", refuse)


@pytest.fixture
def policy(tmp_path):
    return RequestPolicy(cache=ReplyCache(tmp_path), pause_s=0.0)


def data(package, name):
    return importlib.resources.files("astroquery").joinpath(package, "tests", "data", name).read_bytes()


class Recorder:
    """Stands in for astroquery's request: gives a recorded reply, or raises; keeps what was asked."""

    def __init__(self, *answers):
        self.answers, self.requests = list(answers), []

    def __call__(self, client, method=None, url=None, **kwargs):
        self.requests.append(kwargs)
        answer = self.answers[min(len(self.requests), len(self.answers)) - 1]
        if isinstance(answer, Exception):
            raise answer
        reply = MockResponse(content=answer, url=url)
        reply.request = requests.Request(method, url, data=kwargs.get("data")).prepare()
        return reply

    @property
    def sent(self):
        return json.dumps([a.get("params") or a.get("data") for a in self.requests], default=str)

    def install(self, monkeypatch, cls):
        monkeypatch.setattr(cls, "_request", lambda client, *a, **k: self(client, *a, **k))
        return self


@pytest.fixture
def recorded(monkeypatch):
    return lambda cls, *answers: Recorder(*answers).install(monkeypatch, cls)


def test_sbdb_orbit(recorded, policy):
    replies = recorded(SBDBClass, data("jplsbdb", "apophis.dat"))
    orbit = sbdb_orbit("99942", policy=policy)
    assert orbit.label == "(99942) Apophis"
    assert orbit.covariance.shape == (7, 7)
    assert "JPL SBDB, solution 199" in orbit.source
    assert orbit.source_date == "2017-08-09"
    assert replies.requests[0]["params"]["sstr"] == "99942"
    assert replies.requests[0]["timeout"] == policy.timeout_s


def test_a_second_question_is_answered_from_the_disk(recorded, policy):
    replies = recorded(SBDBClass, data("jplsbdb", "ceres.dat"))
    sbdb_orbit("1", policy=policy)
    orbit = sbdb_orbit("(1) Ceres", policy=policy)
    assert len(replies.requests) == 1
    assert "cached, under a minute old" in orbit.source


def age(cache, days):
    for path in cache.folder.glob("*.json"):
        held = json.loads(path.read_text())
        held["fetched"] = (datetime.now(UTC) - timedelta(days=days)).isoformat()
        path.write_text(json.dumps(held))


def test_an_old_reply_is_fetched_anew(recorded, policy):
    replies = recorded(SBDBClass, data("jplsbdb", "ceres.dat"))
    sbdb_orbit("1", policy=policy)
    age(policy.cache, 8)
    sbdb_orbit("1", policy=policy)
    assert len(replies.requests) == 2


def test_offline_an_old_reply_stands_in_and_says_its_age(recorded, policy):
    recorded(SBDBClass, data("jplsbdb", "ceres.dat"), requests.exceptions.ConnectionError("no route"))
    sbdb_orbit("1", policy=policy)
    age(policy.cache, 30)
    with pytest.warns(AppulseWarning, match=r"did not answer.*30 days ago is used"):
        orbit = sbdb_orbit("1", policy=policy)
    assert "cached, 30 days old" in orbit.source


def test_offline_without_a_cached_reply_is_one_plain_message(recorded, policy):
    replies = recorded(SBDBClass, requests.exceptions.ConnectionError("no route"))
    with pytest.raises(
        ServiceError, match=r"JPL SBDB did not answer after 3 attempts .*work from local files"
    ):
        sbdb_orbit("1", policy=policy)
    assert len(replies.requests) == 3


def test_a_service_that_answers_at_the_second_attempt(recorded, policy):
    replies = recorded(SBDBClass, requests.exceptions.ReadTimeout("slow"), data("jplsbdb", "ceres.dat"))
    assert sbdb_orbit("1", policy=policy).name == "Ceres"
    assert len(replies.requests) == 2


def test_a_refusal_is_not_repeated(recorded, policy):
    response = requests.Response()
    response.status_code = 400
    replies = recorded(SBDBClass, requests.exceptions.HTTPError("bad request", response=response))
    with pytest.raises(ServiceError, match=r"refused the query \(HTTP 400"):
        sbdb_orbit("1", policy=policy)
    assert len(replies.requests) == 1


def test_an_error_page_does_not_reach_the_cache(recorded, policy):
    recorded(SBDBClass, b"<html>Down for maintenance</html>", data("jplsbdb", "ceres.dat"))
    with pytest.raises(ServiceError, match="answered with something unexpected"):
        sbdb_orbit("1", policy=policy)
    assert sbdb_orbit("1", policy=policy).name == "Ceres"


def test_switched_off(recorded, policy):
    replies = recorded(SBDBClass, data("jplsbdb", "ceres.dat"))
    with pytest.raises(ServiceError, match="asking online is switched off"):
        sbdb_orbit("1", policy=RequestPolicy(cache=policy.cache, offline=True))
    sbdb_orbit("1", policy=policy)
    age(policy.cache, 500)
    assert sbdb_orbit("1", policy=RequestPolicy(cache=policy.cache, offline=True)).name == "Ceres"
    assert len(replies.requests) == 1


def test_a_damaged_cache_counts_as_none(recorded, policy):
    replies = recorded(SBDBClass, data("jplsbdb", "ceres.dat"))
    sbdb_orbit("1", policy=policy)
    for path in policy.cache.folder.glob("*.json"):
        path.write_text(path.read_text()[:40])
    sbdb_orbit("1", policy=policy)
    assert len(replies.requests) == 2
    assert policy.cache.clear() == 1


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        ({"code": "200", "message": "specified object was not found"}, "knows no body.*not found"),
        (
            {"code": "300", "list": [{"pdes": "2P", "name": "2P/Encke"}, {"name": "9134 Encke"}]},
            "2P/Encke, 9134 Encke",
        ),
    ],
)
def test_names_that_sbdb_does_not_know_or_knows_twice(recorded, policy, answer, words):
    recorded(SBDBClass, json.dumps(answer).encode())
    with pytest.raises(DesignationError, match=words):
        sbdb_orbit("Encke", policy=policy)


def test_several_orbits_and_what_could_not_be_had(recorded, policy):
    missing = json.dumps({"message": "specified object was not found"}).encode()
    recorded(SBDBClass, data("jplsbdb", "ceres.dat"), missing, data("jplsbdb", "67P.dat"))
    said = []
    names = ["1", "Nobody", "67P"]
    catalogue = fetch_orbits(names, policy=policy, progress=lambda *words: said.append(words))
    assert said == [("asking for orbits", done, 3) for done in range(3)]
    assert catalogue.designation.tolist() == ["1", "67P"]
    assert [place for place, _ in catalogue.rejected] == [2]
    with pytest.raises(InputError, match="sbdb, mpc, horizons"):
        fetch_orbits(["1"], source="elsewhere", policy=policy)


def test_mpc_comet(recorded, policy):
    replies = recorded(MPCClass, data("mpc", "comet_object_C2012S1.json"))
    orbit = mpc_orbit("C/2012 S1", policy=policy)
    assert orbit.designation == "C/2012 S1"
    assert orbit.epoch_jd_tdb == 2457000.5
    elements = orbit.elements
    assert (elements.q, elements.e) == pytest.approx((0.0128562, 1.0002668), abs=1e-12)
    assert elements.tp == pytest.approx(2456625.24194, abs=1e-6)
    assert orbit.nongrav.a1 == pytest.approx(7.8675e-8)
    assert orbit.nongrav.a2 == pytest.approx(0.639592e-8)
    assert orbit.source.startswith("MPC MPEC 2014-Q43")
    assert "C/2012 S1" in replies.sent


def test_mpc_without_a_record(recorded, policy):
    recorded(MPCClass, b"[]")
    with pytest.raises(DesignationError, match=r"means 0 bodies at the MPC \(none\)"):
        mpc_orbit("2020 AB", policy=policy)


def test_horizons_state(recorded, policy):
    replies = recorded(HorizonsClass, data("jplhorizons", "ceres_vectors_single.txt"))
    orbit = horizons_orbit("1", 2451544.5, policy=policy)
    asked = replies.requests[0]["params"]
    assert (asked["REF_PLANE"], asked["REF_SYSTEM"], asked["OUT_UNITS"], asked["CENTER"]) == (
        "FRAME", "ICRF", "AU-D", "'@10'"
    )  # fmt: skip
    assert orbit.epoch_jd_tdb == 2451544.5
    assert np.linalg.norm(orbit.state[:3]) == pytest.approx(2.551, abs=0.001)  # the reply's own range
    assert (orbit.h, orbit.g) == (3.53, 0.12)
    epoch = Time(2451544.5, format="jd", scale="tdb")
    [again] = fetch_orbits(["1"], source="horizons", epoch=epoch, policy=policy)
    assert_array_equal(again.state, orbit.state)
    with pytest.raises(InputError, match="source 'horizons' needs an epoch"):
        fetch_orbits(["1"], source="horizons", policy=policy)
    with pytest.raises(InputError, match="source 'mpc' has orbits of its own epochs"):
        fetch_orbits(["1"], source="mpc", epoch=epoch, policy=policy)


def test_horizons_places_feed_a_tabulated_ephemeris(recorded, policy):
    replies = recorded(HorizonsClass, data("jplhorizons", "ceres_ephemerides_range.txt"))
    table = horizons_ephemeris("1", NIGHT, Site.from_mpc_code("X05"), policy=policy)
    assert replies.requests[0]["params"]["CENTER"].strip("'") == "X05"
    assert table["ra"][0] == 101.73343 * u.deg
    assert table["sigma_major"].unit == u.arcsec
    assert table["sigma_major"][0].value == pytest.approx(8e-5 / 3)
    ephemeris = TabulatedEphemeris.from_table(table)
    row = ephemeris.at(table["time"][1], Site.from_mpc_code("X05"))
    assert row["ra"][0].to_value(u.deg) == pytest.approx(table["ra"][1].to_value(u.deg), abs=1e-9)


def test_long_lists_of_times_are_asked_in_pieces(recorded, policy):
    replies = recorded(HorizonsClass, data("jplhorizons", "ceres_ephemerides_range.txt"))
    times = NIGHT + np.arange(2 * CHUNK_TIMES + 1) * u.min
    horizons_ephemeris("1", times, Site.geocentre(), policy=policy)
    assert len(replies.requests) == 3


def test_private_coordinates_stay_here_unless_allowed(recorded, policy):
    replies = recorded(HorizonsClass, data("jplhorizons", "ceres_ephemerides_range.txt"))
    with pytest.raises(SiteError, match="would leave this machine"):
        horizons_ephemeris("1", NIGHT, HOME, policy=policy)
    with pytest.raises(SiteError, match="would leave this machine"):
        known_bodies(81.0, 4.5, 0.2, NIGHT, HOME, policy=policy)
    assert replies.requests == []
    table = horizons_ephemeris("1", NIGHT, HOME, share_site=True, policy=policy)
    assert "16.5" in replies.sent
    assert "16.5" not in str(table.meta)


def test_horizons_does_not_know_the_body(recorded, policy):
    recorded(
        HorizonsClass, b"*****\n No matches found. \n Unknown target (nobody). Maybe try different id_type?\n"
    )
    with pytest.raises((DesignationError, ServiceError), match="nobody"):
        horizons_ephemeris("nobody", NIGHT, Site.geocentre(), policy=policy)


def test_known_bodies(recorded, policy):
    replies = recorded(SkybotClass, data("imcce", "skybot_query.vot"))
    table = known_bodies(81.2833, 4.49278, 0.2, Time("2025-01-02"), Site.geocentre(), policy=policy)
    assert len(table) == 4
    assert table["designation"][0] == "229762"
    assert table["ra"][0].to_value(u.deg) == pytest.approx((5 + 25 / 60 + 12.7657 / 3600) * 15, abs=1e-9)
    assert table["mag"][0].to_value(u.mag) == pytest.approx(19.6)
    assert replies.requests[0]["params"]["-loc"] == "500"
    again = known_bodies(81.2833, 4.49278, 0.2, Time("2025-01-02"), Site.geocentre(), policy=policy)
    assert "cached" in again.meta["source"]


def test_an_empty_piece_of_sky_is_an_answer(recorded, policy):
    full = data("imcce", "skybot_query.vot").decode()
    head, rest = full.split("<vot:TABLEDATA>")
    recorded(SkybotClass, (head + "<vot:TABLEDATA>" + rest[rest.index("</vot:TABLEDATA>") :]).encode())
    table = known_bodies(81.2833, 4.49278, 0.2, Time("2025-01-02"), Site.geocentre(), policy=policy)
    assert len(table) == 0
    assert "mag" in table.colnames


@pytest.mark.parametrize("radius", [0.0, -1.0, 11.0, np.nan])
def test_cones_that_are_none(policy, radius):
    with pytest.raises(InputError, match="radius"):
        known_bodies(0.0, 0.0, radius, NIGHT, Site.geocentre(), policy=policy)
    with pytest.raises(InputError, match="radi"):
        gaia_stars(0.0, 0.0, radius, policy=policy)


@pytest.fixture
def gaia_reply(monkeypatch):
    from astroquery.utils.tap.conn.tests.DummyConnHandler import DummyConnHandler
    from astroquery.utils.tap.conn.tests.DummyResponse import DummyResponse
    from astroquery.utils.tap.core import TapPlus

    handler, response = DummyConnHandler(), DummyResponse(200)
    response.set_data(method="POST", body=data("gaia", "1710099405832VAL-result.vot").decode())
    handler.set_default_response(response)
    monkeypatch.setattr(
        cone_queries, "tap_client", lambda line: TapPlus(url="http://test:1111/tap", connhandler=handler)
    )
    return handler


def test_gaia_stars_are_a_star_table(gaia_reply, policy, tmp_path):
    from appulse.catalogues.stars import read_star_table

    table = gaia_stars(180.0, -56.0, 1.0, faintest=16.0, policy=policy)
    assert {"ra", "dec", "pmra", "pmdec", "phot_g_mean_mag", "ref_epoch", "source_id"} <= set(table.colnames)
    assert "phot_g_mean_mag" in gaia_reply.data.replace("+", " ")
    path = tmp_path / "stars.ecsv"
    table["source_id", "ref_epoch", "ra", "dec", "pmra", "pmdec", "phot_g_mean_mag"].write(path)
    assert len(read_star_table(path)) == len(table)


def test_gaia_client_has_a_time_out_and_no_connection_yet():
    client = cone_queries.tap_client(Line("Gaia archive", 12.5, 60.0))
    handler = client._Tap__connHandler._TapConn__connectionHandler
    assert handler.get_connection().timeout == 12.5


@pytest.mark.parametrize(
    ("days", "words"), [(1e-4, "under a minute"), (0.01, "14 minutes"), (0.5, "12 hours"), (3.2, "3 days")]
)
def test_ages_in_words(days, words):
    assert age_words(days) == words


def test_what_a_reply_says_of_itself():
    reply = Reply("JPL SBDB", {}, "", datetime(2026, 11, 25, 12, tzinfo=UTC))
    assert reply.provenance == "JPL SBDB, fetched 2026-11-25 12:00 UTC"


@pytest.mark.parametrize(
    ("body", "asked"), [("2P/Encke", "DES=2P;CAP;NOFRAG"), ("73P-B", "DES=73P-B;CAP"), ("(7) Iris", "7;")]
)
def test_how_horizons_is_asked_for_a_body(body, asked):
    assert horizons_id(read_name(body)) == asked


def test_tables_survive_as_text():
    table = Table({"a": [1, 2]})
    assert to_text(table).startswith("# %ECSV")
    assert from_text(to_text(table))["a"].tolist() == [1, 2]
    assert cache_folder().name == "services"

"""Services that drip, flood, bomb, send elsewhere or answer nonsense, played by a server on this machine."""

import contextlib
import gzip
import json
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest
from astroquery.jplsbdb import conf

from appulse.cli.main import main
from appulse.errors import AppulseError, ServiceError
from appulse.services import connection
from appulse.services.client import ReplyCache, RequestPolicy
from appulse.services.orbit_queries import mpc_record, sbdb_orbit

DEADLINE_S = 1.5
SLACK_S = 2.5
"""What a busy machine may need on top of the deadline."""


class Handler(BaseHTTPRequestHandler):
    def do_GET(self):
        getattr(self, self.server.manner)()

    def head(self, code=200, **headers):
        self.send_response(code)
        for name, value in headers.items():
            self.send_header(name.replace("_", "-"), value)
        self.end_headers()

    def many(self, piece, pause_s=0.0):
        """Send a piece again and again until the other side hangs up or the test is over."""
        try:
            while not self.server.over.wait(pause_s):
                self.wfile.write(piece)
                self.server.sent += len(piece)
        except OSError:
            pass

    def drip(self):
        self.head()
        self.many(b" ", 0.2)

    def silent(self):
        self.server.over.wait(20)

    def flood(self):
        self.head()
        self.many(b" " * 65536)

    def announced(self):
        self.head(Content_Length="3000000000")
        self.many(b" " * 65536)

    def bomb(self):
        self.head(Content_Encoding="gzip")
        with contextlib.suppress(OSError):
            self.wfile.write(gzip.compress(b" " * 30_000_000, 1))

    def elsewhere(self):
        self.head(302, Location="https://example.org/", Content_Length="0")

    def unsafe(self):
        self.head(302, Location=f"http://127.0.0.1:{self.server.server_port}/again", Content_Length="0")

    def odd(self):
        self.head(Content_Length=str(len(self.server.text)))
        self.wfile.write(self.server.text)

    def log_message(self, *words):
        pass


@pytest.fixture
def service(monkeypatch):
    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.over, server.sent, server.text = threading.Event(), 0, b""
    threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()
    monkeypatch.setattr(type(conf), "server", f"http://127.0.0.1:{server.server_port}/")
    monkeypatch.setattr(connection, "WORDS_AFTER_S", 0.5)
    yield server
    server.over.set()
    server.shutdown()
    server.server_close()


def policy(tmp_path, **more):
    return RequestPolicy(cache=ReplyCache(tmp_path), pause_s=0.0, attempts=1, deadline_s=DEADLINE_S, **more)


@pytest.mark.parametrize("manner", ["drip", "silent"])
def test_no_answer_is_waited_for_without_end(service, tmp_path, capsys, manner):
    service.manner, began = manner, time.monotonic()
    with pytest.raises(ServiceError, match=r"no whole answer within 1.5 s"):
        sbdb_orbit("7", policy=policy(tmp_path))
    assert time.monotonic() - began < DEADLINE_S + SLACK_S
    assert capsys.readouterr().err.count("waiting for JPL SBDB, at most 1.5 s") == 1


@pytest.mark.parametrize("manner", ["flood", "announced", "bomb"])
def test_no_answer_is_taken_without_bounds(service, tmp_path, manner):
    service.manner = manner
    with pytest.raises(ServiceError, match="more than 4 MB"):
        sbdb_orbit("7", policy=policy(tmp_path))
    assert service.sent < 40_000_000
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("manner", ["elsewhere", "unsafe"])
def test_a_service_sends_nobody_elsewhere(service, tmp_path, manner):
    service.manner = manner
    with pytest.raises(ServiceError, match="sends on to http"):
        sbdb_orbit("7", policy=policy(tmp_path))


ODD = [
    b"", b"null", b"[]", b"{}", b"7", b'"x"', b"[1, 2]", b"[" * 100_000, b"\xff\xfe", b"<html>no</html>",
    b'{"orbit": null}', b'{"orbit": {"elements": 7}}', b'{"list": [1]}', b'{"orbit": {"elements": [null]}}',
]  # fmt: skip


@pytest.mark.parametrize("text", ODD, ids=lambda text: repr(text[:24]))
def test_odd_answers_are_one_plain_error(service, tmp_path, text):
    service.manner, service.text = "odd", text
    with pytest.raises(AppulseError) as caught:
        sbdb_orbit("7", policy=policy(tmp_path))
    assert len(str(caught.value)) < 600


@pytest.mark.parametrize("records", [None, 7, {}, [1], [None], "x", [{}], [{"number": []}]])
def test_odd_records_of_the_mpc(records):
    with pytest.raises(AppulseError):
        mpc_record(records, "7")


def test_a_spoilt_reply_on_the_disk_is_fetched_anew(service, tmp_path):
    ask, cache = policy(tmp_path), ReplyCache(tmp_path)
    cache.put("JPL SBDB", {"body": "7"}, "null")
    service.manner, service.text = "odd", json.dumps({"message": "no such body"}).encode()
    with pytest.raises(AppulseError, match="no such body"):
        sbdb_orbit("7", policy=ask)
    assert cache.get("JPL SBDB", {"body": "7"}).text == service.text.decode()


def test_without_a_connection_nothing_is_done_and_it_says_so(monkeypatch, tmp_path, capsys):
    monkeypatch.setenv("APPULSE_CACHE", str(tmp_path))
    monkeypatch.setattr(type(conf), "server", "http://127.0.0.1:9/")  # the port for what is thrown away
    began = time.monotonic()
    assert main(["orbits", "update", "--body", "7"]) == 2
    assert time.monotonic() - began < 20
    assert "no connection" in capsys.readouterr().err

"""What an answer of a service may take: bytes, time, and where it may come from.

A service may be silent, drip a byte now and then, send without end, or send little that unpacks to much.
Each of these ends in one plain error, within a time and a size that are known beforehand.
"""

import http.client
import sys
import threading
import time
import zlib
from urllib.parse import urlsplit
from urllib.request import getproxies

import requests
from requests.adapters import HTTPAdapter
from tqdm import tqdm
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool

from appulse.errors import ServiceError

CONNECT_S = 4.0
"""For one address of a service: those that answer do so in a tenth of this."""
NO_CONNECTION_S = 18.0
"""Without any connection after this, there is none to be had."""
WORDS_AFTER_S = 3.0
"""Whoever waits longer wants to know for what."""
CHUNK_BYTES = 8192
"""Read at once: gzip unpacks to at most about a thousand times as much, which stays small."""
MAX_BYTES = {
    "JPL SBDB": 4_000_000, "JPL Horizons": 16_000_000, "MPC": 4_000_000, "MPC ephemeris service": 8_000_000,
    "IMCCE SkyBoT": 64_000_000, "Gaia archive": 64_000_000,
}  # fmt: skip
"""Of an answer as sent, and as unpacked: several times the longest that this package's queries can bring."""
OTHER_BYTES = 16_000_000


class Line:
    """The way to a service for one question: its limits, and whether anybody was reached."""

    def __init__(self, service: str, timeout_s: int, deadline_s: float):
        self.service, self.timeout_s, self.deadline_s = service, timeout_s, deadline_s
        self.max_bytes = MAX_BYTES.get(service, OTHER_BYTES)
        self.began = time.monotonic()
        # Through a proxy nobody can tell when the service itself is reached.
        self.connected = bool(getproxies())
        self._sessions: list[requests.Session] = []

    @property
    def left_s(self) -> float:
        """Seconds until the question is given up."""
        return self.deadline_s - (time.monotonic() - self.began)

    def guard(self, client):
        """An astroquery client whose connections keep to the limits."""
        adapter = _Adapter(self)  # One for both: it remembers which host was asked first.
        for scheme in ("https://", "http://"):
            client._session.mount(scheme, adapter)
        self._sessions.append(client._session)
        return client

    def check(self, n_bytes: int) -> None:
        """Refuse an answer that is too long or takes too long."""
        if n_bytes > self.max_bytes:
            raise ServiceError(
                f"{self.service} sends more than {self.max_bytes / 1e6:g} MB, which no answer to such a "
                "query has; nothing of it is taken"
            )
        if self.left_s <= 0.0:
            raise self.late()

    def late(self) -> ServiceError:
        """What is said of an answer that is not whole in time."""
        return ServiceError(
            f"{self.service}: no whole answer within {self.deadline_s:g} s: check the connection, try later, "
            "or work from local files, which needs no network"
        )

    def unreached(self) -> ServiceError:
        """What is said where nobody was reached."""
        return ServiceError(
            f"{self.service} did not answer (no connection within {NO_CONNECTION_S:g} s): check the "
            "connection, try later, or work from local files, which needs no network"
        )

    def run(self, call):
        """What `call()` returns, unless it takes too long: then it is left alone, and an error raised.

        It runs in a thread of its own: looking up a name, or a library's own waiting, cannot be cut short.
        """
        outcome = []

        def work():
            try:
                outcome.append((call(), None))
            except BaseException as error:
                outcome.append((None, error))
            finally:
                for session in self._sessions:
                    session.close()

        thread = threading.Thread(target=work, daemon=True, name=f"asking {self.service}")
        thread.start()
        said = False
        while thread.is_alive():
            thread.join(0.1)
            waited = time.monotonic() - self.began
            if not said and waited > WORDS_AFTER_S:
                tqdm.write(f"waiting for {self.service}, at most {self.deadline_s:g} s ...", file=_Stderr())
                said = True
            if not thread.is_alive():
                break
            if self.left_s <= 0.0:
                raise self.late()
            if not self.connected and waited > NO_CONNECTION_S:
                raise self.unreached()
        value, error = outcome[0]
        if error is not None:
            raise error
        return value


class _Stderr:
    """Standard error as it is when something is written; none in a viewer without a console."""

    def write(self, words):
        if sys.stderr is not None:
            sys.stderr.write(words)

    def flush(self):
        if sys.stderr is not None:
            sys.stderr.flush()


def _telling(connection_class, line):
    """A connection that tells the line when it stands."""

    class Telling(connection_class):
        def connect(self):
            super().connect()
            line.connected = True

    return Telling


class _Adapter(HTTPAdapter):
    """Reads an answer in pieces and within limits; follows no redirection to elsewhere."""

    def __init__(self, line):
        self.line, self.host = line, None
        super().__init__()

    def init_poolmanager(self, *args, **kwargs):
        super().init_poolmanager(*args, **kwargs)
        pools = {
            "http": (HTTPConnectionPool, HTTPConnection), "https": (HTTPSConnectionPool, HTTPSConnection)
        }  # fmt: skip
        self.poolmanager.pool_classes_by_scheme = {
            scheme: type("Pool", (pool,), {"ConnectionCls": _telling(connection, self.line)})
            for scheme, (pool, connection) in pools.items()
        }

    def send(self, request, stream=False, timeout=None, verify=True, cert=None, proxies=None):
        self._check_place(urlsplit(request.url))
        limits = (CONNECT_S, self.line.timeout_s)
        answer = super().send(
            request, stream=True, timeout=limits, verify=verify, cert=cert, proxies=proxies
        )
        self.line.connected = True
        answer._content = self._bounded(answer)
        answer._content_consumed = True
        return answer

    def _check_place(self, parts) -> None:
        host = (parts.hostname or "").removeprefix("www.")
        if self.host is None:
            self.host = host
        elif (parts.scheme, host) != ("https", self.host):
            raise ServiceError(
                f"{self.line.service} sends on to {parts.scheme}://{(parts.hostname or '')[:80]}: only https "
                f"of {self.host} itself is followed"
            )

    def _bounded(self, answer) -> bytes:
        raw, pieces, size = answer.raw, [], 0
        length = answer.headers.get("Content-Length", "")
        try:
            if length.isdecimal():
                self.line.check(int(length[:20]))
            while piece := raw.read1(CHUNK_BYTES, decode_content=True):
                size += len(piece)
                self.line.check(max(size, raw.tell()))
                pieces.append(piece)
        except ServiceError:
            raw.close()
            raise
        except Exception as error:
            raw.close()
            # As requests itself calls what goes wrong on the way.
            raise requests.exceptions.ConnectionError(error, request=answer.request) from error
        raw.release_conn()
        return b"".join(pieces)


class _BoundedResponse(http.client.HTTPResponse):
    """An answer to a plain http.client connection within a line's limits, unpacked where it is gzip."""

    line: Line

    def read(self, amt=None):
        if amt is not None:
            return super().read(amt)
        pieces, packed, plain, unpack = [], 0, 0, None
        while piece := self.read1(CHUNK_BYTES):
            packed += len(piece)
            if packed == len(piece) and piece.startswith(b"\x1f\x8b"):
                unpack = zlib.decompressobj(wbits=31)
            if unpack is not None:
                piece = unpack.decompress(piece)
            plain += len(piece)
            self.line.check(max(packed, plain))
            pieces.append(piece)
        return b"".join(pieces)


def plain_connection(line: Line, host: str) -> http.client.HTTPSConnection:
    """A connection of http.client to a host, within a line's limits."""
    connection = _telling(http.client.HTTPSConnection, line)(host, 443, timeout=line.timeout_s)
    connection.response_class = type("Response", (_BoundedResponse,), {"line": line})
    return connection

"""Ask a service: time-outs, retries, replies kept on disk, and one plain message when nothing comes back.

The network is touched only here and only by functions that a user calls by name. What is sent is what the
function's arguments say; coordinates of a private site are never among it unless the caller says so.
"""

import hashlib
import io
import json
import os
import time
import warnings
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from http.client import HTTPException
from pathlib import Path
from socket import gaierror

import numpy as np
from astropy.table import MaskedColumn, Table
from astropy.time import Time

from appulse import formats
from appulse.constants import DAY_S
from appulse.errors import AppulseError, AppulseWarning, InputError, ServiceError
from appulse.services.connection import NO_CONNECTION_S, Line


def to_text(table) -> str:
    """A table as ECSV; values, units and masks survive."""
    # What services put into their meta is neither needed nor always writable.
    bare = Table(table)
    bare.meta = {}
    buffer = io.StringIO()
    bare.write(buffer, format="ascii.ecsv")
    return buffer.getvalue()


def from_text(text: str) -> Table:
    """The table that :func:`to_text` wrote."""
    return Table.read(text, format="ascii.ecsv")


def plain(table):
    """A table of plain columns: times as ISO text in UTC, quantities as numbers with a unit, masks kept.

    Parameters
    ----------
    table : QTable

    Returns
    -------
    Table

    Examples
    --------
    >>> plain(Table({"time": Time(["2027-05-04T22:36:00"])}))["time"].tolist()
    ['2027-05-04T22:36:00.000']
    """
    out = Table()
    for name in table.colnames:
        column = table[name]
        if isinstance(column, Time):
            out[name] = list(column.utc.isot)
            continue
        unit = getattr(column, "unit", None)
        values = column.value if hasattr(column, "value") and unit is not None else column
        mask = getattr(values, "mask", None)
        if mask is None or not np.any(mask):
            out[name] = np.asarray(getattr(values, "unmasked", values))
        else:
            out[name] = MaskedColumn(np.asarray(getattr(values, "unmasked", values)), mask=mask)
        if unit is not None:
            out[name].unit = unit
    out.meta = dict(table.meta)
    return out


def cache_folder() -> Path:
    """Where replies are kept: in the user's cache, which ``APPULSE_CACHE`` can name."""
    return formats.cache_folder() / "services"


@dataclass(frozen=True)
class Reply:
    """What a service answered to a query as sent, when (UTC), and whether it comes from the disk."""

    service: str
    query: dict
    text: str
    fetched: datetime
    cached: bool = False

    @property
    def age_d(self):
        """Days since it was fetched."""
        return (datetime.now(UTC) - self.fetched).total_seconds() / DAY_S

    @property
    def provenance(self):
        """One line for tables and sheets: service, date, and its age where it was cached."""
        when = f"{self.service}, fetched {self.fetched:%Y-%m-%d %H:%M} UTC"
        return f"{when} (cached, {age_words(self.age_d)} old)" if self.cached else when


def age_words(days: float) -> str:
    """An age in words.

    Parameters
    ----------
    days : float

    Returns
    -------
    str

    Examples
    --------
    >>> age_words(0.01), age_words(0.5), age_words(3.2)
    ('14 minutes', '12 hours', '3 days')
    """
    for size, word in ((1.0, "day"), (1 / 24, "hour"), (1 / 1440, "minute")):
        if days >= size:
            count = round(days / size)
            return f"{count} {word}{'' if count == 1 else 's'}"
    return "under a minute"


class ReplyCache:
    """Replies as files, one each; a damaged file counts as none.

    Parameters
    ----------
    folder : path, optional
        :func:`cache_folder` when left out.

    Examples
    --------
    >>> import tempfile
    >>> cache = ReplyCache(tempfile.mkdtemp())
    >>> cache.get("S", {"body": "7"}) is None
    True
    >>> _ = cache.put("S", {"body": "7"}, "text")
    >>> cache.get("S", {"body": "7"}).text
    'text'
    """

    def __init__(self, folder=None):
        self.folder = Path(folder) if folder is not None else cache_folder()

    def _path(self, service, query):
        # The same question asked with its parts in another order is the same question.
        key = json.dumps([service, query], sort_keys=True).encode()
        return self.folder / f"{hashlib.sha256(key).hexdigest()[:32]}.json"

    def get(self, service: str, query: dict):
        """The reply kept for a query, or None."""
        return _read_reply(self._path(service, query))

    def put(self, service: str, query: dict, text: str):
        """Keep a reply; a full or read-only disk costs nothing but the cache."""
        reply = Reply(service, query, text, datetime.now(UTC))
        path = self._path(service, query)
        held = {"service": service, "query": query, "fetched": reply.fetched.isoformat(), "text": text}
        # Written beside and moved: a program that reads meanwhile, or a crash, never meets half a reply.
        temporary = path.with_suffix(f".{os.getpid()}.part")
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            temporary.write_text(json.dumps(held), encoding="utf-8")
            temporary.replace(path)
        except OSError:
            temporary.unlink(missing_ok=True)
        return reply

    def replies(self):
        """Every reply kept, newest first."""
        found = (_read_reply(path) for path in self.folder.glob("*.json"))
        return sorted((r for r in found if r is not None), key=lambda reply: reply.fetched, reverse=True)

    def clear(self):
        """Remove every reply; returns how many there were."""
        count = 0
        for path in self.folder.glob("*.json"):
            try:
                path.unlink()
            except OSError as error:
                raise InputError(f"{path}: {error.strerror or error}") from None
            count += 1
        return count


def _read_reply(path) -> Reply | None:
    """A reply kept on disk, or None where the file is absent or damaged: it is then fetched again."""
    try:
        held = json.loads(path.read_text(encoding="utf-8"))
        fetched = datetime.fromisoformat(held["fetched"])
        if not isinstance(held["text"], str) or not isinstance(held["query"], dict) or fetched.tzinfo is None:
            return None
        return Reply(str(held["service"]), held["query"], held["text"], fetched, cached=True)
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None


# Replies older than this are fetched anew; common practice, no source: orbits change slowly.
STALE_AFTER_D = 7.0


@dataclass(frozen=True)
class RequestPolicy:
    """How a service is asked.

    Attributes
    ----------
    cache : ReplyCache or None
        None: nothing is read from or written to the disk.
    timeout_s : int
        For each wait on data.
    deadline_s : float
        For the whole answer, all attempts together; what is not there by then is given up.
    attempts : int
        How often a service that does not answer is asked.
    pause_s : float
        Before the second attempt; doubled each time.
    stale_after_d : float
        Age from which a cached reply is fetched again.
    offline : bool
        Never touch the network: cached replies of any age, or an error.
    """

    cache: ReplyCache | None = field(default_factory=ReplyCache)
    timeout_s: int = 30
    deadline_s: float = 90.0
    attempts: int = 3
    pause_s: float = 1.0
    stale_after_d: float = STALE_AFTER_D
    offline: bool = False


def request(service, query, call, read, policy=None):
    """The reply to a query (what JSON can hold), and what `read(text)` makes of it."""
    # ``call(line)`` asks within the limits of a Line and returns the answer's
    # text; the query is the cache's key. What cannot be understood is not kept.
    policy = policy or RequestPolicy()
    held = policy.cache.get(service, query) if policy.cache is not None else None
    if held is not None and (policy.offline or held.age_d < policy.stale_after_d):
        try:
            return held, _understood(service, read, held.text)
        except ServiceError:
            if policy.offline:
                raise
            held = None
    if policy.offline:
        raise ServiceError(
            f"{service}: no reply to this query in the cache, and asking online is switched off"
        )
    # An old reply stands in for a service that is silent, never for one that answered no.
    try:
        text = _persist(service, call, policy)
    except ServiceError as error:
        if held is None or not isinstance(error.__cause__, _no_answer()):
            raise
        warnings.warn(
            f"{error}; a reply of {age_words(held.age_d)} ago is used", AppulseWarning, stacklevel=3
        )
        return held, _understood(service, read, held.text)
    try:
        value = _understood(service, read, text)
    except ServiceError:
        raise
    except AppulseError:  # An answer all the same: there is no such body.
        if policy.cache is not None:
            policy.cache.put(service, query, text)
        raise
    if policy.cache is None:
        return Reply(service, query, text, datetime.now(UTC)), value
    return policy.cache.put(service, query, text), value


def _understood(service, read, text):
    """What is read of an answer; whatever a reader stumbles over is one plain error."""
    try:
        return read(text)
    except AppulseError:
        raise
    except Exception as error:
        raise ServiceError(f"{service} answered with something unexpected: {_words(error)}") from error


def _no_answer():
    """Exceptions that mean: nothing came back, it may be worth another try."""
    import requests
    from astroquery.exceptions import TimeoutError as AstroqueryTimeout

    return (requests.exceptions.RequestException, AstroqueryTimeout, HTTPException, OSError)


def _persist(service: str, call, policy):
    """Ask up to `attempts` times, within the time there is for all of them."""
    pause = policy.pause_s
    # astroquery takes whole seconds, and 0 means for ever.
    line = Line(service, max(1, round(policy.timeout_s)), policy.deadline_s)
    for attempt in range(1, policy.attempts + 1):
        try:
            return line.run(partial(call, line))
        except AppulseError:
            raise
        except _no_answer() as error:
            status = getattr(getattr(error, "response", None), "status_code", None)
            # A refusal stays a refusal; only 429, too many requests, is one that passes.
            if status is not None and 400 <= status < 500 and status != 429:
                raise ServiceError(f"{service} refused the query (HTTP {status}): {_words(error)}") from error
            # Without a connection so far, another attempt would only end the same way, and later.
            waited = time.monotonic() - line.began
            hopeless = not line.connected and waited + pause > NO_CONNECTION_S / 2
            if attempt == policy.attempts or hopeless or line.left_s <= pause:
                tried = f"{attempt} attempts" if attempt > 1 else "one attempt"
                raise ServiceError(
                    f"{service} did not answer after {tried} ({_words(error)}): check the connection, try "
                    "later, or work from local files, which needs no network"
                ) from error
            time.sleep(pause)
            pause *= 2.0
        # Whatever a library raises over an answer that it cannot read: asking again would not change it.
        except Exception as error:
            raise ServiceError(f"{service} answered with something unexpected: {_words(error)}") from error
    raise ServiceError(f"{service} was not asked: attempts is {policy.attempts}, at least 1 is needed")


def _words(error: Exception) -> str:
    """The heart of an error: libraries put whole addresses into theirs."""
    import requests

    if isinstance(error, (requests.exceptions.Timeout, TimeoutError)):
        return "timed out"
    if isinstance(error, (requests.exceptions.ConnectionError, ConnectionError, gaierror)):
        return "no connection"
    text = " ".join(str(error).split())
    return f"{type(error).__name__}: {text[:160]}" if text else type(error).__name__

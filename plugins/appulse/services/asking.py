"""Ask a service: time-outs, retries, the cache, and one plain message when nothing comes back.

The network is touched only here and only by functions that a user calls by name. What is sent is what the
function's arguments say; coordinates of a private site are never among it unless the caller says so.
"""

import time
import warnings
from dataclasses import dataclass, field
from datetime import UTC, datetime
from http.client import HTTPException
from socket import gaierror

from appulse.errors import AppulseError, AppulseWarning, ServiceError
from appulse.services.cache import Reply, ReplyCache, age_words

STALE_AFTER_D = 7.0
"""Replies older than this are fetched anew; common practice, no source: orbits change slowly."""


@dataclass(frozen=True)
class Asking:
    """How to ask.

    Attributes
    ----------
    cache : ReplyCache or None
        None: nothing is read from or written to the disk.
    timeout_s : int
        For the connection and for each wait on data.
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
    attempts: int = 3
    pause_s: float = 1.0
    stale_after_d: float = STALE_AFTER_D
    offline: bool = False


def ask(service, query, call, asking=None):
    """The reply to a query: from the cache while fresh, else from the service.

    Parameters
    ----------
    service : str
        Its name in messages.
    query : dict
        What is asked: key of the cache. Values that JSON can hold.
    call : callable
        ``call(timeout_s)`` asks the service and returns the text of its answer.
    asking : Asking, optional

    Returns
    -------
    Reply

    Raises
    ------
    ServiceError
        No answer and no cached reply, or an answer that refuses.

    Warns
    -----
    AppulseWarning
        The service did not answer and an old cached reply stands in for it.

    Examples
    --------
    >>> ask("a service", {"body": "7"}, lambda timeout_s: "answer", Asking(cache=None)).text
    'answer'
    """
    asking = asking or Asking()
    held = asking.cache.get(service, query) if asking.cache is not None else None
    if held is not None and (asking.offline or held.age_d < asking.stale_after_d):
        return held
    if asking.offline:
        raise ServiceError(
            f"{service}: no reply to this query in the cache, and asking online is switched off"
        )
    try:
        text = _persist(service, call, asking)
    except ServiceError as error:
        if held is None or not isinstance(error.__cause__, _no_answer()):
            raise
        warnings.warn(
            f"{error}; a reply of {age_words(held.age_d)} ago is used", AppulseWarning, stacklevel=3
        )
        return held
    if asking.cache is None:
        return Reply(service, query, text, datetime.now(UTC))
    return asking.cache.put(service, query, text)


def _no_answer():
    """Exceptions that mean: nothing came back, it may be worth another try."""
    import requests
    from astroquery.exceptions import TimeoutError as AstroqueryTimeout

    return (requests.exceptions.RequestException, AstroqueryTimeout, HTTPException, OSError)


def _persist(service, call, asking):
    """Ask up to `attempts` times."""
    pause = asking.pause_s
    for attempt in range(1, asking.attempts + 1):
        try:
            return call(max(1, round(asking.timeout_s)))  # astroquery takes whole seconds
        except AppulseError:
            raise
        except _no_answer() as error:
            status = getattr(getattr(error, "response", None), "status_code", None)
            if status is not None and 400 <= status < 500 and status != 429:
                raise ServiceError(f"{service} refused the query (HTTP {status}): {_words(error)}") from error
            if attempt == asking.attempts:
                tried = f"{attempt} attempts" if attempt > 1 else "one attempt"
                raise ServiceError(
                    f"{service} did not answer after {tried} ({_words(error)}): check the connection, try "
                    "later, or work from local files, which needs no network"
                ) from error
            time.sleep(pause)
            pause *= 2.0
        except Exception as error:  # a library's own words for an answer that it cannot read
            raise ServiceError(f"{service} answered with something unexpected: {_words(error)}") from error
    raise ServiceError(f"{service} was not asked: attempts is {asking.attempts}, at least 1 is needed")


def _words(error):
    """The heart of an error: libraries put whole addresses into theirs."""
    import requests

    if isinstance(error, (requests.exceptions.Timeout, TimeoutError)):
        return "timed out"
    if isinstance(error, (requests.exceptions.ConnectionError, ConnectionError, gaierror)):
        return "no connection"
    text = " ".join(str(error).split())
    return f"{type(error).__name__}: {text[:160]}" if text else type(error).__name__

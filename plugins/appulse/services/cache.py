"""Replies of services kept on disk, each with the moment it was fetched."""

import hashlib
import json
import os
import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from appulse.errors import InputError


def cache_folder():
    """Where replies are kept: ``APPULSE_CACHE``, else the platform's folder for such files.

    Returns
    -------
    Path
        It need not exist yet.

    Examples
    --------
    >>> cache_folder().name
    'services'
    """
    if os.environ.get("APPULSE_CACHE"):
        return Path(os.environ["APPULSE_CACHE"]) / "services"
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA", Path.home()))
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Caches"
    else:
        base = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache"))
    return base / "appulse" / "services"


@dataclass(frozen=True)
class Reply:
    """What a service answered.

    Attributes
    ----------
    service : str
    query : dict
        What was asked, as sent.
    text : str
    fetched : datetime
        UTC.
    cached : bool
        True where it comes from the disk and not from the network just now.
    """

    service: str
    query: dict
    text: str
    fetched: datetime
    cached: bool = False

    @property
    def age_d(self):
        """Days since it was fetched."""
        return (datetime.now(UTC) - self.fetched).total_seconds() / 86_400.0

    @property
    def provenance(self):
        """One line for tables and sheets: service, date, and its age where it was cached.

        Examples
        --------
        >>> Reply("JPL SBDB", {}, "", datetime(2026, 11, 25, 12, tzinfo=UTC)).provenance
        'JPL SBDB, fetched 2026-11-25 12:00 UTC'
        """
        when = f"{self.service}, fetched {self.fetched:%Y-%m-%d %H:%M} UTC"
        return f"{when} (cached, {age_words(self.age_d)} old)" if self.cached else when


def age_words(days):
    """An age as one says it.

    Examples
    --------
    >>> age_words(0.01), age_words(0.5), age_words(3.2), age_words(400)
    ('14 minutes', '12 hours', '3 days', '400 days')
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
        key = json.dumps([service, query], sort_keys=True).encode()
        return self.folder / f"{hashlib.sha256(key).hexdigest()[:32]}.json"

    def get(self, service, query):
        """The reply kept for a query, or None."""
        try:
            held = json.loads(self._path(service, query).read_text(encoding="utf-8"))
            fetched = datetime.fromisoformat(held["fetched"])
            return Reply(service, query, held["text"], fetched, cached=True)
        except (OSError, ValueError, KeyError, TypeError):
            return None

    def put(self, service, query, text):
        """Keep a reply; a full or read-only disk costs nothing but the cache."""
        reply = Reply(service, query, text, datetime.now(UTC))
        path = self._path(service, query)
        held = {"service": service, "query": query, "fetched": reply.fetched.isoformat(), "text": text}
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
        found = []
        for path in self.folder.glob("*.json"):
            try:
                held = json.loads(path.read_text(encoding="utf-8"))
                fetched = datetime.fromisoformat(held["fetched"])
                found.append(Reply(held["service"], held["query"], held["text"], fetched, cached=True))
            except (OSError, ValueError, KeyError, TypeError):
                continue
        return sorted(found, key=lambda reply: reply.fetched, reverse=True)

    def clear(self):
        """Remove every reply; returns how many there were.

        Raises
        ------
        InputError
            A file cannot be removed.
        """
        count = 0
        for path in self.folder.glob("*.json"):
            try:
                path.unlink()
            except OSError as error:
                raise InputError(f"{path}: {error.strerror or error}") from None
            count += 1
        return count

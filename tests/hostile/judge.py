"""What a run with a hostile input must keep to: an exit code, a line, and nothing else touched."""

import contextlib
import hashlib
import io
import os
import re
import resource
import time
import warnings
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

from cases import Case

from appulse.cli.main import main

SECONDS, BYTES = 60.0, 1e9
ALLOWED = {0, 1, 2, 74}
# A word of the input that is quoted in a message ('nan' for a station) is no number.
NAN = re.compile(rb"(?i)(?<![\w.'])[-+]?(?:nan|inf)(?![\w.'])")
TEXTS = {".ecsv", ".csv", ".yaml", ".psv", ".xml", ".txt", ".md", ".ics", ".html", ".obs80"}
CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2028\u2029\u2066-\u2069]")
NOTE = "appulse: note: "


@dataclass(frozen=True)
class Outcome:
    """How a run ended, and everything that is wrong with it."""

    code: int | None
    seconds: float
    grown: float
    err: str
    faults: tuple


def hashes(folder: Path, but: Path) -> dict:
    """Digest of every file of a folder, but for those below another."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.is_relative_to(but)
    }


def judged(case: Case, folder: Path) -> Outcome:
    """Run a case in this process and hold it against the rules."""
    out = folder / "OUT"
    before, memory, began = (
        hashes(folder, out),
        resource.getrusage(resource.RUSAGE_SELF).ru_maxrss,
        time.monotonic(),
    )
    stdout, stderr, code, faults = io.StringIO(), io.StringIO(), None, []
    environment = {
        "APPULSE_SETTINGS": str(folder / "settings.yaml"), "APPULSE_CACHE": str(folder / "OUT" / "cache"),
        "DISPLAY": "", "WAYLAND_DISPLAY": "", "QT_QPA_PLATFORM": "",
    }  # fmt: skip
    here = os.getcwd()
    os.chdir(folder)
    try:
        with (
            contextlib.redirect_stdout(stdout), contextlib.redirect_stderr(stderr), warnings.catch_warnings(),
            mock.patch.dict(os.environ, environment), _answering(case.reply),
        ):  # fmt: skip
            warnings.simplefilter("ignore")
            code = main(list(case.words))
    except BaseException as error:
        faults.append(f"{type(error).__name__} came out: {error}")
    finally:
        os.chdir(here)
    seconds = time.monotonic() - began
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - memory) * 1024
    err = stderr.getvalue()
    if code not in ALLOWED:
        faults.append(f"exit code {code}")
    faults += _wrong_words(code, stdout.getvalue(), err)
    faults += _wrong_files(before, folder, out)
    if seconds > SECONDS:
        faults.append(f"{seconds:.0f} s")
    if grown > BYTES:
        faults.append(f"{grown / 1e6:.0f} MB")
    return Outcome(code, seconds, grown, err, tuple(faults))


@contextlib.contextmanager
def _answering(reply: bytes | None):
    """Services that answer so, or cannot be reached."""
    import requests
    from astroquery.query import BaseQuery
    from astroquery.utils.mocks import MockResponse

    def answer(client, method=None, url=None, *args, **kwargs):
        if reply is None:
            raise requests.exceptions.ConnectionError("no network here")
        found = MockResponse(content=reply, url=url)
        found.request = requests.Request(method, url, data=kwargs.get("data")).prepare()
        return found

    refused = mock.patch("socket.create_connection", side_effect=OSError("no network here"))
    with mock.patch.object(BaseQuery, "_request", answer), refused, mock.patch("time.sleep"):
        yield


def _wrong_words(code, out: str, err: str) -> list:
    found = []
    if "Traceback" in err:
        found.append("a traceback")
    lines = [line for line in err.splitlines() if line.strip() and not line.startswith(NOTE)]
    if code == 2 and not lines:
        found.append("exit code 2 without a word")
    if any(len(line) > 3000 for line in lines):
        found.append(f"a line of {max(map(len, lines))} characters")
    for name, text in (("standard output", out), ("standard error", err)):
        if mark := CONTROL.search(text.replace("\r", "")):
            found.append(f"control character {mark[0]!r} on {name}")
    return found


def _own_nan(text: bytes, folder: Path, names) -> str:
    """The first number in a text that is none, but for words of an input ('nan refractor', a telescope)."""
    for mark in NAN.finditer(text):
        phrase = text[mark.start() : mark.end() + 8]
        is_name = re.match(rb"(?i)\S+ [a-z]", phrase) is not None
        if not is_name or not any(phrase in (folder / name).read_bytes() for name in names):
            return mark[0].decode()
    return ""


def _wrong_files(before: dict, folder: Path, out: Path) -> list:
    after = hashes(folder, out)
    found = [f"input {name} changed" for name in before if after.get(name) != before[name]]
    found += [f"{name} written outside --out" for name in after if name not in before]
    for path in out.rglob("*") if out.is_dir() else ():
        if path.is_file() and ".appulse-" in path.name:
            found.append(f"{path.name} left behind")
        is_text = (
            path.is_file()
            and path.suffix in TEXTS
            and "cache" not in path.parts
            and not path.name.startswith("0")
        )
        if is_text and (mark := _own_nan(path.read_bytes(), folder, before)):
            found.append(f"{mark} in {path.name}")
    return found

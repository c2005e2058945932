"""Reading files that others made: ordinary ones only, and of a size that is known beforehand.

A pipe is waited for, a device or a socket has no end, and a small packed file may unpack to more than the
memory.
"""

import gzip
import io
import os
import re
import stat
import zlib
from pathlib import Path

from appulse.errors import InputError

MB = 1_000_000
TEXT_BYTES = 20 * MB
"""Of what a person writes, or a program for one night: settings, campaigns, headers, lists of times."""
TABLE_BYTES = 1000 * MB
"""Of tables, observations and orbits: three times the file of all the MPC's orbits."""
RATIO = 200
"""A packed file that unpacks to more is none: measured pixels and orbits shrink to a tenth at best."""
UNPACKED_BYTES = 256 * MB
"""Never refused for its ratio: an image of one value shrinks to a thousandth."""
_KINDS = (
    (stat.S_ISDIR, "a folder"), (stat.S_ISFIFO, "a pipe"), (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"), (stat.S_ISBLK, "a device"),
)  # fmt: skip
_SAFE = "\n\t\r"  # a bar returns to the beginning of its line
_STEERING = {
    *range(0x20), *range(0x7F, 0xA0), 0x061C, 0x200E, 0x200F, *range(0x2028, 0x202F), *range(0x2066, 0x206A)
} - {ord(mark) for mark in _SAFE}  # fmt: skip
_SHOWN = {code: f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" for code in _STEERING}
_LONG = re.compile(r"\S{241,}")
_LONG_LINE = re.compile(r"[^\n]{2001,}")


def check_ordinary(path, what: str, error=InputError, most: int | None = None) -> int:
    """Size in bytes of an ordinary file; what is none, or is too long, is refused before it is opened."""
    try:
        found = os.stat(path)
    except (OSError, ValueError) as problem:
        why = getattr(problem, "strerror", None) or problem
        raise error(f"{path}: cannot be read ({why}); give the path of {what}") from None
    if not stat.S_ISREG(found.st_mode):
        kind = next((words for is_kind, words in _KINDS if is_kind(found.st_mode)), "no ordinary file")
        raise error(f"{path}: is {kind}; give the path of {what}, an ordinary file")
    if most is not None and found.st_size > most:
        raise error(_too_long(path, what, found.st_size, most))
    return found.st_size


def read_bytes(path, what: str, error=InputError, most: int = TEXT_BYTES) -> bytes:
    """All bytes of an ordinary file of at most so many."""
    check_ordinary(path, what, error, most)
    try:
        # Some files of the system's own grow while they are read, and say that they are empty.
        with open(path, "rb") as stream:
            content = stream.read(most + 1)
    except OSError as problem:
        raise error(f"{path}: cannot be read ({problem.strerror}); give the path of {what}") from None
    if len(content) > most:
        raise error(_too_long(path, what, len(content), most))
    return content


def read_text(path, what: str, error=InputError, most: int = TEXT_BYTES, errors: str = "strict") -> str:
    """UTF-8 text of an ordinary file, without the mark that some editors put first."""
    content = read_bytes(path, what, error, most)
    try:
        return content.decode("utf-8-sig", errors=errors)
    except UnicodeDecodeError as problem:
        raise error(f"{path}: not UTF-8 text (byte {problem.start}); save the file as UTF-8") from None


def most_unpacked(packed: int) -> int:
    """Bytes to which a packed file of so many may unpack."""
    return max(UNPACKED_BYTES, RATIO * packed)


def gunzip(content: bytes, path, error=InputError, most: int = TABLE_BYTES) -> bytes:
    """What gzipped bytes unpack to, in bounded memory."""
    most = min(most, most_unpacked(len(content)))
    pieces, size = [], 0
    try:
        with gzip.GzipFile(fileobj=io.BytesIO(content)) as stream:
            while piece := stream.read(1 << 20):
                size += len(piece)
                if size > most:
                    raise error(f"{path}: unpacks to more than {most / MB:.0f} MB, which no such file does")
                pieces.append(piece)
    except (EOFError, zlib.error, gzip.BadGzipFile):
        raise error(f"{path}: the gzip data end early or are damaged; fetch the file again") from None
    return b"".join(pieces)


def _too_long(path, what, size, most) -> str:
    name = Path(path).name
    return f"{path}: {name} has {size / MB:.0f} MB, at most {most / MB:.0f} are read as {what}"


def whole_number(text: str | None) -> int | None:
    """The number of 0 or more that plain digits stand for; None for any other text, or one of over 18 digits.

    >>> whole_number("12"), whole_number("\u00b2"), whole_number("-1"), whole_number("9" * 5000)
    (12, None, None, None)
    """
    # str.isdigit() takes signs that int() refuses, and int() refuses very many digits.
    return int(text) if text and text.isascii() and text.isdigit() and len(text) <= 18 else None


def harmless(text: str) -> str:
    """Text in which nothing steers a terminal.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> print(harmless("night\\x1b[2J.fits"))
    night\\x1b[2J.fits
    """
    return text if text.isascii() and text.isprintable() else text.translate(_SHOWN)


def shortened(text: str) -> str:
    """Words of more than 240 characters, and lines of more than 2,000, cut in their middle.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> len(shortened("x" * 700))
    203
    """
    text = _LONG.sub(lambda match: f"{match[0][:120]}...{match[0][-80:]}", text)
    return _LONG_LINE.sub(lambda match: f"{match[0][:1000]} ... {match[0][-900:]}", text)

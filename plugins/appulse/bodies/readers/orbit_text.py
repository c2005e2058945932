"""Lines of plain and gzipped text files."""

import gzip
import zlib
from pathlib import Path

from appulse.errors import OrbitError

GZIP_MAGIC = b"\x1f\x8b"


def read_bytes(path):
    """The whole content of a file, decompressed if it is gzipped; OrbitError where there is none."""
    path = Path(path)
    try:
        content = path.read_bytes()
        if content[:2] == GZIP_MAGIC:
            content = gzip.decompress(content)
    except FileNotFoundError:
        raise OrbitError(f"{path}: no such file") from None
    except (EOFError, zlib.error, gzip.BadGzipFile):
        raise OrbitError(f"{path}: the gzip data end early or are damaged; fetch the file again") from None
    except OSError as error:
        raise OrbitError(f"{path}: {error.strerror or error}") from None
    if not content.strip():
        raise OrbitError(f"{path}: the file is empty")
    return content


def decode(content, path):
    """Text of a file's bytes: UTF-8, else Latin-1; OrbitError where the bytes are no text."""
    if b"\0" in content[:4096]:
        raise OrbitError(f"{path}: not a text file; orbits are read from text, JSON and tables")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("latin-1")


def to_float(text):
    """A float, or NaN for what is none: the caller turns that into a reason."""
    try:
        return float(text)
    except ValueError:
        pass
    try:
        return float(text.replace("D", "E").replace("d", "e"))  # Fortran writes exponents so
    except ValueError:
        return float("nan")


def none_usable(path, what, rejected):
    """The error for a file in which no entry could be used."""
    line, reason = rejected[0] if rejected else (1, f"no {what} found")
    return OrbitError(f"{path}: none of its entries is a usable orbit; line {line}: {reason}")

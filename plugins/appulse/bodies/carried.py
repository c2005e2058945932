"""Orbits carried to other years and kept: a frame of 1995 is not integrated to from an epoch of 2026.

::

    epoch 2025.9 ----integrated once---->  1 Jan 1996 | 1997 | ... | 2025    one record per body and year
    frame 1995.6 <--half a year at most--  nearest of them

The starter set's records come with the package. Those of other orbits gather in one file of the user's cache
as years are passed by an integration. A body is known there by a digest of its orbit, so that a newer orbit
never starts from an older one's places.
"""

import contextlib
import hashlib
from functools import lru_cache
from pathlib import Path

import numpy as np

from appulse.bodies.engine import Bodies, catalogue_bodies, trajectory
from appulse.bodies.kernels import DATA, SUN, default_kernels
from appulse.errors import InputError
from appulse.formats import cache_folder, replacing

# One state: heliocentric, ICRF axes, au and au/d, at the beginning of a Julian year (TDB). Files are sorted,
# by year, then key.
RECORD = np.dtype([("year", "<i2"), ("key", "<u8"), ("state", "<f8", (6,))])
BUNDLED = DATA / "starter_carried.npy"
# Raised when the force model changes: what an older one integrated is not gone on with.
FORMAT = 1
# 20 MB; a file that would grow past it begins anew with what was integrated last.
MOST_RECORDS = 350_000
YEARS = range(1990, 2051)
# Orbits are the same when these many decimals of au and au/d are: elements become states with rounding that
# differs between machines in the sixteenth.
DECIMALS = 12


def year_d(year):
    """TDB days from J2000.0 of the beginning of a Julian year."""
    return (np.asarray(year, dtype=float) - 2000.0) * 365.25


def orbit_keys(bodies: Bodies) -> np.ndarray:
    """Digests (n,) of what a body's motion depends on: epoch, state, non-gravitational terms, number."""
    states = np.round(np.asarray(bodies.state, dtype=float), DECIMALS) + 0.0
    epochs = np.round(np.asarray(bodies.epoch_d, dtype=float), 9) + 0.0
    motions = np.column_stack([states, epochs])
    # Bytes of all rows at once: row by row they take longer than the digests.
    size, motions = motions[:1].nbytes, motions.tobytes()
    digests = [
        hashlib.blake2b(
            f"{FORMAT} {number} {terms!r}".encode() + motions[size * i : size * (i + 1)], digest_size=8
        ).digest()
        for i, (number, terms) in enumerate(
            zip(np.asarray(bodies.number, dtype=int).tolist(), bodies.terms, strict=True)
        )
    ]
    return np.frombuffer(b"".join(digests), "<u8").astype(np.uint64)


def carried_path() -> Path:
    """The file of the user's cache."""
    return cache_folder() / f"carried-{FORMAT}.npy"


def _read(path) -> np.ndarray:
    """Records of a file, memory-mapped; none where it is absent or damaged, for they can be made again."""
    with contextlib.suppress(OSError, ValueError, EOFError):
        records = np.load(path, mmap_mode="r", allow_pickle=False)
        if records.dtype == RECORD and records.ndim == 1 and np.isfinite(records["state"]).all():
            ascending = np.diff(records["year"]) > 0
            ascending |= (np.diff(records["year"]) == 0) & (records["key"][1:] > records["key"][:-1])
            if ascending.all():
                return records
    return np.empty(0, RECORD)


@lru_cache(maxsize=4)
def _opened(path, stamp) -> tuple:
    """Records, the slices of their years and all keys, sorted, of one state of a file."""
    records = _read(path)
    years, first = np.unique(records["year"], return_index=True)
    last = np.append(first[1:], len(records))[: len(first)]
    slices = {int(y): slice(a, b) for y, a, b in zip(years, first, last, strict=True)}
    return records, slices, np.unique(records["key"])


def _tables():
    """The bundled records and the user's, each with its years."""
    tables = []
    for path in (BUNDLED, carried_path()):
        with contextlib.suppress(OSError):
            stat = path.stat()
            tables.append(_opened(path, (stat.st_mtime_ns, stat.st_size)))
    return tables


def nearest(keys: np.ndarray, t_d: np.ndarray):
    """Times (n,), NaN where there are none, and states (n, 6) of the records nearest to times t_d (n,)."""
    found, states = np.full(len(keys), np.nan), np.full((len(keys), 6), np.nan)
    wanted = np.round(2000.0 + np.asarray(t_d, dtype=float) / 365.25).astype(int)
    for records, years, known in _tables():
        # Most bodies of a long list are in no year: they are not looked for in sixty.
        there = np.isin(keys, known)
        for target in np.unique(wanted):
            left = np.flatnonzero((wanted == target) & there)
            for year in sorted(years, key=lambda y: abs(y - target)):
                if not len(left):
                    break
                part = records[years[year]]
                at = np.minimum(np.searchsorted(part["key"], keys[left]), len(part) - 1)
                hit = part["key"][at] == keys[left]
                rows, at, left = left[hit], at[hit], left[~hit]
                nearer = ~(np.abs(found[rows] - t_d[rows]) <= np.abs(year_d(year) - t_d[rows]))
                found[rows[nearer]] = year_d(year)
                states[rows[nearer]] = part["state"][at[nearer]]
    return found, states


def sorted_records(years, keys, states) -> np.ndarray:
    """Records (n,) in the order of the files; of equal ones the first stays."""
    records = np.empty(len(keys), RECORD)
    records["year"], records["key"], records["state"] = years, keys, states
    records = records[np.lexsort((records["key"], records["year"]))]
    again = (np.diff(records["year"]) == 0) & (records["key"][1:] == records["key"][:-1])
    return records[np.concatenate([[True], ~again])] if len(records) else records


def keep(years: np.ndarray, keys: np.ndarray, states: np.ndarray):
    """Add records to the user's file; what cannot be written is simply not kept."""
    path = carried_path()
    old = np.array(_read(path))
    if len(old) + len(keys) > MOST_RECORDS:
        old = old[:0]
        years, keys, states = years[:MOST_RECORDS], keys[:MOST_RECORDS], states[:MOST_RECORDS]
    joined = [
        np.concatenate([a, b]) for a, b in ((old["year"], years), (old["key"], keys), (old["state"], states))
    ]
    with (
        contextlib.suppress(OSError, InputError),
        replacing(path, overwrite=True) as part,
        open(part, "wb") as file,
    ):
        np.save(file, sorted_records(*joined), allow_pickle=False)


def carried_records(catalogue, years=YEARS) -> np.ndarray:
    """The orbits of a catalogue integrated to every year, for a file of such records.

    Parameters
    ----------
    catalogue : OrbitCatalogue
        Some hundred bodies: each is integrated over sixty years.
    years : sequence of int
        Those of the bundled kernels by default.

    Returns
    -------
    (n,) structured array
        ``year`` (Julian, its beginning, TDB), ``key`` (digest of the orbit), ``state`` (6,): heliocentric,
        ICRF axes, au and au/d. Years within half a year of an epoch are left out.

    Raises
    ------
    EphemerisSpanError
        An epoch lies outside the kernels.
    OrbitError
        A body hits something on the way.

    Examples
    --------
    >>> from appulse.bodies import Orbit, OrbitCatalogue
    >>> more = {"i": 5, "node": 260, "peri": 145, "tp": 2461200.5}
    >>> records = carried_records(
    ...     OrbitCatalogue.from_orbits([Orbit.from_elements("7", 2461000.5, q=1.84, e=0.23, **more)]),
    ...     years=(2025, 2026, 2027))
    >>> records["year"].tolist()
    [2025, 2027]
    """
    kernels, rows, years = default_kernels(), np.arange(len(catalogue)), np.array(years)
    bodies, nodes_d = catalogue_bodies(catalogue, rows), year_d(years)
    states = trajectory(bodies, kernels).states(rows, np.tile(nodes_d, (len(rows), 1)))
    states -= np.hstack([part[:, SUN] for part in kernels.major(nodes_d)])
    row, year = np.nonzero(np.abs(nodes_d - bodies.epoch_d[:, None]) > 0.5 * 365.25)
    return sorted_records(years[year], orbit_keys(bodies)[row], states[row, year])

"""What should be in frames: bodies and deep-sky objects, one frame or an archive of them."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from appulse.errors import InputError
from appulse.workflows.progress import Progress
from appulse.workflows.sources import FailedFrame, age_notes, usable_frames
from appulse.workflows.workers import Workers


@dataclass(frozen=True)
class ListedFrame:
    """A frame's bodies and objects."""

    name: str
    table: Any  # from appulse.overlays.field_listing
    notes: tuple[str, ...] = ()


def list_frames(
    frames: Iterable[Path], orbits=None, *, named: bool = False, outlines=(),
    brighter_than: float | None = None, reading: dict | None = None, each: Callable | None = None,
    progress: Progress | None = None, workers: Workers | None = None,
) -> tuple[list[ListedFrame], tuple[FailedFrame, ...]]:  # fmt: skip
    """List the bodies and deep-sky objects that should be in frames.

    Parameters
    ----------
    frames : iterable of path
        Plate-solved; one without time or site gets its deep-sky objects only.
    orbits : OrbitCatalogue or list of Orbit
        The bodies that are looked for.
    named : bool
        The bodies were asked for by the user: then a frame without time or site is refused.
    outlines : sequence of Outline
        Of the user's own, beside the catalogue's.
    brighter_than : float, optional
        Faintest magnitude.
    reading, each, progress, workers
        As for :func:`appulse.workflows.measure_night`.

    Returns
    -------
    tuple of list of ListedFrame, tuple of FailedFrame
    """
    work = partial(
        _listed, orbits=orbits, named=named, own=tuple(outlines), limit=brighter_than, reading=reading or {}
    )
    return usable_frames(frames, work, "listing", each, progress, workers=workers)


def _listed(path, orbits, named, own, limit, reading) -> ListedFrame:
    from appulse.bodies import NBodyEphemeris
    from appulse.catalogues import objects_near
    from appulse.frames import read_frame
    from appulse.overlays import BODY, field_listing

    frame, notes = read_frame(path, require=("wcs",), **reading), ()
    outlines = [*objects_near(*frame.centre, frame.radius_deg), *own]
    bodies = NBodyEphemeris(orbits) if isinstance(orbits, list) else orbits
    lacking = [name for name, value in (("time", frame.exposure), ("site", frame.observer)) if value is None]
    if lacking:
        words, options = " and ".join(lacking), " and ".join(f"--{name}" for name in lacking)
        if named:
            raise InputError(f"{frame.name} has no {words}: bodies need it; give {options}")
        notes, bodies = (f"has no {words}: bodies are left out; give {options} for them",), None
    table = field_listing(frame, bodies, outlines, limit)
    if bodies is not None:
        there = set(table["designation"][table["kind"] == BODY].tolist())
        catalogue = getattr(bodies, "catalogue", bodies)
        rows = [int(catalogue.rows_of(name)[0]) for name in sorted(there)]
        notes += age_notes([catalogue.orbit(row) for row in rows], frame.exposure.mid.utc, frame.observer)
    return ListedFrame(frame.name, table, notes)

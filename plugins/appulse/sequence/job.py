"""What a run is to make, and what came of it."""

import os
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from appulse.errors import AppulseError, InputError
from appulse.sequence.places import place_in
from appulse.sequence.settings import Settings
from appulse.sequence.shots import shot_of

PRODUCTS = (
    "base.fits", "tracked.fits", "composite.png", "animation.gif", "dots.ecsv", "grades.ecsv", "grades.png",
    "coverage.png", "recipe.yaml",
)  # fmt: skip
PREVIEW_PRODUCTS = ("preview.png",)
EXTRAS = {"tiff": "composite.tiff", "jpeg": "composite.jpg", "mp4": "animation.mp4", "frames": "animation"}


@dataclass
class Job:
    """What to make, of what.

    Parameters
    ----------
    body : str
    shots : list of Shot
    settings : Settings
    out : Path
    orbits : dict
        Source of the places, in words.
    star_table : StarTable, or callable, optional
        Ties the picture to the sky; called with the reference frame.
    colour : list of SolvedFrame
        One colour frame, or three for red, green and blue.
    masters : Masters, optional
    decided : dict, optional
        Name to (keep, reason).
    pinned : dict, optional
        Name to an alignment as a recipe keeps it.
    reading : dict
        How the frames were read, where their headers did not say all (no coordinates of a site).
    extras : frozenset
        Out of tiff, jpeg, mp4, frames.
    jpeg_px : int, optional
    overwrite : bool
    keep_parts : bool
    files : dict
        ``stars``, ``bias``, ``dark``, ``flat``, ``colour``: lists of paths as the recipe keeps them.
    workers : int
        Threads.
    """

    body: str
    shots: list
    settings: object
    out: Path
    orbits: dict = field(default_factory=dict)
    star_table: object = None
    colour: list = field(default_factory=list)
    masters: object = None
    decided: dict | None = None
    pinned: dict | None = None
    reading: dict = field(default_factory=dict)
    extras: frozenset = frozenset()
    jpeg_px: int | None = None
    overwrite: bool = False
    keep_parts: bool = False
    files: dict = field(default_factory=dict)
    workers: int = min(4, os.cpu_count() or 1)

    @property
    def outputs(self) -> list:
        """The files of the run."""
        if self.settings.bin > 1:
            return [Path(self.out) / name for name in PREVIEW_PRODUCTS]
        names = [*PRODUCTS, *(EXTRAS[extra] for extra in sorted(self.extras) if extra != "frames")]
        if "frames" in self.extras:  # as many as the clock has steps; the first stands for all
            names.append(f"{EXTRAS['frames']}/0001.png")
        return [Path(self.out) / name for name in names]

    @property
    def parts_folder(self) -> Path:
        """Where finished parts wait for the rest."""
        return Path(self.out) / "parts"

    @property
    def unfinished(self) -> bool:
        """Whether a run was broken off here: its finished products may be written again."""
        return self.parts_folder.is_dir() and not (Path(self.out) / "recipe.yaml").exists()


@dataclass
class Result:
    """What came of a job.

    Parameters
    ----------
    night : Night
    dots : list of Dot
    written : list of Path
    notes : list of str
    reused : int
        Parts taken from an earlier, broken-off run.
    hashes : dict
        File name to SHA-256 of its pixels, as the recipe keeps them.
    """

    night: object
    dots: list
    written: list
    notes: list
    reused: int = 0
    hashes: dict = field(default_factory=dict)


@dataclass
class Preview:
    """How the picture will look, small.

    Parameters
    ----------
    pixels : (h, w, 1 or 3) uint8 array
        The first row is the top.
    night : Night
    dots : list of Dot
    notes : list of str
    n_frames : int
        Looked at; a long night is previewed by some of its frames, evenly chosen.
    """

    pixels: np.ndarray
    night: object
    dots: list
    notes: list
    n_frames: int


def job_for(frames, body, ephemeris, out, settings=None, *, masters=None, failed=None, **more) -> Job:
    """A job out of frames and an ephemeris.

    Parameters
    ----------
    frames : list of SolvedFrame
        With time and observer. Not calibrated: masters and hot pixels are seen to by the job.
    body : str
    ephemeris : NBodyEphemeris or alike
        Must know the body.
    out : path
        Folder for the products.
    settings : Settings, optional
    masters : Masters, optional
    failed : callable, optional
        Called with a frame for which there is no place, and its error; without it the error is raised.
    **more
        `orbits`, `star_table`, `colour`, `decided`, `reading`, `extras`, `jpeg_px`, `overwrite`,
        `keep_parts`, `files` of :class:`Job`.

    Returns
    -------
    Job

    Raises
    ------
    InputError
        If no frame has a place.

    Examples
    --------
    >>> job_for([], "body", None, "out")
    Traceback (most recent call last):
    appulse.errors.InputError: no frame can be used: not one has a place of body
    """
    settings = settings or Settings()
    shots = []
    for frame in frames:
        try:
            shots.append(shot_of(frame, place_in(frame, ephemeris, body), masters, settings))
        except AppulseError as error:
            if failed is None:
                raise
            failed(frame, error)
    if not shots:
        raise InputError(f"no frame can be used: not one has a place of {body}")
    return Job(body, shots, settings, Path(out), masters=masters, **more)


def preview_job(job, longest_px, most_frames) -> Job:
    """The same job with some frames, evenly chosen, taken together to at most `longest_px` pixels."""
    shots = sorted(job.shots, key=lambda shot: shot.place.time)
    if len(shots) > most_frames:
        chosen = np.unique(np.round(np.linspace(0, len(shots) - 1, most_frames)).astype(int))
        shots = [shots[i] for i in chosen]
    longest = max((max(shot.frame.shape) for shot in shots), default=1)
    step = max(2, -(-longest // longest_px)) * job.settings.bin
    names = {shot.frame.name for shot in shots}
    reference = job.settings.reference if job.settings.reference in names else None
    settings = replace(job.settings, bin=step, reference=reference)
    return replace(
        job,
        shots=[shot.smaller(step // job.settings.bin) for shot in shots],
        settings=settings,
        extras=frozenset(),
    )

"""What a run is to make: settings, job, and the recipe, a YAML file that repeats it to the same pixels."""

import math
import os
from dataclasses import asdict, dataclass, field, fields, replace
from importlib.metadata import version
from pathlib import Path

import numpy as np
import yaml

from appulse import __version__
from appulse.errors import AppulseError, InputError
from appulse.files import read_text
from appulse.formats import file_sha256, short, write_text
from appulse.registration import KEEPS
from appulse.sequence.animate import PATHS
from appulse.sequence.body_places import place_in
from appulse.sequence.comet_pictures import PRODUCTS as COMET_PRODUCTS
from appulse.sequence.comet_pictures import wants_comet
from appulse.sequence.recipe_check import RecipeCheck
from appulse.sequence.sky_grid import EXTENTS
from appulse.sequence.subframe import subframe_of

CHOICES = {
    "extent": EXTENTS,
    "keep": KEEPS,
    "weights": ("noise", "equal"),
    "dots": ("all", "line", "none"),
    "animation": ("stars", "body"),
    "animation_path": PATHS,
    "animation_of": ("clean", "frames"),
    "comet": ("auto", "yes", "no"),
}
PRODUCTS = (
    "base.fits", "tracked.fits", "composite.png", "animation.gif", "dots.ecsv", "grades.ecsv", "grades.png",
    "coverage.png", "recipe.yaml",
)  # fmt: skip
PREVIEW_PRODUCTS = ("preview.png",)
EXTRAS = {"tiff": "composite.tiff", "jpeg": "composite.jpg", "mp4": "animation.mp4", "frames": "animation"}
PIXEL_PACKAGES = (
    "numpy", "scipy", "astropy", "opencv-python-headless", "reproject", "scikit-image", "pillow",
)  # fmt: skip
"""Packages whose version can change a pixel."""


RANGES = {
    "scale_arcsec": (1e-3, 3600.0), "cadence_h": (0.0, 1e5), "saturation": (0.0, 1000.0),
    "view_arcmin": (1e-3, 1e5), "step_h": (1e-4, 1e5), "longest_px": (8, 20_000), "bin": (1, 64),
}  # fmt: skip
"""Least and largest value of a setting; wide, for they only keep out what no picture can be made of."""


def _is_number(value) -> bool:
    return isinstance(value, int | float | np.number) and not isinstance(value, bool) and math.isfinite(value)


@dataclass(frozen=True)
class PictureSettings:
    """What the user may choose; every default gives a clean picture.

    Parameters
    ----------
    extent : {'common', 'all'}
        Sky that all frames cover, or any.
    keep : {'surface', 'flux'}
        Surface brightness or sums kept when pixels are resampled.
    weights : {'noise', 'equal'}
    north_up : bool
    scale_arcsec : float, optional
        Of the grid; the reference frame's when left out.
    reference : str, optional
        Name of the frame that sets grid and brightness; the sharpest deep one when left out.
    clip_low, clip_high : float
        Sigmas of the stacks' rejection.
    mend_hot : bool
    reject_clouds : bool
        Leave clouded, blurred and unalignable frames out by themselves.
    dots : {'all', 'line', 'none'}
        The body of every frame apart, of all frames as a line as far as the frames allow, or not at all.
    cadence_h : float
        Least time between dots, hours.
    brightness, saturation : float
    view_arcmin : float, optional
        Width of the picture around the middle of the body's path; everything when left out.
    animation : {'stars', 'body'}
        What stands still.
    animation_path : {'loop', 'bounce'}
    animation_of : {'clean', 'frames'}
        The base with the body of each time, or the frames themselves.
    growing : bool
        Earlier dots stay.
    stamp : bool
        Time in the corner.
    fps : float
    step_h : float, optional
    longest_px : int
        Of the animation's longer side.
    marks : tuple of str
        Out of times, ring, scale, compass, outlines; none for a clean picture.
    bin : int
        Pixels taken together on reading; more than 1 for a preview.
    comet : {'auto', 'yes', 'no'}
        Comet and stars apart and joined, with views of the coma: where the body is a comet, or as said.
    moment : str, optional
        When the joined picture shows the comet: a frame's name or a UTC time; the reference's when left out.
    """

    extent: str = "common"
    keep: str = "surface"
    weights: str = "noise"
    north_up: bool = False
    scale_arcsec: float | None = None
    reference: str | None = None
    clip_low: float = 4.0
    clip_high: float = 3.0
    mend_hot: bool = True
    reject_clouds: bool = True
    dots: str = "all"
    cadence_h: float = 0.0
    brightness: float = 1.0
    saturation: float = 1.0
    view_arcmin: float | None = None
    animation: str = "stars"
    animation_path: str = "loop"
    animation_of: str = "clean"
    growing: bool = True
    stamp: bool = True
    fps: float = 2.0
    step_h: float | None = None
    longest_px: int = 900
    marks: tuple = ()
    bin: int = 1
    comet: str = "auto"
    moment: str | None = None

    def __post_init__(self):
        for name, allowed in CHOICES.items():
            value = getattr(self, name)
            if not isinstance(value, str) or value not in allowed:
                raise InputError(f"{name} {short(value)}: {', '.join(allowed)} are allowed")
        for name in ("clip_low", "clip_high", "brightness", "fps"):
            value = getattr(self, name)
            if not _is_number(value) or not 0 < value < 1000:
                raise InputError(f"{name} {short(value)}: a number above 0 is needed")
        for name, (low, high) in RANGES.items():
            value = getattr(self, name)
            if value is not None and (not _is_number(value) or not low <= value <= high):
                raise InputError(f"{name} {short(value)}: a number from {low:g} to {high:g} is needed")
        for name in ("longest_px", "bin"):
            value = getattr(self, name)
            if not _is_number(value) or value != int(value):
                raise InputError(f"{name} {short(value)}: a whole number is needed")
        for name in ("north_up", "mend_hot", "reject_clouds", "growing", "stamp"):
            if not isinstance(getattr(self, name), bool):
                raise InputError(f"{name} {short(getattr(self, name))}: true or false is needed")
        if self.reference is not None and not isinstance(self.reference, str):
            raise InputError(f"reference {short(self.reference)}: the name of a frame is needed")
        if self.moment is not None and not isinstance(self.moment, str):
            raise InputError(f"moment {short(self.moment)}: the name of a frame or a UTC time is needed")
        if isinstance(self.marks, str) or not all(isinstance(mark, str) for mark in self.marks):
            raise InputError(f"marks {short(self.marks)}: a list of words is needed")
        object.__setattr__(self, "marks", tuple(self.marks))

    def plain(self) -> dict:
        """As a recipe keeps it."""
        kept = asdict(self)
        kept["marks"] = list(self.marks)
        return kept

    @classmethod
    def from_plain(cls, kept) -> "PictureSettings":
        """Back from a recipe."""
        if not all(isinstance(name, str) for name in kept):
            raise InputError(f"recipe: settings are named by words, got {short(kept)}")
        known = {entry.name for entry in fields(cls)}
        if unknown := sorted(set(kept) - known):
            raise InputError(
                f"recipe: {unknown[0]!r} is not known among the settings; known: {sorted(known)}"
            )
        return cls(**kept)


@dataclass
class PictureJob:
    """What to make, of what.

    Parameters
    ----------
    body : str
    subframes : list of Subframe
    settings : PictureSettings
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
    left_out : frozenset
        Products that are not made: out of tracked.fits, animation.gif (with its MP4 and PNG).
    workers : int
        Threads.
    """

    body: str
    subframes: list
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
    left_out: frozenset = frozenset()
    workers: int = min(4, os.cpu_count() or 1)

    @property
    def outputs(self) -> list:
        """The files of the run."""
        if self.settings.bin > 1:
            return [Path(self.out) / name for name in PREVIEW_PRODUCTS]
        comet = COMET_PRODUCTS if wants_comet(self.body, self.settings.comet) else ()
        names = [name for name in (*PRODUCTS, *comet) if name not in self.left_out]
        # without the animation there is none in another form either
        extras = self.extras - ({"mp4", "frames"} if "animation.gif" in self.left_out else set())
        names += [EXTRAS[extra] for extra in sorted(extras) if extra != "frames"]
        if "frames" in extras:  # as many as the clock has steps; the first stands for all
            names.append(f"{EXTRAS['frames']}/0001.png")
        return [Path(self.out) / name for name in names]

    @property
    def parts_folder(self) -> Path:
        """Where finished parts wait for the rest."""
        return Path(self.out) / "parts"

    @property
    def unfinished(self) -> bool:
        """Whether a run was interrupted here: its finished products may be written again."""
        return self.parts_folder.is_dir() and not (Path(self.out) / "recipe.yaml").exists()


@dataclass
class PictureResult:
    """What came of a job.

    Parameters
    ----------
    night : PreparedNight
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
    night : PreparedNight
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


def job_for(frames, body, ephemeris, out, settings=None, *, masters=None, failed=None, **more) -> PictureJob:
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
    settings : PictureSettings, optional
    masters : Masters, optional
    failed : callable, optional
        Called with a frame for which there is no place, and its error; without it the error is raised.
    **more
        `orbits`, `star_table`, `colour`, `decided`, `reading`, `extras`, `jpeg_px`, `overwrite`,
        `keep_parts`, `files`, `left_out` of :class:`PictureJob`.

    Returns
    -------
    PictureJob

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
    settings = settings or PictureSettings()
    subframes = []
    for frame in frames:
        try:
            subframes.append(subframe_of(frame, place_in(frame, ephemeris, body), masters, settings))
        except AppulseError as error:
            if failed is None:
                raise
            failed(frame, error)
    if not subframes:
        raise InputError(f"no frame can be used: not one has a place of {body}")
    return PictureJob(body, subframes, settings, Path(out), masters=masters, **more)


def preview_job(job, longest_px, most_frames) -> PictureJob:
    """The same job with some frames, evenly chosen, taken together to at most `longest_px` pixels."""
    subframes = sorted(job.subframes, key=lambda subframe: subframe.place.time)
    if len(subframes) > most_frames:
        chosen = np.unique(np.round(np.linspace(0, len(subframes) - 1, most_frames)).astype(int))
        subframes = [subframes[i] for i in chosen]
    longest = max((max(subframe.frame.shape) for subframe in subframes), default=1)
    step = max(2, -(-longest // longest_px)) * job.settings.bin
    names = {subframe.frame.name for subframe in subframes}
    reference = job.settings.reference if job.settings.reference in names else None
    settings = replace(job.settings, bin=step, reference=reference)
    smaller = [subframe.smaller(step // job.settings.bin) for subframe in subframes]
    return replace(job, subframes=smaller, settings=settings, extras=frozenset())


def versions() -> dict:
    """Versions of the program and of the packages that pixels come of."""
    return {"appulse": __version__, **{name: version(name) for name in PIXEL_PACKAGES}}


@dataclass
class Recipe:
    """A run that can be repeated.

    Parameters
    ----------
    body : str
    frames : dict
        Path (as given, relative to the recipe where possible) to a dict of ``sha256, keep, reason, place``
        and ``lies``: the refined WCS and brightness.
    settings : PictureSettings
    orbits : dict
        Source of the places, in words; the places themselves stand with the frames.
    stars : dict or None
        ``file`` and ``sha256`` of the star table.
    masters : dict
        Role to path and checksum.
    colour : list of dict
        ``file`` and ``sha256`` of the colour base.
    results : dict
        File name to SHA-256 of its pixels.
    reading : dict
        Options by which the frames were read.
    also : list of str
        Further products.
    jpeg_px : int, optional
    made_with : dict
        Versions of the program and of the packages that pixels come of.
    """

    body: str
    frames: dict
    settings: PictureSettings
    orbits: dict
    stars: dict | None = None
    masters: dict | None = None
    colour: list | None = None
    results: dict | None = None
    reading: dict | None = None
    also: list | None = None
    jpeg_px: int | None = None
    made_with: dict = field(default_factory=versions)

    def write(self, path, overwrite=False):
        """Write it as YAML; returns the path."""
        kept = {
            "made_with": self.made_with,
            "body": self.body,
            "orbits": self.orbits,
            "stars": self.stars,
            "masters": self.masters or {},
            "colour": self.colour or [],
            "reading": self.reading or {},
            "settings": self.settings.plain(),
            "also": self.also or [],
            "jpeg_px": self.jpeg_px,
            "frames": self.frames,
            "results": self.results or {},
        }
        head = (
            "# Repeats this run to the same pixels: appulse picture --recipe recipe.yaml --out FOLDER\n"
            "# keep: false leaves a frame out; place is where the body was predicted, ICRF degrees.\n"
        )
        text = yaml.safe_dump(kept, sort_keys=False, allow_unicode=True, width=110)
        return write_text(path, head + text, overwrite)

    @classmethod
    def read(cls, path) -> "Recipe":
        """Read a recipe."""
        path = Path(path)
        try:
            kept = yaml.safe_load(read_text(path, "a recipe.yaml"))
        except (yaml.YAMLError, RecursionError, ValueError) as error:
            if isinstance(error, InputError):
                raise
            raise InputError(f"{path}: no YAML ({' '.join(str(error).split())})") from None
        if not isinstance(kept, dict) or not {"body", "frames", "settings"} <= set(kept):
            raise InputError(f"{path}: no recipe: 'body', 'frames' and 'settings' are needed")
        if not isinstance(kept["frames"], dict) or not kept["frames"]:
            raise InputError(f"{path}: 'frames' holds no frame")
        RecipeCheck(path).all(kept)
        try:
            settings = PictureSettings.from_plain(kept["settings"])
        except InputError as error:
            raise InputError(f"{path}: {error}") from None
        return cls(
            str(kept["body"]), kept["frames"], settings,
            kept.get("orbits") or {},
            kept.get("stars"), kept.get("masters") or {}, kept.get("colour") or [],
            kept.get("results") or {},
            kept.get("reading") or {}, kept.get("also") or [], kept.get("jpeg_px"),
            kept.get("made_with") or {},
        )  # fmt: skip

    def compared(self, results) -> list:
        """In words, whether a repeated run came to the same pixels."""
        names = [name for name in self.results or {} if name in results]
        same = [name for name in names if self.results[name] == results[name]]
        other = [name for name in names if name not in same]
        words = [f"the same pixels as the recipe: {', '.join(same)}"] if same else []
        if other:
            words.append(f"other pixels than the recipe: {', '.join(other)}{self._why_other()}")
        return words

    def _why_other(self):
        now = versions()
        changed = [
            f"{name} {then} then, {now.get(name, 'none')} now"
            for name, then in self.made_with.items()
            if now.get(name) != then
        ]
        return f" ({'; '.join(changed)})" if changed else ""


def checked_file(entry_path, sha256, folder) -> Path:
    """The file of a recipe, found from the recipe's folder, and its bytes the same as then.

    Raises
    ------
    InputError
        If it is not there, or has changed.
    """
    path = Path(entry_path)
    path = path if path.is_absolute() else Path(folder) / path
    if not path.exists():
        raise InputError(
            f"{path}: named in the recipe, but not there; put it back, or run without the recipe"
        )
    if sha256 and file_sha256(path) != sha256:
        raise InputError(
            f"{path}: its bytes are not those of the recipe, so the same pixels cannot come of it; run "
            "without the recipe for a new one"
        )
    return path


def write_recipe(path, job, night, hashes, overwrite=False):
    """The recipe of a run that is done; returns the path."""
    frames = {}
    for subframe in night.subframes:
        frames[relative_path(subframe.frame.path, job.out)] = {
            "sha256": subframe.frame.checksum,
            "keep": subframe.keep,
            "reason": subframe.grade["reason"],
            "place": subframe.place.plain(),
            "lies": subframe.alignment.plain(),
        }
    settings = job.settings
    if settings.reference is None:
        settings = replace(settings, reference=night.reference.frame.name)
    files = {
        role: [{"file": relative_path(path, job.out), "sha256": file_sha256(path)} for path in paths]
        for role, paths in job.files.items()
    }
    recipe = Recipe(
        job.body, frames, settings, job.orbits, (files.get("stars") or [None])[0],
        {role: files[role][0] for role in ("bias", "dark", "flat") if files.get(role)},
        files.get("colour", []), hashes, _reading(job), sorted(job.extras), job.jpeg_px,
    )  # fmt: skip
    return recipe.write(path, overwrite)


def _reading(job):
    kept = dict(job.reading)
    if "wcs_from" in kept:
        path = kept["wcs_from"]
        kept["wcs_from"] = {"file": relative_path(path, job.out), "sha256": file_sha256(path)}
    return kept


def relative_path(path, folder) -> str:
    """A path as seen from a folder where that works, so that both can be moved together."""
    if path is None:
        raise InputError("a frame out of memory cannot stand in a recipe: write it to a file first")
    try:
        return Path(os.path.relpath(Path(path).resolve(), Path(folder).resolve())).as_posix()
    except ValueError:  # another drive
        return Path(path).resolve().as_posix()

"""Stacks, composite and animation of a night: the run that frames and choices, or a recipe, ask for."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from appulse.errors import InputError
from appulse.workflows.sources import BodySource, FailedFrame, StarSource, usable_frames

PICTURE_SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".gif", ".bmp", ".webp")
STOPPED_EARLY = "no frame can be used: see the lines above"


@dataclass(frozen=True)
class PictureFiles:
    """Files that a run reads beside its frames."""

    bias: Path | None = None  # masters
    dark: Path | None = None  # masters
    flat: Path | None = None  # masters
    colour: tuple[Path, ...] = ()  # one frame of three planes, or three of one
    grades: Path | None = None  # an edited ``grades.ecsv``: which frames to keep


@dataclass(frozen=True)
class PictureOutputs:
    """Where the products go, and which."""

    out: Path  # folder
    extras: frozenset[str] = frozenset()  # out of tiff, jpeg, mp4, frames
    jpeg_px: int | None = None  # longer side of the JPEG
    overwrite: bool = False
    keep_parts: bool = False
    preview: bool = False  # only ``preview.png``: then products that stand there are no hindrance


@dataclass(frozen=True)
class PictureRun:
    """A run that is ready to be done, and the frames that cannot take part."""

    job: Any  # appulse.sequence.picture_job.PictureJob
    recipe: Any = None  # Recipe or None: where the run repeats one
    failed: tuple[FailedFrame, ...] = field(default=())


def plan_pictures(
    frames: Iterable, bodies: BodySource, outputs: PictureOutputs, settings=None,
    stars: StarSource | None = None, files: PictureFiles | None = None, *, reading: dict | None = None,
    each: Callable | None = None, progress=None, cancelled=None,
) -> PictureRun:  # fmt: skip
    """A run out of frames, a body and choices.

    Parameters
    ----------
    frames : iterable of path
        Plate-solved, of one night.
    bodies : BodySource
        Of one body: the one that is followed.
    outputs : PictureOutputs
    settings : appulse.sequence.picture_job.PictureSettings, optional
    stars : StarSource, optional
        Tie the picture to the sky.
    files : PictureFiles, optional
    reading : dict, optional
        Options of :func:`appulse.frames.read_frame`.
    each : callable, optional
        Called with a :class:`~appulse.workflows.sources.FailedFrame` as soon as one fails.
    progress, cancelled : callable, optional

    Returns
    -------
    PictureRun

    Raises
    ------
    InputError
        If not one frame, or one of the files, can be used.
    OutputExistsError
        If a product exists and may not be replaced.
    """
    from appulse.formats import check_free, read_table
    from appulse.frames import Masters, read_frame
    from appulse.sequence import PictureJob, PictureSettings, kept_frames, place_in, subframe_of

    settings, stars, files = settings or PictureSettings(), stars or StarSource(), files or PictureFiles()
    if not outputs.preview:
        bare = PictureJob(",".join(bodies.names), [], settings, outputs.out, extras=outputs.extras)
        check_free(bare.outputs, outputs.overwrite or bare.unfinished)
    body = bodies.only_body("one body is followed; name one")
    masters = Masters.read(files.bias, files.dark, files.flat)

    def place(path):
        _refuse_finished_picture(path)
        frame = read_frame(path, **(reading or {}))
        return frame, place_in(frame, bodies.ephemeris, body)

    placed, failed = usable_frames(frames, place, "reading", each, progress, cancelled)
    if not placed:
        raise InputError(STOPPED_EARLY)
    decided = None
    if files.grades is not None:
        decided = kept_frames(read_table(files.grades), [frame.name for frame, _ in placed])
    job = PictureJob(
        body=",".join(bodies.names),
        subframes=[subframe_of(frame, there, masters, settings) for frame, there in placed],
        settings=settings, out=outputs.out, orbits=bodies.describe(), star_table=stars.around,
        colour=colour_frames(files.colour), masters=masters, decided=decided,
        reading={name: value for name, value in (reading or {}).items() if name != "site"},
        extras=outputs.extras, jpeg_px=outputs.jpeg_px, overwrite=outputs.overwrite,
        keep_parts=outputs.keep_parts, files=_files(stars, files),
    )  # fmt: skip
    return PictureRun(job, failed=failed)


def _files(stars: StarSource, files: PictureFiles) -> dict[str, list[Path]]:
    """What the recipe keeps, by role."""
    given = {"stars": [stars.path], "bias": [files.bias], "dark": [files.dark], "flat": [files.flat]}
    given = {role: paths for role, paths in given.items() if paths[0] is not None}
    return given | ({"colour": list(files.colour)} if files.colour else {})


def _refuse_finished_picture(path: Path) -> None:
    if Path(path).suffix.lower() in PICTURE_SUFFIXES:
        raise InputError(
            f"{Path(path).name}: a finished picture, without WCS and time; a sequence is made of solved FITS "
            "frames"
        )


def colour_frames(paths: Iterable[Path]) -> list:
    """The colour base's frames: one of three planes, or three of one; anything else is refused."""
    from appulse.frames import read_frame

    frames = [read_frame(path, require=("wcs",)) for path in paths]
    planes = sum(3 if frame.is_colour else 1 for frame in frames)
    if frames and planes != 3:
        raise InputError(
            f"the colour base: {planes} planes in {len(frames)} files; one colour frame, or three for red, "
            "green and blue, are needed"
        )
    return frames


def repeat_recipe(path: Path, outputs: PictureOutputs, *, reading: dict | None = None) -> PictureRun:
    """A run that repeats a recipe to the same pixels.

    Parameters
    ----------
    path : Path
        A ``recipe.yaml`` that a run has written; its files are looked for beside it.
    outputs : PictureOutputs
        What the recipe asks for is made beside `extras`.
    reading : dict, optional
        Overrides how the frames were read.

    Returns
    -------
    PictureRun

    Raises
    ------
    InputError
        If a file of the recipe is missing or has changed.
    """
    from appulse.catalogues import read_star_table
    from appulse.frames import Masters, read_frame
    from appulse.sequence import BodyPlace, PictureJob, Recipe, checked_file, subframe_of

    recipe, folder = Recipe.read(path), path.parent

    def file_of(entry):
        return checked_file(entry["file"], entry["sha256"], folder)

    masters = {role: file_of(entry) for role, entry in (recipe.masters or {}).items()}
    read_masters = Masters.read(**masters)
    stars = None if recipe.stars is None else file_of(recipe.stars)
    star_source = StarSource(stars, None if stars is None else read_star_table(stars))
    colour = [file_of(entry) for entry in recipe.colour or []]
    kept_reading = dict(recipe.reading or {})
    if "wcs_from" in kept_reading:
        kept_reading["wcs_from"] = file_of(kept_reading["wcs_from"])
    reading, subframes = reading or {}, []
    for name, entry in recipe.frames.items():
        # The places stand in the recipe: who looked from where is not needed, and not kept there.
        file = checked_file(name, entry.get("sha256"), folder)
        frame = read_frame(file, **(kept_reading | reading), require=("wcs", "time"))
        subframes.append(
            subframe_of(frame, BodyPlace.from_plain(entry["place"]), read_masters, recipe.settings)
        )
    named = list(zip((subframe.frame.name for subframe in subframes), recipe.frames.values(), strict=True))
    job = PictureJob(
        body=recipe.body,
        subframes=subframes,
        settings=recipe.settings,
        out=outputs.out,
        orbits=recipe.orbits,
        star_table=star_source.around,
        colour=colour_frames(colour),
        masters=read_masters,
        decided={
            name: (bool(entry.get("keep", True)), str(entry.get("reason", ""))) for name, entry in named
        },
        pinned={name: entry["lies"] for name, entry in named if "lies" in entry},
        reading=kept_reading | {name: value for name, value in reading.items() if name != "site"},
        extras=outputs.extras | frozenset(recipe.also or ()),
        jpeg_px=outputs.jpeg_px or recipe.jpeg_px,
        overwrite=outputs.overwrite,
        keep_parts=outputs.keep_parts,
        files={role: [file] for role, file in masters.items()}
        | ({"stars": [stars]} if stars else {})
        | ({"colour": colour} if colour else {}),
    )
    return PictureRun(job, recipe)


def stack(
    frames: Iterable, body: str, out, *, orbits=None, positions=None, stars=None, extras: Iterable[str] = (),
    overwrite: bool = False, reading: dict | None = None, progress=None, cancelled=None, **settings,
):  # fmt: skip
    """Stack a night's frames on the stars and on the body; composite and animation with them.

    Parameters
    ----------
    frames : iterable of path
        Plate-solved FITS files of one night.
    body : str
        Number, name or designation.
    out : path
        Folder for the products; an interrupted run there goes on.
    orbits, positions, stars : path, optional
        See :func:`appulse.open_bodies` and :func:`appulse.open_stars`.
    extras : iterable of str
        Out of tiff, jpeg, mp4, frames.
    overwrite : bool
    reading : dict, optional
        Options of :func:`appulse.read_frame`.
    progress, cancelled : callable, optional
    **settings
        Of :class:`appulse.sequence.picture_job.PictureSettings`, e.g. ``north_up=True``.

    Returns
    -------
    appulse.sequence.picture_job.Result
        ``written``: the files; ``dots``: the body in each frame; ``notes``.

    Raises
    ------
    InputError
        If no frame can be used.
    OutputExistsError
        If a product exists and may not be replaced.
    Cancelled
        If it was stopped: the same call goes on from there.

    Examples
    --------
    >>> import tempfile, appulse
    >>> folder = tempfile.mkdtemp()
    >>> paths = appulse.example_night(folder + "/night", 3)
    >>> made = appulse.stack(paths, "7", folder + "/picture")
    >>> sorted(path.name for path in made.written)[:3]
    ['animation.gif', 'base.fits', 'composite.png']
    """
    from appulse.sequence import PictureSettings, run
    from appulse.workflows.sources import open_bodies, open_stars

    planned = plan_pictures(
        frames, open_bodies(body, orbits, positions),
        PictureOutputs(Path(out), frozenset(extras), overwrite=overwrite), PictureSettings(**settings),
        open_stars(stars), reading=reading, progress=progress, cancelled=cancelled,
    )  # fmt: skip
    return run(planned.job, progress=progress, cancelled=cancelled)

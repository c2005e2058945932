"""Stacks, composite and animation out of the frames that are loaded, without Qt.

::

    loaded frames --> night_frames --> PictureRequest --> make_job --> preview, grade, run --> Answer

What takes ``progress`` and ``cancelled`` is work for a thread: ``progress(words, done, total)``
is called in it, ``cancelled()`` is asked in it.
"""

import shutil
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

from glue_appulse.data.kinds import FRAME, all_of

#: Stacks that come back into the viewer as frames.
STACKS = ("base.fits", "tracked.fits")
#: A preview of a part is at most so much finer than one of the whole: it still takes seconds.
MOST_FINER = 2


@dataclass
class Answer:
    """What came of a piece of work."""

    #: Preview, list of grades, or result.
    value: object
    #: What could not be used, and what was noted, in words.
    lines: list


def preview(
    plan: "PictureRequest", progress: Callable | None = None, cancelled: Callable | None = None
) -> Answer:
    """See how the picture will look; nothing is written."""
    from appulse.sequence import preview as look

    lines, failed = _listener()
    job = make_job(replace(plan, out=plan.out or FOLDER), failed)
    found = look(
        job, longest_px=_preview_px(job), failed=failed, progress=progress, cancelled=cancelled
    )  # fmt: skip
    return Answer(found, [*lines, *found.notes])


def _preview_px(job):
    """Pixels of a frame's longer side in the preview: more where only a part of the frame is to be seen."""
    from appulse.sequence import PREVIEW_PX

    if not job.settings.view_arcmin:
        return PREVIEW_PX
    frame = job.subframes[0].frame
    share = job.settings.view_arcmin * 60.0 / (frame.pixel_scale * max(frame.shape))
    return int(min(PREVIEW_PX / min(share, 1.0), MOST_FINER * PREVIEW_PX))


def grade(plan, folder, progress=None, cancelled=None):
    """Look at all frames in full."""
    from appulse.sequence import Parts, Steps, prepare

    lines, failed = _listener()
    job = make_job(replace(plan, out=plan.out or FOLDER), failed)
    with Steps(None, progress, cancelled)("grading frames", len(job.subframes)) as bar:
        night = prepare(
            job.subframes, job.settings, Parts(folder), star_table=job.star_table, decided=job.decided,
            failed=failed, progress=bar.update, workers=job.workers,
        )  # fmt: skip
    return Answer([subframe.grade for subframe in night.subframes], [*lines, *night.notes])


def run(plan, graded=None, progress=None, cancelled=None):
    """Make the products; interrupted, the same plan goes on from there."""
    from appulse.formats import check_free
    from appulse.sequence import run as do

    lines, failed = _listener()
    job = make_job(plan, failed)
    # Before any part is put there: a folder with parts counts as a run that may be taken up.
    check_free(job.outputs, job.overwrite or job.unfinished)
    if graded is not None and Path(graded).is_dir():
        shutil.copytree(graded, job.parts_folder, dirs_exist_ok=True)
    result = do(job, failed=failed, progress=progress, cancelled=cancelled)
    return Answer(result, [*lines, *result.notes])


def _listener():
    lines = []
    return lines, lambda frame, error: lines.append(str(error))


def load_stacks(written: list[Path], wanted=STACKS) -> list:
    """Stacks of a run as frames."""
    from glue.core.data_factories import load_data

    return [load_data(str(path)) for path in written if path.name in wanted]


FOLDER = "picture"
BY_USER = "left out by the user"


@dataclass
class PictureRequest:
    """What the user wants of a night."""

    #: As :func:`night_frames` gives them.
    frames: list
    #: Number, name or designation.
    body: str
    #: Where its places come from; None: the bundled starter set.
    orbits: str | None = None
    #: Folder for the products.
    out: str = ""
    #: Of :class:`appulse.sequence.picture_job.PictureSettings`: marks, dots, width of the view.
    look: dict = field(default_factory=dict)
    #: Out of tiff, jpeg, mp4, frames.
    extras: frozenset = frozenset()
    #: What the user says of frames, by name; the grades decide about the others.
    keep: dict = field(default_factory=dict)
    #: Files by what they are for: bias, dark, flat (masters), colour (one colour frame, or three).
    files: dict = field(default_factory=dict)
    #: Products that are not wanted: out of tracked.fits, animation.gif.
    left_out: frozenset = frozenset()
    overwrite: bool = False


def is_product(data) -> bool:
    """Whether a frame is a stack that a run of ours has written."""
    from glue_appulse.data.solved_frames import frame_of

    header = frame_of(data).header
    return "NCOMBINE" in header and "REFFRAME" in header


def night_frames(data_collection) -> tuple[list, list[str]]:
    """Frames that can go into a stack, in the order of their times."""
    from glue_appulse.data.solved_frames import frame_of
    from glue_appulse.data.track_data import usable

    good, lines = usable([data for data in all_of(data_collection, FRAME) if not is_product(data)])
    filed = {}
    for data in good:
        frame = frame_of(data)
        if frame.path is None or not Path(frame.path).is_file():
            lines.append(f"{data.label} has no file at hand; open it from a file, for the recipe names files")
        elif frame.name in filed:
            lines.append(f"two frames are called {frame.name}: the first is taken; rename the other")
        else:
            filed[frame.name] = data
    return sorted(filed.values(), key=lambda data: frame_of(data).exposure.mid.mjd), lines


def suggested_folder(frames: list) -> str:
    """Folder beside the frames, where the products go unless the user says another."""
    from glue_appulse.data.solved_frames import frame_of

    return str(Path(frame_of(frames[0]).path).parent / FOLDER) if frames else ""


def folder_state(out: str | Path) -> str:
    """What a folder holds of an earlier run."""
    from appulse.sequence import PictureJob, PictureSettings

    job = PictureJob("", [], PictureSettings(), Path(out))
    try:
        if job.unfinished:
            return "unfinished"
        return "finished" if any(path.exists() for path in job.outputs) else "free"
    except (OSError, ValueError):  # no folder can be called so, which the run says
        return "free"


def make_job(plan: PictureRequest, failed: Callable | None = None):
    """The run that a plan asks for."""
    from appulse.errors import InputError
    from appulse.frames import Masters
    from appulse.sequence import PictureSettings, job_for
    from appulse.workflows import colour_frames
    from glue_appulse import inputs
    from glue_appulse.data.solved_frames import frame_of

    if not plan.frames:
        raise InputError("no frame with time, site and file is loaded; open some with File > Open Data Set")
    if not plan.body.strip():
        raise InputError("no body is chosen; write its number or name, or add its track")
    if not plan.out.strip():
        raise InputError("no folder is chosen for the products; write one, or choose it")
    source, stars = inputs.open_orbits(plan.orbits), inputs.open_stars(inputs.chosen().stars)
    files = {role: [Path(path) for path in paths] for role, paths in plan.files.items() if paths}
    masters = Masters.read(**{role: paths[0] for role, paths in files.items() if role != "colour"})
    body = source.find(plan.body)
    job = job_for(
        [_own(frame_of(data)) for data in plan.frames], body, source.ephemeris, Path(plan.out).expanduser(),
        PictureSettings(**plan.look),
        failed=failed, extras=frozenset(plan.extras), overwrite=plan.overwrite,
        star_table=stars.around,
        decided={name: (keep, "" if keep else BY_USER) for name, keep in plan.keep.items()},
        orbits=source.of(body).describe(),
        masters=masters, colour=colour_frames(files.get("colour", ())), left_out=plan.left_out,
        files=files if stars.path is None else files | {"stars": [stars.path]},
    )  # fmt: skip
    job.body = source.label_of(body)
    return job


def _own(frame):
    """The frame with pixels of its own: a run lets them go while the viewer may be showing them."""
    return replace(frame, checksum_source=lambda: frame.checksum)

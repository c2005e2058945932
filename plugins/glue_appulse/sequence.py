"""Plugin: stacks, composite and animation out of the frames that are loaded.

Without Qt. What takes ``progress`` and ``cancelled`` is work for a thread: ``progress(words, done, total)``
is called in it, ``cancelled()`` is asked in it.
"""

import shutil
from dataclasses import dataclass, replace
from pathlib import Path

from glue_appulse.registry import desktop_running, once
from glue_appulse.sequence_plan import FOLDER, make_job

#: Stacks that come back into the viewer as frames.
STACKS = ("base.fits", "tracked.fits")
#: A preview of a part is at most so much finer than one of the whole: it still takes seconds.
MOST_FINER = 2


@dataclass
class Answer:
    """What came of a piece of work.

    Parameters
    ----------
    value : object
        Preview, list of grades, or result.
    lines : list of str
        What could not be used, and what was noted, in words.
    """

    value: object
    lines: list


def preview(plan, progress=None, cancelled=None):
    """See how the picture will look; nothing is written.

    Parameters
    ----------
    plan : Plan
    progress, cancelled : callable or None

    Returns
    -------
    Answer
        Of an :class:`appulse.sequence.job.Preview`.

    Raises
    ------
    appulse.errors.AppulseError
        Nothing can be made of the frames, or it was stopped.
    """
    from appulse.sequence.run import preview as look

    lines, failed = _listener()
    job = make_job(replace(plan, out=plan.out or FOLDER), failed)
    found = look(
        job, longest_px=_preview_px(job), failed=failed, progress=progress, cancelled=cancelled
    )  # fmt: skip
    return Answer(found, lines + found.notes)


def _preview_px(job):
    """Pixels of a frame's longer side in the preview: more where only a part of the frame is to be seen."""
    from appulse.sequence.run import PREVIEW_PX

    if not job.settings.view_arcmin:
        return PREVIEW_PX
    frame = job.shots[0].frame
    share = job.settings.view_arcmin * 60.0 / (frame.pixel_scale * max(frame.shape))
    return int(min(PREVIEW_PX / min(share, 1.0), MOST_FINER * PREVIEW_PX))


def grade(plan, folder, progress=None, cancelled=None):
    """Look at all frames in full.

    Parameters
    ----------
    plan : Plan
    folder : str or pathlib.Path
        Where the star lists wait for the run, which takes them over.
    progress, cancelled : callable or None

    Returns
    -------
    Answer
        Of a list of grades, dicts with the keys of :data:`appulse.sequence.grade.COLUMNS`.

    Raises
    ------
    appulse.errors.AppulseError
        Nothing can be made of the frames, or it was stopped.
    """
    from appulse.sequence.night import prepare
    from appulse.sequence.parts import Parts
    from appulse.sequence.steps import Steps

    lines, failed = _listener()
    job = make_job(replace(plan, out=plan.out or FOLDER), failed)
    with Steps(None, progress, cancelled)("grading frames", len(job.shots)) as bar:
        night = prepare(
            job.shots, job.settings, Parts(folder), star_table=job.star_table, decided=job.decided,
            failed=failed, progress=bar.update, workers=job.workers,
        )  # fmt: skip
    return Answer([shot.grade for shot in night.shots], lines + night.notes)


def run(plan, graded=None, progress=None, cancelled=None):
    """Make the products; broken off, the same plan goes on from there.

    Parameters
    ----------
    plan : Plan
    graded : str, pathlib.Path or None
        Folder of :func:`grade`; what is in it need not be measured again.
    progress, cancelled : callable or None

    Returns
    -------
    Answer
        Of an :class:`appulse.sequence.job.Result`.

    Raises
    ------
    appulse.errors.AppulseError
        Nothing can be made of the frames, a product lies there already, or it was stopped.
    """
    from appulse.formats.output import check_free
    from appulse.sequence.run import run as do

    lines, failed = _listener()
    job = make_job(plan, failed)
    # Before any part is put there: a folder with parts counts as a run that may be taken up.
    check_free(job.outputs, job.overwrite or job.unfinished)
    if graded is not None and Path(graded).is_dir():
        shutil.copytree(graded, job.parts_folder, dirs_exist_ok=True)
    result = do(job, failed=failed, progress=progress, cancelled=cancelled)
    return Answer(result, lines + list(result.notes))


def _listener():
    lines = []
    return lines, lambda frame, error: lines.append(str(error))


def load_stacks(written, wanted=STACKS):
    """Stacks of a run as frames.

    Parameters
    ----------
    written : list of pathlib.Path
    wanted : sequence of str
        File names.

    Returns
    -------
    list of glue.core.data.Data
    """
    from glue.core.data_factories import load_data

    return [load_data(str(path)) for path in written if path.name in wanted]


@once("sequence, desktop")
def _register_desktop():
    from glue_appulse.qt import sequence

    sequence.register()


def setup():
    """Entry point of glue."""
    if desktop_running():
        _register_desktop()

"""What the user wants of a night: frames that can be stacked, body, folder; and the run this asks for."""

from dataclasses import dataclass, field, replace
from pathlib import Path

from glue_appulse.kinds import FRAME, all_of

FOLDER = "picture"
BY_USER = "left out by the user"


@dataclass
class Plan:
    """What the user wants of a night.

    Parameters
    ----------
    frames : list of glue.core.data.Data
        As :func:`night_frames` gives them.
    body : str
        Number, name or designation.
    orbits : str or None
        Where its places come from; None: the bundled starter set.
    out : str
        Folder for the products.
    look : dict
        Of :class:`appulse.sequence.settings.Settings`: marks, dots, width of the picture and the like.
    extras : frozenset
        Out of tiff, jpeg, mp4, frames.
    keep : dict of str to bool
        What the user says of frames, by name; the grades decide about the others.
    overwrite : bool
    """

    frames: list
    body: str
    orbits: str | None = None
    out: str = ""
    look: dict = field(default_factory=dict)
    extras: frozenset = frozenset()
    keep: dict = field(default_factory=dict)
    overwrite: bool = False


def is_product(data):
    """Whether a frame is a stack that a run of ours has written.

    Parameters
    ----------
    data : glue.core.data.Data
        Of kind 'frame'.

    Returns
    -------
    bool
    """
    from glue_appulse.frames import frame_of

    header = frame_of(data).header
    return "NCOMBINE" in header and "REFFRAME" in header


def night_frames(data_collection):
    """Frames that can go into a stack, in the order of their times.

    Parameters
    ----------
    data_collection : iterable of glue.core.data.BaseData

    Returns
    -------
    good : list of glue.core.data.Data
        With time, site and file; stacks themselves are not among them.
    lines : list of str
        One about every other frame, with the remedy.
    """
    from glue_appulse.body_tracks import usable
    from glue_appulse.frames import frame_of

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


def suggested_folder(frames):
    """Folder beside the frames, where the products go unless the user says another.

    Parameters
    ----------
    frames : list of glue.core.data.Data

    Returns
    -------
    str
        Empty without frames.
    """
    from glue_appulse.frames import frame_of

    return str(Path(frame_of(frames[0]).path).parent / FOLDER) if frames else ""


def folder_state(out):
    """What a folder holds of an earlier run.

    Parameters
    ----------
    out : str or pathlib.Path

    Returns
    -------
    str
        'unfinished': a run was broken off here and can go on; 'finished': products lie there; 'free'.

    Examples
    --------
    >>> folder_state("no-such-folder")
    'free'
    """
    from appulse.sequence.job import Job
    from appulse.sequence.settings import Settings

    job = Job("", [], Settings(), Path(out))
    if job.unfinished:
        return "unfinished"
    return "finished" if any(path.exists() for path in job.outputs) else "free"


def make_job(plan, failed=None):
    """The run that a plan asks for.

    Parameters
    ----------
    plan : Plan
    failed : callable or None
        Called with a frame that has no place, and its error.

    Returns
    -------
    appulse.sequence.job.Job

    Raises
    ------
    appulse.errors.InputError
        No frame, no body, no folder, or orbits that cannot be used.
    """
    from appulse.errors import InputError
    from appulse.sequence.job import job_for
    from appulse.sequence.settings import Settings

    from glue_appulse import choices, sources
    from glue_appulse.frames import frame_of

    if not plan.frames:
        raise InputError("no frame with time, site and file is loaded; open some with File > Open Data Set")
    if not plan.body.strip():
        raise InputError("no body is chosen; write its number or name, or add its track")
    if not plan.out.strip():
        raise InputError("no folder is chosen for the products; write one, or choose it")
    source, stars = sources.open_orbits(plan.orbits), choices.current().stars
    body = source.find(plan.body)
    job = job_for(
        [_own(frame_of(data)) for data in plan.frames], body, source.ephemeris, Path(plan.out).expanduser(),
        Settings(**plan.look),
        failed=failed, extras=frozenset(plan.extras), overwrite=plan.overwrite,
        star_table=lambda frame: sources.stars_for(frame, stars),
        decided={name: (keep, "" if keep else BY_USER) for name, keep in plan.keep.items()},
        orbits={"file": source.label, "engine": str(getattr(source.ephemeris, "engine", "N-body"))},
        files={"stars": [Path(stars)]} if stars else {},
    )  # fmt: skip
    job.body = source.name_of(body)
    return job


def _own(frame):
    """The frame with pixels of its own: a run lets them go while the viewer may be showing them."""
    return replace(frame, checksum_source=lambda: frame.checksum)

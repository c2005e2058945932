"""What ``appulse sequence`` is to do: from its options, or from a recipe."""

from pathlib import Path

from appulse.cli import common
from appulse.errors import InputError

PICTURES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".gif", ".bmp", ".webp")


def job_from_options(args, settings, extras, failed):
    """A job from the command line's options.

    Parameters
    ----------
    args : argparse.Namespace
    settings : Settings
    extras : frozenset
    failed : callable
        Called with the path of a frame that cannot be used and its error.

    Returns
    -------
    appulse.sequence.run.Job

    Raises
    ------
    InputError
        If orbits, body, masters or all frames cannot be used.
    """
    from appulse.catalogues.stars import read_star_table
    from appulse.cli.pipeline import Places, Plan
    from appulse.formats.output import check_free
    from appulse.formats.tables import read_table
    from appulse.frames.reading import read_frame
    from appulse.sequence.body_places import place_in
    from appulse.sequence.calibrate import Masters
    from appulse.sequence.grade import kept_frames
    from appulse.sequence.picture_job import Job
    from appulse.sequence.subframe import shot_of

    paths = common.expand_frames(args.frames)
    job = Job(
        body=args.body, shots=[], settings=settings, out=args.out, extras=extras, jpeg_px=args.jpeg_size,
        overwrite=args.overwrite, keep_parts=args.keep_parts,
    )  # fmt: skip
    if not args.preview:
        check_free(job.outputs, job.overwrite or job.unfinished)
    places = Places(
        Plan(frames=paths, body=args.body, out=args.out, orbits=args.orbits, positions=args.positions)
    )
    if places.names is None or len(places.names) != 1:
        raise InputError(f"--body {args.body!r}: one body is followed; name one")
    job.orbits = places.describe()
    job.star_table = bundled if args.stars is None else read_star_table(args.stars)
    job.masters = Masters.read(args.bias, args.dark, args.flat)
    frames = []
    for path in paths:
        try:
            _check_kind(path)
            frame = read_frame(path, **common.frame_options(args))
            frames.append((frame, place_in(frame, places.engine, places.names[0])))
        except common.FRAME_ERRORS as error:
            failed(path, error)
    if not frames:
        raise InputError("no frame can be used: see the lines above")
    job.shots = [shot_of(frame, place, job.masters, settings) for frame, place in frames]
    if args.grades is not None:
        job.decided = kept_frames(read_table(args.grades), [frame.name for frame, _ in frames])
    job.colour = colour_frames(args.colour)
    job.reading = {k: v for k, v in common.frame_options(args).items() if k != "site"}
    job.files = {
        role: [Path(one) for one in given]
        for role, given in (
            ("stars", [args.stars]), ("bias", [args.bias]), ("dark", [args.dark]), ("flat", [args.flat]),
            ("colour", args.colour or []),
        )
        if any(one is not None for one in given)
    }  # fmt: skip
    return job


def _check_kind(path):
    if path.suffix.lower() in PICTURES:
        raise InputError(
            f"{path.name}: a finished picture, without WCS and time; a sequence is made of solved FITS frames"
        )


def bundled(frame):
    """The bundled bright stars around a frame."""
    from appulse.catalogues.stars import bundled_stars

    return bundled_stars(*frame.centre, frame.radius_deg + 0.02)


def colour_frames(paths) -> list:
    """The colour base's frames: one of three planes, or three of one.

    Raises
    ------
    InputError
        If they are neither.
    """
    from appulse.frames.reading import read_frame

    if not paths:
        return []
    frames = [read_frame(path, require=("wcs",)) for path in paths]
    planes = sum(3 if frame.is_colour else 1 for frame in frames)
    if planes != 3:
        raise InputError(
            f"--colour: {planes} planes in {len(frames)} files; one colour frame, or three for red, green "
            "and blue, are needed"
        )
    return frames


def job_from_recipe(args, extras):
    """A job that repeats a recipe, and the recipe.

    Raises
    ------
    InputError
        If a file of the recipe is missing or has changed.
    """
    from appulse.catalogues.stars import read_star_table
    from appulse.frames.reading import read_frame
    from appulse.sequence.body_places import BodyPlace
    from appulse.sequence.calibrate import Masters
    from appulse.sequence.picture_job import Job, Recipe, checked_file
    from appulse.sequence.subframe import shot_of

    recipe = Recipe.read(args.recipe)
    folder = args.recipe.parent

    def file_of(entry):
        return checked_file(entry["file"], entry["sha256"], folder)

    masters = {role: file_of(entry) for role, entry in (recipe.masters or {}).items()}
    stars = None if recipe.stars is None else file_of(recipe.stars)
    colour = [file_of(entry) for entry in recipe.colour or []]
    job = Job(
        body=recipe.body, shots=[], settings=recipe.settings, out=args.out, orbits=recipe.orbits,
        extras=extras | frozenset(recipe.also or ()), jpeg_px=args.jpeg_size or recipe.jpeg_px,
        overwrite=args.overwrite, keep_parts=args.keep_parts, masters=Masters.read(**masters),
        star_table=bundled if stars is None else read_star_table(stars), colour=colour_frames(colour),
        decided={}, pinned={},
    )  # fmt: skip
    reading = dict(recipe.reading or {})
    if "wcs_from" in reading:
        reading["wcs_from"] = file_of(reading["wcs_from"])
    job.reading = reading | {k: v for k, v in common.frame_options(args).items() if k != "site"}
    for name, entry in recipe.frames.items():
        path = checked_file(name, entry.get("sha256"), folder)
        # The places stand in the recipe: who looked from where is not needed, and not kept there.
        frame = read_frame(path, **(reading | common.frame_options(args)), require=("wcs", "time"))
        job.shots.append(shot_of(frame, BodyPlace.from_plain(entry["place"]), job.masters, recipe.settings))
        job.decided[frame.name] = (bool(entry.get("keep", True)), str(entry.get("reason", "")))
        if "lies" in entry:
            job.pinned[frame.name] = entry["lies"]
    job.files = {role: [path] for role, path in masters.items()}
    job.files |= ({"stars": [stars]} if stars else {}) | ({"colour": colour} if colour else {})
    return job, recipe

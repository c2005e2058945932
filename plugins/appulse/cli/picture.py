"""``appulse picture``: stacks, composite and animation of a night."""

import argparse
from dataclasses import replace
from pathlib import Path

from appulse.cli import common
from appulse.errors import InputError

_EXAMPLES = """\
examples:
  one night, everything by itself
    appulse picture night/*.fits --body 7 --out night/picture
  how will it look? a few seconds
    appulse picture night/*.fits --body 7 --preview --out night/preview
  luminance of this night over colours of another, north up, a window of 25 arcmin, a JPEG for the web
    appulse picture night/*.fits --body 7 --colour red.fits green.fits blue.fits --north-up --view 25 \\
        --also jpeg --jpeg-size 2000 --out night/picture
  leave frames out by your own judgement: edit 'keep' in grades.ecsv, then
    appulse picture night/*.fits --body 7 --grades night/picture/grades.ecsv --out night/second
  the same pixels again
    appulse picture --recipe night/picture/recipe.yaml --out night/again

Interrupted (Ctrl-C)? The same command goes on where it stopped. The folder holds base.fits (the still sky),
tracked.fits (the body at rest), composite.png, animation.gif, dots.ecsv (frame and time of every dot),
grades.ecsv and recipe.yaml. Of a comet there are more: comet.fits (without stars), stars.fits (without the
comet), joined.png (both sharp, as at one moment), and views of the coma, marked as processed.
"""

OUT_HELP = "folder for the stacks and pictures"


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser(
        "picture",
        description="Stacks, composite and animation of a body's pass, out of the frames of one night.",
        epilog=_EXAMPLES,
    )
    parser.add_argument("frames", nargs="*", metavar="FRAME", help="FITS files (.fits, .fits.gz, .fits.fz)")
    parser.add_argument("--recipe", type=Path, metavar="FILE", help="repeat a run to the same pixels")
    common.add_orbit_options(parser)
    places = parser.add_argument_group("places and stars")
    places.add_argument("--positions", type=Path, metavar="TABLE", help="places instead of orbits")
    places.add_argument(
        "--stars", type=Path, metavar="TABLE", help="reference stars that tie the grid to the sky"
    )
    _add_calibration(parser)
    _add_picture(parser)
    _add_animation(parser)
    common.add_frame_options(parser)
    common.add_output_options(parser, out_help=OUT_HELP, default="appulse-picture")
    parser.add_argument("--preview", action="store_true", help="preview.png at low resolution, in seconds")
    parser.add_argument("--keep-parts", action="store_true", help="keep the aligned frames in OUT/parts")
    parser.add_argument(
        "--jobs", type=int, metavar="N", help="frames at once (up to 4, by processors); 0: one per processor"
    )
    common.add_progress_option(parser)


def _add_calibration(parser):
    group = parser.add_argument_group("calibration and stacks")
    for role in ("bias", "dark", "flat"):
        group.add_argument(f"--{role}", type=Path, metavar="FILE", help=f"master {role}, FITS")
    group.add_argument("--keep-hot", action="store_true", help="leave hot pixels as they are")
    group.add_argument(
        "--grades", type=Path, metavar="TABLE", help="edited grades.ecsv: which frames to keep"
    )
    group.add_argument("--all-frames", action="store_true", help="leave no frame out by its grade")
    group.add_argument("--reference", metavar="FRAME", help="name of the frame that sets grid and brightness")
    group.add_argument(
        "--extent", choices=("common", "all"), help="sky that all frames share (common), or any"
    )
    group.add_argument(
        "--resample", choices=("surface", "flux"), help="what is kept: surface brightness or sums"
    )
    group.add_argument("--scale", type=float, metavar="ARCSEC", help="pixel scale of the output")
    group.add_argument("--north-up", action="store_true", help="turn the grid so that north is up")
    group.add_argument("--weights", choices=("noise", "equal"), help="weights of the frames (noise)")
    group.add_argument("--clip-low", type=float, metavar="SIGMA", help="rejection below the median (4)")
    group.add_argument("--clip-high", type=float, metavar="SIGMA", help="rejection above the median (3)")


def _add_picture(parser):
    group = parser.add_argument_group("picture")
    group.add_argument(
        "--colour", nargs="+", type=Path, metavar="FILE", help="colour base: one RGB, or R G B"
    )
    group.add_argument("--dots", choices=("all", "line", "none"), help="the body of every frame (all)")
    group.add_argument("--cadence", metavar="STEP", help="least time between dots, e.g. 30m")
    group.add_argument("--brightness", type=float, metavar="X", help="2 lifts faint light twice as much")
    group.add_argument(
        "--colour-strength", type=float, metavar="X", help="0 grey, 1 as it is, 2 twice as strong"
    )
    group.add_argument(
        "--view", type=float, metavar="ARCMIN", help="width of the picture around the body's path"
    )
    group.add_argument(
        "--comet", choices=("auto", "yes", "no"),
        help="comet and stars apart and joined, with views of the coma (auto: of comets)",
    )  # fmt: skip
    group.add_argument(
        "--moment", metavar="WHEN",
        help="when the joined picture shows the comet: a frame's name or a UTC time (the reference frame's)",
    )  # fmt: skip
    group.add_argument(
        "--marks", default="", metavar="WHAT,...", help="ring, times, scale, compass, outlines"
    )
    group.add_argument("--also", default="", metavar="WHAT,...", help="tiff, jpeg, mp4, frames (PNG), or all")
    group.add_argument("--jpeg-size", type=int, metavar="PX", help="longer side of the JPEG")


def _add_animation(parser):
    group = parser.add_argument_group("animation")
    group.add_argument("--fixed", choices=("stars", "body"), help="what stands still (stars)")
    group.add_argument("--play", choices=("loop", "bounce"), help="once round, or there and back (loop)")
    group.add_argument(
        "--show", choices=("clean", "frames"), help="base with the body, or the frames (clean)"
    )
    group.add_argument("--no-trail", action="store_true", help="earlier dots disappear again")
    group.add_argument("--no-stamp", action="store_true", help="no time in the corner")
    group.add_argument("--fps", type=float, metavar="N", help="pictures a second (2)")
    group.add_argument(
        "--step", metavar="STEP", help="time between pictures; the frames' spacing when left out"
    )
    group.add_argument("--gif-size", type=int, metavar="PX", help="longer side of the animation (900)")


def settings_of(args):
    """PictureSettings from the options; what is not given keeps its default."""
    from appulse.sequence import PictureSettings, check_marks

    given = {
        "extent": args.extent, "keep": args.resample, "weights": args.weights, "scale_arcsec": args.scale,
        "reference": args.reference, "clip_low": args.clip_low, "clip_high": args.clip_high,
        "dots": args.dots,
        "cadence_h": None if args.cadence is None else common.parse_step_s(args.cadence) / 3600.0,
        "brightness": args.brightness, "saturation": args.colour_strength, "view_arcmin": args.view,
        "marks": check_marks(_words(args.marks)) or None, "animation": args.fixed,
        "animation_path": args.play, "comet": args.comet, "moment": args.moment,
        "animation_of": args.show, "fps": args.fps, "longest_px": args.gif_size,
        "step_h": None if args.step is None else common.parse_step_s(args.step) / 3600.0,
    }  # fmt: skip
    flags = {
        "north_up": args.north_up, "mend_hot": not args.keep_hot, "reject_clouds": not args.all_frames,
        "growing": not args.no_trail, "stamp": not args.no_stamp,
    }  # fmt: skip
    return PictureSettings(**{name: value for name, value in given.items() if value is not None}, **flags)


def _words(text):
    return [word.strip() for word in text.split(",") if word.strip()]


def _extras(text):
    from appulse.sequence import EXTRAS

    words = set(_words(text))
    if "all" in words:
        return frozenset(EXTRAS)
    if unknown := sorted(words - set(EXTRAS)):
        raise InputError(f"--also {unknown[0]!r} is not known: use {', '.join(EXTRAS)} or all")
    return frozenset(words)


def run(args: argparse.Namespace) -> int:
    """Make the pictures; one line on stderr for each frame that cannot be used."""
    from appulse.sequence import PREVIEW_FRAMES, PREVIEW_PX, preview_job
    from appulse.sequence import run as do

    failures: list[Path] = []

    def failed(frame_or_path, error):
        path = Path(getattr(frame_or_path, "path", None) or frame_or_path)
        common.frame_failed(path, error)
        failures.append(path)

    with common.progress_of(args) as progress:
        progress("reading orbits", 0, 0)
        planned = _planned(args, failed, progress)
        planned = _with_jobs(planned, args)
        job = preview_job(planned.job, PREVIEW_PX, PREVIEW_FRAMES) if args.preview else planned.job
        try:
            result = do(job, failed=failed, progress=progress)
        except KeyboardInterrupt:
            if job.unfinished:
                common.note("stopped; the same command goes on from there")
            raise
    for words in dict.fromkeys(result.notes):
        common.note(words)
    _report(result, len(failures))
    if planned.recipe is not None and not args.preview:
        for words in planned.recipe.compared(result.hashes):
            print(words)
    return 1 if failures else 0


def _with_jobs(planned, args):
    from appulse.workflows import Workers, processors

    if args.jobs is None:
        return planned
    jobs = Workers(args.jobs).jobs or processors()
    return replace(planned, job=replace(planned.job, workers=jobs))


def _planned(args, failed, progress):
    """The run that the options or the recipe ask for."""
    from appulse.workflows import PictureFiles, PictureOutputs, open_stars, plan_pictures, repeat_recipe

    outputs = PictureOutputs(
        args.out, _extras(args.also), args.jpeg_size, args.overwrite, args.keep_parts, args.preview
    )
    reading = common.frame_options(args)
    if args.recipe is not None:
        if args.frames:
            raise InputError("--recipe names the frames itself: leave the frames out")
        return repeat_recipe(args.recipe, outputs, reading=reading)
    if not args.frames or args.body is None:
        raise InputError("frames and --body NAME are needed, or --recipe FILE")
    files = PictureFiles(args.bias, args.dark, args.flat, tuple(args.colour or ()), args.grades)
    return plan_pictures(
        common.expand_frames(args.frames),
        common.open_source(args),
        outputs,
        settings_of(args),
        open_stars(args.stars),
        files,
        reading=reading,
        each=lambda result: failed(result.path, result.error),
        progress=progress,
    )


def _report(result, n_failed) -> None:
    """What was kept, how well it lies, which dots were laid, where the files are."""
    night = result.night
    kept = night.kept
    for subframe in night.subframes:
        if not subframe.keep:
            common.note(f"{subframe.frame.name}: left out, {subframe.grade['reason']}")
    rms = [subframe.alignment.rms_px for subframe in kept if subframe.alignment.rms_px]
    if rms:
        total = len(night.subframes) + n_failed
        print(f"{len(kept)} of {total} frames; alignment RMS {max(rms):.3f} px at worst")
    if result.reused:
        print(f"{result.reused} parts of an interrupted run reused")
    for dot in result.dots:
        if not dot.used:
            common.note(f"{dot.frame}: no dot, {dot.reason}")
    for path in result.written:
        if path.parent.name != "animation":
            print(path)

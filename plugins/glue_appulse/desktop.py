"""The viewer as a program: glue with frames, tracks and outlines in place. Started by ``appulse view``."""

import argparse
import sys

from glue_appulse.health import qt_problem

EXIT_DONE, EXIT_INPUT = 0, 2


def parser():
    """Options of the program."""
    made = argparse.ArgumentParser(prog="appulse view", allow_abbrev=False)
    made.add_argument("frames", nargs="*")
    for name in ("orbits", "positions", "body", "stars", "site", "hdu", "wcs-from", "time", "time-is"):
        made.add_argument(f"--{name}")
    made.add_argument("--exposure", type=float)
    made.add_argument("--clock-sigma", type=float)
    made.add_argument("--no-outlines", action="store_true")
    return made


def frame_options(args) -> dict:
    """What the user says about frames whose headers do not."""
    from appulse.formats import site_of

    hdu = int(args.hdu) if args.hdu is not None and args.hdu.isdigit() else args.hdu
    given = {
        "hdu": hdu,
        "wcs_from": args.wcs_from,
        "site": None if args.site is None else site_of(args.site),
        "time": args.time,
        "time_is": args.time_is,
        "exposure_s": args.exposure,
        "clock_sigma_s": args.clock_sigma,
    }
    return {name: value for name, value in given.items() if value is not None}


def load_frames(application, paths: list[str], options: dict) -> list:
    """Open frames through glue's own door."""
    from glue.core.data_factories import load_data
    from glue.utils import as_list

    from appulse.errors import FrameError
    from appulse.frames import read_frame
    from glue_appulse.data.kinds import FRAME, kind_of
    from glue_appulse.data.solved_frames import frame_of, replace_frame

    loaded = []
    for path in paths:
        try:
            loaded += as_list(load_data(str(path)))
        except (KeyError, OSError, ValueError) as exc:
            # glue would open a box that waits for a click
            raise FrameError(
                f"{path} cannot be opened: {exc}; FITS frames and what glue reads are allowed"
            ) from exc
    application.add_datasets(loaded)
    frames = [data for data in loaded if kind_of(data) == FRAME]
    for data in frames:
        if options:
            replace_frame(data, read_frame(data.meta["path"], require=("wcs",), **options))
    early = lambda data: getattr(frame_of(data).exposure, "mid", None)  # noqa: E731
    return sorted(frames, key=lambda data: early(data).mjd if early(data) is not None else 0.0)


def build(args):
    """The application with everything in place."""
    from glue_qt.app import GlueApplication

    from appulse.errors import FrameError
    from glue_appulse import inputs
    from glue_appulse.data.outline_data import objects_of, outlines_data
    from glue_appulse.data.track_data import bodies_wanted, make_tracks
    from glue_appulse.health import check_desktop
    from glue_appulse.host import say
    from glue_appulse.qt.desk import add_overlay, add_tracks, show_frames

    application = GlueApplication()
    check_desktop()
    choose = inputs.chosen()
    choose.orbits, choose.stars = args.positions or args.orbits or choose.orbits, args.stars or choose.stars
    frames = load_frames(application, args.frames, frame_options(args)) if args.frames else []
    if not frames and args.frames:
        application.close()
        named = ", ".join(args.frames)
        raise FrameError(f"{named}: no solved frame among them; FITS images with a celestial WCS are wanted")
    if not frames:
        return application
    viewer = show_frames(application.session, frames)
    if not args.no_outlines:
        objects = objects_of(frames)
        if objects:
            add_overlay(application.session, outlines_data(objects), frames)
    if args.body:
        source = inputs.open_orbits(choose.orbits)
        tracks, lines = make_tracks(source, frames, bodies_wanted(args.body, source, frames))
        add_tracks(application.session, tracks)
        for line in lines:
            say(line)
    viewer.parent().showMaximized()
    return application


def main(argv: list[str] | None = None) -> int:
    """Run the viewer until it is closed."""
    args = parser().parse_args(argv)
    problem = qt_problem()
    if problem:
        sys.stderr.write(f"appulse: {problem}\n")
        return EXIT_INPUT
    from appulse.errors import AppulseError

    try:
        application = build(args)
    except (AppulseError, OSError) as exc:
        sys.stderr.write(f"appulse: {exc}\n")
        return EXIT_INPUT
    return application.start(maximized=True) or EXIT_DONE


if __name__ == "__main__":
    sys.exit(main())

"""The viewer as a program: glue with frames, tracks and outlines in place. Started by ``appulse view``."""

import argparse
import sys

from glue_appulse.health import qt_problem

EXIT_DONE, EXIT_INPUT = 0, 2


def parser():
    """Options of the program."""
    made = argparse.ArgumentParser(prog="appulse view", allow_abbrev=False)
    made.add_argument("frames", nargs="*")
    names = ("orbits", "positions", "body", "stars", "site", "hdu", "wcs-from", "time", "time-is", "mosaic")
    for name in names:
        made.add_argument(f"--{name}")
    made.add_argument("--kernels", action="append", default=[])
    made.add_argument("--exposure", type=float)
    made.add_argument("--clock-sigma", type=float)
    made.add_argument("--time-shift-s", type=float)
    made.add_argument("--no-outlines", action="store_true")
    return made


def frame_options(args) -> dict:
    """What the user says about frames whose headers do not."""
    from appulse.files import whole_number
    from appulse.formats import site_of

    number = whole_number(args.hdu)
    given = {
        "hdu": args.hdu if number is None else number,
        "wcs_from": args.wcs_from,
        "site": None if args.site is None else site_of(args.site),
        "time": args.time,
        "time_is": args.time_is,
        "exposure_s": args.exposure,
        "clock_sigma_s": args.clock_sigma,
        "time_shift_s": args.time_shift_s,
        "mosaic": args.mosaic,
    }
    return {name: value for name, value in given.items() if value is not None}


def load_frames(application, paths: list[str], options: dict) -> list:
    """Open frames through glue's own door; one that cannot be opened is named and left out."""
    from glue.core.data_factories import load_data
    from glue.utils import as_list

    from appulse.errors import FrameError
    from appulse.frames import read_frame
    from glue_appulse.data.kinds import FRAME, kind_of
    from glue_appulse.data.solved_frames import frame_of, left_out, replace_frame
    from glue_appulse.host import warn

    loaded = []
    with left_out() as broken:
        for path in paths:
            try:
                opened = as_list(load_data(str(path)))
                for data in opened:
                    if options and kind_of(data) == FRAME:
                        replace_frame(data, read_frame(data.meta["path"], require=("wcs",), **options))
            except (KeyError, OSError, ValueError) as exc:
                # glue would open a box that waits for a click
                broken.append(f"{path} cannot be opened: {exc}; FITS frames and what glue reads are allowed")
            else:
                loaded += opened
    if broken and not loaded:
        raise FrameError("; ".join(broken))
    for line in broken:
        warn(f"left out: {line}")
    application.add_datasets(loaded)
    frames = [data for data in loaded if kind_of(data) == FRAME]
    early = lambda data: getattr(frame_of(data).exposure, "mid", None)  # noqa: E731
    return sorted(frames, key=lambda data: early(data).mjd if early(data) is not None else 0.0)


def open_window(args):
    """The application with frames and outlines in place, and the work that brings the tracks, or None."""
    from glue_qt.app import GlueApplication

    from appulse.errors import FrameError
    from glue_appulse import inputs
    from glue_appulse.data.outline_data import objects_of, outlines_data
    from glue_appulse.health import check_desktop
    from glue_appulse.qt.desk import add_overlay, show_frames

    if args.kernels:
        from appulse.bodies import choose_kernels

        choose_kernels(args.kernels)
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
        return application, None
    viewer = show_frames(application.session, frames)
    if not args.no_outlines:
        objects = objects_of(frames)
        if objects:
            add_overlay(application.session, outlines_data(objects), frames)
    job = begin_tracks(application, args.body, choose.orbits, frames) if args.body else None
    viewer.parent().showMaximized()
    return application, job


def begin_tracks(application, body: str, orbits: str | None, frames: list):
    """Compute tracks while the window can be used already; a bar at its foot shows how far it is."""
    from qtpy.QtWidgets import QProgressBar

    from glue_appulse import inputs
    from glue_appulse.data.tail_data import make_tails
    from glue_appulse.data.track_data import bodies_wanted, make_tracks
    from glue_appulse.host import say
    from glue_appulse.qt.desk import add_tracks_in_turn
    from glue_appulse.qt.panels import BackgroundWork, report_failure

    source = inputs.open_orbits(orbits)
    # a name that means nothing ends the program before there is a window; to find all bodies takes longer
    keys = None if body == "all" else bodies_wanted(body, source, frames)
    bar = QProgressBar()
    bar.setRange(0, 0)
    bar.setFormat("tracks: %v of %m")
    application.statusBar().addPermanentWidget(bar)

    def work(job):
        wanted = bodies_wanted(body, source, frames) if keys is None else keys
        tracks, lines = make_tracks(source, frames, wanted, progress=job.step)
        # A table of positions knows no Sun: its comets have tracks alone.
        tails, more = make_tails(source, frames, wanted) if source.catalogue is not None else ([], [])
        return [*tracks, *tails], [*lines, *more]

    def show(result):
        tracks, lines = result
        add_tracks_in_turn(application.session, tracks)
        for line in lines:
            say(line)

    def progressed(done, total):
        bar.setRange(0, total)
        bar.setValue(done)

    job = BackgroundWork(work)
    job.done.connect(show)
    job.failed.connect(report_failure)
    job.progressed.connect(progressed)
    job.ended.connect(lambda: application.statusBar().removeWidget(bar))
    return job.start()


def build(args):
    """The application with everything in place, tracks as well: for scripts."""
    application, job = open_window(args)
    if job is not None:
        from glue_appulse.qt.desk import all_added

        job.wait(600)
        all_added()
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
        application, _job = open_window(args)
    except (AppulseError, OSError) as exc:
        sys.stderr.write(f"appulse: {exc}\n")
        return EXIT_INPUT
    return application.start(maximized=True) or EXIT_DONE


if __name__ == "__main__":
    sys.exit(main())

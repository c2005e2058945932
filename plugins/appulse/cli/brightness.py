"""``appulse brightness``: a comet's total magnitude on frames, and the law of its orbit after it."""

import argparse
from pathlib import Path

from appulse.cli import common

_EXAMPLES = """\
examples:
  total magnitudes of a night, and an orbit table whose law of brightness follows them
    appulse brightness night/*.fits --body 2P --stars gaia.ecsv --out night/brightness
  then predictions and plans use it
    appulse predict --orbits night/brightness/orbit.ecsv --from 2027-02-01 --to 2027-03-01 --step 1d \\
        --site YOUR_CODE
  the light within a circle of your own, to compare with others
    appulse brightness night/f1.fits --body 2P --radius 300

The light within growing circles is summed to the edge at which the coma sinks into the noise; stars are
masked. The zero point is that of the star table, in its band, without a colour term. Frames that clouds or
the frame's edge spoil are flagged and do not change the law. Without measurements a law is trusted to one
magnitude (common practice, no source); outbursts obey none.
"""


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser(
        "brightness", description="Measure a comet's total magnitude by growth curves.", epilog=_EXAMPLES
    )
    parser.add_argument("frames", nargs="+", metavar="FRAME", help="plate-solved FITS frames")
    common.add_orbit_options(parser, body_required=True)
    parser.add_argument("--stars", type=Path, metavar="TABLE", help="reference stars (Gaia column names)")
    parser.add_argument(
        "--radius", type=float, metavar="ARCSEC", help="of the circle; the coma's edge when left out"
    )
    common.add_frame_options(parser)
    common.add_master_options(parser)
    common.add_output_options(
        parser, out_help="folder for brightness.ecsv, growth.ecsv, orbit.ecsv", default="appulse-brightness"
    )
    common.add_workers_options(parser, dask=True)
    common.add_progress_option(parser)


def run(args: argparse.Namespace) -> int:
    """Measure, write, say; 1 if some of several frames could not be used."""
    from appulse.bodies import OrbitCatalogue, orbit_table
    from appulse.formats import check_free, together, write_table
    from appulse.workflows import measure_brightness, open_bodies, open_stars

    names = [args.out / name for name in ("brightness.ecsv", "growth.ecsv", "orbit.ecsv")]
    check_free(names, args.overwrite)
    paths, notes = common.expand_frames(args.frames), common.FrameNotes()
    bodies = common.with_notes(open_bodies(args.body, args.orbits))
    with common.progress_of(args) as progress:
        found = measure_brightness(
            paths, bodies, open_stars(args.stars), radius_arcsec=args.radius, each=notes.hear,
            reading=common.frame_options(args), progress=progress, workers=common.workers_of(args),
        )  # fmt: skip
    for one in found.measured:
        notes.hear(one)
    notes.say()
    for words in found.notes:
        common.note(words)
    if not found.measured:
        return 2
    with together():
        write_table(found.table, names[0], args.overwrite)
        write_table(found.curves, names[1], args.overwrite)
        if found.orbit is not None:
            write_table(orbit_table(OrbitCatalogue.from_orbits([found.orbit])), names[2], args.overwrite)
    _print(found)
    print(*(names if found.orbit is not None else names[:2]), sep="\n")
    if len(paths) > 1:
        common.say(common.closing_count(len(paths), common.failures(found.failed)))
    return 1 if found.failed else 0


def _print(found) -> None:
    for one in found.measured:
        print(one.sentence)
    if found.law is not None:
        print(found.law.sentence)
    else:
        print("the law of its brightness stays as it is")

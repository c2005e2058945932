"""``appulse movers``: what else moves in the frames."""

import argparse
from pathlib import Path

from appulse.cli import common

_EXAMPLES = """\
examples:
  whatever moves across a night's frames; known bodies out of the bundled orbits are named
    appulse movers night/*.fits --out movers.ecsv
  known bodies out of a large orbit file, your own stars, the single sightings too
    appulse movers night/*.fits --orbits MPCORB.DAT.gz --stars gaia.ecsv --sightings seen.ecsv --out m.ecsv
  only slow ones, and surer
    appulse movers night/*.fits --max-rate 60 --min-snr 8 --out slow.ecsv

Three frames or more of one field are needed, taken while a body moves by some pixels. The table has
a row for each mover: its name or 'unknown', rate, direction, magnitude, the frames it was seen on. An
unknown one is not yet a discovery: ask 'appulse online bodies' about it. In a crowded field or a long night
only the brighter sources are tried, and that is said: a lower --max-rate goes deeper.

The frames are laid on each other, brought to one image of a point, and freed of their stars; saturated stars
are masked, and their share of the area is said. Frames that cannot be subtracted (no common sky or stars, no
room for them) are searched by their lists of sources, with a note. How deep it goes, measured on invented
series of four frames 40 minutes apart (FWHM 2.8 px of 3.6 arcsec, 40 stars, 32 bodies a cell, S/N per frame):

  S/N                5          6          8         12         30
  10 arcsec/h     5 of 32   16 of 32   29 of 32   31 of 32   30 of 32
  60             19         25         32         32         32
  200            12         24         32         31         32

and not one false line in 120 such fields, nor in 120 each over nebulae as bright as the sky (S/N 8: 17, 28,
27 of 32), with a seeing of 2.4 to 3.5 px (25, 30, 31), and of frames turned, shifted and mirrored (29, 31,
32). With three frames 24 of 32 are found at S/N 8 and 60 arcsec/h, 26 at S/N 12. A trail longer than three
FWHM costs depth, and so do crowded stars with wide wings.
"""

LINES = 30


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser(
        "movers",
        description="Find what moves in a straight line across three or more frames, and name what is known.",
        epilog=_EXAMPLES,
    )
    parser.add_argument("frames", nargs="+", metavar="FRAME", help="FITS files (.fits, .fits.gz, .fits.fz)")
    parser.add_argument(
        "--orbits", type=Path, metavar="FILE", help="known bodies, added to the bundled ones"
    )
    parser.add_argument(
        "--stars", type=Path, metavar="TABLE", help="reference stars; bundled ones if left out"
    )
    group = parser.add_argument_group("what counts as a mover")
    group.add_argument(
        "--max-rate", type=float, default=600.0, metavar="ARCSEC/H", help="fastest motion (600)"
    )
    group.add_argument("--min-frames", type=int, metavar="N", help="sightings that make a line (3, or half)")
    group.add_argument("--min-snr", type=float, default=5.0, metavar="X", help="faintest sighting (5)")
    parser.add_argument("--sightings", type=Path, metavar="FILE.ecsv", help="every single sighting, measured")
    common.add_workers_options(parser)
    common.add_progress_option(parser)
    common.add_frame_options(parser)
    common.add_master_options(parser)
    common.add_kernel_option(parser)
    common.add_output_options(parser, out_help="the table to write", default="appulse-movers.ecsv")


def run(args: argparse.Namespace) -> int:
    """Find movers and write them; 1 if some frames could not be used."""
    from appulse.formats import check_free, together, write_table
    from appulse.workflows import MoverLimits, find_movers, open_bodies, open_stars

    limits = MoverLimits(args.max_rate, args.min_frames, args.min_snr)
    outputs = [path for path in (args.out, args.sightings) if path is not None]
    check_free((), args.overwrite, tables=outputs)
    paths, heard, workers = common.expand_frames(args.frames), common.FrameNotes(), common.workers_of(args)
    with common.progress_of(args) as progress:
        progress("reading orbits and stars", 0, 0)
        bodies = None if args.orbits is None else common.with_notes(open_bodies(orbits=args.orbits))
        stars = open_stars(args.stars)
        found = find_movers(
            paths, bodies, stars, limits, reading=common.frame_options(args), each=heard.hear,
            progress=progress, workers=workers,
        )  # fmt: skip
    for words in found.notes:
        common.note(words)
    with together():
        write_table(found.table, args.out, args.overwrite)
        if args.sightings is not None:
            write_table(found.sightings, args.sightings, args.overwrite)
    _print(found)
    for path in outputs:
        print(path)
    common.say(common.closing_count(found.total, common.failures(found.failed), done="searched"))
    return 1 if found.failed else 0


def _print(found) -> None:
    from appulse.bodies import body_label

    table = found.table
    unknown = sum(name == "unknown" for name in table["designation"])
    movers = "1 mover" if len(table) == 1 else f"{len(table)} movers"
    print(f"{movers} in {len(found.frames)} frames, {unknown} of them unknown")
    for row in table[:LINES]:
        magnitude = "-" if getattr(row["mag"], "mask", False) is not False else f"{row['mag']:.1f}"
        print(
            f"  {row['mover']:3d} {body_label(row['designation']):22} {row['rate']:8.2f} arcsec/h at "
            f"{row['motion_pa']:5.1f} degrees, mag {magnitude:>5}, {row['frames']} frames, "
            f"S/N {row['snr']:.0f}"
        )
    if len(table) > LINES:
        print(f"  and {len(table) - LINES} more")
    for row in list(found.missed)[:LINES]:
        mag = row["mag"]
        words = "unknown" if getattr(mag, "mask", False) else f"{getattr(mag, 'value', mag):.1f}"
        print(f"  not found: {body_label(row['designation'])}, predicted in the frames, mag {words}")
    if len(found.missed) > LINES:
        print(f"  and {len(found.missed) - LINES} more that were not found")

"""``appulse movers``: what else moves in the frames."""

import argparse
from pathlib import Path

from appulse.cli import common
from appulse.errors import InputError

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
        "--orbits", type=Path, metavar="FILE", help="known bodies; the bundled ones stand beside"
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
    common.add_frame_options(parser)
    common.add_output_options(parser, out_help="the table to write, e.g. movers.ecsv")


def run(args: argparse.Namespace) -> int:
    """Find movers and write them.

    Returns
    -------
    int
        1 if some frames could not be used.

    Raises
    ------
    InputError
        If fewer than three frames can be used, or an option makes no sense.
    OutputExistsError
        If an output exists and ``--overwrite`` was not given.
    """
    from appulse.cli.batch import closing_count
    from appulse.formats.output import check_free, together, write_table
    from appulse.movers.measured import confirmed, measure_sightings, movers_table, sightings_table
    from appulse.movers.search import search_movers

    _check(args)
    outputs = [path for path in (args.out, args.sightings) if path is not None]
    check_free(outputs, args.overwrite)
    paths = common.expand_frames(args.frames)
    failed = {}
    frames, plates, known = _look(paths, args, failed)
    search = search_movers(
        frames, plates, predicted=known, max_rate=args.max_rate, min_frames=args.min_frames,
        threshold=args.min_snr, progress=lambda some: common.progress(some, "taking the stars off"),
    )  # fmt: skip
    for words in search.notes:
        common.note(words)
    lines, unmeasured = common.progress(search.movers, "measuring"), []
    seen = [measure_sightings(one, frames, plates, unmeasured) for one in lines]
    movers, seen = confirmed(search.movers, seen)
    for words in unmeasured:
        common.note(words)
    if dropped := len(search.movers) - len(movers):
        common.note(f"{dropped} more lines dropped: a careful fit finds no dot at their sightings")
    table = movers_table(movers, seen, frames)
    table.meta.update(_provenance(frames, plates, args, search))
    with together():
        write_table(table, args.out, args.overwrite)
        if args.sightings is not None:
            write_table(sightings_table(movers, seen), args.sightings, args.overwrite)
    _print(table, known, frames)
    for path in outputs:
        print(path)
    common.say(closing_count(len(paths), failed, done="searched"))
    return 1 if failed else 0


def _check(args) -> None:
    if not args.max_rate > 0:
        raise InputError(f"--max-rate {args.max_rate:g}: arcsec/h above zero are needed")
    if not args.min_snr >= 3:
        raise InputError(f"--min-snr {args.min_snr:g}: below 3 everything moves; 3 or more is needed")
    if args.min_frames is not None and args.min_frames < 3:
        raise InputError(
            f"--min-frames {args.min_frames}: two points are always on a line; 3 or more is needed"
        )


def _look(paths, args, failed):
    """Frames without their pixels, their plates, and the known bodies on each; `failed` takes the others."""
    from appulse.astrometry.plate import check_plate
    from appulse.catalogues.stars import bundled_stars, read_star_table
    from appulse.cli.batch import frame_by_frame
    from appulse.cli.pipeline import STAR_MARGIN_DEG
    from appulse.cli.surroundings import Surroundings
    from appulse.frames.reading import read_frame

    options = common.frame_options(args)
    stars = None if args.stars is None else read_star_table(args.stars)
    around = Surroundings(None if args.orbits is None else common.load_orbits(args.orbits))

    def look(path):
        frame = read_frame(path, **options)
        nearby = stars or bundled_stars(*frame.centre, frame.radius_deg + STAR_MARGIN_DEG)
        plate = check_plate(frame, nearby)
        inside = [row for row in around.bodies(frame) if frame.contains(row["ra"].value, row["dec"].value)]
        frame.release()
        return frame, plate, inside

    looked = list(frame_by_frame(paths, "looking", look, failed))
    frames, plates, known = (list(column) for column in zip(*looked, strict=True)) if looked else ([], [], [])
    return frames, plates, known


def _provenance(frames, plates, args, search) -> dict:
    from appulse.formats.provenance import provenance

    options = {"max_rate": args.max_rate, "min_frames": args.min_frames, "min_snr": args.min_snr,
               "method": search.method}  # fmt: skip
    stars = ", ".join(dict.fromkeys(plate.catalogue for plate in plates))
    orbits = "bundled starter set" if args.orbits is None else args.orbits.name
    return provenance(frames=frames, orbits=orbits, stars=stars, options=options)


def _print(table, known, frames) -> None:
    from appulse.bodies.designations import normalise

    unknown = sum(name == "unknown" for name in table["designation"])
    movers = "1 mover" if len(table) == 1 else f"{len(table)} movers"
    print(f"{movers} in {len(frames)} frames, {unknown} of them unknown")
    for row in table[:LINES]:
        light = "-" if getattr(row["mag"], "mask", False) is not False else f"{row['mag']:.1f}"
        print(
            f"  {row['mover']:3d} {row['designation']!s:14} {row['rate']:8.2f} arcsec/h at "
            f"{row['motion_pa']:5.1f} degrees, mag {light:>5}, {row['frames']} frames, S/N {row['snr']:.0f}"
        )
    if len(table) > LINES:
        print(f"  and {len(table) - LINES} more")
    found = {normalise(str(name)) for name in table["designation"]}
    missed = {str(row["designation"]): row for rows in known for row in rows}
    for name, row in missed.items():
        if normalise(name) not in found:
            light = row["mag"]
            light = "unknown" if getattr(light, "mask", False) else f"{getattr(light, 'value', light):.1f}"
            print(f"  not found: {name}, predicted in the frames, mag {light}")

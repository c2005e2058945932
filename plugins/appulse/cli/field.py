"""``appulse field``: what should be in a frame."""

import argparse
from pathlib import Path

from appulse.cli import common
from appulse.errors import InputError

_EXAMPLES = """\
examples:
  bodies of the bundled starter set and deep-sky objects, down to magnitude 16
    appulse field night/f1.fits --brighter-than 16 --out field.ecsv
  bodies of your own orbit file, and outlines that you have drawn beside those of the catalogue
    appulse field night/f1.fits --orbits mine.csv --outlines drawn.csv --out field.ecsv

With several frames the table names the frame of each row; --jobs and --dask spread an archive of them.
A frame without time or site still gets its deep-sky objects; the bodies are left out, and that is said.
"""

DECIMALS = {
    "x": 2, "y": 2, "ra": 7, "dec": 7, "mag": 2, "rate": 3, "motion_pa": 2, "separation": 3,
}  # fmt: skip


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser(
        "field",
        description="List the bodies and deep-sky objects that should be in frames.",
        epilog=_EXAMPLES,
    )
    parser.add_argument("frames", nargs="+", metavar="FRAME", help="plate-solved FITS frames")
    common.add_orbit_options(parser)
    parser.add_argument("--brighter-than", type=float, metavar="MAG", help="faintest magnitude to list")
    parser.add_argument(
        "--outlines",
        type=Path,
        metavar="FILE",
        help="outlines of your own: columns name, ra, dec, and where needed level, ring",
    )
    common.add_frame_options(parser)
    common.add_output_options(parser, out_help="the table to write", default="appulse-field.ecsv")
    common.add_workers_options(parser, dask=True)
    common.add_progress_option(parser)


def run(args: argparse.Namespace) -> int:
    """List what is in the frames; 1 if some of several could not be used."""
    from appulse.catalogues import read_polygons
    from appulse.formats import check_free, write_table
    from appulse.overlays import BODY
    from appulse.workflows import list_frames

    limit = args.brighter_than
    if limit is not None and not -30.0 < limit < 40.0:
        raise InputError(f"--brighter-than {limit:g} is not a magnitude: give a number such as 16")
    check_free((), args.overwrite, tables=[args.out])
    paths, workers = common.expand_frames(args.frames), common.workers_of(args)
    with common.progress_of(args) as progress:
        progress("reading orbits", 0, 0)
        found, failed = list_frames(
            paths, common.select_orbits(common.load_orbits(args.orbits), args.body),
            named=args.orbits is not None or args.body is not None,
            outlines=() if args.outlines is None else read_polygons(args.outlines), brighter_than=limit,
            reading=common.frame_options(args), workers=workers, progress=progress,
            each=None if len(paths) == 1 else common.FrameNotes().hear,
        )  # fmt: skip
    if failed and len(paths) == 1:
        raise failed[0].error
    notes = common.FrameNotes()
    for listed in found:
        notes.hear(listed)
    notes.say()
    if not found:
        common.say(common.closing_count(len(paths), common.failures(failed), done="listed"))
        return 2
    tables = [plain_table(listed.table) for listed in found]
    table = tables[0] if len(paths) == 1 else joined(tables, [listed.name for listed in found])
    write_table(table, args.out, args.overwrite)
    bodies = sum(kind == BODY for kind in table["kind"])
    where = found[0].name if len(paths) == 1 else f"{len(found)} frames"
    print(f"{args.out}: {bodies} bodies and {len(table) - bodies} deep-sky objects in {where}")
    for row in table[:20]:
        print("  " + describe(row) + ("" if len(paths) == 1 else f", {row['frame']}"))
    if len(table) > 20:
        print(f"  and {len(table) - 20} more")
    if len(paths) > 1:
        common.say(common.closing_count(len(paths), common.failures(failed), done="listed"))
    return 1 if failed else 0


def joined(tables, names):
    """Tables of several frames as one, the frame's name before each row."""
    import numpy as np
    from astropy.table import vstack

    for table, name in zip(tables, names, strict=True):
        # Of no rows, a list would make a column of numbers.
        table.add_column(np.array([name] * len(table), dtype=str), name="frame", index=0)
    return vstack(tables, metadata_conflicts="silent")


def plain_table(table):
    """The listing as columns of numbers, rounded to what they are good for."""
    import numpy as np
    from astropy.table import Table

    plain = Table(table)
    for name, decimals in DECIMALS.items():
        if len(plain):
            plain[name][:] = np.round(plain[name], decimals)
    return plain


def describe(row) -> str:
    """One line about a row: designation, kind, pixel, magnitude, how it lies in the frame."""
    import numpy as np

    from appulse.bodies import body_label
    from appulse.overlays import BODY

    def number(name, form):
        value = row[name]
        return (
            "-"
            if np.any(getattr(value, "mask", False))
            else format(float(getattr(value, "value", value)), form)
        )

    place = f"({number('x', '.0f')}, {number('y', '.0f')})"
    name = str(row["designation"])
    head = f"{body_label(name) if row['kind'] == BODY else name:22} {row['kind']!s:18} {place:13}"
    line = f"{head} mag {number('mag', '.1f'):5} {row['inside']}"
    return line if number("rate", ".1f") == "-" else f"{line}, {number('rate', '.1f')} arcsec/h"

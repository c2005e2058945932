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

A frame without time or site still gets its deep-sky objects; the bodies are left out, and that is said.
"""

DECIMALS = {
    "x": 2, "y": 2, "ra": 7, "dec": 7, "mag": 2, "rate": 3, "motion_pa": 2, "separation": 3,
}  # fmt: skip


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser(
        "field",
        description="List the bodies and deep-sky objects that should be in a frame.",
        epilog=_EXAMPLES,
    )
    parser.add_argument("frame", type=Path, metavar="FRAME", help="plate-solved FITS frame")
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
    common.add_progress_option(parser)


def run(args: argparse.Namespace) -> int:
    """List what is in the frame."""
    from appulse.catalogues import objects_near, read_polygons
    from appulse.formats import check_free, write_table
    from appulse.frames import read_frame
    from appulse.overlays import BODY, field_listing

    limit = args.brighter_than
    if limit is not None and not -30.0 < limit < 40.0:
        raise InputError(f"--brighter-than {limit:g} is not a magnitude: give a number such as 16")
    check_free([args.out], args.overwrite)
    frame = read_frame(args.frame, require=("wcs",), **common.frame_options(args))
    outlines = objects_near(*frame.centre, frame.radius_deg)
    if args.outlines is not None:
        outlines += read_polygons(args.outlines)
    with common.progress_of(args) as progress:
        progress(f"looking for bodies in {frame.name}", 0, 0)
        table = field_listing(frame, _bodies(frame, args), outlines, limit)
    write_table(plain_table(table), args.out, args.overwrite)
    bodies = sum(kind == BODY for kind in table["kind"])
    print(f"{args.out}: {bodies} bodies and {len(table) - bodies} deep-sky objects in {frame.name}")
    for row in table[:20]:
        print("  " + describe(row))
    if len(table) > 20:
        print(f"  and {len(table) - 20} more")
    return 0


def _bodies(frame, args):
    """Orbits or an ephemeris, or none for a frame without time or site."""
    from appulse.bodies import NBodyEphemeris

    lacking = [name for name, value in (("time", frame.exposure), ("site", frame.observer)) if value is None]
    if not lacking:
        orbits = common.select_orbits(common.load_orbits(args.orbits), args.body)
        return NBodyEphemeris(orbits) if isinstance(orbits, list) else orbits
    words = " and ".join(lacking)
    options = " and ".join(f"--{name}" for name in lacking)
    if args.orbits is not None or args.body is not None:
        raise InputError(f"{frame.name} has no {words}: bodies need it; give {options}")
    common.note(f"{frame.name} has no {words}: bodies are left out; give {options} for them")
    return None


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

    def number(name, form):
        value = row[name]
        return (
            "-"
            if np.any(getattr(value, "mask", False))
            else format(float(getattr(value, "value", value)), form)
        )

    place = f"({number('x', '.0f')}, {number('y', '.0f')})"
    head = f"{row['designation']!s:16} {row['kind']!s:24} {place:16}"
    line = f"{head} mag {number('mag', '.1f'):5} {row['inside']}"
    return line if number("rate", ".1f") == "-" else f"{line}, {number('rate', '.1f')} arcsec/h"

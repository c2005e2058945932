"""``appulse improve``: correct an orbit by measured places."""

import argparse
from pathlib import Path

from appulse.cli import common
from appulse.errors import InputError

LONGEST_OFFSET_S = 86400.0
"""A clock of another day is no clock."""
_EXAMPLES = """\
examples:
  the night's own residuals, taken at a private place (it goes nowhere)
    appulse improve measured/residuals.ecsv --body 7 --orbits mine.ecsv --site 20.5,-23,1250 --out b.ecsv
  the verdict said that the clock was late by 95 s: put the times right first
    appulse improve measured/residuals.ecsv --body 7 --orbits mine.ecsv --clock-offset 95 --out b.ecsv
  observations of others, ADES or 80 columns
    appulse improve published.psv --body 433 --orbits mine.ecsv --out better.ecsv

The orbit's covariance is the prior: without one the places must carry all six elements alone, at least 6 over
10 days. What an arc cannot carry is refused, and so is a night whose verdict is a wrong clock or another
body. The result is an orbit table with its new covariance: give it to --orbits of the other commands.
"""


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser(
        "improve",
        description="Correct an orbit by measured places, with its covariance as prior; say what it gains.",
        epilog=_EXAMPLES,
    )
    parser.add_argument(
        "places", type=Path, metavar="FILE", help="residuals.ecsv of ours, ADES (PSV, XML) or 80 columns"
    )
    common.add_orbit_options(parser, body_required=True)
    common.add_site_option(parser)
    parser.add_argument(
        "--clock-offset", type=float, default=0.0, metavar="SECONDS", help="true minus recorded time (0)"
    )
    parser.add_argument("--anyway", action="store_true", help="fit although the verdict is against the clock")
    common.add_output_options(parser, out_help="the orbit table to write", default="appulse-improve.ecsv")
    common.add_progress_option(parser)


def run(args: argparse.Namespace) -> int:
    """Fit, write, and say what was gained."""
    from appulse.formats import check_free, site_of, write_table
    from appulse.workflows import improve_by_places, open_bodies

    if not abs(args.clock_offset) <= LONGEST_OFFSET_S:
        raise InputError(
            f"--clock-offset {args.clock_offset:g}: at most {LONGEST_OFFSET_S:g} s either way are allowed"
        )
    check_free((), args.overwrite, tables=[args.out])
    bodies = common.with_notes(open_bodies(args.body, args.orbits))
    site = None if args.site is None else site_of(args.site)
    with common.progress_of(args) as progress:
        progress("fitting the orbit", 0, 0)
        improved = improve_by_places(
            args.places, bodies, site, clock_offset_s=args.clock_offset, anyway=args.anyway
        )
    write_table(improved.table, args.out, args.overwrite)
    print(improved.fit.sentence)
    for words in improved.notes:
        common.note(words)
    print(f"{'predicted place, 1 sigma, arcsec':34} {'before':>18} {'after':>18}")
    for when, before, after in improved.ellipses:
        print(f"  {when:32} {before:>18} {after:>18}")
    print(args.out)
    return 0

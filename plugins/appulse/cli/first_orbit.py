"""``appulse first-orbit``: an orbit from few nights, with all that it leaves open."""

import argparse
from pathlib import Path

from appulse.cli import common

_EXAMPLES = """\
examples:
  two nights of a mover that nobody knows, with the next ten nights' places
    appulse first-orbit monday.psv tuesday.psv --body 2027AA1 --out found
  the fields to photograph to find it again, of a camera of 80 by 60 arcmin, seen from another site
    appulse first-orbit monday.psv tuesday.psv --body 2027AA1 --field 80,60 --seen-from YOUR_CODE --out found

All orbits about the Sun that the places allow come out as a sample, by systematic ranging: sample.ecsv (each
row as likely as any other), orbit.ecsv (the likeliest, with the sample's covariance; other commands take it
by --orbits), first_orbit.yaml (the ranges that hold 95% of cases), cloud.ecsv and cloud.png (where they put
the body in the nights to come; cloud.ecsv opens in glue over a frame), recovery.csv (where to point). What
the places cannot carry is refused: no motion above its error, no orbit about the Sun, a cloud of over 10
degrees.
"""


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser(
        "first-orbit",
        description="An orbit from few nights' places, with its region of uncertainty as a sample.",
        epilog=_EXAMPLES,
    )
    parser.add_argument(
        "nights", type=Path, nargs="+", metavar="NIGHT",
        help="residuals.ecsv of ours, ADES (PSV, XML), 80 columns, or a night shared by others",
    )  # fmt: skip
    parser.add_argument("--body", required=True, metavar="NAME", help="the body, as the files name it")
    parser.add_argument(
        "--site", action="append", default=[], metavar="NAME|CODE|LON,LAT,HEIGHT",
        help="where a table was measured that names no station: once for each, in their order",
    )  # fmt: skip
    parser.add_argument(
        "--seen-from", metavar="NAME|CODE|LON,LAT,HEIGHT",
        help="site of the nights to come (that of the last place)",
    )  # fmt: skip
    parser.add_argument(
        "--nights-to-come", type=int, default=10, metavar="N", help="nights to predict, 0 to 60 (10)"
    )
    parser.add_argument(
        "--field", metavar="W,H", help="the camera's field, arcmin: pointings are listed for it"
    )
    parser.add_argument(
        "--plate-sigma", type=float, metavar="ARCSEC", help="1-sigma of a plate that no file tells (0.05)"
    )
    parser.add_argument(
        "--clock-sigma", type=float, metavar="SECONDS", help="1-sigma of each site's clock (1)"
    )
    common.add_kernel_option(parser)
    common.add_progress_option(parser)
    common.add_output_options(parser, out_help="folder to write to", default="appulse-first-orbit")


def run(args: argparse.Namespace) -> int:
    """Read, range, predict, write."""
    from appulse.formats import check_free, site_of
    from appulse.workflows import FIRST_ORBIT_FILES, find_first_orbit, read_nights, save_first_orbit

    common.check_sigmas(args, "plate_sigma", "clock_sigma")
    check_free([args.out / name for name in FIRST_ORBIT_FILES], args.overwrite)
    field = common.parse_field(args.field)
    nights = read_nights(args.nights, args.body, args.site)
    observer = None if args.seen_from is None else site_of(args.seen_from)
    with common.progress_of(args) as progress:
        found = find_first_orbit(
            nights, args.body, observer=observer, count=args.nights_to_come, field_arcmin=field,
            zero_arcsec=args.plate_sigma, clock_s=args.clock_sigma, progress=progress,
        )  # fmt: skip
    paths = save_first_orbit(found, args.out, args.overwrite)
    for words in (*found.sentences, ""):
        print(words)
    for cloud in found.clouds:
        fields = f", {len(cloud.pointings)} fields" if cloud.pointings else ""
        print(
            f"  {cloud.time.utc.isot[:16]}  RA {cloud.centre[0]:9.4f}  Dec {cloud.centre[1]:+9.4f}  "
            f"{cloud.length_arcmin:8.2f} by {cloud.width_arcmin:.2f} arcmin at PA {cloud.pa_deg:.0f}{fields}"
        )
    for words in found.notes:
        common.note(words)
    for path in paths:
        print(path)
    return 0

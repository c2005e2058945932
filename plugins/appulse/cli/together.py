"""``appulse together``: nights of several observers, distance by parallax, and whose clock is off."""

import argparse
from pathlib import Path

from appulse.cli import common

_EXAMPLES = """\
examples:
  your own night and that of a friend with an observatory code
    appulse together mine/residuals.ecsv friend.psv --body 7 --site 20.5,-23,1250 --out distance
  two private places: one --site for each table, in the order of the files (they go nowhere)
    appulse together a/residuals.ecsv b/residuals.ecsv --body 7 --site garden --site hosted --out distance
  your night to give to others: no names, your place rounded to 50 km; theirs is a NIGHT like any other
    appulse together mine/residuals.ecsv --body 7 --site garden --for-others mine.ecsv --observer-km 50
    appulse together mine/residuals.ecsv theirs.ecsv --body 7 --site garden --out distance
  the two pictures beside the distance (the sample pair: appulse guide together)
    appulse together south/residuals.ecsv north/residuals.ecsv --body PAIR1 --site 20.5,-23,1250 \\
      --site 11,50,400 --frames pair/south_2.fits.fz pair/north_2.fits.fz --out distance
  one observer over neighbouring nights; the orbit's distance beside
    appulse together monday.psv tuesday.psv wednesday.psv --body 433 --orbits mine.ecsv --out distance

The places alone give the distance, without an orbit: the farther the observers are apart across the line
of sight, the better. distance/distance.yaml holds the distance with its error budget (places, plates, clocks,
air), what the orbit says beside it, and each site's clock against the others'; distance/sightings.ecsv has a
row for each place with what is left over, distance/parallax.png shows the lines of sight,
distance/distance.html is a page that a school class can follow. With --frames the two pictures are laid on
each other by their stars: distance/blink.gif shows them in turn, distance/pair.png side by side with the
parallax and its scale. Where the baseline cannot do it, a least distance is given and what would be needed.
No coordinates of a site are written.
"""


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser(
        "together",
        description="Put nights of several observers together: how far the body is, and whose clock is off.",
        epilog=_EXAMPLES,
    )
    parser.add_argument(
        "nights", type=Path, nargs="+", metavar="NIGHT",
        help="residuals.ecsv of ours, ADES (PSV, XML) or 80 columns",
    )  # fmt: skip
    common.add_orbit_options(parser, body_required=True)
    parser.add_argument(
        "--site", action="append", default=[], metavar="NAME|CODE|LON,LAT,HEIGHT",
        help="where a table was measured that names no station: once for each, in their order",
    )  # fmt: skip
    parser.add_argument(
        "--frames", type=Path, nargs=2, metavar="FRAME",
        help="two frames, one of each of two sites: shown blinked and side by side, with the parallax",
    )  # fmt: skip
    parser.add_argument(
        "--for-others", type=Path, metavar="FILE.ecsv",
        help="write the one NIGHT's places to give away, without names and with a rounded observer, and exit",
    )  # fmt: skip
    parser.add_argument(
        "--observer-km", type=float, default=10.0, metavar="KM",
        help="how the observer's place is rounded for others, 1 to 1000 km (10)",
    )  # fmt: skip
    parser.add_argument(
        "--disclose-site", action="store_true", help="let the observer's exact place go to others"
    )
    parser.add_argument(
        "--plate-sigma", type=float, metavar="ARCSEC", help="1-sigma of a plate, where none is stated (0.05)"
    )
    parser.add_argument(
        "--clock-sigma", type=float, metavar="SECONDS", help="1-sigma of each site's clock (1)"
    )
    common.add_progress_option(parser)
    common.add_output_options(parser, out_help="folder to write to", default="appulse-together")


def run(args: argparse.Namespace) -> int:
    """Read, fit, write, and say how far it is."""
    from appulse.formats import check_free
    from appulse.workflows import (
        TOGETHER_FILES,
        open_bodies,
        put_together,
        read_nights,
        register_pair,
        save_together,
    )

    common.check_sigmas(args, "plate_sigma", "clock_sigma")
    if args.for_others is not None:
        return _share(args)
    check_free([args.out / name for name in TOGETHER_FILES], args.overwrite)
    nights = read_nights(args.nights, args.body, args.site)
    bodies = common.with_notes(open_bodies(args.body, args.orbits)) if args.orbits is not None else None
    with common.progress_of(args) as progress:
        found = put_together(
            nights, zero_arcsec=args.plate_sigma, clock_s=args.clock_sigma, bodies=bodies, progress=progress
        )
    pair = None if args.frames is None else register_pair(found, args.frames)
    paths = save_together(found, args.out, args.overwrite, pair)
    for words in (*found.sentences, ""):
        print(words)
    for words in found.notes:
        common.note(words)
    for path in paths:
        print(path)
    return 0


def _share(args) -> int:
    """Write a night for others, and say what is in it and what no rounding hides."""
    from appulse.constants import ARCSEC_PER_RAD, AU_KM
    from appulse.errors import InputError
    from appulse.formats import check_free, write_table
    from appulse.workflows import night_for_others, read_nights

    if len(args.nights) != 1:
        raise InputError(f"--for-others takes one NIGHT, and got {len(args.nights)}: export each by itself")
    check_free((), args.overwrite, tables=[args.for_others])
    (night,) = read_nights(args.nights, args.body, args.site)
    table = night_for_others(night, args.body, rounded_km=args.observer_km, exact=args.disclose_site)
    write_table(table, args.for_others, args.overwrite)
    place = "exact, as you allowed" if args.disclose_site else f"rounded to {args.observer_km:g} km"
    print(f"{args.for_others}: {len(table)} places of {args.body}, no names; the observer's place is {place}")
    sigma = min(float(min(table[name].to_value("arcsec"))) for name in ("sigma_ra", "sigma_dec"))
    # The parallax is in the places: what hides the site from those who know the orbit is their error alone.
    common.note(
        "whoever knows the body's orbit can tell where the places were taken from the places themselves, to "
        f"about {sigma / ARCSEC_PER_RAD * AU_KM:.0f} km for each au of its distance"
    )
    return 0

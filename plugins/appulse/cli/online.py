"""``appulse online``: everything that asks the network, and nothing but that."""

import argparse
from pathlib import Path

from appulse.cli import common
from appulse.errors import AppulseError, InputError

_EXAMPLES = """\
examples:
  reference stars with proper motions for a frame, as a star table for --stars
    appulse online stars --frame night/f1.fits --out stars.ecsv
  which known bodies are in the frame, as a positions table for --positions
    appulse online bodies --frame night/f1.fits --out bodies.ecsv
  JPL Horizons' own places of a body, as a positions table
    appulse online places --body 7 --from 2027-05-04T18:00 --to 2027-05-05T04:00 --step 1h --site YOUR_CODE \\
        --out iris.ecsv
  what is kept on the disk, and how old it is
    appulse online cache

Newer orbits are fetched by: appulse orbits update. Replies are kept for a week; without a connection older
ones stand in, and say so. Your site's coordinates are sent only with --disclose-site; an MPC code is public.
"""


def add_parser(subparsers) -> None:
    """Register the command and its actions."""
    parser = subparsers.add_parser(
        "online",
        description=(
            "Ask services for stars, known bodies, places. Apart from this, only 'orbits update' goes online."
        ),
        epilog=_EXAMPLES,
    )
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    stars = actions.add_parser("stars", help="reference stars (Gaia DR3)")
    _add_cone(stars)
    stars.add_argument(
        "--brighter-than", type=float, default=17.0, metavar="MAG", help="faintest G magnitude (17)"
    )
    bodies = actions.add_parser("bodies", help="known bodies (IMCCE SkyBoT)")
    _add_cone(bodies)
    bodies.add_argument("--time", metavar="UTC", help="the moment, where no frame gives it")
    common.add_site_option(bodies)
    places = actions.add_parser("places", help="places of a body (JPL Horizons)")
    places.add_argument("--body", required=True, metavar="NAME", help="number, name or designation")
    places.add_argument("--times", type=Path, metavar="FILE", help="one ISO time a line")
    places.add_argument("--from", dest="begin", metavar="T", help="first time, e.g. 2027-05-04T18:00:00")
    places.add_argument("--to", dest="end", metavar="T", help="last time")
    places.add_argument("--step", metavar="D", help="30s, 10m, 2h or 1d")
    places.add_argument("--disclose-site", action="store_true", help="allow coordinates to be sent")
    common.add_site_option(places, required=True)
    for name, action in (("stars", stars), ("bodies", bodies), ("places", places)):
        common.add_output_options(
            action, out_help="the table to write", default=f"appulse-online-{name}.ecsv"
        )
        common.add_progress_option(action)
    cache = actions.add_parser("cache", help="what is kept on the disk")
    cache.add_argument("--clear", action="store_true", help="remove it")


def _add_cone(parser) -> None:
    where = parser.add_argument_group("where, in one of two ways")
    where.add_argument("--frame", type=Path, metavar="FRAME", help="a plate-solved frame: its sky and time")
    where.add_argument("--at", metavar="RA,DEC", help="centre, ICRF degrees")
    where.add_argument("--radius", type=float, metavar="DEG", help="radius, degrees")


def run(args: argparse.Namespace) -> int:
    """Do what is asked."""
    actions = {"stars": _stars, "bodies": _bodies, "places": _places, "cache": _cache}
    return actions[args.action](args)


def _frame(args):
    from appulse.frames import read_frame

    return read_frame(args.frame, require=("wcs",)) if args.frame else None


def _cone(args, frame):
    """Centre and radius, degrees."""
    if (frame is None) == (args.at is None):
        raise InputError("say where: a FRAME with --frame, or --at RA,DEC with --radius")
    if frame is not None:
        return (*frame.centre, args.radius or frame.radius_deg * 1.05)
    if args.radius is None:
        raise InputError("--at needs a --radius in degrees")
    try:
        ra, dec = (float(word) for word in args.at.split(","))
    except ValueError:
        raise InputError(f"--at {args.at!r} is not RA,DEC in degrees, as in 246.3,-24.4") from None
    return ra, dec, args.radius


def _stars(args) -> int:
    from appulse.formats import check_free
    from appulse.services import gaia_stars

    check_free((), args.overwrite, tables=[args.out])
    ra, dec, radius = _cone(args, _frame(args))
    with common.progress_of(args) as progress:
        progress("asking the Gaia archive for stars", 0, 0)
        found = gaia_stars(ra, dec, radius, faintest=args.brighter_than)
    return _write(found, args, "stars")


def _bodies(args) -> int:
    from appulse.formats import check_free, site_of
    from appulse.observers import Site, parse_utc
    from appulse.services import known_bodies

    check_free((), args.overwrite, tables=[args.out])
    frame = _frame(args)
    ra, dec, radius = _cone(args, frame)
    if args.time:
        moment = parse_utc(args.time)
    elif frame is not None and frame.exposure is not None:
        moment = frame.exposure.mid
    else:
        raise InputError("no time: give --time UTC, or a frame that knows its own")
    site = site_of(args.site) if args.site else Site.geocentre()
    if not args.site:
        common.note("places as seen from the Earth's centre; give an MPC code with --site for a near body")
    with common.progress_of(args) as progress:
        progress("asking SkyBoT for known bodies", 0, 0)
        found = known_bodies(ra, dec, radius, moment, site)
    return _write(found, args, "bodies")


def _places(args) -> int:
    from appulse.formats import check_free, site_of
    from appulse.services import horizons_ephemeris

    check_free((), args.overwrite, tables=[args.out])
    times, site = common.requested_times(args), site_of(args.site)
    try:
        with common.progress_of(args) as progress:
            table = horizons_ephemeris(
                args.body, times, site, share_site=args.disclose_site, progress=progress
            )
    except AppulseError as error:
        # The library speaks of its argument; here it is an option.
        raise type(error)(str(error).replace("say share_site=True", "give --disclose-site")) from error
    return _write(table, args, "places")


def _write(table, args, what) -> int:
    from appulse.formats import write_table
    from appulse.services import plain

    write_table(plain(table), args.out, args.overwrite)
    print(f"{args.out}: {len(table)} {what}; {table.meta.get('source', '')}")
    return 0


def _cache(args) -> int:
    from appulse.services import ReplyCache, age_words

    cache = ReplyCache()
    if args.clear:
        print(f"{cache.folder}: {cache.clear()} replies removed")
        return 0
    replies = cache.replies()
    for reply in replies:
        asked = ", ".join(f"{key} {str(value)[:50]}" for key, value in reply.query.items())
        print(f"{age_words(reply.age_d):>12} old  {reply.service}: {asked}")
    print(f"{cache.folder}: {len(replies)} replies")
    return 0

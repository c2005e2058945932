"""``appulse encounters``: which bodies pass which objects, months ahead."""

import argparse
from dataclasses import replace
from pathlib import Path

from appulse.cli import common
from appulse.errors import InputError

_EXAMPLES = """\
examples:
  all passes of the bundled bodies within 10' of any catalogue object in a month, from the Earth's centre
    appulse encounters --from 2027-05-01 --to 2027-06-01 --out may.ecsv
  one body, some objects, a wider look, as seen from a site
    appulse encounters --body 7 --object "IC 4603,IC 4604" --from 2027-04-01 --to 2027-07-01 --within 60 \\
      --site 20.5,-23,1250 --out iris.ecsv
  a campaign file with sites, limits and weights; a second option overrides what it says
    appulse encounters spring.yaml --within 5 --jobs 2 --out ranked.ecsv

  a close body from two sites, and a map of its least separation over the Earth (the sample pair's body)
    appulse encounters --body PAIR1 --orbits pair/orbit.ecsv --object "NGC 5973" --from 2027-05-04 \\
      --to 2027-05-06 --from-sites 20.5,-23,1250 --from-sites 11,50,400 --map earth.png --out close.ecsv

Without a campaign file the passes are ranked by closeness, brightness and elongation, of bodies brighter than
13 (of any brightness with --body) and at least 30 degrees from the Sun; how many more there are is said.
Bodies that stay fainter on all dates are not searched: seconds instead of minutes for 22,668 bundled ones.

Of comets coma and tail count, too: a pass far from the nucleus is listed where its tail lies across the
object. Their lengths come from the total magnitude (good to a factor of two), or from --tail-length.

A row per pass: its id, UTC and separation of the least distance from the object's centre, whether the body
goes inside the outline, when it enters and leaves, magnitude, elongation, motion. With sites in the campaign
the rows are ranked, each term of the ranking has its column, and the chance of a clear night from each site,
or why there is none, is given in words.
"""


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser(
        "encounters",
        description="Search a span of dates for passes of bodies by deep-sky objects.",
        epilog=_EXAMPLES,
    )
    parser.add_argument("campaign", nargs="?", type=Path, metavar="CAMPAIGN.yaml", help="a campaign file")
    parser.add_argument("--body", metavar="NAME,...", help="the bodies; all when left out")
    parser.add_argument("--orbits", type=Path, metavar="FILE", help="orbits; the bundled set by default")
    parser.add_argument("--object", metavar="NAME,...", help="objects; the whole catalogue when left out")
    parser.add_argument("--from", dest="begin", metavar="T", help="first UTC, e.g. 2027-05-01")
    parser.add_argument("--to", dest="end", metavar="T", help="last UTC")
    parser.add_argument("--within", type=float, metavar="ARCMIN", help="largest separation (10)")
    parser.add_argument(
        "--measured-from", choices=("centre", "outline"), help="where --within starts: the object's centre"
    )
    parser.add_argument("--body-by-body", action="store_true", help="also two minor bodies by each other")
    parser.add_argument(
        "--brighter-than", type=float, metavar="MAG",
        help="faintest body (13, what a small telescope shows in a minute; any with --body)",
    )  # fmt: skip
    parser.add_argument(
        "--elongation", type=float, metavar="DEG", help="least distance from the Sun (30; 0: any)"
    )
    parser.add_argument(
        "--tail-length", type=float, metavar="DEG",
        help="length of comets' tails; by the law of their total magnitudes when left out",
    )  # fmt: skip
    common.add_site_option(parser)
    parser.add_argument(
        "--from-sites", action="append", default=[], metavar="NAME|CODE|LON,LAT,HEIGHT",
        help="a place to compare, given twice or more: what each pass is from there, in words",
    )  # fmt: skip
    parser.add_argument(
        "--map", type=Path, metavar="FILE.png|.svg",
        help="map of the least separation over the Earth, of the pass of the nearest body",
    )  # fmt: skip
    parser.add_argument("--map-of", metavar="ID", help="the pass to map")
    common.add_workers_options(parser, dask=True)
    common.add_kernel_option(parser)
    common.add_output_options(parser, out_help="the table to write", default="appulse-encounters.ecsv")
    common.add_progress_option(parser)


def run(args: argparse.Namespace) -> int:
    """Search, rank, write."""
    from appulse.formats import check_free, site_of, write_table
    from appulse.workflows import search_passes, shown_places

    check_free([args.map] if args.map else [], args.overwrite, tables=[args.out])
    if args.map is not None and args.map.suffix.lower() not in (".png", ".svg"):
        raise InputError(f"--map {args.map}: .png and .svg are written")
    if args.map_of is not None and args.map is None:
        raise InputError("--map-of names the pass that --map FILE draws: give --map too")
    campaign = _campaign(args)
    places = shown_places(args.from_sites, campaign.sites)
    if args.from_sites and len(places) < 2:
        raise InputError("--from-sites compares places: give it twice or more")
    observer = None if args.site is None else site_of(args.site, campaign.sites)
    workers = common.workers_of(args)
    with common.progress_of(args) as progress:
        found = search_passes(
            campaign, observer=observer, run=workers.run, progress=progress, ranked=args.campaign is None,
            tail_deg=args.tail_length, from_sites=places if len(places) > 1 else None,
        )  # fmt: skip
    for words in found.notes:
        common.note(words)
    write_table(found.table, args.out, args.overwrite)
    _print(found.table, args.out)
    _note_limits(args, found)
    if args.map is not None and found.passes:
        _draw_map(args, found)
    if not found.passes:
        print(_why_none(found.search, found.catalogue))
        _print_hidden(found.hidden)
    return 0


def _draw_map(args, found) -> None:
    """Write the map of one pass, and say how much the place matters."""
    from appulse.formats import write_bytes
    from appulse.reports import earth_map_picture
    from appulse.workflows import map_pass

    earth = map_pass(found, args.map_of)
    write_bytes(args.map, earth_map_picture(earth, args.map.suffix.lower()[1:]), args.overwrite)
    low, high = earth.separation_arcsec.min() / 60, earth.separation_arcsec.max() / 60
    print(f"{args.map}: {earth.title}, {low:.2f} to {high:.2f} arcmin from the centre over the Earth")


def _note_limits(args, found) -> None:
    """Which limits nobody asked for, and how many more passes there are without any."""
    search, limits = found.search, []
    if args.campaign is None and args.brighter_than is None and search.brighter_than is not None:
        limits.append(f"bodies brighter than magnitude {search.brighter_than:g} (--brighter-than)")
    if args.campaign is None and args.elongation is None:
        limits.append(f"at least {search.least_elongation:g} degrees from the Sun (--elongation)")
    more = {0: "no more are", 1: "1 more is"}.get(found.n_hidden, f"{found.n_hidden} more are")
    if found.n_faint:
        more = f"{found.n_faint} bodies stay fainter on all dates and are not searched; of the others {more}"
    if limits and (found.n_hidden or len(limits) > 1):
        common.note(f"limited to passes of {' and '.join(limits)}; {more} beyond the limits")
    elif found.n_hidden and found.passes:
        common.note(f"{more} beyond the limits")


def _why_none(search, catalogue):
    """An empty answer in words: all that it had to satisfy."""
    limits = f"within {search.within_arcmin:g}' of the {search.measured_from}"
    if search.least_elongation > 0:
        limits += f", at least {search.least_elongation:g} degrees from the Sun"
    if search.brighter_than is not None:
        limits += f", brighter than magnitude {search.brighter_than:g}"
    bodies = "the body" if len(catalogue) == 1 else f"none of {len(catalogue)} bodies"
    objects = "the object" if len(search.targets) == 1 else f"any of {len(search.targets)} objects"
    verb = "does not come" if len(catalogue) == 1 else "comes"
    span = f"{search.start.iso[:16]} and {search.end.iso[:16]} UTC"
    return f"  {bodies} {verb} to a least separation from {objects} between {span} {limits}"


def _print_hidden(hidden) -> None:
    """How many passes the limits of elongation and brightness have hidden, where they hide all."""
    if hidden:
        elongations = [encounter.elongation for encounter in hidden]
        ends = dict.fromkeys(f"{pick(elongations):.0f}" for pick in (min, max))
        which = "1 pass" if len(hidden) == 1 else f"{len(hidden)} passes"
        print(f"  without these limits: {which}, {' to '.join(ends)} degrees from the Sun")


def _campaign(args):
    """The campaign file, or an empty one, with the options laid over it."""
    from appulse.encounters import BodyChoice, Campaign, TargetChoice, read_campaign
    from appulse.observers import parse_utc

    given = {"start": args.begin, "end": args.end}
    dates = {name: parse_utc(text) for name, text in given.items() if text is not None}
    if args.campaign is not None:
        campaign = replace(read_campaign(args.campaign), **dates)
    elif len(dates) < 2:
        raise InputError("no dates: give --from and --to, or a campaign file")
    else:
        campaign = Campaign(title="search", bodies=BodyChoice(), targets=TargetChoice(), **dates)
    if not campaign.end > campaign.start:
        raise InputError(f"--from {campaign.start.isot} must be earlier than --to {campaign.end.isot}")
    bodies, targets, rule = campaign.bodies, campaign.targets, campaign.rule
    if args.body is not None:
        bodies = replace(bodies, names=tuple(common.split_names(args.body) or ()), lines={})
    if args.orbits:
        bodies = replace(bodies, orbits=(str(args.orbits),), lines={})
    if args.brighter_than is not None:
        if not -30 <= args.brighter_than <= 40:
            raise InputError(f"--brighter-than {args.brighter_than:g}: a magnitude from -30 to 40 is wanted")
        bodies = replace(bodies, brighter_than=args.brighter_than)
    if args.object is not None:
        names = tuple(name.strip() for name in args.object.split(",") if name.strip())
        if not names:
            raise InputError(
                f"--object {args.object!r} names no object: give names, or leave it out for all"
            )
        targets = replace(targets, names=names, lines={})
    if args.within is not None:
        if not 0 < args.within <= 600:
            raise InputError(f"--within {args.within:g}: above 0 and at most 600 arcmin is allowed")
        rule = replace(rule, within=args.within)
    if args.body_by_body:
        rule = replace(rule, body_by_body=True)
    if args.measured_from:
        rule = replace(rule, measured_from=args.measured_from)
    if args.elongation is not None:
        if not 0 <= args.elongation < 180:
            raise InputError(f"--elongation {args.elongation:g}: 0 to 180 degrees from the Sun are allowed")
        rule = replace(rule, least_elongation=args.elongation)
    if args.campaign is None and args.brighter_than is None and not bodies.names:
        from appulse.workflows import SMALL_TELESCOPE_MAG

        bodies = replace(bodies, brighter_than=SMALL_TELESCOPE_MAG)
    return replace(campaign, bodies=bodies, targets=targets, rule=rule)


_LINE = "  {:>4}  {:28} {:16} {:>10} {:>7} {:>6} {:>6}"


def _print(table, path):
    print(f"{path}: {len(table)} {'pass' if len(table) == 1 else 'passes'}")
    if not len(table):
        return
    print(_LINE.format("", "encounter", "UTC", "separation", "inside", "mag", "elong."))
    for number, row in enumerate(table[:10], 1):
        print(
            _LINE.format(
                number,
                row["encounter"],
                row["time"][:16],
                f"{row['separation'] / 60:.2f}'",
                "yes" if row["inside_outline"] else "no",
                "?" if table["mag"].mask[number - 1] else f"{row['mag']:.1f}",
                f"{row['elongation']:.0f}",
            )
        )
        if "tail_words" in table.colnames and row["tail_words"]:
            print(f"        {row['tail_words']}: tail {row['tail']:.0f}', coma {row['coma']:.0f}'")
        if "chances" in table.colnames:
            print(f"        {row['chances']}")
        if "from_sites" in table.colnames and row["from_sites"]:
            print(f"        {row['from_sites']}")
    if len(table) > 10:
        print(f"  ... and {len(table) - 10} more in the table")

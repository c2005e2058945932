"""``appulse encounters``: which bodies pass which objects, months ahead."""

import argparse
from dataclasses import replace
from pathlib import Path

from appulse.cli import common
from appulse.cli.campaign import bodies_of, check_dates, targets_of
from appulse.errors import InputError

_EXAMPLES = """\
examples:
  all passes of the bundled bodies within 10' of any catalogue object in a month, from the Earth's centre
    appulse encounters --from 2027-05-01 --to 2027-06-01 --out may.ecsv
  one body, some objects, a wider look, as seen from a site
    appulse encounters --bodies 7 --targets "IC 4603,IC 4604" --from 2027-04-01 --to 2027-07-01 --within 60 \\
      --site -68,-23,2400 --out iris.ecsv
  a campaign file with sites, limits and weights; a second option overrides what it says
    appulse encounters spring.yaml --within 5 --jobs 2 --out ranked.ecsv

A row per pass: its id, UTC and separation of the least distance from the object's centre, whether the body
goes inside the outline, when it enters and leaves, magnitude, elongation, motion. With sites in the campaign
the rows are ranked, each term of the ranking has its column, and the chance of a clear night from each site,
or why there is none, is told in words.
"""


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser(
        "encounters",
        description="Search a span of dates for passes of bodies by deep-sky objects.",
        epilog=_EXAMPLES,
    )
    parser.add_argument("campaign", nargs="?", type=Path, metavar="CAMPAIGN.yaml", help="a campaign file")
    parser.add_argument("--bodies", metavar="NAME,...", help="numbers, names; all when left out")
    parser.add_argument("--orbits", type=Path, metavar="FILE", help="orbits; the bundled set by default")
    parser.add_argument("--targets", metavar="NAME,...", help="objects; the whole catalogue when left out")
    parser.add_argument("--from", dest="begin", metavar="T", help="first UTC, e.g. 2027-05-01")
    parser.add_argument("--to", dest="end", metavar="T", help="last UTC")
    parser.add_argument("--within", type=float, metavar="ARCMIN", help="largest separation (10)")
    parser.add_argument(
        "--measured-from", choices=("centre", "outline"), help="where --within starts: the object's centre"
    )
    parser.add_argument("--body-by-body", action="store_true", help="also two minor bodies by each other")
    parser.add_argument("--brighter-than", type=float, metavar="MAG", help="faintest body")
    common.add_site_option(parser)
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="processes to search with (1)")
    parser.add_argument("--dask", metavar="ADDRESS", help="search on this Dask cluster, e.g. tcp://host:8786")
    common.add_output_options(parser, out_help="the table to write, e.g. passes.ecsv")


def run(args: argparse.Namespace) -> int:
    """Search, rank, write.

    Raises
    ------
    InputError
        If the campaign or an option cannot be understood.
    OutputExistsError
        If the output exists and ``--overwrite`` was not given.
    """
    from appulse.encounters.pass_table import gather, passes_table
    from appulse.formats.output import check_free, write_table
    from appulse.formats.provenance import provenance

    check_free([args.out], args.overwrite)
    campaign = _campaign(args)
    check_dates(campaign)
    catalogue = bodies_of(campaign)
    search = _search(campaign, args)
    _say_dim(catalogue, search.brighter_than)
    passes = _find(catalogue, search, args)
    if campaign.rule.body_by_body:
        if args.site is not None:
            common.note("passes of body by body are those of the Earth's centre, whatever --site says")
        passes = _with_mutual(passes, catalogue, campaign)
    events = gather(passes, campaign.rule.group_within)
    more = {}
    if campaign.sites and passes:
        ranks, chances = _rank(passes, catalogue, campaign)
        order = sorted(range(len(passes)), key=lambda i: -ranks[i].score)
        passes, events = [passes[i] for i in order], [events[i] for i in order]
        more = {"ranks": [ranks[i] for i in order], "chances": [chances[i] for i in order]}
    table = passes_table(passes, events=events, meta=provenance(**_asked(search, catalogue)), **more)
    write_table(table, args.out, args.overwrite)
    _print(table, args.out)
    if not len(table):
        print(_why_none(search, catalogue))
        _say_hidden(search, catalogue, args)
    return 0


def _say_dim(catalogue, brighter_than):
    """Bodies of unknown brightness never pass a limit of magnitude; that is said, not passed over."""
    import numpy as np

    unknown = int(np.sum(np.isnan(catalogue.h) & np.isnan(catalogue.m1)))
    if brighter_than is not None and unknown:
        which = f"{unknown} of {len(catalogue)} bodies have no magnitude in their orbits"
        common.note(f"{which}: a limit of brightness leaves them out")


def _asked(search, catalogue):
    """What was searched, for the table's provenance; a site without a code by its name alone."""
    return {
        "orbits": {"source": catalogue.source, "bodies": len(catalogue)},
        "options": {
            "from": search.start.isot,
            "to": search.end.isot,
            "within_arcmin": search.within_arcmin,
            "measured_from": search.measured_from,
            "least_elongation_deg": search.least_elongation,
            "brighter_than": search.brighter_than,
            "observer": search.observer.code or search.observer.name,
            "objects": len(search.targets),
        },
    }


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


def _say_hidden(search, catalogue, args):
    """How many passes the limits of elongation and brightness have hidden, where they hide all."""
    if search.least_elongation <= 0 and search.brighter_than is None:
        return
    hidden = _find(catalogue, replace(search, least_elongation=0.0, brighter_than=None), args)
    if hidden:
        ends = dict.fromkeys(f"{pick(one.elongation for one in hidden):.0f}" for pick in (min, max))
        which = "1 pass" if len(hidden) == 1 else f"{len(hidden)} passes"
        print(f"  without these limits: {which}, {' to '.join(ends)} degrees from the Sun")


def _campaign(args):
    """The campaign file, or an empty one, with the options laid over it."""
    from appulse.encounters.campaign_file import BodyChoice, Campaign, TargetChoice, read_campaign
    from appulse.observers.timescales import parse_utc

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
    if args.bodies is not None:
        bodies = replace(bodies, names=tuple(common.split_names(args.bodies) or ()), lines={})
    if args.orbits:
        bodies = replace(bodies, orbits=(str(args.orbits),), lines={})
    if args.brighter_than is not None:
        if not -30 <= args.brighter_than <= 40:
            raise InputError(f"--brighter-than {args.brighter_than:g}: a magnitude from -30 to 40 is wanted")
        bodies = replace(bodies, brighter_than=args.brighter_than)
    if args.targets is not None:
        names = tuple(name.strip() for name in args.targets.split(",") if name.strip())
        if not names:
            raise InputError(
                f"--targets {args.targets!r} names no object: give names, or leave it out for all"
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
    if args.campaign is None:
        rule = replace(rule, least_elongation=0.0)
    return replace(campaign, bodies=bodies, targets=targets, rule=rule)


def _search(campaign, args):
    from appulse.encounters.passes import Search
    from appulse.formats.settings import site_of
    from appulse.observers.site import Site

    return Search(
        targets=targets_of(campaign),
        start=campaign.start,
        end=campaign.end,
        observer=Site.geocentre() if args.site is None else site_of(args.site, campaign.sites),
        within_arcmin=campaign.rule.within,
        measured_from=campaign.rule.measured_from,
        least_elongation=campaign.rule.least_elongation,
        brighter_than=campaign.bodies.brighter_than,
    )


def _find(catalogue, search, args):
    """Run the search here, on processes, or on a cluster, with a progress bar."""
    import contextlib
    import sys
    from concurrent.futures import ProcessPoolExecutor

    from tqdm import tqdm

    from appulse.encounters.passes import find_passes, on_dask

    if args.jobs < 1:
        raise InputError(f"--jobs {args.jobs}: at least 1 process is needed")
    with contextlib.ExitStack() as stack:
        bar = stack.enter_context(
            tqdm(total=len(catalogue), unit="body", file=sys.stderr, disable=not sys.stderr.isatty())
        )
        run = None
        if args.dask:
            run = on_dask(args.dask)
        elif args.jobs > 1:
            run = stack.enter_context(ProcessPoolExecutor(args.jobs)).map
        return find_passes(catalogue, search, run=run, progress=bar.update)


def _with_mutual(passes, catalogue, campaign):
    """Passes of body by body among the others, in the order of time."""
    from appulse.encounters.passes import find_mutual_passes

    limits = {"brighter_than": campaign.bodies.brighter_than}
    more = find_mutual_passes(catalogue, campaign.start, campaign.end, campaign.rule.within, **limits)
    more = [one for one in more if one.elongation >= campaign.rule.least_elongation]
    return sorted([*passes, *more], key=lambda one: (one.time.jd, one.id))


def _rank(passes, catalogue, campaign):
    """Rank of each pass by what the campaign's sites see on the nights around, and its chances in words."""
    from appulse.encounters.ranking import advice, odds, rank, why_not
    from appulse.encounters.visibility import serving_nights
    from appulse.workflows.sources import counted

    ranks, chances = [], []
    for one in counted(passes, "nights of the passes", None):
        nights = serving_nights(one, catalogue, campaign)
        ranks.append(rank(one, nights, campaign.ranking, campaign.rule.within))
        of_site = {s.name: [night for night in nights if night.site.name == s.name] for s in campaign.sites}
        if any(night.hours > 0 for night in nights):
            chances.append(advice({name: odds(some) for name, some in of_site.items()}, campaign.rental))
        else:
            told = (f"from {name} not at all, {why_not(some)}" for name, some in of_site.items())
            chances.append("; ".join(told))
    return ranks, chances


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
        if "chances" in table.colnames:
            print(f"        {row['chances']}")
    if len(table) > 10:
        print(f"  ... and {len(table) - 10} more in the table")

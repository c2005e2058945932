"""``appulse plan``: how to photograph one pass: night, framing, exposures, a sheet to print."""

import argparse
from pathlib import Path

from appulse.cli import common
from appulse.cli.plan_files import FILES, write_plan
from appulse.errors import InputError

_EXAMPLES = """\
examples:
  the best site and night of the campaign for a pass that appulse encounters listed
    appulse plan campaign.yaml --encounter 7-IC4603-20270504 --out iris_plan
  from one site, with one instrument, on one night, a frame every two minutes
    appulse plan campaign.yaml --encounter 7-IC4603-20270504 --site hosted --instrument "short refractor" \\
      --night 2027-05-04 --cadence 120 --out iris_plan

The folder then holds night_sheet.html and .pdf (to print), plan.yaml (every figure with its formula),
preview.fits and .png (an invented frame of the field, which appulse reads), pointings.csv, passes.ics
(calendar with alarms) and booking.txt (slots in UTC and local time, and the cost where the campaign gives a
price). All of it is computed for the site's place rounded to 0.01 degrees, unless it says private: false.
"""

LONGEST_SHIFT_D = 1.5
WIDE_ARCMIN = 600.0


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser(
        "plan", description="Plan the capture of one pass: when, how, and with what odds.", epilog=_EXAMPLES
    )
    parser.add_argument("campaign", type=Path, metavar="CAMPAIGN.yaml", help="sites, instruments, limits")
    parser.add_argument("--encounter", required=True, metavar="ID", help="id out of the table of passes")
    parser.add_argument(
        "--site",
        metavar="NAME",
        help="a site of the campaign or of the settings file; the likeliest when left out",
    )
    parser.add_argument(
        "--instrument",
        metavar="NAME",
        help="an instrument of the campaign or of the settings file; its first",
    )
    parser.add_argument("--night", metavar="DATE", help="evening's local date, e.g. 2027-05-04; the nearest")
    parser.add_argument("--cadence", type=float, metavar="SECONDS", help="time between exposures")
    parser.add_argument("--trail", type=float, metavar="ARCSEC", help="longest trail; the seeing by default")
    parser.add_argument("--seed", type=_seed, default=1, metavar="N", help="of the preview's noise (1)")
    common.add_output_options(parser, out_help="folder for the plan")


def _seed(text: str) -> int:
    """A whole number of 0 or more."""
    if not text.isdigit():
        raise argparse.ArgumentTypeError(f"{text!r} is no whole number of 0 or more")
    return int(text)


def run(args: argparse.Namespace) -> int:
    """Plan and write.

    Raises
    ------
    InputError
        If the campaign, the pass or an option cannot be used.
    OutputExistsError
        If an output exists and ``--overwrite`` was not given.
    """
    from appulse.bodies.ephemeris import NBodyEphemeris
    from appulse.encounters.campaign_file import read_campaign
    from appulse.encounters.capture import plan_capture
    from appulse.encounters.ranking import advice, odds
    from appulse.encounters.visibility import body_vectors, serving_nights
    from appulse.formats.output import check_free

    check_free([args.out / name for name in FILES], args.overwrite)
    campaign = _with_named(read_campaign(args.campaign), args)
    one, catalogue = _find(args.encounter, campaign)
    nights = serving_nights(one, catalogue, campaign)
    chances = {s.name: odds([night for night in nights if night.site.name == s.name]) for s in campaign.sites}
    night = _choose_night(one, nights, chances, args)
    one = _seen_from(one, catalogue, night.site)
    wishes = {"trail_arcsec": args.trail, "cadence_s": args.cadence}
    vectors = body_vectors(one, catalogue)
    plan = plan_capture(one, night, campaign.instruments[0], vectors, **wishes)
    words = advice(chances, campaign.rental)
    write_plan(plan, NBodyEphemeris(catalogue), vectors, chances, words, campaign, args)
    _print(plan, words, args)
    return 0


def _with_named(campaign, args):
    """The campaign with the instrument of the options first, and a site of the settings file added."""
    from dataclasses import replace

    from appulse.formats.settings import read_settings

    kept = read_settings()
    sites, instruments = campaign.sites, campaign.instruments
    if args.site is not None:
        args.site = _pick(sites, kept.sites, args.site, "site").name
        if args.site not in [one.name for one in sites]:
            sites = (*sites, kept.site(args.site))
    if args.instrument is not None:
        chosen = _pick(instruments, kept.instruments, args.instrument, "instrument")
        instruments = (chosen, *(one for one in instruments if one is not chosen))
    for what, found in (("sites", sites), ("instruments", instruments)):
        if not found:
            raise InputError(
                f"{args.campaign}: a plan needs {what}: name them, or define them in the campaign"
            )
    return replace(campaign, sites=sites, instruments=instruments)


def _pick(mine, kept, name, what):
    """The campaign's or the settings file's entry of a name."""
    from appulse.formats.settings import named

    known = {one.name: one for one in (*kept, *mine)}
    found = named(known, name)
    if found is None:
        told = f"{', '.join(one.name for one in mine) or 'none'}; of the settings file: "
        told += ", ".join(one.name for one in kept if one.name not in {o.name for o in mine}) or "none more"
        raise InputError(f"--{what} {name!r} is not known; of the campaign: {told}")
    return found


def _find(encounter, campaign):
    """The pass of an id, searched again around its date among what the id can mean."""
    import numpy as np
    from astropy import units as u
    from astropy.time import Time

    from appulse.cli.campaign import bodies_of, targets_of
    from appulse.encounters.passes import Search, find_passes, slug
    from appulse.observers.site import Site

    parts = encounter.split("-")
    if len(parts) != 3 or not (parts[2].isdigit() and len(parts[2]) == 8):
        raise InputError(f"--encounter {encounter!r} is no id: body-object-date, as 7-IC4603-20270504")
    body, target, date = parts
    catalogue = bodies_of(campaign)
    rows = [i for i, name in enumerate(catalogue.designation) if slug(str(name)) == body]
    targets = targets_of(campaign)
    wanted = [i for i in range(len(targets)) if slug(targets.outline(i).name) == target]
    if rows and not wanted and any(slug(str(name)) == target for name in catalogue.designation):
        raise InputError(f"--encounter {encounter} is a pass of two bodies; a plan needs an object at rest")
    if not rows or not wanted:
        what = f"body '{body}'" if not rows else f"object '{target}'"
        raise InputError(f"--encounter {encounter}: no {what} in this campaign; see appulse encounters")
    middle = Time(f"{date[:4]}-{date[4:6]}-{date[6:]}T12:00:00", scale="utc")
    search = Search(
        targets.take(np.array(wanted)), middle - 3 * u.day, middle + 3 * u.day, Site.geocentre(), WIDE_ARCMIN
    )
    catalogue = catalogue.take(np.array(rows))
    passes = find_passes(catalogue, search)
    if not passes:
        raise InputError(f"--encounter {encounter}: body and object do not pass each other on that date")
    one = min(passes, key=lambda one: abs((one.time - middle).jd))
    # a day's grace: an id made for a site may fall on the other side of midnight
    if abs((one.time - middle).jd) > LONGEST_SHIFT_D:
        raise InputError(f"--encounter {encounter}: the pass nearest to that date is {one.id}")
    return one, catalogue


def _seen_from(one, catalogue, site):
    """The same pass as the site sees it: parallax moves a near body by more than its separation."""
    from dataclasses import replace

    import numpy as np
    from astropy import units as u

    from appulse.encounters.passes import Search, find_passes
    from appulse.encounters.targets import Targets

    span = one.time - 2 * u.day, one.time + 2 * u.day
    search = Search(Targets.from_outlines([one.target]), *span, site.place, WIDE_ARCMIN)
    seen = find_passes(catalogue.take(np.array([one.row])), search)
    if not seen:
        return one
    nearest = min(seen, key=lambda other: abs((other.time - one.time).jd))
    return replace(nearest, id=one.id, row=one.row)


def _choose_night(one, nights, chances, args):
    """The night of the options, or the nearest that serves at the likeliest site."""
    import datetime

    from appulse.encounters.ranking import why_not

    if args.site is not None:
        nights = [night for night in nights if night.site.name == args.site]
    if args.night is not None:
        try:
            day = datetime.date.fromisoformat(args.night)
        except ValueError:
            raise InputError(f"--night {args.night!r} is no date; give it as 2027-05-04") from None
        around = sorted({night.evening for night in nights})
        nights = [night for night in nights if night.evening == day]
        if not nights:
            span = f"{around[0]} to {around[-1]}"
            raise InputError(f"--night {args.night} is not among the nights around the pass: {span}")
    serving = [night for night in nights if night.hours > 0]
    if not serving:
        of_site = {name: [night for night in nights if night.site.name == name] for name in chances}
        reasons = [f"{name}: {why_not(some)}" for name, some in of_site.items() if some]
        raise InputError(f"no night serves. {'; '.join(reasons)}")
    if args.site is None:
        best = max({night.site.name for night in serving}, key=lambda name: chances[name].chance)
        serving = [night for night in serving if night.site.name == best]

    def away(night):
        begin, end = night.interval
        return max((begin - one.time).jd, (one.time - end).jd, 0.0)

    return min(serving, key=away)


_SHOWN = (
    "scale", "altitude", "sky", "motion_px", "exposure", "count", "snr", "snr_total", "composite", "fits"
)  # fmt: skip


def _print(plan, words, args):
    from appulse.reports.night_sheet import headline

    print(headline(plan))
    print(words[0].upper() + words[1:])
    print()
    for key in _SHOWN:
        if key in plan.figures:
            print(f"  {plan.figures[key].label:34} {plan.figures[key]}")
    for warning in plan.warnings:
        common.note(warning)
    print(f"\nWritten to {args.out}: {', '.join(FILES)}")

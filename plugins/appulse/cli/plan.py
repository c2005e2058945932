"""``appulse plan``: how to photograph one pass: night, framing, exposures, a sheet to print."""

import argparse
from pathlib import Path

from appulse.cli import common

_EXAMPLES = """\
examples:
  the best site and night of the campaign for a pass that appulse encounters listed
    appulse plan campaign.yaml --encounter 7-IC4603-20270504 --out iris_plan
  all through the night, as many exposures as the camera can take
    appulse plan campaign.yaml --encounter 7-IC4603-20270504 --densest --out iris_dense
  from one site, with one instrument, on one night, a frame every two minutes
    appulse plan campaign.yaml --encounter 7-IC4603-20270504 --site hosted --instrument "short refractor" \\
      --night 2027-05-04 --cadence 120 --out iris_plan

  two sites at the same time: common windows, baseline, how well the distance would come out
    appulse plan campaign.yaml --encounter 7-IC4603-20270504 --site hosted --together home --out both

The folder then holds night_sheet.html and .pdf (to print), plan.yaml (every figure with its formula),
preview.fits (an invented frame of the field, which appulse reads), preview.png (the finished stack as it will
look), pointings.csv, passes.ics (calendar with alarms) and booking.txt (slots in UTC and local time, and the
cost where the campaign gives a price). All of it is computed for the site's place rounded to 0.01 degrees,
unless it says private: false.
"""

TOGETHER_TABLE = "together.ecsv"


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser(
        "plan", description="Plan the capture of one pass: when, how, and with what chance.", epilog=_EXAMPLES
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
    parser.add_argument(
        "--together", metavar="NAME",
        help="a second site: common windows, projected baseline, and how well the distance would come out",
    )  # fmt: skip
    parser.add_argument(
        "--place-sigma", type=float, default=0.2, metavar="ARCSEC",
        help="1-sigma of a measured place that --together reckons with (0.2)",
    )  # fmt: skip
    parser.add_argument("--night", metavar="DATE", help="evening's local date, e.g. 2027-05-04; the nearest")
    parser.add_argument(
        "--dots", type=int, default=12, metavar="N", help="separate dots of the body in the picture (12)"
    )
    parser.add_argument(
        "--densest", action="store_true", help="expose all through the usable hours, without a pause"
    )
    parser.add_argument(
        "--cadence", type=float, metavar="SECONDS", help="the same, with this time between exposures"
    )
    parser.add_argument("--trail", type=float, metavar="ARCSEC", help="longest trail; the seeing by default")
    parser.add_argument(
        "--tail-length", type=float, metavar="DEG", help="of a comet; by its total magnitude when left out"
    )
    parser.add_argument("--seed", type=_seed, default=1, metavar="N", help="of the preview's noise (1)")
    common.add_kernel_option(parser)
    common.add_output_options(parser, out_help="folder for the plan", default="appulse-plan")
    common.add_progress_option(parser)


def _seed(text: str) -> int:
    """A whole number of 0 or more."""
    from appulse.files import whole_number

    seed = whole_number(text)
    if seed is None:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number of 0 or more")
    return seed


def run(args: argparse.Namespace) -> int:
    """Plan and write."""
    from appulse.encounters import read_campaign
    from appulse.formats import check_free, together, write_table
    from appulse.workflows import FILES, plan_capture, plan_together, save_plan

    more = [TOGETHER_TABLE] if args.together is not None else []
    check_free([args.out / name for name in (*FILES, *more)], args.overwrite)
    with common.progress_of(args) as progress:
        progress("planning the night", 0, 0)
        planned = plan_capture(
            read_campaign(args.campaign), args.encounter, site=args.site, instrument=args.instrument,
            night=args.night, trail_arcsec=args.trail, cadence_s=args.cadence,
            dots=None if args.densest else args.dots, tail_deg=args.tail_length,
        )  # fmt: skip
        both = None
        if args.together is not None:
            progress("planning for two sites", 0, 0)
            pair = planned.plan.night.site.name, args.together
            both = plan_together(planned.campaign, args.encounter, pair, place_arcsec=args.place_sigma)
        for words in planned.notes:
            common.note(words)
        progress("drawing the plan", 0, 0)
        with together():
            save_plan(planned, args.out, seed=args.seed, overwrite=args.overwrite)
            if both is not None:
                write_table(both.table, args.out / TOGETHER_TABLE, args.overwrite)
    _print(planned)
    if both is not None:
        _print_together(both)
    print(f"\nWritten to {args.out}: {', '.join((*FILES, *more))}")
    return 0


# Most rows of the common windows that are printed.
MOST_ROWS = 12


def _print_together(both) -> None:
    """Common windows of two sites, and what they give."""
    print()
    for words in both.sentences:
        print(words)
    step = max(1, -(-len(both.table) // MOST_ROWS))
    for row in both.table[::step]:
        up = ", ".join(f"{name} {row[f'altitude_{name}']:.0f} degrees up" for name in both.sites)
        print(f"  {row['time']}  {row['baseline_km']:6.0f} km  {row['parallax_arcsec']:8.2f} arcsec  {up}")


_SHOWN = (
    "scale", "altitude", "sky", "motion_px", "exposure", "exposure_limit", "dots", "dots_every",
    "per_dot", "count", "total", "volume", "coma", "coma_surface", "snr_coma", "coma_time", "coma_blur",
    "snr", "snr_total", "composite", "fits",
)  # fmt: skip


def _print(planned) -> None:
    from appulse.reports import cost_text, headline

    plan, words = planned.plan, planned.advice
    print(headline(plan))
    print(words[0].upper() + words[1:])
    print()
    if plan.encounter.tail is not None:
        tail = plan.encounter.tail
        print(f"  {tail.words}: tail {tail.tail_arcmin:.0f}', position angle {tail.tail_pa:.0f}\u00b0")
    for key in _SHOWN:
        if key in plan.figures:
            print(f"  {plan.figures[key].label:34} {plan.figures[key]}")
    rental = planned.campaign.rental.get(plan.night.site.name)
    if rental is not None:
        print(f"  {'hired time':34} {cost_text(plan, rental)}")
    for warning in plan.warnings:
        common.note(warning)

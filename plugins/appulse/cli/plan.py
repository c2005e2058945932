"""``appulse plan``: how to photograph one pass: night, framing, exposures, a sheet to print."""

import argparse
from pathlib import Path

from appulse.cli import common
from appulse.errors import InputError

_EXAMPLES = """\
examples:
  the best site and night of the campaign for a pass that appulse encounters listed
    appulse plan campaign.yaml --encounter 7-IC4603-20270504 --out iris_plan
  from one site, with one instrument, on one night, a frame every two minutes
    appulse plan campaign.yaml --encounter 7-IC4603-20270504 --site hosted --instrument short \\
      --night 2027-05-04 --cadence 120 --out iris_plan

The folder then holds night_sheet.html and .pdf (to print), plan.yaml (every figure with its formula),
preview.fits and .png (an invented frame of the field, which appulse reads), pointings.csv, passes.ics
(calendar with alarms) and booking.txt (slots in UTC and local time, and the cost where the campaign gives a
price).
"""

FILES = (
    "night_sheet.html", "night_sheet.pdf", "plan.yaml", "preview.fits", "preview.png", "pointings.csv",
    "passes.ics", "booking.txt",
)  # fmt: skip


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser(
        "plan", description="Plan the capture of one pass: when, how, and with what odds.", epilog=_EXAMPLES
    )
    parser.add_argument("campaign", type=Path, metavar="CAMPAIGN.yaml", help="sites, instruments, limits")
    parser.add_argument("--encounter", required=True, metavar="ID", help="id out of the table of passes")
    parser.add_argument("--site", metavar="NAME", help="a site of the campaign; the likeliest when left out")
    parser.add_argument("--instrument", metavar="NAME", help="an instrument of the campaign; its first")
    parser.add_argument("--night", metavar="DATE", help="evening's local date, e.g. 2027-05-04; the nearest")
    parser.add_argument("--cadence", type=float, metavar="SECONDS", help="time between exposures")
    parser.add_argument("--trail", type=float, metavar="ARCSEC", help="longest trail; the seeing by default")
    parser.add_argument("--seed", type=int, default=1, help="of the preview's noise")
    common.add_output_options(parser, out_help="folder for the plan")


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
    from appulse.encounters.campaign import read_campaign
    from appulse.encounters.capture import plan_capture
    from appulse.encounters.serving import body_vectors, serving_nights
    from appulse.encounters.visibility import advice, odds
    from appulse.formats.output import check_free

    check_free([args.out / name for name in FILES], args.overwrite)
    campaign = read_campaign(args.campaign)
    if not campaign.sites or not campaign.instruments:
        what = "sites" if not campaign.sites else "instruments"
        raise InputError(f"{args.campaign}: a plan needs {what}: name them, or define them in the campaign")
    one, catalogue = _find(args.encounter, campaign)
    nights = serving_nights(one, catalogue, campaign)
    chances = {s.name: odds([night for night in nights if night.site is s]) for s in campaign.sites}
    night = _choose_night(one, nights, chances, args)
    instrument = _named(campaign.instruments, args.instrument, "instrument")
    wishes = {"trail_arcsec": args.trail, "cadence_s": args.cadence}
    vectors = body_vectors(one, catalogue)
    plan = plan_capture(one, night, instrument, vectors, **wishes)
    words = advice(chances)
    _write(plan, NBodyEphemeris(catalogue), vectors, chances, words, campaign, args)
    _print(plan, words, args)
    return 0


def _find(encounter, campaign):
    """The pass of an id, searched again around its date among what the id can mean."""
    import numpy as np
    from astropy import units as u
    from astropy.time import Time

    from appulse.cli.encounters import bodies_of
    from appulse.encounters.search import Search, find_passes, slug
    from appulse.encounters.targets import choose_targets
    from appulse.observers.site import Site

    parts = encounter.split("-")
    if len(parts) != 3 or not (parts[2].isdigit() and len(parts[2]) == 8):
        raise InputError(f"--encounter {encounter!r} is no id: body-object-date, as 7-IC4603-20270504")
    body, target, date = parts
    catalogue = bodies_of(campaign)
    rows = [i for i, name in enumerate(catalogue.designation) if slug(str(name)) == body]
    targets = choose_targets(campaign.targets)
    wanted = [i for i in range(len(targets)) if slug(targets.outline(i).name) == target]
    if not rows or not wanted:
        what = f"body '{body}'" if not rows else f"object '{target}'"
        raise InputError(f"--encounter {encounter}: no {what} in this campaign; see appulse encounters")
    middle = Time(f"{date[:4]}-{date[4:6]}-{date[6:]}T12:00:00", scale="utc")
    search = Search(
        targets.take(np.array(wanted)), middle - 3 * u.day, middle + 3 * u.day, Site.geocentre(), 600.0
    )
    catalogue = catalogue.take(np.array(rows))
    passes = find_passes(catalogue, search)
    if not passes:
        raise InputError(f"--encounter {encounter}: body and object do not pass each other on that date")
    return min(passes, key=lambda one: abs((one.time - middle).jd)), catalogue


def _choose_night(one, nights, chances, args):
    """The night of the options, or the nearest that serves at the likeliest site."""
    import datetime

    if args.site is not None:
        nights = [night for night in nights if night.site.name == args.site]
        if not nights:
            raise InputError(f"--site {args.site!r} is not one of the campaign's: {', '.join(chances)}")
    if args.night is not None:
        try:
            day = datetime.date.fromisoformat(args.night)
        except ValueError:
            raise InputError(f"--night {args.night!r} is no date; give it as 2027-05-04") from None
        nights = [night for night in nights if night.evening == day]
        if not nights:
            raise InputError(f"--night {args.night} is not among the nights around the pass")
    serving = [night for night in nights if night.hours > 0]
    if not serving:
        reasons = {f"{night.site.name}: {night.reason}" for night in nights}
        raise InputError(f"no night serves: {'; '.join(sorted(reasons))}")
    if args.site is None:
        best = max({night.site.name for night in serving}, key=lambda name: chances[name].chance)
        serving = [night for night in serving if night.site.name == best]

    def away(night):
        begin, end = night.interval
        return max((begin - one.time).jd, (one.time - end).jd, 0.0)

    return min(serving, key=away)


def _named(items, name, what):
    if name is None:
        return items[0]
    found = next((item for item in items if item.name == name), None)
    if found is None:
        known = ", ".join(item.name for item in items)
        raise InputError(f"--{what} {name!r} is not one of the campaign's: {known}")
    return found


def _picture(fits_path, png_path, plan, ephemeris, overwrite):
    """The preview, read back as any frame is, with the object's outline and the body's track."""
    from appulse.frames.reading import read_frame
    from appulse.overlays.tracks import track_in_frame
    from appulse.reports.picture import annotated_png

    frame = read_frame(fits_path)
    track = track_in_frame(frame, ephemeris, plan.encounter.designation)
    annotated_png(
        frame,
        png_path,
        tracks=[] if track is None else [track],
        outlines=[plan.encounter.target],
        title=f"invented preview of {plan.encounter.id}",
        overwrite=overwrite,
    )


def _write(plan, ephemeris, vectors, chances, words, campaign, args):
    """Every file of the plan."""
    import io

    import yaml

    from appulse.encounters.preview import invent_frame
    from appulse.formats.output import replacing, write_bytes, write_text
    from appulse.formats.provenance import provenance
    from appulse.reports.calendar import write_calendar
    from appulse.reports.night_sheet import booking_text, night_sheet_html, night_sheet_pdf

    out, over = args.out, args.overwrite
    html = night_sheet_html(plan, odds=chances, advice=words)
    write_text(out / "night_sheet.html", html, over)
    write_bytes(out / "night_sheet.pdf", night_sheet_pdf(plan), over)
    kept = {
        "encounter": plan.encounter.id,
        "site": plan.night.site.name,
        "night": plan.night.evening.isoformat(),
        "instrument": plan.instrument.name,
        "begin_utc": plan.begin.isot,
        "end_utc": plan.end.isot,
        "pointing": {
            "ra_deg": round(plan.framing.ra, 6),
            "dec_deg": round(plan.framing.dec, 6),
            "rotation_deg": round(plan.framing.rotation_deg, 2),
        },
        "figures": {
            key: {"value": figure.value, "unit": figure.unit, "label": figure.label, "source": figure.source}
            for key, figure in plan.figures.items()
        },
        "warnings": list(plan.warnings),
        "provenance": provenance(),
    }
    write_text(out / "plan.yaml", yaml.safe_dump(kept, sort_keys=False, allow_unicode=True), over)
    hdu = invent_frame(plan, vectors, seed=args.seed)
    with replacing(out / "preview.fits", over) as temporary:
        hdu.writeto(temporary, overwrite=True)
    _picture(out / "preview.fits", out / "preview.png", plan, ephemeris, over)
    buffer = io.StringIO()
    buffer.write("name,ra_deg,dec_deg,rotation_deg,begin_utc,end_utc,exposure_s,count\n")
    framing = plan.framing
    buffer.write(
        f"{plan.encounter.id},{framing.ra:.6f},{framing.dec:.6f},{framing.rotation_deg:.2f},"
        f"{plan.begin.isot},{plan.end.isot},{plan.exposure_s:g},{plan.count}\n"
    )
    write_text(out / "pointings.csv", buffer.getvalue(), over)
    entries = [(plan.encounter, night) for odds in chances.values() for night in odds.nights]
    write_calendar(entries, out / "passes.ics", over)
    rental = campaign.rental.get(plan.night.site.name)
    others = [site for site in campaign.sites if site is not plan.night.site]
    write_text(out / "booking.txt", booking_text(plan, rental, others), over)


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

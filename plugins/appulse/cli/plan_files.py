"""The files of a plan: sheet, figures, preview, pointings, calendar, booking."""

FILES = (
    "night_sheet.html", "night_sheet.pdf", "plan.yaml", "preview.fits", "preview.png", "pointings.csv",
    "passes.ics", "booking.txt",
)  # fmt: skip


def _picture(fits_path, png_path, plan, ephemeris, overwrite):
    """The preview, read back as any frame is, with the object's outline and the body's track."""
    from appulse.frames.reading import read_frame
    from appulse.overlays.track import track_in_frame
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


def write_plan(plan, ephemeris, vectors, chances, words, campaign, args):
    """Every file of a plan.

    Parameters
    ----------
    plan : CapturePlan
    ephemeris : NBodyEphemeris
        For the preview's track.
    vectors : callable
        Geocentric vector of the body at a Time, (n, 3) au.
    chances : dict
        Site name to Odds.
    words : str
        The sentence that compares the sites.
    campaign : Campaign
    args : argparse.Namespace
        Options of ``appulse plan``.
    """
    from appulse.formats.output import together

    with together():
        _write(plan, ephemeris, vectors, chances, words, campaign, args)


def _write(plan, ephemeris, vectors, chances, words, campaign, args):
    import yaml

    from appulse.encounters.plan_preview import invent_frame
    from appulse.formats.output import replacing, write_bytes, write_text
    from appulse.reports.calendar import write_calendar
    from appulse.reports.night_sheet import booking_text, night_sheet_html, night_sheet_pdf

    out, over = args.out, args.overwrite
    html = night_sheet_html(plan, odds=chances, advice=words)
    write_text(out / "night_sheet.html", html, over)
    write_bytes(out / "night_sheet.pdf", night_sheet_pdf(plan, odds=chances, advice=words), over)
    kept = yaml.safe_dump(_as_mapping(plan), sort_keys=False, allow_unicode=True)
    write_text(out / "plan.yaml", kept, over)
    hdu = invent_frame(plan, vectors, seed=args.seed)
    with replacing(out / "preview.fits", over) as temporary:
        hdu.writeto(temporary, overwrite=True)
        _picture(temporary, out / "preview.png", plan, ephemeris, over)
    write_text(out / "pointings.csv", _pointings(plan), over)
    entries = [(plan.encounter, night) for odds in chances.values() for night in odds.nights]
    write_calendar(entries, out / "passes.ics", over)
    rental = campaign.rental.get(plan.night.site.name)
    others = [site for site in campaign.sites if site.name not in campaign.rental]
    write_text(out / "booking.txt", booking_text(plan, rental, others), over)


def _as_mapping(plan):
    """What plan.yaml holds."""
    from appulse.formats.provenance import provenance

    one, framing = plan.encounter, plan.framing
    figures = {
        key: {"value": _told(one.value), "unit": one.unit, "label": one.label, "source": one.source}
        for key, one in plan.figures.items()
    }
    return {
        "encounter": one.id,
        "least_separation": {
            "utc": one.time.isot[:19],
            "arcsec": round(one.separation_arcsec, 1),
            "inside_outline": bool(one.inside_outline),
            "seen_from": plan.night.site.name,
        },
        "site": plan.night.site.name,
        "night": plan.night.evening.isoformat(),
        "instrument": plan.instrument.name,
        "begin_utc": plan.begin.isot,
        "end_utc": plan.end.isot,
        "pointing": {
            "ra_deg": round(framing.ra, 6),
            "dec_deg": round(framing.dec, 6),
            "rotation_deg": round(framing.rotation_deg, 2),
        },
        "figures": figures,
        "warnings": list(plan.warnings),
        "provenance": provenance(),
    }


def _pointings(plan):
    """The plan's pointing as a line of CSV under its heading."""
    framing = plan.framing
    return (
        "name,ra_deg,dec_deg,rotation_deg,begin_utc,end_utc,exposure_s,count\n"
        f"{plan.encounter.id},{framing.ra:.6f},{framing.dec:.6f},{framing.rotation_deg:.2f},"
        f"{plan.begin.isot},{plan.end.isot},{plan.exposure_s:g},{plan.count}\n"
    )


def _told(value):
    """A figure as it may be told: six digits, as many as anybody can use."""
    return float(f"{value:.6g}") if isinstance(value, float) else value

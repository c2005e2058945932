"""How to photograph one pass: site, night, framing and exposures chosen, and the files of the plan."""

import datetime
import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from appulse.errors import InputError
from appulse.files import whole_number
from appulse.workflows.pass_search import bodies_of, targets_of
from appulse.workflows.sources import age_notes

DOTS = 12
"""Dots of the body in a picture: enough to show its way, few enough to be told apart (common practice)."""
LONGEST_SHIFT_D = 1.5
"""An id made for a site may fall on the other side of midnight: a day's grace, and half of one."""
WIDE_ARCMIN = 600.0
"""A pass is found again by its id whatever its separation."""

FILES = (
    "night_sheet.html", "night_sheet.pdf", "plan.yaml", "preview.fits", "preview.png", "pointings.csv",
    "passes.ics", "booking.txt",
)  # fmt: skip



@dataclass(frozen=True)
class PlannedCapture:
    """A plan for one pass, with the chances at every site."""

    plan: Any  # CapturePlan
    ephemeris: Any  # NBodyEphemeris: of the body
    vectors: Any  # callable: geocentric vector of the body at a Time, (n, 3) au
    chances: dict  # by the sites' names
    advice: str  # the sentence that compares the sites
    campaign: Any  # Campaign: with what was added of the settings file
    notes: tuple[str, ...] = ()


def plan_capture(
    campaign, encounter_id: str, *, site: str | None = None, instrument: str | None = None,
    night: str | None = None, trail_arcsec: float | None = None, cadence_s: float | None = None,
    dots: int | None = DOTS, tail_deg: float | None = None,
) -> PlannedCapture:  # fmt: skip
    """Plan the capture of one pass: when, how, and with what chance.

    Parameters
    ----------
    campaign : path or Campaign
        A campaign file: sites, instruments, limits; see ``sample_data/campaign.yaml``.
    encounter_id : str
        Out of the table of passes: body, object and date, as ``7-IC4603-20270504``.
    site, instrument : str, optional
        Names of the campaign or of the settings file; the likeliest site and the first instrument.
    night : str, optional
        The evening's local date, ISO; the nearest usable one when left out.
    trail_arcsec : float, optional
        Longest trail; the seeing when left out.
    cadence_s : float, optional
        Time between exposures, all through the usable hours.
    dots : int or None
        A series for a picture with so many separate dots of the body, and an hour of light for the still
        sky; None: the densest series that the camera and the night allow.
    tail_deg : float, optional
        Length of a comet's tail on the sky; by the law of its total magnitude when left out.

    Returns
    -------
    PlannedCapture

    Raises
    ------
    InputError
        If the pass, the site, the instrument or the night cannot be used, or no usable night.

    Examples
    --------
    >>> import tempfile, pathlib, appulse
    >>> file = pathlib.Path(tempfile.mkdtemp()) / "spring.yaml"
    >>> _ = file.write_text('''
    ... title: Iris among nebulae
    ... dates: {from: 2027-05-01, to: 2027-05-09}
    ... sites: [{name: hosted, place: [20.5, -23.0, 1250], time_zone: Africa/Windhoek, private: false}]
    ... instruments: [{name: small, aperture_mm: 70, focal_length_mm: 350, pixel_um: 6.1,
    ...                sensor_px: [1600, 1200], mount: equatorial}]
    ... ''')
    >>> planned = appulse.plan_capture(file, "7-IC4603-20270504")
    >>> planned.plan.night.site.name, planned.plan.night.evening.isoformat()
    ('hosted', '2027-05-04')
    """
    from appulse.bodies import NBodyEphemeris
    from appulse.encounters import advice, body_vectors, nights_of_pass, odds, read_campaign
    from appulse.encounters import plan_capture as plan_night

    if isinstance(campaign, str | os.PathLike):
        campaign = read_campaign(campaign)
    campaign, site = _with_named(campaign, site, instrument)
    encounter, catalogue, notes = _find(encounter_id, campaign)
    nights = nights_of_pass(encounter, catalogue, campaign)
    chances = {
        there.name: odds([night for night in nights if night.site.name == there.name])
        for there in campaign.sites
    }
    chosen = _choose_night(encounter, nights, chances, site, night)
    encounter = _seen_from(encounter, catalogue, chosen.site, tail_deg)
    vectors = body_vectors(encounter, catalogue)
    plan = plan_night(
        encounter, chosen, campaign.instruments[0], vectors, trail_arcsec=trail_arcsec, cadence_s=cadence_s,
        dots=dots,
    )
    words = advice(chances, campaign.rental)
    notes += age_notes([catalogue.orbit(encounter.row)], encounter.time, chosen.site.place)
    return PlannedCapture(plan, NBodyEphemeris(catalogue), vectors, chances, words, campaign, notes)


def _with_named(campaign, site: str | None, instrument: str | None):
    """The campaign with the chosen instrument first and the chosen site in it; and that site's name."""
    from appulse.formats import read_settings

    kept = read_settings()
    sites, instruments = campaign.sites, campaign.instruments
    if site is not None:
        site = _pick(sites, kept.sites, site, "site").name
        if site not in [there.name for there in sites]:
            sites = (*sites, kept.site(site))
    if instrument is not None:
        chosen = _pick(instruments, kept.instruments, instrument, "instrument")
        instruments = (chosen, *(other for other in instruments if other is not chosen))
    for what, found in (("sites", sites), ("instruments", instruments)):
        if not found:
            where = campaign.path or campaign.title
            raise InputError(f"{where}: a plan needs {what}: name them, or define them in the campaign")
    return replace(campaign, sites=sites, instruments=instruments), site


def _pick(mine, kept, name, what):
    """The campaign's or the settings file's entry of a name."""
    from appulse.formats import named

    known = {entry.name: entry for entry in (*kept, *mine)}
    found = named(known, name)
    if found is None:
        own = [entry.name for entry in mine]
        more = ", ".join(entry.name for entry in kept if entry.name not in own) or "none more"
        raise InputError(
            f"--{what} {name!r} is not known; of the campaign: {', '.join(own) or 'none'}; of the settings "
            f"file: {more}"
        )
    return found


def _find(encounter, campaign):
    """The pass of an id, searched again around its date among what the id can mean."""
    import numpy as np
    from astropy import units as u
    from astropy.time import Time

    from appulse.encounters import PassSearch, find_passes, slug
    from appulse.observers import Site

    parts = encounter.split("-")
    if len(parts) != 3 or whole_number(parts[2]) is None or len(parts[2]) != 8:
        raise InputError(f"--encounter {encounter!r} is not an id: body-object-date, as 7-IC4603-20270504")
    body, target, date = parts
    catalogue, notes = bodies_of(campaign)
    rows = [i for i, name in enumerate(catalogue.designation) if slug(str(name)) == body]
    targets = targets_of(campaign)
    wanted = [i for i in range(len(targets)) if target in map(slug, _names(targets.outline(i)))]
    if rows and not wanted and any(slug(str(name)) == target for name in catalogue.designation):
        raise InputError(f"--encounter {encounter} is a pass of two bodies; a plan needs an object at rest")
    if not rows or not wanted:
        what = f"body '{body}'" if not rows else f"object '{target}'"
        raise InputError(f"--encounter {encounter}: no {what} in this campaign; see appulse encounters")
    middle = Time(f"{date[:4]}-{date[4:6]}-{date[6:]}T12:00:00", scale="utc")
    search = PassSearch(
        targets.take(np.array(wanted)), middle - 3 * u.day, middle + 3 * u.day, Site.geocentre(), WIDE_ARCMIN
    )
    catalogue = catalogue.take(np.array(rows))
    passes = find_passes(catalogue, search)
    if not passes:
        raise InputError(f"--encounter {encounter}: body and object do not pass each other on that date")
    nearest = min(passes, key=lambda found: abs((found.time - middle).jd))
    if abs((nearest.time - middle).jd) > LONGEST_SHIFT_D:
        raise InputError(f"--encounter {encounter}: the pass nearest to that date is {nearest.id}")
    return nearest, catalogue, notes


def _names(outline):
    return (outline.name, *outline.other_names)


def _seen_from(encounter, catalogue, site, tail_deg=None):
    """The same pass as the site sees it: parallax moves a near body by more than its separation."""
    import numpy as np
    from astropy import units as u

    from appulse.encounters import PassSearch, Targets, find_passes

    span = encounter.time - 2 * u.day, encounter.time + 2 * u.day
    target = Targets.from_outlines([encounter.target])
    search = PassSearch(target, *span, site.place, WIDE_ARCMIN, tail_deg=tail_deg)
    seen = find_passes(catalogue.take(np.array([encounter.row])), search)
    if not seen:
        return encounter
    nearest = min(seen, key=lambda found: abs((found.time - encounter.time).jd))
    return replace(nearest, id=encounter.id, row=encounter.row)


def _choose_night(encounter, nights, chances, site: str | None, evening: str | None):
    """The night that was asked for, or the nearest that serves at the likeliest site."""
    from appulse.encounters import why_not

    if site is not None:
        nights = [night for night in nights if night.site.name == site]
    if evening is not None:
        try:
            day = datetime.date.fromisoformat(evening)
        except ValueError:
            raise InputError(f"--night {evening!r} is not a date; give it as 2027-05-04") from None
        around = sorted({night.evening for night in nights})
        nights = [night for night in nights if night.evening == day]
        if not nights:
            span = f"{around[0]} to {around[-1]}"
            raise InputError(f"--night {evening} is not among the nights around the pass: {span}")
    serving = [night for night in nights if night.hours > 0]
    if not serving:
        of_site = {name: [night for night in nights if night.site.name == name] for name in chances}
        reasons = [f"{name}: {why_not(some)}" for name, some in of_site.items() if some]
        raise InputError(f"no usable night. {'; '.join(reasons)}")
    if site is None:
        best = max({night.site.name for night in serving}, key=lambda name: chances[name].chance)
        serving = [night for night in serving if night.site.name == best]

    def away(night):
        begin, end = night.interval
        return max((begin - encounter.time).jd, (encounter.time - end).jd, 0.0)

    return min(serving, key=away)


# --- the files of a plan


def save_plan(planned: PlannedCapture, out: Path, *, seed: int = 1, overwrite: bool = False) -> list[Path]:
    """Write every file of a plan, all or none; `seed` is that of the preview's noise."""
    from appulse.formats import check_free, together

    out = Path(out)
    check_free([out / name for name in FILES], overwrite)
    with together():
        _write(planned, out, seed, overwrite)
    return [out / name for name in FILES]


def _write(planned, out, seed, over) -> None:
    import yaml

    from appulse.encounters import invent_frame
    from appulse.formats import replacing, write_bytes, write_text
    from appulse.reports import booking_text, night_sheet_html, night_sheet_pdf, write_calendar

    plan, campaign, chances, words = planned.plan, planned.campaign, planned.chances, planned.advice
    html = night_sheet_html(plan, odds=chances, advice=words)
    write_text(out / "night_sheet.html", html, over)
    write_bytes(out / "night_sheet.pdf", night_sheet_pdf(plan, odds=chances, advice=words), over)
    kept = yaml.safe_dump(_as_mapping(plan), sort_keys=False, allow_unicode=True)
    write_text(out / "plan.yaml", kept, over)
    hdu = invent_frame(plan, planned.vectors, seed=seed)
    with replacing(out / "preview.fits", over) as temporary:
        hdu.writeto(temporary, overwrite=True)
    _picture(planned, out / "preview.png", seed, over)
    write_text(out / "pointings.csv", _pointings(plan), over)
    entries = [(plan.encounter, night) for odds in chances.values() for night in odds.nights]
    write_calendar(entries, out / "passes.ics", over)
    rental = campaign.rental.get(plan.night.site.name)
    others = [site for site in campaign.sites if site.name not in campaign.rental]
    write_text(out / "booking.txt", booking_text(plan, rental, others), over)


def _picture(planned, png_path, seed, overwrite):
    """The finished stack as it will look, with the object's outline: a track would cover the dots."""
    from appulse.encounters import ASSUMED_MAG_ARCSEC2, body_name, comet_words, invent_stack
    from appulse.reports import annotated_png

    plan = planned.plan
    frame, dots = invent_stack(plan, planned.vectors, seed=seed)
    words = f"{body_name(plan.encounter)} by {plan.encounter.target.name}: invented preview of the stack"
    if isinstance(plan.figures["surface"].value, str):
        words += f"; the object's brightness is unknown, {ASSUMED_MAG_ARCSEC2:g} mag/arcsec\u00b2 is drawn"
    if plan.encounter.tail is not None:
        words += f"; {comet_words(plan)}"
    tails = [] if plan.encounter.tail is None else [_tail_of(planned, frame)]
    annotated_png(
        frame, png_path, outlines=[plan.encounter.target], tails=tails, title=words, standing_out=dots,
        overwrite=overwrite,
    )  # fmt: skip


def _tail_of(planned, frame):
    """The comet's tail in the middle of the planned frames, as long as the plan has it."""
    from appulse.bodies import comet_tail

    encounter = planned.plan.encounter
    return comet_tail(
        planned.ephemeris, encounter.designation, frame.exposure.mid, frame.observer,
        length_deg=min(encounter.tail.tail_arcmin / 60.0, 0.98 * encounter.phase),
    )  # fmt: skip


def _as_mapping(plan):
    """What plan.yaml holds."""
    from appulse.formats import provenance

    encounter, framing = plan.encounter, plan.framing
    figures = {
        key: {
            "value": _six_digits(figure.value), "unit": figure.unit, "label": figure.label,
            "source": figure.source,
        }
        for key, figure in plan.figures.items()
    }
    return {
        "encounter": encounter.id,
        "least_separation": {
            "utc": encounter.time.isot[:19], "arcsec": round(encounter.separation_arcsec, 1),
            "inside_outline": bool(encounter.inside_outline), "seen_from": plan.night.site.name,
        },
        **_tail_mapping(encounter.tail),
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


def _tail_mapping(tail):
    """What plan.yaml says of a comet's tail."""
    if tail is None:
        return {}
    dust = {"dust_position_angles": [round(pa % 360.0, 1) for pa in tail.dust_pa]} if tail.has_dust else {}
    return {
        "tail": {
            "words": tail.words, "arcmin": round(tail.tail_arcmin, 1),
            "position_angle": round(tail.tail_pa, 1), "shape": tail.shape, **dust,
        }
    }  # fmt: skip


def _pointings(plan):
    """The plan's pointing as a line of CSV under its heading."""
    framing, series = plan.framing, plan.series
    groups = f"{plan.count},0" if series is None else f"{series.dots},{series.every_s:.1f}"
    return (
        "name,ra_deg,dec_deg,rotation_deg,begin_utc,end_utc,exposure_s,count,dots,every_s\n"
        f"{plan.encounter.id},{framing.ra:.6f},{framing.dec:.6f},{framing.rotation_deg:.2f},"
        f"{plan.begin.isot},{plan.end.isot},{plan.exposure_s:g},{plan.count},{groups}\n"
    )


def _six_digits(value):
    """A figure as it may be written: six digits, as many as anybody can use."""
    return float(f"{value:.6g}") if isinstance(value, float) else value

"""The night sheet: one printable page with what to do, when, and what to mind."""

from __future__ import annotations

import io
import textwrap
from html import escape
from importlib import resources
from string import Template

import matplotlib
import numpy as np
from astropy.time import TimeDelta
from matplotlib.backends.backend_pdf import PdfPages

from appulse import __version__
from appulse.encounters.odds import body_name, chance_text, local_text, together
from appulse.reports.night_charts import altitude_figure, field_figure, window_figure
from appulse.reports.plots import STYLE, _figure, svg_uri
from appulse.reports.sheet_tables import html_table

CAUTIONS = (
    "Never point a telescope or a camera with a lens near the Sun, and plan no slew that swings past it.",
    "A camera on a ledge, a balcony or a railing is tethered, tripod and all, and nobody stands below it.",
    "Set up where you may; keep to the local rules on night access, lights, lasers and airspace.",
    "Where electricity, heights or structures are involved, local codes and licensed practice decide.",
    "Tell somebody where you are; at night dress for colder than the forecast.",
)
"""The usual ones; they stand on every sheet."""

MOST_SLOTS = 24


def night_sheet_html(plan, *, odds=None, advice="", notes=()):
    """A night sheet.

    Parameters
    ----------
    plan : CapturePlan
    odds : dict, optional
        Site name to Odds, of all sites.
    advice : str
        Sentence that compares the sites.
    notes : sequence of str

    Returns
    -------
    str
        HTML that needs nothing else. The site is named, its coordinates are not.
    """
    one, night = plan.encounter, plan.night
    body = [
        _section("When", _when(plan)),
        _section("Cautions", "<ul>" + "".join(f"<li>{escape(line)}</li>" for line in CAUTIONS) + "</ul>"),
        _section("Charts", _charts(plan)),
        _section("Figures and where they come from", _figures(plan)),
    ]
    if odds:
        rows = [[name, chance_text(o), f"{o.hours:.1f}", len(o.nights)] for name, o in odds.items()]
        if len(odds) > 1:
            every = together(odds)
            rows.append(["together", chance_text(every), f"{every.hours:.1f}", len(every.nights)])
        head = ["site", "chance of a clear night", "expected hours", "nights that serve"]
        body.insert(1, _section("Odds", html_table(head, rows, words=(0,)) + f"<p>{escape(advice)}</p>"))
    warnings = [*plan.warnings, *notes]
    if warnings:
        items = "".join(f"<li>{escape(line)}</li>" for line in warnings)
        body.insert(1, _section("Mind", f"<ul>{items}</ul>"))
    template = resources.files("appulse.reports").joinpath("templates", "evidence.html")
    return Template(template.read_text(encoding="utf-8")).substitute(
        title=escape(f"{body_name(one)} by {one.target.name}"),
        subtitle=escape(f"{night.site.name}, night of {night.evening:%Y-%m-%d} \u00b7 appulse {__version__}"),
        verdict=escape(headline(plan)),
        body="\n".join(body),
    )


def night_sheet_pdf(plan):
    """The same for paper: a page of text, a page of charts; bytes of a PDF."""
    buffer = io.BytesIO()
    style = {**matplotlib.rcParamsDefault, **STYLE, "backend": "agg"}
    meta = {"Creator": f"appulse {__version__}", "CreationDate": None}
    with matplotlib.rc_context(style), PdfPages(buffer, metadata=meta) as pages:
        pages.savefig(_text_page(plan))
        for figure in (altitude_figure(plan.night), window_figure(plan.night), field_figure(plan)):
            if figure is not None:
                pages.savefig(figure)
    return buffer.getvalue()


def headline(plan):
    """One sentence: what, how close, from when to when, how."""
    one = plan.encounter
    inside = "inside the outline" if one.inside_outline else "outside the outline"
    where = f" ({inside})" if one.crossing is not None else ""
    begin, end = (local_text(moment, plan.night.site) for moment in (plan.begin, plan.end))
    return (
        f"{body_name(one)} passes the centre of {one.target.name} by {one.separation_arcsec / 60:.1f} arcmin"
        f"{where} at {one.time.strftime('%Y-%m-%d %H:%M')} UTC. Photograph from {begin} to {end}: "
        f"{plan.count} exposures of {plan.exposure_s:g} s."
    )


def booking_text(plan, rental=None, others=()):
    """A booking sheet for hired time, plain text.

    Parameters
    ----------
    plan : CapturePlan
    rental : Rental, optional
        Shortest slot and price; without it no cost is given.
    others : sequence of SiteSettings
        Sites in whose local time the slot is told too: where the observer is.

    Returns
    -------
    str
    """
    one, site = plan.encounter, plan.night.site
    where = (site, *(other for other in others if other.name != site.name))
    lines = [
        f"Booking: {site.name}",
        f"Object:  {body_name(one)} by {one.target.name} ({one.id})",
        f"Pointing: RA {plan.framing.ra:.5f}, Dec {plan.framing.dec:+.5f} degrees ICRF, "
        f"camera's up side at position angle {plan.framing.rotation_deg:.1f}",
        f"From:    {_in_zones(plan.begin, where)}",
        f"To:      {_in_zones(plan.end, where)}",
        f"Series:  {plan.count} x {plan.exposure_s:g} s",
        f"Data:    {plan.figures['volume']}",
    ]
    if rental is not None:
        lines += _slots(plan, rental, where)
    return "\n".join(lines) + "\n"


def _in_zones(moment, sites):
    """A time in UTC and in the local time of each site; sites of one zone share theirs."""
    local = {}
    for site in sites:
        local.setdefault(local_text(moment, site), []).append(site.name)
    told = (f"{text} ({', '.join(names)})" for text, names in local.items())
    return " = ".join([f"{moment.strftime('%Y-%m-%d %H:%M')} UTC", *told])


def _slots(plan, rental, where):
    """The slots that cover the interval, one a line, and what they cost."""
    minutes = (plan.end - plan.begin).sec / 60
    count = max(1, int(np.ceil(round(minutes / rental.slot_minutes, 6))))
    lines = [f"Slots:   {count} of {rental.slot_minutes:g} min"]
    edges = plan.begin + TimeDelta(np.arange(count + 1) * rental.slot_minutes * 60, format="sec")
    for number in range(min(count, MOST_SLOTS)):
        lines.append(f"  {number + 1:>3}    {_in_zones(edges[number], where)}")
    if count > MOST_SLOTS:
        lines.append(f"         ... and so on every {rental.slot_minutes:g} min")
    lines.append(f"  end    {_in_zones(edges[count], where)}")
    if rental.price_hour is not None:
        cost = count * rental.slot_minutes / 60 * rental.price_hour
        lines.append(f"Cost:    {cost:.2f} {rental.currency}".rstrip())
    return lines


def _section(title, content):
    return f"<section><h2>{escape(title)}</h2>\n{content}</section>"


def _when(plan):
    site, night = plan.night.site, plan.night
    rows = [
        ["begin", plan.begin.strftime("%Y-%m-%d %H:%M"), local_text(plan.begin, site)],
        ["end", plan.end.strftime("%Y-%m-%d %H:%M"), local_text(plan.end, site)],
        ["highest", _moment(night), ""],
        ["meridian", str(plan.figures["flip"]), ""],
    ]
    point = (
        f"<p>Point at RA {plan.framing.ra:.5f}, Dec {plan.framing.dec:+.5f} degrees (ICRF), camera's up side "
        f"at position angle {plan.framing.rotation_deg:.1f} degrees. In the field: "
        f"{escape(plan.framing.words)}.</p>"
    )
    return html_table(["", "UTC", "local"], rows, words=(0, 1, 2)) + point


def _moment(night):
    best = night.usable.nonzero()[0]
    at = best[night.altitude[best].argmax()]
    return f"{night.times[at].strftime('%Y-%m-%d %H:%M')}, {night.altitude[at]:.0f} degrees"


def _charts(plan):
    charts = (
        ("Altitude through the night", svg_uri(altitude_figure, plan.night)),
        ("Path over the site", svg_uri(window_figure, plan.night)),
        ("Field: sensor, outline and track", svg_uri(field_figure, plan)),
    )
    return "".join(
        f'<figure><img src="{uri}" alt="{escape(words)}"><figcaption>{escape(words)}</figcaption></figure>'
        for words, uri in charts
        if uri is not None
    )


def _figures(plan):
    rows = [[f.label, str(f), f.source] for f in plan.figures.values()]
    return html_table(["figure", "value", "formula or source"], rows, words=(0, 1, 2))


def _text_page(plan):
    figure = _figure(8.27, 11.69)
    lines = [headline(plan), "", *(f"{f.label}: {f}" for f in plan.figures.values()), "", *plan.warnings]
    lines += ["", "Cautions", *(f"- {line}" for line in CAUTIONS)]
    text = "\n".join(piece for line in lines for piece in (textwrap.wrap(line, 92) or [""]))
    figure.text(0.07, 0.96, text, va="top", fontsize=9, linespacing=1.35)
    return figure

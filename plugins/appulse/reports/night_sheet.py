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
from appulse.encounters import best_index, body_name, chance_text, local_text, together
from appulse.reports.evidence_tables import html_table, printed
from appulse.reports.night_charts import altitude_figure, charts_page, field_figure, window_figure
from appulse.reports.residual_plots import FAINT, INK, STYLE, new_figure, svg_uri

CAUTIONS = (
    "Never point a telescope or a camera with a lens near the Sun, and plan no slew that swings past it.",
    "A camera on a ledge, a balcony or a railing is tethered, tripod and all, and nobody stands below it.",
    "Set up where you may; keep to the local rules on night access, lights, lasers and airspace.",
    "Where electricity, heights or structures are involved, local codes and licensed practice decide.",
    "Tell somebody where you are; at night dress for colder than the forecast.",
)
"""The usual ones; they stand on every sheet."""

MOST_SLOTS = 24
VALUE_LETTERS = 23
"""What a line of a value holds on the printed page: wider ones run into the next column, or off the paper."""


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
    encounter, night = plan.encounter, plan.night
    altitude = _charts(plan, FIRST_CHART)
    body = [
        _section("When", f'<div class="split"><div>{_when(plan)}</div><div>{altitude}</div></div>'),
        _section("Cautions", "<ul>" + "".join(f"<li>{escape(line)}</li>" for line in CAUTIONS) + "</ul>"),
        _section("Charts", f'<div class="pages">{_charts(plan, OTHER_CHARTS)}</div>'),
        _section("Figures and their sources", _figures(plan)),
    ]
    if odds:
        head = ["site", "at least one clear night", "expected hours", "usable nights"]
        table = html_table(head, _odds_rows(odds), words=(0,))
        body.insert(
            1,
            _section("Chances", table + f"<p>{escape(_sentence(advice))}</p>")
        )
    warnings = [*plan.warnings, *notes]
    if warnings:
        items = "".join(f"<li>{escape(line)}</li>" for line in warnings)
        # warnings come before everything that they concern
        body.insert(1, _section("Notes", f"<ul>{items}</ul>"))
    template = resources.files("appulse.reports").joinpath("templates", "evidence.html")
    return Template(template.read_text(encoding="utf-8")).substitute(
        title=escape(f"{body_name(encounter)} by {encounter.target.name}"),
        subtitle=escape(f"{night.site.name}, night of {night.evening:%Y-%m-%d} \u00b7 appulse {__version__}"),
        verdict=escape(printed(headline(plan))),
        body="\n".join(body),
    )


def night_sheet_pdf(plan, *, odds=None, advice=""):
    """The same for paper: a page of text, a page of charts; bytes of a PDF.

    Parameters
    ----------
    plan, odds, advice
        As for :func:`night_sheet_html`.

    Returns
    -------
    bytes
    """
    buffer = io.BytesIO()
    style = {**matplotlib.rcParamsDefault, **STYLE, "backend": "agg"}
    meta = {"Creator": f"appulse {__version__}", "CreationDate": None}
    with matplotlib.rc_context(style), PdfPages(buffer, metadata=meta) as pages:
        pages.savefig(_text_page(plan, odds or {}, advice))
        pages.savefig(charts_page(plan))
    return buffer.getvalue()


def headline(plan):
    """One sentence: what, how close, from when to when, how."""
    encounter = plan.encounter
    inside = "inside the outline" if encounter.inside_outline else "outside the outline"
    where = f" ({inside})" if encounter.crossing is not None else ""
    site = plan.night.site
    begin, end = (local_text(moment, site) for moment in (plan.begin, plan.end))
    when = f"{encounter.time.strftime('%Y-%m-%d %H:%M')} UTC, seen from {site.name}"
    apart = encounter.separation_arcsec / 60
    return (
        f"{body_name(encounter)} passes the centre of {encounter.target.name} by {apart:.1f} arcmin"
        f"{where} at {when}. Photograph from {begin} to {end}: {series_text(plan)}."
    )


def series_text(plan):
    """The exposures in words: groups, one for each dot of the body, or all in one row."""
    series = plan.series
    if series is None or series.dots == 1:
        return f"{plan.count} exposures of {plan.exposure_s:g} s"
    every = series.every_s / 60
    each = f"{series.per_dot} x {plan.exposure_s:g} s" if series.per_dot > 1 else f"{plan.exposure_s:g} s"
    return f"{series.dots} dots, one every {every:.3g} min, {each} for each ({plan.count} exposures)"


def cost_text(plan, rental):
    """Slots and price of hired time in a line."""
    count = _slot_count(plan, rental)
    words = f"{count} {'slot' if count == 1 else 'slots'} of {rental.slot_minutes:g} min"
    if rental.price_hour is None:
        return words
    cost = count * rental.slot_minutes / 60 * rental.price_hour
    return f"{words}, {cost:.2f} {rental.currency}".rstrip()


def _slot_count(plan, rental):
    minutes = (plan.end - plan.begin).sec / 60
    # rounded first: 60.0000001 minutes are one slot of an hour
    return max(1, int(np.ceil(round(minutes / rental.slot_minutes, 6))))


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
    encounter, site = plan.encounter, plan.night.site
    where = (site, *(other for other in others if other.name != site.name))
    lines = [
        f"Booking: {site.name}",
        f"Object:  {body_name(encounter)} by {encounter.target.name} ({encounter.id})",
        f"Pointing: RA {sexagesimal(plan.framing.ra / 15, 'h')}, Dec {sexagesimal(plan.framing.dec, 'd')} "
        f"({plan.framing.ra:.5f}, {plan.framing.dec:+.5f} degrees, ICRF), "
        f"camera's up side at position angle {plan.framing.rotation_deg:.1f}",
        f"From:    {_in_zones(plan.begin, where)}",
        f"To:      {_in_zones(plan.end, where)}",
        f"Series:  {series_text(plan)}",
        f"Data:    {plan.figures['volume']}",
    ]
    if rental is not None:
        lines += _slots(plan, rental, where)
    return "\n".join(lines) + "\n"


def _odds_rows(odds):
    """Site, chance, hours, nights; together where there are several sites."""
    several = {"together": together(odds)} if len(odds) > 1 else {}
    return [[name, chance_text(o), f"{o.hours:.1f}", len(o.nights)] for name, o in (odds | several).items()]


def _in_zones(moment, sites):
    """A time in UTC and in the local time of each site; sites of one zone share theirs."""
    local = {}
    for site in sites:
        local.setdefault(local_text(moment, site), []).append(site.name)
    named = (f"{text} ({', '.join(names)})" for text, names in local.items())
    return " = ".join([f"{moment.strftime('%Y-%m-%d %H:%M')} UTC", *named])


def _slots(plan, rental, where):
    """The slots that cover the interval, one a line, and what they cost."""
    count = _slot_count(plan, rental)
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
    begin, end, highest, meridian, *point = _when_rows(plan)
    table = html_table(["", "UTC", "local"], [begin, end, highest, meridian], words=(0, 1, 2))
    return table + "".join(f"<p>{escape(line)}</p>" for line in point)


def _when_lines(plan):
    *rows, where, field = _when_rows(plan)
    return [f"{row[0]}: {row[1]}" + (f" UTC = {row[2]}" if row[2] else "") for row in rows] + [where, field]


def _when_rows(plan):
    """Begin, end, culmination and meridian as rows; pointing and field as sentences."""
    site, night, framing = plan.night.site, plan.night, plan.framing
    angle = f"camera's up side at position angle {framing.rotation_deg:.1f} degrees"
    if plan.instrument.mount == "altazimuth":
        angle += " in the middle, turning with the sky"
    return [
        ["begin", plan.begin.strftime("%Y-%m-%d %H:%M"), local_text(plan.begin, site)],
        ["end", plan.end.strftime("%Y-%m-%d %H:%M"), local_text(plan.end, site)],
        list(_moment(night)),
        ["meridian", str(plan.figures["flip"]), ""],
        printed(
            f"Point at RA {sexagesimal(framing.ra / 15, 'h')}, Dec {sexagesimal(framing.dec, 'd')} "
            f"({framing.ra:.4f}, {framing.dec:+.4f} degrees, ICRF), {angle}."
        ),
        f"In the field: {framing.words}.",
    ]


def sexagesimal(value, unit):
    """Hours or degrees with minutes and seconds, as a telescope's keypad takes them.

    Examples
    --------
    >>> sexagesimal(246.352 / 15, "h"), sexagesimal(-0.4684, "d")
    ('16h25m24.5s', '-00d28\\'06"')
    """
    tenths = 10 if unit == "h" else 1
    # rounded as a whole: 59.96 s must carry over into the minutes
    total = round(abs(value) * 3600 * tenths)
    whole, rest = divmod(total, 3600 * tenths)
    minutes, seconds = divmod(rest, 60 * tenths)
    if unit == "h":
        return f"{whole % 24:02d}h{minutes:02d}m{seconds / 10:04.1f}s"
    return f"{'-' if value < 0 else '+'}{whole:02d}d{minutes:02d}'{seconds:02d}\""


def _moment(night):
    """How high the body stands at most within the interval, when, and that in local time."""
    at = best_index(night)
    when = night.times[at].strftime("%Y-%m-%d %H:%M")
    return f"highest, {night.altitude[at]:.1f} degrees", when, local_text(night.times[at], night.site)


FIRST_CHART = ("Altitude through the night",)
OTHER_CHARTS = ("Path over the site", "Field: sensor, outline and track")


def _charts(plan, names):
    drawn = {
        "Altitude through the night": (altitude_figure, plan.night),
        "Path over the site": (window_figure, plan.night),
        "Field: sensor, outline and track": (field_figure, plan),
    }
    charts = [(name, svg_uri(*drawn[name])) for name in names]
    return "".join(
        f'<figure><img src="{uri}" alt="{escape(words)}"><figcaption>{escape(words)}</figcaption></figure>'
        for words, uri in charts
        if uri is not None
    )


def _sentence(words):
    return words[:1].upper() + words[1:]


def _figures(plan):
    rows = [[f.label, printed(f), f.source] for f in plan.figures.values()]
    return html_table(["figure", "value", "formula or source"], rows, words=(0, 1, 2))


def _text_page(plan, odds, advice):
    """Everything but the charts, in a size that a red lamp shows."""
    figure, night = new_figure(8.27, 11.69), plan.night
    # every line has its place: an engine would move them
    figure.set_layout_engine("none")
    title = f"{body_name(plan.encounter)} by {plan.encounter.target.name}"
    figure.text(0.07, 0.965, title, va="top", fontsize=15, weight="bold")
    subtitle = f"{night.site.name}, night of {night.evening:%Y-%m-%d} \u00b7 appulse {__version__}"
    figure.text(0.07, 0.942, subtitle, va="top", fontsize=9, color=FAINT)
    blocks = [("", [headline(plan), *plan.warnings]), ("When and where", _when_lines(plan))]
    if odds:
        chances = [
            f"{row[0]}: {row[1]}, {row[2]} hours expected, {row[3]} nights" for row in _odds_rows(odds)
        ]
        blocks.append(("Chances", [*chances, _sentence(advice)]))
    blocks.append(("Cautions", [f"- {line}" for line in CAUTIONS]))
    top = 0.915
    for heading, lines in blocks:
        if heading:
            figure.text(0.07, top, heading, va="top", fontsize=10.5, weight="bold")
            top -= 0.018
        for line in lines:
            for piece in textwrap.wrap(line, 104, subsequent_indent="  "):
                figure.text(0.07, top, piece, va="top", fontsize=8.8)
                top -= 0.0145
        top -= 0.008
    figure.text(0.07, top, "Figures", va="top", fontsize=10.5, weight="bold")
    _two_columns(figure, plan, top - 0.018)
    return figure


def _two_columns(figure, plan, top):
    """The figures in two columns, each with its value beside it."""
    blocks = []
    for figure_of_plan in plan.figures.values():
        value = textwrap.wrap(printed(figure_of_plan), VALUE_LETTERS) or [""]
        blocks.append([(figure_of_plan.label if i == 0 else "", part) for i, part in enumerate(value)])
    ends = np.cumsum([len(block) for block in blocks])
    turn = int(np.searchsorted(ends, ends[-1] / 2)) + 1  # no figure is torn between the columns
    columns = [[line for block in some for line in block] for some in (blocks[:turn], blocks[turn:])]
    half = max(len(column) for column in columns)
    # many figures are set closer instead of running off the page
    step = min(0.0145, (top - 0.03) / half)
    for left, column in zip((0.07, 0.52), columns, strict=True):
        for row, (label, value) in enumerate(column):
            figure.text(left, top - row * step, label, va="top", fontsize=7.8, color=INK)
            figure.text(left + 0.231, top - row * step, value, va="top", fontsize=7.8, weight="bold")

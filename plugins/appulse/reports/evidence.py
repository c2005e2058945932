"""The evidence sheet: one page of HTML that holds everything and needs nothing else."""

from __future__ import annotations

import base64
import io
from html import escape
from importlib import resources
from pathlib import Path
from string import Template

import numpy as np
from PIL import Image

from appulse import __version__
from appulse.astrometry.budget import error_budget
from appulse.formats.output import write_text
from appulse.reports.plots import motion_figure, oc_figure, stamp_figure, stars_figure, svg_uri
from appulse.reports.sheet_tables import (
    alternatives_table,
    budget_table,
    numbers_table,
    provenance_list,
)  # fmt: skip

SHEET_PX = 1200
NO_VERDICT = "No verdict was asked for: the numbers below stand for themselves."
NOTHING = "Nothing was measured. The reasons stand in the column \u2018flag\u2019 below."


def evidence_html(
    residuals, *, pictures=None, shapes=None, verdict=None, provenance=None, title=None, notes=()
):
    """An evidence sheet.

    Parameters
    ----------
    residuals : sequence of Residual
        Of all frames and bodies, those not seen included.
    pictures : dict of str to bytes or path, optional
        Frame name to its annotated picture (PNG).
    shapes : dict of str to (int, int), optional
        Frame name to its rows and columns; star maps are drawn of frames named here.
    verdict : Verdict or str, optional
        From :func:`appulse.astrometry.verdict.judge`.
    provenance : dict, optional
        From :func:`appulse.formats.provenance.provenance`.
    title : str, optional
    notes : sequence of str
        What the reader must know.

    Returns
    -------
    str
        HTML; every word from outside is escaped.

    Examples
    --------
    >>> page = evidence_html([], title="Night <1>")
    >>> "Night &lt;1&gt;" in page, "Nothing was measured" in page
    (True, True)
    """
    residuals = list(residuals)
    bodies = list(dict.fromkeys(one.designation for one in residuals))
    title = title or f"Where was {', '.join(bodies[:4])}{' and others' if len(bodies) > 4 else ''}?"
    body = [_overview(residuals, verdict, notes)]
    for name in dict.fromkeys(one.frame for one in residuals):
        mine = [one for one in residuals if one.frame == name]
        body.append(_frame_section(name, mine, pictures or {}, shapes or {}))
    if provenance:
        body.append(f"<section><h2>Where this comes from</h2>\n{provenance_list(provenance)}</section>")
    template = resources.files("appulse.reports").joinpath("templates", "evidence.html")
    return Template(template.read_text(encoding="utf-8")).substitute(
        title=escape(title),
        subtitle=escape(subtitle(residuals)),
        verdict=escape(headline(residuals, verdict)),
        body="\n".join(body),
    )


def write_evidence(path, residuals, *, overwrite=False, **options):
    """Write an evidence sheet; options as :func:`evidence_html`.

    Returns
    -------
    Path

    Raises
    ------
    OutputExistsError, InputError
        As :func:`appulse.formats.output.write_text`.
    """
    return write_text(path, evidence_html(residuals, **options), overwrite)


def picture_uri(png):
    """A picture for the sheet: at most 1200 pixels wide, as JPEG, since noise makes a PNG ten times larger.

    Parameters
    ----------
    png : bytes

    Returns
    -------
    str
        Data URI.
    """
    image = Image.open(io.BytesIO(png)).convert("RGB")
    if image.width > SHEET_PX:
        image = image.resize(
            (SHEET_PX, round(image.height * SHEET_PX / image.width)), Image.Resampling.LANCZOS
        )
    buffer = io.BytesIO()
    image.save(buffer, "JPEG", quality=88, subsampling=0, optimize=True)
    return "data:image/jpeg;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")


def subtitle(residuals):
    """How much was measured, and when, in a line."""
    seen = sum(one.seen for one in residuals)
    frames = len({one.frame for one in residuals})
    times = sorted(str(one.time)[:16].replace("T", " ") for one in residuals)
    when = f", {times[0]} to {times[-1]} UTC" if times else ""
    places = "place" if seen == 1 else "places"
    return (
        f"{seen} {places} measured in {frames} frame{'s' * (frames != 1)}{when} \u00b7 appulse {__version__}"
    )


def headline(residuals, verdict):
    """The verdict in a sentence, or why there is none."""
    if verdict is not None:
        return str(getattr(verdict, "sentence", verdict))
    return NO_VERDICT if any(one.seen for one in residuals) else NOTHING


def _figure(uri, alternative, caption=""):
    if uri is None:
        return ""
    words = f"<figcaption>{escape(caption)}</figcaption>" if caption else ""
    return f'<figure><img src="{uri}" alt="{escape(alternative, quote=True)}">{words}</figure>'


def _overview(residuals, verdict, notes):
    parts = ["<section><h2>Observed minus calculated</h2>"]
    seen = [one for one in residuals if one.seen]
    pair = _figure(
        svg_uri(oc_figure, seen),
        _spoken(seen),
        "Each ellipse is one sigma (it holds 39 % of the outcomes); the lines cross at the predicted place.",
    ) + _figure(
        svg_uri(motion_figure, seen),
        "The same along and across the motion against time",
        "A clock error shows along the motion only, and the more the faster the body.",
    )
    parts.append(f'<div class="pair">{pair}</div>')
    parts.append(numbers_table(residuals))
    table = getattr(verdict, "alternatives", None)
    if table is not None and len(table):
        parts.append("<h3>Every cause that was tried</h3>" + alternatives_table(table))
    words = list(dict.fromkeys([*notes, *(note for one in residuals for note in one.notes)]))
    if words:
        items = "".join(f"<li>{escape(str(note))}</li>" for note in words)
        parts.append(f"<h3>To mind</h3><ul>{items}</ul>")
    return "\n".join(parts) + "</section>"


def _spoken(seen):
    """The plot in words."""
    if not seen:
        return ""
    east = np.mean([one.dra_cosdec for one in seen])
    north = np.mean([one.ddec for one in seen])
    return (
        f"O minus C of {len(seen)} measured places with one-sigma ellipses; mean by the frames' own plate "
        f"solutions {east:+.2f} arcsec in right ascension, {north:+.2f} arcsec in declination"
    )


def _frame_section(name, residuals, pictures, shapes):
    parts = [f'<section class="frame"><h2>{escape(name)}</h2>']
    if name in pictures:
        picture = pictures[name]
        png = picture if isinstance(picture, bytes) else Path(picture).read_bytes()
        alternative = f"Frame {name} with tracks, outlines and measured places drawn upon it"
        parts.append(_figure(picture_uri(png), alternative))
    for one in residuals:
        if one.seen:
            uri = svg_uri(stamp_figure, one)
            alternative = f"Pixels around {one.designation}, the fitted model, and what is left in sigmas"
            caption = f"{one.designation}: signal to noise {one.snr:.0f}, at x {one.x:.2f}, y {one.y:.2f} px"
            parts.append(_figure(uri, alternative, caption + (f"; {one.flag}" if one.flag else "")))
            parts.append(budget_table(error_budget(one)))
        else:
            parts.append(f"<p>{escape(one.designation)}: not measured: {escape(one.flag)}</p>")
    plate = next((one.plate for one in residuals if one.plate is not None), None)
    if plate is not None and name in shapes:
        alternative = f"Observed minus catalogue of {len(plate.stars)} stars as arrows on the frame"
        caption = f"Stars, observed minus catalogue ({plate.catalogue}): the plate's own error"
        parts.append(_figure(svg_uri(stars_figure, plate, shapes[name]), alternative, caption))
    return "\n".join(part for part in parts if part) + "</section>"

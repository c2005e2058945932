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
from appulse.astrometry import error_budget
from appulse.formats import write_text
from appulse.reports.evidence_tables import (
    alternatives_table,
    budget_table,
    numbers_tables,
    printed,
    provenance_list,
    reported,
)
from appulse.reports.picture import sheet_jpeg
from appulse.reports.residual_plots import (
    best_place,
    motion_figure,
    oc_figure,
    png_uri,
    stamp_figure,
    stars_figure,
    svg_uri,
)

JPEG = b"\xff\xd8"
"""How such a file begins."""
MOST_REPORTED = 60
"""More places than this, reported by others, have no budgets of their own in the sheet."""
NO_VERDICT = "No verdict was asked for: only the numbers are given."
NOTHING = "Nothing was measured. The reasons stand in the column \u2018flag\u2019 below."


def evidence_html(
    residuals, *, pictures=None, shapes=None, verdict=None, provenance=None, title=None, notes=(),
    frame_notes=None,
):  # fmt: skip
    """An evidence sheet.

    Parameters
    ----------
    residuals : sequence of Residual
        Of all frames and bodies, those not seen included.
    pictures : dict of str to bytes or path, optional
        Frame name to its annotated picture (PNG, or JPEG as it is to stand there).
    shapes : dict of str to (int, int), optional
        Frame name to its rows and columns; star maps are drawn of frames named here.
    verdict : Verdict or str, optional
        From :func:`appulse.astrometry.verdict.judge`.
    provenance : dict, optional
        From :func:`appulse.formats.provenance.provenance`.
    title : str, optional
    notes : sequence of str
        What the reader must know of the whole.
    frame_notes : dict of str to sequence of str, optional
        Frame name to what must be known of that frame; what residuals note of themselves stands there anyway.

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
    title = title or title_of(residuals)
    body = [_overview(residuals, verdict, notes)]
    for name in sections(residuals):
        mine = [residual for residual in residuals if residual.frame == name]
        body.append(_frame_section(name, mine, pictures or {}, shapes or {}, frame_notes or {}))
    if provenance:
        body.append(f"<section><h2>Where this comes from</h2>\n{provenance_list(provenance)}</section>")
    # the template travels in the wheel
    template = resources.files("appulse.reports").joinpath("templates", "evidence.html")
    return Template(template.read_text(encoding="utf-8")).substitute(
        title=escape(title),
        subtitle=escape(subtitle(residuals)),
        verdict=escape(headline(residuals, verdict)),
        body="\n".join(body),
    )


def write_evidence(path, residuals, *, overwrite=False, **options):
    """Write an evidence sheet; options as :func:`evidence_html`; returns the path."""
    return write_text(path, evidence_html(residuals, **options), overwrite)


def picture_uri(picture):
    """A PNG, or the JPEG made of it for a sheet, as a data URI."""
    if not picture.startswith(JPEG):
        # JPEG knows no transparency
        picture = sheet_jpeg(np.asarray(Image.open(io.BytesIO(picture)).convert("RGB")))
    return "data:image/jpeg;base64," + base64.b64encode(picture).decode("ascii")


def title_of(residuals):
    """The question that a sheet answers."""
    bodies = list(dict.fromkeys(residual.label for residual in residuals))
    return f"Where was {', '.join(bodies[:4])}{' and others' if len(bodies) > 4 else ''}?"


def subtitle(residuals):
    """How much was measured, and when, in a line."""
    seen = sum(residual.seen for residual in residuals)
    frames = len({residual.frame for residual in residuals})
    times = sorted(str(residual.time)[:16].replace("T", " ") for residual in residuals)
    when = f", {times[0]}" if times else ""
    when += f" to {times[-1]}" if times and times[-1] != times[0] else ""
    when += " UTC" if times else ""
    places = "place" if seen == 1 else "places"
    source = f"measured in {frames} frame{'s' * (frames != 1)}"
    if residuals and reported(residuals):
        source = f"reported, of {frames} night{'s' * (frames != 1)} of a station"
    return f"{seen} {places} {source}{when} \u00b7 appulse {__version__}"


def headline(residuals, verdict):
    """The verdict in a sentence, or why there is none."""
    if verdict is not None:
        return printed(getattr(verdict, "sentence", verdict))
    return NO_VERDICT if any(residual.seen for residual in residuals) else NOTHING


def _figure(uri, alternative, caption=""):
    if uri is None:
        return ""
    words = f"<figcaption>{escape(caption)}</figcaption>" if caption else ""
    return f'<figure><img src="{uri}" alt="{escape(alternative, quote=True)}">{words}</figure>'


def _overview(residuals, verdict, notes):
    parts = ["<section><h2>Observed minus calculated</h2>"]
    seen = [residual for residual in residuals if residual.seen]
    pair = _figure(
        svg_uri(oc_figure, seen),
        _spoken(seen),
        "Each ellipse is one sigma (39 % of cases fall inside); the grey lines cross at the predicted "
        "place.",
    ) + _figure(
        svg_uri(motion_figure, seen),
        "The same along and across the motion against time",
        "The same places with one-sigma bars. A clock error shows along the motion only, and the more the "
        "faster the body.",
    )
    # on a wide page the numbers stand beside the plots of the same places
    numbers = numbers_tables(residuals)
    parts.append(f'<div class="split numbers"><div class="pair">{pair}</div><div>{numbers}</div></div>')
    table = getattr(verdict, "alternatives", None)
    if table is not None and len(table):
        parts.append("<h3>Every cause that was tried</h3>" + alternatives_table(table))
    if notes:
        parts.append("<h3>Notes</h3>" + _list(dict.fromkeys(map(str, notes))))
    return "\n".join(parts) + "</section>"


def _list(words):
    items = "".join(f"<li>{escape(printed(line))}</li>" for line in words)
    return f"<ul>{items}</ul>" if items else ""


def notes_of(residuals):
    """What residuals of one frame note of themselves; whose it is, where they do not all say the same."""
    whose: dict = {}
    seen = [residual for residual in residuals if residual.seen]
    for residual in seen:
        for note in residual.notes:
            whose.setdefault(str(note), []).append(residual.label)
    words = []
    for note, names in whose.items():
        # what all say is said once, without names
        if len(names) == len(seen):
            words.append(note)
        else:
            # one body in several frames: a count, for its name repeated says nothing
            several = len(set(names)) < len(names)
            who = f"{len(names)} of {len(seen)}" if several else ", ".join(names)
            words.append(f"{who}: {note}")
    return words


def _spoken(seen):
    """The plot in words."""
    if not seen:
        return ""
    best = [best_place(residual) for residual in seen]
    east, north = np.mean([place for place, _, _ in best], axis=0)
    taken = sum(corrected for _, _, corrected in best)
    return (
        f"O minus C of {len(seen)} measured places with one-sigma ellipses; plate-corrected: {taken} "
        f"of them; mean {east:+.2f} arcsec in right ascension, {north:+.2f} arcsec in declination"
    )


def sections(residuals):
    """Names of the frames that have a section; none where so many reported places would bury the rest."""
    if reported(residuals) and len(residuals) > MOST_REPORTED:
        return []
    return list(dict.fromkeys(residual.frame for residual in residuals))


def stamp_words(residual):
    """What stands below the pixels of a measured body, or names a place that was reported."""
    if residual.fit is None:
        return f"{residual.label}, {str(residual.time)[:19].replace('T', ' ')} UTC"
    place = f"at x {residual.x:.2f}, y {residual.y:.2f} px"
    words = f"{residual.label}: S/N {residual.snr:.0f}, {place}"
    return words + (f"; {residual.flag}" if residual.flag else "")


def _frame_section(name, residuals, pictures, shapes, frame_notes):
    parts = [f'<section class="frame"><h2>{escape(name)}</h2>']
    if name in pictures:
        picture = pictures[name]
        content = picture if isinstance(picture, bytes) else Path(picture).read_bytes()
        alternative = f"Frame {name} with tracks, outlines and measured places drawn on it"
        parts.append(_figure(picture_uri(content), alternative))
    for residual in residuals:
        if residual.seen:
            uri = png_uri(stamp_figure, residual)
            alternative = f"Pixels around {residual.label}, the fitted model, what is left in sigmas"
            words = stamp_words(residual)
            shown = _figure(uri, alternative, words) or f"<p>{escape(words)}</p>"
            parts.append(f'<div class="body">{shown}')
            parts.append(budget_table(error_budget(residual)) + "</div>")
        else:
            parts.append(f"<p>{escape(residual.label)}: not measured: {escape(residual.flag)}</p>")
    words = [*frame_notes.get(name, ()), *notes_of(residuals)]
    if words:
        parts.append(f'<div class="small">{_list(dict.fromkeys(words))}</div>')
    # all bodies of a frame share its plate
    plate = next((residual.plate for residual in residuals if residual.plate is not None), None)
    if plate is not None and name in shapes:
        alternative = f"Observed minus catalogue of {len(plate.stars)} stars as arrows on the frame"
        caption = f"Stars ({plate.catalogue}): the plate's own error, and what is left of it"
        parts.append(_figure(png_uri(stars_figure, plate, shapes[name]), alternative, caption))
    return "\n".join(part for part in parts if part) + "</section>"

"""The evidence sheet as PDF: the same plots, numbers and words on pages, for those who file paper."""

from __future__ import annotations

import io
from pathlib import Path

import matplotlib
import numpy as np
from matplotlib.backends.backend_pdf import PdfPages
from PIL import Image

from appulse.astrometry import error_budget
from appulse.formats import write_bytes
from appulse.reports.evidence import headline, notes_of, sections, stamp_words, subtitle, title_of
from appulse.reports.evidence_tables import (
    BEST,
    BEST_FOOT,
    alternatives_rows,
    best_rows,
    budget_rows,
    frame_labels,
    provenance_lines,
    solved_rows,
    solved_words,
)
from appulse.reports.pages import HIGH_INCH, WIDE_INCH, Block, columns, fixed, heading, pages, prose
from appulse.reports.residual_plots import (
    MOTION_INCH,
    OC_INCH,
    STAMP_INCH,
    STYLE,
    best_place,
    draw_motion,
    draw_oc,
    draw_stamp,
    draw_stars,
    has_stamp,
    moving,
    stars_height,
)

PICTURE_HIGH = 0.25
"""Part of the page that a frame's picture may take."""


def evidence_pdf(
    path, residuals, *, pictures=None, shapes=None, verdict=None, provenance=None, title=None, notes=(),
    frame_notes=None, overwrite=False,
):  # fmt: skip
    """Write an evidence sheet as PDF.

    Parameters
    ----------
    path : path
    residuals, pictures, shapes, verdict, provenance, title, notes, frame_notes
        As :func:`appulse.reports.evidence.evidence_html`.
    overwrite : bool

    Returns
    -------
    Path

    Raises
    ------
    OutputExistsError, InputError
        As :func:`appulse.formats.output.write_bytes`.
    """
    residuals, buffer = list(residuals), io.BytesIO()
    title = title or title_of(residuals)
    blocks = [
        heading(title, 14.0), prose(subtitle(residuals), 8.0), prose(headline(residuals, verdict), 10.0, 92),
        *_plots(residuals), *_numbers(residuals, verdict), *_list("Notes", notes),
    ]  # fmt: skip
    for name in sections(residuals):
        mine = [residual for residual in residuals if residual.frame == name]
        blocks += _frame(name, mine, pictures or {}, shapes or {}, (frame_notes or {}).get(name, ()))
    blocks += _provenance(provenance)
    with matplotlib.rc_context({**matplotlib.rcParamsDefault, **STYLE, "backend": "agg", "pdf.fonttype": 42}):
        # no date: the same results give the same file
        about = {"Creator": "appulse", "CreationDate": None, "Title": title}
        with PdfPages(buffer, metadata=about) as document:
            for figure in pages(blocks, foot=title):
                document.savefig(figure)
    return write_bytes(path, buffer.getvalue(), overwrite)


def _plots(residuals):
    seen = [residual for residual in residuals if residual.seen]
    if seen:
        yield Block(_high(OC_INCH), lambda panel: draw_oc(panel, seen))
    if moving(seen):
        yield Block(_high(MOTION_INCH), lambda panel: draw_motion(panel, seen))


def _high(size):
    return size[1] * WIDE_INCH / size[0]


def _numbers(residuals, verdict):
    names = frame_labels([residual.frame for residual in residuals])[1]
    if any(best_place(residual)[2] for residual in residuals):
        yield heading(BEST, 10.0)
        yield from fixed(columns(*best_rows(residuals)), headed=True)
        yield prose(f"{BEST_FOOT} {names}", 7.5, 130)
    title, foot = solved_words(residuals)
    yield heading(title, 10.0)
    flags = [residual.flag for residual in residuals]
    yield from fixed(columns(*solved_rows(residuals), after=flags), headed=True)
    yield prose(f"{foot} {names}", 7.5, 130)
    table = getattr(verdict, "alternatives", None)
    if table is not None and len(table):
        yield heading("Every cause that was tried", 10.0)
        yield from fixed(columns(*alternatives_rows(table), left=(0, 4)))


def _list(words, items):
    items = list(dict.fromkeys(map(str, items)))
    if items:
        yield heading(words, 10.0)
        yield from (prose(f"\u2013 {item}", 7.5, 130) for item in items)


def _provenance(provenance):
    if provenance:
        yield heading("Where this comes from", 10.0)
        yield from fixed(provenance_lines(provenance))


def _frame(name, residuals, pictures, shapes, notes):
    yield heading(name, 12.0, new_page=name in pictures)
    if name in pictures:
        yield _picture(pictures[name])
    for residual in residuals:
        if not residual.seen:
            yield prose(f"{residual.label}: not measured: {residual.flag}", 8.0, 110)
            continue
        if has_stamp(residual):
            # the residual of now, not that of the last turn of the loop
            yield Block(_high(STAMP_INCH), lambda panel, residual=residual: draw_stamp(panel, residual))
        yield prose(stamp_words(residual), 7.5, 130)
        budget = error_budget(residual)
        head, rows = budget_rows(budget)
        yield from fixed(columns(head, rows, left=(0, 5)))
        yield prose(budget.sentence, 7.5, 130)
    words = dict.fromkeys([*notes, *notes_of(residuals)])
    if words:
        yield prose("; ".join(words), 7.5, 130)
    plate = next((residual.plate for residual in residuals if residual.plate is not None), None)
    if plate is not None and name in shapes and len(plate.stars):
        shape = shapes[name]
        high = _high((WIDE_INCH, stars_height(shape)))
        yield Block(high, lambda panel: draw_stars(panel, plate, shape))


def _picture(picture):
    png = picture if isinstance(picture, bytes) else Path(picture).read_bytes()
    image = np.asarray(Image.open(io.BytesIO(png)).convert("RGB"))
    # a tall frame leaves room for its own tables
    high = min(PICTURE_HIGH * HIGH_INCH, WIDE_INCH * image.shape[0] / image.shape[1])

    def draw(panel):
        axes = panel.add_subplot()
        axes.imshow(image, interpolation="antialiased")
        axes.set_axis_off()

    return Block(high, draw)

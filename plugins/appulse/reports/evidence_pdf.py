"""The evidence sheet as PDF, for those who file paper: blocks of text and drawings set on pages."""

from __future__ import annotations

import io
import textwrap
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
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
from appulse.reports.residual_plots import (
    FAINT,
    INK,
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

PAGE_INCH = (8.27, 11.69)
MARGIN_INCH = 0.6
WIDE_INCH = PAGE_INCH[0] - 2 * MARGIN_INCH
HIGH_INCH = PAGE_INCH[1] - 2 * MARGIN_INCH
POINTS, SPACING = 7.0, 1.45
COLUMNS = 120
"""Letters of the fixed-width face that a line of a page holds; longer ones are set smaller."""
GAP = 2


@dataclass(frozen=True)
class Block:
    """Something that stands on a page as a whole.

    `draw` takes the SubFigure to draw on; `above` goes before it where it begins a page.
    """

    high_inch: float
    draw: Any
    new_page: bool = False
    with_next: bool = False
    above: Any = None


def heading(words, size=12.0, new_page=False):
    """A line of large type, on the page of what follows."""
    style = {"fontsize": size, "weight": "bold"}
    return _text([str(words)], size * 1.5, style, above=0.5, new_page=new_page, with_next=True)


def prose(words, size=9.0, width=96):
    """A paragraph, broken at the page's width; it stands as a whole."""
    lines = textwrap.wrap(" ".join(str(words).split()), width) or [""]
    return _text(lines, size * SPACING, {"fontsize": size})


def fixed(lines, at_once=24, headed=False):
    """Lines of the fixed-width face, broken over pages after so many of them; the first of a table again.

    Examples
    --------
    >>> [round(block.high_inch * 72 / POINTS / SPACING, 1) for block in fixed(["a"] * 30)]
    [24.0, 6.6]
    """
    # a wide table is set smaller, not cut
    points = POINTS * min(1.0, COLUMNS / max(map(len, lines), default=1))
    style = {"fontsize": points, "family": "DejaVu Sans Mono"}
    parts = [lines[first : first + at_once] for first in range(0, len(lines), at_once)]
    again = _text(lines[:1], points * SPACING, style, below=0.0) if headed else None
    return [
        _text(part, points * SPACING, style, below=0.6 if part is parts[-1] else 0.0, repeated=again)
        for part in parts
    ]


def _text(lines, step, style, above=0.0, below=0.6, repeated=None, **options):
    """Lines of `step` points each, set one by one: where they stand does not depend on their letters."""
    high = (len(lines) + above + below) * step

    def draw(panel):
        for i, line in enumerate(lines):
            y = 1.0 - (above + i + 0.75) * step / high
            panel.text(0.0, y, line, va="baseline", color=INK, parse_math=False, **style)

    return Block(high / 72.0, draw, above=repeated, **options)


def columns(head, rows, left=(0, 1), after=None):
    """A table as lines of the fixed-width face; `left` are columns of words, `after` sentences below rows.

    Examples
    --------
    >>> columns(["frame", "S/N"], [["a.fits", "85"]], left=(0,), after=["odd"])
    ['frame   S/N', 'a.fits   85', '    odd']
    """
    table = [[str(cell) for cell in row] for row in (head, *rows)]
    widths = [max(len(row[i]) for row in table) for i in range(len(head))]
    lines = []
    for number, row in enumerate(table):
        cells = [
            f"{cell:<{width}}" if i in left else f"{cell:>{width}}"
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append((" " * GAP).join(cells).rstrip())
        if number and after and after[number - 1]:
            marks = {"initial_indent": "    ", "subsequent_indent": "    "}
            lines += textwrap.wrap(after[number - 1], COLUMNS - 4, **marks)
    return lines


def pages(blocks, foot=""):
    """Figures of the blocks set on pages, as many on each as find room, with `foot` and number below."""
    page, used, number = [], 0.0, 0
    blocks = list(blocks)
    for first, block in enumerate(blocks):
        # a heading goes with what it stands above, a stamp with its budget
        last = next((i for i in range(first, len(blocks)) if not blocks[i].with_next), len(blocks) - 1)
        needed = sum(other.high_inch for other in blocks[first : last + 1])
        if page and (block.new_page or used + needed > HIGH_INCH):
            number += 1
            yield _set(page, foot, number)
            page, used = [], 0.0
            if block.above and not block.new_page:
                page, used = [block.above], block.above.high_inch
        page.append(block)
        used += block.high_inch
    if page:
        yield _set(page, foot, number + 1)


def _set(page, foot, number):
    figure = Figure(figsize=PAGE_INCH, layout="constrained")
    FigureCanvasAgg(figure)
    figure.get_layout_engine().set(hspace=0.0, wspace=0.0)
    # what is left over stands below, so that blocks keep their heights
    left = max(HIGH_INCH - sum(block.high_inch for block in page), 1e-3)
    # The margins are rows and columns too: a subfigure knows of no others.
    heights = [MARGIN_INCH, *(block.high_inch for block in page), left, MARGIN_INCH]
    widths = [MARGIN_INCH, WIDE_INCH, MARGIN_INCH]
    grid = figure.add_gridspec(
        len(heights), 3, height_ratios=heights, width_ratios=widths, hspace=0, wspace=0
    )
    for row, block in enumerate(page, start=1):
        block.draw(figure.add_subfigure(grid[row, 1]))
    words = {"fontsize": 7, "color": FAINT, "parse_math": False}
    beside, above = MARGIN_INCH / PAGE_INCH[0], MARGIN_INCH / PAGE_INCH[1]
    figure.text(beside, above / 2, foot, **words)
    figure.text(1 - beside, above / 2, f"page {number}", ha="right", **words)
    return figure


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
            stamp = Block(_high(STAMP_INCH), lambda panel, residual=residual: draw_stamp(panel, residual))
            yield replace(stamp, with_next=True)
        yield replace(prose(stamp_words(residual), 7.5, 130), with_next=True)
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

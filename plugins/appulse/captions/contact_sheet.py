"""A contact sheet: every picture of a list, small, with its words."""

import numpy as np
from PIL import Image, ImageDraw

from appulse.sequence import font, png_bytes

CELL, GAP, PICTURE = 460, 28, 331
"""Width of a cell, space between cells, height of a picture, in pixels."""
SIZE, LEADING, LEAD = 17, 23, 8
"""Height of the letters, distance of the lines, space between picture and words, in pixels."""
MOST_LINES = 8
"""Lines of a caption; what is longer is cut and says so."""
PAPER, INK, FAINT, WARN = (250, 249, 246), (28, 30, 34), (110, 112, 118), (176, 72, 58)
COLUMNS = 3


def contact_sheet(entries) -> bytes:
    """A sheet of up to three columns as PNG; every row is as high as its longest words ask for.

    Parameters
    ----------
    entries : list of Entry
        Checked; those not chosen are shown paler, and those with problems say so.

    Returns
    -------
    bytes
    """
    columns = min(COLUMNS, max(1, len(entries)))
    words = [caption_lines(entry, number) for number, entry in enumerate(entries, 1)]
    rows = [slice(first, first + columns) for first in range(0, len(entries), columns)]
    heights = [PICTURE + LEAD + max(len(lines) for lines in words[row]) * LEADING + GAP for row in rows]
    sheet = Image.new("RGB", (GAP + columns * (CELL + GAP), GAP + sum(heights)), PAPER)
    draw = ImageDraw.Draw(sheet)
    y = GAP
    for row, height in zip(rows, heights, strict=True):
        for column, (entry, lines) in enumerate(zip(entries[row], words[row], strict=True)):
            x = GAP + column * (CELL + GAP)
            _picture(sheet, draw, entry, x, y, PICTURE)
            for number, (line, colour) in enumerate(lines):
                place = (x, y + PICTURE + LEAD + number * LEADING)
                draw.text(place, line, fill=colour, font=font(SIZE))
        y += height
    return png_bytes(np.asarray(sheet), f"contact sheet of {len(entries)} pictures")


def _picture(sheet, draw, entry, x, y, cell_h):
    if entry.size_px is None:
        draw.rectangle((x, y, x + CELL - 1, y + cell_h - 1), fill=(232, 230, 225))
        draw.text((x + CELL / 2, y + cell_h / 2), "not there", fill=FAINT, font=font(18), anchor="mm")
        return
    with Image.open(entry.file) as image:
        small = eight_bit(image)
    small.thumbnail((CELL, cell_h), Image.Resampling.LANCZOS)
    if not entry.chosen:
        small = Image.blend(small, Image.new("RGB", small.size, PAPER), 0.6)
    sheet.paste(small, (x + (CELL - small.width) // 2, y + (cell_h - small.height) // 2))


def eight_bit(image):
    """Any picture as RGB of 8 bit: 16-bit greys are scaled, not cut off as Pillow would."""
    if image.mode.startswith("I"):
        image = Image.fromarray((np.asarray(image, dtype=np.uint32) >> 8).clip(0, 255).astype(np.uint8))
    return image.convert("RGB")


def caption_lines(entry, number) -> list:
    """Lines below a picture, each with its colour: title, what the list says, caption, what breaks a rule."""
    title = f"{number}. {entry.title}" + ("" if entry.chosen else " (not chosen)")
    said = [entry.category, ", ".join(entry.dates), {"hired": "hired instrument"}.get(entry.instrument, "")]
    said.append("composite" if entry.composite else "")
    parts = [(title, INK), ("; ".join(word for word in said if word), FAINT), (entry.caption, INK)]
    parts += [(problem, WARN) for problem in entry.problems if entry.chosen]
    lines = []
    for text, colour in parts:
        broken = wrapped(text, SIZE, CELL)
        if len(broken) > MOST_LINES:
            broken = [*broken[: MOST_LINES - 1], broken[MOST_LINES - 1] + " ..."]
        lines += [(line, colour) for line in broken]
    return lines


def wrapped(text, size, width) -> list:
    """Words broken into lines of at most `width` pixels."""
    lines, line = [], ""
    for word in text.split():
        longer = f"{line} {word}".strip()
        if line and font(size).getlength(longer) > width:
            lines.append(line)
            line = word
        else:
            line = longer
    return [*lines, line] if line else lines

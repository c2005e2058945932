"""A contact sheet: every picture of a list, small, with its words."""

import numpy as np
from PIL import Image, ImageDraw

from appulse.sequence.animate import font
from appulse.sequence.output import png_bytes

CELL, GAP, LINES = 460, 28, 5
PAPER, INK, FAINT, WARN = (250, 249, 246), (28, 30, 34), (110, 112, 118), (176, 72, 58)
COLUMNS = 3


def contact_sheet(entries) -> bytes:
    """A sheet of three columns as PNG.

    Parameters
    ----------
    entries : list of Entry
        Checked; those not chosen are shown paler, and those with problems say so.

    Returns
    -------
    bytes
    """
    columns = min(COLUMNS, max(1, len(entries)))
    rows = -(-len(entries) // columns)
    size = 17
    words_h = int(LINES * size * 1.35)
    cell_h = int(CELL * 0.72)
    width, height = GAP + columns * (CELL + GAP), GAP + rows * (cell_h + words_h + GAP)
    sheet = Image.new("RGB", (width, height), PAPER)
    draw = ImageDraw.Draw(sheet)
    for number, entry in enumerate(entries):
        x = GAP + (number % columns) * (CELL + GAP)
        y = GAP + (number // columns) * (cell_h + words_h + GAP)
        _picture(sheet, draw, entry, x, y, cell_h)
        _words(draw, entry, number + 1, x, y + cell_h + 8, size)
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
    """Any picture as RGB of 8 bit: 16-bit greys are scaled, not cut off as Pillow would.

    Examples
    --------
    >>> eight_bit(Image.fromarray(np.full((2, 2), 32768, np.uint16))).getpixel((0, 0))
    (128, 128, 128)
    """
    if image.mode.startswith("I"):
        image = Image.fromarray((np.asarray(image, dtype=np.uint32) >> 8).clip(0, 255).astype(np.uint8))
    return image.convert("RGB")


def _words(draw, entry, number, x, y, size):
    title = f"{number}   {entry.title}" + ("" if entry.chosen else "   (not chosen)")
    lines = [(title, INK)]
    facts = [entry.category, ", ".join(entry.dates), {"hired": "hired instrument"}.get(entry.instrument, "")]
    facts.append("composite" if entry.composite else "")
    lines.append(("   ".join(word for word in facts if word), FAINT))
    room = LINES - 2 - bool(entry.problems)
    lines += [(line, INK) for line in wrapped(entry.caption, size, CELL)[:room]]
    if entry.problems:
        more = f" (and {len(entry.problems) - 1} more)" if len(entry.problems) > 1 else ""
        lines.append((wrapped(entry.problems[0], size, CELL - 90)[0] + more, WARN))
    for line, colour in lines:
        if line:
            draw.text((x, y), line, fill=colour, font=font(size))
            y += int(1.35 * size)


def wrapped(text, size, width) -> list:
    """Words broken into lines of at most `width` pixels.

    Examples
    --------
    >>> wrapped("one two three", 17, 70)
    ['one two', 'three']
    """
    lines, line = [], ""
    for word in text.split():
        longer = f"{line} {word}".strip()
        if line and font(size).getlength(longer) > width:
            lines.append(line)
            line = word
        else:
            line = longer
    return [*lines, line] if line else lines

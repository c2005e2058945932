"""The contact sheet: all words are there, and none runs into its neighbour."""

from io import BytesIO
from pathlib import Path

import numpy as np
from PIL import Image

from appulse.captions.contact_sheet import CELL, SIZE, caption_lines, contact_sheet, eight_bit, wrapped
from appulse.captions.entry_list import Entry
from appulse.sequence.picture_files import font

LONG = Entry(
    Path("absent.jpg"),
    "A title of many words that is longer than any cell is wide, and then some more",
    category="planets",
    caption="One sentence. " * 12,
    dates=("2027-05-04", "2027-05-05"),
    instrument="hired",
    composite=True,
    problems=("the longer side has 1300 px, at least 2000 are asked for", "hired instrument: not allowed"),
)


def test_no_line_is_wider_than_its_cell_and_no_problem_is_cut():
    lines = caption_lines(LONG, 1)
    assert max(font(SIZE).getlength(line) for line, _ in lines) <= CELL
    text = " ".join(line for line, _ in lines)
    assert all(problem in text for problem in LONG.problems)
    assert "hired instrument; composite" in text


def test_a_caption_without_end_is_cut_and_says_so():
    endless = Entry(Path("absent.jpg"), "x", caption="word " * 400)
    lines = caption_lines(endless, 1)
    assert len(lines) < 12
    assert lines[-1][0].endswith("...")


def test_a_row_grows_with_its_words():
    short = Entry(Path("absent.jpg"), "x")
    heights = [Image.open(BytesIO(contact_sheet([entry, short]))).height for entry in (short, LONG)]
    assert heights[1] > heights[0] + 100


def test_sixteen_bits_are_scaled_and_not_cut_off():
    grey = Image.fromarray(np.full((2, 2), 32768, np.uint16))
    assert eight_bit(grey).getpixel((0, 0)) == (128, 128, 128)


def test_words_break_at_the_width():
    assert wrapped("one two three", 17, 70) == ["one two", "three"]

"""``appulse guide``: the user's pages, as plain text in the terminal."""

import argparse
import difflib
import itertools
import re
import textwrap
from importlib.resources import files

from appulse.errors import InputError

_EXAMPLES = """\
examples:
  which pages there are
    appulse guide
  one of them
    appulse guide own-frames
    appulse guide signs-and-units
"""

WIDTH = 110
_LINK = re.compile(r"(!?)\[([^\]]*)\]\(([^)]*)\)")
_EMPHASIS = re.compile(r"(?<!\w)\*{1,2}(?=\S)(.+?)(?<=\S)\*{1,2}(?!\w)", re.S)
_SEPARATOR = re.compile(r"[|\s:-]+")


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser("guide", description="Read the guide in the terminal.", epilog=_EXAMPLES)
    parser.add_argument("topic", nargs="?", metavar="TOPIC", help="a page; all are listed when left out")


def run(args: argparse.Namespace) -> int:
    """Print a page, or the list of pages."""
    found = pages()
    if args.topic is None:
        width = max(map(len, found))
        for topic, text in found.items():
            print(f"  {topic:{width}}  {title(text)}")
        print("\nappulse guide TOPIC shows one of these pages; appulse COMMAND --help explains a command.")
        return 0
    topic = args.topic.lower().removesuffix(".md").replace("_", "-").replace(" ", "-")
    if topic not in found:
        near = difflib.get_close_matches(topic, found, cutoff=0.5) or list(found)
        raise InputError(f"the guide has no page {args.topic!r}; {_meant(near, len(found))}")
    print(plain_text(found[topic]))
    return 0


def _meant(near, count) -> str:
    return f"it has: {', '.join(near)}" if len(near) == count else f"did you mean: {', '.join(near)}?"


def pages() -> dict[str, str]:
    """Pages of the guide in the order of their names: topic to Markdown."""
    folder = files("appulse").joinpath("guide")
    names = sorted(entry.name for entry in folder.iterdir() if entry.name.endswith(".md"))
    return {name[:-3]: folder.joinpath(name).read_text(encoding="utf-8") for name in names}


def title(text: str) -> str:
    """The first heading of a page."""
    return text.partition("\n")[0].lstrip("# ")


def plain_text(markdown: str) -> str:
    """A page as a terminal shows it: headings underlined, code indented, tables in columns."""
    out, code = [], False
    for kind, lines in itertools.groupby(markdown.splitlines(), _kind):
        block = list(lines)
        if kind == "fence":
            code ^= len(block) % 2 == 1
        elif code:
            out += [f"    {line}" for line in block]
        elif kind == "table":
            rows = (line for line in block if not _SEPARATOR.fullmatch(line))
            out += _columns([[_words(cell.strip()) for cell in row.strip("|").split("|")] for row in rows])
        elif kind == "heading":
            for line in block:
                words = _words(line.lstrip("# "))
                out += [words, ("=" if line.startswith("# ") else "-") * len(words)]
        else:
            # marks may run over the end of a line
            out.append(_words("\n".join(block)))
    return "\n".join(out).strip("\n")


def _kind(line) -> str:
    marks = {"```": "fence", "|": "table", "#": "heading"}
    return next((kind for mark, kind in marks.items() if line.startswith(mark)), "text")


def _words(text) -> str:
    """Text without the marks of Markdown; what stands between backquotes is left as it is."""
    text = _LINK.sub(lambda m: f"[picture: {m[2]}]" if m[1] else f"{m[2]} ({m[3]})", text)
    parts = text.split("`")
    # emphasis is marked by stars at the rim of a word; the star of a list and of night/*.fits is not one
    parts[::2] = [_EMPHASIS.sub(r"\1", part) for part in parts[::2]]
    return "".join(parts)


def _columns(rows) -> list[str]:
    """Cells below each other, the columns as wide as they need; the widest column is wrapped."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    widest = widths.index(max(widths))
    room = WIDTH - sum(widths) + widths[widest] - 2 * len(widths)
    widths[widest] = min(widths[widest], max(20, room))
    out = []
    for row in rows:
        cells = [textwrap.wrap(cell, width) or [""] for cell, width in zip(row, widths, strict=True)]
        for i in range(max(map(len, cells))):
            parts = (cell[i] if i < len(cell) else "" for cell in cells)
            line = "  ".join(f"{part:{width}}" for part, width in zip(parts, widths, strict=True))
            out.append(line.rstrip())
    return out

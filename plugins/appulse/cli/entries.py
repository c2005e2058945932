"""``appulse entries``: contact sheet, rules and manifest of a set of pictures to send in."""

import argparse
import shutil
from pathlib import Path

from appulse.cli import common
from appulse.errors import InputError

_EXAMPLES = """\
examples:
    appulse entries year.yaml --out set

year.yaml:
    rules: {count: 5, shortest_px: 2000, megabytes: 20, formats: [jpeg, tiff], profile: sRGB,
            taken_from: 2027-01-01, taken_to: 2027-12-31, composites: declared, hired: declared}
    pictures:
      - file: iris/composite.tiff
        title: (7) Iris by IC 4603
        category: planets
        dates: [2027-05-04, 2027-05-05]
        instrument: hired              # own or hired
        composite: true
        facts: iris/caption.md
        evidence: iris/evidence.html
        caption: Six frames of one night.
      - {file: other.jpg, title: Not this year, chosen: false}

Every rule is optional and your own. Nothing is ranked: what is chosen stands in the list. The folder holds
contact.png (all pictures), the chosen files under new names, and manifest.yaml. Files lie in the list's
folder or below it; --allow-outside takes others. What is no picture, and facts that are no text, are not
copied. Exit code 1: a rule is broken.
"""


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser(
        "entries",
        description="Check a list of finished pictures against your rules; sheet, copies and manifest.",
        epilog=_EXAMPLES,
    )
    parser.add_argument("list", type=Path, metavar="LIST.yaml", help="rules and pictures")
    common.add_output_options(
        parser, out_help="folder for contact.png, the chosen pictures and manifest.yaml",
        default="appulse-entries",
    )
    parser.add_argument(
        "--allow-outside", action="store_true",
        help="take files from outside the list's folder too: only where the list is your own",
    )  # fmt: skip


def run(args: argparse.Namespace) -> int:
    """Check, copy, and say what is wrong."""
    from appulse.captions import check_entries, contact_sheet, copies_of, manifest, read_entries
    from appulse.formats import check_free, replacing, together, write_bytes, write_text

    rules, entries = read_entries(args.list, args.allow_outside)
    entries, whole = check_entries(rules, entries)
    chosen = [entry for entry in entries if entry.chosen]
    planned = [copies_of(entry, number) for number, entry in enumerate(chosen, 1)]
    names = [name for name, _ in planned]
    copies = [(source, args.out / target) for _, files in planned for source, target in files]
    targets = [target for _, target in copies]
    twice = next((target for target in targets if targets.count(target) > 1), None)
    if twice is not None:
        raise InputError(f"two files would be called {twice.name}: let facts end in .md, not as the picture")
    outputs = [args.out / "contact.png", args.out / "manifest.yaml", *targets]
    check_free(outputs, args.overwrite)
    with together():
        write_bytes(outputs[0], contact_sheet(entries), args.overwrite)
        for source, target in copies:
            with replacing(target, args.overwrite, mode=source.stat().st_mode) as temporary:
                shutil.copyfile(source, temporary)
        write_text(outputs[1], manifest(rules, chosen, names, whole), args.overwrite)
    print(outputs[0], *targets, outputs[1], sep="\n")
    return _say(entries, whole)


def _say(entries, whole) -> int:
    """Name everything that breaks a rule; 1 if a chosen picture or the set does."""
    for words in whole:
        common.note(words)
    broken = len(whole)
    for entry in entries:
        for words in entry.problems if entry.chosen else ():
            common.note(f"{entry.title}: {words}")
            broken += 1
    print(f"{broken} problem{'s' * (broken != 1)} found" if broken else "every rule of the list is kept")
    return 1 if broken else 0

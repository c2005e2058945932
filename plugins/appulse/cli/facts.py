"""``appulse facts``: what a caption may say, each figure with its source."""

import argparse
from pathlib import Path

from appulse.cli import common
from appulse.errors import InputError

_EXAMPLES = """\
examples:
  the facts of a night, captions of three lengths
    appulse facts night/*.fits --body 7 --object "IC 4603" --out night/words
  with distances and sizes that catalogues do not hold: each needs its source
    appulse facts night/*.fits --body 7 --object "IC 4603" --distance 456 --distance-error 20 \\
        --distance-source "your reference" --diameter 200 --diameter-source "your reference" --out night/words
  of a finished picture: only the frames that it uses are counted
    appulse facts --recipe night/picture/recipe.yaml --object "IC 4603"
  your own sentences
    appulse facts --write-template mine.md
    appulse facts night/*.fits --body 7 --object "IC 4603" --template mine.md --out night/words

The folder holds caption.md, caption.txt and facts.yaml. A figure without a source is not printed, and a
sentence whose figure is missing is left out. The site is rounded to whole degrees unless --disclose-site.
"""


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser(
        "facts", description="Facts and captions of a pass: distances, sizes, speeds.", epilog=_EXAMPLES
    )
    parser.add_argument("frames", nargs="*", metavar="FRAME", help="FITS files (.fits, .fits.gz, .fits.fz)")
    parser.add_argument(
        "--recipe", type=Path, metavar="FILE", help="recipe.yaml of a picture: the frames that it uses"
    )
    common.add_orbit_options(parser)
    parser.add_argument("--positions", type=Path, metavar="TABLE", help="places instead of orbits")
    parser.add_argument("--object", metavar="NAME", help="deep-sky object, e.g. 'IC 4603'")
    parser.add_argument("--name", metavar="WORDS", help="what the body is to be called, e.g. '(7) Iris'")
    behind = parser.add_argument_group("the object")
    behind.add_argument("--distance", type=float, metavar="LY", help="published distance, light years")
    behind.add_argument("--distance-error", type=float, metavar="LY", help="its error")
    behind.add_argument("--distance-source", metavar="WORDS", help="who says so")
    size = parser.add_argument_group("the body's size")
    size.add_argument("--diameter", type=float, metavar="KM", help="measured diameter")
    size.add_argument("--diameter-error", type=float, metavar="KM", help="its error")
    size.add_argument("--diameter-source", metavar="WORDS", help="who says so")
    size.add_argument("--albedo", type=float, metavar="P", help="published albedo (0.05 to 0.25 are tried)")
    size.add_argument("--tail-length", type=float, metavar="DEG", help="a comet's tail on the sky")
    words = parser.add_argument_group("words")
    words.add_argument("--place", metavar="WORDS", help="the place in your own words")
    words.add_argument("--disclose-site", action="store_true", help="the site's coordinates may be printed")
    words.add_argument("--equipment", metavar="WORDS", help="telescope and camera")
    words.add_argument("--template", type=Path, metavar="FILE", help="your own sentences")
    words.add_argument(
        "--write-template", type=Path, metavar="FILE", help="write the bundled sentences and exit"
    )
    words.add_argument("--length", choices=("short", "medium", "long"), default="medium", help="printed here")
    common.add_frame_options(parser)
    common.add_output_options(
        parser, out_help="folder for caption.md, caption.txt, facts.yaml"
    )
    common.add_progress_option(parser)


def run(args: argparse.Namespace) -> int:
    """Gather the facts, write and print the captions."""
    from appulse.captions import KEYS, caption, captions_text, default_template, facts_yaml, read_template
    from appulse.formats import check_free, together, write_text

    if args.write_template is not None:
        print(write_text(args.write_template, default_template(), args.overwrite))
        return 0
    if args.recipe is None and (not args.frames or args.body is None):
        raise InputError("frames and --body NAME, or --recipe FILE, are needed (or --write-template FILE)")
    if args.recipe is not None and args.frames:
        raise InputError("--recipe names the frames itself: leave the frames out")
    outputs = [] if args.out is None else [args.out / n for n in ("caption.md", "caption.txt", "facts.yaml")]
    check_free(outputs, args.overwrite)
    sections = read_template(args.template)
    found = _gather(args)
    facts = list(found.facts)
    print(caption(facts, sections.get(args.length, []), known=KEYS))
    if outputs:
        texts = (
            captions_text(facts, sections, markdown=True, known=KEYS),
            captions_text(facts, sections, markdown=False, known=KEYS),
            facts_yaml(facts),
        )
        with together():
            for path, text in zip(outputs, texts, strict=True):
                write_text(path, text, args.overwrite)
        print(*outputs, sep="\n")
    return 1 if found.failed else 0


def _gather(args):
    """Facts of the options' frames, body and object."""
    from appulse.catalogues import find_object
    from appulse.workflows import GivenFigures, frames_of_recipe, gather_facts

    if args.recipe is None:
        paths = common.expand_frames(args.frames)
    else:
        paths, body = frames_of_recipe(args.recipe)
        args.body = args.body or body
    bodies = common.open_source(args)
    given = GivenFigures(
        args.distance, args.distance_error, args.distance_source, args.diameter, args.diameter_error,
        args.diameter_source, args.albedo, args.tail_length,
    )  # fmt: skip
    outline = None if args.object is None else find_object(args.object)
    with common.progress_of(args) as progress:
        return gather_facts(
            paths, bodies, outline, name=args.name, given=given, reading=common.frame_options(args),
            place=args.place, exact_place=args.disclose_site, equipment=args.equipment,
            each=common.FrameNotes().hear, progress=progress,
        )  # fmt: skip

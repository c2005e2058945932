"""``appulse tails``: a comet's antisolar line, syndynes, synchrones and ion tail over frames."""

import argparse

from appulse.cli import common
from appulse.errors import InputError

_EXAMPLES = """\
examples:
  the tail over frames: pictures, a table of the lines in pixels, facts
    appulse tails night/*.fits --body 2P --out night/tails
  dust of your own choice, and the length that you see
    appulse tails night/f1.fits --body 2P --betas 0.03,0.3,1 --ages 10,30,90 --length 1.5
  without a frame: the lines on the sky at a time and a place
    appulse tails --at 2027-02-01T20:00 --site YOUR_CODE --body 2P

A syndyne joins grains of one beta (radiation pressure over solar gravity), a synchrone those of one age; they
leave the nucleus without speed of their own (Finson & Probstein 1968). Ticks on the antisolar line count
degrees and km. The ion tail is an estimate by the speed of the solar wind. Without --length the tail's
length comes from the comet's total magnitude, good to a factor of two.
"""


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser(
        "tails", description="Where a comet's tail lies: lines over frames and on the sky.", epilog=_EXAMPLES
    )
    parser.add_argument("frames", nargs="*", metavar="FRAME", help="plate-solved FITS frames")
    common.add_orbit_options(parser, body_required=True)
    parser.add_argument("--at", metavar="UTC", help="without frames: the time, with --site")
    lines = parser.add_argument_group("the lines")
    lines.add_argument("--betas", metavar="B,...", help="of the syndynes (0.01,0.03,0.1,0.3,1,2)")
    lines.add_argument("--ages", metavar="D,...", help="of the synchrones, days (5,10,20,40,80,160)")
    lines.add_argument("--length", type=float, metavar="DEG", help="the tail's length on the sky")
    lines.add_argument("--wind", type=float, metavar="KM/S", help="speed of the solar wind (400)")
    common.add_frame_options(parser)
    common.add_output_options(
        parser, out_help="folder for tails.ecsv, facts.yaml and pictures", default="appulse-tails"
    )
    common.add_workers_options(parser, dask=True)
    common.add_progress_option(parser)


def run(args: argparse.Namespace) -> int:
    """Compute, draw, write and say; 1 if some of several frames could not be used."""
    from appulse.workflows import TailOptions, open_bodies

    if bool(args.frames) == (args.at is not None):
        raise InputError("frames, or --at UTC with --site, are needed: one of the two")
    if args.at is not None and args.site is None:
        raise InputError("--at needs --site: from where is the comet seen?")
    options = TailOptions(
        _numbers(args.betas, "--betas"), _numbers(args.ages, "--ages"), args.length, args.wind
    )
    bodies = common.with_notes(open_bodies(args.body, args.orbits))
    return _at(args, bodies, options) if args.at is not None else _frames(args, bodies, options)


def _numbers(text, option):
    if text is None:
        return None
    try:
        return tuple(float(word) for word in text.split(",") if word.strip())
    except ValueError:
        raise InputError(f"{option} {text!r}: numbers with commas, as in 0.1,0.3,1") from None


def _at(args, bodies, options) -> int:
    from appulse.formats import site_of
    from appulse.observers import parse_utc
    from appulse.workflows import tail_at

    found = tail_at(parse_utc(args.at), site_of(args.site), bodies, options)
    for words in found.notes:
        common.note(words)
    _write(args, [found])
    return 0


def _frames(args, bodies, options) -> int:
    from appulse.workflows import tails_of_frames

    paths, notes = common.expand_frames(args.frames), common.FrameNotes()
    with common.progress_of(args) as progress:
        found, failed = tails_of_frames(
            paths, bodies, options, reading=common.frame_options(args), workers=common.workers_of(args),
            progress=progress, each=notes.hear if len(paths) > 1 else None,
        )  # fmt: skip
    if failed and len(paths) == 1:
        raise failed[0].error
    for result in found:
        notes.hear(result)
    notes.say()
    if not found:
        return 2
    _write(args, found)
    if len(paths) > 1:
        common.say(common.closing_count(len(paths), common.failures(failed), done="drawn"))
    return 1 if failed else 0


def _write(args, found) -> None:
    """Table, facts and pictures, all or none; the facts of the middle one are printed."""
    from astropy.table import vstack

    from appulse.captions import facts_lines, facts_yaml
    from appulse.formats import check_free, together, write_bytes, write_table, write_text

    pictures = {
        args.out / f"{result.name.split('.fit')[0]}-tail.png": result.picture
        for result in found
        if result.picture is not None
    }
    names = [args.out / "tails.ecsv", args.out / "facts.yaml", *pictures]
    check_free(names, args.overwrite)
    tables = []
    for result in found:
        table = result.table
        if result.name:
            table.add_column([result.name] * len(table), name="frame", index=0)
        tables.append(table)
    table = tables[0] if len(tables) == 1 else vstack(tables, metadata_conflicts="silent")
    middle = found[len(found) // 2]
    with together():
        write_table(table, names[0], args.overwrite)
        write_text(names[1], facts_yaml(middle.facts), args.overwrite)
        for path, png in pictures.items():
            write_bytes(path, png, args.overwrite)
    tail = middle.tail
    when, way = tail.time.utc.isot[:16].replace("T", " "), tail.plane_elevation
    print(
        f"{tail.label}, {when} UTC: antisolar direction at position angle {tail.sun_pa:.1f}\u00b0, negative "
        f"velocity at {tail.antivelocity_pa:.1f}\u00b0, seen from {abs(way):.1f}\u00b0 "
        f"{'above' if way >= 0 else 'below'} the orbit plane"
    )
    print(facts_lines(middle.facts))
    print(*names, sep="\n")

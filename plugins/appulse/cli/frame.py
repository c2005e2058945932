"""``appulse frame``: what is understood of a frame, in plain words."""

import argparse

from appulse.cli import common
from appulse.errors import AppulseError

_EXAMPLES = """\
examples:
  are time, site and plate solution understood?
    appulse frame night/*.fits
  the header has one time only, and it is the middle of the exposure; the site is not in it
    appulse frame f1.fits --time-is mid --site YOUR_CODE
  DATE-OBS and MJD-OBS disagree: believe one of them
    appulse frame f1.fits --time MJD-OBS

A frame that can be measured ends in 'ready'; else its notes say what is missing and which option gives it.
"""


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser(
        "frame",
        description="What is understood of plate-solved frames: time and its derivation, site, sky, camera.",
        epilog=_EXAMPLES,
    )
    parser.add_argument("frames", nargs="+", metavar="FRAME", help="FITS file (plain, .gz, .fz) or pattern")
    common.add_frame_options(parser)
    parser.add_argument("--checksum", action="store_true", help="print the file's SHA-256, too")


def run(args: argparse.Namespace) -> int:
    """Describe each frame; a bad one costs only itself."""
    from appulse.frames import describe, read_frame

    paths, options, failed = common.expand_frames(args.frames), common.frame_options(args), 0
    for path in paths:
        try:
            frame = read_frame(path, require=("wcs",), **options)
        except AppulseError as error:
            common.frame_failed(path, error)
            failed += 1
            continue
        needed = (("time", frame.exposure), ("site", frame.observer))
        missing = [name for name, value in needed if value is None]
        verdict = f"not ready: no {' and no '.join(missing)} (see the notes)" if missing else "ready"
        print("\n".join([*describe(frame, checksum=args.checksum), f"  {verdict}", ""]))
        if missing:
            failed += 1
            common.say(f"{path.name}: not ready: no {' and no '.join(missing)}; see its notes")
    if not failed:
        return 0
    return 2 if failed == len(paths) else 1

"""``appulse view``: frames, tracks and outlines in glue, all in place."""

import argparse
import importlib.util
import os
import subprocess
import sys
from pathlib import Path

from appulse.cli import common
from appulse.errors import AppulseError, InputError, MissingExtraError

VIEWER = "glue_appulse.desktop"
"""The viewer is a program of its own: nothing on this side imports glue or Qt."""

REFUSED = ("gain", "read_noise", "saturation", "sip")
"""Options of frames that the viewer has a panel for: refused in words, and not in the help."""

_EXAMPLES = """\
examples:
  a night, the track of (7) over it, and the outlines of what lies in the frames
    appulse view night/*.fits --body 7
  orbits of your own, every body that falls into the frames
    appulse view night/*.fits --orbits mine.ecsv --body all
  places from an ephemeris service; no outlines
    appulse view w3.fits.gz --positions places.csv --body all --no-outlines
"""


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser(
        "view",
        description="Open frames in glue, with the tracks of bodies and the outlines of deep-sky objects.",
        epilog=_EXAMPLES,
    )
    parser.add_argument("frames", nargs="+", metavar="FRAME", help="FITS files (.fits, .fits.gz, .fits.fz)")
    common.add_orbit_options(parser)
    parser.add_argument(
        "--positions",
        type=Path,
        metavar="TABLE",
        help="places instead of orbits: designation, ra, dec[, time]",
    )
    parser.add_argument("--stars", type=Path, metavar="TABLE", help="reference stars (Gaia column names)")
    parser.add_argument("--no-outlines", action="store_true", help="leave the deep-sky objects out")
    common.add_frame_options(parser)
    for action in parser._actions:
        if action.dest in REFUSED:
            action.help = argparse.SUPPRESS


def viewer_words(args: argparse.Namespace) -> list[str]:
    """Words of the viewer's own command line.

    Parameters
    ----------
    args : argparse.Namespace
        Of :func:`add_parser`.

    Returns
    -------
    list of str

    Examples
    --------
    >>> parser = argparse.ArgumentParser()
    >>> add_parser(parser.add_subparsers())
    >>> viewer_words(parser.parse_args(["view", "a.fits", "--body", "7", "--no-outlines"]))
    ['a.fits', '--body=7', '--no-outlines']
    """
    words = [str(path) for path in args.frames]
    names = ("orbits", "body", "positions", "stars", "site", "hdu", "wcs_from", "time", "time_is", "exposure",
             "clock_sigma", "mosaic")  # fmt: skip
    for name in names:
        value = getattr(args, name)
        if value is not None:
            words.append(f"--{name.replace('_', '-')}={value}")
    if args.time_shift is not None:
        words.append(f"--time-shift-s={common.parse_shift_s(args.time_shift)}")
    words += [f"--kernels={path}" for path in args.kernels or ()]
    return words + (["--no-outlines"] if args.no_outlines else [])


def run(args: argparse.Namespace) -> int:
    """Start the viewer and wait until it is closed."""
    if args.orbits is not None and args.positions is not None:
        raise InputError("--orbits and --positions exclude each other: give the one where places come from")
    named = [*args.frames, args.orbits, args.positions, args.stars, args.wcs_from, *(args.kernels or ())]
    missing = [path for path in named if path is not None and not Path(path).is_file()]
    if missing:
        raise InputError(f"{missing[0]} does not exist")
    if importlib.util.find_spec("glue_qt") is None:
        raise MissingExtraError("the viewer needs the extra 'desktop': pip install 'appulse[desktop]'")
    _refuse_camera_options(args)
    _require_display()
    common.note("the viewer opens in some seconds; this command ends when its window is closed")
    code = subprocess.run([sys.executable, "-m", VIEWER, *viewer_words(args)], check=False).returncode
    if code < 0:
        raise AppulseError(f"the viewer was ended by signal {-code}; appulse doctor says what it lacks")
    return code


def _refuse_camera_options(args: argparse.Namespace) -> None:
    # The viewer has its own panel for these; taking them and forgetting them would be worse than refusing.
    for name in REFUSED:
        if getattr(args, name) is not None:
            option = "--" + name.replace("_", "-")
            raise InputError(f"{option} is not taken by view: set it in glue, Plugins > Set-up")


def _require_display() -> None:
    # Qt ends the process with a dozen lines when it finds no display, so it is asked for beforehand.
    known = ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")
    if sys.platform.startswith("linux") and not any(os.environ.get(name) for name in known):
        raise InputError(
            "the viewer needs a graphical display, but there is none (DISPLAY and WAYLAND_DISPLAY are "
            "empty): run it on a desktop; 'appulse residuals ... --also pictures' draws without one"
        )

"""Options and steps that several commands share.

The science is imported inside the functions: building a parser must cost nothing.
"""

import argparse
import re
import sys
from pathlib import Path

from appulse.errors import AppulseError, DesignationError, InputError, TimeError

SITE_HELP = (
    "where the observer stands: a site's name in the settings file, an MPC code (X05), LON,LAT,HEIGHT "
    "(degrees east-positive, degrees, metres above WGS84; e.g. -70.8,-23,2400), or geocentre"
)
_STEP_UNITS_S = {"s": 1.0, "m": 60.0, "h": 3600.0, "d": 86_400.0}
_STEP = re.compile(r"(\d+(?:\.\d*)?|\.\d+)\s*([smhd])")
MAX_TIMES = 1_000_000


def add_site_option(parser: argparse.ArgumentParser, *, required: bool = False) -> None:
    """Add ``--site``."""
    parser.add_argument(
        "--site", required=required, metavar="NAME|CODE|LON,LAT,HEIGHT|geocentre", help=SITE_HELP
    )


def add_orbit_options(parser: argparse.ArgumentParser, *, body_required: bool = False) -> None:
    """Add ``--orbits`` and ``--body``."""
    parser.add_argument(
        "--orbits",
        type=Path,
        metavar="FILE",
        help="orbits: the table of the README, MPCORB or MPC comet lines, mpc_orb.json and others; "
        "the bundled starter set when left out",
    )
    parser.add_argument(
        "--body",
        required=body_required,
        metavar="NAME,...",
        help="number, name or designation; several with commas; 'all' for every one",
    )


def add_frame_options(parser: argparse.ArgumentParser) -> None:
    """Add what a frame's header may lack: site, time, exposure, WCS."""
    group = parser.add_argument_group("what a frame's header does not say")
    add_site_option(group)
    group.add_argument("--hdu", metavar="N|NAME", help="the HDU to read (first image with a celestial WCS)")
    group.add_argument("--wcs-from", type=Path, metavar="FILE", help="header-only file with the WCS")
    group.add_argument("--time", metavar="UTC", help="the frame's time, e.g. 2027-05-05T03:30:00")
    group.add_argument(
        "--time-is", choices=("start", "mid", "end"), help="which moment of the exposure the one time is"
    )
    group.add_argument("--exposure", type=float, metavar="SECONDS", help="exposure time")
    group.add_argument("--clock-sigma", type=float, metavar="SECONDS", help="1-sigma of the clock")
    group.add_argument("--gain", type=float, metavar="E/ADU", help="electrons for one stored unit")
    group.add_argument("--read-noise", type=float, metavar="E", help="read noise of the frame, electrons")
    group.add_argument("--saturation", type=float, metavar="ADU", help="largest trustworthy stored number")
    group.add_argument(
        "--sip", choices=("apply", "ignore"), help="SIP coefficients that CTYPE does not announce (apply)"
    )


def add_output_options(parser: argparse.ArgumentParser, *, out_help: str, required: bool = True) -> None:
    """Add ``--out`` and ``--overwrite``."""
    parser.add_argument("--out", type=Path, required=required, metavar="PATH", help=out_help)
    parser.add_argument("--overwrite", action="store_true", help="replace outputs that exist already")


def frame_options(args: argparse.Namespace) -> dict:
    """Keyword arguments of :func:`appulse.frames.reading.read_frame` from the parsed options.

    Examples
    --------
    >>> parser = argparse.ArgumentParser()
    >>> add_frame_options(parser)
    >>> frame_options(parser.parse_args(["--time-is", "mid", "--hdu", "2"]))
    {'hdu': 2, 'time_is': 'mid'}
    """
    from appulse.formats.settings import site_of

    given = {
        "hdu": int(args.hdu) if args.hdu is not None and args.hdu.isdigit() else args.hdu,
        "wcs_from": args.wcs_from,
        "site": None if args.site is None else site_of(args.site),
        "time": args.time,
        "time_is": args.time_is,
        "exposure_s": args.exposure,
        "clock_sigma_s": args.clock_sigma,
        "gain_e_adu": args.gain,
        "read_noise_e": args.read_noise,
        "saturation_adu": args.saturation,
        "sip": args.sip,
    }
    return {name: value for name, value in given.items() if value is not None}


def parse_step_s(text: str) -> float:
    """Seconds in a step such as ``30s``, ``10m``, ``2h`` or ``1d``.

    Parameters
    ----------
    text : str
        A positive number and one of the letters s, m, h, d.

    Returns
    -------
    float
        The step, seconds.

    Raises
    ------
    TimeError
        If the text is not a step, or is zero.

    Examples
    --------
    >>> parse_step_s("10m"), parse_step_s("1d")
    (600.0, 86400.0)
    """
    match = _STEP.fullmatch(text.strip())
    step_s = float(match[1]) * _STEP_UNITS_S[match[2]] if match else 0.0
    if step_s <= 0.0:
        raise TimeError(f"--step {text!r} is not a step: a positive number and s, m, h or d, as in 30s or 2h")
    return step_s


def requested_times(args: argparse.Namespace):
    """The times asked for by ``--times`` or by ``--from``, ``--to`` and ``--step``.

    Returns
    -------
    astropy.time.Time
        UTC, shape (n,); the last is not later than ``--to``.

    Raises
    ------
    TimeError
        If a time or step cannot be understood, the two ways are mixed, or the span is empty or absurd.
    """
    import numpy as np
    from astropy.time import TimeDelta

    from appulse.observers.timescales import parse_utc, quiet_erfa, read_times_file

    span = (args.begin, args.end, args.step)
    if args.times is not None:
        if any(value is not None for value in span):
            raise TimeError("--times and --from/--to/--step are two ways to give the times: use one of them")
        return read_times_file(args.times)
    if any(value is None for value in span):
        raise TimeError("no times: give --times FILE, or all of --from, --to and --step")
    begin, end, step_s = parse_utc(args.begin), parse_utc(args.end), parse_step_s(args.step)
    with quiet_erfa():
        # A whole step that misses --to by a rounding error of the time itself still counts.
        steps = ((end - begin).sec + 1e-6) / step_s
    if steps < 0.0:
        raise TimeError(f"--from {args.begin} is later than --to {args.end}: exchange them")
    if steps >= MAX_TIMES:
        raise TimeError(f"{steps:.0f} times asked for, at most {MAX_TIMES}: use a longer --step")
    with quiet_erfa():
        return begin + TimeDelta(np.arange(int(steps) + 1) * step_s, format="sec")


def load_orbits(path: Path | None):
    """The orbits of a file, or the bundled starter set; says on stderr what was skipped.

    Returns
    -------
    appulse.bodies.catalogue.OrbitCatalogue
    """
    from appulse.bodies.readers import read_orbits, starter_orbits

    if path is None:
        return starter_orbits()
    catalogue = read_orbits(path)
    rejected = list(getattr(catalogue, "rejected", ()))
    if rejected:
        line, reason = rejected[0]
        total = len(rejected) + len(catalogue)
        note(f"{path}: {len(rejected)} of {total} entries skipped; first, line {line}: {reason}")
    return catalogue


def split_names(text: str | None) -> list[str] | None:
    """Names of ``--body``, or none for all.

    Examples
    --------
    >>> split_names("7, 2020 AB")
    ['7', '2020 AB']
    >>> split_names("all") is None
    True
    """
    if text is None or text.strip().lower() == "all":
        return None
    names = [name.strip() for name in text.split(",") if name.strip()]
    if not names:
        raise DesignationError(f"--body {text!r} names no body: give a number, name or designation, or 'all'")
    return names


def select_orbits(catalogue, text: str | None):
    """The bodies of ``--body`` out of a catalogue; the catalogue itself for all.

    Returns
    -------
    list of Orbit, or OrbitCatalogue
    """
    names = split_names(text)
    return catalogue if names is None else [catalogue.select(name) for name in names]


def expand_frames(words: list[str]) -> list[Path]:
    """Frame paths; patterns are expanded where the shell has not done it, doubles are kept once.

    Raises
    ------
    InputError
        If a pattern matches nothing, or a folder alone is given; among frames it fails as one of them.
    """
    paths: list[Path] = []
    for word in words:
        path = Path(word)
        if path.is_dir() and len(words) == 1:
            raise InputError(f"{word} is a folder: name the frames in it, e.g. {path / '*.fits'}")
        if path.exists() or not set(word) & set("*?["):
            found = [path]
        else:
            found = sorted(path.parent.glob(path.name))
            if not found:
                raise InputError(f"no file matches {word}")
        paths.extend(one for one in found if one not in paths)
    return paths


def progress(items, words: str):
    """The items one by one, with a bar on standard error where that is a terminal.

    Parameters
    ----------
    items : sequence
    words : str
        What is being done.

    Returns
    -------
    iterable

    Examples
    --------
    >>> list(progress([1, 2], "counting"))
    [1, 2]
    """
    from tqdm import tqdm

    return tqdm(items, desc=words, leave=False, disable=None)


def one_source(orbits, positions) -> None:
    """Refuse two sources of the same places.

    Raises
    ------
    InputError
        Both are given.
    """
    if orbits is not None and positions is not None:
        raise InputError("--orbits and --positions are two sources of the same places: give one of them")


def note(text: str) -> None:
    """A line on stderr that is no error."""
    say("note: " + text)


def frame_failed(path: Path, error: Exception) -> None:
    """The one line for a frame that could not be used; the batch goes on."""
    text = " ".join(str(error).split())
    say(text if path.name in text else f"{path.name}: {text}")


def say(text: str) -> None:
    """A line on stderr, whatever is being drawn there."""
    line, bars = "appulse: " + " ".join(text.split()), sys.modules.get("tqdm")
    if bars is None:
        print(line, file=sys.stderr)
    else:
        bars.tqdm.write(line, file=sys.stderr)  # a bar that is being shown steps aside


FRAME_ERRORS = (AppulseError, OSError)
"""What stops one frame of a batch and not the others."""

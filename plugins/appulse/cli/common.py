"""Options and steps that several commands share.

The science is imported inside the functions: building a parser must cost nothing.
"""

import argparse
import contextlib
import re
import sys
import textwrap
from pathlib import Path

from appulse.errors import InputError, TimeError

SITE_HELP = (
    "where the observer stands: a site's name in the settings file, an MPC observatory code, LON,LAT,HEIGHT "
    "(degrees east-positive, degrees, metres above WGS84; e.g. 20.5,-23,1250), or geocentre"
)
_STEP_UNITS_S = {"s": 1.0, "m": 60.0, "h": 3600.0, "d": 86_400.0}
_STEP = re.compile(r"(\d+(?:\.\d*)?|\.\d+)\s*([smhd])")
MAX_TIMES = 1_000_000
MOST_NAMED = 8
"""More frames than this are counted and not named: each had its own line already."""
REASON_LENGTH = 60


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
        help="orbits: the table of `guide tables`, MPCORB or MPC comet lines, mpc_orb.json and others; "
        "the bundled starter set when left out",
    )
    parser.add_argument(
        "--body",
        required=body_required,
        metavar="NAME,...",
        help="number, name or designation; several with commas; 'all' for every one",
    )
    add_kernel_option(parser)


def add_kernel_option(parser: argparse.ArgumentParser) -> None:
    """Add ``--kernels``."""
    parser.add_argument(
        "--kernels",
        type=Path,
        nargs="+",
        metavar="FILE",
        help="SPK kernels for years beyond the bundled ones (1990 to 2050): a planetary file (DE4xx) and one "
        "of the massive asteroids",
    )


@contextlib.contextmanager
def kernels_of(args: argparse.Namespace):
    """Within it the run uses the kernels of ``--kernels``, where they are given."""
    if not getattr(args, "kernels", None):
        yield
        return
    from appulse.bodies import choose_kernels

    choose_kernels(args.kernels)
    try:
        yield
    finally:
        choose_kernels([])


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
    group.add_argument(
        "--time-shift",
        metavar="SHIFT",
        help="added to the frames' times: -1h where the camera's clock showed a local time one hour ahead of "
        "UTC, 40s where it was 40 s late",
    )
    group.add_argument("--exposure", type=float, metavar="SECONDS", help="exposure time")
    group.add_argument("--clock-sigma", type=float, metavar="SECONDS", help="1-sigma of the clock")
    group.add_argument("--gain", type=float, metavar="E/ADU", help="electrons for one stored unit")
    group.add_argument("--read-noise", type=float, metavar="E", help="read noise of the frame, electrons")
    group.add_argument("--saturation", type=float, metavar="ADU", help="largest trustworthy stored number")
    group.add_argument(
        "--mosaic", metavar="RGGB|none", help="colour pattern of a raw mosaic, by rows from the first pixel"
    )
    group.add_argument(
        "--sip", choices=("apply", "ignore"), help="SIP coefficients that CTYPE does not announce (apply)"
    )


def add_master_options(parser: argparse.ArgumentParser) -> None:
    """Add the master frames that the pixels are calibrated with."""
    group = parser.add_argument_group("calibration of the pixels (in memory: files are not touched)")
    for role in ("bias", "dark", "flat"):
        group.add_argument(f"--{role}", type=Path, metavar="FITS", help=f"master {role}")


def add_output_options(
    parser: argparse.ArgumentParser, *, out_help: str, default: str | None = None
) -> None:
    """Add ``--out``, with its default in the help, and ``--overwrite``."""
    if default is not None:
        out_help += f" ({default})"
    parser.add_argument(
        "--out", type=Path, default=None if default is None else Path(default), metavar="PATH", help=out_help
    )
    parser.add_argument("--overwrite", action="store_true", help="replace outputs that exist already")


def frame_options(args: argparse.Namespace) -> dict:
    """Keyword arguments of :func:`appulse.frames.reading.read_frame` from the parsed options.

    >>> parser = argparse.ArgumentParser()
    >>> add_frame_options(parser)
    >>> frame_options(parser.parse_args(["--time-is", "mid", "--hdu", "2"]))
    {'hdu': 2, 'time_is': 'mid'}
    """
    from appulse.files import whole_number
    from appulse.formats import site_of

    given = {
        "hdu": args.hdu if (number := whole_number(args.hdu)) is None else number,
        "wcs_from": args.wcs_from,
        "site": None if args.site is None else site_of(args.site),
        "time": args.time,
        "time_is": args.time_is,
        "exposure_s": args.exposure,
        "time_shift_s": None if args.time_shift is None else parse_shift_s(args.time_shift),
        "clock_sigma_s": args.clock_sigma,
        "gain_e_adu": args.gain,
        "read_noise_e": args.read_noise,
        "saturation_adu": args.saturation,
        "mosaic": args.mosaic,
        "sip": args.sip,
        **{role: getattr(args, role, None) for role in ("bias", "dark", "flat")},
    }
    return {name: value for name, value in given.items() if value is not None}


def parse_step_s(text: str) -> float:
    """Seconds in a step such as ``30s``, ``10m``, ``2h`` or ``1d``.

    >>> parse_step_s("10m"), parse_step_s("1d")
    (600.0, 86400.0)
    """
    match = _STEP.fullmatch(text.strip())
    step_s = float(match[1]) * _STEP_UNITS_S[match[2]] if match else 0.0
    if step_s <= 0.0:
        raise TimeError(f"--step {text!r} is not a step: a positive number and s, m, h or d, as in 30s or 2h")
    return step_s


def parse_shift_s(text: str) -> float:
    """Seconds in a shift such as ``-1h``, ``+30m`` or ``40s``.

    >>> parse_shift_s("-1h"), parse_shift_s("+30m")
    (-3600.0, 1800.0)
    """
    words = text.strip()
    match = _STEP.fullmatch(words.lstrip("+-")) if words.count("-") + words.count("+") <= 1 else None
    if not match:
        raise TimeError(f"--time-shift {text!r} is no shift: a number and s, m, h or d, as in -1h or 40s")
    return (-1.0 if words.startswith("-") else 1.0) * float(match[1]) * _STEP_UNITS_S[match[2]]


def requested_times(args: argparse.Namespace):
    """The times (UTC) asked for by ``--times``, or by ``--from``, ``--to`` (the latest) and ``--step``."""
    import numpy as np
    from astropy.time import TimeDelta

    from appulse.observers import parse_utc, quiet_erfa, read_times_file

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


def open_source(args: argparse.Namespace):
    """Where the bodies of ``--body`` should be, by ``--orbits`` or ``--positions``."""
    from appulse.workflows import open_bodies

    if args.orbits is not None and args.positions is not None:
        raise InputError("--orbits and --positions are two sources of the same places: give one of them")
    return with_notes(open_bodies(args.body, args.orbits, args.positions))


def with_notes(source):
    """A source of bodies, once its notes have been printed."""
    for words in source.notes:
        note(words)
    return source


def load_orbits(path: Path | None):
    """The orbits of a file, or those at hand; says on stderr what was skipped."""
    from appulse.workflows import load_orbits as load

    catalogue, notes = load(path)
    for words in notes:
        note(words)
    return catalogue


def split_names(text: str | None) -> list[str] | None:
    """Names of ``--body``, or none for all."""
    from appulse.workflows import split_names as split

    return split(text)


def select_orbits(catalogue, text: str | None):
    """The bodies of ``--body`` out of a catalogue, as a list; the catalogue itself for all."""
    names = split_names(text)
    return catalogue if names is None else [catalogue.select(name) for name in names]


def expand_frames(words: list[str]) -> list[Path]:
    """Frame paths; patterns are expanded where the shell has not done it, doubles are kept once."""
    # A folder alone is refused here; among frames it fails as one of them.
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
        paths.extend(path for path in found if path not in paths)
    return paths


def check_sigmas(args: argparse.Namespace, *names: str) -> None:
    """Refuse a 1-sigma that is none."""
    for name in names:
        value = getattr(args, name)
        if value is not None and not 0 <= value < 1e5:
            raise InputError(f"--{name.replace('_', '-')} {value} is no sigma: give a number of 0 or more")


def parse_field(text: str | None) -> tuple[float, float] | None:
    """``W,H`` in arcmin."""
    if text is None:
        return None
    try:
        width, height = (float(part) for part in text.split(","))
    except ValueError:
        raise InputError(f"--field {text!r}: give width and height in arcmin, as 80,60") from None
    if not (0.5 <= width <= 3000 and 0.5 <= height <= 3000):
        raise InputError(f"--field {text!r}: 0.5 to 3000 arcmin are allowed")
    return width, height


def add_progress_option(parser: argparse.ArgumentParser) -> None:
    """Add ``--quiet``."""
    parser.add_argument(
        "--quiet", action="store_true", help="show no progress (notes and errors are said all the same)"
    )


def add_workers_options(parser: argparse.ArgumentParser, *, dask: bool = False) -> None:
    """Add ``--jobs`` and, where the work may go to a cluster, ``--dask``."""
    parser.add_argument(
        "--jobs", type=int, default=1, metavar="N", help="processes to work with (1); 0: one per processor"
    )
    if dask:
        dask_help = "work on this Dask cluster, e.g. tcp://host:8786; its workers must see the same files"
        parser.add_argument("--dask", metavar="ADDRESS", help=dask_help)


def workers_of(args: argparse.Namespace):
    """Who does the work: what ``--jobs`` and ``--dask`` say."""
    from appulse.workflows import Workers

    return Workers(args.jobs, getattr(args, "dask", None))


def progress_of(args: argparse.Namespace):
    """A context manager: its value is a workflow's ``progress``, shown on stderr unless ``--quiet``."""
    from appulse.workflows import show_progress

    return show_progress(args.quiet)


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


class FrameNotes:
    """What there is to say of the frames of a batch: failures at once, notes together at the end."""

    def __init__(self):
        self._notes: list[tuple[str, str]] = []
        self._frames = 0

    def hear(self, result) -> None:
        """What a workflow's ``each`` takes: a frame that is done, or that could not be used."""
        self._frames += 1
        if hasattr(result, "error"):
            frame_failed(result.path, result.error)
            return
        self._notes += [(result.name, words) for words in result.notes]

    def say(self) -> None:
        """The notes, each text once."""
        from appulse.workflows import grouped_notes

        for words in grouped_notes(self._notes, self._frames):
            note(words)


def failures(results) -> dict[Path, str]:
    """Reasons of the frames that failed, by path."""
    return {failed.path: failed.reason for failed in results}


def exit_code(night) -> int:
    """0: all frames measured; 1: some failed; 2: not one could be used."""
    return 0 if not night.failed else 1 if night.measured else 2


def say_count(night) -> None:
    """The last word on stderr about a batch: how many frames were measured, which were not, and why."""
    if night.total > 1:
        say(closing_count(night.total, failures(night.failed), night.without_body))


def closing_count(total: int, failed: dict, empty=(), what: str = "frames", done: str = "measured") -> str:
    """How many of a batch were what, in a line; `failed` has the reasons, `empty` shows none of the bodies.

    >>> closing_count(14, {Path("n/a.fits"): "n/a.fits: no WCS: solve it first"}, ["c.fits"])
    '14 frames: 13 measured, 1 of them without a body seen: c.fits; 1 failed: a.fits (no WCS)'
    >>> closing_count(3, {})
    '3 frames: 3 measured'
    """
    words = f"{total} {what}: {total - len(failed)} {done}"
    if empty:
        words += f", {len(empty)} of them without a body seen: {_named(empty)}"
    if failed:
        reasons = [f"{path.name} ({_short(reason, path)})" for path, reason in failed.items()]
        words += f"{'; ' if empty else ', '}{len(failed)} failed: {_named(reasons)}"
    return words


def _named(names) -> str:
    more = len(names) - MOST_NAMED
    return ", ".join(names[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def _short(reason: str, path: Path) -> str:
    """A reason without the frame's name and without what to do about it."""
    for name in (str(path), path.name):
        reason = reason.removeprefix(name).removeprefix(":").strip()
    first = re.split(r"; |: | \(", reason)[0]
    return textwrap.shorten(first, REASON_LENGTH, placeholder=" ...") or reason[:REASON_LENGTH]

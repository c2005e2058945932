"""``appulse residuals``: measure bodies in frames, or compare observations with an orbit."""

import argparse
from pathlib import Path

from appulse.cli import common
from appulse.cli.ades_options import add_ades_options, ades_choice
from appulse.errors import InputError

_EXAMPLES = """\
examples:
  one body, orbit out of the bundled starter set, stars out of the bundled bright ones
    appulse residuals night/*.fits --body 7 --out measured
  your orbit and your star table; pictures and the one-page sheet too
    appulse residuals night/*.fits --body 7 --orbits mine.ecsv --stars gaia.ecsv --also all --out measured
  places from an ephemeris service, every one that falls in the frame
    appulse residuals w3.fits.gz --body all --positions places.csv --out measured
  observations that others have sent in, against your orbit
    appulse residuals --observations published.psv --orbits mine.ecsv --also evidence --out compared
  to be sent in: header, station and magnitudes filled in
    appulse residuals night/*.fits --body 7 --also psv --station X05 --submitter "A. Nonym" \\
        --telescope reflector,0.25,CMOS --out measured
  a header without site, and with one time only
    appulse residuals a.fits --body 7 --site -70.8,-23,2400 --time-is start --out measured

measured/residuals.ecsv has a row for each frame and body: observed minus calculated, arcsec, east, north and
along the motion positive, with sigmas, and the stars' own offset (plate_dra, plate_ddec) beside. A body that
does not show is flagged, not invented. measured/verdict.yaml holds the judgement of the night: each cause
that was tried with its chi-squared, what cannot be told, and what else could be the dot. Exit code 1: some
frames failed, the others are measured; 2: nothing could be used, and nothing is written. The outputs of a run
are written all together or not at all; of more than one frame the last line tells how many were measured.
"""

_MIN_SNR_HELP = (
    "least signal to noise of a measured body; left out: what noise does not reach, and 11.5 where the "
    "source of places gives neither motion nor magnitude and most sources in the frame are unlisted, so that "
    "place alone must tell the body from them"
)
FAINTEST_SNR = 3.0
"""Below it noise is measured, whatever is asked for."""

EXTRAS = ("psv", "xml", "obs80", "evidence", "pdf", "pictures")


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser(
        "residuals",
        description="Measure bodies in plate-solved frames: observed minus calculated, with sigmas.",
        epilog=_EXAMPLES,
    )
    parser.add_argument("frames", nargs="*", metavar="FRAME", help="FITS files (.fits, .fits.gz, .fits.fz)")
    observations_help = "measured places instead of frames: ADES (PSV, XML) or 80 columns"
    parser.add_argument("--observations", type=Path, metavar="FILE", help=observations_help)
    common.add_orbit_options(parser)
    positions_help = "places instead of orbits: designation, ra, dec[, time]"
    parser.add_argument("--positions", type=Path, metavar="TABLE", help=positions_help)
    stars_help = "reference stars, Gaia column names; the bundled bright ones when left out"
    parser.add_argument("--stars", type=Path, metavar="TABLE", help=stars_help)
    parser.add_argument(
        "--also",
        metavar="WHAT,...",
        default="",
        help="more outputs: psv, xml (ADES observations), obs80 (80 columns), evidence (one HTML page), "
        "pdf (the same to print), pictures (PNG), or all",
    )
    parser.add_argument("--min-snr", type=float, metavar="X", help=_MIN_SNR_HELP)
    add_ades_options(parser)
    common.add_frame_options(parser)
    common.add_output_options(parser, out_help="folder for residuals.ecsv and what --also names")


def _least_snr(args) -> float | None:
    if args.min_snr is not None and not FAINTEST_SNR <= args.min_snr < float("inf"):
        raise InputError(f"--min-snr {args.min_snr:g}: below 3 noise is measured; 3 or more is needed")
    return args.min_snr


def parse_extras(text: str) -> set[str]:
    """What ``--also`` asks for.

    >>> sorted(parse_extras("pictures, psv"))
    ['pictures', 'psv']
    """
    words = {word.strip() for word in text.split(",") if word.strip()}
    if "all" in words:
        return set(EXTRAS)
    unknown = sorted(words - set(EXTRAS))
    if unknown:
        raise InputError(f"--also {unknown[0]!r} is not known: use {', '.join(EXTRAS)} or all")
    return words


def run(args: argparse.Namespace) -> int:
    """Measure every frame that can be used, or compare a file of observations; write the tables.

    Raises
    ------
    InputError
        If no frame can be used, or an option cannot be understood.
    OutputExistsError
        If an output exists and ``--overwrite`` was not given.
    """
    extras = parse_extras(args.also)
    if args.observations is not None:
        if args.frames:
            raise InputError("frames and --observations at once: measure and compare in two runs")
        for name, value in (("--stars", args.stars), ("--min-snr", args.min_snr)):
            if value is not None:
                raise InputError(f"{name} is for frames; --observations are measured already: leave it out")
        return _compare(args, extras)
    if not args.frames or args.body is None:
        raise InputError("frames and --body NAME,... (or all) are needed, or --observations FILE")
    from appulse.cli.residual_lines import print_residuals
    from appulse.formats.output import check_free
    from appulse.workflows.export import NightOutputs, measure_to_folder
    from appulse.workflows.sources import open_stars

    paths = common.expand_frames(args.frames)
    outputs = NightOutputs(args.out, frozenset(extras), ades_choice(args), args.overwrite)
    options = {"reading": common.frame_options(args), "min_snr": _least_snr(args)}
    check_free(outputs.paths(paths), args.overwrite)
    bodies, stars = common.open_source(args), open_stars(args.stars)
    with common.bars() as progress:
        more = options | {"each": common.say_frame, "progress": progress}
        saved = measure_to_folder(paths, bodies, stars, outputs, **more)
    print_residuals(saved)
    common.say_count(saved.night)
    return common.exit_code(saved.night)


def _compare(args, extras: set[str]) -> int:
    """O-C of a file of observations, without frames; 1 if some of them could not be judged."""
    from appulse.cli.residual_lines import print_observations
    from appulse.formats.output import check_free
    from appulse.workflows.comparing import SHEET_FILES, compare_observations, save_comparison

    kinds = extras & set(SHEET_FILES)
    if extras != set(EXTRAS) and extras - kinds:
        raise InputError(
            f"--also {sorted(extras - kinds)[0]} needs frames: of observations there is evidence, pdf"
        )
    names = ["residuals.ecsv", "verdict.yaml", *(SHEET_FILES[kind] for kind in kinds)]
    check_free([args.out / name for name in names], args.overwrite)
    source = common.open_source(args)
    with common.bars() as progress:
        compared = compare_observations(args.observations, source, progress=progress)
    for words in compared.notes:
        common.note(words)
    written = save_comparison(compared, source, args.out, kinds, overwrite=args.overwrite)
    print_observations(compared)
    for path in written:
        print(path)
    if compared.failed:
        words = {"what": "observations", "done": "compared"}
        common.say(common.closing_count(compared.total, compared.failed, **words))
    return 0 if not compared.failed else 1 if len(compared.failed) < compared.total else 2

"""``appulse residuals``: measure bodies in frames, or compare observations with an orbit."""

import argparse
import re
from pathlib import Path

from appulse.cli import common
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
    appulse residuals night/*.fits --body 7 --also psv --station YOUR_CODE --submitter "A. Nonym" \\
        --telescope reflector,0.25,CMOS --out measured
  a header without site, and with one time only
    appulse residuals a.fits --body 7 --site 20.5,-23,1250 --time-is start --out measured

measured/residuals.ecsv has a row for each frame and body: observed minus calculated, arcsec, east, north and
along the motion positive, with sigmas, and the stars' own offset (plate_dra, plate_ddec) beside. A body that
does not show is flagged, not invented. measured/verdict.yaml holds the judgement of the night: each cause
that was tried with its chi-squared, what cannot be told, and what else could be the dot. Exit code 1: some
frames failed, the others are measured; 2: nothing could be used, and nothing is written. The outputs of a run
are written all together or not at all; of more than one frame the last line gives the number measured.
"""

_MIN_SNR_HELP = (
    "least signal to noise of a measured body; left out: what noise does not reach, and 11.5 where the "
    "source of places gives neither motion nor magnitude and most sources in the frame are unlisted, so that "
    "place alone must tell the body from them"
)
FAINTEST_SNR = 3.0
"""Below it noise is measured, whatever is asked for."""

MOST_SENTENCES = 8
"""More sentences about single places than this stand in the verdict's file only."""

LINES = 40
"""More observations than this stand in the table only."""

_LINE = "{:24} {:18} {:>18} {:>18} {:>18} {:>18} {:>7}  {}"


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
    model_help = (
        "what is fitted: point, or coma (a nucleus in a coma of free slope, with the pull of its tail); "
        "auto: coma where the body is a comet"
    )
    parser.add_argument("--model", choices=("auto", "point", "coma"), default="auto", help=model_help)
    _add_ades_options(parser)
    common.add_frame_options(parser)
    common.add_master_options(parser)
    common.add_output_options(
        parser, out_help="folder for residuals.ecsv and what --also names", default="appulse-residuals"
    )
    common.add_workers_options(parser, dask=True)
    common.add_progress_option(parser)


def _least_snr(args) -> float | None:
    if args.min_snr is not None and not FAINTEST_SNR <= args.min_snr < float("inf"):
        raise InputError(f"--min-snr {args.min_snr:g}: below 3 noise is measured; 3 or more is needed")
    return args.min_snr


def parse_extras(text: str) -> set[str]:
    """What ``--also`` asks for.

    >>> sorted(parse_extras("pictures, psv"))
    ['pictures', 'psv']
    """
    from appulse.workflows import EXTRAS

    words = {word.strip() for word in text.split(",") if word.strip()}
    if "all" in words:
        return set(EXTRAS)
    unknown = sorted(words - set(EXTRAS))
    if unknown:
        raise InputError(f"--also {unknown[0]!r} is not known: use {', '.join(EXTRAS)} or all")
    return words


def run(args: argparse.Namespace) -> int:
    """Measure every frame that can be used, or compare a file of observations; write the tables."""
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
    from appulse.formats import check_free
    from appulse.workflows import NightOutputs, measure_to_folder, open_stars

    paths = common.expand_frames(args.frames)
    outputs = NightOutputs(args.out, frozenset(extras), _ades_choice(args), args.overwrite)
    options = {"reading": common.frame_options(args), "min_snr": _least_snr(args), "model": args.model}
    check_free(outputs.paths(paths), args.overwrite)
    notes, workers = common.FrameNotes(), common.workers_of(args)
    with common.progress_of(args) as progress:
        progress("reading orbits and stars", 0, 0)
        bodies, stars = common.open_source(args), open_stars(args.stars)
        more = options | {"each": notes.hear, "progress": progress}
        more["workers"] = workers
        saved = measure_to_folder(paths, bodies, stars, outputs, **more)
    notes.say()
    _print_residuals(saved)
    common.say_count(saved.night)
    return common.exit_code(saved.night)


def _compare(args, extras: set[str]) -> int:
    """O-C of a file of observations, without frames; 1 if some of them could not be judged."""
    from appulse.formats import check_free
    from appulse.workflows import EXTRAS, SHEET_FILES, compare_observations, save_comparison

    kinds = extras & set(SHEET_FILES)
    if extras != set(EXTRAS) and extras - kinds:
        raise InputError(
            f"--also {sorted(extras - kinds)[0]} needs frames: of observations there is evidence, pdf"
        )
    names = ["residuals.ecsv", "verdict.yaml", *(SHEET_FILES[kind] for kind in kinds)]
    check_free([args.out / name for name in names], args.overwrite)
    with common.progress_of(args) as progress:
        progress("reading orbits", 0, 0)
        source = common.open_source(args)
        compared = compare_observations(args.observations, source, progress=progress)
    for words in compared.notes:
        common.note(words)
    is_done = len(compared.failed) < compared.total
    if is_done:  # a table of nothing but failures is no output
        written = save_comparison(compared, source, args.out, kinds, overwrite=args.overwrite)
        _print_observations(compared)
        for path in written:
            print(path)
    if compared.failed:
        words = {"what": "observations", "done": "compared"}
        common.say(common.closing_count(compared.total, compared.failed, **words))
    return 0 if not compared.failed else 1 if is_done else 2


# --- what is printed


def _print_residuals(saved) -> None:
    """A line for each frame and body on standard output, and where the files are."""
    from appulse.bodies import body_label
    from appulse.workflows import questions, suspicions, unmeasured

    for words in saved.notes:
        common.note(words)
    if saved.table is None:
        return
    head = ("frame", "body", "O-C RA cosDec", "O-C Dec", "along", "across", "S/N", "flag")
    print(_LINE.format(*head))
    for row in saved.table:
        pairs = (("dra_cosdec", "sigma_ra"), ("ddec", "sigma_dec"))
        pairs += (("along", "sigma_along"), ("across", "sigma_across"))
        numbers = [_plus_minus(row[value], row[sigma]) for value, sigma in pairs]
        snr = _number(row["snr"], ".0f")
        print(_LINE.format(row["frame"], body_label(row["designation"]), *numbers, snr, row["flag"]))
    print("(arcsec; by the frames' own WCS; the stars' offset is in the columns plate_dra, plate_ddec)")
    for words in comas(saved.night.residuals):
        print(words)
    sentences = questions(saved.night.residuals)
    if saved.night.verdict is not None:
        print(f"\n{saved.night.verdict.sentence}")
    elif saved.night.residuals:
        # It asks the first question itself.
        print(f"\n{unmeasured(saved.night.residuals)}")
        sentences = sentences[1:]
    sentences += suspicions(saved.night.residuals, saved.night.identities)
    for sentence in sentences[:MOST_SENTENCES]:
        print(sentence)
    if len(sentences) > MOST_SENTENCES:
        print(f"and {len(sentences) - MOST_SENTENCES} more: see verdict.yaml")
    print()
    for path in saved.written:
        print(path)


def comas(residuals) -> list[str]:
    """A line for each comet that was measured as one: how, and what the fit found."""
    lines, many = [], {}
    for residual in residuals:
        if residual.aperture_arcsec > 0:
            many.setdefault(residual.designation, []).append(residual)
    for designation, measured in many.items():
        fits = [residual.fit for residual in measured]
        slopes, points = [fit.slope for fit in fits], sum(fit.has_nucleus for fit in fits)
        lines.append(
            f"{designation}: measured as a comet, nucleus in a coma (--model point: as a dot); its coma "
            f"falls as distance^-{sum(slopes) / len(slopes):.2f}, a nucleus shows on {points} of "
            f"{len(fits)} frames"
        )
        lines += [f"  {words}" for words in measured[0].notes if words.startswith(("tailward", "A(alpha)"))]
    return lines


def _print_observations(compared) -> None:
    """A line for each observation, and the statistics by body and station, on standard output."""
    residuals, judged = compared.residuals, compared.judgement()
    print(f"{'observation':24} {'time, UTC':23} {'body':12} {'O-C RA cosDec':>16} {'O-C Dec':>16}  flag")
    for residual in residuals[:LINES]:
        label = f"{residual.frame[-24:]:24} {residual.time[:23]:23} {residual.designation[:12]:12}"
        pair = zip((residual.dra_cosdec, residual.ddec), residual.sigma_sky, strict=True)
        cells = [f"{value:+.3f} ± {sigma:.3f}" if residual.seen else "-" for value, sigma in pair]
        print(f"{label} {cells[0]:>16} {cells[1]:>16}  {residual.flag}")
    if len(residuals) > LINES:
        print(f"and {len(residuals) - LINES} more: see residuals.ecsv")
    print(f"\n{'body':12} {'station':8} {'n':>5} {'mean RA':>8} {'Dec':>8} {'rms RA':>8} {'Dec':>8} "
          f"{'chi2/dof':>9} {'> 3 sigma':>9}")  # fmt: skip
    for line in compared.statistics:
        ratio = line["chi2"] / line["degrees_of_freedom"]
        print(f"{line['body'][:12]:12} {line['station']:8} {line['n']:5d} {line['mean_ra']:+8.3f} "
              f"{line['mean_dec']:+8.3f} {line['rms_ra']:8.3f} {line['rms_dec']:8.3f} {ratio:9.2f} "
              f"{line['beyond_three_sigma']:9d}")  # fmt: skip
    print("(arcsec; by the predicted places, sigmas as stated or 0.5 arcsec where none are)")
    if "sentence" in judged:
        print(f"\n{judged['sentence']}\n")


def _plus_minus(value, sigma) -> str:
    return "-" if _number(value, "") == "-" else f"{value:+.3f} ± {sigma:.3f}"


def _number(value, form: str) -> str:
    import numpy as np

    return "-" if np.ma.is_masked(value) or not np.isfinite(value) else format(float(value), form)


# --- observations to send on


def _add_ades_options(parser: argparse.ArgumentParser) -> None:
    """Add what observers, stations and telescopes are called."""
    group = parser.add_argument_group("observations to send on (--also psv, xml, obs80)")
    group.add_argument("--station", metavar="CODE", help="observatory code; without one: a draft, XXX")
    group.add_argument("--submitter", metavar="NAME", help="who sends them, e.g. 'A. Nonym'")
    group.add_argument("--observer", metavar="NAME,...", help="who took the frames")
    group.add_argument("--measurer", metavar="NAME,...", help="who measured (the submitter)")
    group.add_argument(
        "--telescope", metavar="DESIGN,M,DETECTOR", help="e.g. reflector,0.25,CMOS (aperture in metres)"
    )  # fmt: skip
    group.add_argument("--band", metavar="BAND", help="band of the magnitudes (G where the stars are Gaia's)")
    group.add_argument(
        "--disclose-site",
        action="store_true",
        help="write the coordinates of a site without code (station 247); else they never go out",
    )
    group.add_argument(
        "--with-oc", action="store_true", help="O-C in psv and xml: to exchange, not to submit"
    )


def _ades_choice(args: argparse.Namespace):
    """What the options say, as an AdesChoice.

    >>> parser = argparse.ArgumentParser()
    >>> _add_ades_options(parser)
    >>> words = ["--submitter", "A. Nonym", "--telescope", "reflector,0.25,CMOS"]
    >>> choice = _ades_choice(parser.parse_args(words))
    >>> choice.header.measurers, choice.header.aperture_m, choice.mode
    (('A. Nonym',), 0.25, 'CMO')
    """
    from appulse.formats import AdesHeader
    from appulse.workflows import AdesChoice

    if args.station is not None and not re.fullmatch(r"[A-Za-z0-9]{3,4}", args.station):
        raise InputError(f"--station {args.station!r} is not an observatory code of the MPC's list")
    if args.band is not None and not re.fullmatch(r"[A-Za-z0-9]{1,3}", args.band):
        raise InputError(f"--band {args.band!r} is not a band: one to three letters, as G, V or Gb")
    design, aperture_m, detector = _telescope(args.telescope)
    measurers = _names(args.measurer) or ((args.submitter,) if args.submitter else ())
    header = AdesHeader(
        mpc_code=args.station, submitter=args.submitter, observers=_names(args.observer), measurers=measurers,
        design=design, aperture_m=aperture_m, detector=detector,
    )  # fmt: skip
    return AdesChoice(header, args.disclose_site, args.band, args.with_oc)


def _names(text: str | None) -> tuple:
    return tuple(name.strip() for name in (text or "").split(",") if name.strip())


def _telescope(text: str | None) -> tuple:
    if text is None:
        return None, None, None
    parts = [part.strip() for part in text.split(",")]
    try:
        design, aperture, detector = parts
        aperture_m = float(aperture)
    except ValueError:
        aperture_m = 0.0
    if not 0.0 < aperture_m < 100.0 or not all(parts):
        raise InputError(
            f"--telescope {text!r}: design, aperture in metres and detector with commas are needed, as in "
            "reflector,0.25,CMOS"
        )
    return design, aperture_m, detector

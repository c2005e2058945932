"""``appulse demo``: the sample night or the comet's, measured, with the known answers beside."""

import argparse
import importlib.metadata
import shutil
import sys
from pathlib import Path

from appulse.cli import common
from appulse.cli.residuals import comas
from appulse.errors import FrameError, TableError

_EXAMPLES = """\
examples:
  appulse demo                      writes to ./appulse-demo
  appulse demo --comet              a comet by a galaxy, in three filters
  appulse demo --out /tmp/night --overwrite
  appulse demo --data appulse/sample_data

Six invented frames of a pass that will happen: (7) Iris in front of the reflection nebula IC 4603,
2027-05-04/05. The camera's clock is late and the plate solutions are shifted, on purpose; the table shows
what was put in beside what was measured. With --comet: 2P/Encke by the galaxy NGC 7311, 2026-12-14, with a
coma, a tail and an orbit that is a little off. The frames are installed with the program.
"""

DEFAULT_OUT, COMET_OUT = Path("appulse-demo"), Path("appulse-demo-comet")
NEEDED = ("answers.yaml", "orbit.ecsv", "stars.ecsv")
ANSWERS = ("body", "clock_offset_s", "plate_dra", "plate_ddec", "frames")
COMET_ANSWERS = ("body", "plate_dra", "plate_ddec", "coma_slope", "tail_pa", "frames")


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser(
        "demo", description="Measure the sample night and compare with the known answers.", epilog=_EXAMPLES
    )
    parser.add_argument("--comet", action="store_true", help="the second sample: a comet by a galaxy")
    out_help = f"folder to write ({DEFAULT_OUT}; {COMET_OUT} for the comet)"
    parser.add_argument("--out", type=Path, default=DEFAULT_OUT, metavar="DIR", help=out_help)
    parser.add_argument("--data", type=Path, metavar="DIR", help="folder of the sample data, if not found")
    parser.add_argument("--overwrite", action="store_true", help="replace the outputs of an earlier run")
    common.add_workers_options(parser)
    common.add_progress_option(parser)


def find_data(given: Path | None, comet: bool = False) -> Path:
    """The folder of a sample: as given, or here, in the source tree, in the installation."""
    here = Path(__file__).resolve()
    places = [Path("sample_data"), here.parents[3] / "sample_data", *installed_data()]
    if given is not None:
        places = [given]
    if comet:
        places = [place if place.name == "comet" else place / "comet" for place in places]
    for place in places:
        if all((place / name).is_file() for name in NEEDED) and any(place.glob("*.fits.fz")):
            return place
    looked = " nor ".join(str(place) for place in places)
    raise FrameError(
        f"the sample night is not in {looked}: install appulse again, or name its folder with --data"
    )


def installed_data() -> list[Path]:
    """Where the installation has put the sample night, by its own list of files."""
    try:
        files = importlib.metadata.files("appulse") or ()
    except importlib.metadata.PackageNotFoundError:
        return []
    named = [file for file in files if file.name == "answers.yaml" and file.parts[-2] == "sample_data"]
    return [Path(str(file.locate())).resolve().parent for file in named]


def program_as_typed(word: str) -> str:
    """The word that starts the program from where the user stands, on the path or not.

    >>> program_as_typed("no/such/venv/bin/appulse"), program_as_typed("/usr/bin/pytest")
    ('no/such/venv/bin/appulse', 'appulse')
    """
    found = shutil.which("appulse")
    typed = Path(word)
    if typed.stem != "appulse" or (found is not None and typed.is_file() and typed.samefile(found)):
        return "appulse"
    return str(typed)


def run(args: argparse.Namespace) -> int:
    """Measure, compare, write."""
    from appulse.workflows import NightOutputs, measure_to_folder, open_bodies, open_stars

    data = find_data(args.data, args.comet)
    out = COMET_OUT if args.comet and args.out == DEFAULT_OUT else args.out
    answers = _read_answers(data / "answers.yaml", COMET_ANSWERS if args.comet else ANSWERS)
    orbits, stars = data / "orbit.ecsv", data / "stars.ecsv"
    outputs = NightOutputs(out, frozenset(("psv", "evidence", "pictures")), overwrite=args.overwrite)
    bodies = open_bodies(answers["body"], orbits)
    frames = sorted(data.glob("*.fits.fz"))
    notes, workers = common.FrameNotes(), common.workers_of(args)
    with common.progress_of(args) as progress:
        saved = measure_to_folder(
            frames, bodies, open_stars(stars), outputs, each=notes.hear, progress=progress,
            workers=workers,
        )  # fmt: skip
    notes.say()
    for words in saved.notes:
        common.note(words)
    if saved.table is not None:
        _print_results(saved, answers, out)
        print(
            f"\nOpen {out / 'evidence.html'} in a browser. "
            "The same in glue (needs the extra 'desktop'):\n"
            f"  {program_as_typed(sys.argv[0])} view {data / '*.fits.fz'} --body {answers['body']} "
            f"--orbits {orbits} --stars {stars}"
        )
    common.say_count(saved.night)
    return common.exit_code(saved.night)


def _print_results(saved, answers: dict, out: Path) -> None:
    if "coma_slope" in answers:
        _compare_comet(saved.table, answers)
        print(*comas(saved.night.residuals), sep="\n")
        print(f"  (put in: distance^-{answers['coma_slope']:g}, tail towards PA {answers['tail_pa']:g})")
    else:
        _compare(saved.table, answers)
    if saved.night.verdict is not None:
        print(f"\n{saved.night.verdict.sentence}")
    print(f"\nWritten to {out}:")
    for path in saved.written:
        print(f"  {path.name}")


def _read_answers(path: Path, names=ANSWERS) -> dict:
    import yaml

    try:
        answers = yaml.safe_load(path.read_text(encoding="utf-8"))
        return {name: answers[name] for name in names}
    except (yaml.YAMLError, KeyError, TypeError) as error:
        raise TableError(f"{path} is damaged ({error}): check it out again") from error


_LINE = "{:16} {:>22} {:>22} {:>16} {:>18} {:>6}  {}"


def _compare(table, answers: dict) -> None:
    """Print the measured numbers with the answers beside."""
    print("(7) Iris in front of IC 4603, sample night 2027-05-04/05.")
    print("Arcsec, seconds; in brackets what was put in.\n")
    print(_LINE.format("frame", "O-C RA cosDec", "O-C Dec", "plate RA, Dec", "clock late by", "S/N", "flag"))
    for row in table:
        truth = answers["frames"].get(str(row["frame"]))
        if truth is not None:
            print(_LINE.format(*_cells(row, truth, answers["clock_offset_s"])))
    plate = f"({answers['plate_dra']:+.2f}, {answers['plate_ddec']:+.2f})"
    print(_LINE.format("put in", "", "", plate, f"({answers['clock_offset_s']:+.0f})", "", ""))


_COMET_LINE = "{:18} {:>6} {:>22} {:>22} {:>16} {:>6}  {}"


def _compare_comet(table, answers: dict) -> None:
    """Print the comet's numbers with the answers beside."""
    print("2P/Encke by the galaxy NGC 7311, invented frames of 2026-12-14.")
    print("Arcsec; in brackets what was put in.\n")
    head = ("frame", "filter", "O-C RA cosDec", "O-C Dec", "plate RA, Dec", "S/N", "flag")
    print(_COMET_LINE.format(*head))
    for row in table:
        truth = answers["frames"].get(str(row["frame"]))
        if truth is not None:
            cells = [
                f"{row[name]:+.3f}±{row[sigma]:.3f} ({truth[name]:+.2f})"
                for name, sigma in (("dra_cosdec", "sigma_ra"), ("ddec", "sigma_dec"))
            ]
            plate = f"{row['plate_dra']:+.3f}, {row['plate_ddec']:+.3f}"
            line = (str(row["frame"]), truth["filter"], *cells, plate, f"{row['snr']:.0f}", str(row["flag"]))
            print(_COMET_LINE.format(*line))
    plate = f"({answers['plate_dra']:+.2f}, {answers['plate_ddec']:+.2f})"
    print(_COMET_LINE.format("put in", "", "", "", plate, "", "").rstrip())


def _cells(row, truth: dict, clock_s: float) -> list[str]:
    """The words of one line."""
    import numpy as np

    pa = np.arctan2(truth["dra_plate"], truth["ddec_plate"])
    along = row["dra_plate"] * np.sin(pa) + row["ddec_plate"] * np.cos(pa)
    to_clock = 3600.0 / truth["rate"]
    return [
        str(row["frame"]),
        f"{row['dra_cosdec']:+.3f}±{row['sigma_ra']:.3f} ({truth['dra_cosdec']:+.3f})",
        f"{row['ddec']:+.3f}±{row['sigma_dec']:.3f} ({truth['ddec']:+.3f})",
        f"{row['plate_dra']:+.3f}, {row['plate_ddec']:+.3f}",
        f"{along * to_clock:+.1f}±{row['sigma_along'] * to_clock:.1f} ({clock_s:+.0f})",
        f"{row['snr']:.0f}",
        str(row["flag"]),
    ]

"""The same command lines in two checkouts: do they give the same tables and pictures?

python tests/benchmarks/compare_checkouts.py OLD NEW [--keep DIR] [--only WORD] [--times N]

OLD and NEW are checkouts; both run under this Python, each with its own `plugins` folder first on the path.
Numbers of tables are equal when they differ by no more than two units of the last printed digit; pixels
when they differ by no more than 1e-6 of the picture's range (pictures for people: one step of 255). Every
difference is listed, and the exit code is 1 when there is one, or when a command fails in both. Processor
seconds of both stand beside each line, the least of N runs taken in turn (--times, 1 by default). With
../shared beside NEW the real infrared frame and the MPC's main belt take part.
"""

import argparse
import os
import re
import resource
import shlex
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
from astropy.io import fits
from PIL import Image

NUMBER = re.compile(r"[-+]?\d+\.?\d*(?:[eE][-+]?\d+)?")
NOT_COMPARED = re.compile(r"appulse \d|^DTSTAMP|written|^# (?!- \{name:)|data:image|^\s+[\w-]+: \d+(\.\d+)+$")
"""Lines that name versions, moments or digests of the run itself; of a head only the columns count."""


def command_lines(new: Path) -> dict[str, list[str]]:
    """Name -> words of the command; {out} is a folder of its own."""
    sample, shared = new / "sample_data", new.parent / "shared"
    night = " ".join(sorted(str(path) for path in sample.glob("iris_*.fits.fz")))
    orbits = f"--orbits {sample}/orbit.ecsv"
    stars = f"--stars {sample}/stars.ecsv"
    site = "--site -70.8,-23,2400"
    lines = {
        "residuals": f"residuals {night} --body 7 {orbits} {stars} --also psv,xml,obs80,evidence "
        "--out {out}/r",
        "residuals with the bundled stars": f"residuals {sample}/iris_1.fits.fz --body 7 --out {{out}}/r",
        "field": f"field {sample}/iris_1.fits.fz --out {{out}}/field.ecsv",
        "predict": f"predict --body 1,4,7 --from 2027-05-04T18:00 --to 2027-06-04T18:00 --step 7h {site} "
        "--out {out}/p.ecsv",
        "encounters": "encounters --from 2027-05-01 --to 2027-05-15 --bodies 1,2,4,7 --out {out}/e.ecsv",
        "campaign": f"encounters {sample}/campaign.yaml --out {{out}}/c.ecsv",
        "plan": f"plan {sample}/campaign.yaml --encounter 7-IC4603-20270504 --out {{out}}/plan",
        "movers": f"movers {night} {stars} --out {{out}}/m.ecsv",
        "facts": f"facts {night} --body 7 --object 'IC 4603' {orbits} --out {{out}}/facts",
        "sequence": f"sequence {night} --body 7 {orbits} --out {{out}}/s",
    }
    if shared.is_dir():
        lines["the real infrared frame"] = (
            f"residuals {shared}/frames/01772a127-w3-int-1b.fits.gz --body all "
            f"--positions {shared}/frames/wise_w3_predictions.csv --out {{out}}/w3"
        )
        lines["main belt of the MPC"] = (
            f"predict --orbits {shared}/orbits/mpc_mainbelt_bright_2025.csv --body 7,10,16,52,704 "
            "--from 2026-01-01 --to 2027-01-01 --step 30d --site X05 --out {out}/belt.ecsv"
        )
    return {name: shlex.split(line) for name, line in lines.items()}


def run(checkout: Path, words: list[str], out: Path) -> tuple[str, float]:
    """Run one command line; its closing lines with the exit code, and the processor seconds it took."""
    out.mkdir(parents=True)
    settings = {
        "PYTHONPATH": str(checkout / "plugins"),
        "XDG_CONFIG_HOME": str(out / ".config"),
        "MPLBACKEND": "Agg",
        "OPENBLAS_NUM_THREADS": "1",
    }
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(
        [sys.executable, "-m", "appulse", *(word.replace("{out}", str(out)) for word in words)],
        env={**os.environ, **settings},
        capture_output=True,
        text=True,
        check=False,
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    seconds = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    printed = f"exit {done.returncode}\n{done.stdout}".replace(str(out), "OUT")
    return printed + ("" if done.returncode == 0 else done.stderr), seconds


def unit_of_last_digit(number: str) -> float:
    """What one step of the last printed digit is worth: 0.01 for '1.25', 1 for '7'."""
    mantissa, _, exponent = number.lower().partition("e")
    return 10.0 ** (int(exponent or 0) - len(mantissa.partition(".")[2]))


def text_differences(old: str, new: str) -> list[str]:
    """Lines that differ by more than two units of the last printed digit of a number, or in a word."""
    old_lines, new_lines = (
        [line for line in text.splitlines() if not NOT_COMPARED.search(line)] for text in (old, new)
    )
    found = [] if len(old_lines) == len(new_lines) else [f"{len(old_lines)} lines against {len(new_lines)}"]
    for before, after in zip(old_lines, new_lines, strict=False):
        if before == after:
            continue
        numbers = NUMBER.findall(before), NUMBER.findall(after)
        same_words = NUMBER.sub("#", before) == NUMBER.sub("#", after)
        close = same_words and all(
            abs(float(a) - float(b)) <= 2.001 * max(unit_of_last_digit(a), unit_of_last_digit(b))
            for a, b in zip(*numbers, strict=True)
        )
        if not close:
            found.append(f"- {before[:150]}\n      + {after[:150]}")
    return found


def pixel_differences(old: np.ndarray, new: np.ndarray, allowed: float) -> list[str]:
    """A sentence when two arrays differ by more than `allowed` of their range."""
    if old.shape != new.shape:
        return [f"{old.shape} pixels against {new.shape}"]
    if not np.array_equal(np.isfinite(old), np.isfinite(new)):
        return ["blank pixels differ"]
    seen = np.isfinite(old)
    if not seen.any():
        return []
    span = float(np.ptp(old[seen])) or 1.0
    worst = float(np.max(np.abs(old[seen] - new[seen]))) / span
    return [f"pixels differ by {worst:.2g} of their range"] if worst > allowed else []


def file_differences(old: Path, new: Path) -> list[str]:
    """What differs between two files of one name."""
    if old.suffix == ".fits":
        with fits.open(old) as first, fits.open(new) as second:
            return [
                words
                for a, b in zip(first, second, strict=False)
                if getattr(a, "data", None) is not None and a.is_image
                for words in pixel_differences(a.data.astype(float), b.data.astype(float), 1e-6)
            ]
    if old.suffix in {".png", ".jpg", ".gif", ".tif", ".tiff"}:
        return pixel_differences(
            np.asarray(Image.open(old), float), np.asarray(Image.open(new), float), 1.01 / 255
        )
    try:
        return text_differences(old.read_text("utf-8"), new.read_text("utf-8"))
    except UnicodeDecodeError:
        return []


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("old", type=Path)
    parser.add_argument("new", type=Path)
    parser.add_argument("--keep", type=Path, help="folder for the outputs; a temporary one by default")
    parser.add_argument("--only", default="", help="run only the command lines whose name holds this")
    parser.add_argument("--times", type=int, default=1, help="runs of each, in turn; the quickest counts")
    options = parser.parse_args()
    root = options.keep or Path(tempfile.mkdtemp())
    worse = 0
    for name, words in command_lines(options.new.resolve()).items():
        if options.only not in name:
            continue
        folders = [root / name.replace(" ", "_") / side for side in ("old", "new")]
        checkouts = [options.old.resolve(), options.new.resolve()]
        runs = [
            [
                run(checkout, words, folder if count == 0 else folder.with_name(f"{folder.name}_{count}"))
                for checkout, folder in zip(checkouts, folders, strict=True)
            ]
            for count in range(options.times)
        ]
        printed = [text for text, _ in runs[0]]
        seconds = np.min([[spent for _, spent in pair] for pair in runs], axis=0)
        found = [f"printed: {line}" for line in text_differences(*printed)]
        if not printed[1].startswith("exit 0"):
            found.append(printed[1][:400])
        files = [
            {path.relative_to(folder) for path in folder.rglob("*") if path.is_file()} for folder in folders
        ]
        found += [f"only in old: {path}" for path in sorted(files[0] - files[1])]
        found += [f"only in new: {path}" for path in sorted(files[1] - files[0])]
        for path in sorted(files[0] & files[1]):
            found += [f"{path}: {words}" for words in file_differences(folders[0] / path, folders[1] / path)]
        worse += bool(found)
        print(
            f"{'differs' if found else 'same   '}  {name}: {len(files[0] & files[1])} files, "
            f"{seconds[0]:.2f} s before, {seconds[1]:.2f} s now ({seconds[1] / seconds[0]:.2f} x)",
            flush=True,
        )
        for words in found[:12]:
            print(f"    {words}")
        if len(found) > 12:
            print(f"    ... {len(found) - 12} more")
    return 1 if worse else 0


if __name__ == "__main__":
    raise SystemExit(main())

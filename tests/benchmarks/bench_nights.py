"""Invented nights of every kind through `appulse residuals`: what is measured, and how honest are the sigmas?

python tests/benchmarks/bench_nights.py [nights] [first seed] [--keep DIR] [--set NAME=VALUE ...]
python tests/benchmarks/bench_nights.py --sum FILE ...

Each night is drawn by `tests/invented_nights.py` from its seed; --set fixes a property of all of them, e.g.
--set mosaic= --set hot_share=0.0005. Printed: bodies of S/N above 10 that were measured (bound 95%), widths
of the pulls (0.9 to 1.1), measures beyond 5 sigma (1 in 1,000), RMS over the bound of Cramer and Rao, limits
that are fainter than a body that was not seen (false by more than 0.2 mag), and the seeds worth a look.
A long run goes in pieces: --records FILE writes what was found of each body, --sum prints of several files.

S/N counts the photons of all that stands there. A nebula's structure is noise too to whoever does not know
the nebula: a second count has it in.

A body is measured where its place is, with a sigma; that a frame has too few stars for a zero point is a
matter of its plate. There the pull is that of the uncorrected O-C by its own sigma: the headers of these
nights tell the truth. Saturated bodies count among the pulls, not among those that must be measured.
"""

import argparse
import contextlib
import io
import json
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import yaml
from astropy.table import Table

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from appulse.cli.main import main as appulse
from invented_nights import InventedNight, NightPlan, any_night, make_night

CLASSES = ((0.0, 10.0), (10.0, 15.0), (15.0, 30.0), (30.0, 100.0), (100.0, np.inf))
"""Of signal to noise."""


def measured(night: InventedNight, out: Path) -> tuple[Table | None, dict, str]:
    """The table of residuals, the judgement, and what was said on stderr."""
    words = ["residuals", *map(str, night.frames), "--body", "2099 AB1", "--positions", str(night.positions)]
    words += ["--stars", str(night.stars), "--out", str(out), "--overwrite"]
    said = io.StringIO()
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(said):
        try:
            code = appulse(words)
        except SystemExit as left:
            code = left.code
    if code == 70 or not (out / "residuals.ecsv").exists():
        return None, {}, said.getvalue()
    judgement = yaml.safe_load((out / "verdict.yaml").read_text("utf-8"))
    return Table.read(out / "residuals.ecsv"), judgement, said.getvalue()


def fixed(plan: NightPlan, settings: list[str]) -> NightPlan:
    """The plan with some properties set by hand."""
    for setting in settings:
        name, _, value = setting.partition("=")
        kind = type(getattr(plan, name))
        plan = replace(plan, **{name: value if kind is str else () if value == "()" else kind(float(value))})
    return plan


def records_of(night: InventedNight, table: Table | None, judgement: dict) -> list[dict]:
    """What was found of the body on each frame of a night."""
    limits = {place["frame"]: place.get("detection_limit") for place in judgement.get("places", [])}
    found = []
    for truth in night.truths:
        record = {
            "seed": night.plan.seed, "frame": truth.name, "snr": truth.snr, "saturated": truth.saturated,
            "clear": truth.snr_in_nebula,
            "pull": None, "ratio": None, "plate": False, "off": None, "flag": "",
        }  # fmt: skip
        found.append(record)
        match = [] if table is None else table[table["frame"] == truth.name]
        if len(match) == 0:
            continue
        row = match[0]
        record["flag"] = "" if np.ma.is_masked(row["flag"]) else str(row["flag"])
        if not (np.isfinite(row["dra_cosdec"]) and np.isfinite(row["sigma_ra"])):
            limit = limits.get(truth.name)
            record["off"] = None if limit is None else float(limit - truth.mag)
            continue
        record["plate"] = bool(np.isfinite(row["dra_plate"]) and np.isfinite(row["sigma_plate_ra"]))
        error = np.array([row["dra_cosdec"], row["ddec"]])
        sigma = np.array([row["sigma_ra"], row["sigma_dec"]])
        if record["plate"]:
            error = np.array([row["dra_plate"], row["ddec_plate"]])
            sigma = np.hypot(sigma, [row["sigma_plate_ra"], row["sigma_plate_dec"]])
        record["pull"] = [float(v) for v in error / sigma]
        record["ratio"] = [float(v) for v in error / night.plan.scale_arcsec / np.array(truth.bound_px)]
    return found


def report(records: list[dict], most: int = 60) -> None:
    """Print the counts of all bodies, and the seeds worth a look."""
    for low, high in (*CLASSES, (10.0, np.inf)):
        these = [r for r in records if low <= r["snr"] < high and not r["saturated"]]
        seen = [r for r in these if r["pull"] is not None]
        no_plate = sum(not r["plate"] for r in seen)
        print(
            f"measured of S/N {low:g} to {high:g}: {len(seen)} of {len(these)} "
            f"({100 * len(seen) / max(len(these), 1):.1f}%), {no_plate} of them without a zero point"
        )
    for low, high in ((0.0, 5.0), (5.0, 7.0), (7.0, 10.0), (10.0, np.inf)):
        these = [r for r in records if low <= r["clear"] < high and not r["saturated"]]
        seen = sum(r["pull"] is not None for r in these)
        share = 100 * seen / max(len(these), 1)
        words = f"{seen} of {len(these)} ({share:.1f}%)"
        print(f"of S/N {low:g} to {high:g}, the nebula's structure in it: {words}")
    saturated = [r for r in records if r["saturated"]]
    print(f"measured of saturated: {sum(r['pull'] is not None for r in saturated)} of {len(saturated)}")
    for words, some in (
        ("all", records), ("S/N above 10", [r for r in records if r["snr"] > 10 and not r["saturated"]]),
        ("saturated", saturated), ("with a flag", [r for r in records if r["flag"]]),
    ):  # fmt: skip
        pulls = np.array([r["pull"] for r in some if r["pull"] is not None]).reshape(-1, 2)
        if len(pulls) < 4:
            continue
        core = 0.7413 * np.subtract(*np.percentile(pulls, [75, 25], axis=0))
        rms = np.sqrt(np.mean(np.clip(pulls, -5, 5) ** 2, axis=0))
        beyond = np.sum(np.abs(pulls).max(axis=1) > 5)
        print(
            f"pulls, {words}: width of the core {core.round(3)}, RMS (clipped at 5) {rms.round(3)}, "
            f"beyond 5 sigma {beyond} of {len(pulls)}"
        )
    ratios = np.array([r["ratio"] for r in records if r["ratio"] is not None]).reshape(-1, 2)
    if len(ratios):
        print(f"error over the photon bound: median {np.median(np.abs(ratios)) / 0.6745:.3f} (1 is perfect)")
    missed = [r for r in records if r["pull"] is None and r["off"] is not None]
    false = [r for r in missed if r["off"] > 0.2]
    above = sum(r["snr"] > 10 for r in false)
    print(
        f"limits of bodies not seen: {len(missed)}; fainter than the body by over 0.2 mag: {len(false)} "
        f"({above} with S/N above 10) {[(r['seed'], r['frame'], round(r['off'], 2)) for r in false[:12]]}"
    )
    looked = [
        r for r in records
        if (np.abs(r["pull"]).max() > 5 if r["pull"] is not None else r["snr"] > 10 and not r["saturated"])
    ]  # fmt: skip
    for r in looked[:most]:
        words = "not measured" if r["pull"] is None else f"pulls {np.round(r['pull'], 1)}"
        print(f"    {r['seed']} {r['frame']} S/N {r['snr']:.0f}: {words} {r['flag'][:110]}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("nights", type=int, nargs="?", default=50)
    parser.add_argument("first", type=int, nargs="?", default=1)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--set", action="append", default=[], dest="settings")
    parser.add_argument("--records", type=Path, help="write what was found of each body here")
    parser.add_argument("--sum", type=Path, nargs="+", help="print of such files, measure nothing")
    options = parser.parse_args()
    if options.sum:
        report([json.loads(line) for path in options.sum for line in path.read_text("utf-8").splitlines()])
        return
    seconds, records, failed = 0.0, [], []
    for seed in range(options.first, options.first + options.nights):
        with contextlib.ExitStack() as stack:
            root = options.keep or Path(stack.enter_context(tempfile.TemporaryDirectory()))
            night = make_night(fixed(any_night(seed), options.settings), root / str(seed))
            started = time.process_time()
            table, judgement, said = measured(night, root / str(seed) / "out")
            seconds += time.process_time() - started
        if table is None:
            failed.append((seed, said.strip().splitlines()[-1][:150] if said.strip() else "nothing said"))
        new = records_of(night, table, judgement)
        records += new
        if options.records:
            with options.records.open("a", encoding="utf-8") as file:
                file.writelines(json.dumps(record) + "\n" for record in new)
    print(
        f"{options.nights} nights, {len(records)} frames, "
        f"{seconds / max(len(records), 1):.2f} s (processor) a frame"
    )
    report(records)
    print(f"nights without a result: {len(failed)}")
    for seed, words in failed:
        print(f"    {seed}: {words}")


if __name__ == "__main__":
    main()

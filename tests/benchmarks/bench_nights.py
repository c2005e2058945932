"""Invented nights of every kind through `appulse residuals`: what is measured, and how honest are the sigmas?

python tests/benchmarks/bench_nights.py [nights] [first seed] [--keep DIR] [--set NAME=VALUE ...]

Each night is drawn by `tests/invented_nights.py` from its seed; --set fixes a property of all of them, e.g.
--set mosaic= --set hot_share=0.0005. Printed: bodies of S/N above 10 that were measured (bound 95%), widths
of the pulls (0.9 to 1.1), measures beyond 5 sigma (1 in 1,000), RMS over the bound of Cramer and Rao, limits
that are fainter than a body that was not seen (false by more than 0.2 mag), and the seeds worth a look.
"""

import argparse
import contextlib
import io
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


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("nights", type=int, nargs="?", default=50)
    parser.add_argument("first", type=int, nargs="?", default=1)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--set", action="append", default=[], dest="settings")
    options = parser.parse_args()
    root = options.keep or Path(tempfile.mkdtemp())
    pulls, ratios, rows, seconds, false_limits, failed = [], [], [], 0.0, [], []
    bright = found = frames = 0
    for seed in range(options.first, options.first + options.nights):
        night = make_night(fixed(any_night(seed), options.settings), root / str(seed))
        started = time.process_time()
        table, judgement, said = measured(night, root / str(seed) / "out")
        seconds += time.process_time() - started
        if table is None:
            failed.append((seed, said.strip().splitlines()[-1][:150] if said.strip() else "nothing said"))
        limits = {place["frame"]: place.get("detection_limit") for place in judgement.get("places", [])}
        for truth in night.truths:
            frames += 1
            row = None
            if table is not None:
                match = table[table["frame"] == truth.name]
                row = match[0] if len(match) else None
            seen = row is not None and np.isfinite(row["dra_plate"]) and np.isfinite(row["sigma_ra"])
            if truth.snr > 10 and not truth.saturated:
                bright += 1
                found += bool(seen)
            if seen:
                sigma = np.hypot(
                    [row["sigma_ra"], row["sigma_dec"]], [row["sigma_plate_ra"], row["sigma_plate_dec"]]
                )
                error = np.array([row["dra_plate"], row["ddec_plate"]])
                pulls.append(error / sigma)
                ratios.append(error / night.plan.scale_arcsec / np.array(truth.bound_px))
                if np.abs(pulls[-1]).max() > 5:
                    rows.append((seed, truth.name, truth.snr, pulls[-1], str(row["flag"])))
            elif truth.snr > 10 and not truth.saturated:
                limit = limits.get(truth.name)
                if limit is not None and limit > truth.mag + 0.2:
                    false_limits.append((seed, truth.name, limit - truth.mag))
                rows.append((seed, truth.name, truth.snr, None, "" if row is None else str(row["flag"])))
    pulls, ratios = np.array(pulls).reshape(-1, 2), np.array(ratios).reshape(-1, 2)
    print(
        f"{options.nights} nights, {frames} frames, {seconds / max(frames, 1):.2f} s (processor) a frame"
    )
    print(f"measured of S/N above 10: {found} of {bright} ({100 * found / max(bright, 1):.1f}%)")
    if len(pulls):
        core = 0.7413 * np.subtract(*np.percentile(pulls, [75, 25], axis=0))
        rms = np.sqrt(np.mean(np.clip(pulls, -5, 5) ** 2, axis=0))
        print(f"pulls: width of the core {core.round(3)}, RMS (clipped at 5) {rms.round(3)}")
        beyond = np.abs(pulls).max(axis=1) > 5
        print(f"beyond 5 sigma: {beyond.sum()} of {len(pulls)}")
        print(f"error over the photon bound: median {np.median(np.abs(ratios)) / 0.6745:.3f} (1 is perfect)")
    print(
        f"false limits (fainter by over 0.2 mag than a body not seen): {len(false_limits)} {false_limits[:8]}"
    )
    print(f"nights without a result: {len(failed)}")
    for seed, words in failed:
        print(f"    {seed}: {words}")
    for seed, name, snr, pull, flag in rows[:60]:
        words = "not measured" if pull is None else f"pulls {pull.round(1)}"
        print(f"    {seed} {name} S/N {snr:.0f}: {words} {flag[:100]}")


if __name__ == "__main__":
    main()

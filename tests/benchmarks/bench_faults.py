"""Runs of the writing commands killed at a random moment: afterwards the old outputs or the new ones, whole.

    python tests/benchmarks/bench_faults.py [KILLS]

By hand: 200 take half an hour. Each command runs once unhindered; then over old outputs with --overwrite,
killed (SIGKILL, every third time SIGTERM) somewhere on its way, most often near its end, where it publishes.
What the next run in that folder finds must be one whole set. Every step of publishing by itself is killed in
tests/hostile/test_faults.py.
"""

import argparse
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "hostile"))

from cases import Material, _joined  # noqa: E402

from appulse.formats.publishing import PREFIX, recover  # noqa: E402

WRITING = (
    "predict", "field", "tails", "brightness", "residuals", "movers", "improve", "together", "first-orbit",
    "encounters", "plan", "picture", "facts", "entries", "orbits", "demo",
)  # fmt: skip
"""All that write, but for ``online``, which needs a service; ``demo`` by a run of its own."""
OLD = b"what an earlier run left"


def command_line(words: list, out: Path) -> list:
    """The words of a run whose outputs go to a folder."""
    words = [
        str(out) + word[3:] if word == "OUT" or word.startswith("OUT/") else word for word in _joined(words)
    ]
    return [sys.executable, "-m", "appulse.cli.main", *words, "--overwrite"]


def outputs(out: Path) -> dict:
    """Names of a folder's files, and which of them are old; parts of a run to be taken up again are none."""
    return {
        path.relative_to(out).as_posix(): path.read_bytes() == OLD
        for path in out.rglob("*")
        if path.is_file() and "parts" not in path.parts
    }


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("kills", nargs="?", type=int, default=200)
    parser.add_argument("--seed", type=int, default=4)
    parser.add_argument("--minutes", type=float, default=1e9, help="stop after this time")
    args = parser.parse_args()
    kills, start = args.kills, time.monotonic()
    dice, work = random.Random(args.seed), Path(tempfile.mkdtemp(prefix="faults-"))
    material = Material(work / "good", ROOT / "sample_data", with_body=True)
    environment = os.environ | {"APPULSE_SETTINGS": str(work / "none.yaml")}
    runs, results, wrong = [], Counter(), 0
    for name in WRITING:
        tried = [["demo", "--out", "OUT"]] if name == "demo" else material.good_runs()[name]
        for words in tried:
            began = time.monotonic()
            out = work / f"{name}-whole"
            line = command_line(words, out)
            done = subprocess.run(
                line, cwd=material.folder, env=environment, capture_output=True, check=False
            )
            if done.returncode == 0 and outputs(out):
                runs.append((name, words, set(outputs(out)), time.monotonic() - began))
                break
        else:
            print(f"{name}: not killed: exit code {done.returncode}: {done.stderr.decode()[-200:]}")
    for kill in range(kills):
        if time.monotonic() - start > 60.0 * args.minutes:
            kills = kill
            break
        name, words, names, seconds = runs[kill % len(runs)]
        out = work / f"{name}-{kill}"
        for file in names:
            (out / file).parent.mkdir(parents=True, exist_ok=True)
            (out / file).write_bytes(OLD)
        after = seconds * (dice.uniform(0.75, 1.05) if dice.random() < 0.8 else dice.uniform(0.1, 0.75))
        line = command_line(words, out)
        with subprocess.Popen(
            line, cwd=material.folder, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        ) as run:
            try:
                run.wait(timeout=after)
            except subprocess.TimeoutExpired:
                run.send_signal(signal.SIGTERM if kill % 3 == 2 else signal.SIGKILL)
        for folder in [out, *(path for path in out.rglob("*") if path.is_dir())]:
            recover(folder)
        found = outputs(out)
        stray = [file for file in found if PREFIX in file]
        whole = set(found) == names and len(set(found.values())) == 1
        results[name, run.returncode, "old" if all(found.values()) else "new"] += 1
        if stray or not whole:
            wrong += 1
            print(f"{name}, killed after {after:.2f} s: {found}", flush=True)
        shutil.rmtree(out, ignore_errors=True)
    shutil.rmtree(work, ignore_errors=True)
    for key, count in sorted(results.items()):
        print(*key, count)
    print(f"{kills} kills over {len(runs)} commands; {wrong} left a mix, a gap or a stray file")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())

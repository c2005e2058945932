"""Thousands of hostile inputs over all commands, and what the judge says of each.

    python tests/benchmarks/bench_hostile.py [N] [--from M] [--seed S] [--command NAME] [--minutes T]
    python tests/benchmarks/bench_hostile.py N --thrown

By hand: 5,000 take about an hour and a half. Every fault is printed with its number, which repeats it. With
--thrown hypothesis throws the dice, with words of any characters, and shows the shortest case of each fault.
"""

import argparse
import itertools
import shutil
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "hostile"))

from cases import Generator, Material, hostile_cases  # noqa: E402
from judge import judged  # noqa: E402


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("number", nargs="?", type=int, default=5000)
    parser.add_argument("--from", dest="first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--command", default=None)
    parser.add_argument("--minutes", type=float, default=1e9, help="stop after this time")
    parser.add_argument("--thrown", action="store_true")
    args = parser.parse_args()
    work = Path(tempfile.mkdtemp(prefix="hostile-"))
    generator = Generator(Material(work / "good", ROOT / "sample_data", with_body=True), args.seed)
    if args.thrown:
        return thrown_cases(generator, work, args.number)
    codes, kinds, slowest, largest, done = Counter(), Counter(), 0.0, 0.0, 0
    by_command, began = Counter(), time.monotonic()
    for n in range(args.first, args.first + args.number):
        if args.command and generator.commands[n % len(generator.commands)] != args.command:
            continue
        folder = work / str(n)
        case = generator.case(n, folder)
        found = judged(case, folder)
        codes[found.code] += 1
        by_command[generator.commands[n % len(generator.commands)]] += 1
        done += 1
        slowest, largest = max(slowest, found.seconds), max(largest, found.grown)
        for fault in found.faults:
            kinds[fault.split(" in ")[0][:40]] += 1
            print(
                f"{n}: {fault}\n    {' '.join(map(repr, case.words))[:400]}\n    {found.err[-400:]!r}",
                flush=True,
            )
        shutil.rmtree(folder, ignore_errors=True)
        if time.monotonic() - began > 60.0 * args.minutes:
            print(f"stopped after number {n}")
            break
    shutil.rmtree(work, ignore_errors=True)
    print(
        f"{done} inputs; exit codes {dict(codes)}; at most {slowest:.0f} s, growth {largest / 1e6:.0f} MB"
    )
    print("by command:", *(f"{name} {count}" for name, count in sorted(by_command.items())))
    print(f"faults: {sum(kinds.values())}", *kinds.most_common(), sep="\n    ")
    return 1 if kinds else 0


def thrown_cases(generator, work: Path, number: int) -> int:
    """As many cases of hypothesis's dice."""
    from hypothesis import HealthCheck, given, settings

    codes, folders = Counter(), itertools.count()

    @settings(max_examples=number, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    @given(thrown=hostile_cases())
    def one(thrown):
        command, dice, words = thrown
        folder = work / f"thrown-{next(folders)}"
        case = generator.case_of(command, folder, dice, tuple(words))
        found = judged(case, folder)
        codes[found.code] += 1
        shutil.rmtree(folder, ignore_errors=True)
        assert not found.faults, (case.words, found.faults, found.err[-300:])

    try:
        one()
    finally:
        print(f"{sum(codes.values())} thrown; exit codes {dict(codes)}")
        shutil.rmtree(work, ignore_errors=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())

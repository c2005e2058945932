"""glue's own test suites with and without our plugins: prints the tests whose outcome differs.

A suite is run folder by folder; outcomes are kept in a folder, and what is there is not run again. So the
whole may be spread over several runs of some minutes each; what is complete on both sides is compared.

Run: QT_QPA_PLATFORM=offscreen python tests/benchmarks/bench_glue_suites.py [--suite glue|glue_qt]
     [--folder DIR] [--minutes M]
"""

import argparse
import importlib.util
import json
import os
import subprocess
import sys
import tempfile
import time
import xml.etree.ElementTree as ElementTree
from pathlib import Path

SUITES = ("glue", "glue_qt")
SIDES = ("without", "with")
OURS = "glue_appulse"


def pytest_configure(config):
    """Run inside the suite's own pytest: hide our plugins from glue, or load them before the first test."""
    side = os.environ["APPULSE_SIDE"]
    import glue._plugin_helpers as helpers
    import glue.main

    every = helpers.iter_plugin_entry_points
    if side == "without":
        helpers.iter_plugin_entry_points = lambda: [p for p in every() if not p.module.startswith(OURS)]
    # on both sides glue's own are loaded before the first test: some of its tests tell whether they were
    if os.environ["APPULSE_SUITE"] == "glue_qt":
        import glue_qt.app  # noqa: F401  our desktop parts ask whether it is what loads them
        from glue_qt.utils import get_qapp

        # glue's Qt plugins make pictures as they load: without an application Qt ends the process
        config.appulse_application = get_qapp()
    glue.main.load_plugins()
    loaded = [name for name in glue.main.list_loaded_plugins() if name.startswith(OURS)]
    if bool(loaded) != (side == "with"):
        raise RuntimeError(f"{side} our plugins: {len(loaded)} of them are loaded: nothing to compare")


def parts_of(suite: str) -> list[Path]:
    """Folders of tests of a suite, as it is installed."""
    root = Path(importlib.util.find_spec(suite).submodule_search_locations[0])
    return sorted(folder for folder in root.rglob("tests") if any(folder.glob("test_*.py")))


def run(suite: str, side: str, folder: Path) -> dict[str, str]:
    """Outcome of each test of a folder."""
    with tempfile.TemporaryDirectory() as scratch:
        report = Path(scratch) / "report.xml"
        here = {"PYTHONPATH": str(Path(__file__).parent), "APPULSE_SIDE": side, "APPULSE_SUITE": suite}
        environment = os.environ | here | {"GLUE_TESTING": "True"}
        environment.setdefault("QT_QPA_PLATFORM", "offscreen")
        subprocess.run(
            [sys.executable, "-m", "pytest", "-q", "-p", "bench_glue_suites", "-p", "no:cacheprovider",
             "-o", "addopts=", f"--junitxml={report}", str(folder)],
            cwd=scratch, env=environment, check=False, stdout=subprocess.DEVNULL,
        )  # fmt: skip
        if not report.is_file():
            raise RuntimeError(f"{folder} {side} our plugins left no report: it was stopped")
        cases = ElementTree.parse(report).iter("testcase")  # noqa: S314  pytest has just written it
        return {f"{case.get('classname')}::{case.get('name')}": outcome(case) for case in cases}


def outcome(case) -> str:
    """Of one test in the report: passed, failed, error or skipped."""
    for child in case:
        if child.tag in ("failure", "error", "skipped"):
            return {"failure": "failed"}.get(child.tag, child.tag)
    return "passed"


def counts(outcomes: dict[str, str]) -> str:
    """How many of each."""
    kinds = sorted(set(outcomes.values()))
    return ", ".join(f"{sum(v == kind for v in outcomes.values())} {kind}" for kind in kinds)


def compare(suite: str, found: dict[str, dict[str, str]]) -> int:
    """Print what differs; returns how many do."""
    without, with_ours = (found[side] for side in SIDES)
    names = sorted({*without, *with_ours})
    differing = [name for name in names if without.get(name) != with_ours.get(name)]
    print(f"{suite}: without {counts(without)}; with {counts(with_ours)}; {len(differing)} differ (want 0)")
    for name in differing:
        print(f"  {name}: without {without.get(name, 'not run')}, with {with_ours.get(name, 'not run')}")
    return len(differing)


def main() -> int:
    """Run what is not known yet, and compare what is complete."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--suite", choices=SUITES, action="append", help="one suite only")
    parser.add_argument("--folder", type=Path, help="where outcomes are kept from run to run")
    parser.add_argument("--minutes", type=float, default=1e6, help="begin no further part after this time")
    args = parser.parse_args()
    folder = args.folder or Path(tempfile.mkdtemp(prefix="glue-suites-"))
    folder.mkdir(parents=True, exist_ok=True)
    end, differ, left = time.monotonic() + 60 * args.minutes, 0, 0
    for suite in args.suite or SUITES:
        found = {side: {} for side in SIDES}
        for i, part in enumerate(parts_of(suite)):
            for side in SIDES:
                kept = folder / f"{suite}-{i}-{side}.json"
                if not kept.is_file() and time.monotonic() > end:
                    left += 1
                    continue
                if not kept.is_file():
                    kept.write_text(json.dumps(run(suite, side, part), indent=0))
                found[side] |= json.loads(kept.read_text())
        if left:
            print(f"{suite}: {left} parts are left; run again with --folder {folder}")
        else:
            differ += compare(suite, found)
    return int(differ > 0 or left > 0)


if __name__ == "__main__":
    sys.exit(main())

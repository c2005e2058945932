"""glue's own test suites with and without our plugins: prints the tests whose outcome differs.

Each suite takes minutes, so one side may be run at a time; outcomes are kept in a folder and compared when
both are there.

Run: QT_QPA_PLATFORM=offscreen python tests/benchmarks/bench_glue_suites.py [--suite glue|glue_qt]
     [--only with|without] [--folder DIR]
"""

import argparse
import importlib.util
import json
import os
import subprocess
import sys
import tempfile
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
        return
    if os.environ["APPULSE_SUITE"] == "glue_qt":
        import glue_qt.app  # noqa: F401  our desktop parts ask whether it is what loads them
    glue.main.load_plugins()
    loaded = [name for name in glue.main.list_loaded_plugins() if name.startswith(OURS)]
    if not loaded:
        raise RuntimeError("our plugins are not loaded: there is nothing to compare")


def run(suite: str, side: str, tests: list[str]) -> dict[str, str]:
    """Outcome of each test of a suite."""
    folder = Path(importlib.util.find_spec(suite).submodule_search_locations[0])
    with tempfile.TemporaryDirectory() as scratch:
        report = Path(scratch) / "report.xml"
        here = {"PYTHONPATH": str(Path(__file__).parent), "APPULSE_SIDE": side, "APPULSE_SUITE": suite}
        environment = os.environ | here | {"GLUE_TESTING": "True"}
        environment.setdefault("QT_QPA_PLATFORM", "offscreen")
        subprocess.run(
            [sys.executable, "-m", "pytest", "-q", "-p", "bench_glue_suites", "-p", "no:cacheprovider",
             "--rootdir", str(folder), "-o", "addopts=", f"--junitxml={report}", *(tests or [str(folder)])],
            cwd=scratch, env=environment, check=False, stdout=subprocess.DEVNULL,
        )  # fmt: skip
        if not report.is_file():
            raise RuntimeError(f"the suite of {suite} {side} our plugins left no report: it was stopped")
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
    """Run what is asked for and compare what is there."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--suite", choices=SUITES, action="append", help="one suite only")
    parser.add_argument("--only", choices=SIDES, action="append", help="run one side only")
    parser.add_argument("--folder", type=Path, help="where outcomes are kept from run to run")
    parser.add_argument("tests", nargs="*", help="files of the suite (all)")
    args = parser.parse_args()
    folder = args.folder or Path(tempfile.mkdtemp(prefix="glue-suites-"))
    folder.mkdir(parents=True, exist_ok=True)
    differ = 0
    for suite in args.suite or SUITES:
        for side in args.only or SIDES:
            found = run(suite, side, args.tests)
            (folder / f"{suite}-{side}.json").write_text(json.dumps(found, indent=0))
            print(f"{suite} {side} our plugins: {counts(found)}", flush=True)
        files = {side: folder / f"{suite}-{side}.json" for side in SIDES}
        if all(path.is_file() for path in files.values()):
            differ += compare(suite, {side: json.loads(path.read_text()) for side, path in files.items()})
    return int(differ > 0)


if __name__ == "__main__":
    sys.exit(main())

"""Three hundred hostile inputs over all commands; five thousand are tried by hand (bench_hostile.py)."""

import random
import shutil

import pytest
from cases import Case, Generator, Material, hostile_cases
from hypothesis import HealthCheck, Phase, given, settings
from judge import judged

from appulse.cli.main import COMMANDS, build_parser

NUMBER, PARTS, SEED = 300, 10, 20
"""How many, in how many tests, of which seed: not that of the run by hand."""


@pytest.fixture(scope="module")
def generator(tmp_path_factory, sample_data):
    return Generator(Material(tmp_path_factory.mktemp("good"), sample_data), SEED)


def test_every_command_is_tried(generator):
    assert set(generator.commands) == {command.name for command in COMMANDS}


def test_every_option_is_tried(generator):
    """Those that take a value, by the words of good runs or by what is put in their place."""
    named = {word for runs in generator.runs.values() for words in runs for word in words}
    assert {"--bias", "--dark", "--flat", "--mosaic", "--kernels", "--positions", "--dask"} <= named
    for entry in COMMANDS:
        build_parser(entry)
        generator.case_of(entry.name, generator.material.folder.parent / entry.name, random.Random(1))


@pytest.mark.parametrize("part", range(PARTS))
def test_hostile_inputs_end_in_one_line_and_touch_nothing(generator, tmp_path, part):
    faults = {}
    for number in range(part, NUMBER, PARTS):
        folder = tmp_path / str(number)
        case = generator.case(number, folder)
        found = judged(case, folder)
        if found.faults:
            faults[number] = (case.words, found.faults, found.err[-300:])
    assert not faults


@settings(
    derandomize=True, max_examples=40, deadline=None, database=None, phases=[Phase.generate, Phase.shrink],
    suppress_health_check=list(HealthCheck),
)  # fmt: skip
@given(thrown=hostile_cases())
def test_words_that_no_table_has_end_in_one_line(generator, tmp_path_factory, thrown):
    command, dice, words = thrown
    folder = tmp_path_factory.mktemp("thrown")
    case = generator.case_of(command, folder, dice, tuple(words))
    found = judged(case, folder)
    shutil.rmtree(folder)
    assert not found.faults, (case.words, found.err[-300:])


SPOILT = {
    "a traceback": "Traceback (most recent call last)",
    "a control character": "appulse: \x1b[2J",
    "silence": "",
}


@pytest.mark.parametrize("kind", [*SPOILT, "a fault", "an input", "a file outside", "not a number"])
def test_the_judge_sees(generator, tmp_path, monkeypatch, kind):
    case = generator.case(0, tmp_path / "0")

    def run(words):
        import sys

        folder = tmp_path / "0"
        (folder / "OUT").mkdir()
        sys.stderr.write(SPOILT.get(kind, "appulse: no"))
        if kind == "an input":
            (folder / "orbit.ecsv").write_text("other")
        if kind == "a file outside":
            (folder / "new.txt").write_text("other")
        if kind == "not a number":
            (folder / "OUT" / "table.csv").write_text("a,b\n1,nan\n")
        return 70 if kind == "a fault" else 2

    monkeypatch.setattr("judge.main", run)
    assert judged(case, tmp_path / "0").faults


@pytest.mark.parametrize(("written", "faults"), [("unit: nan arcsec", 1), ("instrument: nan refractor", 0)])
def test_the_judge_knows_a_name_of_the_input(generator, tmp_path, monkeypatch, written, faults):
    case, folder = generator.case(0, tmp_path / "0"), tmp_path / "0"
    (folder / "campaign.yaml").write_text("instruments:\n  - name: nan refractor\n")

    def run(words):
        import sys

        (folder / "OUT").mkdir()
        (folder / "OUT" / "plan.yaml").write_text(written)
        sys.stderr.write("appulse: no")
        return 2

    monkeypatch.setattr("judge.main", run)
    assert len(judged(case, folder).faults) == faults


FOUND = {
    "a complex number in a card": ("f3.fits", "CDELT1", "(1.0, 2.0)", ["frame", "f3.fits"]),
    "an integer of sixty digits": ("f3.fits", "CRVAL1", "9" * 60, ["frame", "f3.fits"]),
    "an infinite kind of axis": ("f3.fits", "CTYPE2", "1E999", ["frame", "f3.fits"]),
    "a site nowhere": ("f3.fits", "OBSGEO-B", "'nan     '", ["frame", "f3.fits"]),
}


@pytest.mark.parametrize("kind", FOUND)
def test_what_was_found_by_hand_stays_mended(generator, tmp_path, kind):
    name, key, value, words = FOUND[kind]
    folder = tmp_path / "night"
    shutil.copytree(generator.material.folder, folder)
    raw = bytearray((folder / name).read_bytes())
    at = next((i for i in range(0, len(raw), 80) if raw[i : i + 8] == f"{key:8}".encode()), 80 * 12)
    raw[at : at + 80] = f"{key:8}= {value}".ljust(80).encode()
    (folder / name).write_bytes(raw)
    found = judged(Case(words), folder)
    assert (found.code, found.faults) == (2, ())


def test_an_instrument_of_no_exposure_is_one_line(generator, tmp_path):
    shutil.copytree(generator.material.folder, tmp_path / "night")
    plan = tmp_path / "night" / "short.yaml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(text.replace("tracking_limit_s: 300", "tracking_limit_s: 1e-320"), encoding="utf-8")
    words = ["plan", "short.yaml", "--encounter", "7-IC4603-20270504", "--site", "home", "--out", "OUT"]
    found = judged(Case(words), tmp_path / "night")
    assert (found.code, found.faults) == (2, ())
    assert "no exposure is short enough" in found.err

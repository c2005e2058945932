"""The house keeps its own rules: layers, lint, plugin registration, and a command line that starts light."""

import ast
import configparser
import importlib.util
import subprocess
import sys
import tomllib
from importlib.metadata import entry_points
from pathlib import Path

import pytest

from appulse.cli.main import COMMANDS

ROOT = Path(__file__).resolve().parents[1]

HEAVY = {"numpy", "scipy", "astropy", "matplotlib", "pandas", "glue", "glue_qt", "glue_appulse", "qtpy"}
"""What the general help must not load; the first two alone would take it past what a person calls at once."""

LINT_IMPORTS = (
    "import sys; sys.path.insert(0, '.'); "
    "from importlinter.cli import lint_imports; raise SystemExit(lint_imports(no_cache=True))"
)


def run_python(code: str) -> subprocess.CompletedProcess:
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)


@pytest.fixture(scope="module")
def setup_cfg():
    parser = configparser.ConfigParser()
    parser.read(ROOT / "setup.cfg", encoding="utf-8")
    return parser


DOORS = sorted(
    ".".join(path.parent.relative_to(ROOT / "plugins").parts)
    for path in (ROOT / "plugins" / "appulse").rglob("__init__.py")
    if "lazy_loader" in path.read_text(encoding="utf-8")
)


@pytest.mark.parametrize("room", DOORS)
def test_every_name_of_a_door_is_behind_it(room):
    """Names are looked up when they are used: one that was moved away shows first in somebody's hands."""
    door = importlib.import_module(room)
    assert not [name for name in door.__all__ if not hasattr(door, name)]


def test_what_is_taken_from_a_door_is_offered_there():
    """Imports inside a function are not run by importing its module: read, they are all seen."""
    taken = {
        (node.module, name.name)
        for path in (ROOT / "plugins").rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ImportFrom) and node.module in DOORS
        for name in node.names
    }
    assert len(taken) > 100
    assert not [
        f"{room}: {name}"
        for room, name in sorted(taken)
        if not hasattr(importlib.import_module(room), name) and not importlib.util.find_spec(f"{room}.{name}")
    ]


def test_every_import_keeps_to_the_layers():
    found = subprocess.run(
        [sys.executable, "-c", LINT_IMPORTS], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert found.returncode == 0, found.stdout + found.stderr


def test_the_layer_check_can_fail(tmp_path):
    """A room that imports one above it is found: the contract is read, and not only passed over."""
    package = tmp_path / "house"
    for room in ("low", "high"):
        (package / room).mkdir(parents=True)
        (package / room / "__init__.py").write_text("", encoding="utf-8")
    (package / "__init__.py").write_text("", encoding="utf-8")
    (package / "low" / "__init__.py").write_text("import house.high\n", encoding="utf-8")
    (tmp_path / "setup.cfg").write_text(
        "[importlinter]\nroot_package = house\n[importlinter:contract:1]\nname = order\ntype = layers\n"
        "layers =\n    house.high\n    house.low\n",
        encoding="utf-8",
    )
    found = subprocess.run(
        [sys.executable, "-c", LINT_IMPORTS], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert found.returncode == 1, found.stdout + found.stderr


def test_every_room_stands_in_the_layer_contract(setup_cfg):
    layers = setup_cfg["importlinter:contract:rooms"]["layers"]
    named = {word for word in layers.replace("|", " ").split() if word.startswith("appulse.")}
    rooms = {f"appulse.{path.parent.name}" for path in (ROOT / "plugins/appulse").glob("*/__init__.py")}
    assert rooms - named <= {"appulse.data"}  # files only, no code that others import


def test_ruff_finds_nothing():
    found = subprocess.run(
        [sys.executable, "-m", "ruff", "check", "--no-cache", "."],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert found.returncode == 0, found.stdout + found.stderr


def test_general_help_loads_nothing_heavy():
    code = (
        "import sys\nfrom appulse.cli.main import main\ncode = main(['--help'])\n"
        "print('LOADED', *sorted({name.partition('.')[0] for name in sys.modules}))\nraise SystemExit(code)"
    )
    found = run_python(code)
    assert found.returncode == 0, found.stderr
    loaded = set(found.stdout.rpartition("LOADED")[2].split())
    assert loaded & HEAVY == set()


@pytest.mark.parametrize("command", [entry.name for entry in COMMANDS])
def test_each_command_helps_without_loading_glue_or_the_science(command):
    code = (
        f"import sys\nfrom appulse.cli.main import main\ncode = main([{command!r}, '--help'])\n"
        "print('LOADED', *sorted({name.partition('.')[0] for name in sys.modules}))\nraise SystemExit(code)"
    )
    found = run_python(code)
    assert found.returncode == 0, found.stderr
    text, _, loaded = found.stdout.rpartition("LOADED")
    assert set(loaded.split()) & HEAVY == set()
    assert f"usage: appulse {command}" in text
    assert command == "doctor" or "example" in text, "the help teaches with an example"


@pytest.mark.parametrize("module", sorted({entry.module for entry in COMMANDS}))
def test_each_command_module_has_its_two_doors(module):
    loaded = importlib.import_module(module)
    assert callable(loaded.add_parser)
    assert callable(loaded.run)


def test_one_plugin_module_per_entry_point(setup_cfg):
    """glue keys loaded plugins by module: a second entry point in one module is skipped without a word."""
    lines = [line for line in setup_cfg["options.entry_points"]["glue.plugins"].splitlines() if line.strip()]
    modules = [line.partition("=")[2].partition(":")[0].strip() for line in lines]
    assert len(set(modules)) == len(modules) >= 4


def test_installed_entry_points_are_those_of_setup_cfg(setup_cfg):
    declared = {
        line.partition("=")[0].strip()
        for line in setup_cfg["options.entry_points"]["glue.plugins"].splitlines()
        if line.strip()
    }
    found = entry_points(group="glue.plugins")
    installed = {entry.name for entry in found if entry.value.startswith("glue_appulse")}
    assert declared == installed, "reinstall: the entry points of setup.cfg have changed"


def test_pyproject_names_the_build_system_only():
    assert set(tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))) == {"build-system"}


def test_core_dependencies_hold_no_copyleft_engine_and_no_qt_binding(setup_cfg):
    core = setup_cfg["options"]["install_requires"].lower()
    for name in ("rebound", "assist", "sep\n", "pyqt", "pyside", "glue-qt"):
        assert name not in core


def test_readme_test_command_is_the_one_that_ci_runs():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    script = (ROOT / ".ci/run").read_text(encoding="utf-8")
    after = readme.partition("<!-- the test command; .ci/run reads the line in the next block -->")[2]
    assert after.strip().startswith("```")
    assert "the test command; .ci/run reads" in script
    assert "pytest" in after.strip().splitlines()[1]
    assert "pip install" not in script, "CI installs by the README's line only"


def imports_past_a_door(tree: ast.AST, room: str | None, rooms: set[str]) -> list[str]:
    """Imports of a module inside another room, where the room itself offers what its neighbours may use."""
    return [
        ast.unparse(node)
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("appulse.")
        for path in [node.module.split(".")]
        if path[1] in rooms - {room} and len(path) > 2
    ]


def test_rooms_use_only_what_their_neighbours_offer():
    rooms = {path.parent.name for path in (ROOT / "plugins/appulse").glob("*/__init__.py")}
    found = {}
    for path in (ROOT / "plugins").rglob("*.py"):
        parts = path.relative_to(ROOT / "plugins").parts
        room = parts[1] if parts[0] == "appulse" and len(parts) > 2 else None
        if parts == ("appulse", "__main__.py"):  # the command line by another name
            room = "cli"
        past = imports_past_a_door(ast.parse(path.read_text(encoding="utf-8")), room, rooms)
        if past:
            found[str(path)] = past
    assert found == {}


def test_an_import_past_a_door_is_found():
    tree = ast.parse("from appulse.frames.reading import read_frame\nfrom appulse.frames import SolvedFrame")
    assert imports_past_a_door(tree, "cli", {"frames", "cli"}) == [
        "from appulse.frames.reading import read_frame"
    ]
    assert imports_past_a_door(tree, "frames", {"frames", "cli"}) == []

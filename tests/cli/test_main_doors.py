"""The entry point: exit codes, one-line errors, and options that begin with a minus sign."""

import gc
import importlib
import io
import logging
import os
import subprocess
import sys
import types
import warnings

import pytest

from appulse.cli import common
from appulse.errors import (
    AppulseWarning,
    DesignationError,
    FrameTimeError,
    MeasurementError,
    MissingExtraError,
    OutputExistsError,
    ServiceError,
    TimeError,
)
from appulse.formats import settings_path

main = importlib.import_module("appulse.cli.main")  # the room's door of that name is the function


@pytest.fixture
def command(monkeypatch):
    """Put one command of our own in the place of all others: a function that does what the test wants."""

    def put(action):
        module = types.ModuleType("appulse_test_command")
        module.add_parser = lambda subparsers: subparsers.add_parser("act").add_argument("--value")
        module.run = action
        monkeypatch.setitem(sys.modules, module.__name__, module)
        monkeypatch.setattr(main, "COMMANDS", (main.Command("act", module.__name__, "act"),))

    return put


def raising(error):
    def action(args):
        raise error

    return action


def test_objects_are_looked_through_less_often_while_a_command_runs(command):
    seen, before = [], gc.get_threshold()
    command(lambda args: seen.append(gc.get_threshold()) or 0)
    assert main.main(["act"]) == 0
    assert seen[0][0] > 2000 >= before[0]  # Python's own: 700, or 2000 from 3.13 on
    assert gc.get_threshold() == before


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (FrameTimeError("no time: give --time"), 2),
        (OutputExistsError("a.ecsv exists: give --overwrite"), 2),
        (MissingExtraError("glue is not installed"), 2),
        (MeasurementError("too faint"), 1),
        (ServiceError("no answer"), 2),
        (FileNotFoundError(2, "No such file or directory", "orbits.csv"), 2),
        (PermissionError(13, "Permission denied", "out"), 2),
        (ZeroDivisionError("division by zero"), 70),
        (KeyboardInterrupt(), 130),
        (BrokenPipeError(32, "Broken pipe"), 141),
    ],
    ids=lambda value: type(value).__name__ if isinstance(value, BaseException) else str(value),
)
def test_each_error_has_its_exit_code_and_at_most_one_line(command, capfd, monkeypatch, error, code):
    if code == 141:  # keep the test's own standard output
        monkeypatch.setattr(os, "dup2", lambda *fds: None)
    command(raising(error))
    assert main.main(["act"]) == code
    said = capfd.readouterr().err
    assert said.count("\n") == (0 if code == 141 else 1)
    assert "Traceback" not in said


def test_message_of_many_lines_becomes_one(command, capsys):
    command(raising(DesignationError("two bodies:\n  7\n  8")))
    main.main(["act"])
    assert capsys.readouterr().err == "appulse: two bodies: 7 8\n"


def test_missing_file_is_named(command, capsys):
    command(raising(FileNotFoundError(2, "No such file or directory", "orbits.csv")))
    main.main(["act"])
    assert capsys.readouterr().err == "appulse: orbits.csv: No such file or directory\n"


def test_a_fault_says_how_to_get_the_traceback(command, capsys):
    command(raising(ZeroDivisionError("division by zero")))
    main.main(["act"])
    assert "APPULSE_DEBUG=1" in capsys.readouterr().err


def test_debug_shows_the_traceback(command, monkeypatch):
    monkeypatch.setenv("APPULSE_DEBUG", "1")
    command(raising(ZeroDivisionError("division by zero")))
    with pytest.raises(ZeroDivisionError):
        main.main(["act"])


def test_own_warnings_are_notes(command, capsys):
    def action(args):
        warnings.warn("sizes of two objects corrected", AppulseWarning, stacklevel=1)
        return 0

    command(action)
    assert main.main(["act"]) == 0
    assert capsys.readouterr().err == "appulse: note: sizes of two objects corrected\n"


def test_a_console_without_the_sign_does_not_stop_the_command(command, monkeypatch):
    console = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    monkeypatch.setattr(sys, "stdout", console)
    command(lambda args: 0 * sys.stdout.write("95.2 ± 0.6 s"))
    assert main.main(["act"]) == 0
    assert console.buffer.getvalue().decode("ascii").strip() == "95.2 ? 0.6 s"


def test_exit_code_of_the_command_is_handed_on(command):
    command(lambda args: 1)
    assert main.main(["act"]) == 1


def test_value_that_begins_with_minus(command):
    seen = []
    command(lambda args: seen.append(args.value) or 0)
    assert main.main(["act", "--value", "-70.8,-23,2400"]) == 0
    assert seen == ["-70.8,-23,2400"]


@pytest.mark.parametrize("words", [["nonsense"], ["predict", "--nonsense"], ["predict", "--site"], []])
def test_wrong_words_leave_with_2_and_no_traceback(words, capsys):
    assert main.main(words) == 2
    assert "Traceback" not in capsys.readouterr().err


def test_abbreviated_options_are_refused(capsys):
    """An abbreviation that works today could mean another option tomorrow."""
    assert main.main(["predict", "--sit", "X05", "--out", "a.ecsv"]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_program_as_installed_prints_its_version():
    words = [sys.executable, "-m", "appulse.cli.main", "--version"]
    found = subprocess.run(words, capture_output=True, text=True, check=False)
    assert (found.returncode, found.stdout.split()[0]) == (0, "appulse")


@pytest.mark.parametrize(
    ("text", "seconds"), [("30s", 30), ("10m", 600), ("2h", 7200), ("1d", 86400), ("0.5h", 1800)]
)
def test_steps(text, seconds):
    assert common.parse_step_s(text) == seconds


@pytest.mark.parametrize("text", ["", "10", "m", "0m", "-5m", "5 weeks", "1e3s", "nan s"])
def test_steps_that_are_none(text):
    with pytest.raises(TimeError, match="--step"):
        common.parse_step_s(text)


def test_no_body_named():
    with pytest.raises(DesignationError, match="names no body"):
        common.split_names(" , ")


STEERING = "a\x1b[2Jb\u202ec\x07.fits"


def test_nothing_that_was_read_steers_the_terminal(tmp_path, capsys):
    (tmp_path / STEERING).write_bytes(b"no frame")
    assert main.main(["frame", str(tmp_path / STEERING)]) == 2
    assert main.main(["predict", STEERING]) == 2
    assert main.main(["frame", "x" * 700]) == 2
    shown = capsys.readouterr()
    said = shown.out + shown.err
    assert "a\\x1b[2Jb\\u202ec\\x07.fits" in said
    assert not set(said) & {"\x1b", "\u202e", "\x07"}
    assert "x" * 300 not in said


@pytest.mark.parametrize("closed", ["full", "closed"])
def test_a_screen_that_takes_nothing_stops_no_output(tmp_path, sample_data, closed):
    shell = {"full": "> /dev/full", "closed": ">&-"}[closed]
    words = f"{sys.executable} -m appulse.cli.main orbits import {sample_data}/orbit.ecsv"
    words += f" --out {tmp_path}/own.ecsv"
    done = subprocess.run(["/bin/sh", "-c", f"{words} {shell}"], capture_output=True, text=True, check=False)
    assert done.returncode == 74
    assert "all outputs are written" in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert (tmp_path / "own.ecsv").stat().st_size > 1000


@pytest.mark.parametrize(("debug", "lines"), [("", 0), ("1", 1)])
def test_what_libraries_log_is_for_those_who_debug(command, monkeypatch, capsys, debug, lines):
    monkeypatch.setenv("APPULSE_DEBUG", debug)

    def run(args):
        handler = logging.StreamHandler(sys.stderr)
        logger = logging.getLogger("a.library.of.pictures")
        logger.addHandler(handler)
        logger.warning("the cache folder is not writable")
        logger.removeHandler(handler)
        return 0

    command(run)
    assert main.main(["act"]) == 0
    assert len(capsys.readouterr().err.splitlines()) == lines


def test_an_empty_name_of_the_settings_folder_is_none(monkeypatch, tmp_path):
    for name in ("APPULSE_SETTINGS", "XDG_CONFIG_HOME"):
        monkeypatch.setenv(name, "")
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setattr(sys, "platform", "linux")
    assert settings_path() == tmp_path / ".config" / "appulse" / "settings.yaml"

"""``appulse view`` before the viewer is there: what it refuses, and what it says when the viewer dies."""

import subprocess
import sys

import pytest

from appulse.cli.main import main

pytest.importorskip("glue_qt", reason="the extra 'desktop' is not installed")
DISPLAYS = ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")


@pytest.fixture
def frame(tmp_path):
    path = tmp_path / "a.fits"
    path.write_bytes(b"")
    return str(path)


def test_without_a_display_one_line_says_so(frame, monkeypatch, capsys):
    monkeypatch.setattr(sys, "platform", "linux")
    for name in DISPLAYS:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(subprocess, "run", lambda *words, **options: pytest.fail("Qt was started"))
    assert main(["view", frame]) == 2
    said = capsys.readouterr().err
    assert "display" in said
    assert said.count("\n") == 1


def test_a_viewer_that_is_killed_is_a_failure_in_words(frame, monkeypatch, capsys):
    monkeypatch.setenv("QT_QPA_PLATFORM", "offscreen")
    monkeypatch.setattr(subprocess, "run", lambda *words, **options: subprocess.CompletedProcess(words, -6))
    assert main(["view", frame]) == 1
    assert "signal 6" in capsys.readouterr().err


@pytest.mark.parametrize("words", [["--gain", "1.2"], ["--sip", "ignore"]])
def test_options_that_the_viewer_would_forget_are_refused(frame, words, capsys):
    assert main(["view", frame, *words]) == 2
    assert f"{words[0]} is not taken by view" in capsys.readouterr().err


def test_what_is_refused_is_not_offered_and_a_time_shift_is_handed_on(frame, monkeypatch, capsys):
    assert main(["view", "--help"]) == 0
    offered = capsys.readouterr().out
    assert "--time-shift" in offered
    assert "--gain" not in offered
    assert "--sip" not in offered
    monkeypatch.setenv("QT_QPA_PLATFORM", "offscreen")
    started = []
    monkeypatch.setattr(
        subprocess, "run",
        lambda words, **options: started.append(words) or subprocess.CompletedProcess(words, 0),
    )  # fmt: skip
    assert main(["view", frame, "--time-shift", "40s"]) == 0
    assert "--time-shift-s=40.0" in started[0]
    assert "the viewer opens" in capsys.readouterr().err

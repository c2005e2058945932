"""Progress in the same words on a terminal, in a log and in a panel; notes of many frames said once."""

import io
import os
import time

import pytest

from appulse.workflows import progress
from appulse.workflows.progress import Display, Stage, grouped_notes, show_progress


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self):
        return True


@pytest.fixture
def fast(monkeypatch):
    """Seconds are hundredths."""
    for name in ("QUIET_S", "LOG_EVERY_S", "REDRAW_S"):
        monkeypatch.setattr(progress, name, getattr(progress, name) / 100)


def work(display, seconds=0.3, steps=3):
    for done in range(steps + 1):
        display("measuring", done, steps)
        time.sleep(seconds / steps)


def test_a_log_gets_a_line_now_and_then_and_the_end(fast):
    log = io.StringIO()
    with show_progress(stream=log) as display:
        work(display)
        display("writing", 0, 0)
        time.sleep(0.15)
    lines = log.getvalue().splitlines()
    assert lines[0].startswith("appulse: measuring: ")
    assert " of 3" in lines[0]
    assert any("s left" in line for line in lines)
    assert "appulse: measuring: 3 done in 1 s" in lines
    assert lines[-1] == "appulse: writing: 1 s so far"
    assert "\r" not in log.getvalue()


def test_a_terminal_gets_a_bar_with_the_same_words_and_is_left_clean(fast):
    screen = Terminal()
    with show_progress(stream=screen) as display:
        work(display)
    drawn = screen.getvalue().split("\r")
    assert any("measuring: 2 of 3, 1 s left |" in line for line in drawn)
    assert not drawn[-1].strip()


@pytest.mark.parametrize("stream", [io.StringIO, Terminal])
def test_quiet_and_short_work_show_nothing(stream, fast):
    quiet, short = stream(), stream()
    with show_progress(quiet=True, stream=quiet) as display:
        work(display)
    with show_progress(stream=short) as display:
        work(display, seconds=0.001)
    assert (quiet.getvalue(), short.getvalue()) == ("", "")


def test_time_left_counts_down_while_a_step_lasts_and_forgets_the_start():
    now = [0.0]
    stage = Stage("searching", 10, lambda: now[0])
    assert stage.line() == "searching: 0 of 10"
    now[0] = 8.0  # imports and catalogues are in the first step
    stage.update(1)
    now[0] = 10.0
    stage.update(2)
    assert stage.left_s(10.0) == pytest.approx(16.0)
    assert stage.left_s(13.0) == pytest.approx(13.0)
    stage.update(10)
    assert stage.line() == "searching: 10 of 10"


def test_a_display_that_is_not_used_begins_no_thread():
    display = Display(io.StringIO())
    display.close()
    assert display._thread is None


def test_notes_of_many_frames_are_said_once():
    names = [f"f{i}.fits" for i in range(12)]
    notes = [(name, f"{name}: no gain") for name in names]
    notes += [(name, "the clock is coarse") for name in names[:2]]
    assert grouped_notes(notes, 12) == [
        "all 12 frames: no gain",
        "2 of 12 frames (f0.fits, f1.fits): the clock is coarse",
    ]


def test_notes_that_differ_by_their_figures_are_said_once_too():
    notes = [("f1", "14 of 20 stars"), ("f2", "15 of 20 stars"), ("f3", "14 of 20 stars")]
    assert grouped_notes(notes, 3) == ["f1: 14 of 20 stars (2 more frames alike, with figures of their own)"]


def test_a_real_terminal_shows_the_bar(fast):
    pty = pytest.importorskip("pty", reason="no pseudo-terminals on this system")
    leader, follower = pty.openpty()
    with os.fdopen(follower, "w") as stream:
        with show_progress(stream=stream) as display:
            work(display)
        os.set_blocking(leader, False)
        drawn = os.read(leader, 100_000).decode(errors="replace")
    os.close(leader)
    assert "measuring: 1 of 3" in drawn

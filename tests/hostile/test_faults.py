"""Runs that are killed, stopped or out of disk at every step: old outputs or new ones, never both."""

import os
import signal
import subprocess
import sys
import time

import pytest

from appulse.cli.main import main
from appulse.errors import OutputExistsError
from appulse.formats import locks
from appulse.formats.output import check_free
from appulse.formats.publishing import PREFIX, own_prefix, recover

NAMES = ("a.txt", "b.txt", "sub/c.txt")
DEATH = 77

PUBLISH = """
import builtins, errno, os, sys, tempfile
from pathlib import Path
from appulse.formats.output import together, write_text

folder, fatal, way = Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3]
count = 0

def counted(name, module=os):
    usual = getattr(module, name)
    def call(*args, **kwargs):
        global count
        count += 1
        if count == fatal and way == "kill":
            os._exit(77)
        if count == fatal and way == "full":
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        if count == fatal and way == "kill after":
            try:
                usual(*args, **kwargs)
            finally:
                os._exit(77)
        return usual(*args, **kwargs)
    setattr(module, name, call)

for name in ("replace", "link", "unlink", "fsync", "rmdir"):
    counted(name)
counted("mkstemp", tempfile)
try:
    with together():
        for name in sys.argv[4:]:
            write_text(folder / name, "new " + name, overwrite=True)
except Exception as error:
    print(type(error).__name__, error)
    sys.exit(2)
print(count)
"""


def publish(folder, step, way):
    words = [sys.executable, "-c", PUBLISH, str(folder), str(step), way, *NAMES]
    return subprocess.run(words, capture_output=True, text=True, check=False)


def old_set(folder):
    (folder / "sub").mkdir(parents=True)
    for name in NAMES[:2]:  # the third is new
        (folder / name).write_text("old " + name)
    return folder


def state(folder):
    """'old' or 'new', of a folder without a stray file."""
    files = {path.relative_to(folder).as_posix(): path.read_text() for path in folder.rglob("*.*")}
    assert not [name for name in files if PREFIX in name], files
    if files == {name: "old " + name for name in NAMES[:2]}:
        return "old"
    assert files == {name: "new " + name for name in NAMES}
    return "new"


@pytest.fixture(scope="module")
def n_steps(tmp_path_factory):
    done = publish(old_set(tmp_path_factory.mktemp("whole")), 0, "kill")
    return int(done.stdout)


@pytest.mark.parametrize("way", ["kill", "kill after"])
def test_a_kill_at_any_step_leaves_the_old_set_or_the_new_one(tmp_path, n_steps, way):
    seen = []
    for step in (*range(1 + (way == "kill"), n_steps, 3), n_steps):  # every step: bench_faults.py
        folder = old_set(tmp_path / str(step))
        assert publish(folder, step, way).returncode == DEATH
        # No file is missing meanwhile, whatever happens next.
        assert all((folder / name).exists() for name in NAMES[:2])
        for place in (folder, folder / "sub"):
            recover(place)
        seen.append(state(folder))
    # Once the journal stands, the set is finished: there is one turn from old to new.
    assert seen == sorted(seen, reverse=True)
    assert set(seen) == {"old", "new"}


def test_a_full_disk_at_any_step_leaves_one_set(tmp_path, n_steps):
    for step in range(1, n_steps + 1, 3):
        folder = old_set(tmp_path / str(step))
        done = publish(folder, step, "full")
        for place in (folder, folder / "sub"):
            recover(place)
        assert state(folder) == ("new" if done.returncode == 0 else "old"), (step, done)
        assert "Traceback" not in done.stderr


def test_the_next_run_finishes_before_it_asks_what_is_there(tmp_path, n_steps):
    def killed(step):
        """A night without older outputs, and whether the kill came after the journal stood."""
        folder = tmp_path / str(step)
        folder.mkdir()
        publish(folder, step, "kill")
        return any(folder.rglob(".appulse-*.journal")) and not (folder / NAMES[0]).exists()

    last = next(step for step in range(n_steps, 0, -1) if killed(step))
    folder = tmp_path / str(last)
    with pytest.raises(OutputExistsError):
        check_free([folder / name for name in NAMES])
    assert state(folder) == "new"


def test_what_belongs_to_a_running_process_or_to_nobody_stays(tmp_path):
    dead = subprocess.run(
        [sys.executable, "-c", "import os; print(os.getpid())"], capture_output=True, check=True
    )
    here = own_prefix().rsplit("-", 2)[0]
    names = {
        f"{own_prefix()}x.txt": True, f"{here}-1-x.txt": True, ".appulse-000000-1-x.txt": True,
        ".appulse-notes": True, f"{here}-{int(dead.stdout)}-x.txt": False,
    }  # fmt: skip
    for name in names:
        (tmp_path / name).touch()
    recover(tmp_path)
    assert {name: (tmp_path / name).exists() for name in names} == names


@pytest.mark.parametrize("target", ["../stolen.txt", "ABSOLUTE", "link/stolen.txt"])
def test_a_planted_journal_moves_nothing_out_of_its_folder(tmp_path, target):
    done = subprocess.run(
        [sys.executable, "-c", "import os; print(os.getpid())"], capture_output=True, check=True
    )
    begin = own_prefix().rsplit("-", 2)[0] + f"-{int(done.stdout)}-"
    folder = tmp_path / "night"
    folder.mkdir()
    target = str(tmp_path / "stolen.txt") if target == "ABSOLUTE" else target
    (folder / "link").symlink_to(tmp_path)
    (folder / f"{begin}x.txt").write_text("planted")
    (folder / f"{begin}y.journal").write_text(
        f'{{"way": "forth", "moves": [["{begin}x.txt", "{target}", null]]}}'
    )
    recover(folder)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["night"]


WAITING = """
import signal, sys, time
from pathlib import Path
from appulse.cli import main
from appulse.formats.output import together, write_text

# Tests that run as a shell's background job, or by nohup, are deaf to them, and so are their children.
signal.signal(signal.SIGINT, signal.default_int_handler)
if hasattr(signal, "SIGHUP"):
    signal.signal(signal.SIGHUP, signal.SIG_DFL)

def run(args):
    with together():
        write_text(Path(sys.argv[1]) / "a.txt", "new")
        print("waiting", flush=True)
        time.sleep(60)

main.importlib.import_module = lambda name: type(sys)("stand-in")
main.build_parser = lambda command: type("P", (), {"parse_args": staticmethod(lambda argv: None)})
main.importlib.import_module = lambda name: type("M", (), {"run": staticmethod(run)})
sys.exit(main.main(["frame"]))
"""


@pytest.mark.parametrize(("number", "code"), [("SIGTERM", 143), ("SIGHUP", 143), ("SIGINT", 130)])
def test_signals_leave_nothing_half_written(tmp_path, number, code):
    if not hasattr(signal, number):
        pytest.skip("a signal that this system lacks")
    words = [sys.executable, "-c", WAITING, str(tmp_path)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as run:
        assert run.stdout.readline() == "waiting\n"
        time.sleep(0.05)
        run.send_signal(getattr(signal, number))
        _, err = run.communicate(timeout=90)
    assert (run.returncode, len(err.splitlines())) == (code, 1)
    assert list(tmp_path.iterdir()) == []


def test_imports_at_once_lose_no_orbit(tmp_path):
    """Three processes, each with a body of its own, into one collection."""
    head = "designation,epoch,a,e,i,node,peri,M,H\n"
    runs = []
    for number in range(3):
        table = tmp_path / f"{number}.csv"
        table.write_text(f"{head}{9000 + number},2461400.5,2.{number}87,0.2,5.5,259.5,145.5,200.0,5.6\n")
        words = [sys.executable, "-m", "appulse.cli.main", "orbits", "import", str(table)]
        runs.append(
            subprocess.Popen(
                words, env=os.environ | {"APPULSE_SETTINGS": str(tmp_path / "own" / "settings.yaml")}
            )
        )
    assert [run.wait(timeout=120) for run in runs] == [0] * 3
    found = (tmp_path / "own" / "orbits.ecsv").read_text()
    assert [number for number in range(3) if f"\n{9000 + number} " not in found] == []


def test_an_import_waits_for_the_one_before_it(tmp_path, monkeypatch, sample_data, capsys):
    monkeypatch.setenv("APPULSE_SETTINGS", str(tmp_path / "settings.yaml"))
    monkeypatch.setattr(locks, "WAIT_S", 0.2)
    words = ["orbits", "import", str(sample_data / "orbit.ecsv")]
    with locks.lock_of(tmp_path / "orbits.ecsv"):
        assert main(words) == 2
        assert "another process has been changing it for 0.2 s" in capsys.readouterr().err
    assert main(words) == 0


RESUMED = """
import os, sys
from appulse.cli.main import main

least, way, count, usual = int(sys.argv[1]), sys.argv[2], 0, os.replace

def replace(*args):
    global count
    count += 1
    if count == least and way == "before":
        os._exit(77)
    usual(*args)
    if count == least and way == "after":
        os._exit(77)

os.replace = replace
sys.exit(main(sys.argv[3:]))
"""


def pixels(folder):
    """Every picture of a run: FITS as numbers, the others as they are."""
    from astropy.io import fits

    found = {}
    for path in sorted(folder.iterdir()):
        if path.suffix == ".fits":
            found[path.name] = fits.getdata(path).tobytes()
        elif path.suffix in (".png", ".gif", ".jpg"):
            found[path.name] = path.read_bytes()
    return found


def test_what_was_killed_again_and_again_has_the_same_pixels_in_the_end(tmp_path, sample_data):
    from cases import Material

    night = Material(tmp_path / "night", sample_data).folder
    words = ["picture", *(str(night / f"f{i}.fits") for i in (1, 3, 5)), "--body", "7", "--orbits",
             str(night / "orbit.ecsv"), "--quiet", "--out"]  # fmt: skip
    assert main([*words, str(tmp_path / "whole")]) == 0
    out, parts = tmp_path / "killed", []
    for way in ("before", "after"):
        line = [sys.executable, "-c", RESUMED, "4", way, *words, str(out)]
        assert subprocess.run(line, capture_output=True, check=False).returncode == DEATH
        parts.append(len(list(out.glob("parts/[!.]*"))))
        assert [path.name for path in out.iterdir()] == ["parts"]
    assert parts[-1] > parts[0]  # it went on from where the one before it was killed
    assert main([*words, str(out)]) == 0
    assert pixels(out) == pixels(tmp_path / "whole")

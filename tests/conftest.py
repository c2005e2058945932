"""Fixtures of the whole suite."""

import contextlib
import io
import os
import time
from pathlib import Path
from types import SimpleNamespace

import pytest

# As the command line does: small matrices gain nothing from more threads.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

HERE = Path(__file__).resolve().parent

collect_ignore_glob = ["conftest.py", "*/conftest.py"]
"""No examples are looked for in files of fixtures: as modules they would all have the same name."""


@pytest.fixture(scope="session", autouse=True)
def own_cache(tmp_path_factory):
    """What the program keeps between runs goes to a folder of this run, not to the user's."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("APPULSE_CACHE", str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.fixture(scope="session")
def shared():
    """Folder of check material kept beside the checkout; skips, saying so, where it is absent."""
    folder = Path(os.environ.get("APPULSE_SHARED", HERE.parent.parent / "shared"))
    if not (folder / "checks").is_dir():
        pytest.skip("check material absent: set APPULSE_SHARED or put it in ../shared")
    return folder


@pytest.fixture(scope="session")
def sample_data():
    """Folder of the sample night."""
    return HERE.parent / "sample_data"


def made_once(tmp_path_factory, name, make):
    """A folder that `make(folder)` fills once for all processes of a run, not once for each of them."""
    base = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" not in os.environ:
        folder = base / name
        folder.mkdir()
        make(folder)
        return folder
    # The processes' folders lie side by side in that of the run.
    folder, ready = base.parent / name, base.parent / f"{name}.ready"
    try:
        folder.mkdir()
    except FileExistsError:
        for _ in range(6000):
            if ready.exists():
                assert ready.read_text("utf-8") == "made", f"{name}: the other process could not make it"
                return folder
            time.sleep(0.1)
        raise
    said = "failed"
    try:
        make(folder)
        said = "made"
    finally:
        part = base.parent / f"{name}.part"
        part.write_text(said, "utf-8")
        part.rename(ready)
    return folder


@pytest.fixture(scope="session")
def demo_night(tmp_path_factory):
    """One run of ``appulse demo``: its folder `out`, and what it `printed`."""
    from appulse.cli.main import main

    def make(folder):
        with contextlib.redirect_stdout(io.StringIO()) as printed:
            assert main(["demo", "--out", str(folder / "out")]) == 0
        (folder / "printed.txt").write_text(printed.getvalue(), "utf-8")

    folder = made_once(tmp_path_factory, "demo", make)
    return SimpleNamespace(out=folder / "out", printed=(folder / "printed.txt").read_text("utf-8"))

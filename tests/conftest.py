"""Fixtures of the whole suite."""

import contextlib
import io
import os
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


@pytest.fixture(scope="session")
def demo_night(tmp_path_factory):
    """One run of ``appulse demo``: its folder `out`, and what it `printed`."""
    from appulse.cli.main import main

    out = tmp_path_factory.mktemp("demo") / "out"
    with contextlib.redirect_stdout(io.StringIO()) as printed:
        assert main(["demo", "--out", str(out)]) == 0
    return SimpleNamespace(out=out, printed=printed.getvalue())

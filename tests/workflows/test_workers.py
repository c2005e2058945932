"""Work by several processes or a cluster: the same results in the same order; one crash costs one item."""

import copy
import os
import signal
import subprocess
import sys
import time
import warnings
from functools import partial

import numpy as np
import pytest
from astropy.time import Time
from threadpoolctl import threadpool_info, threadpool_limits

import appulse
from appulse.bodies import choose_kernels, chosen_kernels, default_kernels, starter_orbits
from appulse.bodies.kernels import DEFAULT_PLANETS
from appulse.catalogues import Outline
from appulse.encounters import PassSearch, Targets, find_passes
from appulse.errors import AppulseWarning, InputError
from appulse.observers import Site
from appulse.workflows import (
    NightOutputs,
    WorkerCrash,
    Workers,
    measure_frame,
    measure_night,
    measure_to_folder,
)
from appulse.workflows.one_thread import one_thread
from appulse.workflows.workers import AHEAD


def square(x):
    return x * x


def awkward(x):
    """Square, with a crash, a fault and a warning among them."""
    if x == 2:
        os.kill(os.getpid(), signal.SIGKILL)
    if x == 3:
        raise InputError("three is not allowed")
    if x == 4:
        warnings.warn("four is odd", AppulseWarning, stacklevel=2)
    return x * x


def noted(x, folder):
    """The number, once it stands in a folder that it was begun."""
    (folder / str(x)).touch()
    return x


def slow(x):
    time.sleep(60)
    return x


def test_processes_keep_the_order():
    assert list(Workers(2).run(square, range(7))) == [x * x for x in range(7)]
    assert list(Workers(0).run(square, [])) == []


def test_a_crash_and_a_fault_cost_their_own_item():
    with pytest.warns(AppulseWarning, match="four is odd"):
        outcomes = list(Workers(2).outcomes(awkward, range(6)))
    assert [outcome.value for outcome in outcomes] == [0, 1, None, None, 16, 25]
    assert isinstance(outcomes[2].error, WorkerCrash)
    assert "signal SIGKILL: too little memory?" in str(outcomes[2].error)
    assert isinstance(outcomes[3].error, InputError)
    with pytest.raises(WorkerCrash):
        list(Workers(2).run(awkward, range(3)))


def kernels_in_use(_):
    """Years of the kernels, and whether they are the bundled ones."""
    kernels = default_kernels()
    return kernels.description, kernels is chosen_kernels()


def test_kernels_of_ones_own_go_along():
    assert list(Workers(2).run(kernels_in_use, range(2))) == [(default_kernels().description, False)] * 2
    assert copy.deepcopy(default_kernels()) is default_kernels()
    choose_kernels([DEFAULT_PLANETS])
    try:
        assert copy.deepcopy(default_kernels()).description == default_kernels().description
        expected = [(default_kernels().description, True)] * 2
        assert list(Workers(2).run(kernels_in_use, range(2))) == expected
    finally:
        choose_kernels([])
    assert expected[0][0] != default_kernels().description


def test_no_more_is_begun_than_is_taken(tmp_path):
    results = Workers(2).run(partial(noted, folder=tmp_path), range(50))
    assert next(results) == 0
    time.sleep(0.3)
    assert len(list(tmp_path.iterdir())) <= 2 * AHEAD + 2
    results.close()


def test_work_that_is_given_up_leaves_no_process():
    import multiprocessing

    before = set(multiprocessing.active_children())
    outcomes = Workers(2).outcomes(slow, range(4))
    timer = signal.signal(signal.SIGALRM, signal.default_int_handler)
    signal.setitimer(signal.ITIMER_REAL, 1.5)
    began = time.monotonic()
    with pytest.raises(KeyboardInterrupt):
        next(outcomes)
    signal.signal(signal.SIGALRM, timer)
    assert time.monotonic() - began < 30
    assert set(multiprocessing.active_children()) == before


@pytest.mark.parametrize("jobs", [-1, 1000])
def test_a_senseless_number_of_processes_is_refused(jobs):
    with pytest.raises(InputError, match="all processors"):
        Workers(jobs)


@pytest.fixture(scope="module")
def frames(tmp_path_factory):
    folder = tmp_path_factory.mktemp("frames")
    return [*appulse.example_night(folder, 3), folder / "absent.fits"]


def rows(night):
    """Every figure of a night, exactly."""
    return [repr(sorted(residual.row().items())) for residual in night.residuals]


def test_a_night_by_two_processes_is_the_same_to_the_bit(frames, tmp_path):
    steps = []
    bodies = appulse.open_bodies("7")
    alone = measure_night(frames, bodies)
    more = {"workers": Workers(2), "progress": lambda *step: steps.append(step)}
    saved = measure_to_folder(
        frames, bodies, appulse.open_stars(), NightOutputs(tmp_path, frozenset(["evidence"])), **more
    )
    assert rows(saved.night) == rows(alone)
    assert len(rows(alone)) == 3
    assert [failed.reason for failed in saved.night.failed] == [failed.reason for failed in alone.failed]
    assert ("measuring", 4, 4) in steps
    assert "jobs" not in str(saved.table.meta)


def test_the_command_ends_clean_on_ctrl_c(frames, tmp_path):
    words = ["residuals", *map(str, frames[:3]), "--body", "7", "--jobs", "2", "--out", str(tmp_path / "o")]
    command = [sys.executable, "-c", CTRL_C, *words]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 130, done.stderr
    assert done.stderr.splitlines()[-1] == "appulse: interrupted"
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "o").exists()


CTRL_C = """
import signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)
from appulse.cli import common
def hear(self, result):
    signal.raise_signal(signal.SIGINT)
common.FrameNotes.hear = hear
from appulse.cli.main import main
if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
"""


# --- a real cluster on this machine


@pytest.fixture(scope="module")
def cluster():
    distributed = pytest.importorskip("distributed", reason="Dask is absent: pip install distributed")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
        ) as cluster:
            yield cluster.scheduler_address


@pytest.mark.filterwarnings("ignore")
def test_a_cluster_measures_the_same(frames, cluster):
    bodies = appulse.open_bodies("7")
    alone = measure_night(frames, bodies)
    spread = measure_night(frames, bodies, workers=Workers(dask=cluster))
    assert rows(spread) == rows(alone)
    assert [failed.reason for failed in spread.failed] == [failed.reason for failed in alone.failed]


@pytest.mark.filterwarnings("ignore")
def test_a_cluster_finds_the_same_passes(monkeypatch, cluster):
    monkeypatch.setattr("appulse.encounters.passes.CHUNK", 4)
    rng = np.random.default_rng(3)
    places = zip(rng.uniform(0, 360, 2000), rng.uniform(-25, 25, 2000), strict=True)
    targets = Targets.from_outlines(Outline(f"T{i}", "point", ra, dec) for i, (ra, dec) in enumerate(places))
    search = PassSearch(targets, Time("2027-05-01"), Time("2027-06-15"), Site.geocentre(), 20.0)
    catalogue = starter_orbits().take(np.arange(12))
    here = find_passes(catalogue, search)
    there = find_passes(catalogue, search, run=Workers(dask=cluster).run)
    assert len(here) > 3
    assert [found.id for found in here] == [found.id for found in there]
    assert [found.separation_arcsec for found in here] == [found.separation_arcsec for found in there]


def test_an_address_without_a_scheduler_is_named():
    pytest.importorskip("distributed", reason="Dask is absent: pip install distributed")
    with pytest.raises(InputError, match="no Dask cluster at 'nowhere'"):
        list(Workers(dask="nowhere").run(len, [()]))


# --- threads of linear algebra


def threads(_=None):
    libraries = threadpool_info()
    return {library["num_threads"] for library in libraries if library["user_api"] == "blas"}


@pytest.fixture
def two_threads():
    """As in a notebook, where nobody has set them before numpy was loaded."""
    with threadpool_limits(2, user_api="blas"):
        yield


def test_items_are_worked_on_with_one_thread_of_algebra(two_threads):
    assert list(Workers().run(threads, [0])) == [{1}]
    assert list(Workers(2).run(threads, [0, 1])) == [{1}, {1}]
    assert threads() == {2}


def test_a_single_frame_is_measured_with_one_thread_too(two_threads, monkeypatch):
    def refuse(_frame):
        raise InputError(f"{threads()}")

    monkeypatch.setattr("appulse.workflows.measuring.require_time_and_site", refuse)
    with pytest.raises(InputError, match=r"\{1\}"):
        measure_frame(None, None)
    assert threads() == {2}


def test_the_last_to_leave_gives_the_threads_back(two_threads):
    first, second = one_thread(), one_thread()
    first.__enter__()
    second.__enter__()
    first.__exit__(None, None, None)
    assert threads() == {1}
    second.__exit__(None, None, None)
    assert threads() == {2}

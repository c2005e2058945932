"""The same work on many items, by several processes or a Dask cluster: results in the items' order.

::

    items --(a few ahead)--> process 1, 2, ... N --> results in order; one that crashes costs its own item
                         \\-> cluster's workers   -/
"""

import contextlib
import os
import pickle
import signal
import warnings
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, NamedTuple

from appulse.errors import AppulseError, AppulseWarning, InputError, MissingExtraError
from appulse.workflows.one_thread import one_thread

AHEAD = 2
"""Items begun for each process before a result is taken: no process waits, and memory stays bounded."""
GOODBYE_S = 2.0
MOST_JOBS = 256
CONNECT_S = 8.0
"""A scheduler that is there answers in a hundredth of this."""
PRELOADED = (
    "appulse.astrometry.residual", "appulse.bodies.engine", "appulse.catalogues.deepsky",
    "appulse.catalogues.stars", "appulse.frames.reading", "appulse.workflows.measuring",
)  # fmt: skip
"""Loaded once for all processes, where the system can make one process out of another."""


class WorkerCrash(AppulseError):
    """A process ended before it gave its result."""


class Outcome(NamedTuple):
    """What came of one item: a value, or the error in its place."""

    value: Any = None
    error: Exception | None = None
    warnings: tuple[str, ...] = ()

    def result(self) -> Any:
        """The value; the error is raised."""
        if self.error is not None:
            raise self.error
        return self.value


def processors() -> int:
    """Processors that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@dataclass(frozen=True)
class Workers:
    """Who does the work: this process, several processes, or the workers of a Dask cluster.

    Attributes
    ----------
    jobs : int
        Processes; 1: this one alone; 0: one for each processor.
    dask : str or None
        Address of a Dask scheduler, e.g. ``tcp://host:8786``; then `jobs` does not matter. The workers must
        see the same files.

    Raises
    ------
    InputError
        If `jobs` is negative or above 256.

    Examples
    --------
    >>> list(Workers().run(abs, [-3, 2, -1]))
    [3, 2, 1]
    """

    jobs: int = 1
    dask: str | None = None

    def __post_init__(self):
        if not 0 <= self.jobs <= MOST_JOBS:
            raise InputError(f"--jobs {self.jobs}: 0 (all processors) to {MOST_JOBS} processes are allowed")

    def outcomes(self, function: Callable[[Any], Any], items: Iterable) -> Iterator[Outcome]:
        """An :class:`Outcome` for each item, in their order; what goes wrong with one costs only itself.

        The function and what it takes and gives must be picklable unless this process does the work.
        """
        items = list(items)
        jobs = min(self.jobs or processors(), len(items))
        if self.dask is not None:
            found = _on_dask(function, items, self.dask)
        elif jobs > 1:
            found = _in_processes(function, items, jobs)
        else:
            found = (_attempt(function, item) for item in items)
        with contextlib.closing(found):
            for outcome in found:
                for words in outcome.warnings:
                    warnings.warn(words, AppulseWarning, stacklevel=2)
                yield outcome

    def run(self, function: Callable[[Any], Any], items: Iterable) -> Iterator[Any]:
        """The results, in the items' order; the first error is raised."""
        for outcome in self.outcomes(function, items):
            yield outcome.result()


def _attempt(function, item) -> Outcome:
    """The outcome of one item in this process."""
    try:
        with one_thread():
            return Outcome(function(item))
    except Exception as error:
        return Outcome(error=error)


@dataclass(frozen=True)
class _Shared:
    """A function, and what it needs that stands outside of it: the kernels in use."""

    function: Callable[[Any], Any]
    kernels: Any

    @classmethod
    def here(cls, function) -> "_Shared":
        from appulse.bodies import chosen_kernels

        return cls(function, chosen_kernels())

    def taken(self) -> Callable[[Any], Any]:
        """The function, once its surroundings are as they were."""
        from appulse.bodies import adopt_kernels

        adopt_kernels(self.kernels)
        return self.function


# --- processes


def _in_processes(function, items: list, jobs: int) -> Iterator[Outcome]:
    from multiprocessing.connection import wait

    context, payload = _context(), pickle.dumps(_Shared.here(function))
    workers = [_Worker(context, payload) for _ in range(jobs)]
    begun, given, done = 0, 0, {}
    try:
        while given < len(items):
            for worker in workers:
                if worker.item is None and begun < min(len(items), given + AHEAD * jobs):
                    worker.begin(begun, items[begun])
                    begun += 1
            wait([worker.connection for worker in workers if worker.item is not None])
            for k, worker in enumerate(workers):
                if worker.item is not None and worker.connection.poll():
                    item, (outcome, alive) = worker.item, worker.take()
                    done[item] = outcome
                    if not alive:
                        worker.end(at_once=True)
                        workers[k] = _Worker(context, payload)
            while given in done:
                yield done.pop(given)
                given += 1
        for worker in workers:
            worker.say_goodbye()
    finally:
        at_once = given < len(items)
        for worker in workers:
            worker.end(at_once=at_once)


def _context():
    """How processes begin: out of a lean one that has the modules loaded; afresh where there is none."""
    # Not as a copy of this one: it has threads (numerics, progress, a viewer) whose locks would be copied.
    import multiprocessing

    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(list(PRELOADED))
    return context


class _Worker:
    """One process, and the number of the item that it works on."""

    def __init__(self, context, payload: bytes):
        self.connection, theirs = context.Pipe()
        self.process = context.Process(target=_serve, args=(theirs,), daemon=True)
        self.process.start()
        theirs.close()  # else its end would never be seen
        self.item: int | None = None
        self._payload: bytes | None = payload

    def begin(self, number: int, item) -> None:
        """Give it an item."""
        self.item = number
        with contextlib.suppress(OSError):  # a process that is gone is seen when its answer is taken
            if self._payload is not None:
                self.connection.send_bytes(self._payload)
                self._payload = None
            self.connection.send(item)

    def take(self) -> tuple[Outcome, bool]:
        """What came of its item; and whether the process still lives."""
        self.item = None
        try:
            return self.connection.recv(), True
        except (EOFError, OSError):
            self.process.join(GOODBYE_S)
            return Outcome(error=WorkerCrash(_why_ended(self.process.exitcode))), False

    def say_goodbye(self) -> None:
        """Tell it that there is no more work."""
        with contextlib.suppress(OSError):
            self.connection.close()

    def end(self, *, at_once: bool) -> None:
        """Wait for its end, or make it."""
        self.say_goodbye()
        if not at_once:
            self.process.join(GOODBYE_S)
        if self.process.is_alive():
            self.process.terminate()
            self.process.join(GOODBYE_S)
        if self.process.is_alive():
            self.process.kill()
            self.process.join()


def _why_ended(code: int | None) -> str:
    if code is not None and code < 0:
        name = signal.Signals(-code).name if -code in set(signal.Signals) else str(-code)
        memory = ": too little memory?" if name == "SIGKILL" else ""
        return f"its process was ended by the signal {name}{memory}; repeat it with fewer --jobs"
    return f"its process ended by itself (exit code {code}); repeat it with --jobs 1 to see why"


def _serve(connection) -> None:
    """What a process does: take items, send outcomes, until there are no more."""
    # Ctrl-C goes to all processes of a terminal; the first one ends the others.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    function, failed = None, None
    try:
        payload = connection.recv_bytes()
        try:
            function = pickle.loads(payload).taken()  # noqa: S301 (from the process that began this one)
        except Exception as error:
            failed = Outcome(error=_plain(error))
        while True:
            item = connection.recv()
            _send(connection, failed or _with_warnings(function, item))
    except (EOFError, OSError):
        return


def _with_warnings(function, item) -> Outcome:
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("ignore")
        warnings.simplefilter("always", AppulseWarning)
        outcome = _attempt(function, item)
    said = (str(w.message) for w in caught if issubclass(w.category, AppulseWarning))
    return outcome._replace(warnings=tuple(dict.fromkeys(said)))


def _send(connection, outcome: Outcome) -> None:
    try:
        data = pickle.dumps(outcome)
        if outcome.error is not None:
            pickle.loads(data)  # noqa: S301 (some errors can be pickled but not be made again)
    except Exception as error:
        data = pickle.dumps(Outcome(error=_plain(outcome.error or error), warnings=outcome.warnings))
    connection.send_bytes(data)


def _plain(error: Exception) -> Exception:
    """An error that can be sent, with the same words."""
    return RuntimeError(f"{type(error).__name__}: {error}")


# --- a cluster


def _on_dask(function, items: list, address: str) -> Iterator[Outcome]:
    try:
        from dask.distributed import Client
    except ImportError:
        raise MissingExtraError(
            "a Dask cluster needs the package 'distributed': pip install distributed"
        ) from None
    try:
        client = Client(address, timeout=CONNECT_S)
    except (OSError, ValueError) as error:
        why = " ".join(str(error).split())
        raise InputError(
            f"no Dask cluster at {address!r} ({why}); give its scheduler's address, as tcp://127.0.0.1:8786"
        ) from None
    with client:
        # Orbits and stars travel once to each worker, not with every frame.
        shared = client.scatter(_Shared.here(function), broadcast=True, hash=False)
        threads = sum(client.nthreads().values()) or 1
        begun, rest = deque(), iter(items)
        while True:
            while len(begun) < 2 * AHEAD * threads and (item := next(rest, _NONE)) is not _NONE:
                # pure=False: the scheduler would hash every item to see whether it has met it before
                begun.append(client.submit(_on_cluster, shared, item, pure=False))
            if not begun:
                return
            future = begun.popleft()
            try:
                yield future.result()
            except Exception as error:  # the worker was lost, more than once
                yield Outcome(error=WorkerCrash(f"lost on the cluster: {' '.join(str(error).split())}"))
            future.release()


_NONE = object()


def _on_cluster(shared: _Shared, item) -> Outcome:
    outcome = _attempt(shared.taken(), item)
    if outcome.error is None:
        return outcome
    try:
        pickle.loads(pickle.dumps(outcome.error))  # noqa: S301 (our own)
    except Exception:
        return outcome._replace(error=_plain(outcome.error))
    return outcome

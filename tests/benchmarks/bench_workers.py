"""Frames measured by one process, by several, and by the workers of a Dask cluster on this machine.

    python tests/benchmarks/bench_workers.py [frames (24)] [most workers (all processors)]

Prints the time of each beside that of one process in the same run, the start of the processes included, and
whether every figure is the same. The cluster is left out where the package 'distributed' is absent.
"""

import sys
import tempfile
import time
import warnings

import appulse
from appulse.workflows import Workers, measure_night, processors


def timed(frames, bodies, workers):
    """Seconds, and every figure of the night."""
    began = time.perf_counter()
    night = measure_night(frames, bodies, workers=workers)
    figures = [repr(sorted(residual.row().items())) for residual in night.residuals]
    return time.perf_counter() - began, figures


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 24
    most = int(sys.argv[2]) if len(sys.argv) > 2 else processors()
    with tempfile.TemporaryDirectory() as folder:
        frames, bodies = appulse.example_night(folder, count), appulse.open_bodies("7")
        timed(frames[:1], bodies, None)  # catalogues and imports
        alone_s, expected = timed(frames, bodies, None)
        print(f"{count} frames: {alone_s:.1f} s by one process, {processors()} processors")
        for jobs in range(2, most + 1):
            report(f"{jobs} processes", *timed(frames, bodies, Workers(jobs)), alone_s, expected)
        try:
            from dask.distributed import LocalCluster
        except ImportError:
            print("Dask cluster: the package 'distributed' is absent")
            return
        warnings.simplefilter("ignore")
        for workers in range(1, most + 1):
            with LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=None) as cluster:
                timed(frames[:workers], bodies, Workers(dask=cluster.scheduler_address))
                spread = timed(frames, bodies, Workers(dask=cluster.scheduler_address))
            report(f"cluster of {workers}", *spread, alone_s, expected)


def report(who: str, seconds: float, figures: list, alone_s: float, expected: list) -> None:
    same = "same figures" if figures == expected else "OTHER FIGURES"
    print(f"{who}: {seconds:.1f} s, {seconds / alone_s:.2f} of one process, {same}")


if __name__ == "__main__":
    main()

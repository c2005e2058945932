"""How time grows with frames, stars, bodies, days and objects: exponents, 1 where it is in proportion.

    python tests/benchmarks/bench_growth.py [what ...]      of: frames stars movers bodies days objects

Processor seconds of three sizes, each twice the one before, least squares of their logarithms; what is done
once (imports, catalogues) is done before. 'within one step' is the exponent of the last doubling alone, in
which what is done once in a run weighs least.
"""

import sys
import tempfile
import time
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
from bench_encounters import invented_main_belt, search_of

import appulse
from appulse.astrometry.detection import survey_frame
from appulse.encounters.campaign_file import TargetChoice
from appulse.encounters.passes import find_passes
from appulse.encounters.targets import choose_targets
from appulse.frames import read_frame
from appulse.workflows import find_movers, measure_night

sys.path.insert(0, str(Path(__file__).parents[1]))
from invented_nights import NightPlan, make_night

MOST = 1.1
"""Above it, work on a large night or list would outgrow the machine."""


def frames(folder):
    paths, bodies = appulse.example_night(folder, 12), appulse.open_bodies("7")
    return {n: lambda n=n: measure_night(paths[:n], bodies) for n in (3, 6, 12)}


def stars(folder):
    plan = NightPlan(seed=5, frames=1, shape=(600, 800), dither_px=0.0)

    def work(n):
        night = make_night(replace(plan, stars=n), Path(folder) / str(n))
        frame = read_frame(night.frames[0])
        _ = frame.data

        def run():
            survey = survey_frame(frame)
            survey.star_fits(np.arange(len(survey.sources)))

        return run

    return {n: work(n) for n in (150, 300, 600)}


def movers(folder):
    paths = make_night(NightPlan(seed=6, frames=16), Path(folder)).frames
    return {n: lambda n=n: find_movers(paths[:n]) for n in (4, 8, 16)}


def bodies(_folder):
    targets, belt = choose_targets(TargetChoice()), invented_main_belt(1000)
    work = lambda n: find_passes(belt.take(np.arange(n)), search_of(targets, 90))  # noqa: E731
    return {n: lambda n=n: work(n) for n in (250, 500, 1000)}


def days(_folder):
    targets, belt = choose_targets(TargetChoice()), invented_main_belt(250)
    return {n: lambda n=n: find_passes(belt, search_of(targets, n)) for n in (90, 180, 360)}


def objects(_folder):
    targets, belt = choose_targets(TargetChoice()), invented_main_belt(250)
    some = lambda n: targets.take(np.arange(n) * len(targets) // n)  # noqa: E731
    return {n: lambda n=n: find_passes(belt, search_of(some(n), 180)) for n in (3000, 6000, 12000)}


KINDS = {kind.__name__: kind for kind in (frames, stars, movers, bodies, days, objects)}


def seconds_of(run) -> float:
    began = time.process_time()
    run()
    return time.process_time() - began


def main() -> int:
    warnings.simplefilter("ignore")
    above = 0
    for name in sys.argv[1:] or KINDS:
        with tempfile.TemporaryDirectory() as folder:
            work = KINDS[name](folder)
            next(iter(work.values()))()
            # The quickest of three: what else the machine does only ever slows a run.
            seconds = [min(seconds_of(run) for _ in range(3)) for run in work.values()]
        sizes = np.log(list(work))
        exponent = np.polyfit(sizes, np.log(seconds), 1)[0]
        last = np.log(seconds[-1] / seconds[-2]) / (sizes[-1] - sizes[-2])
        above += exponent > MOST
        spent = ", ".join(f"{n}: {s:.2f} s" for n, s in zip(work, seconds, strict=True))
        print(f"{name:8s} {spent}; exponent {exponent:.2f}, within one step {last:.2f}", flush=True)
    print(f"{above} above {MOST}")
    return int(above > 0)


if __name__ == "__main__":
    sys.exit(main())

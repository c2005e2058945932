"""Verdicts on invented frames with a planted cause, through `appulse residuals`: are they true?

python tests/benchmarks/bench_pixel_verdicts.py [nights per kind] [first seed] [--kind NAME ...] [--keep DIR]

Every night is drawn by `tests/invented_nights.py` as a camera takes it. Printed: the words that a user sees,
and the counts of nights judged right, left open, and confidently wrong.
"""

import argparse
import contextlib
import io
import sys
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import yaml
from astropy.table import Table

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from appulse.cli.main import main as appulse
from invented_nights import CometPlan, NightPlan, any_night, make_night

KERNEL = {"sigma_arcsec": 0.005, "delta_au": 1.6}
"""What the places of a body out of a JPL kernel come with."""
CLOCK, WITHIN = "clock", "within the orbit's error"


def plain_night(seed: int) -> NightPlan:
    """An ordinary night: what a camera adds stays, the body is clear and the frames are small."""
    plan, rng = any_night(seed), np.random.default_rng([seed, 5])
    return replace(
        plan, shape=(260, 340), fwhm_px=float(rng.uniform(2.0, 4.0)), scale_arcsec=float(rng.uniform(1, 2.2)),
        snr=float(np.exp(rng.uniform(np.log(15), np.log(120)))), stars=int(rng.uniform(40, 90)), clouds=(),
        rate_arcsec_h=float(rng.uniform(20, 90)), exposure_s=float(rng.choice([20.0, 60.0])), gap_s=700.0,
        filament=0.0, nebula=float(rng.choice([0.0, 0.0, 0.3])), neighbours=(), bits=16, satellite_on=-1,
        full_well_e=60000.0, gain_e=1.2, sky_e=float(rng.uniform(150, 900)), dec=float(rng.uniform(-40, 40)),
        longitude_deg=float(rng.uniform(-150, 150)),
    )  # fmt: skip


def towards(plan, along, across):
    """(east, north) of so much along the motion and 90 degrees further."""
    pa = np.radians(plan.motion_pa_deg)
    return (
        float(along * np.sin(pa) + across * np.cos(pa)),
        float(along * np.cos(pa) - across * np.sin(pa)),
    )


def planted(kind: str, plan: NightPlan, rng) -> tuple[NightPlan, set[str], set[str]]:
    """The plan with its fault; what must be said, and what may be said besides or instead."""
    side = float(rng.choice([-1, 1]))
    seconds = side * float(rng.uniform(90, 160)) * 40 / plan.rate_arcsec_h
    second = (float(rng.uniform(60, 120)), plan.motion_pa_deg + float(rng.uniform(70, 290)))
    one, few = {"frames": 1}, {"frames": int(rng.integers(2, 4))}
    turn = rng.uniform(0, 2 * np.pi)
    some = (float(np.cos(turn)), float(np.sin(turn)))
    shift = tuple(float(rng.uniform(0.8, 2.5)) * v for v in some)
    across = towards(plan, 0.0, side * rng.uniform(1.0, 2.0))
    odd = int(rng.integers(0, 5))
    two_nights = {"frames": 6, "gap_s": 600.0, "pause_s": 86400.0, "rate_arcsec_h": plan.rate_arcsec_h / 15}
    comet = {
        "comet": CometPlan(nucleus=float(rng.uniform(0.1, 0.3)), tail_pa_deg=float(rng.uniform(0, 360))),
        "snr": float(rng.uniform(60, 150)), "nebula": 0.0,
    }  # fmt: skip
    cases = {
        "nothing": ({}, set()),
        "nothing, kernel": (KERNEL, set()),
        "clock, orbit unknown": ({"clock_late_s": seconds}, {CLOCK, "orbit"}),
        "clock, kernel": (KERNEL | {"clock_late_s": seconds}, {CLOCK}),
        "clock, two bodies": ({"clock_late_s": seconds, "second": second}, {CLOCK}),
        "clock drift, kernel": (
            KERNEL | {"clock_late_s": seconds / 3, "clock_drift_s_h": 1.5 * seconds}, {CLOCK}),
        "clock drift, two bodies": (
            {"clock_late_s": seconds / 3, "clock_drift_s_h": 1.5 * seconds, "second": second}, {CLOCK}),
        "hour": (KERNEL | {"clock_late_s": side * 3600.0}, {CLOCK}),
        "longitude": (KERNEL | {"is_mirrored": True, "longitude_deg": side * rng.uniform(15, 60)}, {"site"}),
        "longitude, near body": (
            {"sigma_arcsec": 0.3, "delta_au": 0.3, "rate_arcsec_h": 150.0, "exposure_s": 20.0,
             "gap_s": 240.0, "is_mirrored": True, "longitude_deg": side * rng.uniform(5, 30)}, {"site"}),
        "impostor": (
            {"shows_on": (int(rng.integers(0, 5)),), "offset_arcsec": tuple(1.5 * v for v in some)},
            {"impostor"}),
        "orbit inside covariance": (
            {"sigma_arcsec": 1.5, "offset_arcsec": tuple(1.8 * v for v in some)}, {WITHIN}),
        "orbit outside covariance": (
            {"sigma_arcsec": 0.12, "offset_arcsec": towards(plan, 0.8 * side, 1.2)}, {"orbit"}),
        "orbit, unknown, across": ({"offset_arcsec": across}, {"orbit"}),
        "plate": (KERNEL | {"plate_arcsec": shift}, {"plate"}),
        "plate + clock": (KERNEL | {"plate_arcsec": shift, "clock_late_s": seconds}, {"plate", CLOCK}),
        "clock + orbit across": (
            {"clock_late_s": seconds, "offset_arcsec": across, "second": second}, {CLOCK, "orbit"}),
        "no stars, nothing": (KERNEL | {"lists_stars": False}, set()),
        "no stars, plate": (KERNEL | {"lists_stars": False, "plate_arcsec": shift}, {"plate"}),
        "no stars, clock": (KERNEL | {"lists_stars": False, "clock_late_s": seconds}, {CLOCK}),
        "one frame, nothing": (one, set()),
        "one frame, clock, kernel": (one | KERNEL | {"clock_late_s": seconds}, {CLOCK}),
        "one frame, orbit": (one | {"offset_arcsec": across}, {"orbit"}),
        "one frame, plate, no stars": (
            one | KERNEL | {"lists_stars": False, "plate_arcsec": shift}, {"plate"}),
        "few frames, clock": (few | {"clock_late_s": seconds}, {CLOCK, "orbit"}),
        "few frames, impostor": (
            {"frames": 3, "shows_on": (0,), "offset_arcsec": tuple(1.5 * v for v in some)}, {"impostor"}),
        "fast, nothing": (
            {"rate_arcsec_h": 900.0, "exposure_s": 10.0, "gap_s": 60.0, "delta_au": 0.05}, set()),
        "fast, clock 4 s": (
            {"rate_arcsec_h": 900.0, "exposure_s": 10.0, "gap_s": 60.0, "delta_au": 0.05,
             "sigma_arcsec": 0.1, "clock_late_s": 4.0 * side}, {CLOCK}),
        "near rest, nothing": (KERNEL | {"rate_arcsec_h": 0.4, "gap_s": 1800.0}, set()),
        "near rest, orbit": (
            {"sigma_arcsec": 0.1, "rate_arcsec_h": 0.4, "gap_s": 1800.0,
             "offset_arcsec": tuple(1.6 * v for v in some)}, {"orbit"}),
        "clouds on half": (
            KERNEL | {"clouds": (0.15, 1.0, 0.2, 1.0, 0.3), "snr": 60.0, "clock_late_s": seconds}, {CLOCK}),
        "another body": (
            {"offset_arcsec": tuple(0.8 * v for v in some),
             "drift_arcsec_h": towards(plan, 0.2 * plan.rate_arcsec_h, 0.3 * side * plan.rate_arcsec_h),
             "gap_s": 240.0}, {"not this body"}),
        "half-hour zone": (
            KERNEL | {"clock_late_s": side * 5.5 * 3600.0, "rate_arcsec_h": float(rng.uniform(12, 25))},
            {CLOCK}),
        "DATE-OBS at the end": (KERNEL | {"exposure_s": 120.0, "clock_late_s": -120.0, "snr": 80.0}, {CLOCK}),
        "DATE-OBS in the middle": (
            {"exposure_s": 180.0, "clock_late_s": -90.0, "snr": 80.0, "rate_arcsec_h": 40.0},
            {CLOCK, "orbit"}),
        "two nights, nothing": (KERNEL | two_nights, set()),
        "two nights, clock": (KERNEL | two_nights | {"clock_late_s": 15 * seconds}, {CLOCK}),
        "two nights, orbit": (
            two_nights | {"sigma_arcsec": 0.12, "offset_arcsec": towards(plan, 0.8 * side, 1.2)}, {"orbit"}),
        "one frame's plate": (KERNEL | {"strange": (odd, 0.0, *shift)}, set()),
        "one frame's clock": (KERNEL | {"strange": (odd, seconds, 0.0, 0.0)}, set()),
        "few frames, one's clock": (
            KERNEL | {"frames": 3, "strange": (odd % 3, seconds, 0.0, 0.0)}, {"a frame's time"}),
        "few frames, one's plate, no stars": (
            KERNEL | {"frames": 3, "lists_stars": False, "strange": (odd % 3, 0.0, *shift)}, {"plate"}),
        "RA 0h, clock": (KERNEL | {"ra": 0.001, "clock_late_s": seconds}, {CLOCK}),
        "near the pole, clock": (KERNEL | {"dec": 88.9 * side, "clock_late_s": seconds}, {CLOCK}),
        "near the pole, nothing": (KERNEL | {"dec": 88.9 * side}, set()),
        "comet, nothing": (comet, set()),
        "comet, clock": (comet | {"clock_late_s": 2 * seconds}, {CLOCK, "orbit"}),
        "comet, orbit": (comet | {"offset_arcsec": tuple(2 * v for v in across)}, {"orbit"}),
    }  # fmt: skip
    settings, truth = cases[kind]
    return replace(plan, **settings), truth


KINDS = (
    "nothing", "nothing, kernel", "clock, orbit unknown", "clock, kernel", "clock, two bodies",
    "clock drift, kernel", "clock drift, two bodies", "hour", "longitude", "longitude, near body", "impostor",
    "orbit inside covariance", "orbit outside covariance", "orbit, unknown, across", "plate", "plate + clock",
    "clock + orbit across", "no stars, nothing", "no stars, plate", "no stars, clock", "one frame, nothing",
    "one frame, clock, kernel", "one frame, orbit", "one frame, plate, no stars", "few frames, clock",
    "few frames, impostor", "fast, nothing", "fast, clock 4 s", "near rest, nothing", "near rest, orbit",
    "clouds on half", "another body", "half-hour zone", "DATE-OBS at the end", "DATE-OBS in the middle",
    "two nights, nothing", "two nights, clock", "two nights, orbit", "one frame's plate", "one frame's clock",
    "few frames, one's clock", "few frames, one's plate, no stars", "RA 0h, clock", "near the pole, clock",
    "near the pole, nothing", "comet, nothing", "comet, clock", "comet, orbit",
)  # fmt: skip


def judged(night, out: Path) -> tuple[dict, str]:
    """The judgement and what a user sees."""
    bodies = "2099 AB1" if night.plan.second is None else "2099 AB1,2099 CD2"
    bodies = bodies if night.plan.comet is None else "C/2099 A1"
    words = ["residuals", *map(str, night.frames), "--body", bodies, "--positions", str(night.positions)]
    words += ["--stars", str(night.stars), "--out", str(out), "--overwrite"]
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        try:
            code = appulse(words)
        except SystemExit as left:
            code = left.code
    if code == 70 or not (out / "verdict.yaml").exists():
        return {"verdict": f"exit {code}"}, said.getvalue()
    return yaml.safe_load((out / "verdict.yaml").read_text("utf-8")), said.getvalue()


def strays(night, out: Path) -> list[str]:
    """Frames on which something else was measured as the first body."""
    path = out / "residuals.ecsv"
    if not path.exists():
        return []
    places = {truth.name: (truth.x, truth.y) for truth in night.truths}
    return [
        str(row["frame"])
        for row in Table.read(path).filled(np.nan)
        if row["designation"] != "2099 CD2"
        and np.hypot(*np.subtract((row["x"], row["y"]), places[str(row["frame"])])) > night.plan.fwhm_px
    ]


def outcome(judgement: dict, truth: set[str], besides: set[str]) -> str:
    """'right', 'open' (nothing wrong is said, not all is named) or 'WRONG'."""
    verdict, said = judgement["verdict"], set(judgement.get("causes", ()))
    if judgement.get("plate", {}).get("is_off"):
        said.add("plate")
    if verdict == "nothing measured":
        asked = " ".join(judgement.get("questions", ()))
        told = {CLOCK: "local time" in asked, "site": "longitude" in asked}
        return "right" if truth and all(told.get(cause) for cause in truth) else "open"
    if verdict == "can't tell":
        return "open"
    if verdict == "clock or orbit":
        named = said - {CLOCK, "orbit", WITHIN}
        return "right" if truth <= {CLOCK, "orbit"} and truth and not named else "open"
    if verdict == "all well" and truth:
        return "WRONG"
    allowed = truth | besides
    if not said <= allowed:
        return "WRONG"
    return "right" if truth <= said else "open"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("nights", type=int, nargs="?", default=4)
    parser.add_argument("first", type=int, nargs="?", default=1)
    parser.add_argument("--kind", action="append", default=[])
    parser.add_argument("--keep", type=Path)
    options = parser.parse_args()
    root, counts = options.keep or Path(tempfile.mkdtemp()), Counter()
    for kind in options.kind or KINDS:
        for seed in range(options.first, options.first + options.nights):
            rng = np.random.default_rng([seed, KINDS.index(kind)])
            plan, truth = planted(kind, plain_night(1000 * KINDS.index(kind) + seed), rng)
            folder = root / f"{kind} {seed}"
            night = make_night(plan, folder)
            judgement, said = judged(night, folder / "out")
            besides = {WITHIN} if np.isfinite(plan.sigma_arcsec) else set()
            besides |= {"impostor"} if strays(night, folder / "out") else set()
            what = outcome(judgement, truth, besides)
            counts[what] += 1
            words = judgement.get("sentence") or said.strip()[-300:]
            print(f"{what:6} {kind} {seed}: {judgement['verdict']} ({judgement.get('odds')}): {words}")
            for words in judgement.get("questions", ())[:2]:
                print(f"         question: {words}")
            sys.stdout.flush()
            (folder / "said.txt").write_text(said, "utf-8")
    print(dict(counts))


if __name__ == "__main__":
    main()

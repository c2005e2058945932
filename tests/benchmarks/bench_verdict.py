"""Verdicts on seeded nights with a planted cause: how many of a hundred come out right.

python tests/benchmarks/bench_verdict.py [nights per case [seed]]     fixed cases, and power by size
python tests/benchmarks/bench_verdict.py any [singles [pairs [few [seed]]]]
                                          nights drawn at random (500, 200, and 200 of one to three frames)

Two counts of what is named. A night is *beyond* when its O-C lies six sigmas from all that another cause
could give, each stated error taken at its word. It is *told apart* when that holds also if a stated error
may be exceeded, a site be any on Earth, a light that no second frame confirms be a stray: all by geometry,
from the true O-C without noise, and never by what the verdict makes of it. On the others two look alike.
Each cause of a pair must lie so far, a shift of the plates among them. A night is *partly* named when one
cause is, and the other is among those that are left open: that is no night named. An orbit that is named of
another body than the one that is off is wrong.
"""

import sys
from collections import Counter
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from astropy.time import Time, TimeDelta

from appulse.astrometry.causes import DRIFT_SHARE, Evidence, go_together, parts_of
from appulse.astrometry.night_offsets import gather
from appulse.astrometry.prediction import Prediction
from appulse.astrometry.residual import Residual
from appulse.astrometry.verdict import Verdict, fit_models, judge
from appulse.observers import Site

FRAMES = 20
RATE, PA = 60.0, 250.0
SIGMA, PLATE_SIGMA = 0.08, 0.02


def night(rng, *, clock=0.0, clock_drift=0.0, plate=(0.0, 0.0), orbit=(0.0, 0.0), drift=(0.0, 0.0),
          clock_sigma=np.nan, prior=None, name="7", rate=RATE, pa=PA, frames=FRAMES, stars=True,
          outlier=0.0):  # fmt: skip
    """Residuals of one body over five hours; (east, north) in arcsec, clock in s, its drift in s/h."""
    start = Time("2027-05-04T20:00:00", scale="utc")
    speed = rate * np.array([np.sin(np.radians(pa)), np.cos(np.radians(pa))])
    cov = np.full((2, 2), np.nan) if prior is None else np.diag(np.square(prior))
    made = []
    for k in range(frames):
        hours = 5.0 * k / max(frames - 1, 1)
        mid = start + TimeDelta(hours * 3600, format="sec")
        centroid = np.diag(np.square(SIGMA * rng.uniform(0.7, 1.4, 2)))
        zero = np.array(plate) + rng.normal(0, PLATE_SIGMA, 2)
        offset = (
            np.array(plate) + np.array(orbit) + np.array(drift) * (hours - 2.5)
            + speed * (clock + clock_drift * (hours - 2.5)) / 3600
            + rng.normal(0, np.sqrt(np.diag(centroid)))
        )  # fmt: skip
        if k == 3:
            offset = offset + outlier
        made.append(Residual(
            f"f{k:02d}.fits", mid.isot, name, Prediction(name, 246.0, -24.0, *speed, 10.0, cov), seen=True,
            dra_cosdec=offset[0], ddec=offset[1], covariance=centroid, n_stars=40 if stars else 0, snr=20.0,
            plate_offset=zero if stars else np.full(2, np.nan),
            plate_covariance=PLATE_SIGMA**2 * np.eye(2) if stars else np.full((2, 2), np.nan), mid=mid,
            clock_sigma_s=clock_sigma,
        ))  # fmt: skip
    return made


def direction(across, along, pa=PA):
    """(east, north) of an offset given across and along the track."""
    p = np.radians(pa)
    return along * np.array([np.sin(p), np.cos(p)]) + across * np.array([np.cos(p), -np.sin(p)])


CASES = {
    "nothing": (lambda rng: night(rng), {"all well"}),
    "nothing, clock and orbit stated": (
        lambda rng: night(rng, clock=rng.normal(0, 2), orbit=rng.normal(0, 0.1, 2), clock_sigma=2.0,
                          prior=(0.1, 0.1)), {"all well", "within the orbit's error"}),
    "nothing, an outlier": (lambda rng: night(rng, outlier=1.5), {"all well"}),
    "clock 20 s": (lambda rng: night(rng, clock=20.0), {"clock or orbit"}),
    "clock 20 s, orbit stated to 0.05": (
        lambda rng: night(rng, clock=20.0, orbit=rng.normal(0, 0.05, 2), prior=(0.05, 0.05)),
        {"clock or orbit"}),
    "clock 20 s, orbit out of a kernel": (
        lambda rng: night(rng, clock=20.0, orbit=rng.normal(0, 0.005, 2), prior=(0.005, 0.005)), {"clock"}),
    "clock 20 s, second body of 20 arcsec/h": (
        lambda rng: night(rng, clock=20.0)
        + night(rng, clock=20.0, name="12", rate=20.0, pa=100.0), {"clock"}),
    "clock 20 s, second body of 150 arcsec/h": (
        lambda rng: night(rng, clock=20.0)
        + night(rng, clock=20.0, name="12", rate=150.0, pa=100.0), {"clock"}),
    "clock 20 s, second body too slow to tell": (
        lambda rng: night(rng, clock=20.0)
        + night(rng, clock=20.0, name="12", rate=3.0, pa=100.0), {"clock or orbit", "can't tell"}),
    "plate 0.3": (lambda rng: night(rng, plate=direction(*(0.3 * unit(rng)))), {"plate"}),
    "orbit 1.0, half across": (lambda rng: night(rng, orbit=orbit_half(rng)), {"orbit"}),
    "orbit 1.0 along, clock stated 1 s": (
        lambda rng: night(rng, orbit=direction(0.0, 1.0), clock_sigma=1.0), {"orbit"}),
    "orbit of one of two bodies along": (
        lambda rng: night(rng, orbit=direction(0.0, 1.0))
        + night(rng, name="12", rate=90.0, pa=100.0), {"orbit"}),
    "wrong body": (
        lambda rng: night(rng, orbit=2 * unit(rng), drift=wrong_drift(rng)), {"not this body"}),
    "clock drifts by 8 s an hour": (
        lambda rng: night(rng, clock_drift=8.0), {"clock or orbit"}),
    "clock drifts by 8 s an hour, second body of 150 arcsec/h": (
        lambda rng: night(rng, clock_drift=8.0)
        + night(rng, clock_drift=8.0, name="12", rate=150.0, pa=100.0), {"clock"}),
    "orbit's rate off by 0.3 arcsec/h, mostly across": (
        lambda rng: night(rng, drift=direction(0.26, 0.15)), {"orbit"}),
    "one frame, nothing": (lambda rng: night(rng, frames=1), {"all well"}),
    "one frame, off along": (
        lambda rng: night(rng, frames=1, orbit=direction(0.0, 1.0)), {"clock or orbit"}),
    "no stars, offset": (
        lambda rng: night(rng, stars=False, orbit=direction(0.7, 0.7)), {"can't tell"}),
    "2 sigma orbit": (
        lambda rng: night(rng, orbit=2.0 * SIGMA / np.sqrt(FRAMES) * unit(rng)), {"all well", "can't tell"}),
}  # fmt: skip


SIGMAS = (0.0, 2.0, 3.0, 4.0, 5.0, 5.5, 6.0, 8.0)
GRADED = {"clock": "clock or orbit", "clock drift": "clock or orbit", "orbit": "orbit", "plate": "plate"}


def unit(rng):
    angle = rng.uniform(0, 2 * np.pi)
    return np.array([np.cos(angle), np.sin(angle)])


def orbit_half(rng):
    """One arcsecond, at least half of it across the track."""
    across = rng.uniform(0.5, 1.0) * rng.choice([-1, 1])
    return direction(across, rng.choice([-1, 1]) * np.sqrt(1 - across**2))


def wrong_drift(rng):
    """Motion of another body less that of the expected one, arcsec/h."""
    rate, pa = RATE * rng.uniform(0.6, 1.4), PA + rng.uniform(-25, 25)
    return direction(0, rate, pa) - direction(0, RATE)


def graded(cause, sigmas, rng):
    """A night with an effect of so many sigmas of what all its frames together tell."""
    size = sigmas / np.sqrt(np.sum(night_weights(cause)))
    if cause == "clock":
        return night(rng, clock=size * 3600 / RATE)
    if cause == "clock drift":
        spread = np.sqrt(np.mean(np.square(np.linspace(-2.5, 2.5, FRAMES))))
        return night(rng, clock_drift=size * 3600 / RATE / spread)
    if cause == "orbit":
        return night(rng, orbit=direction(size * rng.choice([-1, 1]), 0.0))
    return night(rng, plate=size * unit(rng))


def night_weights(cause):
    """Inverse variances of the frames of a night, arcsec^-2; a body's centroid has its plate's error too."""
    if cause == "plate":
        return np.full(FRAMES, PLATE_SIGMA**-2)
    return np.full(FRAMES, np.mean(1 / (np.square(SIGMA * np.linspace(0.7, 1.4, 99)) + PLATE_SIGMA**2)))


# --- nights drawn at random: one cause, or two at once

SINGLE = ("nothing", "clock", "clock drift", "hour", "orbit", "within", "not this body", "plate", "longitude",
          "impostor")  # fmt: skip
PAIRED = (("clock", "orbit"), ("clock drift", "orbit"), ("hour", "orbit"), ("clock", "longitude"),
          ("longitude", "orbit"), ("clock", "plate"), ("orbit", "plate"), ("clock", "within"))  # fmt: skip
FAMILY = {"clock drift": "clock", "hour": "clock", "longitude": "site", "within": "within the orbit's error"}
FAMILIES = FAMILY | {"whole hours": "clock"}
BEYOND_SIGMAS = 6.0
"""So far, in sigmas, the true cause's O-C lies from the nearest that any other single cause could give."""
MOST_STATED, MOST_ARCSEC, LEAST_DRIFT = 30.0, 20.0, 0.1
"""How far an orbit is off at most, in stated sigmas and arcsec, as it is drawn here; and by what share of the
motion, at least, another body's differs."""


def sky(rate, pa):
    return rate * np.array([np.sin(np.radians(pa)), np.cos(np.radians(pa))])


def random_scene(rng, causes, few=False, kinds=()):
    """What the night is like: bodies with what is stated of them, frames, site; never what is wrong."""
    # Two causes are told apart by several bodies, if at all.
    count = int(rng.choice([1, 2, 3], p=[0.2, 0.5, 0.3] if len(causes) == 2 else [0.65, 0.35, 0.0]))
    bodies = []
    for k in range(len(kinds) or count):
        kind = kinds[k] if kinds else str(rng.choice(["unknown", "stated", "kernel"], p=[0.25, 0.45, 0.30]))
        if "within" in causes and k == 0:
            kind = "wide"
        if "orbit" in causes and k == 0 and kind == "kernel":
            kind = "unknown"  # an orbit out of a kernel is not off
        sigma = {"unknown": np.nan, "kernel": 0.005}
        sigma |= {"stated": rng.uniform(0.05, 0.3), "wide": rng.uniform(1, 2)}
        bodies.append({
            "name": str(7 + k), "kind": kind, "sigma": float(sigma[kind]), "delta": rng.uniform(0.8, 2.5),
            "speed": sky(np.exp(rng.uniform(np.log(8), np.log(120))), rng.uniform(0, 360)),
        })  # fmt: skip
    frames = int(rng.integers(1, 4) if few else rng.integers(5, 16))
    return {
        "bodies": bodies, "hours": np.sort(rng.uniform(0, rng.uniform(1.5, 6.0), frames)),
        "sigma": rng.uniform(0.03, 0.12), "plate_sigma": rng.uniform(0.01, 0.04),
        "site": Site.from_geodetic(rng.choice([-1, 1]) * rng.uniform(20, 160), rng.uniform(-50, 50), 500.0),
        # Who states a second and is off by minutes is no case for odds.
        "clock_sigma": np.nan if {"clock", "clock drift"} & set(causes)
        else float(rng.choice([np.nan, 1.0], p=[0.8, 0.2])),
    }  # fmt: skip


def random_night(rng, causes, span=(4.0, 40.0), few=False, bodies=()):
    """Residuals of a random night with these causes, and the sigmas by which no other cause would do."""
    scene = random_scene(rng, causes, few, bodies)
    start = Time("2027-05-04T20:00:00", scale="utc")
    hours, bodies = scene["hours"], scene["bodies"]
    middle = hours.mean()
    mids = [start + TimeDelta(h * 3600, format="sec") for h in hours]
    drawn = {"hour": rng.choice([-1, 1]) * rng.integers(1, 12) * 3600.0}
    unit_sigma = np.hypot(scene["sigma"], scene["plate_sigma"]) / np.sqrt(len(hours))
    plate = np.zeros(2)
    if "plate" in causes:
        plate = rng.uniform(*span) * scene["plate_sigma"] / np.sqrt(len(hours)) * unit(rng)
    fastest = max(np.hypot(*body["speed"]) for body in bodies)
    drawn["clock"] = rng.choice([-1, 1]) * min(rng.uniform(*span) * unit_sigma / fastest * 3600, 900.0)
    spread = max(np.std(hours), 1e-3)
    drift_s_h = min(rng.uniform(*span) * unit_sigma / fastest * 3600 / spread, 60.0)
    drawn["clock drift"] = rng.choice([-1, 1]) * drift_s_h
    rows, clean, impostor_on = [], [], int(rng.integers(len(hours)))
    # Bodies of one frame share its plate.
    zeros = plate + rng.normal(0, scene["plate_sigma"], (len(hours), 2))
    for k, body in enumerate(bodies):
        speed, along = body["speed"], body["speed"] / np.hypot(*body["speed"])
        known = np.isfinite(body["sigma"])
        cov = np.eye(2) * body["sigma"] ** 2 if known else np.full((2, 2), np.nan)
        stated = rng.normal(0, body["sigma"], 2) if known and body["kind"] != "wide" else np.zeros(2)
        wrong = np.zeros(2)
        if "orbit" in causes and k == 0:
            size = max(rng.uniform(*span) * unit_sigma, 4 * body["sigma"] if known else 0.0)
            if known:
                size = min(max(size, rng.uniform(5, 30) * body["sigma"]), 20.0)
            runs_off = not known and rng.random() < 0.3
            wrong = size * (along * rng.choice([-1, 1]) if runs_off else unit(rng))
        if "within" in causes and k == 0:
            wrong = rng.uniform(0.6, 1.6) * body["sigma"] * unit(rng)
        drift = np.zeros(2)
        if "not this body" in causes and k == 0:
            wrong = rng.uniform(0, 3) * unit(rng)
            turned = np.degrees(np.arctan2(*speed)) + rng.choice([-1, 1]) * rng.uniform(10, 40)
            drift = sky(np.hypot(*speed) * rng.uniform(0.6, 1.4), turned) - speed
        for i, mid in enumerate(mids):
            late = sum(drawn[cause] for cause in ("clock", "hour") if cause in causes)
            late += drawn["clock drift"] * (hours[i] - middle) if "clock drift" in causes else 0.0
            prediction = Prediction(body["name"], 246.0, -24.0, *speed, 10.0, cov, delta=body["delta"])
            prediction = prediction.seen_from(scene["site"], mid)
            offset = plate + wrong + drift * (hours[i] - middle) + speed * late / 3600
            if "longitude" in causes:
                offset = offset + prediction.parallax @ prediction.mirror_km
            clean.append(offset + stated - plate)
            centroid = np.diag(np.square(scene["sigma"] * rng.uniform(0.7, 1.4, 2)))
            seen = "impostor" not in causes or k > 0 or i == impostor_on
            if "impostor" in causes and k == 0:
                offset = rng.uniform(0, 3.0) * unit(rng)
            more = (
                {"dra_cosdec": 0.0, "ddec": 0.0, "snr": 25.0, "mag_obs": 17.0 + rng.normal(0, 0.05)}
                if seen
                else {"flag": "not seen: nothing above 5.0 sigma", "limit_mag": rng.uniform(18.0, 19.0)}
            )
            if seen:
                offset = offset + stated + rng.normal(0, np.sqrt(np.diag(centroid)))
                more |= {"dra_cosdec": offset[0], "ddec": offset[1], "covariance": centroid}
            rows.append(Residual(
                f"f{i:02d}.fits", mid.isot, body["name"], prediction, seen=seen, n_stars=40,
                plate_offset=zeros[i], plate_covariance=scene["plate_sigma"] ** 2 * np.eye(2), mid=mid,
                search_arcsec=3.0, threshold=5.0, clock_sigma_s=scene["clock_sigma"], **more,
            ))  # fmt: skip
    return rows, _apart(rows, np.array(clean), causes, plate, scene)


def _apart(rows, clean, causes, plate, scene):
    """Sigmas between the true O-C, without noise, and the nearest of rival causes, or of their pairs.

    Twice: with what is stated taken at its word, and by geometry alone.
    """
    if "impostor" in causes or "nothing" in causes:
        return np.inf, np.inf
    if causes == ("plate",):
        return (np.hypot(*plate) / (scene["plate_sigma"] / np.sqrt(len(scene["hours"]))),) * 2
    beyond, apart = _bodies_apart(rows, clean, causes, scene)
    if "plate" in causes:
        beyond = min(beyond, np.hypot(*plate) / (scene["plate_sigma"] / np.sqrt(len(scene["hours"]))))
    return beyond, min(beyond, apart)


def _bodies_apart(rows, clean, causes, scene):
    """The same by the bodies' O-C, which has a shift of the plates taken off."""
    night = replace(gather(rows), offset=clean, used=np.ones(len(clean), bool))
    causes = tuple(cause for cause in causes if cause != "within")
    families = {FAMILY.get(cause, cause) for cause in causes}
    if not causes:
        # It is real, and what else could be so far off is asked.
        families = {FAMILY["within"]}
        first = clean[: len(scene["hours"])].mean(axis=0)
        beyond = np.hypot(*first) / (scene["sigma"] / np.sqrt(len(scene["hours"])))
        return beyond, min(beyond, _alike(night, families, scene))
    if len(causes) == 2 and "plate" not in causes:
        beyond = _apart_of_pairs(night, families, scene)
        return beyond, min(beyond, _alike(night, families, scene))
    nearest = np.inf
    for model in fit_models(night):
        if model.cause == "clock drift":
            family = "clock"
        else:
            family = FAMILY.get(model.cause, model.cause)
        if model.cause == "orbit" and np.isfinite(scene["bodies"][model.body]["sigma"]):
            continue  # held by what is stated of it: that is in every model
        # Of two causes each must be needed; one alone must not do.
        alone = family not in families or (len(causes) == 2 and "plate" not in causes)
        if family == "not this body":
            # What drifts by less than the verdict takes for another body is an orbit whose rate is off.
            unknown = np.isnan(scene["bodies"][model.body]["sigma"])
            moves = 3600 * np.hypot(*night.speed[night.of(model.body)].mean(axis=0))
            alone = alone and unknown and np.hypot(*model.parameters[2:4]) < DRIFT_SHARE * moves
        if alone:
            nearest = min(nearest, model.chi2)
    beyond = float(np.sqrt(max(nearest, 0.0)))
    return beyond, min(beyond, _alike(night, families - {"plate"}, scene))


def _apart_of_pairs(night, families, scene):
    """From what explains the true O-C with one true cause missing: alone, or with any other in its stead."""
    use = np.arange(len(night.offset))

    def is_rival(piece):
        # An orbit is held by what is stated of it, but for the one that is off; any site explains any offset.
        held = piece.body >= 0 and np.isfinite(scene["bodies"][piece.body]["sigma"])
        return piece.cause not in ("not this body", "site") and not (
            piece.cause == "orbit" and held and (piece.body > 0 or "orbit" not in families)
        )

    parts = [piece for piece in parts_of(night, use) if is_rival(piece)]
    evidence = Evidence(night, use, parts)
    chi2 = {True: np.inf, False: np.inf}
    for chosen in [(), *((piece,) for piece in parts), *combinations(parts, 2)]:
        if len(chosen) < 2 or go_together(*chosen):
            whole = families <= {FAMILIES.get(piece.cause, piece.cause) for piece in chosen}
            chi2[whole] = min(chi2[whole], evidence.weigh(chosen).chi2)
    return float(np.sqrt(max(chi2[False] - chi2[True], 0.0)))


def _alike(night, families, scene):
    """Sigmas from the nearest that leaves out a true cause, whatever its odds: stated errors are no bound.

    A kernel's orbit and a stated clock hold; any site on Earth will do, any light that is on a single frame,
    another body where its drift cannot be measured.
    """
    use = np.arange(len(night.offset))
    parts = [piece for piece in parts_of(night, use) if not _holds(night, piece, scene)]
    if families == {FAMILY["within"]}:
        # The error itself is what is to be explained.
        parts = [piece for piece in parts if (piece.cause, piece.body) != ("orbit", 0)]
        own = np.arange(len(night.names))[:, None, None] == 0
        night = replace(night, prior=np.where(own, np.nan, night.prior))
    evidence = Evidence(night, use, parts)
    nearest = evidence.weigh(()).chi2
    for count in range(1, len(families) + 1):
        for chosen in combinations(parts, count):
            whole = families <= {FAMILIES.get(piece.cause, piece.cause) for piece in chosen}
            if not whole and (count < 2 or go_together(*chosen)):
                found = evidence.weigh(chosen)
                if all(_is_possible(*one, scene) for one in zip(chosen, found.parameters, strict=True)):
                    nearest = min(nearest, found.chi2)
    return float(np.sqrt(max(nearest, 0.0)))


KERNEL = 0.02
"""arcsec; an orbit that is stated so well is not off."""


def _holds(night, piece, scene):
    """Whether a cause cannot be at work, or would show."""
    if piece.cause == "orbit":
        return scene["bodies"][piece.body]["sigma"] < KERNEL
    if piece.cause == "not this body":
        rows = night.of(piece.body)
        hours, rate = night.hours[rows], 3600 * np.hypot(*night.speed[rows].mean(axis=0))
        sigma = scene["sigma"] / np.sqrt(max(np.sum((hours - hours.mean()) ** 2), 1e-9))
        return LEAST_DRIFT * rate > BEYOND_SIGMAS * sigma
    return False


def _is_possible(piece, values, scene):
    """Whether an orbit would be off by no more than orbits are that are drawn here."""
    if piece.cause != "orbit":
        return True
    sigma = scene["bodies"][piece.body]["sigma"]
    return np.hypot(*values[:2]) < (MOST_STATED * sigma if np.isfinite(sigma) else MOST_ARCSEC)


@dataclass(frozen=True)
class Count:
    """What a verdict on a random night is worth."""

    verdict: Verdict
    wrong: bool  # confidently
    right: bool  # every true cause is named
    partly: bool  # one is named, all others are among those that it leaves open
    either: bool  # or none is, and they are
    beyond: bool  # six sigmas from all others, stated errors at their word
    apart: bool  # and by geometry alone


def verdict_counts(rng, causes, few=False) -> Count:
    """A random night, judged and counted."""
    rows, (beyond, apart) = random_night(rng, causes, few=few)
    verdict = judge(rows)
    truth = {FAMILY.get(cause, cause) for cause in causes}
    accepted = set(truth)
    if any(np.isfinite(row.prediction.covariance).all() for row in rows):
        accepted.add("within the orbit's error")  # drawn by its sigma, and so real
    is_open = verdict.cause in ("can't tell", "clock or orbit")
    # What another body is off by within its orbit's error stays sure beside what is open.
    named = set(verdict.undecided) & {FAMILY["within"]} if is_open else set(verdict.causes)
    if verdict.cause == "plate" or verdict.plate_off:
        named.add("plate")
    left_open = set(verdict.causes if is_open else verdict.undecided)
    if verdict.cause == "all well":
        # Effects that these data do not show, or that lie within what was stated, are no mistake.
        wrong, right = truth != {"nothing"} and beyond > BEYOND_SIGMAS, truth == {"nothing"}
    else:
        of_another = any(name in ("orbit", "not this body") and body > 0 for name, body in verdict.named)
        wrong = not named <= accepted or (of_another and not is_open)
        if verdict.cause == "clock or orbit":
            wrong |= not accepted & {"clock", "orbit", "within the orbit's error"}
        needed = truth - {"nothing"} if len(truth) == 1 else truth - {"within the orbit's error"}
        right = not wrong and needed <= named and not (is_open and truth == {"nothing"})
    all_open = truth - {"nothing"} <= named | left_open
    partly = bool(not wrong and not right and all_open and named & truth)
    either = not wrong and bool(right or all_open or named & truth)
    if truth == {"nothing"}:
        either = not wrong
    return Count(verdict, wrong, right, partly, either, beyond > BEYOND_SIGMAS, apart > BEYOND_SIGMAS)


def _shares(rows, word):
    """Of the nights beyond six sigmas: named, partly, told apart by geometry and named, the rest or open."""
    beyond = [row for row in rows if row.beyond]
    apart = [row for row in beyond if row.apart]
    alike = [row for row in beyond if not row.apart]

    def share(some, key):
        count = sum(getattr(row, key) for row in some)
        return f"{count:3d} of {len(some):3d}" + (f" ({100 * count / len(some):.1f}%)" if some else "")

    return (
        f"{word} beyond 6 sigma named {share(beyond, 'right')}, partly {share(beyond, 'partly')}; "
        f"told apart by geometry {share(apart, 'right')}; alike {share(alike, 'right')} named, "
        f"{share(alike, 'either')} or left open"
    )


def any_nights(singles=500, pairs=200, few=200, seed=1):
    """Counts over random nights; the bounds stand beside."""
    alone = [(one,) for one in SINGLE]
    # A drift takes three times, a light that is not the body's other frames.
    short = [(one,) for one in SINGLE if one not in ("clock drift", "impostor", "not this body")]
    groups = ("single", alone, singles), ("pairs", PAIRED, pairs), ("few frames", short, few)
    for label, kinds, total in groups:
        table = {kind: [] for kind in kinds}
        for k in range(total):
            kind = kinds[k % len(kinds)]
            row = verdict_counts(np.random.default_rng([seed, k]), kind, label == "few frames")
            table[kind].append(row)
            if row.wrong:
                print(f"  wrong: night {k} {kind}: {row.verdict.cause}: {row.verdict.sentence[:150]}")
        for kind, rows in table.items():
            if kind == ("nothing",) and rows:
                right, either = (sum(getattr(row, key) for row in rows) for key in ("right", "either"))
                wrong = sum(row.wrong for row in rows)
                print(f"{'nothing':20} {len(rows):4d} nights, {wrong} wrong; {right} all well or within what "
                      f"is stated, {either} with what is left open")  # fmt: skip
            elif rows:
                wrong = sum(row.wrong for row in rows)
                print(f"{' + '.join(kind):20} {len(rows):4d} nights, {wrong} wrong;", _shares(rows, "of"))
        if total:
            rows = [row for kind, some in table.items() for row in some]
            wrong = sum(row.wrong for row in rows)
            print(f"{label}: confidently wrong {wrong} of {total} ({100 * wrong / total:.1f}%; bound 1%)")
            rows = [row for kind, some in table.items() if kind != ("nothing",) for row in some]
            print(f"{label}, bound 95%:", _shares(rows, "of those"), flush=True)


def main():
    if sys.argv[1:2] == ["any"]:
        any_nights(*(int(word) for word in sys.argv[2:]))
        return
    nights = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 604
    for name, (make, right) in CASES.items():
        rng = np.random.default_rng(seed)
        said = Counter(judge(make(rng)).cause for _ in range(nights))
        good = sum(said[cause] for cause in right)
        print(f"{good:4d} of {nights} right  {name}: {dict(said)}", flush=True)
    print("power: named of 100, by size of the effect in sigmas of all that a night tells")
    print("cause       " + "".join(f"{sigmas:8g}" for sigmas in SIGMAS))
    for cause, right in GRADED.items():
        named, rest = [], []
        for sigmas in SIGMAS:
            rng = np.random.default_rng([seed, 1])
            said = Counter(judge(graded(cause, sigmas, rng)).cause for _ in range(nights))
            named.append(100 * said[right] / nights)
            rest.append({k: n for k, n in said.items() if k != right})
        print(f"{cause:12}" + "".join(f"{one:8.1f}" for one in named), flush=True)
        told = (f"{sigmas:g}: {one}" for sigmas, one in zip(SIGMAS, rest, strict=True))
        print("   else     " + " ".join(told))


if __name__ == "__main__":
    main()

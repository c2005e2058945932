"""Verdicts on seeded nights with a planted cause: how many of a hundred come out right.

python tests/benchmarks/bench_verdict.py [nights per case]
"""

import sys
from collections import Counter

import numpy as np
from astropy.time import Time, TimeDelta

from appulse.astrometry.prediction import Prediction
from appulse.astrometry.residual import Residual
from appulse.astrometry.verdict import judge

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
                          prior=(0.1, 0.1)), {"all well"}),
    "nothing, an outlier": (lambda rng: night(rng, outlier=1.5), {"all well"}),
    "clock 20 s": (lambda rng: night(rng, clock=20.0), {"clock or orbit"}),
    "clock 20 s, orbit known to 0.05": (
        lambda rng: night(rng, clock=20.0, orbit=rng.normal(0, 0.05, 2), prior=(0.05, 0.05)), {"clock"}),
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


def main():
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

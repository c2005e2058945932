"""Pulls of distances and levels of first orbits against JPL Horizons, by hand:

    python tests/benchmarks/bench_parallax.py pulls 500 [SEED]
    python tests/benchmarks/bench_parallax.py orbits 100 [SEED]

Places: topocentric astrometric ones of 28 bodies from X05 and W84 (../shared/checks/horizons_positions.csv),
with noise of 0.05 to 0.3 arcsec. `pulls` takes four nights of one site, or the two nights of each site that
follow on each other; `orbits` one to four nights.
"""

import csv
import sys
import time
from pathlib import Path

import numpy as np
from astropy.time import Time

from appulse.astrometry import Sighting, distance_by_parallax, first_orbit
from appulse.constants import C_AU_DAY
from appulse.errors import MeasurementError
from appulse.numerics import unit_from_radec
from appulse.observers import Site

SITES = {code: Site.from_mpc_code(code) for code in ("X05", "W84")}


def rows_by_body(shared) -> dict:
    """(name, code) -> rows of Horizons, in order of time: 15 nights, two days apart, of three places each."""
    lines = (Path(shared) / "checks/horizons_positions.csv").read_text("utf-8").splitlines()
    found: dict[tuple, list] = {}
    for row in csv.DictReader(line for line in lines if not line.startswith("#")):
        found.setdefault((row["targetname"], row["observatory_code"]), []).append(row)
    return found


def noisy_sightings(rows, sigma, rng) -> list[Sighting]:
    """Sightings at the rows' places with noise added."""
    seen = []
    for row in rows:
        off, ra, dec = rng.normal(0, sigma, 2) / 3600, float(row["RA"]), float(row["DEC"])
        time = Time(float(row["mjd_utc"]), format="mjd", scale="utc")
        place = ra + off[0] / np.cos(np.radians(dec)), dec + off[1]
        code = row["observatory_code"]
        seen.append(Sighting(code, time, *place, sigma**2 * np.eye(2), SITES[code]))
    return seen


def geocentric_vectors(rows) -> np.ndarray:
    """Light-delayed vectors from the Earth's centre, au: Horizons' place and distance, and the site's own."""
    vectors = []
    for row in rows:
        time = Time([float(row["mjd_utc"])], format="mjd", scale="utc")
        away = unit_from_radec(float(row["RA"]), float(row["DEC"])) * float(row["delta"])
        vectors.append(away + np.ravel(SITES[row["observatory_code"]].posvel_au(time)[0]))
    return np.array(vectors)


def true_inverse(rows, epoch_mjd) -> float:
    """Inverse distance from the Earth's centre at the epoch, light time put back."""
    times = np.array([float(row["mjd_utc"]) for row in rows])
    distances = np.linalg.norm(geocentric_vectors(rows), axis=1)
    coefficients = np.polyfit(times - epoch_mjd, distances, 3)
    return 1.0 / (coefficients[-1] * (1 + coefficients[-2] / C_AU_DAY))


def exact(seen) -> dict:
    """Options of a fit whose plates and clocks are right."""
    names = {sighting.site for sighting in seen}
    return {
        "zero_arcsec": dict.fromkeys(names, 0.0),
        "clock_s": dict.fromkeys(names, 0.01),
        "air_arcsec": 0.0,
    }


def arc_of(bodies, rng, nights=4):
    """Rows of a random arc: one site's, or both sites' around the change from one to the other."""
    names = sorted({name for name, _ in bodies})
    name = names[rng.integers(len(names))]
    if rng.uniform() < 1 / 3:
        half = 3 * max(nights // 2, 1)
        return [*bodies[name, "X05"][-half:], *bodies[name, "W84"][:half]]
    rows = bodies[name, ("X05", "W84")[rng.integers(2)]]
    first = 3 * rng.integers(0, 15 - nights + 1)
    return rows[first : first + 3 * nights]


def pulls(bodies, count, seed):
    """Pull of each trial whose distance has no rival, and how many had one."""
    rng, found, ambiguous, refused, missed = np.random.default_rng(seed), [], 0, 0, 0
    for k in range(count):
        rows = arc_of(bodies, rng)
        seen = noisy_sightings(rows, rng.uniform(0.05, 0.3), rng)
        try:
            fit = distance_by_parallax(seen, **exact(seen))
        except MeasurementError as error:
            refused += 1
            print(rows[0]["targetname"], error)
            continue
        true = true_inverse(rows, fit.epoch.utc.mjd)
        pull = (fit.inverse_au - true) / fit.sigma_inverse_au
        if fit.rivals:
            ambiguous += 1
            missed += (
                min(abs(known - true) for known in (fit.inverse_au, *fit.rivals)) > 4 * fit.sigma_inverse_au
            )
        else:
            found.append((pull, fit.is_measured))
        if abs(pull) > 3:
            print(f"{k} {rows[0]['targetname']} {rows[0]['mjd_utc']} {pull:+.2f} {true:.4f} "
                  f"{fit.inverse_au:.4f} ± {fit.sigma_inverse_au:.4f} rivals {fit.rivals}")  # fmt: skip
    return np.array(found), ambiguous, missed, refused


def levels(bodies, count, seed):
    """Level of Horizons' own state in the region of each first orbit."""
    rng, found = np.random.default_rng(seed), []
    for _ in range(count):
        rows = arc_of(bodies, rng, nights=int(rng.integers(1, 5)))
        if "Oumuamua" in rows[0]["targetname"]:
            continue
        seen = noisy_sightings(rows, rng.uniform(0.05, 0.3), rng)
        began = time.time()
        try:
            orbit = first_orbit(seen, **exact(seen))
        except MeasurementError as error:
            print(rows[0]["targetname"], len(rows), error)
            found.append(np.nan)
            continue
        level = orbit.level(state_of(rows, orbit))
        took = time.time() - began
        found.append(level)
        distance = orbit.elements()["distance"]
        print(f"{rows[0]['targetname'][:24]:24} {len(rows):2} places, {orbit.span_d:5.2f} d, "
              f"level {level:.3f}, distances {np.quantile(distance, 0.025):.4g} to "
              f"{np.quantile(distance, 0.975):.4g} au, "
              f"{took:.1f} s",
              flush=True)  # fmt: skip
    return np.array(found)


STATES = Path(__file__).parents[3] / "shared/checks/horizons_states.csv"


def state_of(rows, orbit):
    """Heliocentric ICRF state at the orbit's epoch, carried from Horizons' recorded state."""
    from appulse.bodies import SUN, NBodyEphemeris, Orbit, default_kernels
    from appulse.numerics import ECLIPTIC_TO_ICRF

    lines = (line for line in STATES.read_text("utf-8").splitlines() if not line.startswith("#"))
    known = [row for row in csv.DictReader(lines) if row["name"] == rows[0]["targetname"]]
    nearest = min(known, key=lambda row: abs(float(row["mjd_tdb"]) - orbit.epoch.tdb.mjd))
    ecliptic = np.array([float(nearest[key]) for key in ("x", "y", "z", "vx", "vy", "vz")])
    state = np.concatenate([ECLIPTIC_TO_ICRF @ ecliptic[:3], ECLIPTIC_TO_ICRF @ ecliptic[3:]])
    known = Orbit("truth", float(nearest["mjd_tdb"]) + 2400000.5, state)
    t_d = np.array([orbit.epoch_jd_tdb - 2451545.0])
    places, velocities = default_kernels().major(t_d)
    carried = NBodyEphemeris([known]).states(np.array([0]), t_d[None])[0, 0]
    return carried - np.concatenate([places[0, SUN], velocities[0, SUN]])


if __name__ == "__main__":
    what, count = sys.argv[1], int(sys.argv[2])
    seed = int(sys.argv[3]) if len(sys.argv) > 3 else 1
    STATES = next(p for p in (STATES, Path("/work/shared/checks/horizons_states.csv")) if p.exists())
    bodies, began = rows_by_body(STATES.parents[1]), time.time()
    if what == "pulls":
        found, ambiguous, missed, refused = pulls(bodies, count, seed)
        measured = found[found[:, 1] > 0, 0]
        print(f"{len(found)} distances: pulls {found[:, 0].mean():+.3f} mean, {found[:, 0].std():.3f} std; "
              f"of {len(measured)} named: {measured.mean():+.3f}, {measured.std():.3f}; within 3 sigma "
              f"{np.mean(np.abs(found[:, 0]) < 3):.4f}; ambiguous {ambiguous} ({missed} without the truth), "
              f"refused {refused}; {time.time() - began:.0f} s")  # fmt: skip
    else:
        found = levels(bodies, count, seed)
        fine = found[np.isfinite(found)]
        print(f"{len(fine)} of {len(found)} orbits: inside 68% {np.mean(fine < 0.68):.3f}, 95% "
              f"{np.mean(fine < 0.95):.3f}, 99% {np.mean(fine < 0.99):.3f}; "
              f"{time.time() - began:.0f} s")  # fmt: skip

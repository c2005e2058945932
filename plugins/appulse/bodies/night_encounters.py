"""What encounters with the Earth or Venus since their epoch do to the two-body places of planet crossers."""

import numpy as np

from appulse.bodies.kernels import EARTH, GM_MAJOR, SUN, VENUS
from appulse.bodies.rough_places import heliocentric, length
from appulse.constants import J2000_JD

CROSSER_Q_AU = 1.3
NEAR_AU = 0.07
"""Passes farther out deflect by less than the general margin of planet crossers allows for."""
SAMPLE_D = 4.0
MAX_SAMPLES = 400
DOUBT_AU = 0.002
"""How far off the two-body miss distance itself may be."""
SAFETY = 4.0
"""On the displacement: a kick along the orbit changes the period, and the shift grows threefold by that."""


def widen_after_encounters(catalogue, t_d, kernels):
    """Displacement that encounters may have caused.

    The two-body orbit is sampled every four days between its epoch and the night; where a sample lies near a
    planet, the miss distance b of the straight line through it gives the deflection 2 GM / (b v^2), a kick of
    that times v, and a displacement that grows with the time since.

    Parameters
    ----------
    catalogue : OrbitCatalogue
    t_d : float, TDB days from J2000.0
    kernels : Kernels

    Returns
    -------
    (n,) array of single precision, au; huge for those of which nothing can be said
    """
    out = np.zeros(len(catalogue), np.float32)
    age = t_d - (catalogue.epoch_jd_tdb - J2000_JD)
    rows = np.flatnonzero((catalogue.elements[:, 0] < CROSSER_Q_AU) & (np.abs(age) > 1.0))
    if not len(rows):
        return out
    elements, age = catalogue.elements[rows], age[rows]
    count = int(min(np.ceil(np.abs(age).max() / SAMPLE_D), MAX_SAMPLES))
    out[rows[np.abs(age) > MAX_SAMPLES * SAMPLE_D]] = 1e3
    for back in np.arange(count + 1) * SAMPLE_D:
        for way in (1.0, -1.0):
            t = t_d - way * back
            mine = np.flatnonzero((np.sign(age) == way) & (np.abs(age) >= back))
            if len(mine) and kernels.start_d <= t <= kernels.end_d:
                state, planets = heliocentric(elements[mine], t), kernels.major(np.array([t]))
                _add_kicks(out, rows[mine], state, planets, back)
    return out


def _add_kicks(out, rows, state, planets, back):
    """Enter the greatest displacement that a pass near this sample may have caused."""
    (place, velocity), (pos, vel) = state, planets
    for planet in (EARTH, VENUS):
        gap = place - (pos[0, planet] - pos[0, SUN])[:, None].astype(np.float32)
        near = np.flatnonzero(length(gap) < NEAR_AU)
        if not len(near):
            continue
        gap = gap[:, near].astype(float)
        relative = velocity[:, near] - (vel[0, planet] - vel[0, SUN])[:, None]
        speed = length(relative)
        miss = np.maximum(length(np.cross(gap, relative, axis=0)) / speed - DOUBT_AU, 1e-6)
        kick = 2.0 * GM_MAJOR[planet] / (miss * speed)
        moved = SAFETY * kick * (back + SAMPLE_D)
        out[rows[near]] = np.maximum(out[rows[near]], np.where(miss < 1e-4, 1e3, moved))

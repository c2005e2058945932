"""Apparent magnitudes of asteroids and comets.

Each system is a published formula, named with its source; which one a body uses follows from what its orbit
record carries. All are V (or the record's own band): no colour term is added.
"""

from functools import lru_cache
from typing import NamedTuple

import numpy as np

# Slope where a record gives none, by convention (Bowell et al. 1989, *Asteroids II*, 524).
DEFAULT_G = 0.15


def _reduced(h, r_au, delta_au):
    return h + 5.0 * np.log10(np.asarray(r_au, dtype=float) * np.asarray(delta_au, dtype=float))


def _magnitude(h, r_au: np.ndarray, delta_au: np.ndarray, brightness):
    """NaN, not infinity, where the phase function has run to zero: nothing is known there."""
    brightness = np.asarray(brightness, dtype=float)
    lit = brightness > 0
    return np.where(lit, _reduced(h, r_au, delta_au) - 2.5 * np.log10(np.where(lit, brightness, 1.0)), np.nan)


def magnitude_hg(h, g, r_au: np.ndarray, delta_au: np.ndarray, phase_deg: np.ndarray) -> np.ndarray:
    """V in the H,G system as JPL Horizons computes it; NaN at phase 180 degrees."""
    # Phi1 = exp(-3.33 tan^0.63(alpha/2)), Phi2 = exp(-1.87 tan^1.22(alpha/2)): the short form of Bowell et
    # al. 1989 (*Asteroids II*, 524, appendix). It agrees with Horizons to 0.0005 mag below 120 degrees; the
    # longer form of that paper differs by up to 0.035 mag below 25 degrees.
    tan = np.tan(np.radians(np.asarray(phase_deg, dtype=float)) / 2.0)
    tan = np.maximum(tan, 0.0)
    light = (1.0 - g) * np.exp(-3.33 * tan**0.63) + g * np.exp(-1.87 * tan**1.22)
    return _magnitude(h, r_au, delta_au, np.where(np.asarray(phase_deg) >= 180.0, 0.0, light))


class Brightness(NamedTuple):
    """The part of an orbit record that tells magnitudes; None where not given."""

    h: float | None = None
    g: float | None = None
    m1: float | None = None
    k1: float | None = None
    g1: float | None = None
    g2: float | None = None
    g12: float | None = None
    m2: float | None = None
    k2: float | None = None
    pc: float | None = None
    m1_sigma: float | None = None


_DEG = np.pi / 180.0
# Nodes, values and end slopes of phi1 to phi3 as Muinonen et al. 2010 print them.
_WIDE = (7.5, 30, 60, 90, 120, 150)
_PHASE_NODES = (
    (
        _WIDE,
        (0.75, 0.33486016, 0.13410560, 0.051104756, 0.021465687, 0.0036396989),
        (-1.9098593, -0.091328612),
    ),
    (
        _WIDE,
        (0.925, 0.62884169, 0.31755495, 0.12716367, 0.022373903, 0.00016505689),
        (-0.57295780, -8.6573138e-8),
    ),
    (
        (0, 0.3, 1, 2, 4, 8, 12, 20, 30),
        (1, 0.83381185, 0.57735424, 0.42144772, 0.23174230, 0.10348178, 0.061733473, 0.016107006, 0),
        # As printed; programs with -1.0630097 differ by less than 0.003 mag, and only below 0.3 degrees.
        (-0.10630097, 0.0),
    ),
)


@lru_cache(maxsize=1)
def _phase_splines() -> tuple:
    # Few bodies have G1 and G2, and scipy.interpolate takes half a second to load.
    from scipy.interpolate import CubicSpline

    return tuple(
        CubicSpline(np.array(nodes) * _DEG, values, bc_type=((1, first), (1, last)))
        for nodes, values, (first, last) in _PHASE_NODES
    )


def magnitude_hg1g2(h, g1, g2, r_au: np.ndarray, delta_au: np.ndarray, phase_deg: np.ndarray) -> np.ndarray:
    """V in the H,G1,G2 system; NaN beyond 150 degrees of phase, where it is not defined."""
    # Muinonen et al. 2010, Icarus 209, 542, section 3 and tables: straight lines near opposition, cubic
    # splines farther out; the opposition spike phi3 ends at 30 degrees.
    alpha = np.radians(np.asarray(phase_deg, dtype=float))
    near = alpha < 7.5 * _DEG
    spline1, spline2, spline3 = _phase_splines()
    phi1 = np.where(near, 1.0 - 6.0 * alpha / np.pi, spline1(alpha))
    phi2 = np.where(near, 1.0 - 9.0 * alpha / (5.0 * np.pi), spline2(alpha))
    phi3 = np.where(alpha < 30.0 * _DEG, spline3(alpha), 0.0)
    light = g1 * phi1 + g2 * phi2 + (1.0 - g1 - g2) * phi3
    return _magnitude(h, r_au, delta_au, np.where(alpha <= 150.0 * _DEG, light, 0.0))


def magnitude_hg12(h, g12, r_au: np.ndarray, delta_au: np.ndarray, phase_deg: np.ndarray) -> np.ndarray:
    """V in the H,G12 system: H,G1,G2 with both slopes from one number (Muinonen et al. 2010, eq. 28)."""
    low = np.asarray(g12) < 0.2
    g1 = np.where(low, 0.7527 * g12 + 0.06164, 0.9529 * g12 + 0.02162)
    g2 = np.where(low, -0.9612 * g12 + 0.6270, -0.6125 * g12 + 0.5572)
    return magnitude_hg1g2(h, g1, g2, r_au, delta_au, phase_deg)


def magnitude_comet(m1, k1, r_au: np.ndarray, delta_au: np.ndarray) -> np.ndarray:
    """Total magnitude of a comet, m1 + 5 log delta + k1 log r, as JPL has it (the MPC prints k1/2.5)."""
    return m1 + 5.0 * np.log10(delta_au) + k1 * np.log10(r_au)


# One sigma of a comet's total magnitude about its law, mag: comets differ from their laws by that much from
# one apparition to the next, and by more in an outburst. Common practice, no source.
TOTAL_SIGMA_MAG = 1.0


def total_sigma(orbit) -> float:
    """Stated spread, mag, of the total magnitude of a comet; NaN for a body without M1."""
    if orbit is None or orbit.m1 is None:
        return float("nan")
    return TOTAL_SIGMA_MAG if orbit.m1_sigma is None else float(orbit.m1_sigma)


# A comet departs by so much from a law that has just been measured, mag: nights differ, and the slope is
# that of the past. Common practice, no source.
NIGHT_SIGMA_MAG = 0.3


class UpdatedLaw(NamedTuple):
    """A law of total magnitudes after measurements: M1, its spread, and what they changed."""

    m1: float
    sigma: float
    offset: float
    n_measured: int
    sentence: str


def updated_law(m1: float, differences, sigmas, *, prior_sigma=None) -> UpdatedLaw:
    """Bring a comet's M1 up to date by measured minus predicted total magnitudes.

    Parameters
    ----------
    m1 : float, mag
    differences, sigmas : (n,) arrays, mag
        Measured minus predicted, and the sigmas of the measurements.
    prior_sigma : float, optional
        Spread of the law before; :data:`TOTAL_SIGMA_MAG` when left out.

    Returns
    -------
    UpdatedLaw
        The slope stays: a night or two do not tell it from the brightness.

    Notes
    -----
    The mean is weighted by the measurements' errors and the spread of the law before (a Gaussian prior).
    What all nights share (zero point, the comet's own mood) does not average out: the spread that is stated
    does not fall below :data:`NIGHT_SIGMA_MAG`, nor below the scatter of the measurements.

    Examples
    --------
    >>> law = updated_law(8.0, [-0.9, -1.1], [0.1, 0.1])
    >>> round(law.m1, 2), round(law.sigma, 2)
    (7.01, 0.31)
    """
    differences, sigmas = np.asarray(differences, dtype=float), np.asarray(sigmas, dtype=float)
    prior = TOTAL_SIGMA_MAG if prior_sigma is None else float(prior_sigma)
    # Frames of one night share what the night does: together they weigh as one measurement of that.
    weight = 1.0 / sigmas**2
    mean, own = float(np.sum(weight * differences) / weight.sum()), float(1.0 / np.sqrt(weight.sum()))
    shared = np.hypot(own, NIGHT_SIGMA_MAG)
    gain = prior**2 / (prior**2 + own**2 + (NIGHT_SIGMA_MAG / 3.0) ** 2)
    offset = gain * mean
    scatter = float(np.std(differences)) if len(differences) > 2 else 0.0
    sigma = float(np.hypot(max(shared, scatter), abs(mean - offset)))
    count = "1 measurement" if len(differences) == 1 else f"{len(differences)} measurements"
    way = "brighter" if offset < 0 else "fainter"
    words = (
        f"by {count} it is {abs(offset):.2f} mag {way} than its law: M1 {m1:.2f} becomes {m1 + offset:.2f}, "
        f"spread {sigma:.2f}"
    )
    if abs(mean) > 3.0 * prior:
        words += (
            f"; no law with a spread of {prior:g} mag is off by so much: an outburst, other light in the "
            "circle or a law of other distances; use the new one for these nights alone"
        )
    return UpdatedLaw(m1 + offset, sigma, offset, len(differences), words)


def nuclear_magnitude(orbit, r_au: np.ndarray, delta_au: np.ndarray, phase_deg: np.ndarray) -> np.ndarray:
    """N-mag, m2 + 5 log delta + k2 log r + pc phase, as JPL Horizons has it; NaN where M2 is not known."""
    if orbit is None or orbit.m2 is None:
        return np.full(np.shape(r_au), np.nan)
    # A bare nucleus of which no more is known follows the inverse square of both distances.
    law = magnitude_comet(orbit.m2, 5.0 if orbit.k2 is None else orbit.k2, r_au, delta_au)
    return law + (orbit.pc or 0.0) * np.asarray(phase_deg, dtype=float)


def magnitude(orbit, r_au, delta_au, phase_deg):
    """Apparent magnitude of one body by the system that its record carries, and which one that is.

    A comet's M1 comes first, then H,G1,G2, then H,G12, then H,G (G 0.15 where none is given).

    Parameters
    ----------
    orbit : Orbit, Brightness or None
    r_au, delta_au : arrays, au
    phase_deg : array, degrees

    Returns
    -------
    mag : array, NaN where the record has no magnitude or the system ends
    system : str
        'M1,K1', 'H,G1,G2', 'H,G12', 'H,G' or 'none'

    Examples
    --------
    >>> mag, system = magnitude(Brightness(h=10.0), np.array([1.0]), np.array([1.0]), np.array([0.0]))
    >>> float(mag[0]), system
    (10.0, 'H,G')
    """
    if orbit is None or (orbit.m1 is None and orbit.h is None):
        return np.full(np.shape(r_au), np.nan), "none"
    if orbit.m1 is not None:
        return magnitude_comet(orbit.m1, 10.0 if orbit.k1 is None else orbit.k1, r_au, delta_au), "M1,K1"
    if orbit.g1 is not None and orbit.g2 is not None:
        return magnitude_hg1g2(orbit.h, orbit.g1, orbit.g2, r_au, delta_au, phase_deg), "H,G1,G2"
    if orbit.g12 is not None:
        return magnitude_hg12(orbit.h, orbit.g12, r_au, delta_au, phase_deg), "H,G12"
    slope = DEFAULT_G if orbit.g is None else orbit.g
    return magnitude_hg(orbit.h, slope, r_au, delta_au, phase_deg), "H,G"

"""From the covariance of an orbit to an ellipse on the sky.

The covariance is factored into independent directions of parameter space; along each of them two neighbours
of the orbit are integrated with the very steps of their group, and half their difference on the sky is that
direction's share. This solves the variational equations by central differences in the full force model,
terms that nobody differentiates by hand (relativity, outgassing, oblateness) included; tests hold it against
a Monte Carlo and against another program's variational equations.
"""

from typing import NamedTuple

import numpy as np

from appulse.constants import ARCSEC_PER_RAD, AU_KM
from appulse.numerics import ellipse_from_cov, tangent_axes

# Size of the neighbours' displacement relative to the orbit's own size: ten thousand times above the
# integration's rounding, and small enough that its square does not count.
DISPLACEMENT = 1e-7
# Days that weigh a velocity against a place when the size of a displacement is chosen.
_SPAN_D = 60.0


class Neighbours(NamedTuple):
    """Displaced orbits of one body: pairs along each direction of its covariance."""

    # (2 d, 6) au, au/d: plus and minus in turn.
    state: np.ndarray
    # (2 d, 3) displaced A1, A2, A3, au/d^2.
    nongrav: np.ndarray
    # (d,) one sigma in units of the displacement.
    scale: np.ndarray


def neighbours(orbit) -> Neighbours:
    """Displaced orbits along the independent directions of an orbit's covariance."""
    # As correlations, for elements of au and au/d differ by orders of magnitude and would swamp each other.
    cov = np.asarray(orbit.covariance, dtype=float)
    sigma = np.sqrt(np.diag(cov))
    used = sigma > 0
    safe = np.where(used, sigma, 1.0)
    values, vectors = np.linalg.eigh(cov / np.outer(safe, safe))
    # Eigenvalues below rounding carry no information; negative ones are rounding itself.
    good = values > 1e-15 * values.max()
    directions = (safe[:, None] * vectors[:, good] * np.sqrt(values[good])).T
    directions = np.where(used, directions, 0.0)
    names = list(orbit.covariance_names)
    terms = orbit.nongrav
    base = np.array([0.0, 0.0, 0.0] if terms is None else [terms.a1, terms.a2, terms.a3])
    extra = [names.index(a) if a in names else -1 for a in ("A1", "A2", "A3")]
    state, pushes, scale = [], [], []
    for direction in directions:
        push = np.array([direction[i] if i >= 0 else 0.0 for i in extra])
        # A velocity moves the body by itself times the span, a force by half its square.
        size = np.linalg.norm(direction[:3]) + _SPAN_D * np.linalg.norm(direction[3:6])
        size += 0.5 * _SPAN_D**2 * np.linalg.norm(push)
        factor = DISPLACEMENT * np.linalg.norm(orbit.state[:3]) / size
        for sign in (1.0, -1.0):
            state.append(orbit.state + sign * factor * direction[:6])
            pushes.append(base + sign * factor * push)
        scale.append(1.0 / factor)
    return Neighbours(np.array(state), np.array(pushes), np.array(scale))


# What the force model leaves out (327 of the 343 asteroids of JPL's integrations above all) grows with the
# time since the epoch. Root mean square of the sixteen massive asteroids, integrated over up to 16 years from
# five epochs, against their own kernel (JPL SB441-N16, Farnocchia 2021): 0.4 km after 9 months, 3.0 after 2.5
# years, 13.9 after 8.5, 27.7 after 15; the law meets these to a fifth.
# Causes, one by one, as rms over 13 years back and on (15 and 14 km as here): with the other 327 of DE430 10
# and 8 (Vesta 42 to 10, Thisbe 28 to 2, Hygiea 33 to 29); about the Sun instead of the barycentre the same to
# 0.5; the Kuiper belt's pull on the Sun below 1; a start on another day of the kernel 3, at worst 30.
MODEL_KM_AFTER_ONE_YEAR, MODEL_GROWTH = 0.85, 1.3


def model_sigma_au(age_d: np.ndarray) -> np.ndarray:
    """One sigma of a place, au per axis, from the force model alone, so many days from the epoch."""
    years = np.abs(np.asarray(age_d, dtype=float)) / 365.25
    # The figures above are of the whole distance; along the line of sight nothing is seen of it.
    return MODEL_KM_AFTER_ONE_YEAR * years**MODEL_GROWTH / AU_KM


def sky_ellipse(nominal: np.ndarray, displaced: np.ndarray, scale: np.ndarray, round_au=0.0) -> tuple:
    """Error ellipses (m,) on the sky, arcsec and degrees, from lines of sight to a body and neighbours."""
    # ``round_au`` (m,) is a further error of the place, the same in all directions.
    east, north = tangent_axes(nominal)
    depth = np.linalg.norm(nominal, axis=-1)
    half = 0.5 * (displaced[0::2] - displaced[1::2]) * scale[:, None, None] / depth[:, None]
    share = np.stack([np.einsum("dmi,mi->dm", half, east), np.einsum("dmi,mi->dm", half, north)])
    cov = np.einsum("adm,bdm->mab", share, share)
    cov = cov + ((round_au / depth) ** 2)[:, None, None] * np.eye(2)
    major, minor, pa = ellipse_from_cov(cov)
    return major * ARCSEC_PER_RAD, minor * ARCSEC_PER_RAD, np.degrees(pa)


# Upper limits of the MPC's uncertainty codes 0 to 8: runoff along the orbit in ten years, arcsec. Minor
# Planet Center, *The uncertainty parameter U*: U = int(ln r / 1.49) + 1, below 1 arcsec 0; from memory.
# What is stated of orbits without covariance hangs on it.
CODE_LIMITS_ARCSEC = tuple(float(f"{np.exp(1.49 * u):.3g}") for u in range(9))
CODES_WITH_LIMIT = tuple("012345678")

KERNEL_SOURCE, KERNEL_SIGMA_ARCSEC = "JPL SB441-N16", 0.005
"""A massive asteroid out of its own kernel, carried by our integrator: some mas within the bundled years."""
LISTED_SOURCE, LISTED_SIGMA_ARCSEC = "MPC", 0.2
"""Listed orbits of MPC code 0. 343 main-belt bodies of DE430, carried from 2000 to 2026-11, stand 0.12 arcsec
(median) and 0.41 (90%) from the MPC's list: the long tail makes the sigma, 0.41 / 2.15 per axis."""
NAMED_SOURCE = "MPC, MPCORB of 2025 Nov"
"""The bundled list of named minor planets: it gives no codes, and the figures above are of its bodies."""
COMET_SOURCE, COMET_SIGMA_ARCSEC = "by N-body", 100.0
"""Bundled comets. Of 2P, 52P, 87P, 98P, 103P and 132P the places of 2026 to 2030 change by 147 arcsec (rms on
the sky, 104 per axis) from JPL's list of 2021 without outgassing to JPL's replies of 2024 with it. What is
left where the outgassing is known is less, and unknown."""


def typical_sigma(orbit) -> float:
    """One sigma per axis, arcsec, of orbits like this one where it has no covariance; NaN where unknown.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> typical_sigma(SimpleNamespace(covariance=None, source="JPL SB441-N16; H: MPC", uncertainty_code=None))
    0.005
    """
    source, code = str(getattr(orbit, "source", "") or ""), str(orbit.uncertainty_code or "").strip()
    if orbit.covariance is not None:
        return float("nan")
    if source.startswith(KERNEL_SOURCE):
        return KERNEL_SIGMA_ARCSEC
    if source.startswith("JPL") and COMET_SOURCE in source:
        return COMET_SIGMA_ARCSEC
    if source.startswith(NAMED_SOURCE) and not code:
        return LISTED_SIGMA_ARCSEC
    if not source.startswith(LISTED_SOURCE) or code not in CODES_WITH_LIMIT:
        return float("nan")
    # At most so much within ten years of the epoch; a code of 0 says less than the figures above.
    return LISTED_SIGMA_ARCSEC if code == "0" else CODE_LIMITS_ARCSEC[int(code)]


def stated(orbit):
    """What is known of an orbit's uncertainty, in words; nothing is made up where nothing is.

    Parameters
    ----------
    orbit : Orbit or None

    Returns
    -------
    str

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> stated(SimpleNamespace(covariance=None, uncertainty_code="2"))
    'MPC code 2: 4.44 to 19.7 arcsec along the orbit in ten years'
    >>> stated(SimpleNamespace(covariance=None, uncertainty_code=None))
    'unknown'
    """
    if orbit is None:
        return "unknown"
    if orbit.covariance is not None:
        return "covariance of the orbit, and of the force model 0.85 km after one year, 17 km after ten"
    code = str(orbit.uncertainty_code or "").strip()
    # The bundled orbits that carry no code have a figure of their kind.
    typical = float("nan") if code else typical_sigma(orbit)
    if np.isfinite(typical):
        return f"no covariance; one sigma of orbits like this one is {typical:g} arcsec per axis"
    if code not in "0123456789" or len(code) != 1:
        return f"unknown (MPC code {code})" if code else "unknown"
    u = int(code)
    if u == 0:
        return f"MPC code 0: below {CODE_LIMITS_ARCSEC[0]:g} arcsec along the orbit in ten years"
    low = f"{CODE_LIMITS_ARCSEC[u - 1]:g}"
    reach = f"above {low}" if u == 9 else f"{low} to {CODE_LIMITS_ARCSEC[u]:g}"
    return f"MPC code {u}: {reach} arcsec along the orbit in ten years"

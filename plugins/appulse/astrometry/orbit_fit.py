"""Improve an orbit from its own residuals: least squares on the state, with the orbit's covariance as prior.

The partial derivatives of the places by the state come from the variational equations solved by central
differences: twelve neighbours of the orbit, integrated in the full force model together with it (Milani &
Gronchi 2010, Theory of Orbit Determination, chapter 5).
"""

from dataclasses import dataclass, replace

import numpy as np

from appulse.bodies import NBodyEphemeris, Orbit
from appulse.constants import ARCSEC_PER_RAD
from appulse.errors import InputError
from appulse.numerics import chi2_sf, offsets_rad, unit_from_radec

STEP = 1e-7
"""Displacement of the neighbours, relative to distance and speed: the places then move by tens of mas, far
above rounding and far below curvature."""
ROUNDS = 6
SETTLED_SIGMAS = 0.01
CLIP_CHI2 = 16.0
MIN_ARC_DAYS_WITHOUT_PRIOR = 10.0
LEAST_GAIN = 0.9
"""A correction that shrinks no direction's sigma below this share of the prior's gains nothing."""


@dataclass(frozen=True)
class OrbitFit:
    """An improved orbit.

    Parameters
    ----------
    orbit : Orbit
        With its new state and covariance.
    correction_sigmas : float
        Size of the correction in units of the prior's ellipsoid; NaN without one.
    gain : (6,) array
        Sigmas after over before, in the prior's own directions, best first; NaN without a prior.
    chi2_before, chi2_after : float
        Of the observations.
    dof : int
    used : (n,) bool array
        Observations that were not clipped.
    sentence : str
    """

    orbit: Orbit
    correction_sigmas: float
    gain: np.ndarray
    chi2_before: float
    chi2_after: float
    dof: int
    used: np.ndarray
    sentence: str


def improve_orbit(orbit: Orbit, residuals, observers) -> OrbitFit:
    """Correct an orbit by measured places of its body.

    Parameters
    ----------
    orbit : Orbit
        With covariance: it is the prior. Without, the observations must carry the orbit alone.
    residuals : sequence of Residual
        Measured ones of this body; the plate's zero point is taken off where there is one.
    observers : sequence of Site or SpacecraftVector
        One for each residual.

    Returns
    -------
    OrbitFit

    Raises
    ------
    InputError
        If nothing was measured, or the arc cannot carry the fit: the message says why.
    """
    pairs = [(r, o) for r, o in zip(residuals, observers, strict=True) if r.seen]
    if not pairs:
        raise InputError("no measured place: an orbit cannot be improved from nothing")
    measured = [_observed(r) for r, _ in pairs]
    times = [r.mid for r, _ in pairs]
    arc = (max(times) - min(times)).to_value("day")
    prior = None if orbit.covariance is None else np.asarray(orbit.covariance, float)[:6, :6]
    if prior is None and (len(pairs) < 6 or arc < MIN_ARC_DAYS_WITHOUT_PRIOR):
        raise InputError(
            f"{len(pairs)} observations over {arc:.2f} days cannot carry an orbit without a covariance: at "
            f"least 6 over {MIN_ARC_DAYS_WITHOUT_PRIOR:g} days are needed, or an orbit with covariance"
        )
    steps = STEP * np.repeat([np.linalg.norm(orbit.state[:3]), np.linalg.norm(orbit.state[3:])], 3)
    inverse_prior = np.zeros((6, 6)) if prior is None else _inverse(prior, steps)
    state, before, used = orbit.state.copy(), None, np.ones(len(pairs), bool)
    # Gauss-Newton about the orbit so far; the prior stays about the one that was given.
    for _ in range(ROUNDS):
        offset, partials = _linearise(orbit, state, steps, times, [o for _, o in pairs], measured)
        weights = np.array([np.linalg.inv(c) for _, _, c in measured])
        chi2 = np.einsum("ni,nij,nj->n", offset, weights, offset)
        before = float(chi2.sum()) if before is None else before
        design = partials[used]
        normal = np.einsum("nip,nij,njq->pq", design, weights[used], design) + inverse_prior
        right = np.einsum("nip,nij,nj->p", design, weights[used], offset[used])
        right -= inverse_prior @ ((state - orbit.state) / steps)
        covariance = _inverse_or_refuse(normal, len(pairs), arc)
        step = covariance @ right
        state = state + step * steps
        left = offset - partials @ step
        after = np.einsum("ni,nij,nj->n", left, weights, left)
        used = after < max(CLIP_CHI2, 1.2 * float(np.median(after)))
        if step @ normal @ step < SETTLED_SIGMAS**2:
            break
    else:
        raise InputError(
            "the correction did not settle: the places are too far from this orbit for small steps"
        )
    full = covariance * np.outer(steps, steps)
    new = replace(orbit, state=state, covariance=_with_extra(orbit, full), source=f"{orbit.source}, improved")
    gain = np.full(6, np.nan) if prior is None else _gain(prior, full, steps)
    moved = (state - orbit.state) / steps
    size = np.nan if prior is None else float(np.sqrt(moved @ inverse_prior @ moved))
    dof = 2 * int(used.sum()) - (6 if prior is None else 0)
    total = float(after[used].sum())
    words = _sentence(orbit, len(pairs), used, before, total, dof, gain, size, prior is not None)
    return OrbitFit(new, size, gain, before, total, dof, used, words)


def _observed(residual):
    """(ra, dec, covariance) of a measured place, plate off."""
    covariance = residual.covariance.copy()
    ra, dec = residual.ra_obs, residual.dec_obs
    if np.isfinite(residual.plate_offset).all():
        covariance = covariance + residual.plate_covariance
        dra, ddec = residual.plate_offset
        ra, dec = ra - dra / 3600 / np.cos(np.radians(dec)), dec - ddec / 3600
    return ra, dec, covariance


def _linearise(orbit, state, steps, times, observers, measured):
    """O-C (n, 2) in arcsec and its partials (n, 2, 6) by the state in units of the steps."""
    signs = np.concatenate([np.zeros((1, 6)), np.eye(6), -np.eye(6)])
    # The number stays: a massive asteroid is known by it, and must not be pulled by itself.
    orbits = [
        replace(orbit, designation=f"n{k}", name="", aliases=(), state=state + sign * steps,
                covariance=None, covariance_names=())
        for k, sign in enumerate(signs)
    ]  # fmt: skip
    ephemeris = NBodyEphemeris(orbits)
    offset, partials = np.empty((len(times), 2)), np.empty((len(times), 2, 6))
    # Outermost times first: the trajectories then span all of them at once.
    order = np.argsort([t.jd for t in times])
    for k in [order[0], order[-1], *order[1:-1]][: len(times)]:
        rows = ephemeris.at(times[k], observers[k])
        lines = unit_from_radec(np.asarray(rows["ra"].value), np.asarray(rows["dec"].value))
        seen = unit_from_radec(measured[k][0], measured[k][1])
        offset[k] = ARCSEC_PER_RAD * np.array(offsets_rad(lines[0], seen))
        moved = ARCSEC_PER_RAD * np.stack(offsets_rad(lines[0], lines[1:]), axis=0)
        partials[k] = 0.5 * (moved[:, :6] - moved[:, 6:])
    return offset, partials


def _inverse(covariance, steps):
    """Inverse of a covariance in units of the steps; directions without variance are held."""
    scaled = covariance / np.outer(steps, steps)
    values, vectors = np.linalg.eigh(scaled)
    values = np.maximum(values, 1e-14 * values.max())
    return (vectors / values) @ vectors.T


def _inverse_or_refuse(normal, count, arc):
    """Inverse of a normal matrix, refused where the observations leave a direction free."""
    # Scaled first: what counts is whether the elements can be told apart, not their units.
    scale = np.sqrt(np.diag(normal))
    if np.any(scale == 0) or np.linalg.cond(normal / np.outer(scale, scale)) > 1e15:
        raise InputError(
            f"{count} observations over {arc:.2f} days do not settle all six elements: give a longer arc, or "
            "an orbit with covariance"
        )
    return np.linalg.inv(normal / np.outer(scale, scale)) / np.outer(scale, scale)


def _gain(prior, posterior, steps):
    """Sigma ratios in the directions that the data changed most, best first."""
    white = np.linalg.cholesky(_inverse(prior, steps))
    values = np.linalg.eigvalsh(white.T @ (posterior / np.outer(steps, steps)) @ white)
    return np.sqrt(np.clip(values, 0.0, None))


def _with_extra(orbit, covariance):
    """The state's block is replaced; further parameters keep their variance, without correlation."""
    if orbit.covariance is None or len(orbit.covariance) == 6:
        return covariance
    full = np.zeros_like(np.asarray(orbit.covariance, float))
    full[:6, :6], full[6:, 6:] = covariance, np.asarray(orbit.covariance)[6:, 6:]
    return full


def _sentence(orbit, count, used, before, after, dof, gain, size, has_prior) -> str:
    words = (
        f"orbit of {orbit.designation} from {int(used.sum())} of {count} observations: chi-squared "
        f"{before:.1f} before, {after:.1f} after"
    )
    if not has_prior:
        return words + f" with {dof} degrees of freedom; no prior covariance was used."
    chance = chi2_sf(size**2, 6)
    words += f"; the correction is {size:.1f} sigma of the prior (chance {chance:.2g})"
    if np.min(gain) > LEAST_GAIN:
        return words + "; nothing is gained: the arc is too short or too rough for this orbit."
    return (
        words + f"; the best-improved direction's sigma shrinks to {100 * np.min(gain):.0f}% of what it was."
    )

"""The causes that a night is tried on, each a linear model of its O-C with what is known beforehand."""

from dataclasses import dataclass

import numpy as np

from appulse.astrometry.linear_motion import polynomial
from appulse.astrometry.night import Night

ALL_WELL, CLOCK, ORBIT, PLATE, OTHER = "all well", "clock", "orbit", "plate", "not this body"
CLOCK_DRIFT = "clock drift"
LEAST_TIMES = 3
"""Of frames, to tell a drift from an offset."""


@dataclass(frozen=True)
class Model:
    """One cause with its fit: parameters, covariance, chi-squared."""

    cause: str
    body: int
    chi2: float
    n_free: int
    parameters: np.ndarray
    covariance: np.ndarray


def fit_models(night: Night) -> list[Model]:
    """All causes that these data can test."""
    use = np.flatnonzero(night.used)
    many = len(night.names)
    models = [_fit(night, use, ALL_WELL, -1, np.zeros((len(use), 2, 0)))]
    moving = np.isfinite(night.speed[use]).all() and np.any(np.hypot(*night.speed[use].T) > 0)
    if moving:
        speed, hours = night.speed[use][:, :, None], night.hours[use][:, None, None]
        models.append(_fit(night, use, CLOCK, -1, speed))
        if len(np.unique(np.round(night.hours[use], 6))) >= LEAST_TIMES:
            models.append(_fit(night, use, CLOCK_DRIFT, -1, np.concatenate([speed, hours * speed], axis=2)))
    for body in range(many):
        mine = (night.body[use] == body)[:, None, None]
        models.append(_fit(night, use, ORBIT, body, mine * polynomial(night.hours[use], 0)))
        if len(np.unique(np.round(night.hours[use][mine[:, 0, 0]], 6))) >= 2:
            models.append(_fit(night, use, OTHER, body, mine * polynomial(night.hours[use], 1)))
    return models


def _fit(night: Night, use, cause, body, basis) -> Model:
    """Fit with what is known beforehand: ephemeris errors of the bodies, error of the clock."""
    known, prior = [], []
    for b in range(len(night.names)):
        if np.isfinite(night.prior[b]).all() and not (cause in (ORBIT, OTHER) and b == body):
            known.append((night.body[use] == b)[:, None, None] * polynomial(night.hours[use], 0))
            prior.append(np.linalg.pinv(night.prior[b], hermitian=True))
    speed = night.speed[use]
    if np.isfinite(night.clock_sigma_s) and cause not in (CLOCK, CLOCK_DRIFT) and np.isfinite(speed).all():
        known.append(speed[:, :, None])
        prior.append(np.array([[max(night.clock_sigma_s, 1e-9) ** -2]]))
    covariance = night.covariance[use].copy()
    _share_plates(night, use, covariance, known, prior)
    n_free = basis.shape[2]
    full = np.concatenate([basis, *known], axis=2)
    inverse = np.linalg.inv(covariance)
    normal = np.einsum("nip,nij,njq->pq", full, inverse, full)
    weight, at = np.zeros_like(normal), n_free
    for block in prior:
        weight[at : at + len(block), at : at + len(block)] = block
        at += len(block)
    right = np.einsum("nip,nij,nj->p", full, inverse, night.offset[use])
    cov = np.linalg.pinv(normal + weight, hermitian=True) if len(normal) else np.zeros((0, 0))
    parameters = cov @ right
    left = night.offset[use] - full @ parameters
    chi2 = float(np.einsum("ni,nij,nj->", left, inverse, left) + parameters @ weight @ parameters)
    return Model(cause, body, chi2, n_free, parameters[:n_free], cov[:n_free, :n_free])


def _share_plates(night: Night, use, covariance, known, prior) -> None:
    """Bodies of one frame share the error of its plate: one unknown for all of them, with its covariance."""
    names = np.array(night.frame)[use]
    for name in sorted(set(names)):
        rows = names == name
        plate = night.plate_covariance[use][rows]
        if rows.sum() > 1 and np.isfinite(plate).all():
            covariance[rows] -= plate
            known.append(rows[:, None, None] * polynomial(night.hours[use], 0))
            prior.append(np.linalg.inv(plate[0] + 1e-12 * np.eye(2)))

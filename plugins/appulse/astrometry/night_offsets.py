"""A night of residuals as one set of numbers: offsets, rates, times, covariances; straight and curved fits.

All offsets are O-C with the plate's zero point taken off where there is one, arcsec, (east, north).

What the frames of a night say about their own sigmas: frames that stand apart, and scatter left over.

Linear least squares on two-dimensional offsets: the fits behind a night's motions and verdict.
"""

from dataclasses import dataclass, field

import numpy as np

from appulse.errors import MeasurementError
from appulse.numerics.distributions import chi2_isf, chi2_sf, f_isf
from appulse.numerics.robust import extra_scatter


@dataclass
class Night:
    """Residuals of one or more bodies over some frames."""

    names: list
    body: np.ndarray
    frame: list
    hours: np.ndarray
    offset: np.ndarray
    covariance: np.ndarray
    speed: np.ndarray
    raw: np.ndarray
    plate: np.ndarray
    plate_covariance: np.ndarray
    prior: np.ndarray
    clock_sigma_s: float = np.nan
    used: np.ndarray = None
    floor: float = 0.0
    magnitude: np.ndarray = field(default=None)

    @property
    def corrected(self) -> bool:
        """Whether every offset has its plate's zero point taken off."""
        return bool(np.isfinite(self.plate).all())

    @property
    def outliers(self) -> list[str]:
        """Frames left out, with the body where there are several."""
        many = len(self.names) > 1
        return [
            f"{self.frame[i]} ({self.names[self.body[i]]})" if many else self.frame[i]
            for i in np.flatnonzero(~self.used)
        ]

    def of(self, body: int) -> np.ndarray:
        """Indices of the used residuals of a body."""
        return np.flatnonzero(self.used & (self.body == body))


@dataclass(frozen=True)
class Motion:
    """Fit of O-C against time for one body."""

    name: str
    order: int
    mean: np.ndarray
    mean_cov: np.ndarray
    drift: np.ndarray
    drift_cov: np.ndarray
    curve: np.ndarray
    curve_cov: np.ndarray
    rate: float
    motion_pa: float
    sigma_rate: float
    sigma_pa: float
    chi2: np.ndarray
    dof: np.ndarray
    curved: bool


def gather(residuals, *, clock_sigma_s: float | None = None) -> Night:
    """Collect the measured ones of a night's residuals; outliers are marked, missing scatter is added."""
    seen = [one for one in residuals if one.seen]
    if not seen:
        raise MeasurementError("no body was seen on any frame: there is nothing to judge")
    names = list(dict.fromkeys(one.designation for one in seen))
    zero = seen[0].mid
    hours = np.array([(one.mid - zero).to_value("hour") for one in seen])
    raw = np.array([[one.dra_cosdec, one.ddec] for one in seen])
    plate = np.array([one.plate_offset for one in seen])
    plate_cov = np.array([one.plate_covariance for one in seen])
    checked = np.isfinite(plate).all(axis=1)
    covariance = np.array([one.covariance for one in seen])
    covariance[checked] += plate_cov[checked]
    body = np.array([names.index(one.designation) for one in seen])
    rates = np.array([[one.prediction.ra_rate, one.prediction.dec_rate] for one in seen]) / 3600.0
    stated = [one.clock_sigma_s for one in seen if np.isfinite(one.clock_sigma_s)]
    clock = clock_sigma_s if clock_sigma_s is not None else (max(stated) if stated else np.nan)
    night = Night(
        names, body, [one.frame for one in seen], hours - hours.mean(),
        raw - np.where(checked[:, None], plate, 0.0),
        covariance, rates, raw, plate, plate_cov,
        np.array([_prior(seen, name) for name in names]), float(clock), np.ones(len(seen), bool),
        magnitude=np.array([[one.mag_obs, one.sigma_mag, one.prediction.mag] for one in seen]),
    )  # fmt: skip
    mark_outliers(night)
    add_floor(night)
    return night


def _prior(seen, name):
    """Ephemeris covariance of a body: the same error all night, that of its middle frame."""
    mine = [one.prediction.covariance for one in seen if one.designation == name]
    return mine[len(mine) // 2]


def fit_motion(night: Night, body: int = 0) -> Motion:
    """Straight and curved motion of one body's O-C."""
    use = night.of(body)
    hours, offset, covariance = night.hours[use], night.offset[use], night.covariance[use]
    n_times = len(np.unique(np.round(hours, 6)))
    fits = [
        solve(offset, covariance, polynomial(hours, order)) if n_times > order and (order < 2 or n_times > 3)
        else None
        for order in range(3)
    ]  # fmt: skip
    chi2 = np.array([np.nan if f is None else f[2] for f in fits])
    dof = np.array([2 * (len(use) - order - 1) for order in range(3)])
    curved = bool(fits[2] is not None and chi2_sf(chi2[1] - chi2[2], 2) < 0.01)
    order = 2 if curved else 1 if fits[1] is not None else 0
    nan2, nan22 = np.full(2, np.nan), np.full((2, 2), np.nan)
    parameters, cov, _ = fits[order]
    straight = fits[max(order, 1)]
    drift, drift_cov = (nan2, nan22) if straight is None else (straight[0][2:4], straight[1][2:4, 2:4])
    curve, curve_cov = (nan2, nan22) if fits[2] is None else (2 * fits[2][0][4:], 4 * fits[2][1][4:, 4:])
    rate = _measured_rate(night.speed[use].mean(axis=0) * 3600.0, drift, drift_cov)
    return Motion(
        night.names[body], order, parameters[:2], cov[:2, :2], drift, drift_cov, curve, curve_cov, *rate,
        chi2, dof, curved,
    )  # fmt: skip


def _measured_rate(predicted, drift, cov):
    """Rate, position angle and their sigmas of predicted + drift."""
    east, north = predicted + drift
    rate = float(np.hypot(east, north))
    if not rate > 0:
        return np.nan, np.nan, np.nan, np.nan
    along, across = np.array([east, north]) / rate, np.array([north, -east]) / rate
    sigma_rate = float(np.sqrt(along @ cov @ along))
    sigma_pa = float(np.degrees(np.sqrt(across @ cov @ across) / rate))
    return rate, float(np.degrees(np.arctan2(east, north)) % 360.0), sigma_rate, sigma_pa


OUTLIER_P = 1e-4
"""A frame is an outlier when its distance from the common motion is a chance smaller than this."""
FLOOR_FRAMES = 5
"""From so many frames of a body on, their own scatter is asked whether the sigmas are large enough."""


def mark_outliers(night) -> None:
    """One at a time, the worst first, while the rest still fixes a straight motion."""
    for body in range(len(night.names)):
        while len(night.of(body)) >= FLOOR_FRAMES:
            use = night.of(body)
            basis = polynomial(night.hours[use], 1)
            offset, covariance = night.offset[use], night.covariance[use]
            worst, worst_ratio = None, 1.0
            # A frame is judged by the motion of the others, and by their own scatter about it.
            for k in range(len(use)):
                rest = np.arange(len(use)) != k
                parameters, cov, chi2 = solve(offset[rest], covariance[rest], basis[rest])
                left = offset[k] - basis[k] @ parameters
                dof = 2 * (len(use) - 1) - 4
                excess = max(1.0, chi2 / dof)
                total = (covariance[k] + basis[k] @ cov @ basis[k].T) * excess
                f = left @ np.linalg.solve(total, left) / 2
                # chi2/dof of few frames is itself uncertain: the F distribution knows.
                limit = f_isf(OUTLIER_P, 2, dof) if excess > 1.0 else chi2_isf(OUTLIER_P, 2) / 2
                if f / limit > worst_ratio:
                    worst, worst_ratio = k, f / limit
            if worst is None:
                break
            night.used[use[worst]] = False


def add_floor(night) -> None:
    """Scatter about the straight motions beyond the sigmas, if its chance is below 1%, added to all."""
    left, sigma, lost = [], [], 0
    for body in range(len(night.names)):
        use = night.of(body)
        if len(use) < FLOOR_FRAMES:
            continue
        basis = polynomial(night.hours[use], 1)
        parameters, _, _ = solve(night.offset[use], night.covariance[use], basis)
        left.append((night.offset[use] - basis @ parameters).ravel())
        sigma.append(np.sqrt(np.einsum("nii->ni", night.covariance[use])).ravel())
        lost += 4
    if not left:
        return
    left, sigma = np.concatenate(left), np.concatenate(sigma)
    if chi2_sf(np.sum((left / sigma) ** 2), len(left) - lost) < 0.01:
        night.floor = extra_scatter(left, sigma, lost)
        night.covariance = night.covariance + night.floor**2 * np.eye(2)


def solve(offset, covariance, basis):
    """Weighted fit of vector offsets: parameters, their covariance and chi-squared."""
    inverse = np.linalg.inv(covariance)
    normal = np.einsum("nip,nij,njq->pq", basis, inverse, basis)
    right = np.einsum("nip,nij,nj->p", basis, inverse, offset)
    cov = np.linalg.pinv(normal, hermitian=True) if normal.size else np.zeros((0, 0))
    parameters = cov @ right
    left = offset - basis @ parameters
    return parameters, cov, float(np.einsum("ni,nij,nj->", left, inverse, left))


def polynomial(hours, order) -> np.ndarray:
    """Basis of a motion in both axes: (n, 2, 2 (order + 1)), parameters by order, east before north."""
    powers = np.stack([np.asarray(hours, dtype=float) ** k for k in range(order + 1)], axis=1)
    basis = np.zeros((len(powers), 2, 2 * (order + 1)))
    for k in range(order + 1):
        basis[:, 0, 2 * k] = basis[:, 1, 2 * k + 1] = powers[:, k]
    return basis

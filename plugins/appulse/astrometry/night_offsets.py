"""A night of residuals as one set of numbers: offsets, rates, times, covariances; straight and curved fits.

All offsets are O-C with the plate's zero point taken off where there is one, arcsec, (east, north).

::

    O-C |      o            gather: the measured residuals, frames that stand apart marked (x), scatter
        |   o     o         beyond the sigmas added to all
        | o     x   o       fit_motion: mean, drift and curve of one body's O-C
        +-------------- h
"""

from dataclasses import dataclass, replace

import numpy as np

from appulse.astrometry.elsewhere import over_frames
from appulse.bodies import body_label
from appulse.errors import MeasurementError
from appulse.numerics import chi2_isf, chi2_sf, extra_scatter, f_isf, normal_sf

OUTLIER_P = 1e-4
"""A frame is an outlier when its distance from the common motion is a chance smaller than this."""
FLOOR_FRAMES = 5
"""From so many frames of a body on, their own scatter is asked whether the sigmas are large enough."""
FLOOR_P = 0.01
CURVED_P = 0.01
NOT_SEEN = "not seen"
"""How the flag of a place begins at which nothing showed."""
LIMIT_MAG = 0.3
"""Sigma of a limit against a body's brightness, which a turning body and a changing sky shift."""
LEAST_MISSED, LEAST_UNCALIBRATED = 0.01, 0.1
"""A frame misses a bright body with this chance all the same, by what nobody thought of."""
RIM_SHARE = 0.05
"""The edge of the search circle in parts of its radius, a standard deviation: what stands at the rim on one
frame may be outside on the next (common practice, no source)."""
STAR_DOUBT_PX = 0.03
"""How far a star's image is off by what a fit does not know of it (common practice, no source)."""
DEFAULT_SEARCH = 3.0
"""arcsec, where a place comes without the radius searched, as observations of others do."""


@dataclass(frozen=True)
class NightOffsets:
    """O-C of one or more bodies over some frames, n of them; arcsec, east and north, time in hours."""

    names: list[str]  # of the bodies
    body: np.ndarray  # (n,) index into `names`
    frame: list[str]
    hours: np.ndarray  # (n,) from the mean of all
    offset: np.ndarray  # (n, 2) plate's zero point off where known
    covariance: np.ndarray  # (n, 2, 2) centroid, plate and `floor`
    speed: np.ndarray  # (n, 2) predicted motion, arcsec/s; NaN where unknown
    plate: np.ndarray  # (n, 2) zero points; NaN where the plate could not be checked
    plate_covariance: np.ndarray  # (n, 2, 2)
    plate_common: np.ndarray  # (2,) variance of the zero points that all frames share, arcsec^2
    exposure_s: np.ndarray  # (n,) NaN where unknown
    prior: np.ndarray  # (bodies, 2, 2) ephemeris covariance; NaN where unknown
    clock_sigma_s: float  # NaN where not stated
    used: np.ndarray  # (n,) False for outliers
    parallax: np.ndarray  # (n, 2, 3) change of O-C with the site's place on the Earth, arcsec/km; NaN unknown
    mirror_km: np.ndarray  # (n, 3) from the site to the one of the opposite longitude, Earth-fixed
    search: np.ndarray  # (n,) radius searched, arcsec
    n_missed: np.ndarray  # (bodies,) frames on which the body was looked for and does not show
    log_missed: np.ndarray  # (bodies,) log of the chance of that, if the light on the others is the body's
    elsewhere: tuple[dict[int, float], ...]  # of each body, if its lights are others'; last, of those unseen
    missed_elsewhere: tuple[dict[int, float], ...]  # the same of its missed frames, if its lights are its own
    floor: float = 0.0  # scatter that the frames show beyond their sigmas, per axis

    @property
    def corrected(self) -> bool:
        """Whether every offset has its plate's zero point taken off."""
        return bool(np.isfinite(self.plate).all())

    @property
    def outliers(self) -> list[str]:
        """Frames left out, with the body where there are several."""
        many = len(self.names) > 1
        return [
            f"{self.frame[i]}, {body_label(self.names[self.body[i]])}" if many else self.frame[i]
            for i in np.flatnonzero(~self.used)
        ]

    def of(self, body: int) -> np.ndarray:
        """Indices of the used residuals of a body."""
        return np.flatnonzero(self.used & (self.body == body))


@dataclass(frozen=True)
class Motion:
    """Fit of O-C against time for one body."""

    name: str
    drift: np.ndarray  # (2,) measured minus predicted motion, arcsec/h; NaN for fewer than two times
    drift_cov: np.ndarray
    rate: float  # predicted plus drift, arcsec/h; NaN where the prediction has none
    motion_pa: float  # degrees
    sigma_rate: float
    sigma_pa: float
    chi2: np.ndarray  # (3,) of constant, straight and curved motion; NaN where there are too few frames
    curved: bool  # whether the curve is needed, which takes four times


def gather(residuals, *, clock_sigma_s: float | None = None) -> NightOffsets:
    """The measured ones of a night's residuals: outliers marked, missing scatter added.

    Raises
    ------
    MeasurementError
        If no body was seen on any frame.
    """
    residuals = list(residuals)
    seen = [residual for residual in residuals if residual.seen]
    if not seen:
        raise MeasurementError("no body was seen on any frame: there is nothing to judge")
    names = list(dict.fromkeys(residual.designation for residual in seen))
    hours = np.array([(residual.mid - seen[0].mid).to_value("hour") for residual in seen])
    plate = np.array([residual.plate_offset for residual in seen])
    plate_cov = np.array([residual.plate_covariance for residual in seen])
    checked = np.isfinite(plate).all(axis=1)
    covariance = np.array([residual.covariance for residual in seen])
    covariance[checked] += plate_cov[checked]
    raw = np.array([[residual.dra_cosdec, residual.ddec] for residual in seen])
    rates = [[residual.prediction.ra_rate, residual.prediction.dec_rate] for residual in seen]
    # Frames may differ in what they state of their clock: the worst of them holds for the night.
    stated = [residual.clock_sigma_s for residual in seen if np.isfinite(residual.clock_sigma_s)]
    clock = clock_sigma_s if clock_sigma_s is not None else (max(stated) if stated else np.nan)
    night = NightOffsets(
        names=names, body=np.array([names.index(residual.designation) for residual in seen]),
        frame=[residual.frame for residual in seen], hours=hours - hours.mean(),
        offset=raw - np.where(checked[:, None], plate, 0.0), covariance=covariance,
        speed=np.array(rates) / 3600.0, plate=plate, plate_covariance=plate_cov,
        plate_common=_plate_common(seen), exposure_s=np.array([residual.exposure_s for residual in seen]),
        prior=np.array([_prior(seen, name) for name in names]), clock_sigma_s=float(clock),
        used=np.ones(len(seen), bool),
        parallax=np.array([residual.prediction.parallax for residual in seen]),
        mirror_km=np.array([residual.prediction.mirror_km for residual in seen]),
        search=np.nan_to_num(np.array([residual.search_arcsec for residual in seen]), nan=DEFAULT_SEARCH),
        n_missed=np.array([len(_missed(residuals, name)) for name in names]),
        log_missed=np.array([sum(_log_missed(residuals, name)) for name in names]),
        elsewhere=tuple(
            over_frames(residual for residual in residuals if (residual.designation in some) == is_in)
            for some, is_in in [*(([name], True) for name in names), (names, False)]
        ),
        missed_elsewhere=tuple(_missed_elsewhere(residuals, name) for name in names),
    )  # fmt: skip
    used, floor = _straight_or_turned(night)
    return replace(night, used=used, floor=floor, covariance=night.covariance + floor**2 * np.eye(2))


def _plate_common(seen) -> np.ndarray:
    """Variance per axis that the zero points of all frames share, arcsec^2.

    A star may be off its place by the same on every frame (a neighbour, its colour on a mosaic, its pixels
    where nothing moved): where one bright star has all the weight, the zero points are its own.
    """
    shares = {}
    for residual in seen:
        plate = residual.plate
        if plate is not None and plate.model is not None:
            stars = plate.stars[np.asarray(plate.stars["used"])]
            sigmas = np.column_stack([np.asarray(stars[name], float) for name in ("sigma_ra", "sigma_dec")])
            weights = 1.0 / np.maximum(sigmas**2 + np.square(plate.model.floor), 1e-12)
            share = np.sum(weights**2, axis=0) / np.sum(weights, axis=0) ** 2
            shares[residual.frame] = (STAR_DOUBT_PX * plate.pixel_scale) ** 2 * share
    return np.median(list(shares.values()), axis=0) if shares else np.zeros(2)


def _prior(seen, name):
    """Ephemeris covariance of a body: the same error all night, that of its middle frame."""
    mine = [residual.prediction for residual in seen if residual.designation == name]
    middle = mine[len(mine) // 2]
    if np.isfinite(middle.covariance).all():
        return middle.covariance
    return middle.typical_sigma**2 * np.eye(2)


def _missed(residuals, name) -> list:
    """Residuals of a body on the frames where it was looked for in vain; a star in the way says nothing."""
    return [
        residual
        for residual in residuals
        if residual.designation == name and not residual.seen and residual.flag.startswith(NOT_SEEN)
    ]


def _log_missed(residuals, name) -> list[float]:
    """Log of the chance that a light as bright as that of the other frames does not show, for each missed."""
    seen = [residual for residual in residuals if residual.designation == name and residual.seen]
    mags = [residual.mag_obs for residual in seen if np.isfinite(residual.mag_obs)]
    snr = float(np.median([residual.snr for residual in seen]))
    away = float(np.median([np.hypot(residual.dra_cosdec, residual.ddec) for residual in seen]))
    sigma = float(np.median([np.sqrt(np.trace(residual.covariance) / 2) for residual in seen]))
    log_chances = []
    for residual in _missed(residuals, name):
        log_chances.append(0.0)
        if mags and np.isfinite(residual.limit_mag):
            margin, least = residual.limit_mag - float(np.median(mags)), LEAST_MISSED
        elif np.isfinite(residual.threshold) and snr > 0:
            # Without brightness a cloud may be why.
            margin, least = 2.5 * np.log10(snr / residual.threshold), LEAST_UNCALIBRATED
        else:
            continue
        chance = max(least, float(normal_sf(margin / LIMIT_MAG)))
        radius = float(np.nan_to_num(residual.search_arcsec, nan=DEFAULT_SEARCH))
        outside = float(normal_sf((radius - away) / np.hypot(sigma, RIM_SHARE * radius)))
        log_chances[-1] = float(np.log(chance + (1.0 - chance) * outside))
    return log_chances


def _missed_elsewhere(residuals, name) -> dict[int, float]:
    """What the missed frames say if the body stands at the other place, and so not at its own."""
    missed = _missed(residuals, name)
    found = over_frames(missed)
    for residual, log_chance in zip(missed, _log_missed(residuals, name), strict=True):
        for place in residual.elsewhere:
            found[place.half_hours] -= log_chance
    return found


def _straight_or_turned(night: NightOffsets) -> tuple[np.ndarray, float]:
    """Which residuals to use, and what they scatter beyond their sigmas.

    A body seen from elsewhere on the turning Earth than was thought moves along a bow: that is no scatter.
    """
    used = _without_outliers(night)
    floor = _floor(replace(night, used=used))
    if used.all() and floor == 0.0:
        return used, floor
    mirrored = np.einsum("nij,nj->ni", night.parallax, night.mirror_km)
    if np.isfinite(mirrored).all() and np.any(mirrored):
        turned = replace(night, offset=night.offset - mirrored)
        kept = _without_outliers(turned)
        left = _floor(replace(turned, used=kept))
        if kept.sum() >= used.sum() and left <= floor:
            return kept, left
    return used, floor


def _without_outliers(night: NightOffsets) -> np.ndarray:
    """Which residuals to use: those that stand apart go, one at a time, while the rest fixes a motion."""
    used = night.used.copy()
    for body in range(len(night.names)):
        while True:
            rows = np.flatnonzero(used & (night.body == body))
            worst = _worst(night, rows) if len(rows) >= FLOOR_FRAMES else None
            # The worst first: one wild frame makes its neighbours look wild.
            if worst is None:
                break
            used[worst] = False
    return used


def _worst(night: NightOffsets, rows) -> int | None:
    """The residual farthest beyond what chance allows from the straight motion of the others."""
    basis, offset, covariance = polynomial(night.hours[rows], 1), night.offset[rows], night.covariance[rows]
    worst, worst_ratio = None, 1.0
    for k in range(len(rows)):
        # A frame is judged by the motion of the others, and by their own scatter about it.
        rest = np.arange(len(rows)) != k
        parameters, cov, chi2 = solve(offset[rest], covariance[rest], basis[rest])
        left = offset[k] - basis[k] @ parameters
        dof = 2 * (len(rows) - 1) - 4
        excess = max(1.0, chi2 / dof)
        total = (covariance[k] + basis[k] @ cov @ basis[k].T) * excess
        f = left @ np.linalg.solve(total, left) / 2
        # chi2/dof of few frames is itself uncertain: the F distribution knows.
        limit = f_isf(OUTLIER_P, 2, dof) if excess > 1.0 else chi2_isf(OUTLIER_P, 2) / 2
        if f / limit > worst_ratio:
            worst, worst_ratio = int(rows[k]), f / limit
    return worst


def _floor(night: NightOffsets) -> float:
    """Scatter about the straight motions beyond the sigmas, arcsec per axis; 0 where it can be chance."""
    left, sigma, lost = [], [], 0
    for body in range(len(night.names)):
        rows = night.of(body)
        if len(rows) < FLOOR_FRAMES:
            continue
        basis = polynomial(night.hours[rows], 1)
        parameters, _, _ = solve(night.offset[rows], night.covariance[rows], basis)
        left.append((night.offset[rows] - basis @ parameters).ravel())
        sigma.append(np.sqrt(np.einsum("nii->ni", night.covariance[rows])).ravel())
        lost += 4
    if not left:
        return 0.0
    left, sigma = np.concatenate(left), np.concatenate(sigma)
    chance = chi2_sf(np.sum((left / sigma) ** 2), len(left) - lost)
    return float(extra_scatter(left, sigma, lost)) if chance < FLOOR_P else 0.0


def fit_motion(night: NightOffsets, body: int = 0) -> Motion:
    """Straight and curved motion of one body's O-C."""
    use = night.of(body)
    hours, offset, covariance = night.hours[use], night.offset[use], night.covariance[use]
    n_times = len(np.unique(np.round(hours, 6)))
    fits = [
        solve(offset, covariance, polynomial(hours, order)) if n_times > order and (order < 2 or n_times > 3)
        else None
        for order in range(3)
    ]  # fmt: skip
    chi2 = np.array([np.nan if fit is None else fit[2] for fit in fits])
    curved = bool(fits[2] is not None and chi2_sf(chi2[1] - chi2[2], 2) < CURVED_P)
    # The drift of a curved motion is that of its own fit: a straight line through a bend depends on its ends.
    fit = fits[2 if curved else 1]
    drift, cov = (
        (np.full(2, np.nan), np.full((2, 2), np.nan)) if fit is None else (fit[0][2:4], fit[1][2:4, 2:4])
    )
    rate = _measured_rate(night.speed[use].mean(axis=0) * 3600.0, drift, cov)
    return Motion(night.names[body], drift, cov, *rate, chi2, curved)


def _measured_rate(predicted, drift, cov):
    """Rate, position angle and their sigmas of predicted + drift."""
    east, north = predicted + drift
    rate = float(np.hypot(east, north))
    if not rate > 0:
        return np.nan, np.nan, np.nan, np.nan
    # Errors along the motion change its rate, errors across it its direction.
    along, across = np.array([east, north]) / rate, np.array([north, -east]) / rate
    sigma_rate = float(np.sqrt(along @ cov @ along))
    sigma_pa = float(np.degrees(np.sqrt(across @ cov @ across) / rate))
    return rate, float(np.degrees(np.arctan2(east, north)) % 360.0), sigma_rate, sigma_pa


def solve(offset, covariance, basis, weight=None):
    """Weighted fit offset = basis @ parameters: parameters, their covariance and chi-squared.

    `offset` (n, 2), `covariance` (n, 2, 2), `basis` (n, 2, p); `weight` (p, p) holds parameters to 0, an
    inverse covariance of what is known of them.
    """
    weight = np.zeros((basis.shape[2],) * 2) if weight is None else weight
    inverse = np.linalg.inv(covariance)
    normal = np.einsum("nip,nij,njq->pq", basis, inverse, basis) + weight
    right = np.einsum("nip,nij,nj->p", basis, inverse, offset)
    # A pseudo-inverse, as causes and stated errors may leave a combination of parameters undetermined.
    cov = np.linalg.pinv(normal, hermitian=True) if normal.size else np.zeros((0, 0))
    parameters = cov @ right
    left = offset - basis @ parameters
    held = parameters @ weight @ parameters
    return parameters, cov, float(np.einsum("ni,nij,nj->", left, inverse, left) + held)


def polynomial(hours, order) -> np.ndarray:
    """Basis of a motion in both axes: (n, 2, 2 (order + 1)), parameters by order, east before north."""
    powers = np.stack([np.asarray(hours, dtype=float) ** k for k in range(order + 1)], axis=1)
    basis = np.zeros((len(powers), 2, 2 * (order + 1)))
    for k in range(order + 1):
        basis[:, 0, 2 * k] = basis[:, 1, 2 * k + 1] = powers[:, k]
    return basis

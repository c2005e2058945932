"""What the frames of a night say about their own sigmas: frames that stand apart, and scatter left over."""

import numpy as np

from appulse.astrometry.linear_motion import polynomial, solve
from appulse.numerics.distributions import chi2_isf, chi2_sf, f_isf
from appulse.numerics.robust import extra_scatter

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

"""A verdict in a sentence."""

import numpy as np

from appulse.numerics.distributions import chi2_sf

DRIFT_P = 5e-3
"""A drift of an orbit is spoken of when its chance is smaller than this."""


def sentence(verdict) -> str:
    """The verdict in words, with its numbers.

    Parameters
    ----------
    verdict : Verdict

    Returns
    -------
    str
    """
    frames = len(set(verdict.night.frame))
    head = _HEAD[verdict.cause](verdict)
    parts = [head]
    if verdict.drifts and verdict.cause in _DRIFT:
        parts.append(_drift(verdict))
    if verdict.plate_off and verdict.cause != "plate":
        parts.append(
            f"the plate is off by {_vector(verdict.plate_offset, verdict.plate_covariance)}, taken off"
        )
    if not verdict.night.corrected:
        parts.append("the plate was not checked on every frame, so an offset may be the plate's")
    if verdict.night.outliers:
        parts.append("outliers left out: " + ", ".join(verdict.night.outliers))
    if verdict.night.floor > 0:
        parts.append(f"the frames scatter by {verdict.night.floor:.3f} arcsec beyond their sigmas")
    if not np.isfinite(verdict.clock_offset_s):
        parts.append("without the bodies' predicted motion the clock cannot be judged")
    if frames == 1:
        parts.append("one frame alone cannot show a wrong rate")
    text = "; ".join(parts)
    return text[0].upper() + text[1:] + "."


def _vector(value, cov) -> str:
    sigma = np.maximum(np.sqrt(np.diag(cov)), 0.001)
    return f"{value[0]:+.3f} ± {sigma[0]:.3f} arcsec east, {value[1]:+.3f} ± {sigma[1]:.3f} north"


def _seconds(verdict) -> str:
    return f"{verdict.clock_offset_s:+.1f} ± {verdict.clock_sigma_s:.1f} s (true minus recorded)"


def _drift(verdict) -> str:
    drift, sigma = verdict.clock_drift
    return (
        f"the offset along the track changes by {drift:+.1f} ± {sigma:.1f} s of motion an hour: "
        f"{_DRIFT[verdict.cause]}"
    )


def _well(verdict) -> str:
    return f"all well: O-C {_vector(verdict.orbit_offset, verdict.orbit_covariance)}"


def _clock(verdict) -> str:
    return f"the clock is off by {_seconds(verdict)}"


def _orbit(verdict) -> str:
    words = f"the orbit of {verdict.body} is off by {_vector(verdict.orbit_offset, verdict.orbit_covariance)}"
    motion = next(m for m in verdict.motions if m.name == verdict.body)
    if chi2_sf(motion.chi2[0] - motion.chi2[1], 2) < DRIFT_P:
        words += f", and it drifts from it by {np.hypot(*motion.drift):.2f} arcsec/h"
    return words


def _both(verdict) -> str:
    if verdict.drifts:
        return (
            f"clock or orbit: along the track only, as a clock off by {_seconds(verdict)} at the middle of "
            "the night would give; a second body of another rate would tell"
        )
    return (
        f"clock or orbit: an offset along the track only, as a clock off by {_seconds(verdict)} would give, "
        f"or an orbit off by {_vector(verdict.orbit_offset, verdict.orbit_covariance)}; a stated clock "
        "error, the orbit's covariance or a second body of another rate would tell"
    )


def _plate(verdict) -> str:
    return (
        f"the plate is off by {_vector(verdict.plate_offset, verdict.plate_covariance)}; with that taken off "
        "the body is where it should be"
    )


def _other(verdict) -> str:
    motion = next(m for m in verdict.motions if m.name == verdict.body)
    words = f"not {verdict.body}: it drifts from its place by {np.hypot(*motion.drift):.2f} arcsec/h"
    if np.isfinite(motion.rate):
        words += (
            f" (measured {motion.rate:.2f} ± {motion.sigma_rate:.2f} arcsec/h at "
            f"{motion.motion_pa:.1f} ± {motion.sigma_pa:.1f} degrees)"
        )
    return words


def _open(verdict) -> str:
    words = f"can't tell: O-C {_vector(verdict.orbit_offset, verdict.orbit_covariance)}"
    if np.isfinite(verdict.plate_offset).all():
        words += f", plates' zero point {_vector(verdict.plate_offset, verdict.plate_covariance)}"
    return words + "; not all of it is chance, but these data do not single out a cause"


_DRIFT = {
    "clock": "the clock drifts",
    "orbit": "the orbit's rate is off as well",
    "clock or orbit": "a clock that drifts, or an orbit whose rate is off",
    "can't tell": "a clock that drifts, an orbit's rate, or plates that are not checked",
}

_HEAD = {
    "all well": _well,
    "clock": _clock,
    "orbit": _orbit,
    "clock or orbit": _both,
    "plate": _plate,
    "not this body": _other,
    "can't tell": _open,
}

"""What is wrong, if anything: the clock, the plate, the orbit, or is it another body?

Every cause is a linear model of the night's O-C, and each gets its chi-squared:

=============  ==========================================  ===========================================
all well       0                                           ephemeris and clock within their stated sigma
clock          rate x tau                                  one tau (s) for all bodies and frames
clock drift    rate x (tau + drift x t)                    said along with clock, orbit or both
orbit          a constant (east, north) of one body        across the track as well as along
not this body  constant + drift of one body                it moves at another rate or in another direction
plate          the stars' own zero point is not 0          judged on the stars alone
=============  ==========================================  ===========================================

A clock error is an orbit error along the track of one body: they part only by a stated clock sigma, by the
orbit's covariance, by an offset across, or by a second body of another rate.

The limits are chances of the likelihood ratio (Wilks 1938, Ann. Math. Stat. 9, 60), corrected for the number
of causes tried: a cause is named below `NAMED_P`; between that and `SUSPECT_P` the data cannot tell.
"""

from dataclasses import dataclass, replace

import numpy as np
from astropy.table import Table

from appulse.astrometry.linear_motion import polynomial, solve
from appulse.astrometry.night import Motion, Night, fit_motion, gather
from appulse.astrometry.verdict_models import (
    ALL_WELL,
    CLOCK,
    CLOCK_DRIFT,
    ORBIT,
    OTHER,
    PLATE,
    Model,
    fit_models,
)
from appulse.astrometry.verdict_words import sentence
from appulse.numerics.distributions import chi2_sf

NAMED_P = 5e-3
"""An effect of five sigmas, which noise may bring down to 3.3, is then named in 95 nights of 100."""
SUSPECT_P = 1e-2
INDEPENDENT = 0.6
"""Causes contain each other: so many of those tried count as trials of their own (measured on 700 nights of
nothing: 2.3 of 4 for one body, 3.5 of 6 for two)."""
SEPARATE_P = 2e-3
"""Two causes are told apart when the worse one's misfit has a smaller chance than this."""
DRIFT_SHARE = 0.01
"""A drift below one per cent of the body's motion may be its orbit's; above it, it is another body (common
practice, no source: an orbit error of an arcsecond changes the rate by far less)."""
CLOCK_OR_ORBIT, CANT_TELL = "clock or orbit", "can't tell"


@dataclass(frozen=True)
class Verdict:
    """The verdict of a night.

    Parameters
    ----------
    cause : str
        'all well', 'clock', 'orbit', 'clock or orbit', 'plate', 'not this body' or "can't tell"; where the
        plate is off as well, `plate_off` says so.
    sentence : str
    body : str
        The one that an orbit or identity verdict is about; else empty.
    clock_offset_s, clock_sigma_s : float
        True minus recorded time, s, as the along-track residuals give it; NaN without motion.
    orbit_offset, orbit_covariance : (2,), (2, 2) arrays
        Mean O-C of that body (or the first), arcsec.
    plate_offset, plate_covariance : (2,), (2, 2) arrays
        Mean zero point of the plates; NaN where none was checked.
    plate_off : bool
    alternatives : Table
        ``cause, body, chi2, parameters, dof, probability, bic, words``: every cause tried.
    motions : tuple of Motion
    night : Night
    drifts : bool
        Whether the offset along the track changes with time, by more than chance.
    clock_drift : (float, float)
        By how much, s of motion per hour, and its sigma; NaN with fewer than three times.
    """

    cause: str
    sentence: str
    body: str
    clock_offset_s: float
    clock_sigma_s: float
    orbit_offset: np.ndarray
    orbit_covariance: np.ndarray
    plate_offset: np.ndarray
    plate_covariance: np.ndarray
    plate_off: bool
    alternatives: Table
    motions: tuple[Motion, ...]
    night: Night
    drifts: bool = False
    clock_drift: tuple[float, float] = (np.nan, np.nan)


def judge(residuals, *, clock_sigma_s: float | None = None) -> Verdict:
    """Judge a night.

    Parameters
    ----------
    residuals : sequence of Residual
        Of one or more bodies on one or more frames; those not seen are passed over.
    clock_sigma_s : float, optional
        Stated error of the clock, s; by default that of the frames, if any.

    Returns
    -------
    Verdict

    Raises
    ------
    MeasurementError
        If no body was seen at all.
    """
    night = gather(residuals, clock_sigma_s=clock_sigma_s)
    models = fit_models(night)
    motions = tuple(fit_motion(night, b) for b in range(len(night.names)))
    plate, plate_cov, plate_chance, plate_chi2 = _plate(night)
    plate_off = bool(plate_chance < NAMED_P)
    drifts = _drifts(models)
    cause, model = _decide(night, models)
    if drifts and cause in (ALL_WELL, CANT_TELL, CLOCK, ORBIT, CLOCK_OR_ORBIT):
        cause, model = _drift_of_what(night, models)
    if cause == ALL_WELL and plate_chance < SUSPECT_P:
        cause = PLATE if plate_off else CANT_TELL
    drift = _of(models, CLOCK_DRIFT)
    clock = drift if drifts else _of(models, CLOCK)
    body = model.body if model.body >= 0 else 0
    orbit = next(m for m in models if m.cause == ORBIT and m.body == body)
    tau, sigma = (np.nan, np.nan) if clock is None else (clock.parameters[0], clock.covariance[0, 0] ** 0.5)
    table = _table(night, models, plate_chi2)
    verdict = Verdict(
        cause, "", night.names[body] if model.body >= 0 else "", float(tau), float(sigma),
        orbit.parameters[:2], orbit.covariance[:2, :2], plate, plate_cov, plate_off, table, motions, night,
        drifts and cause != OTHER, _drift_of(drift),
    )  # fmt: skip
    return replace(verdict, sentence=sentence(verdict))


def _plate(night: Night):
    """Mean zero point of the plates and the chance that it is 0."""
    checked = np.isfinite(night.plate).all(axis=1)
    if not checked.any():
        return np.full(2, np.nan), np.full((2, 2), np.nan), 1.0, (np.nan, np.nan, 0)
    # Bodies of one frame share its plate: count each frame once.
    first = {night.frame[i]: i for i in np.flatnonzero(checked)[::-1]}
    rows = np.array(sorted(first.values()))
    cov = night.plate_covariance[rows] + 1e-12 * np.eye(2)
    nothing = np.zeros((len(rows), 2, 0))
    _, _, chi2_zero = solve(night.plate[rows], cov, nothing)
    mean, mean_cov, chi2 = solve(night.plate[rows], cov, polynomial(np.zeros(len(rows)), 0))
    return mean, mean_cov, chi2_sf(chi2_zero - chi2, 2), (chi2_zero, chi2, len(rows))


# --- decision


def _decide(night: Night, models) -> tuple[str, Model]:
    null = models[0]
    tried = models[1:]
    trials = INDEPENDENT * len(tried)
    chance = {id(m): chi2_sf(null.chi2 - m.chi2, m.n_free) * trials for m in tried}
    best = min(tried, key=lambda m: chance[id(m)])
    if chance[id(best)] > SUSPECT_P:
        return ALL_WELL, null
    if chance[id(best)] > NAMED_P:
        return CANT_TELL, null
    for body in range(len(night.names)):
        other = _of(models, OTHER, body)
        if other is not None and _is_other(night, models, body, other):
            return OTHER, other
    return _clock_or_orbit(night, models)


def _of(models, cause, body=-1):
    return next((m for m in models if m.cause == cause and m.body == body), None)


def _is_other(night, models, body, other) -> bool:
    """A drift that neither a constant offset nor a clock explains, large against the motion."""
    orbit, clock = _of(models, ORBIT, body), _of(models, CLOCK)
    if chi2_sf(orbit.chi2 - other.chi2, 2) * len(models) > NAMED_P:
        return False
    if clock is not None and chi2_sf(max(clock.chi2 - other.chi2, 0), 3) > SEPARATE_P:
        return False
    drift = float(np.hypot(*other.parameters[2:4]))
    speeds = night.speed[night.of(body)]
    motion = 3600 * float(np.hypot(*speeds.mean(axis=0))) if np.isfinite(speeds).all() else np.nan
    return not drift < DRIFT_SHARE * motion


def _drifts(models) -> bool:
    """Whether an offset along the track that changes with time explains more than one that does not."""
    clock, drift = _of(models, CLOCK), _of(models, CLOCK_DRIFT)
    if drift is None:
        return False
    return bool(chi2_sf(clock.chi2 - drift.chi2, 1) * INDEPENDENT * (len(models) - 1) < NAMED_P)


def _drift_of(drift) -> tuple[float, float]:
    """Drift and sigma, s per hour."""
    if drift is None:
        return np.nan, np.nan
    return float(drift.parameters[1]), float(drift.covariance[1, 1] ** 0.5)


def _drift_of_what(night, models) -> tuple[str, Model]:
    """A clock that drifts, or the rate of an orbit: one body alone cannot tell while it keeps its track."""
    drift = _of(models, CLOCK_DRIFT)
    if not night.corrected:
        return CANT_TELL, models[0]
    other = min((m for m in models if m.cause == OTHER), key=lambda m: m.chi2, default=None)
    if other is None:  # every body on one frame only: none has a rate of its own
        return CLOCK_OR_ORBIT, drift
    if chi2_sf(drift.chi2 - other.chi2, 2) < SEPARATE_P:
        return ORBIT, other
    if chi2_sf(other.chi2 - drift.chi2, 1) < SEPARATE_P:
        return CLOCK, drift
    return CLOCK_OR_ORBIT, drift


def _clock_or_orbit(night, models) -> tuple[str, Model]:
    clock = _of(models, CLOCK)
    orbits = [m for m in models if m.cause == ORBIT]
    orbit = min(orbits, key=lambda m: m.chi2)
    clock_fails = clock is not None and chi2_sf(max(clock.chi2 - orbit.chi2, 0), 1) < SEPARATE_P
    orbit_fails = clock is not None and chi2_sf(max(orbit.chi2 - clock.chi2, 0), 1) < 3 * SEPARATE_P
    if clock is None:
        # Without the motion an error of the clock cannot be ruled out.
        return CANT_TELL, models[0]
    if not night.corrected:
        # Without stars a constant offset is as well the plate's.
        return (CLOCK, clock) if orbit_fails else (CANT_TELL, models[0])
    if len(night.names) > 1 and clock_fails and _several_off(night, orbit):
        return CANT_TELL, models[0]
    if clock_fails and not orbit_fails:
        return ORBIT, orbit
    if orbit_fails and not clock_fails:
        return CLOCK, clock
    if clock_fails and orbit_fails:
        return CANT_TELL, models[0]
    clock_known = np.isfinite(night.clock_sigma_s)
    orbit_known = np.isfinite(night.prior[orbit.body]).all()
    # A stated sigma was exceeded by the 'all well' model: the cause without one is the likelier.
    if clock_known and not orbit_known:
        return ORBIT, orbit
    if orbit_known and not clock_known:
        return CLOCK, clock
    return CLOCK_OR_ORBIT, clock


def _several_off(night, orbit) -> bool:
    """Whether one orbit's error leaves others unexplained: something common then cannot be named."""
    dof = 2 * int(night.used.sum()) - orbit.n_free
    return dof > 0 and chi2_sf(orbit.chi2, dof) < NAMED_P


def _table(night, models, plate_chi2) -> Table:
    """Every cause with its chi-squared; the plate's is that of the stars alone."""
    n = 2 * int(night.used.sum())
    rows = []
    for m in models:
        body = night.names[m.body] if m.body >= 0 else ""
        dof = max(n - m.n_free, 0)
        p = float(chi2_sf(m.chi2, dof)) if dof else np.nan
        rows.append(
            (m.cause, body, m.chi2, m.n_free, dof, p, m.chi2 + m.n_free * np.log(max(n, 2)), "body's O-C")
        )
    zero, mean, count = plate_chi2
    if count:
        for words, chi2, free in (("stars: plate right", zero, 0), ("stars: plate off", mean, 2)):
            dof = 2 * count - free
            p = float(chi2_sf(chi2, dof)) if dof else np.nan
            rows.append((PLATE, "", chi2, free, dof, p, chi2 + free * np.log(max(2 * count, 2)), words))
    names = ("cause", "body", "chi2", "parameters", "dof", "probability", "bic", "words")
    return Table(rows=rows, names=names)

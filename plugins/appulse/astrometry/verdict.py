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

from appulse.astrometry.night_offsets import Motion, NightOffsets, fit_motion, gather, polynomial, solve
from appulse.bodies import body_label
from appulse.numerics import chi2_sf

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
DRIFT_P = 5e-3
"""A drift of an orbit is spoken of when its chance is smaller than this."""
LEAST_TIMES = 3
"""Of frames, to tell a drift from an offset."""

ALL_WELL, CLOCK, ORBIT, PLATE, OTHER = "all well", "clock", "orbit", "plate", "not this body"
CLOCK_DRIFT, CLOCK_OR_ORBIT, CANT_TELL = "clock drift", "clock or orbit", "can't tell"


@dataclass(frozen=True)
class Model:
    """One cause with its fit: parameters, covariance, chi-squared."""

    cause: str
    body: int
    chi2: float
    n_free: int
    parameters: np.ndarray
    covariance: np.ndarray


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
    night : NightOffsets
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
    night: NightOffsets
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

    Examples
    --------
    >>> import appulse
    >>> frames = [appulse.example_frame(number) for number in (1, 2)]
    >>> night = appulse.measure_night(frames, appulse.open_bodies("7"))
    >>> appulse.judge(night.residuals).cause
    'all well'
    """
    night = gather(residuals, clock_sigma_s=clock_sigma_s)
    models = fit_models(night)
    plate, plate_cov, plate_chance, plate_chi2 = _plate_zero(night)
    drifts = _drifts(models)
    cause, model = _decide(night, models)
    if drifts and cause in (ALL_WELL, CANT_TELL, CLOCK, ORBIT, CLOCK_OR_ORBIT):
        cause, model = _drift_of_what(night, models)
    # The bodies' O-C has the zero point taken off: an error of the plate shows in its stars alone.
    if cause == ALL_WELL and plate_chance < SUSPECT_P:
        cause = PLATE if plate_chance < NAMED_P else CANT_TELL
    drift = _of(models, CLOCK_DRIFT)
    clock = drift if drifts else _of(models, CLOCK)
    body = max(model.body, 0)
    orbit = _of(models, ORBIT, body)
    verdict = Verdict(
        cause=cause, sentence="", body=night.names[body] if model.body >= 0 else "",
        clock_offset_s=np.nan if clock is None else float(clock.parameters[0]),
        clock_sigma_s=np.nan if clock is None else float(clock.covariance[0, 0] ** 0.5),
        orbit_offset=orbit.parameters[:2], orbit_covariance=orbit.covariance[:2, :2],
        plate_offset=plate, plate_covariance=plate_cov, plate_off=bool(plate_chance < NAMED_P),
        alternatives=_table(night, models, plate_chi2),
        motions=tuple(fit_motion(night, b) for b in range(len(night.names))), night=night,
        drifts=drifts and cause != OTHER,
        clock_drift=(np.nan, np.nan) if drift is None
        else (float(drift.parameters[1]), float(drift.covariance[1, 1] ** 0.5)),
    )  # fmt: skip
    return replace(verdict, sentence=sentence(verdict))


def _plate_zero(night: NightOffsets):
    """Mean zero point of the plates and the chance that it is 0."""
    checked = np.isfinite(night.plate).all(axis=1)
    if not checked.any():
        return np.full(2, np.nan), np.full((2, 2), np.nan), 1.0, (np.nan, np.nan, 0)
    # Bodies of one frame share its plate: count each frame once.
    first = {night.frame[i]: i for i in np.flatnonzero(checked)[::-1]}
    rows = np.array(sorted(first.values()))
    cov = night.plate_covariance[rows] + 1e-12 * np.eye(2)
    _, _, chi2_zero = solve(night.plate[rows], cov, np.zeros((len(rows), 2, 0)))
    mean, mean_cov, chi2 = solve(night.plate[rows], cov, polynomial(np.zeros(len(rows)), 0))
    return mean, mean_cov, chi2_sf(chi2_zero - chi2, 2), (chi2_zero, chi2, len(rows))


def _decide(night: NightOffsets, models) -> tuple[str, Model]:
    """Is it more than chance, is it another body, is it clock or orbit?"""
    null = models[0]
    tried = models[1:]
    trials = INDEPENDENT * len(tried)
    chance = {id(m): chi2_sf(null.chi2 - m.chi2, m.n_free) * trials for m in tried}
    best = min(tried, key=lambda model: chance[id(model)])
    if chance[id(best)] > SUSPECT_P:
        return ALL_WELL, null
    if chance[id(best)] > NAMED_P:
        return CANT_TELL, null
    for body in range(len(night.names)):
        other = _of(models, OTHER, body)
        if other is not None and _is_other(night, models, body, other):
            return OTHER, other
    return _clock_or_orbit(night, models)


def _of(models, cause, body=-1) -> Model | None:
    """The model of a cause; None where these data could not test it."""
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


def _drift_of_what(night, models) -> tuple[str, Model]:
    """A clock that drifts, or the rate of an orbit: one body alone cannot tell while it keeps its track."""
    drift = _of(models, CLOCK_DRIFT)
    if not night.corrected:
        return CANT_TELL, models[0]
    other = min(
        (model for model in models if model.cause == OTHER), key=lambda model: model.chi2, default=None
    )
    if other is None:
        # Every body on one frame only: none has a rate of its own.
        return CLOCK_OR_ORBIT, drift
    if chi2_sf(drift.chi2 - other.chi2, 2) < SEPARATE_P:
        return ORBIT, other
    if chi2_sf(other.chi2 - drift.chi2, 1) < SEPARATE_P:
        return CLOCK, drift
    return CLOCK_OR_ORBIT, drift


def _clock_or_orbit(night, models) -> tuple[str, Model]:
    """Two causes of an offset that stays: told apart by what each leaves, else by what was stated of them."""
    clock = _of(models, CLOCK)
    orbit = min((model for model in models if model.cause == ORBIT), key=lambda model: model.chi2)
    #               clock | fits            fails
    #    orbit  fits      | sigmas decide   orbit
    #           fails     | clock           can't tell
    # One parameter against two: the orbit, which can explain more, is given up a little sooner.
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

    def add(cause, body, chi2, free, n, words):
        dof = max(n - free, 0)
        chance = float(chi2_sf(chi2, dof)) if dof else np.nan
        rows.append((cause, body, chi2, free, dof, chance, chi2 + free * np.log(max(n, 2)), words))

    for model in models:
        body = night.names[model.body] if model.body >= 0 else ""
        add(model.cause, body, model.chi2, model.n_free, n, "body's O-C")
    zero, mean, count = plate_chi2
    if count:
        add(PLATE, "", zero, 0, 2 * count, "stars: plate as solved")
        add(PLATE, "", mean, 2, 2 * count, "stars: plate shifted")
    names = ("cause", "body", "chi2", "parameters", "dof", "probability", "bic", "words")
    return Table(rows=rows, names=names)


def fit_models(night: NightOffsets) -> list[Model]:
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


def _fit(night: NightOffsets, use, cause: str, body: int, basis) -> Model:
    """One cause, with all that is known beforehand of the others."""
    extra, covariance = _shared_plates(night, use)
    extra = [*_expected_errors(night, use, cause, body), *extra]
    n_free, n_all = basis.shape[2], basis.shape[2] + sum(unknown.shape[2] for unknown, _ in extra)
    # Nuisances are fitted along, held to 0 by what is known of them; the cause itself is free.
    weight, at = np.zeros((n_all, n_all)), n_free
    for _, block in extra:
        weight[at : at + len(block), at : at + len(block)] = block
        at += len(block)
    full = np.concatenate([basis, *(unknown for unknown, _ in extra)], axis=2)
    parameters, cov, chi2 = solve(night.offset[use], covariance, full, weight)
    return Model(cause, body, chi2, n_free, parameters[:n_free], cov[:n_free, :n_free])


def _expected_errors(night: NightOffsets, use, cause: str, body: int):
    """Errors that are stated: (basis, inverse covariance) of the bodies' ephemerides and of the clock."""
    for b in range(len(night.names)):
        if np.isfinite(night.prior[b]).all() and not (cause in (ORBIT, OTHER) and b == body):
            mine = (night.body[use] == b)[:, None, None]
            yield mine * polynomial(night.hours[use], 0), np.linalg.pinv(night.prior[b], hermitian=True)
    speed = night.speed[use]
    if np.isfinite(night.clock_sigma_s) and cause not in (CLOCK, CLOCK_DRIFT) and np.isfinite(speed).all():
        yield speed[:, :, None], np.array([[max(night.clock_sigma_s, 1e-9) ** -2]])


def _shared_plates(night: NightOffsets, use):
    """Bodies of one frame share the error of its plate: one unknown for all of them, with its covariance."""
    extra, covariance = [], night.covariance[use].copy()
    names = np.array(night.frame)[use]
    for name in sorted(set(names)):
        rows = names == name
        plate = night.plate_covariance[use][rows]
        if rows.sum() > 1 and np.isfinite(plate).all():
            # It must not count twice: out of each body's own covariance.
            covariance[rows] -= plate
            block = np.linalg.inv(plate[0] + 1e-12 * np.eye(2))
            extra.append((rows[:, None, None] * polynomial(night.hours[use], 0), block))
    return extra, covariance


DRIFT_OF = {
    CLOCK: "the clock drifts",
    ORBIT: "the orbit's rate is off as well",
    CLOCK_OR_ORBIT: "a clock that drifts, or an orbit whose rate is off",
    CANT_TELL: "a clock that drifts, an orbit's rate, or plates that are not checked",
}


def sentence(verdict: Verdict) -> str:
    """The verdict in words, with its numbers."""
    night, plate = verdict.night, _vector(verdict.plate_offset, verdict.plate_covariance)
    parts = [_headline(verdict, plate)]
    if verdict.drifts and verdict.cause in DRIFT_OF:
        drift, sigma = verdict.clock_drift
        parts.append(
            f"the offset along the track changes by {drift:+.1f} ± {sigma:.1f} s of motion an hour: "
            f"{DRIFT_OF[verdict.cause]}"
        )
    if verdict.plate_off and verdict.cause != PLATE:
        parts.append(f"the plate solution is shifted by {plate}, and the places are plate-corrected")
    if not night.corrected:
        parts.append("the plate was not checked on every frame, so an offset may be the plate's")
    if night.outliers:
        parts.append("outliers left out: " + ", ".join(night.outliers))
    if night.floor > 0:
        parts.append(f"the frames scatter by {night.floor:.3f} arcsec beyond their sigmas")
    if not np.isfinite(verdict.clock_offset_s):
        parts.append("without the bodies' predicted motion the clock cannot be judged")
    if len(set(night.frame)) == 1:
        parts.append("one frame alone cannot show a wrong rate")
    text = "; ".join(parts)
    return text[0].upper() + text[1:] + "."


def _headline(verdict: Verdict, plate: str) -> str:
    """The cause, with the numbers that belong to it."""
    cause, orbit = verdict.cause, _vector(verdict.orbit_offset, verdict.orbit_covariance)
    clock = f"{verdict.clock_offset_s:+.1f} ± {verdict.clock_sigma_s:.1f} s (true minus recorded)"
    motion = next((motion for motion in verdict.motions if motion.name == verdict.body), None)
    if cause == ALL_WELL:
        return f"all well: O-C {orbit}"
    if cause == CLOCK:
        return f"the clock is off by {clock}"
    if cause == ORBIT:
        words = f"the orbit of {body_label(verdict.body)} is off by {orbit}"
        if chi2_sf(motion.chi2[0] - motion.chi2[1], 2) < DRIFT_P:
            words += f", and it drifts from it by {np.hypot(*motion.drift):.2f} arcsec/h"
        return words
    if cause == CLOCK_OR_ORBIT and verdict.drifts:
        return (
            f"clock or orbit: along the track only, as a clock off by {clock} at the middle of "
            "the night would give; a second body of another rate would decide"
        )
    if cause == CLOCK_OR_ORBIT:
        return (
            f"clock or orbit: an offset along the track only, as a clock off by {clock} would give, "
            f"or an orbit off by {orbit}; a stated clock error, the orbit's covariance or a second body of "
            "another rate would tell"
        )
    if cause == PLATE:
        words = f"the plate solution is shifted by {plate}; plate-corrected, "
        return words + "the body is where it should be"
    if cause == OTHER:
        drift = np.hypot(*motion.drift)
        words = f"not {body_label(verdict.body)}: it drifts from its place by {drift:.2f} arcsec/h"
        if np.isfinite(motion.rate):
            words += (
                f" (measured {motion.rate:.2f} ± {motion.sigma_rate:.2f} arcsec/h at "
                f"{motion.motion_pa:.1f} ± {motion.sigma_pa:.1f} degrees)"
            )
        return words
    words = f"can't tell: O-C {orbit}"
    if np.isfinite(verdict.plate_offset).all():
        words += f", plates' zero point {plate}"
    return words + "; not all of it is chance, but these data do not single out a cause"


def _vector(value, cov) -> str:
    """An offset with its sigmas, which are never shown as nothing."""
    sigma = np.maximum(np.sqrt(np.diag(cov)), 0.001)
    return f"{value[0]:+.3f} ± {sigma[0]:.3f} arcsec east, {value[1]:+.3f} ± {sigma[1]:.3f} north"

"""What is wrong, if anything: the clock, the plate, the orbit, or is it another body?

=====================  ======================================  ==============================================
all well               0                                       ephemeris and clock within their stated sigma
within the orbit's...  constant within its covariance          real, but no more than was stated
clock                  rate x tau                              one tau (s) for all; whole hours; with a drift
orbit                  a constant (east, north) of one body    beyond what is stated, across as well as along
not this body          constant + drift of one body            it moves at another rate or direction
plate                  a constant where stars are lacking      else judged on the stars alone
site                   parallax of another place on Earth      the longitude's sign first of all
impostor               a light on its own frames only          where the body would have shown on the others
=====================  ======================================  ==============================================

All these, and pairs of them, are compared by their evidence (:mod:`appulse.astrometry.causes`). A cause is
named when the chance of all hypotheses with it, against all without it, exceeds :data:`NAMED_ODDS`; two are
named together where both do. Where none does, the verdict says between which the data cannot tell. A clock
error is an orbit error along the track of one body: they part only by a stated clock sigma, by an orbit known
to :data:`KERNEL_ARCSEC`, by an offset across, or by a second body of another rate. Any other orbit's stated
error is exceeded too often, and then along the track first, to accuse a clock: 'clock or orbit'.

The table beside it gives each single cause's chi-squared, for who wants to judge by that (Wilks 1938, Ann.
Math. Stat. 9, 60).
"""

from dataclasses import dataclass, field, replace

import numpy as np
from astropy.table import Table

from appulse.astrometry.causes import (
    BEYOND,
    CLOCK,
    CLOCK_DRIFT,
    EXPOSURE,
    EXPOSURES,
    HOUR,
    IMPOSTOR,
    KERNEL_ARCSEC,
    LEAST_TIMES,
    LONGITUDE,
    ORBIT,
    ORBIT_TIMESCALE_H,
    OTHER,
    OWN_PLATE,
    OWN_TIME,
    PLATE,
    PLATE_ARCSEC,
    PRIOR_ODDS,
    SITE,
    Hypothesis,
    hypotheses,
    moves,
)
from appulse.astrometry.elsewhere import time_shift
from appulse.astrometry.night_offsets import (
    FLOOR_P,
    Motion,
    NightOffsets,
    fit_motion,
    gather,
    polynomial,
    solve,
)
from appulse.bodies import body_label
from appulse.numerics import chi2_sf

NAMED_ODDS = 20.0
"""A cause is named when its odds against all hypotheses without it exceed this."""
WELL_ODDS = 3.0
"""'All well' accuses nobody, and needs less."""
MISFIT_P = 1e-4
"""When even the best hypothesis leaves more than this chance allows, none is named."""
WILD_ARCSEC, WILD_SIGMAS = 0.3, 10.0
"""Frames that scatter by more about the best hypothesis, in both, do not show one and the same thing (common
practice, no source: seeing moves short exposures by a tenth of an arcsecond or two)."""
WELL_SIGMAS = 3.0
"""So many of their sigmas frames may scatter, and no more, where 'all well' is to be said of them."""
SHOWN_SIGMAS = 3.0
"""An offset of more of its sigmas is spoken of, and one of fewer may be nothing."""
SHOWS_CHI2 = 4.0
"""A cause of which less than two sigmas show is as good as none."""
REAL_CHI2 = 25.0
"""An error within what is stated of it is spoken of when it is real by five sigmas."""
NAMED_P = 5e-3
"""A drift is noticed when its chance is smaller; an effect of five sigmas, which noise may bring down to 3.3,
is then named in 95 nights of 100."""
ZERO_ARCSEC = (0.1, *PLATE_ARCSEC)
"""How far a plate that was checked on stars is off, if it is: such a check finds smaller shifts."""
INDEPENDENT = 0.6
"""Causes contain each other: so many of those tried count as trials of their own (measured on 700 nights of
nothing: 2.3 of 4 for one body, 3.5 of 6 for two)."""
LEANS_CHI2 = 2.0 * float(np.log(NAMED_ODDS))
"""Where an orbit that is free fits so well, its stated error alone blames the clock, and not the frames."""
FAR_BEYOND = 30.0
"""An orbit off by more than so many of its stated errors rivals no clock (common practice, no source)."""
SURE_EXPOSURES = 8.0
"""An offset is compared with the exposure where its sigma is smaller than this part of it."""
LEAST_CHANCE = 1e-3
"""Causes that are less likely are not spoken of."""
DRIFT_P = 5e-3
"""A drift of an orbit is spoken of when its chance is smaller than this."""

ALL_WELL, WITHIN = "all well", "within the orbit's error"
CLOCK_OR_ORBIT, CANT_TELL = "clock or orbit", "can't tell"


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
        'all well', "within the orbit's error", 'clock', 'orbit', 'clock or orbit', 'plate', 'not this body',
        'site', 'impostor', "a frame's time" or "can't tell": of two, the one of the larger offset that is
        not within what was stated; where the plate is off as well, `plate_off` says so.
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
        ``cause, body, chi2, parameters, dof, probability, bic, words``: every cause tried by itself.
    motions : tuple of Motion
    night : NightOffsets
    drifts : bool
        Whether the offset along the track changes with time, by more than chance.
    clock_drift : (float, float)
        By how much, s of motion per hour, and its sigma; NaN with fewer than three times.
    causes : tuple of str
        All that is named, the one of the largest offset first; of 'clock or orbit' and "can't tell" those
        between which these data cannot tell.
    odds : float
        Of what is named, against everything else.
    besides : tuple of (str, int)
        Causes, each with its body, of which one is at work besides what is named, though these data do not
        tell which.
    besides_odds : float
        Of something being off besides, against nothing.
    leans : (str, float, float) or None
        Where a body's stated error alone speaks for the clock: the body, one sigma of that error along its
        track, arcsec, and how many of these an orbit would have to be off to look the same. The clock is
        named then if the body's orbit is known to `KERNEL_ARCSEC`, or would be off by more than `FAR_BEYOND`
        of these; and else 'clock or orbit'.
    ranked : tuple of Hypothesis
        Causes and pairs of causes with their posterior chances, likeliest first.
    named : tuple of (str, int)
        Each of `causes` with its body in `night`, -1 where it is common to all; of an orbit where one of
        several is off, and these data do not tell which.
    orbits : tuple of (array, array)
        What the orbit of each body is off by, with its covariance.
    main : Hypothesis
        The numbers are taken from it.
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
    causes: tuple[str, ...] = ()
    odds: float = np.nan
    besides: tuple[tuple[str, int], ...] = ()
    besides_odds: float = np.nan
    leans: tuple[str, float, float] | None = None
    ranked: tuple[Hypothesis, ...] = field(default=(), repr=False)
    named: tuple[tuple[str, int], ...] = field(default=(), repr=False)
    orbits: tuple = field(default=(), repr=False)
    main: Hypothesis | None = field(default=None, repr=False)

    @property
    def undecided(self) -> tuple[str, ...]:
        """Names of the causes of which one is at work besides what is named."""
        return tuple(dict.fromkeys(name for name, _ in self.besides))

    @property
    def what_would_tell(self) -> str:
        """What would decide between the causes that are left open."""
        return _would_tell(self.night, self.causes, self.named)

    @property
    def besides_words(self) -> str:
        """What may be off besides, each with its body."""
        return " or ".join(_effect_words(self.night, *effect) for effect in self.besides)

    @property
    def is_besides_sure(self) -> bool:
        """Whether something is off besides, rather than likely to be."""
        return bool(self.besides and not self.besides_odds <= NAMED_ODDS)

    @property
    def is_whose_orbit_open(self) -> bool:
        """Whether one orbit of several is off, and these data do not tell which."""
        return (ORBIT, -1) in self.named


def judge(residuals, *, clock_sigma_s: float | None = None) -> Verdict:
    """Judge a night.

    Parameters
    ----------
    residuals : sequence of Residual
        Of one or more bodies on one or more frames; on those not seen it counts whether it would have shown.
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
    models, ranked = fit_models(night), hypotheses(night)
    plate, plate_cov, plate_odds, plate_chi2 = _plate_zero(night)
    decision = _decide(night, ranked)
    leans = _leans(night, decision, ranked)
    if leans and decision.cause != CLOCK_OR_ORBIT and leans[1] > KERNEL_ARCSEC and leans[2] < FAR_BEYOND:
        decision = _or_orbit(night, decision, leans[0])
    elif not leans and (unknown := _unknown_orbit_instead(night, decision, ranked)):
        decision = _or_orbit(night, decision, unknown)
    cause, main = decision.cause, decision.hypothesis
    plate_off = plate_odds > NAMED_ODDS
    if cause == ALL_WELL and disagree(night, main, WELL_SIGMAS):
        cause, decision = CANT_TELL, replace(decision, causes=(), named=())
    # The bodies' O-C has the zero point taken off: an error of the plate shows in its stars alone.
    if cause == ALL_WELL and plate_odds * WELL_ODDS > 1.0:
        cause = PLATE if plate_off else CANT_TELL
        if not plate_off:
            open_causes = ((ALL_WELL, -1), (PLATE, -1))
            decision = replace(decision, causes=(ALL_WELL, PLATE), named=open_causes, odds=plate_odds)
    quiet = cause in (ALL_WELL, WITHIN, OTHER, SITE, PLATE, OWN_TIME) or IMPOSTOR in decision.causes
    drifts = not quiet and _drifts(models)
    drift = _of(models, CLOCK_DRIFT)
    clock = _clock(night, main, models, drifts)
    body = max(decision.body, 0)
    orbits = tuple(_orbit(night, main, models, b) for b in range(len(night.names)))
    orbit = orbits[body]
    verdict = Verdict(
        cause=cause, sentence="", body=night.names[body] if decision.body >= 0 else "",
        clock_offset_s=clock[0], clock_sigma_s=clock[1], orbit_offset=orbit[0], orbit_covariance=orbit[1],
        plate_offset=plate, plate_covariance=plate_cov, plate_off=bool(plate_off),
        alternatives=_table(night, models, plate_chi2),
        motions=tuple(fit_motion(night, b) for b in range(len(night.names))), night=night, drifts=drifts,
        clock_drift=(np.nan, np.nan) if drift is None
        else (float(drift.parameters[1]), float(drift.covariance[1, 1] ** 0.5)),
        causes=decision.causes, odds=decision.odds, ranked=tuple(ranked), besides=decision.besides,
        besides_odds=decision.besides_odds,
        named=decision.named, orbits=orbits, main=main, leans=leans,
    )  # fmt: skip
    return replace(verdict, sentence=sentence(verdict))


@dataclass(frozen=True)
class Decision:
    """What is named, by what odds, and the hypothesis that the numbers are taken from."""

    cause: str
    body: int
    causes: tuple[str, ...]
    odds: float
    hypothesis: Hypothesis
    named: tuple[tuple[str, int], ...] = ()
    besides: tuple[tuple[str, int], ...] = ()
    besides_odds: float = np.inf  # that there is something besides


_FAMILY = {HOUR: CLOCK, CLOCK_DRIFT: CLOCK, EXPOSURE: CLOCK, OWN_PLATE: PLATE, LONGITUDE: SITE}
"""Ways of one thing being wrong."""


def _effects(night: NightOffsets, one: Hypothesis) -> set[tuple[str, int]]:
    """What a hypothesis says is wrong, errors within what was stated of them included where they are real."""
    found = {(_FAMILY.get(piece.cause, piece.cause), piece.body) for piece in one.parts}
    for body in range(len(night.names)):
        if is_real_within(night, one, body) and (ORBIT, body) not in found:
            found.add((WITHIN, body))
    return found


def _what_shows(night: NightOffsets, ranked) -> list[set[tuple[str, int]]]:
    """Effects of each hypothesis; none where nothing is seen of it: a body at rest shows no clock.

    What these frames would look the same without says nothing against 'all well'.
    """
    effects = [_effects(night, one) for one in ranked]
    bare = next(k for k, one in enumerate(ranked) if not one.parts)
    if effects[bare]:
        return effects
    # An impostor is known by the frames that show nothing.
    return [
        set() if ranked[bare].chi2 - one.chi2 < SHOWS_CHI2 and IMPOSTOR not in one.causes else found
        for one, found in zip(ranked, effects, strict=True)
    ]


def is_tested(night: NightOffsets, one: Hypothesis, name: str, body: int) -> bool:
    """Whether these frames could have contradicted a cause: they hold more numbers than it has unknowns.

    What fits any place is not borne out by one: only what was thought of it beforehand would speak.
    """
    for piece in one.parts:
        if _FAMILY.get(piece.cause, piece.cause) == name and body in (-1, piece.body):
            if piece.cause == IMPOSTOR:
                # By the frames that show the body elsewhere, or do not show it at all.
                return bool(night.n_missed[body] > 0 or len(piece.frames) < len(night.of(body)))
            if piece.is_beside_strays:
                return True  # by what stands at its other place
            unknowns = {ORBIT: 2, PLATE: 2, SITE: 3, OTHER: 4}.get(piece.cause, 0)
            return 2 * int(np.sum(np.any(piece.basis != 0, axis=(1, 2)))) > unknowns
    return True


def _untested(ranked, effects, named) -> Decision:
    """What is likeliest fits whatever stands there: it is said with what looks the same, and not named."""
    alone = (
        effect
        for one, found in zip(ranked, effects, strict=True)
        if len(found) == 1 and one.posterior > LEAST_CHANCE
        for effect in found
    )
    rivals = tuple(dict.fromkeys((*alone, *sorted(named))))
    body = next((body for _, body in rivals if body >= 0), -1)
    # Of the light's own identity so little never tells.
    names = tuple(dict.fromkeys((*(name for name, _ in rivals), IMPOSTOR)))
    return Decision(CANT_TELL, body, names if len(names) > 1 else (*names, ORBIT), 1.0, ranked[0], rivals)


def is_real_within(night: NightOffsets, one: Hypothesis, body: int) -> bool:
    """Whether a body's orbit shows an error, within what is stated of it, that these frames measure."""
    prior = night.prior[body]
    if not np.isfinite(prior).all() or np.trace(prior) < 2 * KERNEL_ARCSEC**2:
        return False
    for piece, values, covariance in zip(
        one.stated, one.stated_parameters, one.stated_covariances, strict=True
    ):
        if piece.cause == ORBIT and piece.body == body:
            better = np.trace(covariance[:2, :2]) < np.trace(prior) / 4
            chi2 = values[:2] @ np.linalg.solve(covariance[:2, :2], values[:2])
            return bool(better and chi2 > REAL_CHI2)
    return False


def _decide(night: NightOffsets, ranked: list[Hypothesis]) -> Decision:
    """Add up the chances of all hypotheses with a cause; name those that leave no room for doubt."""
    effects = _what_shows(night, ranked)
    chances = _chances(ranked, effects)
    well = sum(one.posterior for one, found in zip(ranked, effects, strict=True) if not found)
    best = ranked[0]
    if chi2_sf(best.chi2, 2 * int(night.used.sum())) < MISFIT_P or disagree(night, best) > 0:
        return Decision(CANT_TELL, -1, (), 0.0, best)
    if odds_of(well) > WELL_ODDS:
        # What does not show may be there all the same: the odds are those of nothing at all.
        bare = next(one for one in ranked if not one.parts)
        return Decision(ALL_WELL, -1, (), odds_of(bare.posterior), bare)
    # That an orbit is off may be sure, and open which: a clock moves each of two bodies at its rate.
    some = [{(ORBIT, -1) if name == ORBIT else (name, body) for name, body in found} for found in effects]
    whose = max((chance for (name, _), chance in chances.items() if name == ORBIT), default=0.0)
    if odds_of(_chances(ranked, some).get((ORBIT, -1), 0.0)) > NAMED_ODDS > odds_of(whose):
        effects, chances = some, _chances(ranked, some)
    named = {effect for effect, chance in chances.items() if odds_of(chance) > NAMED_ODDS}
    says = {effect: _likeliest(ranked, effects, effect) for effect in named}
    untested = {effect for effect, one in says.items() if not is_tested(night, one, *effect)}
    if untested and untested == named:
        return _untested(ranked, effects, named)
    named -= untested
    if any(name == ORBIT for name, _ in named) and not moves(night, np.flatnonzero(night.used)):
        # Without the motion an error of the clock cannot be ruled out.
        body = max(next(body for name, body in named if name == ORBIT), 0)
        return Decision(CANT_TELL, body, (CLOCK, ORBIT), 1.0, best)
    # Something besides may be sure, though not what.
    no_more = sum(one.posterior for one, found in zip(ranked, effects, strict=True) if found <= named)
    more = _rivals(ranked, effects, chances, named)[0] if odds_of(1.0 - no_more) > NAMED_ODDS else []
    if named and not more:
        # What is likelier than not is not named, but the numbers are not those without it.
        likeliest = next((found for found in effects if found >= named), named)
        more = sorted(effect for effect in likeliest - named if effect[0] != WITHIN)
    if {name for name, _ in named} == {OWN_TIME} and {name for name, _ in more} & {OTHER, IMPOSTOR}:
        # A light that is not the body's tells no time.
        rivals = (*sorted(named), *more)
        return Decision(CANT_TELL, -1, tuple(dict.fromkeys(name for name, _ in rivals)), 1.0, best, rivals)
    # What is within its stated error is no one's fault, however large: then the other thing is spoken of.
    if named and not (more and {name for name, _ in named} == {WITHIN}):
        main = _first(ranked, effects, named | set(more[:1]))
        order = sorted(named, key=lambda effect: -_size(night, main, *effect))
        odds = odds_of(min(chances[effect] for effect in named))
        cause, body = next((effect for effect in order if effect[0] != WITHIN), order[0])
        body = next((other for _, other in [(cause, body), *order] if other >= 0), -1)
        causes = tuple(dict.fromkeys(name for name, _ in order))
        return Decision(cause, body, causes, odds, main, tuple(order), tuple(more), odds_of(1.0 - no_more))
    return _between(night, ranked, effects, chances, well, named)


def _chances(ranked, effects) -> dict[tuple[str, int], float]:
    """Of each effect, the chance of all hypotheses with it."""
    chances: dict[tuple[str, int], float] = {}
    for one, found in zip(ranked, effects, strict=True):
        for effect in found:
            chances[effect] = chances.get(effect, 0.0) + one.posterior
    return chances


def disagree(night: NightOffsets, one: Hypothesis, sigmas: float = WILD_SIGMAS) -> float:
    """Scatter about a hypothesis, arcsec per axis, where it is too large for one cause of them all; or 0."""
    use = np.flatnonzero(night.used)
    if night.floor == 0.0:
        return 0.0
    left = night.offset[use].copy()
    for pieces, values in ((one.parts, one.parameters), (one.stated, one.stated_parameters)):
        for piece, value in zip(pieces, values, strict=True):
            left -= piece.basis @ value
    scatter = float(np.sqrt(np.mean(left**2)))
    sigma2 = np.einsum("nii->n", night.covariance[use]) / 2 - night.floor**2
    least = max(WILD_ARCSEC, sigmas * float(np.sqrt(np.median(np.maximum(sigma2, 0.0)))))
    return scatter if scatter > least else 0.0


def _rivals(ranked, effects, chances, named=frozenset(), well=0.0):
    """The fewest effects besides what is named of which one at least must be there, and their chance."""
    rivals: list[tuple[str, int]] = []
    covered, rest = well, sorted(set(chances) - set(named), key=lambda effect: -chances[effect])
    while rest and odds_of(covered) <= NAMED_ODDS:
        # The one that explains most of what the others do not: what only comes along with them is no rival.
        gains = [
            sum(
                one.posterior
                for one, found in zip(ranked, effects, strict=True)
                if effect in found and not found & set(rivals)
            )
            for effect in rest
        ]
        best = int(np.argmax(gains))
        if rivals and not gains[best] > 0:
            break
        rivals.append(rest.pop(best))
        covered += gains[best]
    return rivals, covered


def _between(night, ranked, effects, chances, well, within) -> Decision:
    """The fewest causes of which one at least must be there; 'all well' may be among them."""
    rivals, covered = _rivals(ranked, effects, chances, within, well * (well > 1 / NAMED_ODDS))
    names = tuple(dict.fromkeys(name for name, _ in rivals))
    body = next((body for name, body in rivals if name in (ORBIT, WITHIN)), -1)
    if well > 1 / NAMED_ODDS:
        names = (ALL_WELL, *names)
        return Decision(CANT_TELL, body, names, odds_of(max(chances.values())), ranked[0], tuple(rivals))
    if set(names) <= {CLOCK, ORBIT, WITHIN} and CLOCK in names:
        main = next(one for one, found in zip(ranked, effects, strict=True) if (CLOCK, -1) in found)
        besides = _within_besides(within, rivals)
        return Decision(CLOCK_OR_ORBIT, body, names, odds_of(covered), main, tuple(rivals), besides)
    return Decision(CANT_TELL, body, names, odds_of(max(chances.values())), ranked[0], tuple(rivals))


def _within_besides(named, rivals) -> tuple[tuple[str, int], ...]:
    """Errors within the orbits of bodies that no rival is about."""
    told = {body for _, body in rivals}
    return tuple(sorted((name, body) for name, body in named if name == WITHIN and body not in told))


def odds_of(chance: float) -> float:
    """Odds of a chance."""
    return float(chance / max(1.0 - chance, 1e-12))


def _first(ranked, effects, named) -> Hypothesis:
    """The likeliest hypothesis that says what is named and no more; or that says it at all."""
    pairs = list(zip(ranked, effects, strict=True))
    real = {effect for effect in named if effect[0] != WITHIN}
    # An error that is no fault may come along: every hypothesis has the stated ones.
    exact = [
        one
        for one, found in pairs
        if found >= named and {effect for effect in found if effect[0] != WITHIN} == real
    ]
    return exact[0] if exact else next((one for one, found in pairs if found >= named), ranked[0])


def _likeliest(ranked, effects, effect) -> Hypothesis:
    """The likeliest hypothesis with an effect, whatever else it says."""
    return next(one for one, found in zip(ranked, effects, strict=True) if effect in found)


def _size(night: NightOffsets, one: Hypothesis, name: str, body: int) -> float:
    """How far a cause moves the bodies, arcsec, on the mean of the frames."""
    use = np.flatnonzero(night.used)
    if name == WITHIN:
        pieces = zip(one.stated, one.stated_parameters, strict=True)
    else:
        pieces = zip(one.parts, one.parameters, strict=True)
    wanted = ORBIT if name == WITHIN else name
    for piece, values in pieces:
        if _FAMILY.get(piece.cause, piece.cause) == wanted and body in (-1, piece.body):
            moved = np.hypot(*(piece.basis @ values).T)
            if piece.is_beside_strays:
                return np.inf  # farther than was searched
            return float(moved[moved > 0].mean()) if np.any(moved > 0) else 0.0
    return 0.0 if len(use) else np.nan


def _clock(night: NightOffsets, main: Hypothesis, models, drifts) -> tuple[float, float]:
    """True minus recorded time and sigma: that of the clock alone, or as fitted along with a second cause."""
    for piece, values, covariance in zip(main.parts, main.parameters, main.covariances, strict=True):
        if piece.is_time and (len(main.parts) > 1 or piece.cause in (HOUR, EXPOSURE)):
            seconds = np.nanmedian(night.exposure_s) if piece.cause == EXPOSURE else 1.0
            return float(seconds * values[0]), float(seconds * covariance[0, 0] ** 0.5)
    model = _of(models, CLOCK_DRIFT if drifts else CLOCK)
    if model is None:
        return np.nan, np.nan
    return float(model.parameters[0]), float(model.covariance[0, 0] ** 0.5)


def _orbit(night: NightOffsets, main: Hypothesis, models, body) -> tuple[np.ndarray, np.ndarray]:
    """Offset of a body with its covariance, all of it its orbit's; or what a second cause leaves of it."""
    for piece, values, covariance in zip(main.parts, main.parameters, main.covariances, strict=True):
        if piece.cause == ORBIT and piece.body == body and len(main.parts) > 1:
            return values[:2], covariance[:2, :2]
    stated = zip(main.stated, main.stated_parameters, main.stated_covariances, strict=True)
    for piece, values, covariance in stated if main.parts and is_real_within(night, main, body) else ():
        if piece.cause == ORBIT and piece.body == body:
            return values[:2], covariance[:2, :2]
    model = _of(models, ORBIT, body)
    return model.parameters[:2], model.covariance[:2, :2]


def _leans(night: NightOffsets, decision: Decision, ranked) -> tuple[str, float, float] | None:
    """The body whose stated error alone tells the clock from an orbit that is off along its track."""
    main = decision.hypothesis
    is_open = decision.cause == CLOCK_OR_ORBIT
    if decision.cause == CANT_TELL or CLOCK not in decision.causes or (is_open and WITHIN in decision.causes):
        return None
    if np.isfinite(night.clock_sigma_s) or HOUR in main.causes:
        return None
    for body, name in enumerate(night.names):
        orbit = _instead_of_clock(ranked, None if is_open else main, body)
        known = np.isfinite(night.prior[body]).all()
        if orbit is None or not known or orbit.chi2 - main.chi2 > LEANS_CHI2:
            continue
        speed = night.speed[night.of(body)].mean(axis=0)
        along = speed / np.hypot(*speed)
        sigma = float(np.sqrt(along @ night.prior[body] @ along))
        at = next(k for k, piece in enumerate(orbit.parts) if (piece.cause, piece.body) == (ORBIT, body))
        # Its offset, and its rate where it has one, in units of what is stated.
        values = np.abs(orbit.parameters[at].reshape(-1, 2) @ along)
        times = float(max(values * (1.0, ORBIT_TIMESCALE_H)[: len(values)]) / max(sigma, 1e-6))
        # So wrong an orbit nobody states.
        return (name, sigma, times) if times <= max(BEYOND) else None
    return None


def _instead_of_clock(ranked, main: Hypothesis | None, body: int) -> Hypothesis | None:
    """A hypothesis with a body's orbit in the clock's stead, alone where there is none."""
    # As it stands: a longitude's sign is no place anywhere on Earth, which would fit with any orbit.
    rest = [] if main is None else [_key(piece) for piece in main.parts if not piece.is_time]
    wanted = sorted({*rest, (ORBIT, body, ())})
    return next((one for one in ranked if sorted(map(_key, one.parts)) == wanted), None)


def _unknown_orbit_instead(night: NightOffsets, decision: Decision, ranked) -> str:
    """A body without a stated error whose orbit fits as the clock does; what then speaks for it are odds."""
    main = decision.hypothesis
    is_named = decision.cause not in (CLOCK_OR_ORBIT, CANT_TELL) and (CLOCK, -1) in decision.named
    if not is_named or CLOCK not in main.causes:
        return ""
    if not np.isfinite(night.clock_sigma_s):
        for body in np.flatnonzero(~np.isfinite(night.prior).all(axis=(1, 2))):
            orbit = _instead_of_clock(ranked, main, int(body))
            if orbit and orbit.posterior > LEAST_CHANCE and orbit.chi2 - main.chi2 < LEANS_CHI2:
                return night.names[body]
    return ""


def _key(piece) -> tuple[str, int, tuple[int, ...]]:
    """What a part of a hypothesis is about."""
    return piece.cause, piece.body, piece.frames


def _or_orbit(night: NightOffsets, decision: Decision, name: str) -> Decision:
    """The same, but that the clock which is named may as well be the orbit of a body."""
    either = ((CLOCK, -1), (ORBIT, night.names.index(name)))
    rest = tuple(effect for effect in decision.named if effect not in either and effect[0] != WITHIN)
    if not rest:
        # What another body is off by within its own orbit's error stays as sure as it was.
        within = _within_besides(decision.named, either)
        causes, body = (CLOCK, ORBIT), either[1][1]
        return replace(decision, cause=CLOCK_OR_ORBIT, body=body, causes=causes, named=either, besides=within)
    cause, body = rest[0]
    body = next((other for _, other in rest if other >= 0), -1)
    return replace(
        decision, cause=cause, body=body, causes=tuple(dict.fromkeys(name for name, _ in rest)), named=rest,
        besides=tuple(dict.fromkeys((*either, *decision.besides))),
    )  # fmt: skip


def _plate_zero(night: NightOffsets):
    """Mean zero point of the plates, the odds that it is off, and the chi-squared of none and of one."""
    checked = np.isfinite(night.plate).all(axis=1)
    if not checked.any():
        return np.full(2, np.nan), np.full((2, 2), np.nan), 0.0, (np.nan, np.nan, 0)
    # Bodies of one frame share its plate: count each frame once.
    first = {night.frame[i]: i for i in np.flatnonzero(checked)[::-1]}
    rows = np.array(sorted(first.values()))
    cov = night.plate_covariance[rows] + 1e-12 * np.eye(2)
    _, _, chi2_zero = solve(night.plate[rows], cov, np.zeros((len(rows), 2, 0)))
    mean, mean_cov, chi2 = solve(night.plate[rows], cov, polynomial(np.zeros(len(rows)), 0))
    # Frames that scatter by more than their sigmas, and than chance, say less of what they share.
    dof = 2 * (len(rows) - 1)
    if dof and chi2_sf(chi2, dof) < FLOOR_P:
        mean_cov = mean_cov * max(1.0, chi2 / dof)
    # What stars are off by on every frame is no shift of the plate.
    doubted = mean_cov + np.diag(night.plate_common)
    evidence = [_log_normal(mean, doubted + size**2 * np.eye(2)) for size in ZERO_ARCSEC]
    ratio = np.logaddexp.reduce(evidence) - np.log(len(evidence)) - _log_normal(mean, doubted)
    odds = PRIOR_ODDS[PLATE] * np.exp(min(float(ratio), 100.0))
    return mean, mean_cov, odds, (chi2_zero, chi2, len(rows))


def _log_normal(value, covariance) -> float:
    """Log density of a normal distribution about 0, but for a constant."""
    return float(-0.5 * (value @ np.linalg.solve(covariance, value) + np.linalg.slogdet(covariance)[1]))


def _of(models, cause, body=-1) -> Model | None:
    """The model of a cause; None where these data could not test it."""
    return next((m for m in models if m.cause == cause and m.body == body), None)


def _drifts(models) -> bool:
    """Whether an offset along the track that changes with time explains more than one that does not."""
    clock, drift = _of(models, CLOCK), _of(models, CLOCK_DRIFT)
    if drift is None:
        return False
    return bool(chi2_sf(clock.chi2 - drift.chi2, 1) * INDEPENDENT * (len(models) - 1) < NAMED_P)


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
    if moves(night, use):
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


def _probably_words(verdict: Verdict) -> str:
    """What is likelier than not to be off besides, and what is named without it."""
    night, odds = verdict.night, max(verdict.besides_odds, 1.0)
    words = f"likelier than not ({odds:.1f} to 1) something besides is off: {verdict.besides_words}"
    if (CLOCK, -1) in verdict.besides and np.isfinite(verdict.clock_offset_s):
        words += f" by {_clock_words(verdict)}"
        if HOUR in verdict.main.causes:
            words += f", {_hour_words(verdict)}"
    without = {(name, body) for name, body in verdict.named if name != WITHIN}
    alone = next((one for one in verdict.ranked if {(p.cause, p.body) for p in one.parts} == without), None)
    if alone is not None and len(without) == 1 and ORBIT in alone.causes:
        offset = _vector(alone.parameters[0][:2], alone.covariances[0][:2, :2])
        words += f"; if not, the orbit of {body_label(night.names[alone.parts[0].body])} is off by {offset}"
    return words


DRIFT_OF = {
    CLOCK: "the clock drifts",
    ORBIT: "the orbit's rate is off as well",
    CLOCK_OR_ORBIT: "a clock that drifts, or an orbit whose rate is off",
    WITHIN: "the orbit's rate is off as well",
    CANT_TELL: "a clock that drifts, an orbit's rate, or plates that are not checked",
}


def sentence(verdict: Verdict) -> str:
    """The verdict in words, with its numbers."""
    night, plate = verdict.night, _vector(verdict.plate_offset, verdict.plate_covariance)
    parts = [_headline(verdict, plate)]
    if {name for name, _ in verdict.besides} == {WITHIN}:
        who = " and ".join(body_label(night.names[body]) for _, body in verdict.besides)
        verb = "is" if len(verdict.besides) == 1 else "are"
        words = "by how much depends on which of these it is"
        parts.append(f"besides, {who} {verb} off within the orbit's own error, {words}")
    elif verdict.besides and not verdict.is_besides_sure:
        parts.append(_probably_words(verdict))
    elif len(verdict.besides) > 1:
        ways = _would_tell(night, verdict.undecided, verdict.besides)
        parts.append(
            f"something besides is off, which these data do not decide: {verdict.besides_words}; "
            f"{ways} would tell"
        )
    elif verdict.besides:
        parts.append(f"something besides is off: {verdict.besides_words}, or what else so few places fit")
    if verdict.leans:
        parts.append(_leans_words(verdict, *verdict.leans))
    what = CLOCK if CLOCK in verdict.causes and verdict.cause == ORBIT else verdict.cause
    if verdict.drifts and what in DRIFT_OF:
        drift, sigma = verdict.clock_drift
        parts.append(
            f"the offset along the track changes by {drift:+.1f} ± {sigma:.1f} s of motion an hour: "
            f"{DRIFT_OF[what]}"
        )
    if verdict.plate_off and verdict.cause != PLATE:
        words = f"the plate solution is shifted by {plate}, and the places are plate-corrected"
        # The largest first.
        parts.insert(0 if _is_larger(verdict) else len(parts), words)
    if not night.corrected and PLATE not in verdict.causes:
        parts.append("the plate was not checked on every frame, so an offset may be the plate's")
    if night.outliers:
        parts.append("outliers left out: " + ", ".join(night.outliers))
    if night.floor > 0:
        parts.append(f"the frames scatter by {night.floor:.3f} arcsec beyond their sigmas")
    if not np.isfinite(verdict.clock_offset_s):
        parts.append("without the bodies' predicted motion the clock cannot be judged")
    if len(set(night.frame)) == 1 and verdict.cause != CANT_TELL and IMPOSTOR not in verdict.causes:
        parts.append("one frame alone cannot show a wrong rate")
    text = "; ".join(parts)
    return text[0].upper() + text[1:] + "."


def _headline(verdict: Verdict, plate: str) -> str:
    """What is named, the largest offset first, with the numbers that belong to it."""
    cause, orbit = verdict.cause, _vector(verdict.orbit_offset, verdict.orbit_covariance)
    if cause == ALL_WELL:
        return f"all well: O-C {orbit}"
    if cause == PLATE and PLATE not in verdict.causes:
        words = f"the plate solution is shifted by {plate}; plate-corrected, "
        return words + "the body is where it should be"
    if cause == CLOCK_OR_ORBIT:
        return _clock_or_orbit_words(verdict, orbit)
    if cause == CANT_TELL:
        words = f"can't tell: O-C {orbit}"
        if np.isfinite(verdict.plate_offset).all():
            words += f", plates' zero point {plate}"
        if wild := disagree(verdict.night, verdict.main, WILD_SIGMAS if verdict.causes else WELL_SIGMAS):
            return words + (
                f"; about any one cause the frames scatter by {wild:.2g} arcsec, far beyond their sigmas: do "
                "some have a clock, a site or a plate of their own?"
            )
        if not verdict.causes:
            return words + "; none of the causes that are tried fits these frames"
        named = [_effect_words(verdict.night, *effect) for effect in verdict.named if effect[0] != ALL_WELL]
        told = {ALL_WELL, *(name for name, _ in verdict.named)}
        # What nothing but its name is known of comes after.
        rivals = [ALL_WELL] * (ALL_WELL in verdict.causes) + named
        rivals += [name for name in verdict.causes if name not in told]
        rivals = ", ".join(rivals[:-1]) + f" and {rivals[-1]}"
        if any(not is_tested(verdict.night, verdict.main, *effect) for effect in verdict.named):
            words += f"; so few places fit any of these: {rivals}"
        else:
            words += f"; these data do not decide between {rivals} (less than {NAMED_ODDS:.0f} to 1)"
        return f"{words}; {verdict.what_would_tell} would tell"
    return "; ".join(_cause_words(verdict, name, body) for name, body in verdict.named)


WOULD_TELL = {
    PLATE: "more reference stars in the frames (--stars)",
    OTHER: "frames of another hour or night",
    IMPOSTOR: "frames of another hour or night",
    OWN_TIME: "the true times of the frames",
    SITE: "the site as it was (--site)",
    ALL_WELL: "more frames",
}
"""What parts a cause from the others."""


def _would_tell(night: NightOffsets, names, effects) -> str:
    """What would decide between causes: nothing that is there already."""
    ways = [_clock_ways(night, effects)] if CLOCK in names else []
    ways += [way for name, way in WOULD_TELL.items() if name in names]
    if not ways and ORBIT in names:
        ways = ["a better orbit"]
    return ", or ".join(dict.fromkeys(ways)) or "more frames"


def _clock_ways(night: NightOffsets, effects) -> str:
    """What tells a clock from the orbits that may be off in its stead."""
    bodies = sorted({body for name, body in effects if name in (ORBIT, WITHIN) and body >= 0})
    priors = night.prior[bodies or range(len(night.names))]
    ways = [] if np.isfinite(night.clock_sigma_s) else ["a stated clock error"]
    if not np.isfinite(priors).all():
        ways.append("the orbit's covariance" if len(priors) == 1 else "the orbits' covariances")
    elif np.einsum("bii->b", priors).max() > 2 * KERNEL_ARCSEC**2:
        ways.append("a better orbit")
    ways.append(_one_more_body(night))
    return ", ".join(ways[:-1]) + (" or " if ways[:-1] else "") + ways[-1]


def _one_more_body(night: NightOffsets) -> str:
    return f"{'a second' if len(night.names) == 1 else 'one more'} body of another rate"


def _effect_words(night: NightOffsets, name: str, body: int) -> str:
    """A cause, with its body where there are several."""
    if len(night.names) == 1 or body < 0:
        return name
    label = body_label(night.names[body])
    return {
        ORBIT: f"orbit of {label}", WITHIN: f"the own error of the orbit of {label}", OTHER: f"not {label}",
        IMPOSTOR: f"impostor in place of {label}",
    }.get(name, name)  # fmt: skip


def _is_larger(verdict: Verdict) -> bool:
    """Whether the plate's shift is the largest offset of all."""
    sizes = [_size(verdict.night, verdict.main, *effect) for effect in verdict.named]
    if verdict.cause in (CLOCK_OR_ORBIT, CANT_TELL):
        sizes = [float(np.hypot(*verdict.orbit_offset))]
    return bool(np.hypot(*verdict.plate_offset) > max(sizes, default=0.0))


def _leans_words(verdict: Verdict, name: str, sigma: float, times: float) -> str:
    stated = f"the stated error of {body_label(name)}, {sigma:.2g} arcsec along its track"
    if verdict.cause == CLOCK_OR_ORBIT or CLOCK in verdict.undecided:
        return f"for the clock speaks only {stated}: its orbit would be off by {times:.0f} times as much"
    return f"this rests on {stated}: an orbit that is off by {times:.0f} times as much would look the same"


def _clock_words(verdict: Verdict) -> str:
    return f"{verdict.clock_offset_s:+.1f} ± {verdict.clock_sigma_s:.1f} s (true minus recorded)"


def _hour_words(verdict: Verdict) -> str:
    shift = time_shift(round(verdict.clock_offset_s / 1800))
    return f"{_hours(verdict.clock_offset_s)}: is DATE-OBS local time? --time-shift {shift}"


def _own_time_words(night: NightOffsets, main: Hypothesis) -> str:
    at = main.causes.index(OWN_TIME)
    seconds, sigma = main.parameters[at][0], main.covariances[at][0, 0] ** 0.5
    frame = night.frame[np.flatnonzero(night.used)[main.parts[at].frames[0]]]
    return (
        f"the time of {frame} is not that of the others: it stands apart along the track, by "
        f"{seconds:+.1f} ± {sigma:.1f} s (true minus recorded)"
    )


def _exposure_words(verdict: Verdict) -> str:
    """A question where the clock's offset is an exposure or half of one; else nothing."""
    exposures = verdict.night.exposure_s[verdict.night.used]
    exposure, several = float(np.median(exposures)), bool(np.ptp(exposures) > 1.0)
    offset, sigma = verdict.clock_offset_s, verdict.clock_sigma_s
    if several and EXPOSURE not in verdict.main.causes:
        return ""
    if (verdict.drifts and not several) or not sigma < exposure / SURE_EXPOSURES:
        return ""
    share = min(EXPOSURES, key=lambda share: abs(offset - share * exposure))
    if abs(offset - share * exposure) > 2.5 * sigma + 0.5:
        return ""
    long = "one exposure" if abs(share) == 1 else "half an exposure"
    what, remedy = (
        ("start", "start") if share > 0 else ("end", "end") if share == -1 else ("middle", "mid")
    )  # fmt: skip
    return f", {long}: is DATE-OBS its {what}? --time-is {remedy}"


def _clock_or_orbit_words(verdict: Verdict, orbit: str) -> str:
    clock, ways = _clock_words(verdict), _clock_ways(verdict.night, verdict.named)
    if verdict.drifts:
        return (
            f"clock or orbit: along the track only, as a clock off by {clock} at the middle of "
            f"the night would give; {_one_more_body(verdict.night)} would decide"
        )
    if HOUR in verdict.main.causes:
        clock += f", {_hours(verdict.clock_offset_s)} if DATE-OBS is local time"
    clock += _exposure_words(verdict)
    own = (WITHIN, verdict.night.names.index(verdict.body)) in verdict.named if verdict.body else False
    if own:
        return (
            f"within the orbit's own error or the clock: {body_label(verdict.body)} is off by {orbit}, along "
            f"its track only and no more than its orbit may be; a clock off by {clock} would look the same; "
            f"{ways} would decide"
        )
    whose = f"the orbit of {body_label(verdict.body)}" if verdict.body else "an orbit"
    return (
        f"clock or orbit: an offset along the track only, as a clock off by {clock} would give, "
        f"or {whose} off by {orbit}; {ways} would decide"
    )


def _cause_words(verdict: Verdict, name: str, index: int) -> str:
    """One of the causes that are named, in words."""
    night, main = verdict.night, verdict.main
    body = night.names[max(index, 0)]
    label = body_label(body)
    orbit = _vector(*verdict.orbits[max(index, 0)])
    motion = next((motion for motion in verdict.motions if motion.name == body), None)
    if name == CLOCK:
        words = f"the clock is off by {_clock_words(verdict)}"
        if HOUR in main.causes:
            words += f", {_hour_words(verdict)}"
        return words + _exposure_words(verdict) + _if_orbit_words(verdict)
    if name == ORBIT and index < 0:
        return _whose_words(verdict)
    if name == ORBIT:
        words = f"the orbit of {label} is off by {orbit}"
        if chi2_sf(motion.chi2[0] - motion.chi2[1], 2) < DRIFT_P and CLOCK not in verdict.causes:
            words += f", and it drifts from it by {np.hypot(*motion.drift):.2f} arcsec/h"
        return words + _if_clock_words(verdict, index)
    if name == WITHIN:
        prior = night.prior[night.names.index(body)]
        gain = np.sqrt(np.trace(prior) / np.trace(verdict.orbits[index][1]))
        return (
            f"within the orbit's own error: {label} is off by {orbit}, of {np.sqrt(prior[0, 0]):.2g} and "
            f"{np.sqrt(prior[1, 1]):.2g} stated; 'improve' would gain a factor of {gain:.1f}"
            f"{_if_clock_words(verdict, index)}"
        )
    if name == PLATE:
        return f"the plates that are not checked are off{_plate_words(verdict, orbit)}"
    if name == OWN_TIME:
        return _own_time_words(night, main)
    if name == OTHER:
        words = f"not {label}: the light drifts from its place by {np.hypot(*motion.drift):.2f} arcsec/h"
        if motion.rate < 3 * motion.sigma_rate:
            return f"{words}; it stands still among the stars, as a star does that is in no list"
        if np.isfinite(motion.rate):
            words += (
                f" (measured {motion.rate:.2f} ± {motion.sigma_rate:.2f} arcsec/h at "
                f"{motion.motion_pa:.1f} ± {motion.sigma_pa:.1f} degrees)"
            )
        return words
    if name == SITE:
        if LONGITUDE in main.causes:
            return (
                "the longitude of the site has the wrong sign: the bodies stand as seen from the other side "
                "of Greenwich; east is positive, give --site"
            )
        return "the frames come from another site: the bodies stand by its parallax; give --site"
    lights = [night.frame[np.flatnonzero(night.used)[row]] for row in _lights(main)]
    missed = int(night.n_missed[night.names.index(body)])
    if len(lights) == int(np.sum(night.body[night.used] == night.names.index(body))):
        words = f"an impostor: the light on {', '.join(lights)} is not {label}"
        more = f", which would have shown on {missed} more frame{'s' if missed > 1 else ''} and does not"
        return words + more * (missed > 0)
    return f"an impostor: the light on {', '.join(lights)} is not {label}, by its place on the others"


def _clock_by_others(night: NightOffsets, body: int) -> float:
    """Sigma in s to which the clock is known without a body: by what is stated of it, and other orbits."""
    weight = night.clock_sigma_s**-2 if night.clock_sigma_s > 0 else 0.0
    for other in range(len(night.names)):
        rows = night.of(other)
        speed = night.speed[rows].mean(axis=0)
        if other != body and np.isfinite(night.prior[other]).all() and np.hypot(*speed) > 0:
            along = speed / np.hypot(*speed)
            measured = np.linalg.inv(np.linalg.inv(night.covariance[rows]).sum(axis=0))
            weight += speed @ speed / (along @ (night.prior[other] + measured) @ along)
    return weight**-0.5 if weight > 0 else np.inf


def _if_clock_words(verdict: Verdict, body: int) -> str:
    """What of an orbit's offset lies along its track may be the clock's, where nothing else tells of it."""
    night = verdict.night
    offset, covariance = verdict.orbits[body]
    speed = night.speed[night.of(body)].mean(axis=0)
    rate = float(np.hypot(*speed))
    if CLOCK in verdict.causes or any(piece.is_time for piece in verdict.main.parts) or not rate > 0:
        return ""
    along = speed / rate
    far, sigma = float(along @ offset), float(np.sqrt(along @ covariance @ along))
    by_clock = rate * _clock_by_others(night, body)
    if by_clock < SHOWN_SIGMAS * sigma:
        return ""
    if not SHOWN_SIGMAS * sigma < abs(far) < SHOWN_SIGMAS * by_clock:
        return ", if the clock is right"
    seconds = f"{far / rate:+.0f} s"
    return f", if the clock is right: one that is off by {seconds} would put it so far along its track"


def _plate_words(verdict: Verdict, orbit: str) -> str:
    """By how much plates are off that no stars checked: what a second cause leaves of the O-C."""
    night, main = verdict.night, verdict.main
    words = f": O-C {orbit}"
    for piece, values, covariance in zip(main.parts, main.parameters, main.covariances, strict=True):
        if piece.cause == PLATE and len(main.parts) > 1:
            words = f" by {_vector(values, covariance)}"
    is_free = not np.isfinite(night.clock_sigma_s) and moves(night, np.flatnonzero(night.used))
    if is_free and not any(piece.is_time for piece in main.parts):
        words += ", if the clock is right"
    return f"{words}; stars would measure it (--stars)"


def _if_orbit_words(verdict: Verdict) -> str:
    """The clock's offset is as good as the orbits that it is read from."""
    night, main = verdict.night, verdict.main
    if verdict.is_whose_orbit_open:
        return ""
    fitted = {piece.body for piece in main.parts if piece.cause == ORBIT}
    for body in range(len(night.names)):
        known = np.isfinite(night.prior[body]).all()
        sure = known and (np.trace(night.prior[body]) < 2 * KERNEL_ARCSEC**2 or not verdict.drifts)
        if sure or body in fitted or verdict.leans:
            continue
        if abs(verdict.clock_offset_s) < SHOWN_SIGMAS * _clock_by_others(night, body):
            tail = "; else its drift alone is sure" if verdict.drifts else ""
            return f", if the orbit of {body_label(night.names[body])} holds{tail}"
    return ""


def _whose_words(verdict: Verdict) -> str:
    """One orbit is off, and it may be that of several bodies: each with the numbers that go with it."""
    night, chances, first = verdict.night, {}, {}
    for one in verdict.ranked:
        for at, piece in enumerate(one.parts):
            if piece.cause == ORBIT:
                chances[piece.body] = chances.get(piece.body, 0.0) + one.posterior
                first.setdefault(piece.body, (one, at))
    told = []
    for body, (one, at) in first.items():
        if chances[body] > LEAST_CHANCE:
            offset = _vector(one.parameters[at][:2], one.covariances[at][:2, :2])
            words = f"that of {body_label(night.names[body])} by {offset}"
            seconds, sigma = _clock(night, one, (), False)
            if CLOCK in verdict.causes and abs(seconds - verdict.clock_offset_s) > verdict.clock_sigma_s:
                words += f" with the clock off by {seconds:+.1f} ± {sigma:.1f} s"
            told.append(words)
    return (
        f"one orbit is off: {', or '.join(told)}; a better orbit or {_one_more_body(night)} would tell which"
    )


def _lights(main: Hypothesis) -> tuple[int, ...]:
    return next((piece.frames for piece in main.parts if piece.cause == IMPOSTOR), ())


def _hours(seconds: float) -> str:
    """A time in whole or half hours, in words."""
    hours = abs(round(seconds / 1800) / 2)
    return "one hour" if hours == 1 else f"{hours:g} hours"


def _vector(value, cov) -> str:
    """An offset with its sigmas, which are never shown as nothing."""
    sigma = np.maximum(np.sqrt(np.diag(cov)), 0.001)
    return f"{value[0]:+.3f} ± {sigma[0]:.3f} arcsec east, {value[1]:+.3f} ± {sigma[1]:.3f} north"

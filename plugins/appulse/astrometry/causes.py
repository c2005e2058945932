"""Causes of a night's O-C as Gaussian models, and how well each explains all frames together.

A part is one thing that can be wrong: unknowns with a basis over the frames and a prior of several widths,
for nobody knows beforehand how wrong a clock is. A hypothesis is no part, one, or two::

    O-C  =  stated errors  +  parts of the hypothesis  +  noise of centroid and plate

    evidence = integral over all unknowns = Gaussian with covariance  C + sum over columns  B P B'

so a cause with more freedom pays for it by itself, and all are compared on equal terms (MacKay 2003,
*Information Theory, Inference, and Learning Algorithms*, chapter 28). The frames on which the body does not
show count as well: with what chance would it have been missed there, if the light on the others is its own?
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import combinations, product

import numpy as np

from appulse.astrometry.elsewhere import HALF_HOUR_SHARE, LONGITUDE_PLACE
from appulse.astrometry.night_offsets import NightOffsets, polynomial

CLOCK, ORBIT, PLATE, OTHER = "clock", "orbit", "plate", "not this body"
HOUR, CLOCK_DRIFT, EXPOSURE = "whole hours", "clock drift", "exposure's end"
LONGITUDE, SITE, IMPOSTOR = "longitude", "site", "impostor"
OWN_TIME, OWN_PLATE = "a frame's time", "a frame's plate"

PRIOR_ODDS = {
    CLOCK: 0.2,
    CLOCK_DRIFT: 0.1,
    HOUR: 0.03,
    EXPOSURE: 0.01,
    ORBIT: 0.2,
    OTHER: 0.03,
    PLATE: 0.05,
    LONGITUDE: 0.03,
    SITE: 0.003,
    IMPOSTOR: 0.1,
}
"""Odds of each cause against 'all well' before the frames have said anything (common practice, no source: a
clock in ten nights is off, a site in three hundred)."""
STATED_ODDS, STATED_CLOCK_ODDS = 0.05, 1e-4
"""Odds that an orbit's, or a clock's, stated error is exceeded by a multiple of it (common practice, no
source: of twenty orbits one; in half of these by a factor of two, as formal errors are)."""
KERNEL_ODDS, KERNEL_ARCSEC = 3e-4, 0.02
"""An orbit stated to better than this is a JPL kernel's or as good: the last suspect."""

CLOCK_S = (1.5, 5.0, 15.0, 50.0, 150.0, 500.0, 2000.0)
DRIFT_S_H = (1.0, 5.0, 25.0, 120.0)
HOURS = tuple(k / 2 for k in range(-28, 29) if k)
EXPOSURES = {-1.0: 1.0, -0.5: 1.0, 0.5: 0.3, 1.0: 0.3}
"""Programs write the end or the middle of an exposure into DATE-OBS, or its start where a header says
otherwise: true minus recorded time in exposures, each with its weight (common practice, no source)."""
EXPOSURE_SPREAD_S, LEAST_EXPOSURE_S = 1.5, 6.0
"""Shutter and reading make so much of it; shorter exposures than that tell nothing."""
MOST_LOG_RATIO = 100.0
HOUR_SPREAD_S = 3.0
"""Time zones differ by whole hours, some by half hours; the clock behind them is good to this."""
ORBIT_ARCSEC = (0.1, 0.3, 1.0, 3.0, 10.0, 30.0)
ORBIT_ACROSS = 0.03
"""An orbit runs off along itself first: half of the prior keeps to the track, but for this share of it."""
ORBIT_TIMESCALE_H = 48.0
"""A wrong orbit's offset changes by itself in this time or longer."""
ORBIT_RATE_SHARE = 0.003
"""Rate error of an orbit in units of the motion, for half of the prior: near bodies turn fast."""
BEYOND = (4.0, 15.0, 60.0)
"""How many times larger than stated an error is that was stated wrongly."""
ORBIT_BEYOND = ((2.0, 3.0), *((factor, 1.0) for factor in BEYOND))
"""The same of an orbit, each with its weight."""
ALONG_SHARE = 0.3
"""Of orbits stated wrongly, those that are off along the track and as stated across it."""
OTHER_ARCSEC, OTHER_SHARE, OTHER_ARCSEC_H = (1.0, 5.0), (0.1, 0.3, 1.0), (0.3, 3.0, 30.0)
"""Another body: anywhere within the search, its motion different by these shares, or by so much."""
DRIFT_SHARE = 0.01
"""A drift below one per cent of the body's motion may be its orbit's; above it, it is another body (common
practice, no source: an orbit error of an arcsecond changes the rate by far less)."""
PLATE_ARCSEC = (0.3, 1.0, 3.0, 10.0)
SITE_KM = 3000.0
OWN_ODDS = 0.01
"""Of each frame: a clock that was set in between, a solution of its own (common practice, no source)."""
STRAY_LIGHT = 0.01
"""Chance that a frame shows an unrelated light within the search and nothing likelier."""
FEW_FRAMES = 4
"""Up to so many frames one that stands apart is weighed as an impostor; in more it is an outlier already."""
NEGLIGIBLE = 12.0
"""A pair of causes whose log odds lie at least so far below the best single one is not worked out."""
MOST_BODIES = 6
"""Pairs of causes are tried for so many bodies at most."""
LEAST_TIMES = 3
"""Of frames, to tell a drift from an offset."""


@dataclass(frozen=True)
class Part:
    """Something that may be wrong: unknowns, their basis over the frames, and what is expected of them."""

    cause: str
    body: int  # -1: common to all
    basis: np.ndarray  # (n, 2, p)
    means: np.ndarray  # (v, p): v variants of the prior
    precisions: np.ndarray  # (v, p, p)
    weights: np.ndarray  # (v,) sum 1
    odds: float
    frames: tuple[int, ...] = ()  # rows that an impostor's light is on; of others, rows that they do not move

    @property
    def is_beside_strays(self) -> bool:
        """Whether it holds along with an impostor only, of which it says where the body is."""
        return self.cause in (HOUR, LONGITUDE) and len(self.frames) > 0

    @property
    def is_time(self) -> bool:
        """Whether it is the clock, in one of its ways."""
        return self.cause in (CLOCK, CLOCK_DRIFT, HOUR, EXPOSURE)


@dataclass(frozen=True)
class Hypothesis:
    """None, one or two parts with their evidence and the unknowns' posterior."""

    parts: tuple[Part, ...]
    log_odds: float  # prior times evidence, against an arbitrary common zero
    log_evidence: float
    parameters: tuple[np.ndarray, ...]  # of each part, of its likeliest variant
    covariances: tuple[np.ndarray, ...]
    chi2: float  # at the likeliest unknowns, what is expected of them counted as data
    stated: tuple[Part, ...] = field(default=(), repr=False)  # errors within what is stated of them
    stated_parameters: tuple[np.ndarray, ...] = field(default=(), repr=False)
    stated_covariances: tuple[np.ndarray, ...] = field(default=(), repr=False)
    posterior: float = 0.0

    @property
    def causes(self) -> tuple[str, ...]:
        """Names of its parts."""
        return tuple(part.cause for part in self.parts)


def part(cause, body, basis, variants, odds, frames=()) -> Part:
    """A part out of variants (weight, mean, covariance)."""
    weights = np.array([weight for weight, _, _ in variants], dtype=float)
    means = np.array([np.broadcast_to(mean, basis.shape[2]) for _, mean, _ in variants], dtype=float)
    tiny = 1e-14 * np.eye(basis.shape[2])
    precisions = np.array([np.linalg.inv(covariance + tiny) for _, _, covariance in variants])
    return Part(cause, body, basis, means, precisions, weights / weights.sum(), odds, tuple(frames))


def parts_of(night: NightOffsets, use: np.ndarray) -> list[Part]:
    """Everything that these frames can speak about."""
    found = [*_clock_parts(night, use), *_site_parts(night, use), *_plate_parts(night, use)]
    found += _frame_parts(night, use)
    for body in range(len(night.names)):
        found += [*_orbit_parts(night, use, body), *_other_parts(night, use, body)]
        found += _impostors(night, use, body)
    return [*found, *_without_strays(night, use, found)]


def _without_strays(night, use, parts) -> Iterator[Part]:
    """Hour and longitude where all of a body's lights are strays, which stand where they stand anyhow."""
    for stray in parts:
        if stray.cause == IMPOSTOR and len(stray.frames) == int(np.sum(night.body[use] == stray.body)):
            for piece in parts:
                if piece.cause in (HOUR, LONGITUDE):
                    basis = piece.basis.copy()
                    basis[list(stray.frames)] = 0.0
                    yield replace(piece, basis=basis, frames=stray.frames)


def _times(night, use) -> int:
    return len(np.unique(np.round(night.hours[use], 6)))


def moves(night: NightOffsets, use) -> bool:
    """Whether every body's motion is known, and some body moves."""
    return bool(np.isfinite(night.speed[use]).all() and np.any(np.hypot(*night.speed[use].T) > 0))


def _clock_parts(night, use) -> Iterator[Part]:
    if not moves(night, use):
        return
    speed, hours = night.speed[use][:, :, None], night.hours[use][:, None, None]
    stated = night.clock_sigma_s
    known = np.isfinite(stated) and stated > 0
    widths = [stated * factor for factor in BEYOND] if known else CLOCK_S
    odds = STATED_CLOCK_ODDS if known else PRIOR_ODDS[CLOCK]
    yield part(CLOCK, -1, speed, [(1, 0.0, np.eye(1) * s**2) for s in widths], odds)
    spread = np.hypot(HOUR_SPREAD_S, stated if known else 0.0)
    variants = [(1.0 if h == int(h) else HALF_HOUR_SHARE, h * 3600.0, np.eye(1) * spread**2) for h in HOURS]
    yield part(HOUR, -1, speed, variants, PRIOR_ODDS[HOUR])
    exposure = night.exposure_s[use]
    if np.isfinite(exposure).all() and np.median(exposure) > LEAST_EXPOSURE_S:
        share = np.hypot(EXPOSURE_SPREAD_S, stated if known else 0.0) / np.median(exposure)
        variants = [(weight, mean, np.eye(1) * share**2) for mean, weight in EXPOSURES.items()]
        yield part(EXPOSURE, -1, speed * exposure[:, None, None], variants, PRIOR_ODDS[EXPOSURE])
    if _times(night, use) >= LEAST_TIMES:
        both = np.concatenate([speed, hours * speed], axis=2)
        variants = [(1, 0.0, np.diag([s**2, d**2])) for s, d in product(CLOCK_S[::2], DRIFT_S_H)]
        odds = STATED_CLOCK_ODDS if known else PRIOR_ODDS[CLOCK_DRIFT]
        yield part(CLOCK_DRIFT, -1, both, variants, odds)


def _site_parts(night, use) -> Iterator[Part]:
    """The site's longitude with the wrong sign, or the site another one, through the bodies' parallax."""
    parallax = night.parallax[use]
    if not np.isfinite(parallax).all():
        return
    mirrored = np.einsum("nij,nj->ni", parallax, night.mirror_km[use])[:, :, None]
    if np.isfinite(mirrored).all() and np.any(mirrored):
        yield part(LONGITUDE, -1, mirrored, [(1, 1.0, np.eye(1) * 0.01**2)], PRIOR_ODDS[LONGITUDE])
    yield part(SITE, -1, parallax, [(1, 0.0, np.eye(3) * SITE_KM**2)], PRIOR_ODDS[SITE])


def _plate_parts(night, use) -> Iterator[Part]:
    unchecked = ~np.isfinite(night.plate[use]).all(axis=1)
    if unchecked.any():
        basis = unchecked[:, None, None] * polynomial(night.hours[use], 0)
        yield part(PLATE, -1, basis, [(1, 0.0, np.eye(2) * s**2) for s in PLATE_ARCSEC], PRIOR_ODDS[PLATE])


def _frame_parts(night, use) -> Iterator[Part]:
    """One frame whose time, or whose plate where no star tells, is not that of the others."""
    names = np.array(night.frame)[use]
    frames = list(dict.fromkeys(names))
    if not 2 <= len(frames) <= FEW_FRAMES:
        return
    for name in frames:
        rows = tuple(int(row) for row in np.flatnonzero(names == name))
        mine = (names == name)[:, None, None]
        if moves(night, use):
            basis = mine * night.speed[use][:, :, None]
            variants = [(1, 0.0, np.eye(1) * s**2) for s in CLOCK_S]
            yield part(OWN_TIME, -1, basis, variants, OWN_ODDS, rows)
        if not np.isfinite(night.plate[use[rows[0]]]).all():
            basis = mine * polynomial(night.hours[use], 0)
            variants = [(1, 0.0, np.eye(2) * s**2) for s in PLATE_ARCSEC]
            yield part(OWN_PLATE, -1, basis, variants, OWN_ODDS, rows)


def _mine(night, use, body):
    return (night.body[use] == body)[:, None, None]


def _orbit_parts(night, use, body) -> Iterator[Part]:
    mine, prior = _mine(night, use, body), night.prior[body]
    speed = 3600 * night.speed[use][mine[:, 0, 0]].mean(axis=0) if mine.any() else np.full(2, np.nan)
    drifts = _times(night, use[mine[:, 0, 0]]) >= 2
    basis = mine * polynomial(night.hours[use], int(drifts))
    rate = float(np.hypot(*speed))
    variants = []
    if np.isfinite(prior).all():
        odds = KERNEL_ODDS if np.trace(prior) < 2 * KERNEL_ARCSEC**2 else STATED_ODDS
        for factor, weight in ORBIT_BEYOND:
            shapes = [(1.0, prior * factor**2)]
            if rate > 0:
                along = np.outer(speed, speed) / rate**2
                runs_off = prior + (factor**2 - 1) * np.trace(along @ prior) * along
                shapes = [(1.0 - ALONG_SHARE, shapes[0][1]), (ALONG_SHARE, runs_off)]
            variants += [(weight * share, 0.0, _with_rate(shape, 0.0, drifts)) for share, shape in shapes]
    else:
        odds = PRIOR_ODDS[ORBIT]
        for size, turns in product(ORBIT_ARCSEC, (0.0, ORBIT_RATE_SHARE)):
            shapes = [np.eye(2)]
            if rate > 0:
                along = np.outer(speed, speed) / rate**2
                shapes.append(along + ORBIT_ACROSS**2 * (np.eye(2) - along))
            fast = turns * rate if rate > 0 else 0.0
            variants += [(1, 0.0, _with_rate(size**2 * shape, fast**2 * shape, drifts)) for shape in shapes]
    yield part(ORBIT, body, basis, variants, odds)


def _with_rate(covariance, fast, drifts) -> np.ndarray:
    """Covariance of an orbit's offset and, where there are two times, of its rate in arcsec/h."""
    if not drifts:
        return covariance
    slow = covariance / ORBIT_TIMESCALE_H**2 + fast
    return np.block([[covariance, np.zeros((2, 2))], [np.zeros((2, 2)), slow]])


def _other_parts(night, use, body) -> Iterator[Part]:
    mine = _mine(night, use, body)
    rows = use[mine[:, 0, 0]]
    if _times(night, rows) < 2:
        return
    rate = 3600 * float(np.hypot(*night.speed[rows].mean(axis=0)))
    rates = [share * rate for share in OTHER_SHARE] if rate > 0 else OTHER_ARCSEC_H
    variants = [
        (1, 0.0, np.diag([size**2, size**2, drift**2, drift**2]))
        for size, drift in product(OTHER_ARCSEC, rates)
    ]
    yield part(OTHER, body, mine * polynomial(night.hours[use], 1), variants, PRIOR_ODDS[OTHER])


def _impostors(night, use, body) -> Iterator[Part]:
    """Lights that have nothing to do with the body: on every frame that shows one, or on one of a few."""
    rows = np.flatnonzero(night.body[use] == body)
    if len(rows) > FEW_FRAMES:
        return
    chosen = {tuple(rows)} if len(rows) == 1 or night.n_missed[body] > 0 else set()
    if len(rows) >= 2:
        chosen |= {(row,) for row in rows}
    for frames in sorted(chosen):
        basis = np.zeros((len(use), 2, 2 * len(frames)))
        for k, row in enumerate(frames):
            basis[row, 0, 2 * k] = basis[row, 1, 2 * k + 1] = 1.0
        # Anywhere in the search circle: two standard deviations of a Gaussian reach its rim.
        spread = np.concatenate([np.repeat(max(night.search[use[row]], 1.0) / 2, 2) for row in frames])
        odds = STRAY_LIGHT ** len(frames) * (PRIOR_ODDS[IMPOSTOR] if len(frames) == len(rows) else 1.0)
        yield part(IMPOSTOR, body, basis, [(1, 0.0, np.diag(spread**2))], odds, frames)


class Evidence:
    """The products of all bases with the data, once, from which every hypothesis is a small matrix."""

    def __init__(self, night: NightOffsets, use: np.ndarray, parts: list[Part]):
        self.night, self.use, self.parts = night, use, parts
        self.stated = _stated_parts(night, use)
        columns, self.slices, at = [], [], 0
        for piece in [*self.stated, *parts]:
            width = piece.basis.shape[2]
            self.slices.append(np.arange(at, at + width))
            columns.append(piece.basis)
            at += width
        full = np.concatenate(columns, axis=2) if columns else np.zeros((len(use), 2, 0))
        self.normal, self.right, self.square = _products(night, use, full)

    def weigh(self, chosen: tuple[Part, ...]) -> Hypothesis:
        """Evidence of some parts together, over all variants of their priors."""
        pieces = [*self.stated, *(self._seen_elsewhere(piece, chosen) for piece in chosen)]
        if not pieces:
            log_z = -0.5 * self.square + self._missed(())
            return Hypothesis((), log_z, log_z, (), (), self.square)
        index = self._columns(chosen)
        normal, right = self.normal[np.ix_(index, index)], self.right[index]
        precision, mean, log_weight = _stacked(pieces)
        total = normal + precision
        left = right - mean @ normal
        square = self.square - 2 * mean @ right + np.einsum("vi,ij,vj->v", mean, normal, mean)
        found = np.linalg.solve(total, left[:, :, None])[:, :, 0]
        chi2 = square - np.sum(left * found, axis=1)
        volume = np.linalg.slogdet(precision)[1] - np.linalg.slogdet(total)[1]
        log_z = -0.5 * chi2 + 0.5 * volume
        log_z = log_z + log_weight
        best = int(np.argmax(log_z))
        log_evidence = float(np.logaddexp.reduce(log_z)) + self._missed(chosen)
        parameters, covariance = mean[best] + found[best], np.linalg.inv(total[best])
        at, values, covariances = 0, [], []
        for piece in pieces:
            width = piece.basis.shape[2]
            values.append(parameters[at : at + width])
            covariances.append(covariance[at : at + width, at : at + width])
            at += width
        n = len(self.stated)
        log_odds = log_evidence + sum(np.log(piece.odds) for piece in chosen)
        return Hypothesis(
            chosen, float(log_odds), log_evidence, tuple(values[n:]), tuple(covariances[n:]),
            float(chi2[best]), tuple(self.stated), tuple(values[:n]), tuple(covariances[:n]),
        )  # fmt: skip

    def bound(self, chosen: tuple[Part, ...]) -> float:
        """What the log odds of some parts cannot exceed: their best fit, at no cost for its freedom."""
        index = self._columns(chosen)
        best = np.linalg.pinv(self.normal[np.ix_(index, index)], hermitian=True)
        gained = self.right[index] @ best @ self.right[index]
        log_prior = sum(
            np.log(piece.odds * self._seen_elsewhere(piece, chosen).weights.sum()) for piece in chosen
        )
        return float(-0.5 * (self.square - gained) + self._missed(chosen) + log_prior)

    def _columns(self, chosen) -> np.ndarray:
        """Columns of the stated errors and of some parts."""
        n = len(self.stated)
        rows = [next(i for i, other in enumerate(self.parts) if other is piece) for piece in chosen]
        return np.concatenate([*self.slices[:n], *(self.slices[n + i] for i in rows)])

    def _missed(self, chosen) -> float:
        """Log chance of the frames that show nothing, for each body whose light is taken to be its own."""
        absent = self._absent(chosen)
        # Where every light is another's, the body may be missing from all frames.
        return float(sum(chance for body, chance in enumerate(self.night.log_missed) if body not in absent))

    def _absent(self, chosen) -> list[int]:
        """Bodies that show on no frame if these parts are true: each light is another's."""
        lights = {piece.body: len(piece.frames) for piece in chosen if piece.cause == IMPOSTOR}
        return [body for body, n in lights.items() if n == int(np.sum(self.night.body[self.use] == body))]

    def _seen_elsewhere(self, piece: Part, chosen) -> Part:
        """A wrong hour or longitude, weighted by what stands where bodies would be then."""
        if piece.cause not in (HOUR, LONGITUDE):
            return piece
        night, absent = self.night, self._absent(chosen)
        said = [night.elsewhere[body] for body in (*absent, len(night.names))]
        said += [of for body, of in enumerate(night.missed_elsewhere) if body not in absent]
        halves = (
            np.round(piece.means[:, 0] / 1800.0).astype(int) if piece.cause == HOUR else [LONGITUDE_PLACE]
        )
        log_ratio = [sum(places.get(int(half), 0.0) for places in said) for half in halves]
        most = MOST_LOG_RATIO
        return replace(piece, weights=piece.weights * np.exp(np.clip(log_ratio, -most, most)))


def _stacked(pieces) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Precisions (v, p, p), means (v, p), log weights (v,) of the priors: all variants of pieces combined."""
    counts = [len(piece.weights) for piece in pieces]
    picks = np.indices(counts).reshape(len(counts), -1)
    size, total = sum(piece.basis.shape[2] for piece in pieces), picks.shape[1]
    precision, mean, log_weight = np.zeros((total, size, size)), np.zeros((total, size)), np.zeros(total)
    at = 0
    for piece, which in zip(pieces, picks, strict=True):
        width = piece.basis.shape[2]
        precision[:, at : at + width, at : at + width] = piece.precisions[which]
        mean[:, at : at + width] = piece.means[which]
        log_weight += np.log(piece.weights)[which]
        at += width
    return precision, mean, log_weight


def _stated_parts(night: NightOffsets, use) -> list[Part]:
    """Errors that are stated and so in every hypothesis: the orbits' covariances, the clock's sigma."""
    found = []
    for body in range(len(night.names)):
        if np.isfinite(night.prior[body]).all():
            mine = _mine(night, use, body)
            drifts = _times(night, use[mine[:, 0, 0]]) >= 2
            covariance = _with_rate(night.prior[body] + 1e-10 * np.eye(2), 0.0, drifts)
            basis = mine * polynomial(night.hours[use], int(drifts))
            found.append(part(ORBIT, body, basis, [(1, 0.0, covariance)], 1.0))
    if np.isfinite(night.clock_sigma_s) and moves(night, use):
        sigma = max(night.clock_sigma_s, 1e-6)
        found.append(part(CLOCK, -1, night.speed[use][:, :, None], [(1, 0.0, np.eye(1) * sigma**2)], 1.0))
    return found


def _products(night: NightOffsets, use, basis):
    """Basis' C^-1 basis, basis' C^-1 offset and offset' C^-1 offset; frames share their plate's error."""
    width = basis.shape[2]
    normal, right, square = np.zeros((width, width)), np.zeros(width), 0.0
    names = np.array(night.frame)[use]
    groups: dict[str, list[int]] = {}
    for row, name in enumerate(names):
        groups.setdefault(str(name), []).append(row)
    for rows in groups.values():
        size = len(rows)
        covariance = np.zeros((size, 2, size, 2))
        plate = night.plate_covariance[use[rows[0]]]
        for k, row in enumerate(rows):
            covariance[k, :, k, :] = night.covariance[use[row]]
            for other in range(size):
                if other != k and np.isfinite(plate).all():
                    covariance[k, :, other, :] = plate
        flat = covariance.reshape(2 * size, 2 * size)
        design = basis[rows].reshape(2 * size, width)
        offset = night.offset[use[rows]].reshape(2 * size)
        both = np.linalg.solve(flat, np.column_stack([design, offset]))
        normal += design.T @ both[:, :width]
        right += design.T @ both[:, width]
        square += float(offset @ both[:, width])
    return normal, right, square


def hypotheses(night: NightOffsets) -> list[Hypothesis]:
    """'All well', every cause and every pair of causes, with their posterior chances; likeliest first."""
    use = np.flatnonzero(night.used)
    parts = parts_of(night, use)
    evidence = Evidence(night, use, parts)
    found = [evidence.weigh(())]
    singles = [evidence.weigh((piece,)) for piece in parts if not piece.is_beside_strays]
    found += singles
    if len(night.names) <= MOST_BODIES:
        least = max(one.log_odds for one in found) - NEGLIGIBLE
        pairs = [pair for pair in combinations(parts, 2) if go_together(*pair)]
        found += [evidence.weigh(pair) for pair in pairs if evidence.bound(pair) > least]
    found = [one for one in found if not _is_no_other(night, one)]
    log_odds = np.array([one.log_odds for one in found])
    chances = np.exp(log_odds - np.logaddexp.reduce(log_odds))
    order = np.argsort(-chances, kind="stable")
    return [replace(found[i], posterior=float(chances[i])) for i in order]


def go_together(a: Part, b: Part) -> bool:
    """Whether two parts are two things: not twice the clock, the site, or what one light is."""
    if a.is_time and b.is_time:
        return False
    if {a.cause, b.cause} <= {LONGITUDE, SITE}:
        return False
    for one, other in ((a, b), (b, a)):
        if one.is_beside_strays:
            return other.cause == IMPOSTOR and other.frames == one.frames
        if one.cause in (OWN_TIME, OWN_PLATE) and other.cause in (IMPOSTOR, OWN_TIME, OWN_PLATE):
            return not set(one.frames) & set(other.frames)
    same = a.body == b.body >= 0
    return not same or {a.cause, b.cause} == {ORBIT, IMPOSTOR}


def _is_no_other(night: NightOffsets, one: Hypothesis) -> bool:
    """Whether it takes for another body what drifts no more than a wrong orbit does."""
    for piece, values in zip(one.parts, one.parameters, strict=True):
        if piece.cause == OTHER:
            motion = 3600 * float(np.hypot(*night.speed[night.of(piece.body)].mean(axis=0)))
            if np.hypot(*values[2:4]) < DRIFT_SHARE * motion:
                return True
    return False

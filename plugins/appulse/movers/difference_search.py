r"""Movers on star-subtracted frames: from pixels to tracklets, straight lines that have light all along.

::

    grid --> smooth --> subtract --> detections of each frame --> lines --> moving light --> tracklets
                                     (faint ones too)            (chance)  (all frames together)

Three detections or more propose a line; of slow motion two do. Chance must not have made it, and its light
must be significant, even, and shown by enough frames by themselves.

Moving light: what stands still at every place is unknown and free; what is left of frame k after that is R_k,
the smoothed frame minus the mean of all. A body of flux f at x_k in frame k leaves there::

    R_k(x_k) = f [A(0) - sum_j w_j A(x_k - x_j)]      A: image of a point on the smoothed frames
                          \____ the part of the body that the mean holds: large for a slow one ____/

so the best f for a line is N/D and its squared signal to noise N^2/D, with N = sum R_k(x_k)/v_k and D the
same sum of the brackets. The line is the one that makes N^2/D largest; its covariance follows from the
curvature there (-2 ln L grows by N^2/D). Light that stands still, whatever its changes, makes N zero.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.interpolate import RectBivariateSpline
from scipy.optimize import minimize
from scipy.spatial import cKDTree

from appulse.astrometry import Residual, zero_point
from appulse.constants import ARCSEC_PER_RAD, FWHM_PER_SIGMA
from appulse.movers.difference_images import Differences, detections, photon_factor, subtract, vertices
from appulse.movers.linking import (
    CHI2_LIMIT,
    CURVATURE,
    MOST_PAIRS,
    bend_sigma,
    candidate_lines,
    choices,
    fit_line,
    pairs_to_try,
)
from appulse.movers.smoothed_frames import CommonGrid, GridSky, common_grid, smooth_frames
from appulse.numerics import offsets_rad, unit_from_radec

UNEVEN = 5.0
"""So many sigmas from the common brightness, and beyond these factors of it, a frame is at odds:"""
DIMMEST, BRIGHTEST = 0.4, 2.5
"""A body's brightness varies as it turns, by a magnitude either way at most."""
SLOPE_STEP = 0.01
"""Of the differences that give the slope, px."""
PEAK_PX, PEAK_STEP = 1.5, 0.25
"""Farther from the line a peak is another's, px; and the steps in which it is sought."""
REACH_PX = 3.0
"""How far the line may move from where the detections put it, at its middle and at its ends."""
FAINT = 0.75
"""Detections down to this share of the threshold make lines: all frames together must reach what three
detections at the threshold would."""
PLACE_PX = 0.07
"""Error of a peak's place beside its noise: interpolation, what the registration leaves."""
FALSE_LINES = 0.02
"""Expected number of chance lines at least as bright that is tolerated in a set of frames."""
LEAST_MOTION_FWHM = 0.8
"""What moves less between first and last detection cannot be told from a star whose image changes."""
SLOW_FWHM, SLOW_SPAN = 4.0, 0.3
"""What moves less than so many FWHM over the whole span is proposed by two frames only, which are at least
that share of the span apart: the mean of the others holds its light, and a third may be lost in it."""
VARIABLE = 0.3
"""Relative scatter of a body's brightness from frame to frame, as it turns or the air changes."""
MOST_SLOW = 400
"""So many of these pairs are gone through in about a minute."""
SHOWN = 0.5
"""Least share of the common brightness that a frame must itself show to count as a detection."""
TRAIL_FWHM = 3.0
"""A longer trail is said to cost depth: its own matched filter would be 1.3 times as good as a dot's."""
FLAG = "on the star-subtracted frame: the frame itself shows no dot of its own there"


@dataclass(frozen=True)
class MovingLight:
    """A line with its light."""

    # (3, 2) array; best line minus the proposed one: place at the middle (grid px), speed (px/h), bend
    # (px/h^2).
    moved: np.ndarray
    # (4, 4) array; of x, y, speed x, speed y; grid px and px/h.
    covariance: np.ndarray
    # sqrt(N^2/D): signal to noise of all frames together.
    significance: float
    # (n,) array; signal to noise that the body has in each frame, the stars taken off, its own photons in the
    # noise; NaN where it cannot be seen.
    snr: np.ndarray
    # (n,) array; the same of the light that each frame itself shows on the line.
    seen: np.ndarray
    # (n, 2) array; where each frame itself shows it, px of the grid, what the mean holds of the body put
    # back; NaN where there is no peak on the line.
    places: np.ndarray
    # (n,) array; light of each frame at its place on the line, in the unit of the smoothed frames.
    peak: np.ndarray
    # Frames whose light is not that of the others.
    at_odds: int
    # Frames that show the line's place.
    usable: int


@dataclass(eq=False)
class _Windows:
    """R_k about the proposed place in each usable frame."""

    frames: np.ndarray
    places: np.ndarray
    hours: np.ndarray
    splines: list
    variances: list
    share: np.ndarray
    photons: np.ndarray
    width: float

    def at(self, p):
        """Places on the grid for shifts p (..., 6) of place, speed and bend, (..., n, 2)."""
        t, p = self.hours[:, None], p[..., None, :]
        return self.places + p[..., :2] + t * p[..., 2:4] + 0.5 * t**2 * p[..., 4:]

    def variance(self, p):
        """Of each frame alone, at places so shifted."""
        return np.exp([s.ev(y, x) for s, (x, y) in zip(self.variances, self.at(p), strict=True)])

    def score(self, p, variance):
        """N^2/D, flux in peaks, R_k and brackets for such shifts, many at once."""
        at = self.at(p)
        pairs = zip(self.splines, np.moveaxis(at, -2, 0), strict=True)
        light = np.stack([s.ev(place[..., 1], place[..., 0]) for s, place in pairs], axis=-1)
        distance2 = np.sum((at[..., :, None, :] - at[..., None, :, :]) ** 2, axis=-1)
        bracket = 1.0 - np.exp(-0.5 * distance2 / self.width**2) @ self.share
        # A line along which nothing moves has no bracket: no light can be told there.
        bracket = np.maximum(bracket, 1e-6)
        n, d = np.sum(light / variance, axis=-1), np.sum(bracket / variance, axis=-1)
        return np.sign(n) * n**2 / d, n / d, light, bracket

    def peaks(self, p, flux):
        """Place of the peak near the line in each frame, (n, 2); NaN where there is none."""
        at = self.at(p)
        steps = np.arange(-PEAK_PX, PEAK_PX + 0.01, PEAK_STEP)
        dx, dy = np.meshgrid(steps, steps)
        result = np.full(at.shape, np.nan)
        for k, (x, y) in enumerate(at):
            distance2 = (x + dx[..., None] - at[:, 0]) ** 2 + (y + dy[..., None] - at[:, 1]) ** 2
            held = flux * np.exp(-0.5 * distance2 / self.width**2) @ self.share
            light = self.splines[k].ev(y + dy, x + dx) + held
            j, i = np.unravel_index(np.argmax(light), light.shape)
            if 0 < j < len(steps) - 1 and 0 < i < len(steps) - 1:
                # Finer than the steps, by the parabola through the peak and its neighbours.
                sub = PEAK_STEP * np.stack(vertices(light, j, i))
                result[k] = np.array([x + dx[j, i], y + dy[j, i]]) + sub
        return result


def moving_light(found: Differences, places, hours, bend, bend_sigma: float) -> MovingLight | None:
    """Light along a proposed line."""
    windows = _windows(found, places, hours)
    if windows is None:
        return None
    span = max(np.ptp(windows.hours) / 2, 1e-9)
    scale = np.repeat([1.0, 1 / span, 2 / span**2], 2)

    def badness(q, variance):
        over = np.maximum(np.abs(q) - REACH_PX, 0.0)
        bent = (bend + q[..., 4:] * scale[4:]) / bend_sigma
        score = windows.score(np.clip(q, -REACH_PX, REACH_PX) * scale, variance)[0]
        return -score + np.sum(bent**2, axis=-1) + 1e3 * np.sum(over**2, axis=-1)

    def with_slope(q, variance):
        """Badness and its slope by differences, all in one call."""
        value, *beside = badness(np.vstack([q, q + SLOPE_STEP * np.eye(6)]), variance)
        return value, (np.array(beside) - value) / ((q + SLOPE_STEP) - q)

    q, options = np.zeros(6), {"gtol": 0.3, "maxiter": 40}
    for _ in range(2):
        # Held while the line is sought: a line is not to gain by leaving a star's noise.
        variance = windows.variance(q * scale)
        q = minimize(with_slope, q, (variance,), method="BFGS", jac=True, options=options).x
        q = np.clip(q, -REACH_PX, REACH_PX)
    score, flux, light, bracket = windows.score(q * scale, variance)
    snr, seen, peak = np.full((3, len(places)), np.nan)
    where = np.full((len(places), 2), np.nan)
    noise = np.sqrt(variance + windows.photons * max(flux, 0.0))
    snr[windows.frames] = flux / noise
    # What the mean holds of the body is put back: the light of this frame alone.
    peak[windows.frames] = light + flux * (1.0 - bracket)
    seen[windows.frames] = peak[windows.frames] / noise
    where[windows.frames] = windows.peaks(q * scale, flux)
    covariance = _covariance(lambda p: badness(p, variance), q, scale)
    return MovingLight(
        (q * scale).reshape(3, 2), covariance[:4, :4], float(np.sqrt(max(score, 0.0))), snr, seen, where,
        peak, _at_odds(light, flux * bracket, variance), len(windows.frames),
    )  # fmt: skip


def _covariance(badness, q, scale):
    """From the curvature of N^2/D by differences of 0.2 px."""
    step, eye = 0.2, np.eye(len(q))
    signs = [(a, b) for a in (1, -1) for b in (1, -1)]
    corners = [a * eye[:, None] + b * eye[None] for a, b in signs]
    values = badness(q + step * np.stack(corners))
    curved = sum(a * b * value for (a, b), value in zip(signs, values, strict=True)) / (4 * step**2)
    values, vectors = np.linalg.eigh(0.5 * curved)
    inverse = (vectors / np.maximum(values, 1e-2)) @ vectors.T
    return inverse * np.outer(scale, scale)


def _at_odds(light, expected, variance) -> int:
    pull = (light - expected) / np.sqrt(variance)
    dim = (light < DIMMEST * expected) & (pull < -UNEVEN)
    bright = (light > BRIGHTEST * expected) & (pull > UNEVEN)
    return int(np.sum(dim | bright))


def _windows(found: Differences, places, hours) -> _Windows | None:
    half = int(np.ceil(2 * REACH_PX)) + 2
    usable, splines, variances, share = [], [], [], []
    for k, (x, y) in enumerate(places):
        window = found.window(k, x, y, half)
        if window is None:
            continue
        rows, columns, left, variance = window
        usable.append(k)
        splines.append(RectBivariateSpline(rows, columns, left))
        # The logarithm, or a star's edge would make a spline overshoot.
        variances.append(RectBivariateSpline(rows, columns, np.log(variance), kx=1, ky=1))
        share.append(found.weight[k])
    if len(usable) < 3:
        return None
    return _Windows(
        np.array(usable), np.asarray(places, float)[usable], np.asarray(hours, float)[usable], splines,
        variances, np.array(share) / np.sum(share),
        np.array([photon_factor(found.smoothed, k) for k in usable]), found.smoothed.width,
    )  # fmt: skip


@dataclass(frozen=True)
class Tracklet:
    """A line, its detections and its light."""

    # place, speed, bend: (2,) arrays; xi, eta at the middle (arcsec), per hour and per squared hour.
    place: np.ndarray
    speed: np.ndarray
    bend: np.ndarray
    middle_h: float
    # (4, 4) array; of place and speed, arcsec and arcsec/h.
    covariance: np.ndarray
    # tuple of (int, float, float); frame's index and where the line is on it (x, y of the frame, px), for the
    # frames that show it.
    detections: tuple
    # tuple of (float, float, float, float, float); what each of these frames itself shows: x, y (px of the
    # frame), sigma of either (px), flux and its sigma (stored units of the frame).
    own: tuple
    # Of the frames' own places about the line.
    chi2_per_dof: float
    light: MovingLight


@dataclass(frozen=True)
class TrackletSearch:
    """What the steps of a search share."""

    found: Differences
    sky: GridSky
    seen: list
    hours: np.ndarray
    max_rate: float
    needed: int
    threshold: float

    @property
    def fwhm(self) -> float:
        """Of the frames' stars, arcsec."""
        return self.found.smoothed.width / np.sqrt(2) * FWHM_PER_SIGMA * self.sky.frame.pixel_scale

    @property
    def area(self) -> float:
        """Of the grid, arcsec^2."""
        ny, nx = self.found.shape
        return ny * nx * self.sky.frame.pixel_scale**2


def find_tracklets(search: TrackletSearch) -> tuple[list, tuple]:
    """Lines no chance would make, with light along them."""
    candidates = candidate_lines(search.seen, search.hours, search.max_rate, search.needed)
    slow, notes = _slow_pairs(search), ()
    if len(slow) > MOST_SLOW:
        notes = (
            f"of {len(slow)} pairs of detections that may be slow bodies the {MOST_SLOW} brightest "
            "are tried: a higher --min-snr or fewer frames leave none out",
        )
        slow = slow[:MOST_SLOW]
    proposals = [*(members for members, _ in candidates), *slow]
    strength = [_strength(members, search) for members in proposals]
    taken, lines = set(), []
    for number in np.argsort(strength, kind="stable")[::-1]:
        members = proposals[number]
        if taken & set(members):
            continue
        # For a slow pair only its light can speak: two detections so near to each other are few.
        if len(members) > 2 and not _beyond_chance(members, search, taken):
            continue
        line = _tracklet(search, members)
        if line is None or not _believable(line, search):
            continue
        taken |= set(members) | _near(line, search)
        lines.append(line)
    return lines, notes


def _strength(members, search) -> float:
    return float(sum(search.seen[k][i][3] ** 2 for k, i in members))


def _slow_pairs(search: TrackletSearch) -> list:
    """Pairs of detections of two frames, so near that a third may be lost in the mean; brightest first."""
    pairs = []
    span = np.ptp(search.hours)
    for a, b in combinations(np.argsort(search.hours, kind="stable"), 2):
        if not (len(search.seen[a]) and len(search.seen[b])):
            continue
        share = (search.hours[b] - search.hours[a]) / span
        if share < SLOW_SPAN:
            continue
        reach = min(SLOW_FWHM * search.fwhm, search.max_rate * span) * share
        near = cKDTree(search.seen[a][:, :2]).query_ball_point(search.seen[b][:, :2], reach)
        pairs += [((int(a), int(i)), (int(b), j)) for j, found in enumerate(near) for i in found]
    return sorted(pairs, key=lambda pair: -_strength(pair, search))


def _near(line: Tracklet, search: TrackletSearch) -> set:
    """Detections that are this line's own, whether they were used to find it or not."""
    own = set()
    for k, rows in enumerate(search.seen):
        t = search.hours[k] - line.middle_h
        place = line.place + t * line.speed + 0.5 * t**2 * line.bend
        distance = np.hypot(*(rows[:, :2] - place).T)
        own |= {(k, int(i)) for i in np.flatnonzero(distance < 0.8 * search.fwhm)}
    return own


def _beyond_chance(members, search, taken) -> bool:
    places = np.array([search.seen[k][i][:2] for k, i in members])
    moved = float(np.hypot(*np.ptp(places, axis=0)))
    return moved > LEAST_MOTION_FWHM * search.fwhm and _chance(members, search, taken) < FALSE_LINES


def _chance(members, search, taken) -> float:
    """Expected lines at least as bright in each detection out of what else the frames show."""
    seen, hours = search.seen, search.hours
    members = sorted(members, key=lambda member: hours[member[0]])
    counts = {}
    for k, i in members:
        claimed = {j for frame, j in taken if frame == k} | {i}
        rows = np.delete(seen[k], list(claimed), axis=0)
        counts[k] = float(np.sum(rows[:, 3] >= seen[k][i][3] / 1.1)) + 0.3
    (a, first), (b, last) = members[0], members[-1]
    around = np.pi * (search.max_rate * (hours[b] - hours[a])) ** 2
    chance = counts[a] * counts[b] * min(1.0, around / search.area)
    for k, i in members[1:-1]:
        ends2 = 0.3 * (seen[a][first][2] ** 2 + seen[b][last][2] ** 2)
        reach2 = 12.0 * (seen[k][i][2] ** 2 + ends2 + bend_sigma(hours, k, a, b) ** 2)
        chance *= min(1.0, counts[k] * np.pi * reach2 / search.area)
    return chance * choices(len(seen), len(members))


def _tracklet(search: TrackletSearch, members) -> Tracklet | None:
    """Best line near the one through the detections, all frames taken together."""
    sky, hours = search.sky, search.hours
    solution, middle = _proposed(members, search)
    t = hours - middle
    path = _along(solution, t)
    turn = sky.plane_jacobian(*sky.grid(*solution[:1].T)[:, 0])
    bend = np.linalg.solve(turn, solution[2])
    bend_sigma = CURVATURE / sky.frame.pixel_scale
    light = moving_light(search.found, sky.grid(*path.T).T, t, bend, bend_sigma)
    if light is None:
        return None
    both = np.kron(np.eye(2), turn)
    solution += light.moved @ turn.T
    path = sky.grid(*_along(solution, t).T)
    good = light.seen >= FAINT * search.threshold
    good &= (light.seen > SHOWN * light.snr) & np.isfinite(light.places[:, 0])
    frames = np.flatnonzero(good)
    covariance = both @ light.covariance @ both.T + _floor(t, sky.frame.pixel_scale)
    where = tuple((int(k), *_on_frame(search, k, path[:, k])) for k in frames)
    own = tuple(_own_detection(search, light, k) for k in frames)
    return Tracklet(
        solution[0], solution[1], solution[2], middle, covariance, where, own,
        _scatter_about(light, path.T, good, search.found.smoothed.width), light,
    )  # fmt: skip


def _floor(t, scale):
    """What the frames' registration leaves in place and speed, as of PLACE_PX in each frame, (4, 4)."""
    design = np.column_stack([np.ones(len(t)), t])
    return np.kron((PLACE_PX * scale) ** 2 * np.linalg.inv(design.T @ design), np.eye(2))


def _on_frame(search, k, place):
    """x, y of frame k that show a place of the grid."""
    at = place + search.found.matchings[k].shift(*place)
    x, y = search.sky.registration.to_frame(k, at[:1], at[1:])
    return float(x[0]), float(y[0])


def _own_detection(search, light, k):
    """x, y, sigma, flux and its sigma as frame k itself shows them, in its own pixels and units."""
    smoothed = search.found.smoothed
    area = abs(float(np.linalg.det(search.sky.registration.jacobian(k))))
    flux = light.peak[k] * 2 * np.pi * smoothed.width**2 * area / smoothed.unit[k]
    sigma = np.hypot(smoothed.width / light.seen[k], PLACE_PX) * np.sqrt(area)
    numbers = *_on_frame(search, k, light.places[k]), sigma, flux, flux / light.seen[k]
    return tuple(float(v) for v in numbers)


def _proposed(members, search):
    """Place, speed and bend of the line through detections, (3, 2), and the time of its place."""
    seen, hours = search.seen, search.hours
    weight = np.array([seen[k][i][2] for k, i in members]) ** -2
    times = hours[[k for k, _ in members]]
    middle = float(np.sum(weight * times) / weight.sum())
    if len(members) > 2:
        return fit_line(members, seen, hours)[0], middle
    (p, q) = (seen[k][i][:2] for k, i in members)
    speed = (q - p) / (times[1] - times[0])
    return np.stack([p + speed * (middle - times[0]), speed, np.zeros(2)]), middle


def _along(solution, t):
    return solution[0] + t[:, None] * solution[1] + 0.5 * t[:, None] ** 2 * solution[2]


def _scatter_about(light, path, good, width) -> float:
    """Chi-squared per degree of freedom of the frames' own places about the line."""
    dof = 2 * int(good.sum()) - 4
    if dof <= 0:
        return np.nan
    sigma = np.hypot(width / light.snr[good], PLACE_PX)
    return float(np.sum(((light.places[good] - path[good]) / sigma[:, None]) ** 2) / dof)


def _even(light: MovingLight) -> bool:
    """Whether the frames show one brightness, within their noise and what a turning body may do."""
    known = np.isfinite(light.snr)
    pull2 = (light.seen - light.snr)[known] ** 2 / (1.0 + (VARIABLE * light.snr[known]) ** 2)
    return bool(np.sum(pull2) < CHI2_LIMIT * (known.sum() - 1))


def _believable(line: Tracklet, search: TrackletSearch) -> bool:
    frames = [k for k, _, _ in line.detections]
    if len(frames) < search.needed or not line.chi2_per_dof < CHI2_LIMIT:
        return False
    rate = float(np.hypot(*line.speed))
    return bool(
        line.light.significance >= np.sqrt(3.0) * search.threshold
        and line.light.at_odds <= (line.light.usable - 1) // 4
        and _even(line.light)
        and LEAST_MOTION_FWHM * search.fwhm < rate * np.ptp(search.hours[frames])
        and rate <= 1.05 * search.max_rate
    )


@dataclass(eq=False)
class DifferenceSearch:
    """Star-subtracted frames of a field and the lines in them."""

    registration: CommonGrid
    found: Differences
    # Surest first.
    lines: list
    notes: tuple = ()
    # Of the grid, share that fewer than three frames show unmasked.
    masked_share: float = 0.0


def difference_search(
    frames, plates, hours, *, max_rate, needed, threshold, progress=None
) -> DifferenceSearch:
    """Lines of light on the star-subtracted frames."""
    registration = common_grid(frames, plates)
    smoothed = smooth_frames(registration, plates, progress=progress)
    try:
        found = subtract(registration, plates, smoothed)
        centre = unit_from_radec(*frames[0].centre)
        sky = GridSky(registration, plates, centre)
        seen, notes = _seen(found, sky, hours, max_rate, threshold)
        lines, more = find_tracklets(TrackletSearch(found, sky, seen, hours, max_rate, needed, threshold))
        share, words = _masked(found, smoothed)
        words = *words, *notes, *more, *_trails(registration, plates, max_rate)
        return DifferenceSearch(registration, found, lines, words, share)
    finally:
        smoothed.close()


def _seen(found, sky, hours, max_rate, threshold):
    """Detections of each frame, rows (xi, eta, sigma, q, gx, gy), and a note where some are left out."""
    seen = []
    for k in range(len(hours)):
        gx, gy, q = detections(found, k, FAINT * threshold).T
        xi, eta = sky.offsets(gx, gy)
        sigma = np.hypot(found.smoothed.width / np.maximum(q, 1.0), PLACE_PX) * sky.frame.pixel_scale
        seen.append(np.stack([xi, eta, sigma, q, gx, gy], axis=1))
    limit = FAINT * threshold
    while pairs_to_try(seen, hours, max_rate) > MOST_PAIRS:
        limit *= 1.1
        seen = [rows[rows[:, 3] >= limit] for rows in seen]
    if limit > FAINT * threshold:
        return seen, (
            f"so many detections that only those above S/N {limit:.1f} are tried at up to {max_rate:g} "
            "arcsec/h: a lower --max-rate or fewer frames go deeper",
        )
    return seen, ()


def _masked(found, smoothed):
    """Share of the grid without three usable frames, and the words on it."""
    least = 0.999 * np.sort(found.weight)[:3].sum()
    hidden = float(np.mean(found.total < least))
    frames = float(np.mean(smoothed.masked_share))
    return hidden, (
        f"star-subtracted: {100 * hidden:.1f}% of the area is seen by fewer than three frames "
        f"(saturated, bad or outside); {100 * frames:.1f}% of a frame is masked on average",
    )


def _trails(registration, plates, max_rate):
    """A note where the fastest bodies are no dots: the filter is a dot's."""
    slowest = np.inf
    for frame, plate in zip(registration.frames, plates, strict=True):
        seconds = frame.exposure.span_s
        if seconds > 0:
            fwhm = plate.survey.psf.fwhm * frame.pixel_scale
            slowest = min(slowest, TRAIL_FWHM * fwhm / (seconds / 3600.0))
    if slowest >= max_rate:
        return ()
    return (
        f"beyond {slowest:.0f} arcsec/h a body's trail is longer than {TRAIL_FWHM:g} FWHM on the longest "
        "exposure: such ones are seen less deep",
    )


def measure_on_difference(frame, prediction, plate, own) -> Residual:
    """A mover on one frame as its star-subtracted pixels show it."""
    x, y, sigma, flux, flux_sigma = own
    ra, dec = (float(v) for v in frame.to_sky(x, y))
    xi, eta = offsets_rad(unit_from_radec(prediction.ra, prediction.dec), unit_from_radec(ra, dec))
    dra, ddec, zero_covariance = plate.local_offset(x, y)
    turn = frame.jacobian(x, y)
    mag, mag_sigma = zero_point(plate).magnitude(flux, flux_sigma)
    return Residual(
        frame.name, frame.exposure.mid.utc.isot, prediction.designation, prediction, seen=True, x=x, y=y,
        ra_obs=ra, dec_obs=dec, dra_cosdec=float(xi) * ARCSEC_PER_RAD, ddec=float(eta) * ARCSEC_PER_RAD,
        covariance=sigma**2 * turn @ turn.T, plate_offset=np.array([dra, ddec]),
        plate_covariance=zero_covariance, n_stars=plate.n_stars, snr=flux / flux_sigma, flag=FLAG,
        mag_obs=mag, sigma_mag=mag_sigma, expected_px=(x, y), exposure_s=frame.exposure.seconds,
        mid=frame.exposure.mid,
    )  # fmt: skip

"""Lines through sightings on star-subtracted frames, and whether all frames together show light along them.

Three sightings or more propose a line; of slow motion two do. Chance must not have made it, and its light
must be significant, even, and shown by enough frames by themselves.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.spatial import cKDTree

from appulse.constants import FWHM_PER_SIGMA
from appulse.movers.difference import Differences
from appulse.movers.linking import (
    CHI2_LIMIT,
    CURVATURE,
    bend_sigma,
    candidate_lines,
    choices,
    fit_line,
)
from appulse.movers.moving_light import MovingLight, moving_light
from appulse.movers.registration import GridSky

FAINT = 0.75
"""Sightings down to this share of the threshold make lines: all frames together must reach what three
sightings at the threshold would."""
PLACE_PX = 0.07
"""Error of a peak's place beside its noise: interpolation, what the registration leaves."""
FALSE_LINES = 0.02
"""Expected number of chance lines at least as bright that is tolerated in a set of frames."""
LEAST_MOTION_FWHM = 0.8
"""What moves less between first and last sighting cannot be told from a star whose image changes."""
SLOW_FWHM, SLOW_SPAN = 4.0, 0.3
"""What moves less than so many FWHM over the whole span is proposed by two frames only, which are at least
that share of the span apart: the mean of the others holds its light, and a third may be lost in it."""
VARIABLE = 0.3
"""Relative scatter of a body's brightness from frame to frame, as it turns or the air changes."""
MOST_SLOW = 400
"""So many of these pairs are gone through in about a minute."""
SHOWN = 0.5
"""Least share of the common brightness that a frame must itself show to count as a sighting."""


@dataclass(frozen=True)
class LitLine:
    """A line, its sightings and its light.

    Parameters
    ----------
    place, speed, bend : (2,) arrays
        xi, eta at the middle (arcsec), per hour and per squared hour.
    middle_h : float
    covariance : (4, 4) array
        Of place and speed, arcsec and arcsec/h.
    sightings : tuple of (int, float, float)
        Frame's index and where the line is on it (x, y of the frame, px), for the frames that show it.
    own : tuple of (float, float, float, float, float)
        What each of these frames itself shows: x, y (px of the frame), sigma of either (px), flux and its
        sigma (stored units of the frame).
    chi2_per_dof : float
        Of the frames' own places about the line.
    light : MovingLight
    """

    place: np.ndarray
    speed: np.ndarray
    bend: np.ndarray
    middle_h: float
    covariance: np.ndarray
    sightings: tuple
    own: tuple
    chi2_per_dof: float
    light: MovingLight


@dataclass(frozen=True)
class Search:
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


def lit_lines(search: Search) -> tuple[list, tuple]:
    """Lines no chance would make, with light along them.

    Parameters
    ----------
    search : Search

    Returns
    -------
    lines : list of LitLine
        Brightest first.
    notes : tuple of str
        What was left out, in words.
    """
    candidates = candidate_lines(search.seen, search.hours, search.max_rate, search.needed)
    slow, notes = _slow_pairs(search), ()
    if len(slow) > MOST_SLOW:
        notes = (
            f"of {len(slow)} pairs of sightings that may be slow bodies the {MOST_SLOW} brightest are tried: "
            "a higher --min-snr or fewer frames leave none out",
        )
        slow = slow[:MOST_SLOW]
    proposals = [*(members for members, _ in candidates), *slow]
    strength = [_strength(members, search) for members in proposals]
    taken, lines = set(), []
    for number in np.argsort(strength, kind="stable")[::-1]:
        members = proposals[number]
        if taken & set(members):
            continue
        # For a slow pair only its light can speak: two sightings so near to each other are few.
        if len(members) > 2 and not _beyond_chance(members, search, taken):
            continue
        line = _lit(search, members)
        if line is None or not _believable(line, search):
            continue
        taken |= set(members) | _near(line, search)
        lines.append(line)
    return lines, notes


def _strength(members, search) -> float:
    return float(sum(search.seen[k][i][3] ** 2 for k, i in members))


def _slow_pairs(search: Search) -> list:
    """Pairs of sightings of two frames, so near that a third may be lost in the mean; brightest first."""
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


def _near(line: LitLine, search: Search) -> set:
    """Sightings that are this line's own, whether they were used to find it or not."""
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
    """Expected lines at least as bright in each sighting out of what else the frames show."""
    seen, hours = search.seen, search.hours
    members = sorted(members, key=lambda one: hours[one[0]])
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


def _lit(search: Search, members) -> LitLine | None:
    """Best line near the one through the sightings, all frames taken together."""
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
    own = tuple(_own_sighting(search, light, k) for k in frames)
    return LitLine(
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


def _own_sighting(search, light, k):
    """x, y, sigma, flux and its sigma as frame k itself shows them, in its own pixels and units."""
    smoothed = search.found.smoothed
    area = abs(float(np.linalg.det(search.sky.registration.jacobian(k))))
    flux = light.peak[k] * 2 * np.pi * smoothed.width**2 * area / smoothed.unit[k]
    sigma = np.hypot(smoothed.width / light.seen[k], PLACE_PX) * np.sqrt(area)
    numbers = *_on_frame(search, k, light.places[k]), sigma, flux, flux / light.seen[k]
    return tuple(float(v) for v in numbers)


def _proposed(members, search):
    """Place, speed and bend of the line through sightings, (3, 2), and the time of its place."""
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


def _believable(line: LitLine, search: Search) -> bool:
    frames = [k for k, _, _ in line.sightings]
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

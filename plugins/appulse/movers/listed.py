"""Movers by the lists of sources alone: for frames that cannot be subtracted from each other.

Every frame's sources are compared with those of the others: what stays is a star, listed or not; straight
lines through the rest are movers. A mover that stands on a star, or has not left its own place from frame to
frame, is not found this way.
"""

import numpy as np
from scipy.spatial import cKDTree

from appulse.constants import ARCSEC_PER_RAD
from appulse.movers.linking import (
    MOST_PAIRS,
    area_of,
    bend_sigma,
    candidate_lines,
    choices,
    pairs_to_try,
    without_shared,
)
from appulse.numerics.sphere import offsets_rad, unit_from_radec

SAME_SNR = 5.0
"""A source whose signal to noise differs by more between two frames is another one (exposures differ)."""
FALSE_LINES = 0.05
"""Expected number of chance lines that is tolerated in a set of frames."""


def listed_lines(frames, plates, hours, *, max_rate, needed, threshold, saturated_only=False):
    """Lines through the sources that stay nowhere.

    Parameters
    ----------
    frames, plates : sequences
    hours : (n,) array
        Mid-exposures.
    max_rate : float
        arcsec/h
    needed : int
        Sightings that make a line.
    threshold : float
        Least signal to noise of a source; raised where all pairs could not be gone through.
    saturated_only : bool
        Only what saturates: few, and what subtraction has to mask.

    Returns
    -------
    lines : list of (members, chi2_per_dof)
        Best first.
    free : list of (n, 7) arrays
        Rows of xi, eta, sigma (arcsec), signal to noise, x, y (px), 1.0 where saturated.
    threshold : float
        That was used.
    """
    centre = unit_from_radec(*frames[0].centre)
    free, threshold = _workable(frames, plates, hours, centre, max_rate, threshold, saturated_only)
    lines = candidate_lines(free, hours, max_rate, needed)
    lines.sort(key=lambda one: (-len(one[0]), one[1]))
    return _without_chance(without_shared(lines), free, hours, max_rate), free, threshold


def _workable(frames, plates, hours, centre, max_rate, threshold, saturated_only):
    """Sources that stay nowhere, at a threshold at which their pairs can be gone through."""
    while True:
        seen = [_sources(f, p, centre, threshold) for f, p in zip(frames, plates, strict=True)]
        free = [s[_not_stationary(k, seen)] for k, s in enumerate(seen)]
        if saturated_only:
            free = [s[s[:, 6] > 0] for s in free]
        if pairs_to_try(free, hours, max_rate) <= MOST_PAIRS:
            return free, threshold
        threshold *= 1.15


def _sources(frame, plate, centre, threshold) -> np.ndarray:
    """Sources as rows (xi, eta in arcsec, sigma, snr, x, y, saturated), the plate's zero point off."""
    table = plate.survey.sources
    table = table[np.asarray(table["snr"]) >= threshold]
    if len(table) == 0:
        return np.zeros((0, 7))
    x, y = np.asarray(table["x"]), np.asarray(table["y"])
    xi, eta = (ARCSEC_PER_RAD * v for v in offsets_rad(centre, unit_from_radec(*frame.to_sky(x, y))))
    if plate.corrected:
        shift = plate.model.terms(x, y) @ np.stack([plate.model.east, plate.model.north], axis=1)
        xi, eta = xi - shift[:, 0], eta - shift[:, 1]
    # The detection's own place: noise as of a fit, and a tenth of a pixel for its parabola.
    px = np.hypot(1.5 * plate.survey.psf.fwhm / 2.355 / np.asarray(table["snr"]), 0.1)
    full = plate.survey.saturation
    top = np.asarray(table["peak"]) + plate.survey.sky.at(x, y)
    saturated = np.zeros(len(x)) if full is None else (top >= 0.95 * full).astype(float)
    return np.stack([xi, eta, px * frame.pixel_scale, np.asarray(table["snr"]), x, y, saturated], axis=1)


def _not_stationary(k, seen) -> np.ndarray:
    """Sources of frame k that no other frame shows at the same place and about as bright."""
    mine = seen[k]
    free = np.ones(len(mine), bool)
    for j, other in enumerate(seen):
        if j == k or len(other) == 0 or len(mine) == 0:
            continue
        distance, partner = cKDTree(other[:, :2]).query(mine[:, :2])
        # A bright mover that passes over a faint star is not that star.
        alike = np.abs(np.log(mine[:, 3] / other[partner, 3])) < np.log(SAME_SNR)
        free &= ~alike | (distance > 4.0 * np.hypot(mine[:, 2], other[partner, 2]))
    return free


def _without_chance(lines, free, hours, max_rate):
    """Drop lines of so few sightings that unrelated sources make that many by luck."""
    kept = []
    area = max(area_of(free), 1.0)
    for members, quality in lines:
        # Only sources about as bright could have made such a line: the faint crowd could not.
        faintest = min(free[k][i][3] for k, i in members) / 1.5
        counts = np.array([np.sum(f[:, 3] >= faintest) for f in free])
        frames = sorted({k for k, _ in members}, key=lambda k: hours[k])
        a, b = frames[0], frames[-1]
        pairs = counts[a] * counts[b] * min(1.0, np.pi * (max_rate * (hours[b] - hours[a])) ** 2 / area)
        chance = pairs
        for k in frames[1:-1]:
            reach = 3.5 * np.hypot(np.median(free[k][:, 2]) * 1.3, bend_sigma(hours, k, a, b))
            chance *= min(1.0, counts[k] * np.pi * reach**2 / area)
        # Frames in which it was not seen give luck more ways to choose.
        ways = choices(len(free), len(frames))
        if chance * ways < FALSE_LINES:
            kept.append((members, quality))
    return kept

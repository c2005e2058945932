"""Which source is which star: pairs vote for a shift; if none wins, for a turn, scale and mirror before it.

::

    every pair (star as projected, source) within reach votes for the shift that would make it true:

        . . . . .        wrong pairs spread evenly
        . . # . .   <--  the true ones meet in one cell
        . . . . .

A shift wins only if so many votes in one cell are a chance of less than one in a thousand over all cells; a
WCS that is right has one cell. Two pairs settle a turn and a scale: what others add must be more than luck
gives over all that any two pairs could have settled.
"""

from dataclasses import dataclass, replace
from itertools import chain

import numpy as np
from scipy.spatial import cKDTree

from appulse.numerics import poisson_sf

CHANCE, CERTAIN = 1e-3, 1e-12
CELLS = (1.0, 0.3)
"""Sizes of the cells in which votes meet, of the tolerance."""
MAX_STARS, MAX_SOURCES = 1500, 3000
PATTERN_STARS = 70
MAX_SCALE_ERROR = 0.06
NEAR_ARCSEC = 20.0
"""Shifts of a frame's WCS that are looked for first."""
FAR_ARCSEC = 420.0
"""The largest shift of a WCS that is looked for: a mount that lost its way, not another field."""


@dataclass(frozen=True)
class Match:
    """Pairs of stars and sources and the affine map between them.

    Parameters
    ----------
    star, source : (n,) int arrays
        Indices of the pairs.
    matrix : (2, 2) array
    shift : (2,) array
        source = matrix @ (star - centre) + centre + shift, px.
    centre : (2,) array
    chance : float
        Probability that the first agreement was luck.
    how : str
        'in place', 'shifted', or 'turned' (found by pattern).
    """

    star: np.ndarray
    source: np.ndarray
    matrix: np.ndarray
    shift: np.ndarray
    centre: np.ndarray
    chance: float
    how: str

    def apply(self, places):
        """Pixels where the frame shows what the WCS puts at `places`, shape (n, 2)."""
        return (np.asarray(places) - self.centre) @ self.matrix.T + self.centre + self.shift


def match(stars, sources, *, tolerance: float, near: float, far: float, centre) -> Match | None:
    """Match projected stars to detected sources, both brightest first; None where luck would do as well."""
    # tolerance: how well a true pair agrees once shift, turn and scale are right; near, far: shifts that are
    # tried first, and at most; centre: about which the frame is turned. All px.
    stars, sources, centre = np.asarray(stars, float), np.asarray(sources, float), np.asarray(centre, float)
    if len(stars) < 2 or len(sources) < 2:
        return None
    for reach in sorted({near, np.sqrt(near * far), far}):
        # Far shifts: only the brighter of both, or wrong pairs would drown the true ones.
        n_stars, n_sources = (MAX_STARS, MAX_SOURCES) if reach == near else (MAX_STARS // 2, MAX_SOURCES // 2)
        shift, chance = vote(stars[:n_stars], sources[:n_sources], reach, tolerance, reach == near)
        if shift is not None:
            how = "in place" if reach == near else "shifted"
            return _refine(stars, sources, np.eye(2), shift, centre, chance, tolerance, how)
    best = None
    for matrix in turns(stars[:PATTERN_STARS], sources[:PATTERN_STARS]):
        turned = (stars - centre) @ matrix.T + centre
        shift, chance = vote(turned[:300], sources[:600], 2 * far, 2 * tolerance)
        if shift is not None and (best is None or chance < best[0]):
            best = chance, matrix, shift
            if chance < CERTAIN:
                break
    # A dozen patterns are tried: the first that luck does not explain well need not be the true one.
    if best is None:
        return None
    chance, matrix, shift = best
    found = _refine(stars, sources, matrix, shift, centre, chance, 2 * tolerance, "turned")
    luck = _luck_of_turn(found, stars, sources, 2 * tolerance)
    return replace(found, chance=luck) if luck < CHANCE else None


def match_frame(
    stars, sources, shape, pixel_scale: float, fwhm: float, far_arcsec=FAR_ARCSEC
) -> Match | None:
    """Match stars that a frame's WCS puts on it to its sources, both brightest first.

    Parameters
    ----------
    stars, sources : (n, 2), (m, 2) arrays
        Zero-based px of the frame.
    shape : (int, int)
        Rows and columns of the frame.
    pixel_scale : float
        arcsec
    fwhm : float
        Of the frame's PSF, px: true pairs agree within 0.7 of it.
    far_arcsec : float
        Largest shift that is looked for.

    Returns
    -------
    Match or None
        None where no agreement is better than luck.

    Examples
    --------
    >>> stars = np.random.default_rng(6).uniform(0, 1000, (40, 2))
    >>> match_frame(stars, stars + [3.0, -7.0], (1000, 1000), 2.0, 2.5).how
    'in place'
    """
    # Undersampled stars are placed no better than to a pixel and a half by a quick look.
    tolerance = max(1.5, 0.7 * fwhm)
    near = max(NEAR_ARCSEC / pixel_scale, 3 * tolerance)
    far = max(far_arcsec / pixel_scale, 2 * near)
    centre = (shape[1] - 1) / 2, (shape[0] - 1) / 2
    return match(stars, sources, tolerance=tolerance, near=near, far=far, centre=centre)


def _luck_of_turn(found: Match, stars, sources, tolerance) -> float:
    """Probability that chance gives a turned match so many pairs."""
    stars, sources = stars[:PATTERN_STARS], sources[:PATTERN_STARS]
    pairs = len(found.star)
    low, high = sources.min(axis=0) - tolerance, sources.max(axis=0) + tolerance
    moved = found.apply(stars)
    inside = int(np.sum(np.all((moved >= low) & (moved <= high), axis=1)))
    rate = max(inside * len(sources) * np.pi * tolerance**2 / float(np.prod(high - low)), 1e-9)
    # Two stars on two sources make a turn and a scale, either way round; few scales are near enough to 1.
    settled = 2 * (len(stars) * len(sources)) ** 2 / 2 * MAX_SCALE_ERROR
    return float(min(1.0, settled * poisson_sf(pairs - 3, rate))) if pairs > 2 else 1.0


def vote(stars, sources, reach, cell, as_told=False):
    """Shift with the most votes within `reach`, and the probability of so many by luck.

    With `as_told` that of a WCS that is right is tried first: no other cell had its chance then.
    """
    near = cKDTree(sources).query_ball_point(stars, reach * np.sqrt(2))
    first = np.repeat(np.arange(len(stars)), [len(found) for found in near])
    second = np.fromiter(chain.from_iterable(near), int, len(first))
    offsets = sources[second] - stars[first]
    offsets = offsets[np.max(np.abs(offsets), axis=1) <= reach]
    if len(offsets) < 2:
        return None, 1.0
    best = None, 1.0
    if as_told:
        for part in reversed(CELLS):
            inside = np.hypot(*offsets.T) <= part * cell
            rate = max((len(offsets) - inside.sum()) * np.pi * (part * cell / (2 * reach)) ** 2, 1e-3)
            chance = float(min(1.0, len(CELLS) * poisson_sf(int(inside.sum()) - 1, rate)))
            if inside.sum() >= 3 and chance < CHANCE and chance < best[1]:
                best = np.median(offsets[inside], axis=0), chance
        # Where most of the fewer ones have their partner already no other shift gives more.
        if best[1] < CERTAIN and inside.sum() > 0.5 * min(len(stars), len(sources)):
            return best
    tree = cKDTree(offsets)
    # Few pairs that agree to a fraction of a pixel are as little luck as many that agree to a few.
    for part in CELLS:
        shift, chance = _agreement(tree, offsets, reach, part * cell)
        chance = min(1.0, chance * len(CELLS))
        if shift is not None and chance < CHANCE and chance < best[1]:
            best = shift, chance
    return best


def _agreement(tree, offsets, reach, cell):
    """The fullest cell of a size: its shift, None below three votes, and the probability by luck."""
    counts = tree.query_ball_point(offsets, cell, return_length=True)
    best = int(np.argmax(counts))
    mean = len(offsets) * np.pi * cell**2 / (2 * reach) ** 2
    # The rest of the votes set the rate: the true pairs themselves are no background.
    rate = max((len(offsets) - counts[best]) * np.pi * cell**2 / (2 * reach) ** 2, 0.1 * mean, 1e-6)
    trials = max(len(offsets), (2 * reach / cell) ** 2 / np.pi)
    chance = float(min(1.0, trials * poisson_sf(counts[best] - 2, rate)))
    if counts[best] < 3:
        return None, chance
    inside = offsets[np.hypot(*(offsets - offsets[best]).T) <= cell]
    return np.median(inside, axis=0), chance


def turns(stars, sources, most=12):
    """Turns, scales and mirrors under which the two patterns have most pairs of like length and direction."""
    found = []
    for parity in (1.0, -1.0):
        seen = stars * np.array([1.0, parity])
        (length_a, angle_a), (length_b, angle_b) = _pairs(seen), _pairs(sources)
        if not (len(length_a) and len(length_b)):
            continue
        order = np.argsort(length_b)
        length_b, angle_b = length_b[order], angle_b[order]
        low = np.searchsorted(length_b, length_a - MAX_SCALE_ERROR)
        high = np.searchsorted(length_b, length_a + MAX_SCALE_ERROR)
        n = high - low
        first = np.repeat(np.arange(len(length_a)), n)
        second = np.arange(n.sum()) - np.repeat(np.cumsum(n) - n, n) + np.repeat(low, n)
        turn = (angle_b[second] - angle_a[first]) % np.pi
        scale = length_b[second] - length_a[first]
        votes, turn_edges, scale_edges = np.histogram2d(
            turn, scale, bins=(720, 25), range=((0, np.pi), (-MAX_SCALE_ERROR, MAX_SCALE_ERROR))
        )
        votes = votes + np.roll(votes, 1, axis=0)
        for flat in np.argsort(-votes, axis=None)[: most // 2]:
            i, j = np.unravel_index(flat, votes.shape)
            angle, factor = turn_edges[i], np.exp(0.5 * (scale_edges[j] + scale_edges[j + 1]))
            for half in (0.0, np.pi):
                c, s = np.cos(angle + half), np.sin(angle + half)
                matrix = factor * np.array([[c, -s], [s, c]]) @ np.diag([1.0, parity])
                found.append((votes[i, j], matrix))
    return [matrix for _, matrix in sorted(found, key=lambda pair: -pair[0])]


def _pairs(places):
    """Log length and direction of all pairs that are not very short."""
    i, j = np.triu_indices(len(places), 1)
    step = places[j] - places[i]
    length = np.hypot(*step.T)
    keep = length > 0.1 * length.max() if len(length) else np.zeros(0, bool)
    return np.log(length[keep]), np.arctan2(step[keep, 1], step[keep, 0])


def _refine(stars, sources, matrix, shift, centre, chance, tolerance, how):
    """Nearest sources within a shrinking radius; the affine map grows with the number of pairs."""
    tree = cKDTree(sources)
    wide = tolerance if how != "turned" else 4 * tolerance
    pairs = (np.zeros(0, int), np.zeros(0, int))
    for radius in (2 * wide, 1.5 * wide, 1.2 * tolerance, tolerance, tolerance):
        moved = (stars - centre) @ matrix.T + centre + shift
        distance, partner = tree.query(moved, distance_upper_bound=radius)
        star = np.flatnonzero(np.isfinite(distance))
        star = star[np.argsort(distance[star], kind="stable")]
        _, first = np.unique(partner[star], return_index=True)
        star = np.sort(star[first])
        if len(star) < 3:
            break
        pairs = (star, partner[star])
        a, b = stars[pairs[0]] - centre, sources[pairs[1]] - centre
        if len(star) >= 10:
            matrix, shift = _affine(a, b, matrix, shift)
        else:
            shift = np.median(b - a @ matrix.T, axis=0)
    return Match(*pairs, matrix, np.asarray(shift), centre, chance, how)


def _affine(a, b, matrix, shift):
    """Robust affine map, re-weighted by the residuals; turn and scale only while the stars are few."""
    weight = np.ones(len(a))
    for _ in range(4):
        if len(a) >= 20:
            design = np.column_stack([a, np.ones(len(a))])
            solution = np.linalg.lstsq(design * weight[:, None], b * weight[:, None], rcond=None)[0]
            matrix, shift = solution[:2].T, solution[2]
        else:
            matrix, shift = _similarity(a, b, weight, np.sign(np.linalg.det(matrix)))
        off = np.hypot(*(b - a @ matrix.T - shift).T)
        weight = 1.0 / np.sqrt(1.0 + (off / max(2.0 * np.median(off), 1e-6)) ** 2)
    return matrix, shift


def _similarity(a, b, weight, parity):
    """Turn, scale and shift as one complex number each; a mirror image is conjugated first."""
    z = a[:, 0] + 1j * parity * a[:, 1]
    design = np.column_stack([z, np.ones(len(z))]) * weight[:, None]
    (m, t), *_ = np.linalg.lstsq(design, (b[:, 0] + 1j * b[:, 1]) * weight, rcond=None)
    return np.array([[m.real, -m.imag], [m.imag, m.real]]) @ np.diag([1.0, parity]), np.array(
        [t.real, t.imag]
    )

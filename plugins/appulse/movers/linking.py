"""Straight lines through detections of several frames.

::

    frame 1   *  .        detections in the sky's tangent plane;
    frame 2     *   .     pairs of frames propose a motion, the others must confirm it;
    frame 3   .    *      all places of a line are fitted and the worst line goes first

Detections of a frame are rows (xi, eta in arcsec, sigma in arcsec, signal to noise, ...); what follows is the
business of whoever made them.
"""

from itertools import combinations
from math import comb

import numpy as np
from scipy.spatial import cKDTree

CHI2_LIMIT = 4.0
"""Largest chi-squared per degree of freedom of a line."""
MOST_PAIRS = 1_000_000
"""So many pairs of detections are gone through in about ten seconds."""
CURVATURE = 0.5
"""1-sigma of the bend of a path, arcsec/h^2: an observer who turns with the Earth sees a body at 1 au bend by
up to 8.8 arcsec (2 pi / 24 h)^2 = 0.6."""


def candidate_lines(free, hours, max_rate, needed) -> list:
    """Straight motions through at least `needed` frames, each once."""
    trees = [cKDTree(f[:, :2]) if len(f) else None for f in free]
    typical = [float(np.median(f[:, 2])) if len(f) else np.nan for f in free]
    found = {}
    order = np.argsort(hours)
    for a, b in combinations(order, 2):
        span = hours[b] - hours[a]
        if trees[a] is None or trees[b] is None or span <= 0:
            continue
        for i, j in _promising(free, trees, hours, (a, b), max_rate * span, needed):
            line = _confirm(free, trees, typical, hours, (a, int(i)), (b, int(j)), needed)
            if line is not None:
                found[line[0]] = round(line[1], 9)
    return list(found.items())


def without_shared(lines) -> list:
    """The first lines of a list that share no detection with one before them."""
    taken, kept = set(), []
    for members, quality in lines:
        if not taken & set(members):
            taken |= set(members)
            kept.append((members, quality))
    return kept


def pairs_to_try(free, hours, max_rate) -> float:
    """Expected number of pairs of detections within reach of the fastest motion."""
    area = max(area_of(free), 1.0)
    return sum(
        len(free[a]) * len(free[b]) * min(1.0, np.pi * (max_rate * (hours[b] - hours[a])) ** 2 / area)
        for a, b in combinations(range(len(free)), 2)
    )


def _promising(free, trees, hours, ends, radius, needed) -> np.ndarray:
    """Pairs (n, 2) of sources of two frames on whose line enough other frames show something."""
    a, b = ends
    near = trees[a].query_ball_tree(trees[b], radius)
    first = np.repeat(np.arange(len(near)), [len(partners) for partners in near])
    second = np.array([j for partners in near for j in partners], dtype=int)
    if not len(first):
        return np.zeros((0, 2), int)
    p, q = free[a][first], free[b][second]
    hits = np.zeros(len(first), int)
    for k, tree in enumerate(trees):
        if k in ends or tree is None:
            continue
        lever = (hours[k] - hours[a]) / (hours[b] - hours[a])
        own = np.median(free[k][:, 2]) ** 2 + bend_sigma(hours, k, a, b) ** 2
        reach = 3.5 * np.sqrt(((1 - lever) * p[:, 2]) ** 2 + (lever * q[:, 2]) ** 2 + own)
        distance, _ = tree.query(
            p[:, :2] + lever * (q[:, :2] - p[:, :2]), distance_upper_bound=float(reach.max())
        )
        hits += distance < reach
    keep = hits >= needed - 2
    return np.stack([first[keep], second[keep]], axis=1)


def bend_sigma(hours, k, a, b) -> float:
    """How far a bent path may lie from the straight line through two of its points, 1-sigma, arcsec."""
    return 0.5 * CURVATURE * abs((hours[k] - hours[a]) * (hours[k] - hours[b]))


def _confirm(free, trees, typical, hours, first, second, needed):
    """Detections of the other frames on the line through two, and the line's chi-squared per dof."""
    (a, i), (b, j) = first, second
    p, q = free[a][i], free[b][j]
    speed = (q[:2] - p[:2]) / (hours[b] - hours[a])
    members = [first, second]
    for k, tree in enumerate(trees):
        if k in (a, b) or tree is None:
            continue
        lever = (hours[k] - hours[a]) / (hours[b] - hours[a])
        own = typical[k] ** 2 + bend_sigma(hours, k, a, b) ** 2
        reach = 3.5 * np.sqrt(((1 - lever) * p[2]) ** 2 + (lever * q[2]) ** 2 + own)
        distance, index = tree.query(p[:2] + speed * (hours[k] - hours[a]))
        if distance < reach:
            members.append((k, int(index)))
    if len(members) < needed:
        return None
    members = tuple(sorted((int(k), int(i)) for k, i in members))
    quality = fit_line(members, free, hours)[2]
    while quality >= CHI2_LIMIT and len(members) > needed:
        # One place may be spoilt, by a star's edge or by another's light: the line without it that fits best.
        fewer = [members[:m] + members[m + 1 :] for m in range(len(members))]
        qualities = [fit_line(kept, free, hours)[2] for kept in fewer]
        best = int(np.argmin(qualities))
        members, quality = fewer[best], qualities[best]
    return (members, quality) if quality < CHI2_LIMIT else None


def fit_line(members, free, hours):
    """Least squares through detections, weighted, with a bend that is known to be small."""
    rows = np.array([free[k][i] for k, i in members])
    times = np.array([hours[k] for k, _ in members])
    weight = rows[:, 2] ** -2
    middle = np.sum(weight * times) / weight.sum()
    bend = 0.5 * (times - middle) ** 2
    design = np.column_stack([np.ones(len(times)), times - middle, bend]) / rows[:, 2:3]
    # The bend is known to be small: an observation of it, 0 within its sigma, holds it there.
    design = np.vstack([design, [0.0, 0.0, 1.0 / CURVATURE]])
    measured = np.vstack([rows[:, :2] / rows[:, 2:3], np.zeros(2)])
    solution = np.linalg.lstsq(design, measured, rcond=None)[0]
    left = measured - design @ solution
    dof = 2 * len(members) - 4
    sigmas = np.sqrt(np.diag(np.linalg.inv(design.T @ design)))
    return solution, sigmas, float(np.sum(left**2) / dof)


def choices(n, k) -> float:
    """Ways to choose k of n."""
    return float(comb(n, k))


def area_of(free) -> float:
    """Sky that the sources cover, arcsec^2."""
    places = np.concatenate([f[:, :2] for f in free if len(f)]) if any(map(len, free)) else np.zeros((0, 2))
    return float(np.prod(np.ptp(places, axis=0))) if len(places) > 1 else 0.0

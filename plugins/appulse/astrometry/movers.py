"""What else moves: points of light that shift along a straight line from frame to frame.

::

    frame 1   *  .        sources that stand on no star, in the sky's tangent plane;
    frame 2     *   .     pairs of frames propose a motion, the others must confirm it;
    frame 3   .    *      all places of a line are fitted and the worst line goes first

Every frame's sources are compared with those of the others: what stays is a star, listed or not.
"""

from dataclasses import dataclass, replace
from itertools import combinations
from math import comb

import numpy as np
from astropy import units as u
from astropy.table import QTable
from scipy.spatial import cKDTree

from appulse.astrometry.prediction import Prediction
from appulse.constants import ARCSEC_PER_RAD
from appulse.errors import InputError
from appulse.numerics.spherical import offsets_rad, radec_from_unit, tangent_axes, unit_from_radec

MIN_FRAMES = 3
MAX_RATE = 600.0
"""Fastest motion that is looked for unless told otherwise, arcsec/h."""
CHI2_LIMIT = 4.0
"""Largest chi-squared per degree of freedom of a line."""
MOST_PAIRS = 1_000_000
"""So many pairs of sources are gone through in about ten seconds."""
CURVATURE = 0.5
"""1-sigma of the bend of a path, arcsec/h^2: an observer who turns with the Earth sees a body at 1 au bend by
up to 8.8 arcsec (2 pi / 24 h)^2 = 0.6."""
SAME_SNR = 5.0
"""A source whose signal to noise differs by more between two frames is another one (exposures differ)."""
FALSE_LINES = 0.05
"""Expected number of chance lines that is tolerated in a set of frames."""


@dataclass(frozen=True)
class Mover:
    """Something that moves in a straight line.

    Parameters
    ----------
    ra, dec : float
        Degrees, at the mean time of its sightings.
    rate, motion_pa : float
        arcsec/h and degrees.
    sigma_rate : float
        arcsec/h
    sightings : tuple of (int, float, float)
        Frame's index, x, y (px).
    chi2_per_dof : float
    snr : float
        Mean signal to noise of the sightings.
    designation : str
        Of the predicted body that it is; empty for an unknown one.
    """

    ra: float
    dec: float
    rate: float
    motion_pa: float
    sigma_rate: float
    sightings: tuple
    chi2_per_dof: float
    snr: float
    designation: str = ""


def find_movers(frames, plates, *, predicted=None, max_rate: float = MAX_RATE, min_frames: int | None = None,
                threshold: float = 5.0) -> list[Mover]:  # fmt: skip
    """Unknown and known movers across three or more frames of one field.

    Parameters
    ----------
    frames : sequence of SolvedFrame
    plates : sequence of PlateCheck
        Of the same frames: their sources and zero points are used.
    predicted : sequence of ephemeris tables, optional
        One per frame: predicted bodies, to be matched to what is found.
    max_rate : float
        arcsec/h
    min_frames : int, optional
        Sightings that make a line; by default three, or half of the frames where there are more than six.
    threshold : float
        Least signal to noise of a sighting.

    Returns
    -------
    list of Mover
        Surest first.

    Raises
    ------
    InputError
        With fewer than three frames, or frames of one and the same time.
    """
    if len(frames) < MIN_FRAMES:
        raise InputError(f"{len(frames)} frames: three or more are needed to tell a mover from noise")
    hours = np.array([(f.exposure.mid - frames[0].exposure.mid).to_value("hour") for f in frames])
    if np.ptp(hours) <= 0:
        raise InputError("the frames are all of one time: nothing can be seen to move")
    needed = min_frames or max(MIN_FRAMES, (len(frames) + 1) // 2 if len(frames) > 6 else MIN_FRAMES)
    centre = unit_from_radec(*frames[0].centre)
    seen = [_sources(f, p, centre, threshold) for f, p in zip(frames, plates, strict=True)]
    free = [s[_not_stationary(k, seen)] for k, s in enumerate(seen)]
    lines = _lines(free, hours, max_rate, needed)
    lines = _without_chance(lines, free, hours, max_rate)
    movers = [_mover(line, free, hours, centre) for line in lines]
    return [_named(m, predicted, hours) for m in movers] if predicted is not None else movers


def mover_table(movers) -> QTable:
    """Movers as a table: ``designation, ra, dec, rate, motion_pa, sigma_rate, frames, snr, chi2_per_dof``.

    Parameters
    ----------
    movers : sequence of Mover

    Returns
    -------
    QTable

    Examples
    --------
    >>> len(mover_table([Mover(1.0, 2.0, 30.0, 90.0, 0.1, ((0, 1.0, 2.0),), 1.0, 9.0)]))
    1
    """
    rate = u.arcsec / u.hour
    return QTable({
        "designation": [m.designation or "unknown" for m in movers],
        "ra": [m.ra for m in movers] * u.deg, "dec": [m.dec for m in movers] * u.deg,
        "rate": [m.rate for m in movers] * rate, "motion_pa": [m.motion_pa for m in movers] * u.deg,
        "sigma_rate": [m.sigma_rate for m in movers] * rate, "frames": [len(m.sightings) for m in movers],
        "snr": [m.snr for m in movers], "chi2_per_dof": [m.chi2_per_dof for m in movers],
    })  # fmt: skip


def _sources(frame, plate, centre, threshold) -> np.ndarray:
    """Sources as rows (xi, eta in arcsec, sigma, snr, x, y), the plate's zero point off."""
    table = plate.survey.sources
    table = table[np.asarray(table["snr"]) >= threshold]
    if len(table) == 0:
        return np.zeros((0, 6))
    x, y = np.asarray(table["x"]), np.asarray(table["y"])
    xi, eta = (ARCSEC_PER_RAD * v for v in offsets_rad(centre, unit_from_radec(*frame.to_sky(x, y))))
    if plate.corrected:
        shift = plate.model.terms(x, y) @ np.stack([plate.model.east, plate.model.north], axis=1)
        xi, eta = xi - shift[:, 0], eta - shift[:, 1]
    # The detection's own place: noise as of a fit, and a tenth of a pixel for its parabola.
    px = np.hypot(1.5 * plate.survey.psf.fwhm / 2.355 / np.asarray(table["snr"]), 0.1)
    return np.stack([xi, eta, px * frame.pixel_scale, np.asarray(table["snr"]), x, y], axis=1)


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


def _lines(free, hours, max_rate, needed):
    """Straight motions through at least `needed` frames, best first, no sighting used twice."""
    trees = [cKDTree(f[:, :2]) if len(f) else None for f in free]
    found = []
    order = np.argsort(hours)
    for a, b in combinations(order, 2):
        span = hours[b] - hours[a]
        if trees[a] is None or trees[b] is None or span <= 0:
            continue
        for i, j in _promising(free, trees, hours, (a, b), max_rate * span, needed):
            line = _confirm(free, trees, hours, (a, int(i)), (b, int(j)), needed)
            if line is not None:
                found.append(line)
    found.sort(key=lambda one: (-len(one[0]), one[1]))
    taken, kept = set(), []
    for members, quality in found:
        if not taken & set(members):
            taken |= set(members)
            kept.append((members, quality))
    return kept


def _promising(free, trees, hours, ends, radius, needed) -> np.ndarray:
    """Pairs (n, 2) of sources of two frames on whose line enough other frames show something."""
    a, b = ends
    near = trees[a].query_ball_tree(trees[b], radius)
    first = np.repeat(np.arange(len(near)), [len(one) for one in near])
    second = np.array([j for one in near for j in one], dtype=int)
    if not len(first):
        return np.zeros((0, 2), int)
    p, q = free[a][first], free[b][second]
    hits = np.zeros(len(first), int)
    for k, tree in enumerate(trees):
        if k in ends or tree is None:
            continue
        lever = (hours[k] - hours[a]) / (hours[b] - hours[a])
        own = np.median(free[k][:, 2]) ** 2 + _bend(hours, k, a, b) ** 2
        reach = 3.5 * np.sqrt(((1 - lever) * p[:, 2]) ** 2 + (lever * q[:, 2]) ** 2 + own)
        distance, _ = tree.query(
            p[:, :2] + lever * (q[:, :2] - p[:, :2]), distance_upper_bound=float(reach.max())
        )
        hits += distance < reach
    keep = hits >= needed - 2
    return np.stack([first[keep], second[keep]], axis=1)


def _bend(hours, k, a, b) -> float:
    """How far a bent path may lie from the straight line through two of its points, 1-sigma, arcsec."""
    return 0.5 * CURVATURE * abs((hours[k] - hours[a]) * (hours[k] - hours[b]))


def workable_threshold(frames, plates, *, max_rate: float = MAX_RATE, threshold: float = 5.0) -> float:
    """Least signal to noise at which the pairs of sources can be gone through in reasonable time.

    Parameters
    ----------
    frames, plates, max_rate
        As for :func:`find_movers`.
    threshold : float
        Where to begin.

    Returns
    -------
    float
        `threshold` itself unless the field is crowded, the night long and the rate high.
    """
    hours = np.array([(f.exposure.mid - frames[0].exposure.mid).to_value("hour") for f in frames])
    centre = unit_from_radec(*frames[0].centre)
    while True:
        seen = [_sources(f, p, centre, threshold) for f, p in zip(frames, plates, strict=True)]
        free = [s[_not_stationary(k, seen)] for k, s in enumerate(seen)]
        area = max(_area(free), 1.0)
        pairs = sum(
            len(free[a]) * len(free[b]) * min(1.0, np.pi * (max_rate * (hours[b] - hours[a])) ** 2 / area)
            for a, b in combinations(range(len(free)), 2)
        )
        if pairs <= MOST_PAIRS:
            return threshold
        threshold *= 1.15


def _confirm(free, trees, hours, first, second, needed):
    """Sightings of the other frames on the line through two, and the line's chi-squared per dof."""
    (a, i), (b, j) = first, second
    p, q = free[a][i], free[b][j]
    speed = (q[:2] - p[:2]) / (hours[b] - hours[a])
    members = [first, second]
    for k, tree in enumerate(trees):
        if k in (a, b) or tree is None:
            continue
        lever = (hours[k] - hours[a]) / (hours[b] - hours[a])
        own = np.median(free[k][:, 2]) ** 2 + _bend(hours, k, a, b) ** 2
        reach = 3.5 * np.sqrt(((1 - lever) * p[2]) ** 2 + (lever * q[2]) ** 2 + own)
        distance, index = tree.query(p[:2] + speed * (hours[k] - hours[a]))
        if distance < reach:
            members.append((k, int(index)))
    if len(members) < needed:
        return None
    members = tuple(sorted((int(k), int(i)) for k, i in members))
    _, _, quality = _fit_line(members, free, hours)
    return (members, quality) if quality < CHI2_LIMIT else None


def _fit_line(members, free, hours):
    """Place at the mean time and speed (2, 2), their sigmas (2,), chi-squared per degree of freedom."""
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
    sigmas = np.sqrt(np.diag(np.linalg.pinv(design.T @ design)))
    return solution, sigmas, float(np.sum(left**2) / dof)


def _without_chance(lines, free, hours, max_rate):
    """Drop lines of so few sightings that unrelated sources make that many by luck."""
    kept = []
    area = max(_area(free), 1.0)
    for members, quality in lines:
        # Only sources about as bright could have made such a line: the faint crowd could not.
        faintest = min(free[k][i][3] for k, i in members) / 1.5
        counts = np.array([np.sum(f[:, 3] >= faintest) for f in free])
        frames = sorted({k for k, _ in members}, key=lambda k: hours[k])
        a, b = frames[0], frames[-1]
        pairs = counts[a] * counts[b] * min(1.0, np.pi * (max_rate * (hours[b] - hours[a])) ** 2 / area)
        chance = pairs
        for k in frames[1:-1]:
            reach = 3.5 * np.hypot(np.median(free[k][:, 2]) * 1.3, _bend(hours, k, a, b))
            chance *= min(1.0, counts[k] * np.pi * reach**2 / area)
        # Frames in which it was not seen give luck more ways to choose.
        ways = _choices(len(free), len(frames))
        if chance * ways < FALSE_LINES:
            kept.append((members, quality))
    return kept


def _choices(n, k) -> float:
    return float(comb(n, k))


def _area(free) -> float:
    """Sky that the sources cover, arcsec^2."""
    places = np.concatenate([f[:, :2] for f in free if len(f)]) if any(map(len, free)) else np.zeros((0, 2))
    return float(np.prod(np.ptp(places, axis=0))) if len(places) > 1 else 0.0


def _mover(line, free, hours, centre) -> Mover:
    members, quality = line
    solution, sigmas, _ = _fit_line(members, free, hours)
    east, north = tangent_axes(centre)
    place = centre + (solution[0, 0] * east + solution[0, 1] * north) / ARCSEC_PER_RAD
    ra, dec = radec_from_unit(place)
    speed = solution[1]
    pa = float(np.degrees(np.arctan2(speed[0], speed[1])) % 360.0)
    sightings = tuple((k, float(free[k][i][4]), float(free[k][i][5])) for k, i in members)
    snr = float(np.mean([free[k][i][3] for k, i in members]))
    return Mover(
        float(ra), float(dec), float(np.hypot(*speed)), pa, float(sigmas[1]), sightings, quality, snr
    )


def _named(mover: Mover, predicted, hours) -> Mover:
    """Name of the predicted body that stays within 5 arcsec of it and moves alike."""
    k = min((k for k, _, _ in mover.sightings), key=lambda k: abs(hours[k] - np.mean(hours)))
    mean_hours = np.mean([hours[i] for i, _, _ in mover.sightings])
    here = unit_from_radec(mover.ra, mover.dec)
    for row in predicted[k]:
        body = Prediction.from_row(row)
        xi, eta = (ARCSEC_PER_RAD * v for v in offsets_rad(here, unit_from_radec(body.ra, body.dec)))
        moved = np.array([xi, eta]) + np.array([body.ra_rate, body.dec_rate]) * (mean_hours - hours[k])
        pa = np.radians(mover.motion_pa)
        drift = np.hypot(mover.rate * np.sin(pa) - body.ra_rate, mover.rate * np.cos(pa) - body.dec_rate)
        if np.hypot(*moved) < 5.0 + body.rate / 60 and drift < 5 * mover.sigma_rate + 0.05 * body.rate:
            return replace(mover, designation=body.designation)
    return mover

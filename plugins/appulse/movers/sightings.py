"""Sightings: peaks of a star-subtracted frame that went through the telescope."""

import numpy as np
from scipy import ndimage

from appulse.movers.difference import Differences

SHARP, SHARP_SIGMAS = 0.6, 2.5
"""From so far on between a point of light and a single pixel's, and beyond its noise, a peak is a hit. (A
slow body, dug out from both sides by the mean, is at 0.4.)"""


def sightings(found: Differences, k: int, threshold: float) -> np.ndarray:
    """Peaks of q_k: rows (x, y of the grid, q), brightest first.

    Parameters
    ----------
    found : Differences
    k : int
    threshold : float
        Least q.

    Returns
    -------
    (n, 3) array
    """
    if found.scatter[k] is None:
        return np.zeros((0, 3))
    parts = []
    for rows in found.strips():
        low = max(0, rows.start - 2)
        q = found.significance(k, slice(low, min(found.shape[0], rows.stop + 2)))
        q = np.nan_to_num(q, nan=-1.0)
        top = (q >= threshold) & (q == ndimage.maximum_filter(q, 3, mode="nearest"))
        y, x = np.nonzero(top)
        inside = (y > 0) & (y < q.shape[0] - 1) & (x > 0) & (x < q.shape[1] - 1)
        inside &= (y + low >= rows.start) & (y + low < rows.stop)
        y, x = y[inside], x[inside]
        soft = ~_sharp(found.smoothed, k, q, x, y)
        x, y = x[soft], y[soft]
        dx = vertex(q[y, x - 1], q[y, x], q[y, x + 1])
        dy = vertex(q[y - 1, x], q[y, x], q[y + 1, x])
        parts.append(np.stack([x + dx, y + low + dy, q[y, x]], axis=1))
    peaks = np.concatenate(parts)
    return peaks[np.argsort(-peaks[:, 2], kind="stable")]


def _sharp(smoothed, k, q, x, y):
    """Peaks too sharp for anything that went through the telescope: cosmic rays, hot pixels.

    The noise of the curvature over the peak is about half a hit's curvature over q.
    """
    peak = q[y, x]
    bend = 4.0 - (q[y, x - 1] + q[y, x + 1] + q[y - 1, x] + q[y + 1, x]) / peak
    hit, point = smoothed.hit_bend[k], smoothed.point_bend
    return bend - point > SHARP * (hit - point) + SHARP_SIGMAS * 0.5 * hit / peak


def vertex(left, middle, right):
    """Where the parabola through three values has its top, in steps from the middle.

    Examples
    --------
    >>> float(vertex(0.0, 1.0, 1.0))
    0.5
    """
    bend = np.maximum(2 * middle - left - right, 1e-12)
    return np.clip(0.5 * (right - left) / bend, -0.5, 0.5)

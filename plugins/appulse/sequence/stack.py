"""Stacks: a weighted mean of every pixel with what belongs to one frame only thrown out, strip by strip.

A pixel of frame i is thrown out when it lies further from the median of all than `clip` times

    sqrt(max(sigma_i^2 + photons, lower scatter^2) + (STRUCTURE x local range of the median)^2)

The last term lets a star's flank differ with the seeing; without it the cores of stars would be clipped. The
noise is modelled; the lower scatter, from median and lower quartile, exceeds it where a nebula drifts under
a body at rest, and knows nothing of stars and satellites, which are bright.
"""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from appulse.errors import InputError
from appulse.sequence.threads import in_order

STRIP_BYTES = 48e6
"""Of one strip of all frames; about six such arrays are alive in each thread."""
STRUCTURE = 0.25
FEWEST = 3
"""Frames needed to tell which of them is off."""


@dataclass
class Stack:
    """A stack and what is known of it.

    Parameters
    ----------
    data, noise : (ny, nx) float32 arrays
        Weighted mean, and one sigma of it by the noise model: its squares add up over an aperture.
    count : (ny, nx) int16 array
        Frames that went into each pixel.
    rejected : float
        Share of frame pixels thrown out.
    """

    data: np.ndarray
    noise: np.ndarray
    count: np.ndarray
    rejected: float


@dataclass(frozen=True)
class Layer:
    """One frame of a stack.

    Parameters
    ----------
    plane : Plane
        The frame on the grid.
    level : Level
    weight : float
    gain_e : float
        Electrons per levelled unit; infinite where unknown.
    masked : callable or None
        ``masked(first, last)`` gives a bool array of those rows: pixels not to be used where enough others
        are; None for none.
    local : callable or None
        ``local(first, last)``: light of the still sky as it lies under those rows in this frame. Its
        departure from the mean of all frames is taken off: a frame left out leaves no step behind.
    share : callable or None
        ``share(first, last)``: 0 to 1, falling towards the frame's border; or None where it is 1 all over.
    """

    plane: object
    level: object
    weight: float
    gain_e: float = np.inf
    masked: object = None
    local: object = None
    share: object = None


def stack(layers, shape, *, clip=(4.0, 3.0), free=0.25, workers=1, progress=None) -> Stack:
    """Stack layers on one grid.

    Parameters
    ----------
    layers : list of Layer
    shape : (int, int)
    clip : (float, float)
        Sigmas below and above the median beyond which a pixel is thrown out.
    free : float
        Share of the frames that must be left unmasked for the masks to hold; at least one frame.
    workers : int
        Threads.
    progress : callable, optional
        Called with the number of rows done.

    Returns
    -------
    Stack

    Raises
    ------
    InputError
        Without layers.
    """
    if not layers:
        raise InputError("no frame to stack: every one was left out")
    ny, nx = shape
    rows = int(max(8, min(ny, STRIP_BYTES / (4.0 * nx * len(layers)))))
    out = Stack(
        np.empty(shape, np.float32), np.empty(shape, np.float32), np.empty(shape, np.int16), 0.0
    )  # fmt: skip
    thrown = []

    def strip(first):
        last = min(first + rows, ny)
        low, high = max(0, first - 1), min(ny, last + 1)
        *values, shares = _strip(layers, low, high)
        part = combine(*values, clip, free, shares)
        inner = slice(first - low, first - low + last - first)
        out.data[first:last], out.noise[first:last] = part[0][inner], part[1][inner]
        out.count[first:last] = part[2][inner]
        thrown.append((part[3], (high - low) * nx * len(layers)))
        return last - first

    for done in in_order(strip, range(0, ny, rows), workers):
        if progress is not None:
            progress(done)
    out.rejected = sum(t for t, _ in thrown) / max(1, sum(n for _, n in thrown))
    return out


def _strip(layers, low, high):
    values = np.stack([layer.level.apply(layer.plane.rows(low, high), 0, low) for layer in layers])
    if all(layer.local is not None for layer in layers):
        still = np.stack([layer.local(low, high) for layer in layers])
        still -= still.mean(axis=0)
        values -= still
        del still
    sigma = np.array([layer.level.sigma for layer in layers], dtype=np.float32)
    white = np.array([layer.level.white for layer in layers], dtype=np.float32)
    weight = np.array([layer.weight for layer in layers], dtype=np.float32)
    gain = np.array([layer.gain_e for layer in layers], dtype=np.float32)
    masks = None
    if any(layer.masked is not None for layer in layers):
        masks = np.zeros(values.shape, dtype=bool)
        for mask, layer in zip(masks, layers, strict=True):
            if layer.masked is not None:
                mask[:] = layer.masked(low, high)
    shares = [None if layer.share is None else layer.share(low, high) for layer in layers]
    if any(share is not None for share in shares):
        one = np.float32(1.0)
        shares = np.stack([np.broadcast_to(one if s is None else s, values.shape[1:]) for s in shares])
    else:
        shares = None
    return values, sigma, white, weight, gain, masks, layers[0].level.sky, shares


def combine(values, sigma, white, weight, gain, masks, sky, clip, free=0.25, shares=None):
    """Weighted mean of a strip with rejection.

    Parameters
    ----------
    values : (n, rows, nx) float32 array
        Overwritten.
    sigma, white, weight, gain : (n,) float32 arrays
        Scatter of a pixel, noise by which pixels add up, weight, electrons per unit.
    masks : (n, rows, nx) bool array or None
    sky : float
        Light above it has photon noise of its own.
    clip : (float, float)
    free : float
    shares : (n, rows, nx) float32 array or None
        Factors of the weights.

    Returns
    -------
    mean, noise : (rows, nx) float32 arrays
    count : (rows, nx) int16 array
    n_rejected : int

    Examples
    --------
    >>> values = np.full((5, 1, 4), 10.0, np.float32)
    >>> values[2, 0, 1] = 99.0
    >>> ones = np.ones(5, np.float32)
    >>> mean, noise, count, n = combine(values, ones, ones, ones, ones * np.inf, None, 0.0, (4.0, 3.0))
    >>> mean.tolist(), count.tolist(), n, round(float(noise[0, 0]), 4)
    ([[10.0, 10.0, 10.0, 10.0]], [[5, 4, 5, 5]], 1, 0.4472)
    """
    valid = np.isfinite(values)
    if masks is not None:
        unmasked = valid & ~masks
        # Where the mask would leave too little, all frames are looked at again: better a clipped mean of
        # everything than a hole.
        least = np.maximum(1, free * valid.sum(axis=0, dtype=np.int16))
        valid = np.where((unmasked.sum(axis=0, dtype=np.int16) >= least)[None], unmasked, valid)
    n = valid.sum(axis=0, dtype=np.int16)
    middle, scatter = _median(values, valid, n)
    structure = STRUCTURE * (
        ndimage.maximum_filter(middle, 3, mode="nearest") - ndimage.minimum_filter(middle, 3, mode="nearest")
    )
    light = np.maximum(middle - np.float32(sky), 0.0)
    kept = valid.copy()
    rejected = 0
    for i in range(len(values)):
        limit = np.sqrt(np.maximum(sigma[i] ** 2 + light / gain[i], scatter**2) + structure**2)
        off = values[i] - middle
        # NaN compares false: such pixels are not valid anyway.
        wild = ((off > clip[1] * limit) | (off < -clip[0] * limit)) & valid[i] & (n >= FEWEST)
        kept[i] &= ~wild
        rejected += int(wild.sum())
    values[~kept] = 0.0
    total, mean, variance = np.zeros((3, *middle.shape), dtype=np.float32)
    for i in range(len(values)):
        own = kept[i] * weight[i] if shares is None else kept[i] * (weight[i] * shares[i])
        total += own
        mean += own * values[i]
        variance += own**2 * (white[i] ** 2 + light / gain[i])
    count = kept.sum(axis=0, dtype=np.int16)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean, noise = mean / total, np.sqrt(variance) / total
    # Two camps, each far from the median between them: the median stands, with the noise of one frame.
    split = (count == 0) & (n > 0)
    mean[split], noise[split], count[split] = middle[split], sigma.max(), 1
    return mean, noise, count, rejected


def _median(values, valid, n):
    """Median of the valid values along the first axis, 0 where there is none; scatter below it."""
    ordered = np.where(valid, values, np.float32(np.inf))
    ordered.sort(axis=0)
    low = np.maximum((n - 1) // 2, 0).astype(np.intp)[None]
    high = np.minimum(n // 2, len(values) - 1).astype(np.intp)[None]
    middle = 0.5 * (np.take_along_axis(ordered, low, 0)[0] + np.take_along_axis(ordered, high, 0)[0])
    quarter = np.take_along_axis(ordered, np.maximum((n - 1) // 4, 0).astype(np.intp)[None], 0)[0]
    with np.errstate(invalid="ignore"):
        scatter = np.where(n >= 4, (middle - quarter) / np.float32(0.6745), np.float32(0.0))
    return np.where(n > 0, middle, np.float32(0.0)), scatter

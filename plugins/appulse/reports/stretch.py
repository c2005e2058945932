"""Numbers of a frame as grey or colour values: an asinh stretch whose ends come from the frame itself."""

from __future__ import annotations

import numpy as np

from appulse.errors import FrameError

SAMPLE = 400_000
"""Pixels looked at to find the ends of the stretch."""
BLACK_SIGMAS, SOFT_SIGMAS = 2.0, 4.0
WHITE_PERCENTILE = 99.7
BLANK = 18
"""Grey of pixels without a number."""


def stretch_ends(values):
    """Black, knee and white of a stretch.

    Parameters
    ----------
    values : array
        Pixels; those that are not finite are passed over.

    Returns
    -------
    black, soft, white : float
        Sky less two of its sigmas; the numbers above black up to which the stretch is nearly straight; the
        brightest 0.3 % are white.

    Raises
    ------
    FrameError
        No pixel is finite.

    Examples
    --------
    >>> black, soft, white = stretch_ends(np.random.default_rng(1).normal(100.0, 5.0, (200, 200)))
    >>> round(black), round(soft), round(white)
    (90, 20, 130)
    """
    flat = np.ravel(values)
    flat = flat[:: max(1, flat.size // SAMPLE)].astype(float)
    flat = flat[np.isfinite(flat)]
    if flat.size == 0:
        raise FrameError("no pixel of the frame is a finite number: there is nothing to draw")
    middle = np.median(flat)
    sigma = 1.4826 * np.median(np.abs(flat - middle))
    if not sigma > 0:
        sigma = max(float(np.std(flat)) / 3.0, 1e-12 * max(abs(middle), 1.0))
    black = middle - BLACK_SIGMAS * sigma
    white = max(np.percentile(flat, WHITE_PERCENTILE), middle + 6.0 * sigma)
    return float(black), float(SOFT_SIGMAS * sigma), float(white)


def to_bytes(values, ends):
    """Values from 0 to 255 by an asinh stretch; blank pixels dark.

    Parameters
    ----------
    values : array
    ends : (black, soft, white)
        As :func:`stretch_ends`.

    Returns
    -------
    uint8 array of the same shape

    Examples
    --------
    >>> to_bytes(np.array([0.0, 10.0, 100.0, np.nan]), (0.0, 10.0, 100.0)).tolist()
    [0, 75, 255, 18]
    """
    black, soft, white = ends
    with np.errstate(invalid="ignore"):
        scaled = np.arcsinh((values - black) / soft) / np.arcsinh((white - black) / soft)
        grey = np.clip(np.nan_to_num(scaled), 0.0, 1.0) * 255.0
    return np.where(np.isfinite(values), grey.round(), BLANK).astype(np.uint8)


def reduced(plane, step):
    """Means of `step` by `step` pixels, blank ones left out; the last ones are of what remains.

    Examples
    --------
    >>> reduced(np.arange(6.0).reshape(2, 3), 2).tolist()
    [[2.0, 3.5]]
    """
    if step == 1:
        return np.asarray(plane, dtype=np.float32)
    ny, nx = plane.shape
    rows = range(0, ny, step)
    out = np.empty((len(rows), -(-nx // step)), dtype=np.float32)
    for i, first in enumerate(rows):
        # Strip by strip: no second copy of a large frame.
        strip = np.asarray(plane[first : first + step], dtype=np.float64)
        good = np.isfinite(strip)
        starts = np.arange(0, nx, step)
        total = np.add.reduceat(np.where(good, strip, 0.0).sum(axis=0), starts)
        count = np.add.reduceat(good.sum(axis=0), starts)
        out[i] = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return out


def frame_pixels(frame, step=1):
    """A frame as (ny, nx, 3) bytes, rows counted upwards as in the frame.

    Parameters
    ----------
    frame : SolvedFrame
    step : int
        Pixels taken together.

    Raises
    ------
    FrameError
        As :func:`stretch_ends`.
    """
    if frame.colour is None:
        plane = reduced(frame.data, step)
        grey = to_bytes(plane, stretch_ends(plane))
        return np.repeat(grey[:, :, None], 3, axis=2)
    planes = [reduced(plane, step) for plane in frame.colour]
    ends = [stretch_ends(plane) for plane in planes]
    # One range for the three keeps the colours of what is brighter than the sky.
    soft, span = max(e[1] for e in ends), max(e[2] - e[0] for e in ends)
    return np.stack(
        [to_bytes(p, (e[0], soft, e[0] + span)) for p, e in zip(planes, ends, strict=True)], axis=2
    )

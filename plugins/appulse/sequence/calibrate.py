"""Masters, hot pixels and colour mosaics: as much calibration as the pictures need."""

from dataclasses import replace

import numpy as np
from scipy import ndimage

from appulse.errors import InputError
from appulse.numerics import mad_sigma
from appulse.registration import READING

HOT_SIGMAS = 15.0
HOT_NEIGHBOUR = 0.2
"""A single bright pixel is hot if its brightest neighbour has less than this part of its light: a star of
FWHM 1.6 px still gives its neighbour a third."""


def hot_pixels(plane, sky, sigma) -> tuple[np.ndarray, np.ndarray]:
    """Rows and columns of single bright pixels that no star can be."""
    with np.errstate(invalid="ignore"):
        rows, columns = np.nonzero(plane > sky + HOT_SIGMAS * sigma)
    inner = (rows > 0) & (rows < plane.shape[0] - 1) & (columns > 0) & (columns < plane.shape[1] - 1)
    rows, columns = rows[inner], columns[inner]
    steps = [(j, i) for j in (-1, 0, 1) for i in (-1, 0, 1) if (j, i) != (0, 0)]
    around = np.stack([plane[rows + j, columns + i] for j, i in steps], axis=1)
    if len(rows) == 0:
        return rows, columns
    # The lowest neighbour: their median would be the star's own light.
    base = np.nanmin(around, axis=1)
    excess, neighbour = plane[rows, columns] - base, np.nanmax(around, axis=1) - base
    hot = (excess > HOT_SIGMAS * sigma) & (neighbour < np.maximum(HOT_NEIGHBOUR * excess, 4.0 * sigma))
    hot &= neighbour < 0.5 * excess
    return rows[hot], columns[hot]


def demosaic(plane, pattern) -> np.ndarray:
    """Red, green and blue of a raw mosaic: each colour's own pixels, and between them their weighted mean."""
    if len(pattern) != 4 or set(pattern) != set("RGB"):
        raise InputError(f"colour mosaic {pattern!r}: four letters out of R, G and B are understood")
    line = np.array([1.0, 2.0, 1.0], dtype=np.float32)
    ny, nx = plane.shape
    out = np.empty((3, ny, nx), dtype=np.float32)
    for k, colour in enumerate("RGB"):
        own = np.array([[letter == colour for letter in pattern]]).reshape(2, 2)
        # Mirrored at an edge pixel the pattern goes on as before: its weights are the same all over.
        share = ndimage.convolve(own.astype(np.float32), np.outer(line, line), mode="wrap")
        light = np.zeros((ny, nx), dtype=np.float32)
        for j, i in np.argwhere(own):
            light[j::2, i::2] = plane[j::2, i::2]
        for axis in (0, 1):
            light = ndimage.convolve1d(light, line, axis=axis, mode="mirror")
        for j, i in np.ndindex(2, 2):
            place = slice(j, None, 2), slice(i, None, 2)
            out[k][place] = plane[place] if own[j, i] else light[place] / share[j, i]
    return out


def calibrated(frame, masters=None, *, mend_hot=True, as_mosaic=False, known=None):
    """A frame with its pixels calibrated; the file is not touched."""
    seconds = frame.exposure.seconds if frame.exposure is not None else 0.0
    # Another's pixels are neither used nor freed: a viewer may be showing them.
    own = replace(frame)
    known = {} if known is None else known
    between = frame.mosaic if frame.mosaic and not as_mosaic else None

    def pixels():
        with READING:
            planes = own.colour if own.is_colour else own.data
            own.release()
        if masters is not None and masters.names:
            planes = masters.apply(planes, seconds)
        if mend_hot:
            planes = np.array(planes, dtype=np.float32)
            for index, plane in enumerate(planes if planes.ndim == 3 else [planes]):
                if index not in known:  # the frame is read twice, looked at, then resampled: found once
                    known[index] = _hot_in_mosaic(plane) if frame.mosaic else _hot(plane)
                plane[known[index]] = np.nan
        return demosaic(planes, between) if between else planes

    is_colour = frame.is_colour or bool(between)
    return replace(
        frame, pixel_source=pixels, checksum_source=lambda: frame.checksum, is_colour=is_colour, mosaic=None
    )


def _hot(plane):
    sample = plane[:: max(1, plane.shape[0] // 300), :: max(1, plane.shape[1] // 300)]
    middle, sigma = float(np.nanmedian(sample)), mad_sigma(sample)
    none = np.empty(0, dtype=int)
    return hot_pixels(plane, middle, sigma) if sigma > 0 else (none, none)


def _hot_in_mosaic(plane):
    """Hot among the pixels of their own colour, and among all: a star's core has light next to it in any."""
    alone = np.zeros(plane.shape, dtype=bool)
    for j in (0, 1):
        for i in (0, 1):
            rows, columns = _hot(plane[j::2, i::2])
            alone[2 * rows + j, 2 * columns + i] = True
    both = np.zeros(plane.shape, dtype=bool)
    both[_hot(plane)] = True
    return np.nonzero(alone & both)

"""Masters, hot pixels and colour mosaics: as much calibration as the pictures need."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy import ndimage

from appulse.errors import FrameError, InputError
from appulse.formats import file_sha256
from appulse.frames import open_fits
from appulse.numerics import mad_sigma
from appulse.registration import READING

HOT_SIGMAS = 15.0
HOT_NEIGHBOUR = 0.2
"""A single bright pixel is hot if its brightest neighbour has less than this part of its light: a star of
FWHM 1.6 px still gives its neighbour a third."""


@dataclass(frozen=True)
class Masters:
    """Master frames, all in the stored units of the frames.

    Parameters
    ----------
    bias, dark, flat : (ny, nx) float32 arrays, optional
        A dark still has its bias in it unless `bias` is None or `dark_has_bias` is false.
    dark_seconds : float, optional
        Exposure of the dark, from its header; it is scaled to the frame's where both are known.
    names : dict
        Role to (file name, SHA-256).
    """

    bias: np.ndarray | None = None
    dark: np.ndarray | None = None
    flat: np.ndarray | None = None
    dark_seconds: float | None = None
    names: dict | None = None

    @classmethod
    def read(cls, bias=None, dark=None, flat=None) -> "Masters":
        """Read master frames from FITS files."""
        planes, names, seconds = {}, {}, None
        for role, path in (("bias", bias), ("dark", dark), ("flat", flat)):
            if path is None:
                continue
            values, header = _read_master(Path(path), role)
            planes[role] = values
            names[role] = (Path(path).name, file_sha256(path))
            if role == "dark":
                seconds = header.get("EXPTIME", header.get("EXPOSURE"))
        found = cls(**planes, dark_seconds=None if seconds is None else float(seconds), names=names)
        return replace(found, flat=_unit_flat(found)) if found.flat is not None else found

    def apply(self, plane, seconds):
        """A frame's plane with bias and dark taken off and the flat divided out."""
        for role in ("bias", "dark", "flat"):
            master = getattr(self, role)
            if master is not None and master.shape != plane.shape[-2:]:
                raise InputError(
                    f"the {role} has {master.shape[1]} x {master.shape[0]} pixels, the frame "
                    f"{plane.shape[-1]} x {plane.shape[-2]}: give a {role} of the same camera and binning"
                )
        out = plane
        if self.bias is not None:
            out = out - self.bias
        if self.dark is not None:
            current = self.dark if self.bias is None else self.dark - self.bias
            # Without a bias the offset in the dark cannot be scaled with time.
            share = 1.0 if self.bias is None or not self.dark_seconds else seconds / self.dark_seconds
            out = out - np.float32(share) * current
        if self.flat is not None:
            out = out / self.flat
        return out


def _read_master(path, role):
    try:
        with open_fits(Path(path)) as hdus:
            for hdu in hdus:
                if hdu.data is not None and getattr(hdu.data, "ndim", 0) == 2:
                    return np.array(hdu.data, dtype=np.float32), hdu.header.copy()
    except FrameError as error:
        raise InputError(f"{path}: the {role} cannot be read ({error}); give a FITS image") from None
    raise InputError(f"{path}: no image for the {role} in it; give a FITS image of two axes")


def _unit_flat(masters):
    flat = masters.flat if masters.bias is None else masters.flat - masters.bias
    middle = float(np.nanmedian(flat))
    if not middle > 0:
        raise InputError(f"the flat's median is {middle:g}: a flat holds light; give the right file")
    flat = flat / middle
    return np.where(flat > 0.05, flat, np.nan).astype(np.float32)


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

"""Frames brought to one grid, one brightness and one image of a point: what can be subtracted.

Every frame is smoothed by the Gaussian that brings its own PSF to one round width S, the same for all::

    C_k (PSF of frame k) + A_k (smoothing) = S^2     with S^2 about twice a typical C

With A_k = C_k the smoothing is the matched filter of frame k; at the S chosen here it stays within a tenth of
it for frames whose seeing differs by up to a half. The smoothed frames hold all there is to know about points
of light, and their differences are the matched filter's differences. What the Gaussians leave (wings, a PSF
that changes over the field, a shift, the transparency) is taken out by :mod:`appulse.astrometry.difference`.
"""

import shutil
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scipy import fft, ndimage

from appulse.errors import MeasurementError

STRIP_ROWS = 1024
IN_MEMORY_BYTES = 400e6
"""Smoothed frames beyond this lie in a temporary file while they are needed."""
BAD_SHARE, SATURATED_SHARE = 0.05, 0.003
"""A smoothed pixel is not used if so much of its weight fell on bad or saturated pixels: the light that is
missing from a saturated core is many times what a mover has."""


@dataclass(eq=False)
class SmoothedFrames:
    """Frames on one grid, in one unit (the reference frame's), smoothed to one width.

    Parameters
    ----------
    planes : (n, ny, nx) float32 array
        Light above each frame's typical level; NaN where a frame shows nothing usable.
    width : float
        S, sigma of a point of light on them, grid px.
    unit : (n,) array
        Factor from a frame's stored numbers to those of `planes`.
    kernel2 : (n,) array
        Sum of the squares of the smoothing kernel: variance of a smoothed pixel over that of a pixel.
    floor : (n,) array
        Variance of the sky's pixels, stored units.
    gain : (n,) array
        Electrons per stored unit.
    masked_share : (n,) array
        Of the frame's own pixels, share that saturation or bad pixels take away.
    """

    planes: np.ndarray
    width: float
    unit: np.ndarray
    kernel2: np.ndarray
    floor: np.ndarray
    gain: np.ndarray
    masked_share: np.ndarray
    _folder: object = field(default=None, repr=False)

    def close(self) -> None:
        """Give back what the planes take, on disk too."""
        self.planes = np.zeros((0, 0, 0), np.float32)
        if self._folder is not None:
            self._folder.cleanup()


def smooth_frames(registration, plates, *, progress=None) -> SmoothedFrames:
    """Smooth and resample the frames of a registration.

    Parameters
    ----------
    registration : Registration
    plates : sequence of PlateCheck
    progress : callable, optional
        Wraps a list of frames to show how far it got.

    Returns
    -------
    SmoothedFrames

    Raises
    ------
    MeasurementError
        If there is no room for them.
    """
    frames, n = registration.frames, len(registration.frames)
    inverse = [np.linalg.inv(registration.jacobian(k)) for k in range(n)]
    own = [_own_covariance(p) for p in plates]
    width2 = _common_width2(own, inverse)
    planes, folder = _room((n, *registration.shape))
    unit = np.array([_unit(registration, plates, k) for k in range(n)])
    kernel2, share = np.zeros(n), np.zeros(n)
    try:
        for k, frame in enumerate(frames if progress is None else progress(frames)):
            jacobian = registration.jacobian(k)
            smoothing = width2 * jacobian @ jacobian.T - own[k]
            smooth, taken, kernel2[k] = _smooth(frame.data, plates[k].survey, smoothing)
            frame.release()
            share[k] = float(taken.mean())
            _resample(smooth, taken, registration, k, planes[k])
            planes[k] *= np.float32(unit[k])
    except BaseException:
        if folder is not None:
            folder.cleanup()
        raise
    floor = np.array([p.survey.sky.typical[1] ** 2 for p in plates])
    gain = np.array([p.survey.noise.gain_e_adu for p in plates])
    return SmoothedFrames(planes, float(np.sqrt(width2)), unit, kernel2, floor, gain, share, folder)


def _own_covariance(plate) -> np.ndarray:
    """Of the frame's PSF in its own pixels, a pixel's own width in it, px^2."""
    ny, nx = plate.survey.psf.shape
    return plate.survey.psf.at((nx - 1) / 2, (ny - 1) / 2).covariance + np.eye(2) / 12


def _common_width2(own, inverse) -> float:
    """S^2 in grid px^2: twice a typical PSF's, and wide enough that every frame is smoothed by a pixel."""
    typical, least = [], []
    for covariance, to_grid in zip(own, inverse, strict=True):
        typical.append(np.sqrt(np.linalg.det(to_grid @ covariance @ to_grid.T)))
        least.append(np.linalg.eigvalsh(to_grid @ (covariance + 0.64 * np.eye(2)) @ to_grid.T)[-1])
    return float(max(2.0 * np.median(typical), max(least)))


def _room(shape):
    """Array for the planes: in memory, or in a file that goes when they are closed."""
    size = 4 * int(np.prod(shape))
    if size <= IN_MEMORY_BYTES:
        return np.full(shape, np.nan, np.float32), None
    folder = tempfile.TemporaryDirectory(prefix="appulse_")
    free = shutil.disk_usage(folder.name).free
    if free < 1.2 * size:
        folder.cleanup()
        raise MeasurementError(
            f"the smoothed frames take {size / 1e9:.1f} GB of the temporary folder, {free / 1e9:.1f} are free"
        )
    return np.memmap(Path(folder.name) / "planes", np.float32, "w+", shape=shape), folder


def _unit(registration, plates, k) -> float:
    """Stored numbers of the reference over those of frame k for the same star, per pixel's area."""
    found, area = registration.matches[k], abs(np.linalg.det(registration.jacobian(k)))
    if found is None or len(found.star) < 3:
        return 1.0
    here = np.asarray(plates[registration.reference].survey.sources["flux"])[found.star]
    there = np.asarray(plates[k].survey.sources["flux"])[found.source]
    return float(np.median(here / there)) * area


def _smooth(data, looked, covariance):
    """A frame above its typical level, smoothed; what is lost by that; the kernel's sum of squares."""
    level = looked.sky.typical[0]
    pad = int(np.ceil(4.5 * np.sqrt(np.linalg.eigvalsh(covariance)[-1]))) + 1
    smooth, taken = np.empty(data.shape, np.float32), np.empty(data.shape, bool)
    kernel2 = 0.0
    for first in range(0, data.shape[0], STRIP_ROWS):
        last = min(first + STRIP_ROWS, data.shape[0])
        rows = np.clip(np.arange(first - pad, last + pad), 0, data.shape[0] - 1)
        values = np.pad(data[rows], ((0, 0), (pad, pad)), mode="edge")
        bad = ~np.isfinite(values)
        full = np.zeros_like(bad) if looked.saturation is None else values >= looked.saturation
        values = np.where(bad, 0.0, values - level).astype(np.float32)
        shape = tuple(fft.next_fast_len(m, real=True) for m in values.shape)
        transfer = _transfer(shape, covariance)
        kernel2 = _mean_square(transfer, shape)
        cut = slice(pad, pad + last - first), slice(pad, pad + data.shape[1])
        smooth[first:last] = _filtered(values, transfer, shape)[cut]
        taken[first:last] = False
        for mask, limit in ((bad, BAD_SHARE), (full, SATURATED_SHARE)):
            if mask.any():
                taken[first:last] |= _filtered(mask.astype(np.float32), transfer, shape)[cut] > limit
    rim = max(1, pad // 5)
    taken[:rim] = taken[-rim:] = taken[:, :rim] = taken[:, -rim:] = True
    return smooth, taken, kernel2


def _transfer(shape, covariance):
    """Fourier transform of a Gaussian of unit sum, on the half plane of a real transform."""
    fy, fx = fft.fftfreq(shape[0])[:, None], fft.rfftfreq(shape[1])[None, :]
    form = covariance[0, 0] * fx**2 + 2 * covariance[0, 1] * fx * fy + covariance[1, 1] * fy**2
    return np.exp(-2 * np.pi**2 * form).astype(np.float32)


def _mean_square(transfer, shape) -> float:
    """Sum of squares of the kernel, by Parseval."""
    twice = 2 * np.sum(transfer.astype(float) ** 2)
    once = np.sum(transfer[:, 0].astype(float) ** 2)
    if shape[1] % 2 == 0:
        once += np.sum(transfer[:, -1].astype(float) ** 2)
    return float((twice - once) / (shape[0] * shape[1]))


def _filtered(values, transfer, shape):
    return fft.irfft2(fft.rfft2(values, shape) * transfer, shape)


def _resample(smooth, taken, registration, k, out) -> None:
    """Cubic interpolation onto the grid, strip by strip; NaN where nothing usable lies."""
    limits = np.array(smooth.shape).reshape(2, 1, 1) - 0.5
    spline = ndimage.spline_filter(smooth, order=3, output=np.float32, mode="mirror")
    for first in range(0, registration.shape[0], STRIP_ROWS):
        last = min(first + STRIP_ROWS, registration.shape[0])
        where = registration.rows(k, first, last)
        outside = ~np.all((where > -0.5) & (where < limits), axis=0)
        where[:, outside] = 0.0
        values = ndimage.map_coordinates(
            spline, where, order=3, mode="mirror", prefilter=False, output=np.float32
        )
        nearest = np.rint(where).astype(np.int32)
        nearest = np.clip(nearest, 0, np.array(smooth.shape).reshape(2, 1, 1) - 1)
        values[outside | taken[nearest[0], nearest[1]]] = np.nan
        out[first:last] = values

"""Frames brought to one grid, one brightness and one image of a point: what can be subtracted.

Every frame is smoothed by its kernel (:mod:`appulse.movers.point_kernels`), scaled by the brightness of
the stars and laid on the grid. The smoothed frames hold all there is to know about points of light, and their
differences are the matched filter's differences. What the kernels leave (a PSF that changes over the field, a
shift, the transparency) is taken out by :mod:`appulse.movers.psf_matching`.
"""

import shutil
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scipy import fft, ndimage

from appulse.errors import MeasurementError
from appulse.movers.point_kernels import Kernel, Target, own_covariance

STRIP_ROWS = 256
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
        S, grid px: a point of light of unit flux has the peak 1 / (2 pi S^2); sigma if it is Gaussian.
    unit : (n,) array
        Factor from a frame's stored numbers to those of `planes`.
    kernel2 : (n,) array
        Sum of the squares of the smoothing kernel: variance of a smoothed pixel over that of a pixel.
    floor : (n,) array
        Variance of the sky's pixels, stored units.
    gain : (n,) array
        Electrons per stored unit.
    point_bend : float
        Curvature of a point of light: four times the peak minus its four neighbours, over the peak.
    hit_bend : (n,) array
        The same of a single pixel's light (a cosmic ray), which never went through the telescope.
    masked_share : (n,) array
        Of the frame's own pixels, share that saturation or bad pixels take away.
    """

    planes: np.ndarray
    width: float
    unit: np.ndarray
    kernel2: np.ndarray
    floor: np.ndarray
    gain: np.ndarray
    point_bend: float
    hit_bend: np.ndarray
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
    own = [own_covariance(p.survey.psf) for p in plates]
    target = Target.of(own, inverse, [p.survey.psf for p in plates])
    planes, folder = _room((n, *registration.shape))
    unit = np.array([_unit(registration, plates, k) for k in range(n)])
    kernel2, share, hit_bend = np.zeros((3, n))
    try:
        for k, frame in enumerate(frames if progress is None else progress(frames)):
            kernel = Kernel(target, registration.jacobian(k), own[k])
            hit_bend[k] = kernel.bend
            smooth, taken, kernel2[k] = _smooth(frame.data, plates[k].survey, kernel)
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
    return SmoothedFrames(
        planes, target.width, unit, kernel2, floor, gain, target.bend, hit_bend, share, folder
    )


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


def _smooth(data, looked, kernel):
    """A frame above its typical level, smoothed; what is lost by that; the kernel's sum of squares."""
    level = looked.sky.typical[0]
    pad = kernel.reach
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
        transfer = kernel.transfer(shape)
        kernel2 = _mean_square(transfer, shape)
        cut = slice(pad, pad + last - first), slice(pad, pad + data.shape[1])
        smooth[first:last] = _filtered(values, transfer, shape)[cut]
        taken[first:last] = False
        for mask, limit in ((bad, BAD_SHARE), (full, SATURATED_SHARE)):
            if mask.any():
                taken[first:last] |= _filtered(mask.astype(np.float32), transfer, shape)[cut] > limit
    rim = 2
    taken[:rim] = taken[-rim:] = taken[:, :rim] = taken[:, -rim:] = True
    return smooth, taken, kernel2


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

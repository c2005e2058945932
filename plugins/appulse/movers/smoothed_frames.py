"""Frames brought to one grid, one brightness and one image of a point: what can be subtracted.

Every frame is smoothed by a kernel that brings its PSF to one image of a point, the same for all frames::

    K = P G / P_k  (transforms)     P_k: the frame's PSF;  P: a typical one, round;  G: a Gaussian as wide

For Gaussians K is the Gaussian of what the frame lacks in width; for Moffats it brings the wings along. With
P = P_k it is about the frame's matched filter; it stays within a tenth of it where the seeing differs by up
to a half. Then the frame is scaled by the brightness of the stars and resampled onto the grid. The smoothed
frames hold all there is to know about points of light, and their differences are the matched filter's
differences. What the kernels leave (a PSF that changes over the field, a shift, the transparency) is taken
out by :mod:`appulse.movers.difference_images`.
"""

import shutil
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scipy import fft, integrate, special

from appulse.constants import FWHM_PER_SIGMA
from appulse.errors import MeasurementError
from appulse.registration.resampling import Spline, nearest_pixel


def own_covariance(psf) -> np.ndarray:
    """Of a frame's PSF at its middle, in its own pixels, a pixel's own width in it, px^2."""
    ny, nx = psf.shape
    return psf.at((nx - 1) / 2, (ny - 1) / 2).covariance + np.eye(2) / 12


@dataclass(frozen=True)
class Target:
    """The image of a point on smoothed frames: a round PSF, and a Gaussian on it."""

    # point, more: variances of the PSF (of the Gaussian of its FWHM) and of the Gaussian, grid px^2.
    point: float
    more: float
    # Exponent of a Moffat PSF; None for a Gaussian.
    beta: float | None

    @classmethod
    def of(cls, own, inverse, psfs) -> "Target":
        """Of a typical width, and so wide that every frame is smoothed by most of a pixel."""
        typical, least = [], []
        for covariance, to_grid in zip(own, inverse, strict=True):
            typical.append(np.sqrt(np.linalg.det(to_grid @ covariance @ to_grid.T)))
            least.append(np.linalg.eigvalsh(to_grid @ (covariance + 0.64 * np.eye(2)) @ to_grid.T)[-1])
        point = float(np.median(typical))
        betas = [psf.beta for psf in psfs if psf.n_stars > 0]
        known = [beta for beta in betas if beta is not None]
        # One profile for all: which exponent fits a single frame best is a matter of chance.
        beta = float(np.median(known)) if 2 * len(known) > len(betas) else None
        return cls(point, max(2.0 * point, max(least)) - point, beta)

    @property
    def width(self) -> float:
        """S: from the peak, the integral of the transform."""
        f = np.linspace(0.0, 1.0, 2001)
        transform = _otf(self.point * f**2, self.beta) * _otf(self.more * f**2, None)
        peak = float(integrate.trapezoid(2 * np.pi * f * transform, f))
        return float(1.0 / np.sqrt(2 * np.pi * peak))

    @property
    def bend(self) -> float:
        """Curvature of the peak, from steps of a pixel."""
        f = fft.fftfreq(64)
        variance = f[:, None] ** 2 + f**2
        return _bend(_otf(self.point * variance, self.beta) * _otf(self.more * variance, None), f, np.eye(2))


@dataclass(frozen=True)
class Kernel:
    """What brings a frame's points to the target, in the frame's own pixels."""

    target: Target
    # (2, 2) array; from grid pixels to the frame's.
    jacobian: np.ndarray
    # (2, 2) array; covariance of the frame's PSF, px^2.
    own: np.ndarray

    def transfer(self, shape):
        """Fourier transform on the half plane of a real transform, float32."""
        fy, fx = fft.fftfreq(shape[0])[:, None], fft.rfftfreq(shape[1])[None, :]

        def form(c):
            return c[0, 0] * fx**2 + 2 * c[0, 1] * fx * fy + c[1, 1] * fy**2

        # The grid's circle in the frame's pixels.
        circle = form(self.jacobian @ self.jacobian.T)
        if self.target.beta is None:
            return _otf((self.target.point + self.target.more) * circle - form(self.own), None)
        ratio = _otf(self.target.point * circle, self.target.beta) / _otf(form(self.own), self.target.beta)
        return (ratio * _otf(self.target.more * circle, None)).astype(np.float32)

    @property
    def bend(self) -> float:
        """Curvature of the kernel itself at its peak, from steps of a grid pixel."""
        f = fft.fftfreq(64)
        half = self.transfer((64, 64))
        whole = np.concatenate([half, half[:, -2:0:-1][np.r_[0, 63:0:-1]]], axis=1)
        return _bend(whole, f, self.jacobian)

    @property
    def reach(self) -> int:
        """Beyond so many pixels there is nothing left of it worth having."""
        wide = np.sqrt((self.target.point + self.target.more) * np.linalg.norm(self.jacobian, 2) ** 2)
        return int(np.ceil((4.5 if self.target.beta is None else 9.0) * wide)) + 1


def _bend(transfer, f, jacobian) -> float:
    """Four times the peak minus its values a grid pixel away, over the peak, from the whole transform."""
    waves = sum(np.cos(2 * np.pi * (step[0] * f[None, :] + step[1] * f[:, None])) for step in jacobian.T)
    return float(4.0 - 2.0 * np.sum(transfer * waves) / np.sum(transfer))


def _otf(variance, beta):
    """Fourier transform of a Gaussian, or of a Moffat of its FWHM, where f C f is `variance`."""
    # Moffat (1969, A&A 3, 455), (1 + r^2/a^2)^-beta: 2 (z/2)^v K_v(z) / Gamma(v), z = 2 pi a f, v = beta - 1.
    if beta is None:
        return np.exp(-2 * np.pi**2 * variance).astype(np.float32)
    z = np.pi * FWHM_PER_SIGMA / np.sqrt(2 ** (1 / beta) - 1) * np.sqrt(np.maximum(variance, 0.0))
    steps = np.linspace(0.0, max(float(np.max(z)), 1e-3), 8192)[1:]
    table = 2 * (steps / 2) ** (beta - 1) * special.kv(beta - 1, steps) / special.gamma(beta - 1)
    # Its logarithm is nearly straight; a floor keeps the ratio of two transforms from running away.
    values = np.interp(z, np.append(0.0, steps), np.log(np.append(1.0, np.maximum(table, 1e-12))))
    return np.exp(values).astype(np.float32)


STRIP_ROWS = 256
IN_MEMORY_BYTES = 400e6
"""Smoothed frames beyond this lie in a temporary file while they are needed."""
BAD_SHARE, SATURATED_SHARE = 0.05, 0.003
"""A smoothed pixel is not used if so much of its weight fell on bad or saturated pixels: the light that is
missing from a saturated core is many times what a mover has."""


@dataclass(eq=False)
class SmoothedFrames:
    """Frames on one grid, in one unit (the reference frame's), smoothed to one width."""

    # (n, ny, nx) float32 array; light above each frame's typical level; NaN where a frame shows nothing
    # usable.
    planes: np.ndarray
    # S, grid px: a point of light of unit flux has the peak 1 / (2 pi S^2); sigma if it is Gaussian.
    width: float
    # (n,) array; factor from a frame's stored numbers to those of `planes`.
    unit: np.ndarray
    # (n,) array; sum of the squares of the smoothing kernel: variance of a smoothed pixel over that of a
    # pixel.
    kernel2: np.ndarray
    # (n,) array; variance of the sky's pixels, stored units.
    floor: np.ndarray
    # (n,) array; electrons per stored unit.
    gain: np.ndarray
    # Curvature of a point of light: four times the peak minus its four neighbours, over the peak.
    point_bend: float
    # (n,) array; the same of a single pixel's light (a cosmic ray), which never went through the telescope.
    hit_bend: np.ndarray
    # (n,) array; of the frame's own pixels, share that saturation or bad pixels take away.
    masked_share: np.ndarray
    _folder: object = field(default=None, repr=False)

    def close(self) -> None:
        """Give back what the planes take, on disk too."""
        self.planes = np.zeros((0, 0, 0), np.float32)
        if self._folder is not None:
            self._folder.cleanup()


def smooth_frames(registration, plates, *, progress=None) -> SmoothedFrames:
    """Smooth and resample the frames of a registration."""
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
    spline, mapped = Spline(smooth), registration.pixel_map(k)
    for first in range(0, registration.shape[0], STRIP_ROWS):
        last = min(first + STRIP_ROWS, registration.shape[0])
        where = mapped.rows(first, last, registration.shape[1])
        outside = ~np.all((where > -0.5) & (where < limits), axis=0)
        # Any place will do there: the mirrored edge would show light that the frame does not have.
        where[:, outside] = 0.0
        values = spline.read(where)
        values[outside | taken[nearest_pixel(where, smooth.shape)]] = np.nan
        out[first:last] = values

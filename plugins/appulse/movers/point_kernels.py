"""The kernel that brings a frame's PSF to one image of a point, the same for all frames.

::

    K = P G / P_k  (transforms)     P_k: the frame's PSF;  P: a typical one, round;  G: a Gaussian as wide

For Gaussians K is the Gaussian of what the frame lacks in width; for Moffats it brings the wings along. With
P = P_k it is about the frame's matched filter; it stays within a tenth of it where the seeing differs by up
to a half.
"""

from dataclasses import dataclass

import numpy as np
from scipy import fft, integrate, special

from appulse.constants import FWHM_PER_SIGMA


def own_covariance(psf) -> np.ndarray:
    """Of a frame's PSF at its middle, in its own pixels, a pixel's own width in it, px^2."""
    ny, nx = psf.shape
    return psf.at((nx - 1) / 2, (ny - 1) / 2).covariance + np.eye(2) / 12


@dataclass(frozen=True)
class Target:
    """The image of a point on smoothed frames: a round PSF, and a Gaussian on it.

    Parameters
    ----------
    point, more : float
        Variances of the PSF (of the Gaussian of its FWHM) and of the Gaussian, grid px^2.
    beta : float or None
        Exponent of a Moffat PSF; None for a Gaussian.

    Examples
    --------
    >>> round(Target(1.5, 1.5, None).width, 4) == round(3.0**0.5, 4)
    True
    """

    point: float
    more: float
    beta: float | None

    @classmethod
    def of(cls, own, inverse, psfs) -> "Target":
        """Of a typical width, and so wide that every frame is smoothed by most of a pixel.

        Parameters
        ----------
        own : list of (2, 2) arrays
            Covariances of the frames' PSFs in their own pixels.
        inverse : list of (2, 2) arrays
            From their pixels to those of the grid.
        psfs : list of FieldPSF
        """
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
    """What brings a frame's points to the target, in the frame's own pixels.

    Parameters
    ----------
    target : Target
    jacobian : (2, 2) array
        From grid pixels to the frame's.
    own : (2, 2) array
        Covariance of the frame's PSF, px^2.

    Examples
    --------
    >>> own = 2.0 * np.eye(2)
    >>> wider = Kernel(Target(2.0, 2.0, None), np.eye(2), own).transfer((64, 64))
    >>> bool(np.allclose(wider, _otf(np.add.outer(fft.fftfreq(64) ** 2, fft.rfftfreq(64) ** 2) * 2.0, None)))
    True
    """

    target: Target
    jacobian: np.ndarray
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
    """Fourier transform of a Gaussian, or of a Moffat of its FWHM, where f C f is `variance`.

    Moffat (1969, A&A 3, 455), (1 + r^2/a^2)^-beta: 2 (z/2)^v K_v(z) / Gamma(v), z = 2 pi a f, v = beta - 1.
    """
    if beta is None:
        return np.exp(-2 * np.pi**2 * variance).astype(np.float32)
    z = np.pi * FWHM_PER_SIGMA / np.sqrt(2 ** (1 / beta) - 1) * np.sqrt(np.maximum(variance, 0.0))
    steps = np.linspace(0.0, max(float(np.max(z)), 1e-3), 8192)[1:]
    table = 2 * (steps / 2) ** (beta - 1) * special.kv(beta - 1, steps) / special.gamma(beta - 1)
    # Its logarithm is nearly straight; a floor keeps the ratio of two transforms from running away.
    values = np.interp(z, np.append(0.0, steps), np.log(np.append(1.0, np.maximum(table, 1e-12))))
    return np.exp(values).astype(np.float32)

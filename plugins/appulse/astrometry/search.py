"""Is there anything near the predicted place? A matched filter that knows how often it looked."""

from dataclasses import dataclass

import numpy as np
from scipy import fft

from appulse.astrometry.noise import sky_sigma
from appulse.astrometry.psf import POINT, PSF, Trail, pixel_image
from appulse.numerics.distributions import normal_isf
from appulse.numerics.robust import mad_sigma

FALSE_ALARM = 1e-3
"""Allowed chance that pure noise gives a detection anywhere within the search radius."""
LEAST_SNR = 4.0


@dataclass(frozen=True)
class Candidate:
    """A peak of the matched filter: place (px), signal to noise, distance from the centre (px)."""

    x: float
    y: float
    snr: float
    distance: float


@dataclass(frozen=True)
class Search:
    """Outcome of a search.

    Parameters
    ----------
    candidates : tuple of Candidate
        Above the threshold, within the radius, highest first.
    threshold : float
        In sigmas.
    radius : float
        px
    flux_limit : float
        Flux that would just reach the threshold at the centre, stored units.
    best : float
        Highest signal to noise within the radius.
    """

    candidates: tuple
    threshold: float
    radius: float
    flux_limit: float
    best: float


def threshold_for(radius: float, psf: PSF, trail: Trail = POINT) -> float:
    """Signal to noise that noise exceeds within the radius once in a thousand searches.

    Parameters
    ----------
    radius : float
        px
    psf, trail
        What is looked for: the larger it is, the fewer independent places there are.

    Returns
    -------
    float

    Examples
    --------
    >>> 4.0 <= threshold_for(3.0, PSF.round(3.0)) < threshold_for(60.0, PSF.round(3.0)) < 5.5
    True
    """
    size = np.pi * psf.sigma**2 + 2 * psf.sigma * trail.length
    places = max(1.0, 2.0 * np.pi * radius**2 / size)
    return float(max(LEAST_SNR, normal_isf(FALSE_ALARM / places)))


def search(data, x, y, radius, psf: PSF, *, trail: Trail = POINT, bad=None, saturation=None) -> Search:
    """Look for light around a place.

    Parameters
    ----------
    data : (ny, nx) array
    x, y, radius : float
        Zero-based px.
    psf : PSF
    trail : Trail
    bad : (ny, nx) bool array, optional
    saturation : float, optional
        Saturated pixels are cut to this level, so that a bright body is still found.

    Returns
    -------
    Search

    Examples
    --------
    >>> rows, columns = np.mgrid[0:60, 0:60]
    >>> star, _, _ = pixel_image(PSF.round(3.0), 33.0, 28.0, columns.ravel(), rows.ravel())
    >>> sky = np.random.default_rng(7).normal(10.0, 1.0, (60, 60))
    >>> found = search(sky + 60.0 * star.reshape(60, 60), 30.0, 30.0, 6.0, PSF.round(3.0))
    >>> len(found.candidates), len(search(sky, 30.0, 30.0, 6.0, PSF.round(3.0)).candidates)
    (1, 0)
    """
    reach = int(np.ceil(3.5 * psf.axes[0] / 2.355 + trail.reach)) + 1
    margin = int(np.ceil(radius)) + 2 * reach + 4
    ny, nx = data.shape
    x0, x1 = max(0, int(x) - margin), min(nx, int(x) + margin + 2)
    y0, y1 = max(0, int(y) - margin), min(ny, int(y) + margin + 2)
    box = np.asarray(data[y0:y1, x0:x1], dtype=float)
    good = np.isfinite(box)
    if bad is not None:
        good &= ~bad[y0:y1, x0:x1]
    values = _flattened(box, good)
    sigma = max(sky_sigma(values[good]), 1e-9)
    values = np.where(good, values, 0.0)
    rows, columns = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    kernel = pixel_image(psf, 0.0, 0.0, columns.ravel(), rows.ravel(), trail)[0].reshape(rows.shape)
    flipped = kernel[::-1, ::-1]
    signal = _convolved(values, flipped)
    norm2 = np.maximum(_convolved(good.astype(float), flipped**2), 1e-12)
    # Places where most of the light would fall on bad pixels say nothing.
    snr = np.where(norm2 > 0.3 * np.sum(kernel**2), signal / (sigma * np.sqrt(norm2)), -np.inf)
    here = np.hypot(*np.meshgrid(np.arange(x0, x1) - x, np.arange(y0, y1) - y))
    around = snr[(here > radius + 2 * psf.fwhm) & np.isfinite(snr)]
    # Faint unlisted sources and a rough background make the filter noisier than the pixels say.
    scale = float(np.clip(mad_sigma(around), 1.0, 3.0)) if around.size > 100 else 1.0
    snr, sigma = snr / scale, sigma * scale
    limit = threshold_for(radius, psf, trail)
    found = _peaks(snr, here, radius, limit, x0, y0, x, y)
    inside = here <= radius
    best = float(np.max(snr[inside])) if inside.any() else -np.inf
    centre = np.unravel_index(np.argmin(here), here.shape)
    flux_limit = float(limit * sigma / np.sqrt(norm2[centre]))
    return Search(tuple(found), limit, float(radius), flux_limit, best)


def _convolved(image, kernel):
    """The image convolved with a kernel of odd sides, darkness beyond its edges."""
    size = [n + m - 1 for n, m in zip(image.shape, kernel.shape, strict=True)]
    fast = [fft.next_fast_len(n, real=True) for n in size]
    full = fft.irfft2(fft.rfft2(image, fast) * fft.rfft2(kernel, fast), fast)
    first = [m // 2 for m in kernel.shape]
    return full[first[0] : first[0] + image.shape[0], first[1] : first[1] + image.shape[1]]


def _flattened(box, good):
    """The box less a plane through its sky, sources clipped away."""
    rows, columns = np.indices(box.shape)
    design = np.column_stack([np.ones(box.size), columns.ravel() / box.shape[1], rows.ravel() / box.shape[0]])
    values, use = box.ravel(), good.ravel().copy()
    solution = np.array([np.median(values[use]) if use.any() else 0.0, 0.0, 0.0])
    for _ in range(5):
        residual = values - design @ solution
        sigma = sky_sigma(residual[use])
        keep = good.ravel() & (np.abs(residual) < 2.5 * max(sigma, 1e-9))
        if keep.sum() < 20:
            break
        use = keep
        solution = np.linalg.lstsq(design[use], values[use], rcond=None)[0]
    return (values - design @ solution).reshape(box.shape)


def _peaks(snr, distance, radius, limit, x0, y0, x, y):
    """Local maxima above the limit within the radius, refined by a parabola."""
    inner = snr[1:-1, 1:-1]
    top = (inner >= limit) & (distance[1:-1, 1:-1] <= radius)
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            if (dy, dx) != (0, 0):
                top &= inner >= snr[1 + dy : snr.shape[0] - 1 + dy, 1 + dx : snr.shape[1] - 1 + dx]
    found = []
    for j, i in np.argwhere(top) + 1:
        dx = _parabola(snr[j, i - 1], snr[j, i], snr[j, i + 1])
        dy = _parabola(snr[j - 1, i], snr[j, i], snr[j + 1, i])
        px, py = float(x0 + i + dx), float(y0 + j + dy)
        found.append(Candidate(px, py, float(snr[j, i]), float(np.hypot(px - x, py - y))))
    return sorted(found, key=lambda one: -one.snr)


def _parabola(left, middle, right):
    bend = left + right - 2 * middle
    return float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5)) if np.isfinite(bend) and bend < 0 else 0.0

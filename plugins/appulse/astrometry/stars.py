"""Finding the sources of a frame, strip by strip: quick on large frames and sparing with memory."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
from astropy.table import Table
from scipy import ndimage

from appulse.astrometry.sky_level import SkyMap, sky_map
from appulse.constants import FWHM_PER_SIGMA

STRIP_ROWS = 512
THREADS = 2
THRESHOLD = 5.0
"""Detection limit in sigmas of the smoothed sky: about one false peak in 20 million pixels of pure noise."""
MAX_SOURCES = 20_000
TRUNCATE = 3.0
"""Sigmas at which the smoothing ends: what is cut off costs less than a millionth of the signal to noise."""


def detect_stars(
    frame, *, fwhm: float = 3.0, threshold: float = THRESHOLD, sky: SkyMap | None = None
) -> Table:
    """Sources of a frame, brightest first.

    Parameters
    ----------
    frame : SolvedFrame, or (ny, nx) array
    fwhm : float
        Of the smoothing that picks points of light from noise, px; about that of the stars.
    threshold : float
        In sigmas of the smoothed sky.
    sky : SkyMap, optional
        Where it is known already.

    Returns
    -------
    Table
        ``x, y`` (zero-based px, of a parabola through the peak: good to a few tenths), ``flux`` (of the
        matched filter, stored units), ``snr``, ``peak`` (stored units above the sky), ``fwhm`` (px, from the
        curvature of the smoothed peak), ``round`` (minor over major axis). ``meta['sky']`` holds the SkyMap.

    Examples
    --------
    >>> from appulse.astrometry.psf import PSF, pixel_image
    >>> rows, columns = np.mgrid[0:80, 0:90]
    >>> star, _, _ = pixel_image(PSF.round(3.0), 40.2, 30.7, columns.ravel(), rows.ravel())
    >>> sky = np.random.default_rng(3).normal(100.0, 3.0, (80, 90))
    >>> found = detect_stars(sky + 3000.0 * star.reshape(80, 90))
    >>> len(found), round(float(found["x"][0]), 1), round(float(found["y"][0]), 1)
    (1, 40.2, 30.7)
    """
    data = frame if isinstance(frame, np.ndarray) else frame.data
    sky = sky if sky is not None else sky_map(data)
    sigma = fwhm / FWHM_PER_SIGMA
    pad = int(np.ceil(TRUNCATE * sigma)) + 3

    def strip(first):
        last = min(first + STRIP_ROWS, data.shape[0])
        return _strip(data, sky, sigma, first, last, pad, threshold)

    # The filter lets other threads run; more than two strips at a time would only cost memory.
    with ThreadPoolExecutor(THREADS) as pool:
        columns = np.concatenate(list(pool.map(strip, range(0, data.shape[0], STRIP_ROWS))), axis=1)
    order = np.argsort(-columns[2], kind="stable")[:MAX_SOURCES]
    table = Table(
        dict(zip(("x", "y", "flux", "snr", "peak", "fwhm", "round"), columns[:, order], strict=True))
    )
    table.meta["sky"] = sky
    return table


def _strip(data, sky, sigma, first, last, pad, threshold):
    """Peaks in rows first..last-1; columns of the table, shape (7, n)."""
    low, high = max(0, first - pad), min(data.shape[0], last + pad)
    values = np.asarray(data[low:high], dtype=np.float32)
    bad = ~np.isfinite(values)
    any_bad = bool(bad.any())
    if any_bad:
        values = np.where(bad, sky.rows(low, high), values)
    smooth = ndimage.gaussian_filter(values, sigma, mode="nearest", truncate=TRUNCATE)
    # The smoothed noise: white noise times the norm of the kernel, 1 / (2 sqrt(pi) sigma) if it is wide.
    line = np.zeros(2 * pad + 1, dtype=np.float64)
    line[pad] = 1.0
    kernel = ndimage.gaussian_filter1d(line, sigma, truncate=TRUNCATE, mode="constant")
    norm2 = float(np.sum(kernel**2)) ** 2
    y, x = _above(smooth, sky, threshold * np.sqrt(norm2), low)
    nx = data.shape[1]
    inside = (
        (y + low >= first) & (y + low < last) & (x > 1) & (x < nx - 2) & (y > 1) & (y < smooth.shape[0] - 2)
    )
    y, x = y[inside], x[inside]
    centre = smooth[y, x]
    top = np.ones(len(y), dtype=bool)
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            if (dy, dx) != (0, 0):
                # Of two equal pixels the later one gives way.
                later = (dy, dx) > (0, 0)
                other = smooth[y + dy, x + dx]
                top &= (centre > other) if later else (centre >= other)
    if any_bad:
        top &= ~bad[y, x]
    y, x = y[top], x[top]
    return _shape(smooth, values, sky, x, y, low, sigma, norm2)


def _above(smooth, sky, sigmas, low):
    """Pixels of a smoothed strip that stand out of the sky by so many of its sigmas: rows and columns.

    Most do not reach the least limit of the boxes around theirs, and nothing is interpolated for them.
    """
    limit = replace(sky, level=sky.level + np.float32(sigmas) * sky.sigma)
    least = ndimage.minimum_filter(limit.level, size=3, mode="nearest")
    my, mx = least.shape
    least = least[:, np.minimum(np.arange(smooth.shape[1]) // sky.box, mx - 1)]
    ends = [*(np.arange(1, my) * sky.box), low + len(smooth)]
    above = np.zeros(smooth.shape, bool)
    start = 0
    for box_row, end in zip(least, ends, strict=True):
        stop = min(max(end - low, start), len(smooth))
        np.greater(smooth[start:stop], box_row, out=above[start:stop])
        start = stop
    y, x = np.divmod(np.flatnonzero(above), smooth.shape[1])
    out = smooth[y, x] > limit.at(x, y + low)
    return y[out], x[out]


def _shape(smooth, values, sky, x, y, low, sigma, norm2):
    level, noise = (sky.at(x, y + low, what) for what in ("level", "sigma"))
    top = smooth[y, x]
    centre = top - level
    gx, gy = (smooth[y, x + 1] - smooth[y, x - 1]) / 2, (smooth[y + 1, x] - smooth[y - 1, x]) / 2
    hxx = smooth[y, x + 1] + smooth[y, x - 1] - 2 * top
    hyy = smooth[y + 1, x] + smooth[y - 1, x] - 2 * top
    hxy = (smooth[y + 1, x + 1] + smooth[y - 1, x - 1] - smooth[y + 1, x - 1] - smooth[y - 1, x + 1]) / 4
    determinant = hxx * hyy - hxy**2
    safe = np.where(np.abs(determinant) > 1e-30, determinant, np.inf)
    dx = np.clip(-(hyy * gx - hxy * gy) / safe, -0.6, 0.6)
    dy = np.clip(-(hxx * gy - hxy * gx) / safe, -0.6, 0.6)
    mean, spread = -(hxx + hyy) / 2, np.hypot((hxx - hyy) / 2, hxy)
    sharp, blunt = np.maximum(mean + spread, 1e-30), np.maximum(mean - spread, 1e-30)
    # Curvature of a smoothed Gaussian of width s: peak / (s^2 + sigma^2); and the pixel's own 1/12.
    wide2 = np.maximum(centre / blunt - sigma**2 - 1 / 12, 0.05)
    narrow2 = np.maximum(centre / sharp - sigma**2 - 1 / 12, 0.05)
    fwhm = FWHM_PER_SIGMA * (wide2 * narrow2) ** 0.25
    return np.stack([
        x + dx, y + low + dy, centre / norm2, centre / (noise * np.sqrt(norm2)), values[y, x] - level,
        np.minimum(fwhm, 99.0), np.sqrt(narrow2 / wide2),
    ]).astype(float)  # fmt: skip

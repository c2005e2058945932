"""Frames without their stars: each smoothed frame minus the mean of the others, with its noise.

::

    D_k = m_k - mean of the others        q_k = D_k / sigma_k        peaks of q_k: sightings

    sigma_k^2:  sky and read noise of m_k and of the mean, the photons of whatever stands there,
                and the relative error that the matching leaves at bright stars;
                then what the difference itself scatters by, box by box

The mean holds no light of frame k. Of a slow body it holds the light of the neighbouring frames: a sighting
is then too faint and pushed away from its neighbours, which :mod:`appulse.movers.moving_light` puts
right.
"""

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from scipy import ndimage

from appulse.astrometry.sky import SkyMap, sky_map
from appulse.errors import MeasurementError
from appulse.movers.psf_matching import Matching, match_plane, plain, star_pixels
from appulse.movers.smoothed import SmoothedFrames

STRIP_BYTES = 4e6
CALIBRATION_PIXELS = 4e6
LEAST_OTHERS = 2
"""Frames whose mean is a reference."""
LEAST_SCATTER = 0.5
SPREAD_PX = 3
"""A star's residuals reach a pixel farther than its brightest pixel."""


@dataclass(eq=False)
class Differences:
    """Smoothed frames that can be subtracted from each other.

    Parameters
    ----------
    smoothed : SmoothedFrames
    matchings : list of Matching
    weight : (n,) array
        Of each frame in the mean, inverse variances of its sky.
    mean : (ny, nx) float32 array
        Of all frames.
    total : (ny, nx) float32 array
        Sum of the weights of the frames that show a pixel.
    scatter : list of SkyMap or None
        Level and scatter of each q_k by its own predicted sigma.
    """

    smoothed: SmoothedFrames
    matchings: list[Matching]
    weight: np.ndarray
    mean: np.ndarray
    total: np.ndarray
    scatter: list[SkyMap | None] = field(default_factory=list)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the grid."""
        return self.mean.shape

    def strips(self):
        """Slices of rows that fit the memory."""
        rows = int(np.clip(STRIP_BYTES / (4 * self.shape[1]), 64, 2048))
        return [slice(a, min(a + rows, self.shape[0])) for a in range(0, self.shape[0], rows)]

    def piece(self, k: int, rows: slice, columns: slice | None = None):
        """What is left of a frame, and its predicted sigma.

        Parameters
        ----------
        k : int
        rows, columns : slice
            With start and stop; all columns where left out.

        Returns
        -------
        difference : array
            Frame minus the mean of the others.
        sigma : array
            Of the difference.
        own : array
            Of the frame alone.
        """
        columns = columns if columns is not None else slice(0, self.shape[1])
        m = self.matchings[k].apply(self.smoothed.planes[k], rows, columns)
        mean, total = self.mean[rows, columns], self.total[rows, columns]
        others = total - np.float32(self.weight[k])
        # The reference is the mean of two other frames at least.
        enough = others >= 0.999 * float(np.sort(np.delete(self.weight, k))[:LEAST_OTHERS].sum())
        others = np.where(enough, others, 1.0)
        difference = np.where(enough, (m - mean) * total / others, np.nan)
        light, near = self._light(rows, columns)
        own2 = plane_variance(self.smoothed, k, light) + (self.matchings[k].error * near) ** 2
        photons = self.photons - self.photons_of[k]
        mean2 = 1.0 / others + light * photons / others**2
        return difference, np.sqrt(own2 + mean2), np.sqrt(own2)

    def _light(self, rows, columns):
        """Light above the sky as the photon noise has it, and the most of it within a star's core.

        The noise is the light smoothed by the kernel's square, which is narrower than the kernel: S^2/4 less
        of variance, at S^2 = 2 s^2. A Laplacian takes that back (heat flowing backwards, first order).
        """
        wide = [slice(max(0, s.start - SPREAD_PX), s.stop + SPREAD_PX) for s in (rows, columns)]
        around = np.maximum(np.nan_to_num(self.mean[tuple(wide)], nan=0.0), 0.0)
        near = ndimage.maximum_filter(around, SPREAD_PX, mode="nearest")
        back = np.float32(self.smoothed.width**2 / 8)
        narrow = around - back * ndimage.laplace(around, mode="nearest")
        narrow = np.clip(narrow, 0.3 * around, 1.5 * around)
        cut = tuple(
            slice(s.start - w.start, s.stop - w.start) for s, w in zip((rows, columns), wide, strict=True)
        )
        return narrow[cut], near[cut]

    @cached_property
    def photons_of(self) -> np.ndarray:
        """Each frame's part in the variance of the weighted sum, per unit of light."""
        return np.array([photon_factor(self.smoothed, k) * w**2 for k, w in enumerate(self.weight)])

    @cached_property
    def photons(self) -> float:
        """Of all frames together."""
        return float(self.photons_of.sum())

    def significance(self, k: int, rows: slice) -> np.ndarray:
        """q_k: difference over sigma, the difference's own level and scatter put in."""
        difference, sigma, _ = self.piece(k, rows)
        level, wide = self._own_scatter(k, rows, slice(0, self.shape[1]))
        return ((difference / sigma - level) / wide).astype(np.float32)

    def _own_scatter(self, k, rows, columns):
        mesh = self.scatter[k]
        level, wide = (mesh.rows(rows.start, rows.stop, what)[:, columns] for what in ("level", "sigma"))
        return level, np.maximum(wide, LEAST_SCATTER)

    def window(self, k: int, x: float, y: float, half: int):
        """R_k (frame minus the mean of all) about a place of the grid.

        Parameters
        ----------
        k : int
        x, y : float
            px of the grid.
        half : int
            Half the window's side, px.

        Returns
        -------
        rows, columns : (n,), (m,) arrays
        left, variance : (n, m) arrays
            R_k and the variance of the frame alone; None instead of all where the place does not show.
        """
        if self.scatter[k] is None or not (np.isfinite(x) and np.isfinite(y)):
            return None
        (y0, y1), (x0, x1) = (
            (max(0, round(c) - half), min(n, round(c) + half + 1))
            for c, n in zip((y, x), self.shape, strict=True)
        )
        if y1 - y0 < half or x1 - x0 < half:
            return None
        rows, columns = slice(y0, y1), slice(x0, x1)
        difference, sigma, own = self.piece(k, rows, columns)
        if not np.isfinite(difference[round(y) - y0, round(x) - x0]):
            return None
        level, wide = self._own_scatter(k, rows, columns)
        share = 1.0 - self.weight[k] / np.maximum(self.total[rows, columns], self.weight[k])
        left = np.nan_to_num((difference - level * sigma) * share, nan=0.0)
        return np.arange(y0, y1), np.arange(x0, x1), left, (own * wide) ** 2


def photon_factor(smoothed: SmoothedFrames, k: int) -> float:
    """Variance of a smoothed pixel of frame k per unit of light that stands there."""
    return float(smoothed.unit[k] * smoothed.kernel2[k] / smoothed.gain[k])


def plane_variance(smoothed: SmoothedFrames, k: int, light):
    """Variance of smoothed pixels of frame k where `light` (above the sky) stands."""
    sky = smoothed.unit[k] ** 2 * smoothed.kernel2[k] * smoothed.floor[k]
    return sky + photon_factor(smoothed, k) * np.maximum(light, 0.0)


def subtract(registration, plates, smoothed: SmoothedFrames) -> Differences:
    """Match the smoothed frames to each other and take their mean.

    Parameters
    ----------
    registration : Registration
    plates : sequence of PlateCheck
    smoothed : SmoothedFrames

    Returns
    -------
    Differences
    """
    n, reference = len(smoothed.unit), registration.reference
    sources = plates[reference].survey.sources
    stars = star_pixels(
        np.asarray(sources["x"]) - registration.origin[0], np.asarray(sources["y"]) - registration.origin[1],
        np.asarray(sources["snr"]), smoothed.width, registration.shape,
    )  # fmt: skip
    matchings = []
    for k in range(n):
        if k == reference:
            matchings.append(plain(registration.shape))
            continue

        def variance(light, k=k):
            return plane_variance(smoothed, k, light) + plane_variance(smoothed, reference, light)

        matchings.append(match_plane(smoothed.planes[k], smoothed.planes[reference], variance, stars))
    # The stars' common brightness says what a unit is better than the sources' lists did.
    smoothed.unit *= [m.coefficients[0, 0] for m in matchings]
    matchings[reference] = _with_error(matchings, reference)
    found = _averaged(smoothed, matchings, registration.shape)
    # The sky of a frame full of nebulae looks rougher than its noise; the difference has no nebulae.
    smoothed.floor *= [1.0 if mesh is None else max(mesh.typical[1], 0.1) ** 2 for mesh in found.scatter]
    return _averaged(smoothed, matchings, registration.shape)


def _averaged(smoothed, matchings, shape) -> Differences:
    weight = np.array([1.0 / plane_variance(smoothed, k, 0.0) for k in range(len(matchings))])
    blank = np.zeros(shape, np.float32)
    found = Differences(smoothed, matchings, weight, blank, blank.copy())
    for rows in found.strips():
        _mean_rows(found, rows)
    found.scatter = [_scatter(found, k) for k in range(len(matchings))]
    return found


def _with_error(matchings, reference) -> Matching:
    """The reference differs from the others' mean as they differ from it."""
    others = [m.error for k, m in enumerate(matchings) if k != reference]
    plainly = matchings[reference]
    return Matching(plainly.coefficients, plainly.shape, plainly.n_stars, float(np.median(others)))


def _mean_rows(found: Differences, rows) -> None:
    columns = slice(0, found.shape[1])
    light, total = np.zeros((2, rows.stop - rows.start, found.shape[1]), np.float32)
    for k, w in enumerate(found.weight.astype(np.float32)):
        values = found.matchings[k].apply(found.smoothed.planes[k], rows, columns)
        known = np.isfinite(values)
        light += np.where(known, w * values, 0.0)
        total += np.where(known, w, 0.0)
    found.total[rows] = total
    found.mean[rows] = np.where(total > 0, light / np.where(total > 0, total, 1.0), np.nan)


def _scatter(found: Differences, k) -> SkyMap | None:
    """Level and scatter of difference over sigma on a mesh, of every n-th pixel of large frames."""
    step = max(1, int(np.ceil(np.sqrt(found.shape[0] * found.shape[1] / CALIBRATION_PIXELS))))
    parts = []
    for rows in found.strips():
        difference, sigma, _ = found.piece(k, rows)
        start = -rows.start % step
        parts.append((difference[start::step, ::step] / sigma[start::step, ::step]).astype(np.float32))
    try:
        mesh = sky_map(np.concatenate(parts))
    except MeasurementError:
        return None
    return SkyMap(mesh.level, mesh.sigma, mesh.box * step, found.shape)

r"""Frames without their stars: each smoothed frame, matched to the reference, minus the mean of the others.

A smoothed frame m is matched to the reference r by a small kernel, written as the first derivatives of m
(every narrow kernel is such a sum, of its moments; after Alard & Lupton 1998, ApJ 503, 325, whose basis is
Gaussians times polynomials)::

    r  =  c0 m + cx dm/dx + cy dm/dy + cxx d2m/dx2 + cxy d2m/dxdy + cyy d2m/dy2 + c4 lap lap m  +  plane
          scale  \__ shift __/      \__________ width and ellipse __________/     wings

each c constant, or linear over the field where there are stars enough. Then::

    D_k = m_k - mean of the others        q_k = D_k / sigma_k        peaks of q_k: detections

    sigma_k^2:  sky and read noise of m_k and of the mean, the photons of whatever stands there,
                and the relative error that the matching leaves at bright stars;
                then what the difference itself scatters by, box by box

The mean holds no light of frame k. Of a slow body it holds the light of the neighbouring frames: a detection
is then too faint and pushed away from its neighbours, which :mod:`appulse.movers.difference_search` puts
right.
"""

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from scipy import ndimage

from appulse.astrometry import SkyMesh, sky_mesh
from appulse.errors import MeasurementError
from appulse.movers.smoothed_frames import SmoothedFrames
from appulse.numerics import clipped_sigma

SHAPE_STARS, FIELD_STARS = 5, 25
"""So many stars for the shape of the kernel, and for its change over the field."""
MOST_STARS, LEAST_SNR = 300, 20.0
REACH = 2.6
"""Radius of the pixels about a star that are fitted, in widths S."""
CLIP = 5.0
FIRST_ERROR = 0.01
"""Relative error of the images before they are matched: keeps the brightest star from deciding alone."""
HALO = 3
"""Rows that the derivatives need above and below."""
STRIP_BYTES = 4e6
CALIBRATION_PIXELS = 4e6
LEAST_OTHERS = 2
"""Frames whose mean is a reference."""
LEAST_SCATTER = 0.5
SPREAD_PX = 3
"""A star's residuals reach a pixel farther than its brightest pixel."""
SHARP, SHARP_SIGMAS = 0.6, 2.5
"""From so far on between a point of light and a single pixel's, and beyond its noise, a peak is a hit. (A
slow body, dug out from both sides by the mean, is at 0.4.)"""


@dataclass(frozen=True)
class Matching:
    """How a smoothed frame is brought to the reference."""

    # (7, p) array; of the terms m, x, y, xx, xy, yy, lap lap on 1 or on 1, u, v; u and v run from -1 to 1.
    coefficients: np.ndarray
    # (int, int); of the grid.
    shape: tuple[int, int]
    # That it rests on.
    n_stars: int = 0
    # Relative error that is left at the stars.
    error: float = 0.0

    def settle(self, plane, strips) -> None:
        """Bring a whole frame to the reference, in its own place."""
        above = None  # the rows above the strip as they were
        for rows in strips:
            low = max(0, rows.start - HALO)
            values = np.array(plane[low : rows.stop + HALO])
            if above is not None:
                values[: rows.start - low] = above
            cut = slice(rows.start - low, rows.stop - low)
            above = values[cut][-HALO:].copy()
            plane[rows] = self._matched(values, cut, rows)

    def _matched(self, values, cut, rows: slice) -> np.ndarray:
        """Some rows of the matched frame out of values that hold them at `cut`."""
        u = _unit_place(np.arange(self.shape[1]), self.shape[1]).astype(np.float32)
        v = _unit_place(np.arange(rows.start, rows.stop), self.shape[0]).astype(np.float32)[:, None]
        result = np.zeros((v.size, u.size), np.float32)
        for term, c in zip(_terms(values), self.coefficients.astype(np.float32), strict=True):
            if c.any():
                result += (c[0] if len(c) == 1 else c[0] + c[1] * u + c[2] * v) * term[cut]
        return result

    def shift(self, x: float, y: float) -> np.ndarray:
        """How much farther on the frame itself lies what the matched frame shows at (x, y), (2,), px."""
        place = np.array([1.0, _unit_place(x, self.shape[1]), _unit_place(y, self.shape[0])])
        scale, dx, dy = (self.coefficients @ place[: self.coefficients.shape[1]])[:3]
        return np.array([dx, dy]) / scale


def _widened(piece, n):
    """Slices `n` pixels wider on every side, as far as there are any below, and the piece within them."""
    wide = tuple(slice(max(0, s.start - n), s.stop + n) for s in piece)
    return wide, tuple(slice(s.start - w.start, s.stop - w.start) for s, w in zip(piece, wide, strict=True))


def plain(shape) -> Matching:
    """The matching that changes nothing."""
    coefficients = np.zeros((7, 1))
    coefficients[0] = 1.0
    return Matching(coefficients, tuple(shape))


LEAST_EIGENVALUE = 1e-8
"""Of the normal matrix beside the largest: above it the solution keeps half of its digits and more."""


def star_pixels(x, y, snr, width, shape):
    """Pixels about the brighter stars: (stars used, rows, columns)."""
    ny, nx = shape
    chosen = np.flatnonzero((snr > LEAST_SNR) & (x > 0) & (x < nx - 1) & (y > 0) & (y < ny - 1))[:MOST_STARS]
    reach = int(np.ceil(REACH * width))
    dy, dx = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    near = np.hypot(dx, dy) <= REACH * width
    rows = (np.rint(y[chosen]).astype(int)[:, None] + dy[near]).ravel()
    columns = (np.rint(x[chosen]).astype(int)[:, None] + dx[near]).ravel()
    inside = (rows >= HALO) & (rows < ny - HALO) & (columns >= HALO) & (columns < nx - HALO)
    flat = np.unique(rows[inside] * nx + columns[inside])
    return len(chosen), flat // nx, flat % nx


def match_plane(plane, reference, variance, stars) -> Matching:
    """Matching of one smoothed frame to the reference."""
    n_stars, rows, columns = stars
    if n_stars == 0:
        return plain(plane.shape)
    terms = _terms_at(plane, rows, columns)
    target = reference[rows, columns].astype(float)
    good = np.isfinite(target) & np.isfinite(terms).all(axis=0)
    if good.sum() < 60:
        return plain(plane.shape)
    terms, target, rows, columns = terms[:, good], target[good], rows[good], columns[good]
    u, v = _unit_place(columns, plane.shape[1]), _unit_place(rows, plane.shape[0])
    places = np.stack([np.ones(len(u)), u, v]) if n_stars >= FIELD_STARS else np.ones((1, len(u)))
    shaped = 7 if n_stars >= SHAPE_STARS else 1
    design = (terms[:shaped, None] * places[None]).reshape(-1, len(u))
    design = np.vstack([design, np.ones(len(u)), u, v]).T
    noise2 = variance(target)
    solution, error = _robust_fit(design, target, noise2)
    coefficients = np.zeros((7, len(places)))
    coefficients[:shaped] = solution[:-3].reshape(shaped, -1)
    if not 0.5 < coefficients[0, 0] < 2.0:
        return plain(plane.shape)
    return Matching(coefficients, tuple(plane.shape), n_stars, error)


def _robust_fit(design, target, noise2):
    """Least squares with clipping; the relative error grows until the stars' residuals are explained."""
    keep, error = np.ones(len(target), bool), FIRST_ERROR
    light = np.maximum(target, 0.0)
    solution = None
    for _ in range(6):
        sigma = np.sqrt(noise2 + (error * light) ** 2)
        weighted = design[keep] / sigma[keep, None]
        scale = np.sqrt(np.sum(weighted**2, axis=0)) + 1e-300
        solution = _least_squares(weighted / scale, target[keep] / sigma[keep]) / scale
        left = target - design @ solution
        pull = left / sigma
        keep = np.abs(pull) < CLIP * max(1.0, clipped_sigma(pull))
        error = _relative_error(left[keep], noise2[keep], light[keep])
    return solution, error


def _least_squares(design, target):
    """The solution by the normal equations where they are well conditioned, else by singular values."""
    # Tens of thousands of pixels to two dozen unknowns: the normal equations are ten times as fast.
    values, vectors = np.linalg.eigh(design.T @ design)
    if values[0] > LEAST_EIGENVALUE * values[-1]:
        return vectors @ (vectors.T @ (design.T @ target) / values)
    return np.linalg.lstsq(design, target, rcond=1e-10)[0]


def _relative_error(left, noise2, light) -> float:
    """Share of the light that explains residuals beyond their noise."""
    bright = light > 5 * np.sqrt(noise2)
    if bright.sum() < 20:
        return 0.0
    low, high = 0.0, 0.2
    for _ in range(30):
        middle = 0.5 * (low + high)
        pull2 = left[bright] ** 2 / (noise2[bright] + (middle * light[bright]) ** 2)
        low, high = (middle, high) if pull2.mean() > 1 else (low, middle)
    return 0.5 * (low + high)


def _unit_place(index, n):
    return 2.0 * np.asarray(index, float) / max(n - 1, 1) - 1.0


def _terms(m):
    """The plane and its derivatives, one after the other; a border of HALO is not valid."""
    yield m
    yield 0.5 * (_shifted(m, 0, 1) - _shifted(m, 0, -1))
    yield 0.5 * (_shifted(m, 1, 0) - _shifted(m, -1, 0))
    yield _shifted(m, 0, 1) + _shifted(m, 0, -1) - 2 * m
    corners = _shifted(m, 1, 1) + _shifted(m, -1, -1) - _shifted(m, 1, -1) - _shifted(m, -1, 1)
    yield 0.25 * corners
    yield _shifted(m, 1, 0) + _shifted(m, -1, 0) - 2 * m
    yield _laplacian(_laplacian(m))


def _laplacian(m):
    return _shifted(m, 0, 1) + _shifted(m, 0, -1) + _shifted(m, 1, 0) + _shifted(m, -1, 0) - 4 * m


def _shifted(m, dy, dx):
    """m(y + dy, x + dx), the edge rows held."""
    if dy:
        m = np.concatenate([m[1:], m[-1:]]) if dy > 0 else np.concatenate([m[:1], m[:-1]])
    if dx:
        m = np.concatenate([m[:, 1:], m[:, -1:]], 1) if dx > 0 else np.concatenate([m[:, :1], m[:, :-1]], 1)
    return m


def _terms_at(plane, rows, columns):
    """The seven terms at some pixels, (7, n): only the pixels about them are touched."""
    offsets = range(-2, 3)
    near = {
        (dy, dx): plane[rows + dy, columns + dx].astype(float)
        for dy in offsets
        for dx in offsets
        if abs(dy) + abs(dx) <= 2
    }
    m = near[0, 0]
    xx, yy = near[0, 1] + near[0, -1] - 2 * m, near[1, 0] + near[-1, 0] - 2 * m
    cross = near[1, 1] + near[-1, -1] + near[1, -1] + near[-1, 1]
    arms = near[0, 1] + near[0, -1] + near[1, 0] + near[-1, 0]
    far = near[0, 2] + near[0, -2] + near[2, 0] + near[-2, 0]
    xy = 0.25 * (near[1, 1] + near[-1, -1] - near[1, -1] - near[-1, 1])
    dx, dy = 0.5 * (near[0, 1] - near[0, -1]), 0.5 * (near[1, 0] - near[-1, 0])
    return np.stack([m, dx, dy, xx, xy, yy, far + 2 * cross - 8 * arms + 20 * m])


@dataclass(eq=False)
class Differences:
    """Smoothed frames that can be subtracted from each other."""

    smoothed: SmoothedFrames
    matchings: list[Matching]
    # (n,) array; of each frame in the mean, inverse variances of its sky.
    weight: np.ndarray
    # (ny, nx) float32 array; of all frames.
    mean: np.ndarray
    # (ny, nx) float32 array; sum of the weights of the frames that show a pixel.
    total: np.ndarray
    # Level and scatter of each q_k by its own predicted sigma.
    scatter: list[SkyMesh | None] = field(default_factory=list)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the grid."""
        return self.mean.shape

    def strips(self):
        """Slices of rows that fit the memory."""
        return strips_of(self.shape)

    def piece(self, k: int, rows: slice, columns: slice | None = None):
        """What is left of a frame, and its predicted sigma."""
        columns = columns if columns is not None else slice(0, self.shape[1])
        m = self.smoothed.planes[k, rows, columns]
        mean, total = self.mean[rows, columns], self.total[rows, columns]
        others = total - np.float32(self.weight[k])
        # The reference is the mean of two other frames at least.
        enough = others >= 0.999 * float(np.sort(np.delete(self.weight, k))[:LEAST_OTHERS].sum())
        others = np.where(enough, others, 1.0)
        difference = np.where(enough, (m - mean) * total / others, np.nan)
        light, near = self.light[:, rows, columns]
        own2 = plane_variance(self.smoothed, k, light) + (self.matchings[k].error * near) ** 2
        photons = self.photons - self.photons_of[k]
        mean2 = 1.0 / others + light * photons / others**2
        return difference, np.sqrt(own2 + mean2), np.sqrt(own2)

    @cached_property
    def light(self) -> np.ndarray:
        """Light above the sky as the photon noise has it, and the most of it within a star's core."""
        found = np.empty((2, *self.shape), np.float32)
        for rows in self.strips():
            found[:, rows] = self._light(rows, slice(0, self.shape[1]))
        return found

    def _light(self, rows, columns):
        # The noise is the light smoothed by the kernel's square, which is narrower than the kernel: S^2/4
        # less of variance, at S^2 = 2 s^2. A Laplacian takes that back (heat flowing backwards, first order).
        wide, cut = _widened((rows, columns), SPREAD_PX)
        around = np.maximum(np.nan_to_num(self.mean[wide], nan=0.0), 0.0)
        near = ndimage.maximum_filter(around, SPREAD_PX, mode="nearest")
        back = np.float32(self.smoothed.width**2 / 8)
        narrow = around - back * ndimage.laplace(around, mode="nearest")
        narrow = np.clip(narrow, 0.3 * around, 1.5 * around)
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
        """R_k (frame minus the mean of all) about a place of the grid."""
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


def strips_of(shape):
    """Slices of rows of an image that fit the memory."""
    rows = int(np.clip(STRIP_BYTES / (4 * shape[1]), 64, 2048))
    return [slice(a, min(a + rows, shape[0])) for a in range(0, shape[0], rows)]


def photon_factor(smoothed: SmoothedFrames, k: int) -> float:
    """Variance of a smoothed pixel of frame k per unit of light that stands there."""
    return float(smoothed.unit[k] * smoothed.kernel2[k] / smoothed.gain[k])


def plane_variance(smoothed: SmoothedFrames, k: int, light):
    """Variance of smoothed pixels of frame k where `light` (above the sky) stands."""
    sky = smoothed.unit[k] ** 2 * smoothed.kernel2[k] * smoothed.floor[k]
    return sky + photon_factor(smoothed, k) * np.maximum(light, 0.0)


def subtract(registration, plates, smoothed: SmoothedFrames) -> Differences:
    """Match the smoothed frames to each other and take their mean."""
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
    for k, matching in enumerate(matchings):
        matching.settle(smoothed.planes[k], strips_of(registration.shape))
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
    light, total = np.zeros((2, rows.stop - rows.start, found.shape[1]), np.float32)
    for k, w in enumerate(found.weight.astype(np.float32)):
        values = found.smoothed.planes[k, rows]
        known = np.isfinite(values)
        light += np.where(known, w * values, 0.0)
        total += np.where(known, w, 0.0)
    found.total[rows] = total
    found.mean[rows] = np.where(total > 0, light / np.where(total > 0, total, 1.0), np.nan)


def _scatter(found: Differences, k) -> SkyMesh | None:
    """Level and scatter of difference over sigma on a mesh, of every n-th pixel of large frames."""
    step = max(1, int(np.ceil(np.sqrt(found.shape[0] * found.shape[1] / CALIBRATION_PIXELS))))
    parts = []
    for rows in found.strips():
        difference, sigma, _ = found.piece(k, rows)
        start = -rows.start % step
        parts.append((difference[start::step, ::step] / sigma[start::step, ::step]).astype(np.float32))
    try:
        mesh = sky_mesh(np.concatenate(parts))
    except MeasurementError:
        return None
    return SkyMesh(mesh.level, mesh.sigma, mesh.box * step, found.shape)


def detections(found: Differences, k: int, threshold: float) -> np.ndarray:
    """Peaks of q_k: rows (x, y of the grid, q), brightest first."""
    if found.scatter[k] is None:
        return np.zeros((0, 3))
    parts = []
    for rows in found.strips():
        low = max(0, rows.start - 2)
        q = found.significance(k, slice(low, min(found.shape[0], rows.stop + 2)))
        q = np.nan_to_num(q, nan=-1.0)
        top = (q >= threshold) & (q == ndimage.maximum_filter(q, 3, mode="nearest"))
        y, x = np.nonzero(top)
        inside = (y > 0) & (y < q.shape[0] - 1) & (x > 0) & (x < q.shape[1] - 1)
        inside &= (y + low >= rows.start) & (y + low < rows.stop)
        y, x = y[inside], x[inside]
        soft = ~_sharp(found.smoothed, k, q, x, y)
        x, y = x[soft], y[soft]
        dx, dy = vertices(q, y, x)
        parts.append(np.stack([x + dx, y + low + dy, q[y, x]], axis=1))
    peaks = np.concatenate(parts)
    return peaks[np.argsort(-peaks[:, 2], kind="stable")]


def _sharp(smoothed, k, q, x, y):
    """Peaks too sharp for anything that went through the telescope: cosmic rays, hot pixels."""
    # The noise of the curvature over the peak is about half a hit's curvature over q.
    peak = q[y, x]
    bend = 4.0 - (q[y, x - 1] + q[y, x + 1] + q[y - 1, x] + q[y + 1, x]) / peak
    hit, point = smoothed.hit_bend[k], smoothed.point_bend
    return bend - point > SHARP * (hit - point) + SHARP_SIGMAS * 0.5 * hit / peak


def vertices(values, y, x):
    """Where the parabolas through pixels and their neighbours have their tops, dx and dy, px."""
    middle = values[y, x]
    return (
        vertex(values[y, x - 1], middle, values[y, x + 1]),
        vertex(values[y - 1, x], middle, values[y + 1, x]),
    )


def vertex(left, middle, right):
    """Where the parabola through three values has its top, in steps from the middle."""
    bend = np.maximum(2 * middle - left - right, 1e-12)
    return np.clip(0.5 * (right - left) / bend, -0.5, 0.5)

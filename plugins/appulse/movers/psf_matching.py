"""What a Gaussian leaves between two smoothed frames, taken out by their own stars.

A smoothed frame m is brought to the reference r by a small kernel, written as the first derivatives of m
(every narrow kernel is such a sum, of its moments; after Alard & Lupton 1998, ApJ 503, 325, whose basis is
Gaussians times polynomials)::

    r  =  c0 m + cx dm/dx + cy dm/dy + cxx d2m/dx2 + cxy d2m/dxdy + cyy d2m/dy2 + c4 lap lap m  +  plane
          scale  \\__ shift __/      \\__________ width and ellipse __________/     wings

each c constant, or linear over the field where there are stars enough.
"""

from dataclasses import dataclass

import numpy as np

from appulse.numerics.robust import clipped_sigma

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


@dataclass(frozen=True)
class Matching:
    """How a smoothed frame is brought to the reference.

    Parameters
    ----------
    coefficients : (7, p) array
        Of the terms m, x, y, xx, xy, yy, lap lap on 1 or on 1, u, v; u and v run from -1 to 1.
    shape : (int, int)
        Of the grid.
    n_stars : int
        That it rests on.
    error : float
        Relative error that is left at the stars.
    """

    coefficients: np.ndarray
    shape: tuple[int, int]
    n_stars: int = 0
    error: float = 0.0

    def apply(self, plane, rows: slice, columns: slice) -> np.ndarray:
        """A piece of the matched frame.

        Parameters
        ----------
        plane : (ny, nx) float32 array
        rows, columns : slice
            With start and stop, inside the plane.

        Returns
        -------
        float32 array, as large as the piece
        """
        wide = [slice(max(0, s.start - HALO), s.stop + HALO) for s in (rows, columns)]
        cut = tuple(
            slice(s.start - w.start, s.stop - w.start) for s, w in zip((rows, columns), wide, strict=True)
        )
        values = np.asarray(plane[tuple(wide)])
        u = _unit_place(np.arange(columns.start, columns.stop), plane.shape[1]).astype(np.float32)
        v = _unit_place(np.arange(rows.start, rows.stop), plane.shape[0]).astype(np.float32)[:, None]
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


def plain(shape) -> Matching:
    """The matching that changes nothing.

    Examples
    --------
    >>> plane = np.arange(80.0, dtype=np.float32).reshape(8, 10)
    >>> plain(plane.shape).apply(plane, slice(4, 5), slice(2, 5)).tolist()
    [[42.0, 43.0, 44.0]]
    """
    coefficients = np.zeros((7, 1))
    coefficients[0] = 1.0
    return Matching(coefficients, tuple(shape))


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
    """Matching of one smoothed frame to the reference.

    Parameters
    ----------
    plane, reference : (ny, nx) arrays
        On one grid, smoothed alike, NaN where bad.
    variance : callable
        Of light, (n,) -> (n,): variance of the difference of the two planes.
    stars : (int, rows, columns)
        From :func:`star_pixels`.

    Returns
    -------
    Matching
    """
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
        solution = np.linalg.lstsq(weighted / scale, target[keep] / sigma[keep], rcond=1e-10)[0] / scale
        left = target - design @ solution
        pull = left / sigma
        keep = np.abs(pull) < CLIP * max(1.0, clipped_sigma(pull))
        error = _relative_error(left[keep], noise2[keep], light[keep])
    return solution, error


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

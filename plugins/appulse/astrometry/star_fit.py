"""All stars of a frame fitted at once: their places and light, and the frame's star image from the best.

One array holds the pixels of all stars, (stars, pixels of a stamp), and each Gauss-Newton step is one solve
of all normal matrices, with slopes in closed form. Flux and level are free in each colour of a mosaic.

::

    sources --> the best alone, unsaturated --> moments, several shapes on the same pixels --> FieldPSF
    all     --> place, flux, level, slopes with that PSF --> StarFits
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.spatial import cKDTree

from appulse.astrometry.psf import PSF, FieldPSF, gauss_nodes, nodes_per_side
from appulse.astrometry.sky import sky_mesh
from appulse.astrometry.source_fit import UNDERSAMPLED_FWHM_PX, phase_error
from appulse.astrometry.stamp import Noise
from appulse.constants import FWHM_PER_SIGMA
from appulse.numerics import MAD_TO_SIGMA, mad_sigma

LEAST_STARS = 5
"""Fewer give no star image: two hot pixels may agree, a handful of sources do not."""
CLEAR_STARS, CLEAR_SNR, CLEAR_SPREAD, CLEAR_FWHM = 2, 50.0, 0.1, 2.0
"""Unless so few are so bright, agree so well in width, and are several pixels wide: then they are stars."""
LISTED_STARS, LISTED_SNR, LISTED_SCATTER = 3, 10.0, 0.05
"""And so many that a star catalogue knows are stars too, if they are as bright; a few show the scatter of
their widths too small by chance."""
MAX_STARS, SHAPE_STARS = 50, 16
FIELD_STARS = 25
"""From so many good stars on, the PSF's moments may change linearly over the field."""
INVERSE_BETAS = (0.0, 0.2, 0.3, 0.38, 0.455)
"""One over the Moffat exponents tried, 0 a Gaussian: long exposures through the air give exponents of 2.5
to 5 (common practice, no source)."""
CLEARLY = 8.0
"""Gain in log likelihood from which a Moffat is taken for a Gaussian."""
SHAPE_RADIUS, STAR_RADIUS, LEAST_RADIUS = 3.4, 3.2, 5.0
"""Radii of the stamps, FWHM, and px."""
STEPS, REJECT = 12, 5.0
MODEL_ERROR = 0.05
"""Of the light of a star's model, where pixels are judged: a misfit of the core is no cosmic ray."""
SHAPE_SCATTER = 0.02
PICKS = ((20.0, 0.02, 0.7), (12.0, 0.1, 0.9), (7.0, 0.3, 0.95), (7.0, 0.3, np.inf))
"""Least signal to noise, brightest companion within three FWHM, and highest peak against saturation, of stars
that give the shape; the next line where so few pass that they would hardly make a handful."""
WISHED_STARS = 10
NARROWEST_FWHM, WIDTHS_DIFFER = 1.0, 0.4
"""px; and the difference of log widths beyond which two sources are not both stars of a frame."""
CACHED_PIXELS = 4000
"""So many numbers of each kind are worked on at a time."""
COARSE_SIGMA = 2.5
"""px; wider images are the same integrated over a pixel and taken at its middle, 1/12 px^2 wider."""
CORE_FWHM, FEW_NODES = 1.5, 2
"""Radius beyond which a narrow image is integrated with as few nodes as a wide one."""


class StarFits(NamedTuple):
    """Fitted stars, arrays of one length; places in zero-based px, light in stored units."""

    x: np.ndarray
    y: np.ndarray
    cov: np.ndarray  # (n, 2, 2) of (x, y), px^2
    flux: np.ndarray
    flux_sigma: np.ndarray
    chi2: np.ndarray  # per degree of freedom
    n_saturated: np.ndarray
    good: np.ndarray  # False where the fit failed: its numbers are NaN

    @property
    def snr(self) -> np.ndarray:
        """Signal to noise of the flux."""
        return self.flux / self.flux_sigma


@dataclass(frozen=True)
class Pixels:
    """What a fit needs to know of a frame."""

    values: np.ndarray  # (ny, nx) float32, a mosaic's colours at one level
    kinds: np.ndarray  # (ny, nx) bad where above 0
    sigma: object  # function of x, y: scatter of the sky there
    noise: Noise
    colours: np.ndarray | None = None
    colour_sigmas: tuple[float, ...] = (1.0,)
    saturated: int = 0  # bit of `kinds`


def images(moments, beta, dx, dy, slopes: int = 5, core: int | None = None):
    """Light of unit points in pixels and slopes, (1 + slopes, n, m): value, d/dx, d/dy, d/dxx, d/dyy, d/dxy.

    `moments` is (n, 3): xx, yy, xy; dx, dy (n, m) are pixels minus places; the first 2 slopes, or all 5.
    Beyond the first `core` pixels (None: all are of the core) an image bends little within a pixel.
    """
    narrow = float(np.sqrt(max(np.median(np.minimum(*np.transpose(moments)[:2])), 1e-3)))
    order = 1 if narrow > COARSE_SIGMA else nodes_per_side(narrow)
    if order <= FEW_NODES or core is None or core >= dx.shape[1]:
        return _images(moments, beta, dx, dy, slopes, order)
    parts = ((slice(None, core), order), (slice(core, None), FEW_NODES if order == 3 else 3))
    return np.concatenate(
        [_images(moments, beta, dx[:, some], dy[:, some], slopes, nodes) for some, nodes in parts], axis=2
    )


def _images(moments, beta, dx, dy, slopes: int, order: int):
    """As :func:`images`, with so many nodes along a pixel's side; one is the middle of a wider image."""
    xx, yy, xy = (np.asarray(column, dtype=float)[:, None] for column in np.transpose(moments))
    if order == 1:
        xx, yy = xx + 1 / 12, yy + 1 / 12
    determinant = xx * yy - xy**2
    inverse = yy / determinant, -xy / determinant, xx / determinant
    peak = 1 / (2 * np.pi * np.sqrt(determinant))
    out = np.zeros((1 + slopes, *dx.shape))
    # A few stars at a time: what is worked on stays in the processor's cache.
    some = max(1, CACHED_PIXELS // max(dx.shape[1], 1))
    for first in range(0, len(dx), some):
        stars = slice(first, first + some)
        _add_light(
            out[:, stars], beta, order, dx[stars], dy[stars], peak[stars], *(k[stars] for k in inverse)
        )  # fmt: skip
    return out


def _add_light(out, beta, order, dx, dy, peak, a, b, c) -> None:
    """Value and slopes of some stars by the nodes of their pixels; a, b, c: the inverse of their moments."""
    middle = a * dx + b * dy, b * dx + c * dy  # C^-1 d of the pixels' middles
    alpha2 = None if beta is None else 2 * np.log(2) / (2 ** (1 / beta) - 1)
    term = np.empty_like(dx)
    for ox, oy, share in zip(*gauss_nodes(order), strict=True):
        p, r = middle[0] + (a * ox + b * oy), middle[1] + (b * ox + c * oy)
        q = (dx + ox) * p
        q += np.multiply(dy + oy, r, out=term)
        if beta is None:
            q *= -0.5
            light = np.exp(q, out=q)
            light *= share * peak
            fall = -0.5 * light
        else:
            q /= alpha2
            q += 1.0
            light = q**-beta
            light *= share * (2 * (beta - 1) / alpha2) * peak
            fall = np.divide(light, q, out=q)
            fall *= -beta / alpha2
        out[0] += light
        # `fall`: df/dq. The inverse's share of a slope with a moment: dq / dC = -(C^-1 d)(C^-1 d)^T.
        if len(out) > 3:
            along = fall * p
            out[3] -= np.multiply(along, p, out=term)
            out[5] -= np.multiply(along, r, out=term)
            out[4] -= np.multiply(np.multiply(fall, r, out=term), r, out=term)
        out[1] += np.multiply(fall, p, out=p)
        out[2] += np.multiply(fall, r, out=r)
    out[1:3] *= -2.0
    if len(out) > 3:
        # And that of the determinant.
        out[5] *= 2.0
        for slope, share in ((3, 0.5 * a), (4, 0.5 * c), (5, b)):
            out[slope] -= share * out[0]


class Stamps:
    """Square stamps of a set of stars, and Gauss-Newton on all of them."""

    def __init__(self, pixels: Pixels, x, y, moments, radius: float, others=None):
        # others: (x, y, flux) of all sources, the stars among them: their pixels are left out.
        self.x, self.y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
        self.moments, self.noise = np.array(moments, dtype=float), pixels.noise
        ny, nx = pixels.values.shape
        half = int(np.ceil(radius))
        rows, columns = (a.ravel() for a in np.mgrid[-half : half + 1, -half : half + 1])
        away = np.hypot(rows, columns)
        disc = np.argsort(away, kind="stable")[: np.count_nonzero(away <= radius + 0.5)]
        self.core = int(np.searchsorted(away[disc], CORE_FWHM * float(np.median(self.fwhm)) + 0.7))
        self.columns = np.rint(self.x).astype(int)[:, None] + columns[disc]
        self.rows = np.rint(self.y).astype(int)[:, None] + rows[disc]
        inside = (self.columns >= 0) & (self.columns < nx) & (self.rows >= 0) & (self.rows < ny)
        column, row = np.clip(self.columns, 0, nx - 1), np.clip(self.rows, 0, ny - 1)
        kinds = pixels.kinds[row, column]
        self.values = np.where(inside, pixels.values[row, column], 0.0).astype(float)
        self.usable = inside & (kinds == 0) & np.isfinite(self.values)
        self.values[~self.usable] = 0.0
        self.n_saturated = np.sum(inside & (kinds & pixels.saturated > 0), axis=1)
        if others is not None:
            self._leave_out(others)
        floor = np.asarray(pixels.sigma(self.x, self.y), dtype=float)[:, None]
        # Levels, one for each colour, and slopes, in columns that do not change.
        self.groups = [np.ones(self.values.shape)]
        self.shares = np.ones(1)
        if pixels.colours is not None:
            colour = pixels.colours[row, column]
            names = range(len(pixels.colour_sigmas))
            self.groups = [(colour == k).astype(float) for k in names]
            self.shares = np.array([np.mean(pixels.colours[:2, :2] == k) for k in names])
            floor = floor * np.asarray(pixels.colour_sigmas)[colour]
        self.floor = np.maximum(floor, 1e-6) ** 2
        u, v = (self.columns - self.x[:, None]) / radius, (self.rows - self.y[:, None]) / radius
        self.basis = np.stack([*self.groups, u, v], axis=-1)
        self.used = self.usable.copy()

    @property
    def fwhm(self) -> np.ndarray:
        """Of each star's shape, px."""
        xx, yy, xy = self.moments.T
        return FWHM_PER_SIGMA * np.maximum(xx * yy - xy**2, 1e-6) ** 0.25

    def _leave_out(self, others):
        """Pixels next to other sources are theirs."""
        x, y, flux = (np.asarray(a, dtype=float) for a in others)
        fwhm = FWHM_PER_SIGMA * (self.moments[:, 0] * self.moments[:, 1]) ** 0.25
        reach = float(np.max(np.abs(self.columns - self.x[:, None]))) + 2 * float(np.max(fwhm, initial=1.0))
        tree = cKDTree(np.column_stack([x, y]))
        own = tree.query(np.column_stack([self.x, self.y]))[1] if len(x) else []
        for k, near in enumerate(tree.query_ball_point(np.column_stack([self.x, self.y]), reach)):
            for j in near:
                away = np.hypot(x[j] - self.x[k], y[j] - self.y[k])
                if j == own[k] or away < 0.7 * fwhm[k]:
                    continue
                # A Moffat's wing falls by three or more magnitudes per doubling.
                brighter = np.log10(max(flux[j], 1e-9) / max(flux[own[k]], 1e-9))
                radius = fwhm[k] * np.clip(1.3 + 0.5 * brighter, 0.8, 3.0)
                radius = min(radius, 0.75 * away)
                theirs = np.hypot(self.columns[k] - x[j], self.rows[k] - y[j]) < radius
                self.usable[k] &= ~theirs

    def fit(self, beta, shape: str = "fixed", steps: int = STEPS, reject: bool = True):
        """Fit: places and moments are moved. The shape is "fixed", each star's "own", or "shared"."""
        free_shape = shape != "fixed"
        n_colours = len(self.groups)
        n = len(self.x)
        first = 5 if free_shape else 2
        start = self.x.copy(), self.y.copy()
        size2 = np.sqrt(np.maximum(self.moments[:, 0] * self.moments[:, 1] - self.moments[:, 2] ** 2, 1e-4))
        groups = np.stack(self.groups, axis=-1)
        active = np.arange(n)
        chi2 = np.full(n, np.inf)
        n_terms = first + 2 * n_colours + 2
        covariance = np.full((n, n_terms, n_terms), np.nan)
        linear = np.zeros((n, 2 * n_colours + 2))
        for count in range(steps):
            a = active
            dx, dy = self.columns[a] - self.x[a, None], self.rows[a] - self.y[a, None]
            image = images(self.moments[a], beta, dx, dy, first, self.core)
            unit = image[0][..., None] * groups[a]
            design = np.concatenate([unit, self.basis[a]], axis=-1)
            # The first weights know the sky only; then they follow the model, not the noisy pixels.
            flux = linear[a, :n_colours]
            light = np.einsum("nmc,nc->nm", unit, flux)
            variance = self.noise.variance(light, self.floor[a])
            self._update_used(a, count, light, design, linear[a], variance, reject)
            weight = self.used[a] / variance
            linear[a] = _solved(design, weight, self.values[a])[0]
            flux = linear[a, :n_colours]
            residual = self.values[a] - np.einsum("nmk,nk->nm", design, linear[a])
            colour_flux = np.einsum("nmc,nc->nm", groups[a], flux)
            slopes = np.stack([colour_flux * image[1 + k] for k in range(first)], axis=-1)
            jacobian = np.concatenate([slopes, design], axis=-1)
            step, inverse = _solved(jacobian, weight, residual)
            chi2[a] = np.sum(weight * residual**2, axis=1)
            covariance[a] = inverse
            # Beyond half a FWHM the image is no longer linear in its place.
            limit = 1.2 * np.sqrt(size2[a])
            length = np.maximum(np.hypot(step[:, 0], step[:, 1]), 1e-12)
            share = np.minimum(1.0, limit / length)
            self.x[a] += share * step[:, 0]
            self.y[a] += share * step[:, 1]
            if free_shape:
                if shape == "shared":
                    # A star that the model does not explain knows its shape no better than it is explained.
                    misfit = np.maximum(chi2[a] / np.maximum(self.used[a].sum(axis=1), 1), 1.0)
                    known = inverse[:, 2:5, 2:5] * misfit[:, None, None]
                    step[:, 2:5] = _shared_step(step[:, 2:5], known, float(np.median(size2)))
                move = np.clip(step[:, 2:5], -0.4 * size2[a, None], 0.4 * size2[a, None])
                moments = self.moments[a] + move
                moments[:, :2] = np.clip(moments[:, :2], 0.05, 9 * size2[a, None] + 1)
                bound = 0.9 * np.sqrt(moments[:, 0] * moments[:, 1])
                moments[:, 2] = np.clip(moments[:, 2], -bound, bound)
                self.moments[a] = moments
            done = (share * length < 2e-3 * np.sqrt(size2[a])) & (count >= 3)
            if free_shape:
                done &= np.max(np.abs(step[:, 2:5]), axis=1) < 2e-3 * size2[a]
            # A shared shape moves as long as one star does.
            active = a[~done] if shape != "shared" or done.all() else a
            if len(active) == 0:
                break
        self.linear, self.covariance = linear, covariance
        self.dof = np.maximum(self.used.sum(axis=1) - first - 2 * n_colours - 2, 1)
        self.chi2 = chi2 / self.dof
        fwhm = FWHM_PER_SIGMA * np.sqrt(size2)
        self.moved = np.hypot(self.x - start[0], self.y - start[1])
        flux = linear[:, :n_colours] @ self.shares
        self.good = (self.moved < np.maximum(fwhm, 1.5)) & (flux > 0) & np.isfinite(self.chi2)
        self.good &= self.used.sum(axis=1) > first + 2 * n_colours + 8
        # The core itself must have been seen: at least some pixels within the half width.
        away = np.hypot(self.columns - self.x[:, None], self.rows - self.y[:, None])
        core = away < 0.7 * fwhm[:, None] + 0.7
        self.core_seen = np.sum(core & self.usable, axis=1) / np.maximum(core.sum(axis=1), 1)
        # A star in sharp pixels only has nothing left to fit; a saturated one is fitted from its ring.
        self.good &= (self.core_seen > 0.5) | (self.n_saturated > 0)
        first_flux = slice(first, first + n_colours)
        self.flux = flux
        with np.errstate(invalid="ignore"):
            self.flux_variance = np.einsum(
                "c,ncd,d->n", self.shares, covariance[:, first_flux, first_flux], self.shares
            )
        return self

    def _update_used(self, a, count, light, design, linear, variance, reject):
        """Pixels that no noise explains are left out; they may come back."""
        if count == 0 or not reject:
            if count == 0 and reject:
                self.used[a] = self.usable[a]
            return
        off = self.values[a] - np.einsum("nmk,nk->nm", design, linear)
        allowed = variance + (MODEL_ERROR * light) ** 2
        # A first guess is off: what lies far out is no noise; later the line is drawn at five sigmas.
        limit = REJECT * (3.0 if count < 3 else 1.0)
        # Where everything is off, the model is: half of the worst excess at most goes.
        z = np.abs(off) / np.sqrt(allowed) * self.usable[a]
        worst = np.max(z, axis=1, keepdims=True, initial=0.0)
        self.used[a] = self.usable[a] & ~((z > limit) & (z > 0.3 * worst))


def _shared_step(steps, covariances, size2: float):
    """One step of a shape for all stars from what each asks for; odd ones count little."""
    # No star is trusted beyond a fiftieth of its width: then its neighbours and its colour speak.
    covariances = covariances + (SHAPE_SCATTER * size2) ** 2 * np.eye(3)
    information = np.linalg.inv(covariances)
    common = np.median(steps, axis=0)
    for _ in range(5):
        off = steps - common
        distance2 = np.einsum("nk,nkl,nl->n", off, information, off)
        weighted = information / (1.0 + distance2 / 9.0)[:, None, None]
        common = np.linalg.solve(weighted.sum(axis=0), np.einsum("nkl,nl->k", weighted, steps))
    return np.tile(common, (len(steps), 1))


def _solved(design, weight, values):
    """Weighted least squares of many stars at once: solutions (n, k) and inverse normal matrices."""
    weighted = design * weight[..., None]
    normal = np.swapaxes(design, 1, 2) @ weighted
    right = np.einsum("nmk,nm->nk", weighted, values)
    scale = np.sqrt(np.maximum(np.einsum("nkk->nk", normal), 1e-300))
    outer = scale[:, :, None] * scale[:, None, :]
    # A column without pixels (a colour that is masked) stays at nothing instead of making all singular.
    inverse = np.linalg.inv(normal / outer + 1e-10 * np.eye(design.shape[-1])) / outer
    return np.einsum("nkl,nl->nk", inverse, right), inverse


def fit_stars(pixels: Pixels, x, y, psf: FieldPSF, others=None) -> StarFits:
    """Places and light of stars with a known PSF.

    Parameters
    ----------
    pixels : Pixels
    x, y : (n,) arrays
        Guesses good to about one FWHM, zero-based px.
    psf : FieldPSF
    others : (x, y, flux) arrays, optional
        All sources of the frame: pixels next to them are left out.

    Returns
    -------
    StarFits
    """
    x, y = np.atleast_1d(np.asarray(x, dtype=float)), np.atleast_1d(np.asarray(y, dtype=float))
    if len(x) == 0:
        nothing = np.zeros(0)
        return StarFits(*[nothing] * 2, np.zeros((0, 2, 2)), *[nothing] * 4, nothing.astype(bool))
    moments = psf.moments_at(x, y)
    radius = max(STAR_RADIUS * psf.fwhm, LEAST_RADIUS)
    stamps = Stamps(pixels, x, y, moments, radius, others).fit(psf.beta)
    # Chi-squared above what chance gives means noise that is not known: the sigmas grow with it.
    excess = np.where(stamps.chi2 > 1.0 + 3.0 * np.sqrt(2.0 / stamps.dof), stamps.chi2, 1.0)
    cov = stamps.covariance[:, :2, :2] * excess[:, None, None]
    flux_sigma = np.sqrt(np.abs(stamps.flux_variance) * excess)
    typical = psf.at((psf.shape[1] - 1) / 2, (psf.shape[0] - 1) / 2)
    if typical.axes[1] < UNDERSAMPLED_FWHM_PX:
        contrasts = np.array([0.0, 0.3, 1.0, 3.0])
        errors = [phase_error(typical, contrast=contrast) for contrast in contrasts]
        contrast = stamps.flux / (pixels.noise.gain_e_adu * np.mean(stamps.floor, axis=1))
        cov = cov + np.interp(contrast, contrasts, errors)[:, None, None] ** 2 * np.eye(2)
    good = stamps.good & (np.linalg.det(np.nan_to_num(cov)) > 0)
    columns = [np.where(good, column, np.nan) for column in (stamps.x, stamps.y, stamps.flux, flux_sigma)]
    cov = np.where(good[:, None, None], cov, np.nan)
    return StarFits(columns[0], columns[1], cov, *columns[2:], stamps.chi2, stamps.n_saturated, good)


def psf_from_stars(values, stars, noise: Noise, *, sky=None, bad=None, saturation=None, pixels=None,
                   known=None) -> FieldPSF:  # fmt: skip
    """PSF of a frame from its detected stars; round and 20% uncertain with fewer than five good ones.

    Parameters
    ----------
    values : (ny, nx) array
    stars : Table
        From :func:`~appulse.astrometry.detection.detect_stars`.
    noise : Noise
    sky : SkyMesh, optional
    bad : (ny, nx) array, optional
        Above 0 where a pixel is not to be used.
    saturation : float, optional
    pixels : Pixels, optional
        In place of values, noise, sky and bad.
    known : (k,) int array, optional
        Rows of `stars` that a star catalogue knows: if ten or more of them are good no others are used.

    Returns
    -------
    FieldPSF
    """
    if pixels is None:
        sky = sky if sky is not None else sky_mesh(values)
        kinds = np.zeros(values.shape, np.uint8) if bad is None else np.asarray(bad)
        pixels = Pixels(values, kinds, lambda x, y: sky.at(x, y, "sigma"), noise)
    shape = pixels.values.shape
    picked = listed = _pick(stars, shape, saturation, np.zeros(0, int) if known is None else known)
    if len(listed) < WISHED_STARS:
        more = _pick(stars, shape, saturation, np.arange(len(stars)))
        picked = np.concatenate([listed, more[~np.isin(more, listed)]])[:MAX_STARS]
    width = float(np.median(stars["fwhm"][picked])) if len(picked) else 3.0
    guess = PSF.round(float(np.clip(width, 1.0, 15.0)))
    if len(picked) < CLEAR_STARS:
        return _assumed(guess, shape, len(picked))
    x, y = (np.asarray(stars[name], dtype=float)[picked] for name in ("x", "y"))
    others = tuple(np.asarray(stars[name], dtype=float) for name in ("x", "y", "flux"))
    alike = _alike(pixels, x, y, guess, others, len(listed))
    if len(alike.x) < LEAST_STARS and not alike.clear:
        # A free shape about a faint star on a nebula is that of the nebula: the width of its peak says more.
        sure = alike.fwhm[alike.snr > LISTED_SNR]
        if len(sure):
            guess = PSF.round(float(np.median(sure)))
        return _assumed(guess, shape, len(alike.x))
    beta, stamps = _shapes(pixels, alike, others)
    size = stamps.fwhm
    good = stamps.good
    if good.sum() < (CLEAR_STARS if alike.clear else LEAST_STARS):
        return _assumed(guess, shape, int(good.sum()))
    # Galaxies and blends that passed for stars are wider than the rest.
    middle = np.median(size[good])
    # A few stars may agree by chance better than they know.
    least = 0.02 if good.sum() > 2 * LEAST_STARS else 0.3
    good &= np.abs(size - middle) <= max(3.5 * mad_sigma(size[good]), least * middle)
    moments, places = stamps.moments[good], np.column_stack([stamps.x, stamps.y])[good]
    scatter = max(mad_sigma(size[good]) / middle, 0.005)
    if len(places) < LEAST_STARS and not alike.bright:
        scatter = max(scatter, float(np.ptp(size[good])) / middle / 2, LISTED_SCATTER)
    coefficients = np.zeros((3, 3))
    words = f"from {len(places)} stars"
    if len(places) >= FIELD_STARS:
        uv = 2 * places / np.array([max(shape[1] - 1, 1), max(shape[0] - 1, 1)]) - 1
        design = np.column_stack([np.ones(len(uv)), uv])
        coefficients[:] = [_robust_plane(design, moments[:, k]) for k in range(3)]
        words += ", changing over the field"
    else:
        common = np.tile(np.median(moments, axis=0), (len(places), 1))
        radius = max(SHAPE_RADIUS * float(middle), LEAST_RADIUS)
        coefficients[:, 0] = Stamps(pixels, *places.T, common, radius, others).fit(beta, "shared").moments[0]
    words += ", Gaussian" if beta is None else f", Moffat of exponent {beta:.3g}"
    return FieldPSF(coefficients, beta, shape, len(places), float(scatter / np.sqrt(len(places))), words)


def _assumed(guess: PSF, shape, n: int) -> FieldPSF:
    """A round PSF for want of stars."""
    stars = "no star" if n == 0 else f"only {n} star{'s' if n > 1 else ''}"
    words = f"{stars} bright, alone and unsaturated ({LEAST_STARS} are needed): assumed round"
    return FieldPSF.fixed(PSF(guess.xx, guess.yy, 0.0, None, 0.2), shape, words)


class Alike(NamedTuple):
    """Stars of about one width: places, moments and FWHM of each, px, and signal to noise."""

    x: np.ndarray
    y: np.ndarray
    moments: np.ndarray
    fwhm: np.ndarray
    snr: np.ndarray
    listed: int  # how many of them a star catalogue knows

    @property
    def clear(self) -> bool:
        """Whether even a few of them cannot be anything else."""
        return self.listed >= LISTED_STARS or self.bright

    @property
    def bright(self) -> bool:
        """Whether a few are so bright and so alike that no catalogue is needed to know them for stars."""
        bright = self.fwhm[self.snr > CLEAR_SNR]
        enough = len(bright) >= CLEAR_STARS
        return enough and np.min(bright) > CLEAR_FWHM and np.ptp(bright) < CLEAR_SPREAD * np.mean(bright)


def _alike(pixels: Pixels, x, y, guess: PSF, others, n_listed: int) -> Alike:
    """Those of a set that are as wide as the stars of the catalogue (the first ones), or as most of them."""
    moments = np.tile([guess.xx, guess.yy, guess.xy], (len(x), 1))
    stamps = Stamps(pixels, x, y, moments, max(SHAPE_RADIUS * guess.fwhm, LEAST_RADIUS), others)
    stamps.fit(None, "own")
    # Whatever is narrower than the optics allow is no star.
    seen = (stamps.core_seen > 0.8) | (stamps.n_saturated > 0)
    good = stamps.good & seen & (stamps.fwhm > NARROWEST_FWHM)
    listed = good & (np.arange(len(x)) < n_listed)
    some = listed if listed.sum() >= 3 else good
    typical = np.median(stamps.fwhm[some]) if some.any() else guess.fwhm
    keep = good & (np.abs(np.log(np.maximum(stamps.fwhm, 1e-3) / typical)) < WIDTHS_DIFFER)
    with np.errstate(invalid="ignore"):
        snr = stamps.flux / np.sqrt(stamps.flux_variance * np.maximum(stamps.chi2, 1.0))
    n = int(np.sum(listed & keep & (snr > LISTED_SNR)))
    return Alike(
        stamps.x[keep], stamps.y[keep], stamps.moments[keep], stamps.fwhm[keep], snr[keep], n
    )  # fmt: skip


def _shapes(pixels: Pixels, alike: Alike, others):
    """Exponent of the profile (None for a Gaussian) and the stamps of all stars fitted with it."""
    x, y, width = alike.x, alike.y, float(np.median(alike.fwhm))
    radius = max(SHAPE_RADIUS * width, LEAST_RADIUS)
    round_one = PSF.round(width)
    moments = np.tile([round_one.xx, round_one.yy, 0.0], (len(x), 1))
    some = slice(0, SHAPE_STARS)
    trial = Stamps(pixels, x[some], y[some], moments[some], radius, others).fit(None, "shared")
    likelihoods = [_likelihood(trial)]
    for inverse in INVERSE_BETAS[1:]:
        trial.fit(1.0 / inverse, "shared", steps=6, reject=False)  # the same pixels
        likelihoods.append(_likelihood(trial))
        if likelihoods[-1] < likelihoods[-2]:
            break  # beyond the best
    best = int(np.argmax(likelihoods))
    beta = None
    if best > 0 and likelihoods[best] > likelihoods[0] + CLEARLY:
        beta = 1.0 / _vertex(INVERSE_BETAS[: len(likelihoods)], likelihoods, best)
    return beta, Stamps(pixels, x, y, alike.moments, radius, others).fit(beta, "own")


def _likelihood(stamps: Stamps) -> float:
    """Log likelihood of a shape over all stars, the noise's size free: it need not be known."""
    return float(-0.5 * np.sum(stamps.dof * np.log(np.maximum(stamps.chi2, 1e-12)) * stamps.good))


def _vertex(at, values, best: int) -> float:
    """Where a parabola through three values peaks."""
    if best == len(at) - 1:
        return at[best]
    a, b, c = at[best - 1 : best + 2]
    fa, fb, fc = values[best - 1 : best + 2]
    over = (b - a) ** 2 * (fb - fc) - (b - c) ** 2 * (fb - fa)
    under = (b - a) * (fb - fc) - (b - c) * (fb - fa)
    return float(np.clip(b - 0.5 * over / under, max(a, 0.1), c)) if under != 0 else b


def _pick(stars, shape, saturation, known) -> np.ndarray:
    """Rows of stars that are bright, unsaturated, alone, off the edges, no sharper or wider than the rest."""
    if len(stars) == 0:
        return np.array([], dtype=int)
    ny, nx = shape
    x, y, width, snr, flux = (np.asarray(stars[c], dtype=float) for c in ("x", "y", "fwhm", "snr", "flux"))
    among = np.sort(np.asarray(known, dtype=int))
    if len(among) == 0:
        return among
    bright = among[snr[among] > PICKS[0][0]][:400]
    if len(bright) < LEAST_STARS:
        bright = among[:400]
    typical = np.median(width[bright]) if len(bright) else 3.0
    margin = 2.5 * typical
    inside = (x > margin) & (x < nx - margin) & (y > margin) & (y < ny - margin)
    inside &= (width < 2.0 * typical) & (width > 0.5 * typical) & (np.asarray(stars["round"]) > 0.5)
    tree = cKDTree(np.column_stack([x, y]))
    for least, companion, top in PICKS:
        good = inside & (snr > least)
        if saturation is not None:
            # The response bends before it ends.
            good &= np.asarray(stars["peak"]) < top * saturation
        picked = []
        for i in among[good[among]][: 6 * MAX_STARS]:
            near = [j for j in tree.query_ball_point((x[i], y[i]), 3.0 * typical) if j != i]
            # Its companion's light would widen the fitted shape.
            if np.all(flux[near] < companion * flux[i]):
                picked.append(i)
            if len(picked) == MAX_STARS:
                break
        if len(picked) >= WISHED_STARS:
            break
    return np.array(picked, dtype=int)


def _robust_plane(design, values) -> np.ndarray:
    """Coefficients of a plane; stars far off it are left out."""
    weight = np.ones(len(values))
    for _ in range(5):
        solution = np.linalg.lstsq(design * weight[:, None], values * weight, rcond=None)[0]
        off = np.abs(values - design @ solution)
        weight = (off < 3.5 * max(MAD_TO_SIGMA * np.median(off), 1e-9)).astype(float)
    return solution

"""Where the nucleus of a comet is: a point and a coma of free slope, blurred and trailed, with what pulls it.

::

    model  =  N point + C rho^-g + dipoles (rho^-g: day side; rho^(1-g): tail) + stars + level + plane
              every term blurred by the star image and trailed
    C      =  scale * (noise of the pixels + c * structure of the surroundings)

A shift of a coma rho^-g looks like a dipole rho^(-g-1); what tail and day side add has other powers of the
distance, so the pixels tell them apart, the better the nearer to the nucleus. What they leave is estimated by
shrinking apertures: the place within each is carried on to an aperture of no size.

References: A'Hearn et al. 1984, AJ 89, 579 (rho^-1 of a steady coma, Afrho); Patterson & Thompson 1971,
Biometrika 58, 545 (restricted likelihood); Pitman 1939, Biometrika 30, 391 (the mean of a likelihood).
"""

import re
from dataclasses import dataclass, replace

import numpy as np
from scipy import fft, linalg

from appulse.astrometry.detection import PlaceSearch
from appulse.astrometry.pixel_covariance import PixelCovariance, narrow_factor
from appulse.astrometry.psf import POINT, Trail, pixel_image
from appulse.astrometry.scene import FrameScene
from appulse.astrometry.scene_fit import (
    LEFT_OUT,
    MODEL_ERROR,
    Bins,
    share_stars,
)
from appulse.astrometry.source_fit import SourceFit
from appulse.astrometry.stamp import LEAST_PIXELS, line_distance2
from appulse.constants import ARCSEC_PER_RAD, AU_KM
from appulse.errors import MeasurementError

APERTURES_FWHM = (6.0, 4.5, 3.4, 2.5)
"""Radii of the apertures, FWHM: the first holds the fit, the others show where it drifts as they shrink."""
LEAST_RADIUS = 9.0
SLOPE, SLOPE_SIGMA = 1.1, 0.4
"""Prior of the slope: 1 of a steady coma, 1.5 of one that light pushes (Jewitt & Meech 1987, ApJ 317, 992;
from memory)."""
SLOPES = (0.3, 1.9)
HARMONICS = ((1, 0.0, 0.08), (1, 1.0, 0.4), (2, 0.0, 0.08), (2, 1.0, 0.4), (3, 1.0, 0.2))
"""Order of each term about the nucleus, its power of the distance against the coma's, and its size against it
at the aperture's rim (common practice, no source): a day side brighter by a tenth, a tail that comes to match
the coma. What is found larger widens its own prior."""
DAY_SIDE = 0.05
"""What the day side has more of the coma, as a cosine: towards the Sun it is a tenth brighter than away from
it (common practice, no source). The first of HARMONICS varies about it, where the direction is not known
by as much more."""
DRIFT_FWHM = 0.004
"""Prior of the place's drift between an aperture of no size and the first, FWHM."""
STAR_MODEL_ERROR = 0.01
SCALES = (0.0, 1 / 4, 1.0, 4.0)
REJECT = 5.5
ROUNDS, CALM, HELD = 20, 6, 3
NEAR_FWHM = 2.2
NODES, STRETCH = 5, 1.2
SEARCH_WIDTHS = (1.0, 2.0, 3.5)
"""Widths of the points that are looked for, in widths of the star image."""
NOISE_TRUST = 40.0
FAINT_SNR = 60.0
MOST_NEIGHBOURS = 8
MOST_NEW_STARS = 4
RIVAL_FWHM, APART_FWHM, LEAST_CHANCE = 3.0, 0.5, 1e-3
"""How far a place of light in no list may be the nucleus instead, how far two such places are at least apart,
and the chance below which one is left out."""
TRUST = 1.3
"""By this the difference of two evidences is divided: each is about a nat off, for the likelihood of a place
has the shape of a normal one only roughly; a logistic chance with such a doubt is one of sqrt(1 + pi 2 / 8)
times the width (MacKay 1992, Neural Computation 4, 720; from memory)."""
LONE_FWHM = 0.35
"""A star in no list that comes nearer to the nucleus is the nucleus."""
STAR_DENSITY, STAR_RANGE = 0.02, 100.0
"""Stars in no list per square FWHM, and the range of their light (common practice, no source)."""
FINER, MOST_GRIDS = 0.3, 4
"""A likelihood that fills less of its grid than this is taken again on a finer one."""

SUN_G, COLOUR_MAG = -26.90, 0.1
"""The Sun's G magnitude at 1 au, and what the colours of dust and stars leave open."""
RED_FILTERS = ("r", "red", "rc", "rs", "i", "ic", "rprime", "sdssr", "sdssi", "rp")
"""Filters in which a coma's gas hardly shines (common practice, no source)."""


@dataclass(frozen=True)
class ComaFit(SourceFit):
    """A fitted nucleus and its coma: `flux` is all of its light within the first aperture."""

    slope: float = np.nan
    slope_sigma: float = np.nan
    nucleus_flux: float = np.nan
    nucleus_sigma: float = np.nan
    aperture_px: float = np.nan  # radius of the first aperture
    drift: tuple[float, float] = (np.nan, np.nan)  # px by which the first aperture's place lies off
    drift_cov: np.ndarray | None = None
    dipole: tuple[float, float] = (np.nan, np.nan)  # at half the aperture, share of the coma there
    dipole_sigma: float = np.nan

    matched_snr: float = np.nan

    @property
    def snr(self) -> float:
        """Signal to noise of its light as modelled; `flux_sigma` holds the level of the sky too."""
        return self.matched_snr

    @property
    def has_nucleus(self) -> bool:
        """Whether a point of light shows in the coma."""
        return bool(self.nucleus_flux > 3.0 * self.nucleus_sigma)


class _Templates:
    """Images of the terms of a coma on a fine grid about the nucleus, blurred and trailed, as splines."""

    def __init__(self, psf, trail: Trail, radius: float):
        narrow = psf.axes[1]
        self.over = over = 2 if narrow > 3.0 else 3
        blur = 3.5 * psf.axes[0] / 2.3548 * (1.0 if psf.beta is None else 1.6) + trail.reach + 1.0
        self.half = int(np.ceil((radius + 2.0 * psf.fwhm + blur) * over))
        n = 2 * self.half + 1
        u = (np.arange(n) - self.half) / over
        self.a, self.b = np.meshgrid(u, u)
        self.r = np.hypot(self.a, self.b)
        k = int(np.ceil(blur * over))
        v = np.arange(-k, k + 1) / over
        va, vb = np.meshgrid(v, v)
        kernel = pixel_image(psf, 0.0, 0.0, va.ravel(), vb.ravel(), trail)[0].reshape(va.shape) / over**2
        self.size = fft.next_fast_len(n + 2 * k, real=True)
        self.kernel = fft.rfft2(kernel / kernel.sum(), (self.size, self.size))
        keep = int(np.ceil((radius + 2.0 * psf.fwhm) * over))
        self.cut, self.inner = slice(k + self.half - keep, k + self.half + keep + 1), keep
        self.axis = np.arange(-keep, keep + 1) / over
        self.unit = radius

    def _cells(self, power: float):
        """rho^-power, in units of the aperture, of each cell: the mean over it near the nucleus."""
        r = np.where(self.r > 0, self.r, 1.0)
        value = (r / self.unit) ** -power
        if power > 0:
            sub = (np.arange(20) + 0.5) / 20 - 0.5
            for j in range(-2, 3):
                for i in range(-2, 3):
                    near = np.hypot(*np.meshgrid(sub + i, sub + j)) / self.over / self.unit
                    value[self.half + j, self.half + i] = np.mean(near**-power)
        return value

    def _blurred(self, image):
        full = fft.irfft2(fft.rfft2(image, (self.size, self.size)) * self.kernel, (self.size, self.size))
        return full[self.cut, self.cut]

    def coma(self, slope: float):
        """Spline of the coma."""
        return self.spline(self._blurred(self._cells(slope)))

    def dipoles(self, slope: float):
        """Splines of the cosine and sine terms of each of HARMONICS."""
        angle, result, cells = np.arctan2(self.b, self.a), [], {}
        for order, power, _ in HARMONICS:
            if power not in cells:
                cells[power] = self._cells(slope - power)
                cells[power][self.half, self.half] = 0.0  # its parts cancel
            for wave in (np.cos, np.sin):
                result.append(self.spline(self._blurred(cells[power] * wave(order * angle))))
        return result

    def spline(self, image):
        from scipy.interpolate import RectBivariateSpline  # only a comet pays for loading it

        return RectBivariateSpline(self.axis, self.axis, image)


def search_coma(scene: FrameScene, x: float, y: float, radius: float, trail: Trail = POINT) -> PlaceSearch:
    """Look for a point or a coma within `radius` px of a place: the search for points, with wider ones too.

    A coma is structure of its surroundings to whoever measures that without knowing of it; where nothing is
    found otherwise, the surroundings are taken as smooth, and their own scatter holds the limit.
    """
    searches = []
    alike = scene.structure.alike
    for structure in (alike, replace(alike, amplitudes=0.0 * alike.amplitudes)):
        for width in SEARCH_WIDTHS:
            wide = replace(scene, psf=scene.psf.scaled(width), structure=structure)
            found = wide.search(x, y, radius, trail)
            searches.append(found)
            if width == 1.0 and found.candidates:
                return found
        if any(found.candidates for found in searches):
            break
    # The sharpest that shows: its place is the best known.
    best = max((f for f in searches if f.candidates), key=lambda f: f.candidates[0].snr, default=searches[0])
    return best


def fit_coma(
    scene: FrameScene, x: float, y: float, *, trail: Trail = POINT, radius: float | None = None,
    max_shift: float | None = None, others=(), tailward=None,
) -> ComaFit:  # fmt: skip
    """Fit nucleus and coma near (x, y), zero-based px of the frame, together with the stars around.

    `radius` is that of the first aperture, px; `others` are places of light beside it that may be stars;
    `tailward` is the direction away from the Sun, (x, y) px, where it is known; its length is the sine of the
    phase.

    Raises
    ------
    MeasurementError
        If nothing can be fitted there; the message is the reason.
    """
    psf = scene.psf
    wide = max(APERTURES_FWHM[0] * psf.fwhm, LEAST_RADIUS) if radius is None else float(radius)
    radii = [wide * share / APERTURES_FWHM[0] for share in APERTURES_FWHM]
    first = _ComaFit(scene, x, y, trail, radii[0], others=others, tailward=tailward)
    first.run()
    limit = max_shift if max_shift is not None else 3.0 * psf.fwhm + 0.5 * trail.length
    if np.hypot(*(first.place - (x, y))) > limit:
        raise MeasurementError("the fit left its place")
    first, doubts = _likeliest(first, limit)
    fit = first.result()
    drift, doubt = _drift(first, radii[1:])
    return replace(
        fit, x=float(fit.x - drift[0]), y=float(fit.y - drift[1]), cov=fit.cov + doubt + doubts,
        drift=(float(drift[0]), float(drift[1])), drift_cov=doubt,
    )  # fmt: skip


def _likeliest(first: "_ComaFit", limit):
    """The fit that explains its pixels best, and what the places of the others add to its covariance.

    Steps from one place end at the next hill of the likelihood: with a star in no list beside the nucleus
    either may be taken for the other, and where the coma is faint a point alone may do.
    """
    near = RIVAL_FWHM * first.psf.fwhm + 0.5 * first.trail.length
    apart = APART_FWHM * first.psf.fwhm
    lights = [first.place]
    for at in (*first.own_stars, first.start):
        if min(np.hypot(*(at - other)) for other in lights) > apart:
            lights.append(at)
    fits, tried = [first], [(at, True) for at in lights[1:] if np.hypot(*(at - first.place)) < near]
    if first.bare:
        tried.append((first.place, False))
    if first.snr < FAINT_SNR:
        # What shows as a point may be a star in no list, and the coma's faint middle beside it.
        tried.append((first.coma_beside(near, apart), False))
    fits += [fit for start, may_be_bare in tried if (fit := _again(first, start, lights, limit, may_be_bare))]
    best = max(fits, key=lambda fit: fit.evidence())
    # Of what came to stand as nucleus and star, the star may be the nucleus.
    for star in list(best.own_stars):
        if np.hypot(*(star - best.place)) < near:
            swapped = _again(first, star, [best.place, *best.own_stars], limit, False)
            fits += [swapped] if swapped else []
    odds = np.array([fit.evidence() for fit in fits])
    best = fits[int(np.argmax(odds))]
    # Two that ended on one hill are one.
    doubts, taken, total, place = np.zeros((2, 2)), [best], 1.0, best.peak()[0]
    for k in np.argsort(-odds):
        chance = np.exp((odds[k] - odds.max()) / TRUST)
        if chance < LEAST_CHANCE or any(np.hypot(*(fits[k].place - t.place)) < 0.5 * apart for t in taken):
            continue
        taken.append(fits[k])
        there, cov = fits[k].peak()
        step = there - place
        doubts, total = doubts + chance * (cov + np.outer(step, step)), total + chance
    return best, doubts / total


def _again(first: "_ComaFit", start, lights, limit, may_be_bare: bool):
    """The fit from another place, the rest of the lights stars; None where it finds no comet there."""
    apart = APART_FWHM * first.psf.fwhm
    fit = _ComaFit(
        first.scene, *first.start, first.trail, first.radius, place=start, may_be_bare=may_be_bare,
        others=[at for at in lights if np.hypot(*(at - start)) > apart], tailward=first.tailward,
    )  # fmt: skip
    try:
        fit.run()
    except MeasurementError:
        return None
    # A star that came to stand on the nucleus is the nucleus.
    lone = all(np.hypot(*(at - fit.place)) > LONE_FWHM * first.psf.fwhm for at in fit.own_stars)
    return fit if lone and np.hypot(*(fit.place - first.start)) <= limit else None


def _drift(first: "_ComaFit", radii):
    """By how much the first aperture's place lies off that of one of no size, and its covariance."""
    # The place within a smaller aperture rests on a part of the same pixels: the difference of the two has
    # the difference of their variances (Hausman 1978, Econometrica 46, 1251).
    place, cov = first.answer()[:2]
    prior = (DRIFT_FWHM * first.psf.fwhm) ** 2
    shares, steps, covs = [], [], []
    for radius in radii:
        smaller = _ComaFit(
            first.scene, *first.place, first.trail, radius, slope=first.slope, others=first.own_stars,
            tailward=first.tailward,
        )  # fmt: skip
        try:
            smaller.run()
        except MeasurementError:
            break  # the first aperture stands; what it may be off is then the prior's
        there, its = smaller.answer()[:2]
        extra = its - cov
        values, vectors = np.linalg.eigh(extra)
        floor = 0.05 * np.trace(cov)
        if np.hypot(*(there - place)) > 5 * np.sqrt(np.trace(its)):
            break
        extra = (vectors * np.maximum(values, floor)) @ vectors.T
        if covs:
            values, vectors = np.linalg.eigh(extra - covs[-1])
            extra = covs[-1] + (vectors * np.maximum(values, floor)) @ vectors.T
        shares.append(radius / first.radius - 1.0)
        steps.append(there - place)
        covs.append(extra)
    if not steps:
        return np.zeros(2), prior * np.eye(2)
    n = len(steps)
    joint = np.block([[covs[min(i, j)] for j in range(n)] for i in range(n)])
    design = np.vstack([share * np.eye(2) for share in shares])
    weighted = np.linalg.solve(joint, design)
    doubt = np.linalg.inv(design.T @ weighted + np.eye(2) / prior)
    return doubt @ (weighted.T @ np.concatenate(steps)), doubt


class _ComaFit:
    """One aperture: place, slope and the stars' places are stepped, everything else is linear."""

    def __init__(
        self, scene: FrameScene, x, y, trail, radius, slope=SLOPE, others=(), place=None, may_be_bare=True,
        tailward=None,
    ):  # fmt: skip
        self.tailward = None if tailward is None else np.asarray(tailward, dtype=float)
        self.start, self.may_be_bare = np.array([x, y], dtype=float), may_be_bare
        self.scene, self.psf, self.trail, self.radius = scene, scene.psf, trail, float(radius)
        rows, columns = np.indices(scene.pixels.shape)
        rows, columns = rows + scene.y0, columns + scene.x0
        away = line_distance2(columns - x, rows - y, trail.ends[0, 0], trail.ends[-1, 1])
        self.inside = (away <= self.radius**2) & scene.good & ~scene.full
        self.n_saturated = int(np.sum(scene.full & scene.good & (away <= self.radius**2)))
        if self.inside.sum() < 2 * LEAST_PIXELS:
            raise MeasurementError(f"only {int(self.inside.sum())} usable pixels around the place")
        self.columns, self.rows = columns[self.inside].astype(float), rows[self.inside].astype(float)
        self.colour, self.away = scene.colour[self.inside], away[self.inside]
        self.bins = b = self._binned()
        self.place = np.array((x, y) if place is None else place, dtype=float)
        self.slope = slope
        self.templates = _Templates(self.psf, trail, self.radius + trail.length / 2)
        self._of_slope = None
        self._share_stars()
        for place in np.asarray(others, dtype=float).reshape(-1, 2):
            if np.hypot(*(place - (x, y))) < self.radius:  # farther off its light says nothing here
                self._add_star(place)
        self.noise2 = b.sum(scene.variance[self.inside])
        present = np.unique(b.colour)
        self.colours = [(b.colour == c).astype(float) for c in present]
        shares = np.array([np.mean(scene.colour == c) for c in present])
        self.shares = shares / shares.sum()
        u, v = (b.x - x) / self.radius, (b.y - y) / self.radius
        tint = scene.tint[b.colour]
        self.background = [b.count * c for c in self.colours] + [b.count * tint * u, b.count * tint * v]
        self.factor = self._product = None
        structure = scene.structure.alike
        if structure.amplitudes.any():
            apart = b.x[:, None] - b.x, b.y[:, None] - b.y
            kernel = structure.covariance(*apart) * np.outer(b.count * tint, b.count * tint)
            self.factor = narrow_factor(kernel, LEFT_OUT * float(self.noise2.min()) / SCALES[-1])
        self._peak, self.bare, self.seen = None, False, np.zeros(len(HARMONICS))
        self.away_from_sun = self.tailward
        self.extra = np.zeros(b.n)
        self.comet_light = self.light = np.zeros(b.n)

    def _binned(self) -> Bins:
        """Bins of less than half the FWHM near the nucleus, twice as wide beyond."""
        fwhm = self.psf.fwhm
        side = max(1, int(fwhm / 2.2))
        if self.scene.is_mosaic:
            side = 2 * max(1, side // 2) if fwhm >= 5.0 else 1
        near = self.away <= (NEAR_FWHM * fwhm) ** 2
        sides = np.where(near, side, 2 * side if fwhm / side > 2.0 else side)
        return Bins(self.columns.astype(int), self.rows.astype(int), self.colour, sides)

    def _share_stars(self):
        """Stars to be fitted along; the light of all others is taken off the pixels."""
        pixels = self.columns, self.rows, self.colour
        found = share_stars(self.scene, *pixels, lambda _star, light: -float(light.sum()), MOST_NEIGHBOURS)
        self.near, weak, self.star_light = found
        self.pixels = self.scene.pixels[self.inside] - weak - self.star_light
        self.priors = [(np.array(star.prior), star.place_px) for star in self.near]
        self.near_places = np.array([[star.x, star.y] for star in self.near]).reshape(-1, 2)
        self.value = self.bins.sum(self.pixels)

    # --- model

    def _splines(self, slope):
        """Splines of the coma at this slope and a little off, and of its dipoles."""
        if self._of_slope is None or abs(self._of_slope[0] - slope) > 1e-6:
            t = self.templates
            self._of_slope = (slope, t.coma(slope), t.coma(slope + 0.02), t.dipoles(slope))
        return self._of_slope[1:]

    def _terms(self, place, slopes_too=True):
        """Images in bins: nucleus, coma, dipoles, each with its slopes; the coma with its change with g."""
        dx, dy = self.columns - place[0], self.rows - place[1]
        coma, other, dipoles = self._splines(self.slope)

        def at(spline, **order):
            return self.bins.sum(spline.ev(dy, dx, **order))

        images = pixel_image(self.psf, *place, self.columns, self.rows, self.trail)
        nucleus = [self.bins.sum(part) for part in images]
        value = at(coma)
        change = (at(other) - value) / 0.02
        if not slopes_too:
            return nucleus[:1], [value, change], [at(spline) for spline in dipoles], None
        # moving the nucleus is moving the pixels the other way
        body = [value, -at(coma, dy=1), -at(coma, dx=1), change]
        return nucleus, body, [at(spline) for spline in dipoles], [
            (-at(spline, dy=1), -at(spline, dx=1)) for spline in dipoles
        ]

    def _linear(self, place, values=None, slopes_too=True):
        """Linear terms (n, k), and columns of the steps for their values: of the slope alone if wanted."""
        nucleus, coma, dipoles, dipole_slopes = self._terms(place, slopes_too)
        nc = len(self.colours)
        tint = np.ones(self.bins.n) if nc == 1 else sum(
            w * c for w, c in zip(self._tint(values), self.colours, strict=True)
        )
        terms = [nucleus[0] * c for c in self.colours] + [coma[0] * c for c in self.colours]
        terms += [d * tint for d in dipoles]
        stars = [
            [self.bins.sum(part) for part in pixel_image(self.psf, *at, self.columns, self.rows)]
            for at in self.near_places
        ]
        for star in stars:
            terms += [star[0] * c for c in self.colours]
        linear = np.column_stack(terms + self.background)
        if values is None:
            return linear, None
        n_flux = sum(f * c for f, c in zip(values[:nc], self.colours, strict=True))
        c_flux = sum(f * c for f, c in zip(values[nc : 2 * nc], self.colours, strict=True))
        if not slopes_too:
            return linear, (c_flux * coma[1])[:, None]
        amounts = values[2 * nc : 2 * nc + len(dipoles)]
        steps = []
        for axis in (0, 1):
            column = n_flux * nucleus[1 + axis] + c_flux * coma[1 + axis]
            column = column + tint * sum(
                a * s[axis] for a, s in zip(amounts, dipole_slopes, strict=True)
            )
            steps.append(column)
        steps.append(c_flux * coma[3])
        start = 2 * nc + len(dipoles)
        for k, star in enumerate(stars):
            part = values[start + nc * k : start + nc * (k + 1)]
            each = sum(f * c for f, c in zip(part, self.colours, strict=True))
            steps += [each * star[1], each * star[2]]
        return linear, np.column_stack(steps)

    def _tint(self, values):
        """Light of the comet that each colour passes, mean 1."""
        nc = len(self.colours)
        if values is None:
            return self.scene.star_tint[np.unique(self.bins.colour)]
        flux = np.maximum(values[nc : 2 * nc], 0.0)
        total = float(flux @ self.shares)
        return np.clip(flux / total, 0.1, 3.0) if total > 0 else np.ones(nc)

    def _n_comet(self):
        return 2 * len(self.colours) + 2 * len(HARMONICS)

    def _light_of(self, linear, values):
        """Light of the comet, and of comet and stars, in bins."""
        n, stars = self._n_comet(), len(self.near) * len(self.colours)
        comet = linear[:, :n] @ values[:n]
        return comet, comet + linear[:, n : n + stars] @ values[n : n + stars]

    def _priors(self, n_linear, level, n_steps, held=False):
        """Inverse variances of everything, and what they pull towards; `level` is the coma at the rim.

        `held`: the slope stays, and there are no dipoles yet.
        """
        nc = len(self.colours)
        weight, pull = np.zeros(n_linear + n_steps), np.zeros(n_linear + n_steps)
        level = max(level, 0.1 * self.least_level)
        if self.bare:
            weight[nc : 2 * nc] = (1e-3 * self.least_level) ** -2
        for k, (_, _, size) in enumerate(HARMONICS):
            if k == 0 and self.tailward is None:
                known = 0.0 if self.away_from_sun is None else min(float(np.hypot(*self.away_from_sun)), 1.0)
                size = np.hypot(size, DAY_SIDE * (1.0 - known))
            width = 0.1 * size * self.least_level if held else np.hypot(size * level, self.seen[k])
            weight[2 * nc + 2 * k : 2 * nc + 2 * k + 2] = width**-2
        if not held and self.away_from_sun is not None:
            pull[2 * nc : 2 * nc + 2] = -DAY_SIDE * level * self.away_from_sun * weight[2 * nc : 2 * nc + 2]
        if n_steps:
            i = n_linear + 2
            weight[i] = 1e6 if held else SLOPE_SIGMA**-2
            pull[i] = (SLOPE - self.slope) * weight[i]
            for k, (prior, sigma) in enumerate(self.priors):
                for axis in (0, 1):
                    j = n_linear + 3 + 2 * k + axis
                    weight[j] = sigma**-2
                    pull[j] = (prior[axis] - self.near_places[k][axis]) * weight[j]
        return weight, pull

    def _noise(self):
        gain = self.scene.noise.gain_e_adu
        stars = np.abs(self.light - self.comet_light)
        misfit = (MODEL_ERROR * self.comet_light) ** 2 + (STAR_MODEL_ERROR * stars) ** 2
        return self.noise2 + np.maximum(self.light, 0.0) / gain + misfit + self.extra

    def _covariance(self, scale) -> PixelCovariance:
        """Noise of the bins, and so much of the surroundings' structure."""
        noise = self._noise()
        if self.factor is None or scale == 0.0:
            return PixelCovariance.of(noise)
        if self._product is None or not np.array_equal(self._product[0], noise):
            self._product = noise, self.factor.T @ (self.factor.T / noise).T
        return PixelCovariance.of(noise, np.sqrt(scale) * self.factor, scale * self._product[1])

    def _solve(self, scale, design, rest, weight, pull):
        """Log odds, values, covariance, scale of the variances, the bins' covariance and chi2 of one case."""
        try:
            pixels = self._covariance(scale)
        except linalg.LinAlgError:
            return None
        both = pixels.whitened(np.column_stack([design, rest]))
        terms, wanted = both[:, :-1], both[:, -1]
        normal = terms.T @ terms + np.diag(weight)
        size = np.sqrt(np.maximum(np.diag(normal), 1e-300))
        scaled = normal / np.outer(size, size)
        inverse = np.linalg.pinv(scaled, rcond=1e-11, hermitian=True) / np.outer(size, size)
        values = inverse @ (terms.T @ wanted + pull)
        left = wanted - terms @ values
        chi2 = float(left @ left)
        free = len(rest) - np.sum(weight == 0) - np.sum(self.extra > 0)
        dof = max(free, 1.0) + NOISE_TRUST
        total = chi2 + NOISE_TRUST
        _, log_normal = np.linalg.slogdet(scaled)
        log_normal += 2 * float(np.sum(np.log(size)))
        odds = -0.5 * (dof * np.log(total / dof) + pixels.log_det + log_normal)
        return odds, values, inverse, total / dof, pixels, chi2

    # --- fit

    def run(self):
        """Step to the best place and slope."""
        nc = len(self.colours)
        self.least_level = float(np.sqrt(np.median(self.noise2 / self.bins.count)))
        values, scale, added, level = None, 1.0 if self.factor is not None else 0.0, 0, 0.0
        for count in range(ROUNDS):
            if values is None:
                linear, _ = self._linear(self.place)
                weight, pull = self._priors(linear.shape[1], self.least_level, 0)
                found = self._solve(scale, linear, self.value, weight, pull)
                values = found[1].copy()
                values[: 2 * nc] = np.maximum(values[: 2 * nc], 0.0)
                if not values[: 2 * nc].sum() > 0:
                    values[nc : 2 * nc] = self.least_level
            linear, steps = self._linear(self.place, values)
            self.comet_light, self.light = self._light_of(linear, values)
            design = np.column_stack([linear, steps])
            n_linear = linear.shape[1]
            # What the coma lets its dipoles be and what they leave to it depend on each other: half steps.
            level = self._level(values) if count == 0 else 0.5 * (level + self._level(values))
            # From a wrong place, as beside a bright star, coma and dipoles would take the nucleus' light.
            weight, pull = self._priors(n_linear, level, steps.shape[1], held=count < HELD or level == 0.0)
            if self.factor is not None and count in (1, 4, 8):
                tried = [(s, self._solve(s, design, self.value, weight, pull)) for s in SCALES]
                scale = max((t for t in tried if t[1] is not None), key=lambda item: item[1][0])[0]
            found = self._solve(scale, design, self.value, weight, pull)
            if found is None:
                raise MeasurementError("the pixels there do not settle a fit")
            if count < CALM:
                found = self._positive(found, scale, design, weight, pull)
            values = found[1][:n_linear]
            if count == HELD + 2:
                for k in range(len(HARMONICS)):
                    pair = np.arange(2 * nc + 2 * k, 2 * nc + 2 * k + 2)
                    chance = found[3] * np.trace(found[2][np.ix_(pair, pair)])
                    self.seen[k] = np.sqrt(max(np.sum(values[pair] ** 2) - chance, 0.0))
                    if HARMONICS[k][:2] == (1, 1.0) and self.tailward is None:
                        # The less of a tail is seen, the less its direction is known.
                        size2 = max(float(np.sum(values[pair] ** 2)), 1e-30)
                        self.away_from_sun = values[pair] / np.sqrt(size2) * max(1.0 - chance / size2, 0.0)
            shift = self._step(found[1][n_linear:], 1.0 if count < CALM else 0.5)
            if not np.isfinite(self.place).all():
                raise MeasurementError("the fit did not settle")
            changed = self._reject(found, design, settled=count >= 2)
            # A star that comes late leaves no rounds to settle with it.
            calm = 3 <= count < ROUNDS - HELD and shift < 0.3 * self.psf.sigma
            if calm and added < MOST_NEW_STARS and self._new_star(found, design):
                added += 1
                values = None
                continue
            # Light that is negative all over the aperture is no coma: then there is a point alone.
            bare = self.may_be_bare and not self.bare and count >= CALM
            bare = bare and np.sum(values[nc : 2 * nc] * self.shares) < 0
            self.bare |= bare
            if count > 4 and shift < 2e-3 * self.psf.sigma and not changed and not bare:
                break
        own = float(np.sqrt(np.trace(found[2][n_linear : n_linear + 2, n_linear : n_linear + 2]) * found[3]))
        # A faint coma may keep a fit trembling; what it leaves open the mean of the likelihood holds.
        if shift > max(0.1 * self.psf.sigma, 0.3 * own):
            raise MeasurementError("the fit did not settle")
        self.values, self.scale_used = values, scale
        linear, steps = self._linear(self.place, values)
        self.comet_light, self.light = self._light_of(linear, values)
        self.design, self.n_linear = np.column_stack([linear, steps]), n_linear
        self.weight, self.pull = self._priors(n_linear, level, steps.shape[1])
        cases = SCALES if self.factor is not None else (0.0,)
        self.solved = [
            f for f in (self._solve(s, self.design, self.value, self.weight, self.pull) for s in cases) if f
        ]
        if not self.solved:
            raise MeasurementError("the pixels there do not settle a fit")

    def _positive(self, found, scale, design, weight, pull):
        """The same solution without a nucleus, or without a coma, where its light came out negative."""
        nc = len(self.colours)
        parts = [slice(0, nc), slice(nc, 2 * nc)]
        negative = [part for part in parts if found[1][part] @ self.shares < 0]
        if len(negative) != 1:
            return found
        weight = weight.copy()
        weight[negative[0]] = (1e-3 * self.least_level) ** -2
        return self._solve(scale, design, self.value, weight, pull) or found

    def _level(self, values):
        """Coma at the aperture's rim, stored units."""
        nc = len(self.colours)
        return float(np.maximum(values[nc : 2 * nc], 0.0) @ self.shares)

    def _step(self, steps, share=1.0) -> float:
        """Move place, slope and stars by a share of the steps; how far the body was to go."""
        limit = 0.5 * max(self.psf.fwhm, 1.0)
        size = float(np.hypot(*steps[:2]))
        self.place = self.place + share * steps[:2] * min(1.0, limit / max(size, 1e-12))
        self.slope = float(np.clip(self.slope + share * np.clip(steps[2], -0.2, 0.2), *SLOPES))
        if len(self.near):
            self.near_places = self.near_places + share * np.clip(steps[3:].reshape(-1, 2), -1.0, 1.0)
        return size

    def _alone(self, found, design):
        """Leave-one-out residuals and their variance without what is put aside."""
        _, values, _, scale, pixels, _ = found
        diagonal = pixels.inverse_diagonal()
        alone = pixels.solved(self.value - design @ values) / diagonal
        return alone, np.maximum(1 / diagonal - self.extra, 1e-300) * max(scale, 0.25)

    def _reject(self, found, design, settled: bool) -> bool:
        """Put bins aside that the others do not foretell; whether that changed anything."""
        alone, variance = self._alone(found, design)
        misfit = 2.0 * max(self.psf.width_error, 0.01) if settled else 0.5
        variance = variance + (misfit * self.light) ** 2
        out = alone**2 > (REJECT if settled else 2.0 * REJECT) ** 2 * variance
        if out.sum() > 0.2 * self.bins.n:
            return False
        changed = not np.array_equal(out, self.extra > 0)
        self.extra = np.where(out, 1e4 * (alone**2 + variance), 0.0)
        return changed

    def _new_star(self, found, design) -> bool:
        """Take in a star that no list has: light left in the shape of the star image, off the nucleus."""
        rest = self.value - design @ found[1]
        noise = np.sqrt(self._noise() - self.extra)
        off = np.hypot(self.bins.x - self.place[0], self.bins.y - self.place[1])
        clear = off > 1.5 * self.psf.fwhm + self.trail.length / 2
        if len(self.near):
            sides = [at[:, None] - self.near_places[:, k] for k, at in enumerate((self.bins.x, self.bins.y))]
            clear &= np.min(np.hypot(*sides), axis=1) > self.psf.fwhm
        tops = np.flatnonzero(clear & (rest > 2.5 * noise))
        best, where = 5.0, None
        for k in tops[np.argsort(-rest[tops] / noise[tops])][:6]:
            image = self.bins.sum(
                pixel_image(self.psf, self.bins.x[k], self.bins.y[k], self.columns, self.rows, coarse=True)[0]
            )
            snr = float(image / noise @ (rest / noise) / np.linalg.norm(image / noise))
            if snr > best:
                best, where = snr, k
        if where is None:
            return False
        self._add_star(np.array([self.bins.x[where], self.bins.y[where]]))
        self.extra = np.zeros(self.bins.n)
        return True

    def _add_star(self, place):
        """Fit a star along that no list has."""
        self.near = [*self.near, None]
        self.priors = [*self.priors, (place, 0.5 * self.psf.fwhm)]
        self.near_places = np.vstack([self.near_places, place])

    @property
    def own_stars(self) -> list:
        """Places of the stars that no list has."""
        return [place for star, place in zip(self.near, self.near_places, strict=True) if star is None]

    def peak(self):
        """Place and covariance; of a faint comet the mean of the likelihood."""
        if self._peak is None:
            place, cov, mean, _ = self.answer()
            if self.snr < FAINT_SNR:
                place, cov = self._mean_of_likelihood(place, cov, mean)
            self._peak = place, cov
        return self._peak

    @property
    def snr(self) -> float:
        """Signal to noise of the comet's light as modelled, in the noise of the pixels."""
        noise = np.maximum(self._noise() - self.extra, 1e-300)
        use = self.extra == 0
        return float(np.sqrt(np.sum(self.comet_light[use] ** 2 / noise[use])))

    def coma_beside(self, reach, apart):
        """Place of the coma, `apart` to `reach` px off, that explains best what all but the comet leaves."""
        n = self._n_comet()
        values, b = self.answer()[2], self.bins
        nc = len(self.colours)
        left = self.value - self.design[:, n : self.n_linear] @ values[n : self.n_linear]
        left = left - self.design[:, :nc] @ np.maximum(values[:nc], 0.0)
        noise = np.sqrt(self._noise())
        spline, one = self._splines(self.slope)[0], b.count / noise
        at = np.arange(-reach, reach + 1e-9, 0.6 * self.psf.fwhm)
        best = (-np.inf, self.place)
        for dx, dy in ((dx, dy) for dx in at for dy in at if apart < np.hypot(dx, dy) < reach):
            place = self.place + np.array([dx, dy])
            image = b.sum(spline.ev(self.rows - place[1], self.columns - place[0])) / noise
            image = image - one * (image @ one) / (one @ one)
            snr = float(image @ (left / noise)) / np.linalg.norm(image)
            best = max(best, (snr, place), key=lambda t: t[0])
        return best[1]

    def evidence(self) -> float:
        """Log of the evidence for this fit by its own pixels (Laplace's approximation), up to a constant.

        Two fits within one aperture of one scene may be compared by it.
        """
        use = self.weight > 0
        prior = np.where(use, self.pull / np.where(use, self.weight, 1.0), 0.0)
        odds = []
        for found, values, _, _, _, chi2 in self.solved:
            pulled = float(np.sum(self.weight[use] * (values[use] - prior[use]) ** 2))
            dof = max(self.bins.n - np.sum(~use) - np.sum(self.extra > 0), 1.0) + NOISE_TRUST
            odds.append(found - 0.5 * dof * np.log1p(pulled / (chi2 + NOISE_TRUST)))
        total = float(np.logaddexp.reduce(odds)) + 0.5 * float(np.sum(np.log(self.weight[use])))
        # A star in no list: how likely one is there, and one of so much light.
        total += len(self.own_stars) * np.log(2 * np.pi * (0.5**2) * STAR_DENSITY)
        values, nc, n = self.answer()[2], len(self.colours), self._n_comet()
        for k, star in enumerate(self.near):
            if star is None:
                light = abs(float(values[n + nc * k : n + nc * (k + 1)] @ self.shares))
                total += 0.5 * np.log(2 * np.pi) - np.log(max(light, self.least_level) * np.log(STAR_RANGE))
        return total

    def _mean_of_likelihood(self, place, cov, mean):
        """Mean and covariance of the likelihood, on a grid about its peak that is made to fit it."""
        for _ in range(MOST_GRIDS):
            middle, spread = self._mean_on_grid(place, cov, mean)
            size = np.sqrt(np.maximum(np.linalg.eigvalsh(cov), 1e-12))
            if np.trace(spread) > FINER * np.trace(cov) and np.hypot(*(middle - place)) < size[-1]:
                break
            # One node that holds all of it says no more than that it is narrower than the grid.
            wide = max(1.0, FINER * np.trace(cov) / max(np.trace(spread), 1e-6 * np.trace(cov)))
            place, cov = middle, wide * spread + 0.1 * FINER * cov
        return middle, spread

    def _mean_on_grid(self, place, cov, mean):
        """Mean of all places that the pixels allow, all that is linear integrated out (see `faint_place`)."""
        at, share = np.polynomial.hermite_e.hermegauss(NODES)
        u, v = (a.ravel() for a in np.meshgrid(at, at))
        share = np.outer(share, share).ravel() / (2 * np.pi)
        values, vectors = np.linalg.eigh(cov)
        steps = (STRETCH * (vectors * np.sqrt(np.maximum(values, 0.0))) @ np.stack([u, v])).T
        best = max(self.solved, key=lambda found: found[0])
        scale, pixels, n = best[3], best[4], self.n_linear
        weight, pull = (np.delete(values, [n, n + 1]) for values in (self.weight, self.pull))
        stars = self.design[:, n + 3 :]
        log = np.empty(len(steps))
        for k, step in enumerate(steps):
            # What the slope changes moves along: left behind it would stand for a coma at the old place.
            linear, slope = self._linear(place + step, mean[:n], slopes_too=False)
            both = pixels.whitened(np.column_stack([linear, slope, stars, self.value])) / np.sqrt(scale)
            normal = both[:, :-1].T @ both[:, :-1] + np.diag(weight)
            right = both[:, :-1].T @ both[:, -1] + pull
            size = np.sqrt(np.maximum(np.diag(normal), 1e-300))
            scaled = normal / np.outer(size, size)
            values = np.linalg.pinv(scaled, rcond=1e-11, hermitian=True) @ (right / size)
            log_normal = np.linalg.slogdet(scaled)[1] + 2 * np.sum(np.log(size))
            log[k] = 0.5 * (float(values @ (right / size)) - log_normal)
        log += 0.5 * (u**2 + v**2)
        log[~np.isfinite(log)] = -np.inf
        if not np.isfinite(log).any():
            return place, cov
        odds = share * np.exp(log - log.max())
        odds /= odds.sum()
        shift = odds @ steps
        away = steps - shift
        return place + shift, (away * odds[:, None]).T @ away

    def answer(self):
        """Place, its covariance, and the linear values and covariance, of all cases of structure together."""
        odds = np.array([found[0] for found in self.solved])
        share = np.exp(odds - odds.max())
        share /= share.sum()
        mean = sum(s * f[1] for s, f in zip(share, self.solved, strict=True))
        covariance = sum(
            s * (f[2] * f[3] + np.outer(f[1] - mean, f[1] - mean))
            for s, f in zip(share, self.solved, strict=True)
        )
        n = self.n_linear
        return self.place + mean[n : n + 2], covariance[n : n + 2, n : n + 2], mean, covariance

    def result(self) -> ComaFit:
        _, _, mean, covariance = self.answer()
        place, cov = self.peak()
        best = max(self.solved, key=lambda found: found[0])
        nc, n = len(self.colours), self.n_linear
        n_comet = self._n_comet()
        # all of its light within the aperture, as a sum over pixels of the mean tint
        inside = np.hypot(self.columns - self.place[0], self.rows - self.place[1]) <= self.radius
        whole = np.zeros(len(mean))
        dx, dy = self.columns - self.place[0], self.rows - self.place[1]
        coma_sum = float(self._splines(self.slope)[0].ev(dy, dx)[inside].sum())
        whole[:nc], whole[nc : 2 * nc] = self.shares, coma_sum * self.shares
        flux = float(whole @ mean)
        flux_sigma = float(np.sqrt(whole @ covariance @ whole))
        if self.bare:
            # No coma is what the level of the sky left: its light is as uncertain as if it were fitted.
            weight = self.weight.copy()
            weight[nc : 2 * nc] = 0.0
            free = self._solve(self.scale_used, self.design, self.value, weight, self.pull)
            if free is not None:
                flux_sigma = max(flux_sigma, float(np.sqrt(free[3] * (whole @ free[2] @ whole))))
        if not flux > 0.0:
            raise MeasurementError("no light there")
        nucleus = np.zeros(len(mean))
        nucleus[:nc] = self.shares
        level = max(self._level(mean), 1e-30)
        pull = np.zeros((2, len(mean)))
        for k, (order, power, _) in enumerate(HARMONICS):
            for axis in (0, 1) if order == 1 else ():
                pull[axis, 2 * nc + 2 * k + axis] = 0.5**power / level
        dipole = pull @ mean
        dipole_sigma = float(np.sqrt(np.trace(pull @ covariance @ pull.T) / 2))
        b = self.bins
        model = self.design[:, :n] @ mean[:n]
        rest = self.value - model
        used = self.extra[b.of] == 0
        noise = self._noise()
        rows, columns = np.nonzero(self.inside)
        y0, y1, x0, x1 = rows.min(), rows.max() + 1, columns.min(), columns.max() + 1

        def image(values):
            full = np.full(self.inside.shape, np.nan, np.float32)
            full[self.inside] = values
            return full[y0:y1, x0:x1]

        stars = tuple(
            (float(p[0]), float(p[1]), float(mean[n_comet + nc * k : n_comet + nc * (k + 1)] @ self.shares))
            for k, p in enumerate(self.near_places)
        )
        levels = mean[n_comet + nc * len(self.near) :][:nc]
        white = self._solve(0.0, self.design, self.value, self.weight, self.pull)
        structure = cov - (white[2] * white[3])[n : n + 2, n : n + 2]
        values, vectors = np.linalg.eigh(structure)
        structure = (vectors * np.maximum(values, 0.0)) @ vectors.T
        return ComaFit(
            x=float(place[0]), y=float(place[1]), cov=cov, flux=flux, flux_sigma=flux_sigma,
            background=float(levels @ self.shares),
            sky_sigma=float(np.sqrt(np.median(self.noise2 / b.count))), chi2=best[5],
            dof=int(max(b.n - np.sum(self.weight == 0) - np.sum(self.extra > 0), 1)),
            n_rejected=int(np.sum(~used)), n_saturated=self.n_saturated, background_order=1, psf=self.psf,
            trail=self.trail, neighbours=stars, x0=int(self.scene.x0 + x0), y0=int(self.scene.y0 + y0),
            data=image(self.scene.pixels[self.inside]), model=image((model / b.count)[b.of]),
            residual=image(np.where(used, (rest / np.sqrt(noise))[b.of], np.nan)),
            structure_cov=structure if self.factor is not None else None,
            slope=float(self.slope), slope_sigma=float(np.sqrt(covariance[n + 2, n + 2])),
            nucleus_flux=float(nucleus @ mean), nucleus_sigma=float(np.sqrt(nucleus @ covariance @ nucleus)),
            aperture_px=self.radius,
            matched_snr=self.snr, dipole=tuple(map(float, dipole)), dipole_sigma=dipole_sigma,
        )  # fmt: skip


def coma_notes(fit: ComaFit, prediction, jacobian, filter_name, light) -> tuple[str, ...]:
    """What the fit of a comet found, in words; `jacobian` turns pixels to arcsec, `light` is (mag, sigma)."""
    scale = float(np.sqrt(abs(np.linalg.det(jacobian))))
    words = f"nucleus and coma fitted within {fit.aperture_px * scale:.1f} arcsec; coma falls as distance^-"
    words += f"{fit.slope:.2f}+-{fit.slope_sigma:.2f}; "
    words += "a point of light shows in it" if fit.has_nucleus else "no point of light shows in it"
    notes = [words]
    drift, cov = jacobian @ np.array(fit.drift), jacobian @ fit.drift_cov @ jacobian.T
    pull = jacobian @ np.array(fit.dipole) / scale
    if np.isfinite(prediction.antisolar_pa):
        pa, source = prediction.antisolar_pa, "away from the Sun"
    else:
        pa, source = float(np.degrees(np.arctan2(*pull)) % 360.0), "the light's pull"
    axis = np.array([np.sin(np.radians(pa)), np.cos(np.radians(pa))])
    notes.append(
        f"tailward offset of the aperture, by shrinking it: {axis @ drift:+.3f}+-"
        f"{np.sqrt(axis @ cov @ axis):.3f} arcsec towards PA {pa:.0f} ({source}); "
        "taken off, and in the sigmas"
    )
    dust = afrho_words(fit, prediction, scale, filter_name, light)
    return (*notes, dust) if dust else tuple(notes)


def afrho_cm(mag: float, r_au: float, delta_au: float, aperture_arcsec: float) -> float:
    """A(alpha) f rho, cm, of a G magnitude within a circle of this radius (A'Hearn et al. 1984, eq. 1).

    >>> round(afrho_cm(15.0, 1.0, 1.0, 10.0), 1)
    21.4
    """
    rho_cm = delta_au * AU_KM * 1e5 * aperture_arcsec / ARCSEC_PER_RAD
    return (2 * r_au * delta_au * AU_KM * 1e5) ** 2 / rho_cm * 10 ** (0.4 * (SUN_G - mag))


def afrho_words(fit: ComaFit, prediction, scale, filter_name, light) -> str:
    """A f rho with its sources; empty where filter, zero point or distances are not known."""
    mag, sigma = light
    if not filter_name or not np.isfinite([mag, sigma, prediction.r, prediction.delta]).all():
        return ""
    aperture = fit.aperture_px * scale
    value = afrho_cm(mag, prediction.r, prediction.delta, aperture)
    spread = value * 0.921 * np.hypot(sigma, COLOUR_MAG)
    km = prediction.delta * AU_KM * aperture / ARCSEC_PER_RAD
    phase = f" at phase {prediction.phase:.0f} deg" if np.isfinite(prediction.phase) else ""
    red = re.sub(r"[^a-z]", "", filter_name.lower()) in RED_FILTERS
    gas = "" if red else "; gas shines in this filter too: an upper limit"
    digits = f".{max(0, 1 - int(np.floor(np.log10(max(spread, 1e-3)))))}f"
    return (
        f"A(alpha) f rho {value:{digits}}+-{spread:{digits}} cm within {km:,.0f} km{phase}, "
        f"filter {filter_name}{gas} "
        "(A'Hearn et al. 1984, AJ 89, 579; the Sun's G = -26.90: Casagrande & VandenBerg 2018, MNRAS 479, "
        f"L102; {COLOUR_MAG} mag for colours, common practice, no source)"
    )

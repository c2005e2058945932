"""Where a body is among stars and in the structure of a nebula: generalised least squares in its scene.

The pixels' covariance is that of their noise plus that of structure, which has the shape measured in the
surroundings or stands in the stamp alone; how much of it there is, the stamp itself says (restricted maximum
likelihood), and the answers are averaged by what the pixels think of each. On a mosaic every colour has its
own level and every source its own light in each colour.

::

    model  =  body (trailed) + neighbours + a level per colour + a plane
    C      =  scale * (noise of the pixels + c * K)        c from 0 to 16, and structure of the stamp's own

References: Patterson & Thompson 1971, Biometrika 58, 545 (restricted likelihood); Rybicki & Press 1992, ApJ
398, 169; Sundararajan & Keerthi 2001, Neural Computation 13, 1103 (leave-one-out residuals).
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy import linalg

from appulse.astrometry.pixel_covariance import Functions, PixelCovariance, Weighed
from appulse.astrometry.psf import POINT, Trail, pixel_image
from appulse.astrometry.scene import LENGTHS, FrameScene, SceneStar, Structure
from appulse.astrometry.source_fit import (
    FAINT_SNR,
    UNDERSAMPLED_FWHM_PX,
    SourceFit,
    core_misfit,
    faint_place,
    phase_error,
    positive_part,
)
from appulse.astrometry.stamp import LEAST_PIXELS, line_distance2
from appulse.errors import MeasurementError

SCALES = (0.0, 1 / 16, 1 / 4, 1.0, 4.0, 16.0)
"""Strengths of the structure that are tried, of that in the surroundings."""
OWN_LENGTHS = (0, 1, 2)
"""Of LENGTHS: structure that stands in the stamp alone, such as a filament beside the body."""
OWN_SHARES = (3.0, 12.0, 50.0, 200.0)
"""Its strength, as variance of a point's light in units of what the pixels' noise makes."""
OWN_PRIOR = 0.02
"""Odds of each such case against one of SCALES."""
TRAIL_SHARES, TRAIL_LENGTH = (0.03, 0.3, 3.0, 30.0), 12.0
"""What the model of a straight trail misses: variances in units of the pixels' noise, and its length in
widths of the star image."""
NOISE_TRUST = 40.0
"""The measured noise of the pixels counts as so many pixels of the stamp."""
MODEL_ERROR = 0.005
"""What a star's model misses in a single pixel, of its light there."""
REJECT = 5.5
"""Leave-one-out residuals beyond so many sigmas are cosmic rays or defects."""
MOST_PIXELS = 420
"""Of a stamp: more are summed in squares while the star image is wide enough."""
LEFT_OUT = 1e-2
"""Share of the pixels' noise that the narrow factor of a structure's covariance may leave out."""
MOST_NEIGHBOURS = 6
WEAK = 0.3
"""A neighbour whose light is below this share of a pixel's noise everywhere is only taken off."""
ROUNDS, HALVED_FROM = 16, 6
LOOK_BY, NEARLY, SETTLED = 4, 0.1, 0.01
"""Round of the last look at all cases at the latest; steps, in sigmas of the star image, from which it is
early enough, and from which the place has settled."""
FAR_ODDS = (16.0, 8.0)
"""Cases of structure whose log odds lie so far below the best are dropped after the first and second look."""
LEAST_SHAPE_ERROR = 0.01
"""No star image is alike over a frame to better than this part of its width."""
GAUSSIAN_SIGMAS, MOFFAT_SIGMAS, LEAST_RADIUS = 5.0, 5.5, 7.0


@dataclass(frozen=True)
class Solution:
    """What one covariance of the pixels makes of the stamp, about the same place."""

    odds: float  # log of the restricted likelihood
    scale: float  # of all variances
    values: np.ndarray  # linear terms, then steps of the places
    covariance: np.ndarray
    pixels: PixelCovariance
    chi2: float
    strengths: dict  # of the kinds of structure


class Bins:
    """Good pixels summed in squares of `side` px, one for all or each its own: data and model alike."""

    def __init__(self, columns, rows, colour, side):
        key = ((rows // side) * 100_003 + columns // side) * 64 + side
        _, self.of = np.unique(key * 8 + colour, return_inverse=True)
        self.count = np.bincount(self.of).astype(float)
        self.n = len(self.count)
        self.x, self.y = self.sum(columns) / self.count, self.sum(rows) / self.count
        self.colour = np.rint(self.sum(colour) / self.count).astype(int)

    def sum(self, values):
        return np.bincount(self.of, values, minlength=self.n)


def fit_in_scene(
    scene: FrameScene, x: float, y: float, *, trail: Trail = POINT, radius: float | None = None,
    free_trail: bool = False, max_shift: float | None = None, cases=(),
) -> SourceFit:  # fmt: skip
    """Fit the body near (x, y), zero-based px of the frame, together with the stars around it.

    `cases` of structure are those that an earlier fit there left possible; without them all are tried.

    Raises
    ------
    MeasurementError
        If nothing can be fitted there; the message is the reason.
    """
    fit = SceneFit(scene, x, y, trail, radius, free_trail)
    fit.run(cases)
    limit = max_shift if max_shift is not None else 2.0 * scene.psf.fwhm + 0.5 * trail.length
    return fit.result((x, y), limit)


def share_stars(
    scene: FrameScene, columns, rows, colour, rank, most: int
) -> tuple[list[SceneStar], np.ndarray, np.ndarray]:
    """Stars to be fitted along with a source, and the light of all others in its pixels.

    ``rank(star, light)`` is None for a star that is not to be fitted; the lowest `most` ranks are. The light,
    (n,) arrays, is that of stars that are too weak or far, and of those that would be too many.
    """
    noise, ranked = float(np.sqrt(np.median(scene.variance))), []
    weak, too_many = np.zeros(len(columns)), np.zeros(len(columns))
    for star in scene.stars:
        light = scene.light_of(star, columns, rows, colour)
        own = rank(star, light) if light.max(initial=0.0) > WEAK * noise else None
        if own is None:
            weak += light
        else:
            ranked.append((own, star, light))
    ranked.sort(key=lambda item: item[0])
    for _, _, light in ranked[most:]:
        too_many += light
    return [star for _, star, _ in ranked[:most]], weak, too_many


class SceneFit:
    """One fit: `place` and the neighbours' places are stepped, everything else is linear."""

    def __init__(self, scene: FrameScene, x, y, trail, radius, free_trail):
        self.scene, self.psf, self.trail = scene, scene.psf, trail
        self.free = np.array([1.0, 0.0]) if free_trail and trail.length > 0 else None
        sigmas = GAUSSIAN_SIGMAS if self.psf.beta is None else MOFFAT_SIGMAS
        self.radius = radius or max(sigmas * self.psf.axes[0] / 2.3548, LEAST_RADIUS)
        rows, columns = np.indices(scene.pixels.shape)
        rows, columns = rows + scene.y0, columns + scene.x0
        away = line_distance2(columns - x, rows - y, trail.ends[0, 0], trail.ends[-1, 1])
        self.inside = (away <= self.radius**2) & scene.good & ~scene.full
        self.n_saturated = int(np.sum(scene.full & scene.good & (away <= self.radius**2)))
        if self.inside.sum() < LEAST_PIXELS:
            raise MeasurementError(f"only {int(self.inside.sum())} usable pixels around the place")
        self.columns, self.rows = columns[self.inside].astype(float), rows[self.inside].astype(float)
        self.colour = scene.colour[self.inside]
        self.bins = self._binned()
        if self.bins.n < LEAST_PIXELS:
            raise MeasurementError(f"only {self.bins.n} usable pixels around the place")
        self.place = np.array([x, y], dtype=float)
        self.apart: int | None = None  # which of `near` is a star that nobody has seen yet
        self._share_stars(x, y)
        b = self.bins
        self.value = b.sum(self.pixels)
        self.noise2 = b.sum(scene.variance[self.inside])
        self.colours = [(b.colour == c).astype(float) for c in np.unique(b.colour)]
        self.shares = np.array([np.mean(scene.colour == c) for c in np.unique(b.colour)])
        self.shares = self.shares / self.shares.sum()
        u, v = (b.x - x) / self.radius, (b.y - y) / self.radius
        tint = scene.tint[b.colour]
        self.background = [b.count * c for c in self.colours] + [b.count * tint * u, b.count * tint * v]
        self.rough = scene.structure.variance > 0.0
        self._weight = b.count * tint
        self._weighed: Weighed | None = None
        self.extra = np.zeros(b.n)
        self.light = np.zeros(b.n)

    def _binned(self) -> Bins:
        """Bins as wide as the star image allows: a third of its FWHM, half where there are too many."""
        fwhm, mosaic = self.psf.fwhm, self.scene.is_mosaic
        side = max(1, int(fwhm / 2.7))
        # Each square of a mosaic is three bins, one for each colour.
        if len(self.columns) / side**2 * (3 if mosaic else 1) > MOST_PIXELS:
            side = max(side, int(fwhm / 2.0))
        if mosaic:
            side = 2 * max(1, side // 2) if fwhm >= 5.0 else 1
        return Bins(self.columns.astype(int), self.rows.astype(int), self.colour, side)

    def _share_stars(self, x, y):
        """Neighbours to be fitted along; the light of all others is taken off the pixels."""
        reach = self.radius + self.trail.length / 2 + self.psf.fwhm

        def rank(star, _light):
            distance = float(np.hypot(star.x - x, star.y - y))
            return distance if distance < reach else None

        pixels = self.columns, self.rows, self.colour
        self.near, weak, too_many = share_stars(self.scene, *pixels, rank, MOST_NEIGHBOURS)
        self.pixels = self.scene.pixels[self.inside] - weak - too_many
        self.near_places = np.array([[star.x, star.y] for star in self.near]).reshape(-1, 2)

    # --- model

    def _image(self, place, trail):
        """Light of a source of unit flux and its slopes, in bins."""
        return [self.bins.sum(part) for part in pixel_image(self.psf, *place, self.columns, self.rows, trail)]

    def _trail(self) -> Trail:
        return self.trail if self.free is None else self.trail.turned(*self.free)

    def _design(self):
        """Linear terms (n, k), and a function that gives the slopes for their values."""
        trail = self._trail()
        body = self._image(self.place, trail)
        stars = [self._image(place, POINT) for place in self.near_places]
        terms = [body[0] * c for c in self.colours]
        for star in stars:
            terms += [star[0] * c for c in self.colours]
        linear = np.column_stack(terms + self.background)
        nc = len(self.colours)

        def slopes(values):
            flux = sum(f * c for f, c in zip(values[:nc], self.colours, strict=True))
            result = [flux * body[1], flux * body[2]]
            light = flux * body[0]
            for k, star in enumerate(stars):
                part = values[nc * (k + 1) : nc * (k + 2)]
                each = sum(f * c for f, c in zip(part, self.colours, strict=True))
                result += [each * star[1], each * star[2]]
                light = light + each * star[0]
            if self.free is not None:
                for step in ((0.01, 0.0), (0.0, 0.5)):
                    sides = [
                        self._image(self.place, self.trail.turned(*(self.free + sign * np.array(step))))[0]
                        for sign in (1, -1)
                    ]
                    result.append(flux * (sides[0] - sides[1]) / (2 * sum(step)))
            return np.column_stack(result), light

        return linear, slopes

    def _priors(self, n_linear):
        """Inverse variances and what the priors pull towards, for the steps."""
        weight, pull = [0.0, 0.0], [0.0, 0.0]
        for star, place in zip(self.near, self.near_places, strict=True):
            w = star.place_px**-2
            weight += [w, w]
            pull += [w * (star.prior[0] - place[0]), w * (star.prior[1] - place[1])]
        if self.free is not None:
            # Length within a factor of about two, direction within 40 degrees: a round dot has neither.
            for now, centre, sigma in zip(self.free, (1.0, 0.0), (0.6, 40.0), strict=True):
                weight.append(sigma**-2)
                pull.append((centre - now) / sigma**2)
        return np.r_[np.zeros(n_linear), weight], np.r_[np.zeros(n_linear), pull]

    # --- covariance of the pixels

    def _cases(self):
        """Covariances of structure that are weighed against each other, with the log of their prior odds."""
        cases = [(("scale", s), 0.0) for s in (SCALES if self.rough else SCALES[:1])]
        for k in OWN_LENGTHS:
            for share in OWN_SHARES:
                cases.append((("own", k, share), np.log(OWN_PRIOR)))
        if self.scene.trails:
            cases += [(("trail", share), 0.0) for share in TRAIL_SHARES]
        return cases

    def _along(self, line, rows):
        """What a trail's model misses, like `_kernel`: alike along it, as narrow as the star image across."""
        b, sigma = self.bins, self.psf.sigma
        across, along = line.across(b.x[rows], b.y[rows]), line.along(b.x[rows], b.y[rows])
        apart = (across[:, None] - across) ** 2 / (2 * sigma**2)
        apart += (along[:, None] - along) ** 2 / (TRAIL_LENGTH * sigma) ** 2
        weight = b.count[rows] / np.sqrt(self.noise2[rows])
        return np.exp(-0.5 * apart) * np.outer(weight, weight) * float(np.median(self.noise2 / b.count))

    def _structure_of(self, kind) -> Structure:
        """One kind of structure of strength 1."""
        if kind == "scale":
            return self.scene.structure
        one = Structure(np.eye(len(LENGTHS))[kind], self.psf.sigma)
        share = one.share(float(np.median(self.noise2 / self.bins.count)))
        return one.times(1.0 / share)

    def _kernel(self, structure, rows):
        """Covariance of bins by structure, in units of their noise."""
        x, y, weight = self.bins.x[rows], self.bins.y[rows], (self._weight / np.sqrt(self.noise2))[rows]
        # Its exponentials are most of the work: single numbers are exact to a millionth.
        apart = (np.subtract.outer(places, places).astype(np.float32) for places in (x, y))
        return structure.covariance(*apart) * np.outer(weight, weight)

    def _kernel_of(self, kind, rows):
        """The same by one kind of structure of strength 1."""
        if kind == "trail":
            return sum(self._along(line, rows) for line in self.scene.trails)
        return self._kernel(self._structure_of(kind), rows)

    def _variance(self, strengths):
        """Variance of each bin by structure."""
        of_kind = {
            kind: self._structure_of(kind).variance for kind in strengths if kind != "trail"
        } | {"trail": len(self.scene.trails) * float(np.median(self.noise2 / self.bins.count))}
        return sum(
            (strength * of_kind[kind] * (self.bins.count if kind == "trail" else self._weight) ** 2
             for kind, strength in strengths.items()), np.zeros(self.bins.n),
        )  # fmt: skip

    def _functions(self) -> Functions:
        """What holds the structures of all cases."""
        strongest = dict.fromkeys(OWN_LENGTHS, OWN_SHARES[-1]) | {"trail": TRAIL_SHARES[-1]}
        strongest |= {"scale": SCALES[-1]}

        def total():
            around = self._structure_of("scale").times(strongest["scale"])
            own = sum(strongest[kind] * self._structure_of(kind).amplitudes for kind in OWN_LENGTHS)
            kernel = self._kernel(replace(around, amplitudes=around.amplitudes + own), slice(None))
            if self.scene.trails:
                kernel = kernel + strongest["trail"] * self._kernel_of("trail", slice(None))
            return kernel

        return Functions(total, self._kernel_of, np.sqrt(self.noise2), strongest, LEFT_OUT)

    def _strengths(self, case) -> dict:
        """Kinds of structure in a case, with the strength of each."""
        if case[0] == "scale":
            kinds = {"scale": case[1]}
        else:
            kinds = {"scale": 1.0, "trail" if case[0] == "trail" else case[1]: case[-1]}
        return {kind: s for kind, s in kinds.items() if s > 0 and (kind != "scale" or self.rough)}

    def _noise(self):
        """Variance of the bins by noise, by the photons of the sources, and by what their model misses."""
        gain = self.scene.noise.gain_e_adu
        photons = np.maximum(self.light, 0.0) / gain
        return self.noise2 + photons + (MODEL_ERROR * self.light) ** 2 + self.extra

    def _weigh(self) -> Weighed:
        """The bins' covariances by the noise that they have now."""
        noise = self._noise()
        known = self._weighed
        self._weighed = Weighed(self._functions(), noise) if known is None else known.changed(noise)
        return self._weighed

    def _solve(self, cases, design, rest, n_linear) -> list[Solution | None]:
        """Restricted likelihood and solution of each case; None where its covariance is none."""
        weighed = self._weigh()
        terms = weighed.terms(np.column_stack([design, rest]))
        found, products = [], []
        for case, prior in cases:
            strengths = self._strengths(case)
            try:
                products.append(weighed.product(strengths, terms))
                found.append((prior, strengths, weighed.covariance(strengths)))
            except linalg.LinAlgError:
                found.append(None)
        if not products:
            return found
        weight, pull = self._priors(n_linear)
        product = np.stack(products)
        normal = product[:, :-1, :-1] + np.diag(weight)
        size = np.sqrt(np.maximum(np.einsum("kii->ki", normal), 1e-300))
        both = size[:, :, None] * size[:, None, :]
        inverse = np.linalg.pinv(normal / both, rcond=1e-10, hermitian=True) / both
        values = np.einsum("kij,kj->ki", inverse, product[:, :-1, -1] + pull)
        left = np.concatenate([-values, np.ones((len(values), 1))], axis=1)
        chi2 = np.maximum(np.einsum("ki,kij,kj->k", left, product, left), 0.0)
        free = len(rest) - np.sum(weight == 0) - np.sum(self.extra > 0)
        total = chi2 + NOISE_TRUST
        dof = max(free, 1.0) + NOISE_TRUST
        log_normal = np.linalg.slogdet(normal / both)[1] + 2 * np.sum(np.log(size), axis=1)
        each, solutions = iter(range(len(products))), []
        for one in found:
            if one is None:
                solutions.append(None)
                continue
            k, (prior, strengths, pixels) = next(each), one
            odds = prior - 0.5 * (dof * np.log(total[k] / dof) + pixels.log_det + log_normal[k])
            scale = float(total[k] / dof)
            solutions.append(
                Solution(float(odds), scale, values[k], inverse[k] * scale, pixels, float(chi2[k]), strengths)
            )
        return solutions

    # --- fit

    def run(self, cases=()):
        """Step to the best place; then every case of structure gives its answer about it."""
        cases = every = list(cases) or self._cases()
        best, values = (("scale", 1.0 if self.rough else 0.0), 0.0), None
        shift, looked = np.inf, False
        for count in range(ROUNDS):
            linear, slopes = self._design()
            n_linear = linear.shape[1]
            if values is None:
                # Light first, at the guessed place; then steps.
                values = self._light(best[0], linear)
                least = 2.0 * np.sqrt(np.median(self.noise2 / self.bins.count))
                nc = len(self.colours)
                if values[:nc] @ self.shares < least:
                    values[:nc] = least
            columns, self.light = slopes(values)
            design = np.column_stack([linear, columns])
            near = shift < NEARLY * self.psf.sigma
            if count == 1 or (count > 1 and not looked and (near or count >= LOOK_BY)):
                looked = count > 1 or near
                tried = zip(cases, self._solve(cases, design, self.value, n_linear), strict=True)
                tried = [(case, found) for case, found in tried if found is not None]
                if tried:
                    best, top = max(tried, key=lambda item: item[1].odds)
                    # What the pixels think so little of now will have no say at the end.
                    far = FAR_ODDS[int(looked)]
                    cases = [
                        case for case, found in tried if case == cases[0] or found.odds > top.odds - far
                    ]
            found = self._solve([best], design, self.value, n_linear)[0]
            if found is None:
                raise MeasurementError("the pixels there do not settle a fit")
            values = found.values[:n_linear]
            # What swings to and fro between two places settles between them.
            before, shift = shift, self._step(found.values[n_linear:] * (1.0 if count < HALVED_FROM else 0.5))
            if not np.isfinite(self.place).all():
                raise MeasurementError("the fit did not settle")
            # Before the place is settled only what is far off is a cosmic ray for certain.
            changed = self._reject(found, design, settled=count >= 2 or near)
            # What is left of the way the cases go each by itself. Where there is no light a step is small by
            # chance now and then.
            if looked and max(shift, 0.1 * before) < SETTLED * self.psf.sigma and not changed:
                break
            if changed and count < LOOK_BY:
                # A ray looks like narrow structure: without it all of them are asked once more.
                cases, looked = every, False
        if shift > 0.1 * self.psf.sigma:
            raise MeasurementError("the fit did not settle")
        linear, slopes = self._design()
        columns, self.light = slopes(values)
        self.design, self.n_linear = np.column_stack([linear, columns]), linear.shape[1]
        solved = self._solve(cases, self.design, self.value, self.n_linear)
        self.solved = [found for found in solved if found is not None]
        self.cases = tuple(cases)
        if not self.solved:
            raise MeasurementError("the pixels there do not settle a fit")
        self.white = solved[0]

    def _light(self, case, linear):
        """Values of the linear terms alone."""
        weighed = self._weigh()
        product = weighed.product(self._strengths(case), weighed.terms(np.column_stack([linear, self.value])))
        size = np.sqrt(np.maximum(np.diag(product)[:-1], 1e-300))
        normal = product[:-1, :-1] / np.outer(size, size)
        return np.linalg.pinv(normal, rcond=1e-12, hermitian=True) @ (product[:-1, -1] / size) / size

    def look(self, cases, reach: float) -> None:
        """What each case makes of the pixels, the body kept where it is; no rays put aside within reach."""
        self.solved, start = [], True
        for turn in range(3):
            linear, slopes = self._design()
            n_linear = linear.shape[1]
            if start:
                values, start = self._light(cases[0], linear), False
            columns, self.light = slopes(values)
            self.design, self.n_linear = np.column_stack([linear, columns]), n_linear
            if turn == 2:
                break
            found = self._solve([(cases[0], 0.0)], self.design, self.value, n_linear)[0]
            if found is None:
                return
            values = found.values[:n_linear]
            self._reject(found, self.design, settled=True)
            near = np.hypot(self.bins.x - self.place[0], self.bins.y - self.place[1]) < reach
            self.extra = np.where(near, 0.0, self.extra)
        solved = self._solve([(case, 0.0) for case in cases], self.design, self.value, n_linear)
        self.solved = [found for found in solved if found is not None]

    def second_light(self, reach: float, step: float):
        """Where within reach one more point of light explains most: x, y, its light, and the log of its odds.

        None where there is nothing to go by. A star image a little wider or longer than the model is allowed
        for: what it leaves looks like a second star close by.
        """
        if not self.solved:
            return None
        n = int(np.ceil(reach / step))
        dx, dy = (step * grid.ravel() for grid in np.mgrid[-n : n + 1, -n : n + 1])
        here = np.hypot(dx, dy) <= reach
        places = self.place + np.column_stack([dx, dy])[here]
        moved = [(axis - (at - own)[:, None]).ravel() for axis, at, own in (
            (self.columns, places[:, 0], self.place[0]), (self.rows, places[:, 1], self.place[1])
        )]  # fmt: skip
        tint = self.scene.star_tint[self.colour]
        images = pixel_image(self.psf, *self.place, *moved, coarse=True)[0].reshape(len(places), -1) * tint
        images = np.stack([self.bins.sum(image) for image in images], axis=1)
        nuisance = [self.light_of_width(parts) for parts in ((1, 1, 0), (1, -1, 0), (0, 0, 1))]
        known = np.column_stack([self.design, *nuisance])
        held = np.r_[self._priors(self.n_linear)[0], np.ones(len(nuisance))]
        weighed, k, best = self._weigh(), known.shape[1], None
        terms = weighed.terms(np.column_stack([known, self.value, images]))
        for found in self.solved:
            product = weighed.product(found.strengths, terms) / found.scale
            # What the known terms leave of the pixels and of each image.
            normal = product[:k, :k] + np.diag(held)
            size = np.sqrt(np.maximum(np.diag(normal), 1e-300))
            inverse = np.linalg.pinv(normal / np.outer(size, size), rcond=1e-12, hermitian=True)
            sides = product[:k, k:] / size[:, None]
            taken = inverse @ sides
            length2 = np.diag(product)[k + 1 :] - np.einsum("ij,ij->j", sides[:, 1:], taken[:, 1:])
            length2 = np.maximum(length2, 1e-12)
            along = product[k, k + 1 :] - sides[:, 0] @ taken[:, 1:]
            gain = 0.5 * np.maximum(along, 0.0) ** 2 / length2
            top = int(np.argmax(gain))
            odds = found.odds + gain[top]
            if best is None or odds > best[3]:
                best = float(places[top, 0]), float(places[top, 1]), float(along[top] / length2[top]), odds
        return *best[:3], float(best[3] - max(found.odds for found in self.solved))

    def light_of_width(self, parts):
        """What one sigma of the star image's moments changes in the body's light, in bins."""
        psf, error = self.psf, max(self.psf.width_error, LEAST_SHAPE_ERROR)
        steps = 2 * error * np.array(parts) * [psf.xx, psf.yy, np.sqrt(psf.xx * psf.yy)]
        sides = []
        for sign in (1, -1):
            other = replace(psf, **{name: getattr(psf, name) + sign * step for name, step in
                                    zip(("xx", "yy", "xy"), steps, strict=True)})  # fmt: skip
            image = pixel_image(other, *self.place, self.columns, self.rows, self._trail())[0]
            sides.append(self.bins.sum(image))
        values = self.solved[0].values
        flux = sum(value * colour for value, colour in zip(values, self.colours, strict=False))
        return 0.5 * (sides[0] - sides[1]) * flux

    def _step(self, steps) -> float:
        """Move the places; how far the body's went."""
        limit = 0.5 * max(self.psf.fwhm, 1.0)
        size = float(np.hypot(*steps[:2]))
        self.place = self.place + steps[:2] * min(1.0, limit / max(size, 1e-12))
        n = len(self.near)
        self.near_places = self.near_places + np.clip(steps[2 : 2 + 2 * n].reshape(-1, 2), -1.0, 1.0)
        if self.free is not None:
            self.free = self.free + np.clip(steps[-2:], [-0.3, -20.0], [0.3, 20.0])
            self.free[0] = np.clip(self.free[0], 0.05, 5.0)
        return size

    def _reject(self, found: Solution, design, settled: bool) -> bool:
        """Put bins aside that the others do not foretell; whether that changed anything."""
        away = found.pixels.solved(self.value - design @ found.values)
        scale = max(found.scale, 0.25)
        # A core that is sharper or wider than the model is no cosmic ray.
        misfit = ((2.0 * max(self.psf.width_error, 0.01) if settled else 0.5) * self.light) ** 2
        limit2 = (REJECT if settled else 2.0 * REJECT) ** 2
        # What a bin's own variance allows is allowed all the more by what the others leave of it.
        least = 1.0 / (found.pixels.noise + self._variance(found.strengths))
        worth = (away**2 > limit2 * (least * scale + least**2 * misfit)) | (self.extra > 0)
        rows = np.flatnonzero(worth)
        diagonal = found.pixels.inverse_diagonal(rows)
        alone2 = (away[rows] / diagonal) ** 2
        variance = np.maximum(1.0 / diagonal - self.extra[rows], 1e-300) * scale + misfit[rows]
        out, extra = np.zeros(self.bins.n, bool), np.zeros(self.bins.n)
        out[rows] = alone2 > limit2 * variance
        extra[rows] = np.where(out[rows], 1e4 * (alone2 + variance), 0.0)
        if out.sum() > 0.2 * self.bins.n:
            return False
        changed = not np.array_equal(out, self.extra > 0)
        self.extra = extra
        return changed

    def result(self, guess, max_shift: float) -> SourceFit:
        """The answers of all cases together, weighted by their likelihood."""
        odds = np.array([found.odds for found in self.solved])
        share = np.exp(odds - odds.max())
        share /= share.sum()
        nc, n = len(self.colours), self.n_linear
        pick = np.r_[np.arange(nc), n, n + 1]
        each = np.array([found.values[pick] for found in self.solved])
        mean = share @ each
        covariance = sum(
            s * (found.covariance[np.ix_(pick, pick)] + np.outer(row - mean, row - mean))
            for s, found, row in zip(share, self.solved, each, strict=True)
        )
        best = self.solved[int(np.argmax(odds))]
        flux = float(mean[:nc] @ self.shares)
        flux_sigma = float(np.sqrt(self.shares @ covariance[:nc, :nc] @ self.shares))
        if not flux > 0.0:
            raise MeasurementError("no light there")
        cov = covariance[nc:, nc:]
        place = self.place + mean[nc:]
        if flux < FAINT_SNR * flux_sigma:
            place, cov = self._faint(place, cov, best, mean[:nc])
        cov = cov * self._core_misfit(best)
        plain = cov
        if self.white is not None:
            # What structure adds to the scatter of the pixels is not their noise.
            noise_only = min(1.0, best.scale / self.white.scale)
            plain = noise_only * self.white.covariance[n : n + 2, n : n + 2]
        structure = positive_part(cov - plain)
        phase = 0.0
        if self.psf.axes[1] < UNDERSAMPLED_FWHM_PX:
            gain = self.scene.noise.gain_e_adu
            noise2 = float(np.median(self.noise2 / self.bins.count))
            phase = phase_error(self.psf, self._trail(), flux / (gain * noise2))
            cov = cov + phase**2 * np.eye(2)
        if np.hypot(place[0] - guess[0], place[1] - guess[1]) > max_shift:
            raise MeasurementError("the fit left its place")
        return self._source_fit(place, cov, structure, flux, flux_sigma, phase, best)

    def _faint(self, place, cov, best: Solution, fluxes):
        """Mean of the likelihood of a faint body's place, in the likeliest structure."""
        scale = np.sqrt(best.scale)
        weights = fluxes / max(float(fluxes @ self.shares), 1e-300)
        # A colour that is all noise must not turn the image about.
        weights = np.clip(weights, 0.0, 3.0)
        tint = sum(w * c for w, c in zip(weights, self.colours, strict=True))

        def whiten(values):
            """(pixels, k) to whitened bins, (n, k)."""
            summed = np.stack([self.bins.sum(column) for column in values.T], axis=1)
            return self._whitened(summed * tint[:, None], best) / scale

        nc = len(self.colours)
        known = np.delete(self.design, np.r_[np.arange(nc), self.n_linear, self.n_linear + 1], axis=1)
        weight, _ = self._priors(self.n_linear)
        prior = np.sqrt(np.delete(weight, np.r_[np.arange(nc), self.n_linear, self.n_linear + 1]))
        # About the place of the design: what the stars and the level leave of the pixels.
        data = self._whitened(self.value[:, None], best)[:, 0] / scale
        place, mean_cov = faint_place(
            self.columns, self.rows, self.psf, self._trail(), place, cov, whiten,
            self._whitened(known, best) / scale, data, prior,
        )  # fmt: skip
        # The other cases of structure leave their share open as well.
        n = self.n_linear
        return place, cov + positive_part(mean_cov - best.covariance[n : n + 2, n : n + 2])

    def _core_misfit(self, best: Solution) -> float:
        """What the body's image misses in its core, over what all pixels of the stamp say."""
        n = self.n_linear
        rest = self.value - self.design[:, :n] @ best.values[:n]
        noise = best.pixels.noise
        smooth = rest - noise * best.pixels.solved(rest)
        squares = (rest - smooth) ** 2 / (noise * max(best.scale, 1.0))
        light = self._image(self.place, self._trail())[0] / self.bins.count
        return core_misfit(light, squares, self.extra == 0, self.psf)

    def _whitened(self, columns, best: Solution):
        return best.pixels.whitened(columns)

    def _source_fit(self, place, cov, structure, flux, flux_sigma, phase, best: Solution) -> SourceFit:
        scene, b, n = self.scene, self.bins, self.n_linear
        model = self.design[:, :n] @ best.values[:n]
        rest = self.value - model
        noise = best.pixels.noise
        smooth = rest - noise * best.pixels.solved(rest)
        used = self.extra[b.of] == 0
        dof = int(max(b.n - self.design.shape[1] - np.sum(self.extra > 0), 1))
        per_pixel = ((model + smooth) / b.count)[b.of]
        residual = ((rest - smooth) / np.sqrt(noise * best.scale))[b.of]
        rows, columns = np.nonzero(self.inside)
        y0, y1, x0, x1 = rows.min(), rows.max() + 1, columns.min(), columns.max() + 1
        box = slice(y0, y1), slice(x0, x1)

        def image(values):
            full = np.full(self.inside.shape, np.nan, np.float32)
            full[self.inside] = values
            return full[box]

        nc = len(self.colours)
        stars = tuple(
            (float(p[0]), float(p[1]), float(best.values[nc * (k + 1) : nc * (k + 2)] @ self.shares))
            for k, p in enumerate(self.near_places)
        )
        levels = best.values[nc * (1 + len(self.near)) : nc * (2 + len(self.near))]
        trail_sigma = None
        if self.free is not None:
            sigma = np.sqrt(np.diag(best.covariance)[-2:])
            trail_sigma = float(sigma[0] * self.trail.length), float(sigma[1])
        return SourceFit(
            x=float(place[0]), y=float(place[1]), cov=cov, flux=flux, flux_sigma=flux_sigma,
            background=float(levels @ self.shares),
            sky_sigma=float(np.sqrt(np.median(self.noise2 / b.count))),
            chi2=best.chi2, dof=dof, n_rejected=int(np.sum(~used)), n_saturated=self.n_saturated,
            background_order=1, psf=self.psf, trail=self._trail(), trail_sigma=trail_sigma,
            phase_error_px=phase, neighbours=stars, x0=int(scene.x0 + x0), y0=int(scene.y0 + y0),
            data=image(scene.pixels[self.inside]), model=image(per_pixel),
            residual=image(np.where(used, residual, np.nan)), structure_cov=structure, cases=self.cases,
        )  # fmt: skip

"""Where a source is on the pixels: a variance-weighted fit of its image, with an honest covariance.

The model is a pixel-integrated, trailed PSF on a polynomial background, with neighbours fitted in the same
breath. Weights come from the model, not from the noisy pixels (weights from the data pull a fit to the faint
side), so the fit is repeated until both agree. Pixels that no noise explains (cosmic rays) are taken out, the
worst first, and let in again when the fit that they spoilt has moved.

::

    pixels --> stamp --> plane --> enough? --> quadratic --> enough? --> quartic on a smaller stamp
                           |  fit, reject, fit again            (fit_source climbs, ProfileFit fits)
                           v
    peak of the likelihood --> faint: mean of the likelihood --> rough: what the quartic misses --> SourceFit

References: King 1983, PASP 95, 163 (profile fitting); Winick 1986, JOSA A 3, 1809 (the bound); Pitman 1939,
Biometrika 30, 391 (the mean of a likelihood); Anderson & King 2000, PASP 112, 1360 (undersampled images).
"""

from dataclasses import dataclass, field, replace

import numpy as np

from appulse.astrometry.psf import POINT, PSF, Trail, pixel_image
from appulse.astrometry.stamp import Noise, Stamp, cut
from appulse.constants import FWHM_PER_SIGMA
from appulse.errors import MeasurementError
from appulse.numerics import chi2_isf, clipped_sigma

WIDE, NARROW = 8.0, 4.0
"""Radii of the pixels used, in PSF sigmas: with the first a plane under the source costs under 1% of the
precision; a quartic within the second follows a galaxy's flank for a third more sigma, where any polynomial
on the wide stamp is bent by a fifth to half a sigma."""
LEAST_WIDE, LEAST_NARROW = 9.5, 4.5
"""Least radii, px: along a trail a plane is the likeness of a shift, and few pixels leave it loose (2% of the
precision at a FWHM of 2 px)."""
LADDER = ((WIDE, 1, 3, 5e-4), (WIDE, 2, 4, 0.1), (NARROW, 4, None, None))
"""Stamp, order of the background, and the order that must promise nothing more (at this chance) to stay with
it; a quadratic is held to a strict test because what it leaves bends the place."""
MANY_REJECTED = 0.02
"""Share of rejected pixels from which a background is suspected of being too stiff."""
SMOOTHER = 0.8
"""A background too rough for polynomials shows as less scatter within NARROW than in the whole stamp."""

REJECT = 5.0
"""Pixels beyond so many sigmas are no noise: one good stamp in a thousand loses a pixel to it."""
MOST_STEPS, MOST_REJECTIONS = 60, 12
SETTLED = 1e-4
"""Step, in PSF sigmas, below which a fit stands."""

NEXT_ORDER = 1.0
"""Size of the fifth order against the third and fourth within the stamp: 0.6 for a ridge of a Gaussian width
three quarters of the stamp's radius, more for knots along it."""
CHANCE_EXCESS = 0.5
"""Mean square of nine noisy terms above 1 that is still chance: one sigma, sqrt(2 / 9)."""

FAINT_SNR = 25.0
"""Above it the peak and the mean differ by less than one part in a thousand of the sigma."""
NODES = 5
STRETCH = 1.2
"""Of the nodes against the sigmas at the peak: the tails are longer than a Gaussian's."""

UNDERSAMPLED_FWHM_PX = 2.0
WIDTH_ERROR_IF_UNKNOWN = 0.1
MAX_CONTRAST = 3.0
"""Beyond it errors of core and wings begin to cancel, which images hold to only while they are Gaussians."""

CORE_SHARE, CORE_SIGMAS = 0.05, 5.0
"""Of its brightest pixel; and how far beyond chance the misfit of those must be to count by itself."""
APERTURE_SIGMAS = 12.0
"""Radius in PSF sigmas that holds the light whatever the profile: half as much again as a fit takes."""
PLAIN_SIGMAS = 8.0
ASSUMED_WIDTH = 0.1
"""A PSF whose width is known no better than this is not one of the frame's own stars."""


@dataclass(frozen=True)
class Rival:
    """A point of light beside a fitted one that may be the body as well; its chance is in the sigmas."""

    odds: float  # log of the odds against it
    share: float  # the chance that it is the body
    fit: "SourceFit" = field(repr=False)  # with it as the body
    alone: np.ndarray = field(repr=False)  # covariance of the body's place if it is not

    @property
    def x(self) -> float:
        """Where it is, zero-based px."""
        return self.fit.x

    @property
    def y(self) -> float:
        """And its row."""
        return self.fit.y


@dataclass(frozen=True)
class SourceFit:
    """A fitted source; pixels are zero-based, light in stored units."""

    x: float  # at the effective middle of the exposure
    y: float
    cov: np.ndarray  # (2, 2) of (x, y), px^2
    flux: float
    flux_sigma: float
    background: float  # under the source, per pixel
    sky_sigma: float  # scatter of the sky
    chi2: float  # of all pixels used
    dof: int
    n_rejected: int  # pixels taken for cosmic rays
    n_saturated: int
    background_order: int  # 1 plane, 2 quadratic, 3 cubic, 4 quartic
    psf: PSF
    trail: Trail  # as fitted
    trail_sigma: tuple[float, float] | None = None  # of a free trail's length (px) and direction (deg)
    phase_error_px: float = 0.0  # one sigma, in `cov`: not 0 for an undersampled PSF only
    neighbours: tuple = ()  # (x, y, flux) of each
    cases: tuple = ()  # of structure that the pixels leave possible: fit_in_scene takes them
    rival: Rival | None = None
    two: float = 0.0  # chance that what was fitted as one point is two; in `cov`
    structure_cov: np.ndarray | None = None  # share of `cov` that structure of the background makes, px^2
    x0: int = 0  # corner of the three images, (h, w) float32:
    y0: int = 0
    data: np.ndarray = field(default=None, repr=False)  # pixels
    model: np.ndarray = field(default=None, repr=False)  # of everything
    residual: np.ndarray = field(default=None, repr=False)  # (data - model) / sigma; NaN where not used

    @property
    def snr(self) -> float:
        """Signal to noise of the flux."""
        return self.flux / self.flux_sigma

    @property
    def chi2_per_dof(self) -> float:
        """1 for a model that explains the pixels."""
        return self.chi2 / self.dof


def fit_source(
    data, x: float, y: float, psf: PSF, noise: Noise, *, trail: Trail = POINT, neighbours=(),
    background_order: int | None = None, radius: float | None = None, bad=None,
    saturation: float | None = None, free_trail: bool = False, max_shift: float | None = None,
    reject: float = REJECT,
) -> SourceFit:  # fmt: skip
    """Fit one source near (x, y), a guess that is good to about one FWHM; zero-based px.

    `data` is the frame (NaN where bad, more in the mask `bad`), `trail` the smearing known from the motion
    (with `free_trail` its length and direction are fitted too), `neighbours` the places of sources at rest to
    fit together with this one. The background is a polynomial as high as the pixels demand within as wide a
    radius as it can follow, unless `background_order` and `radius` say. From `saturation` on pixels are left
    out: the fit then rests on the ring around the core. It may end `max_shift` px from the guess (two FWHM
    and half the trail), and leaves out pixels that are `reject` sigmas off.

    Raises
    ------
    MeasurementError
        If nothing can be fitted there; the message is the reason.
    """
    options = (psf, noise, trail, free_trail, reject)
    best, start = None, (x, y)
    for reach, order, doubt, chance in LADDER:
        if background_order is not None:
            order, doubt = background_order, None
        pixels = radius or _radius(psf, reach)
        stamp = cut(data, x, y, pixels, trail=trail, bad=bad, saturation=saturation)
        near = _within_reach(neighbours, stamp, pixels + psf.fwhm, trail)
        try:
            fit = ProfileFit(stamp, *start, order, near, *options)
        except MeasurementError:
            if best is None:
                raise
            break  # too few pixels for so many terms
        try:
            fit.run()
        except MeasurementError as error:
            if best is None:
                raise
            raise MeasurementError(f"the background is too rough there: {error}") from error
        best = fit
        # The next, richer background starts where this fit ended, unless it ran off to something else.
        if np.hypot(fit.p[0] - x, fit.p[1] - y) < psf.fwhm:
            start = float(fit.p[0]), float(fit.p[1])
        if doubt is None or _enough(fit, doubt, chance, _radius(psf, NARROW)):
            break
    limit = max_shift if max_shift is not None else 2.0 * psf.fwhm + 0.5 * trail.length
    return best.result((x, y), limit)


def _radius(psf: PSF, sigmas: float) -> float:
    """Radius of a stamp, px."""
    wide = psf if psf.beta is None else psf.scaled(1.3)
    return max(sigmas * wide.axes[0] / FWHM_PER_SIGMA, LEAST_WIDE if sigmas == WIDE else LEAST_NARROW)


def _within_reach(neighbours, stamp: Stamp, radius: float, trail: Trail) -> list:
    """Neighbours that light the stamp: others have nothing there that a fit could hold on to."""
    places = np.array(neighbours, dtype=float).reshape(-1, 2)
    here = replace(stamp, columns=places[:, 0], rows=places[:, 1])
    return [tuple(place) for place in places[here.within(radius, trail)]]


def _enough(fit: "ProfileFit", doubt: int, chance: float, narrow: float) -> bool:
    """Whether the residuals hint at nothing more than the background that was fitted."""
    rejected = int((fit.stamp.good & ~fit.used).sum())
    new = (doubt + 1) * (doubt + 2) // 2 - fit.basis.shape[1]
    if rejected > MANY_REJECTED * len(fit.used) or fit.gain_of(doubt) > chi2_isf(chance, new):
        return False
    inner, n = fit.inner_sky(narrow)
    loose = np.sqrt(0.5 * max(1.0 / n - 1.0 / fit.used.sum(), 0.0))
    return inner > min(SMOOTHER, 1.0 - 4.0 * loose) * fit.sky


class ProfileFit:
    """One fit: its parameters `p`, its state (light, background, Jacobian) and what follows from them."""

    # p:  x  y  flux | length factor  turn (deg) | x  y  flux of each neighbour | background 1 u v u2 ...
    #     0  1  2      3  (free_trail only)  4     n_head                         n_source    n_parameters

    def __init__(self, stamp: Stamp, x, y, order, neighbours, psf, noise, trail, free_trail, reject):
        self.stamp, self.psf, self.noise, self.trail, self.reject = stamp, psf, noise, trail, reject
        self.order, self.free_trail = order, free_trail and trail.length > 0
        self.near = np.array(neighbours, dtype=float).reshape(-1, 2)
        self.basis = stamp.background_terms(order)
        self.n_head = 5 if self.free_trail else 3
        self.n_source = self.n_head + 3 * len(self.near)
        self.n_parameters = self.n_source + self.basis.shape[1]
        self.used = stamp.good.copy()
        self._leverage = None
        self.p = np.zeros(self.n_parameters)
        self.p[:2] = x, y
        if self.free_trail:
            self.p[3:5] = 1.0, 0.0
        for k, place in enumerate(self.near):
            self.p[self.n_head + 3 * k : self.n_head + 3 * k + 2] = place
        if self.used.sum() <= self.n_parameters + 4:
            raise MeasurementError("too few usable pixels for the fit")

    # --- model

    def _trail(self) -> Trail:
        """As given, or as fitted so far."""
        return self.trail.turned(self.p[3], self.p[4]) if self.free_trail else self.trail

    def _image(self, psf=None):
        """Light of the source in each pixel for a flux of 1, with another PSF where one is given."""
        at = self.p[0], self.p[1], self.stamp.columns, self.stamp.rows, self._trail()
        return pixel_image(psf or self.psf, *at)[0]

    def _evaluate(self):
        """Light of the sources (n,), background (n,), Jacobian (n, parameters)."""
        s, p = self.stamp, self.p
        jacobian = np.zeros((len(s.values), self.n_parameters))
        value, sx, sy = pixel_image(self.psf, p[0], p[1], s.columns, s.rows, self._trail())
        light = p[2] * value
        jacobian[:, 0], jacobian[:, 1], jacobian[:, 2] = p[2] * sx, p[2] * sy, value
        if self.free_trail:
            # Central differences: a hundredth of the length, half a degree, both far below what pixels show.
            for column, step in ((3, (0.01, 0.0)), (4, (0.0, 0.5))):
                sides = [
                    pixel_image(self.psf, p[0], p[1], s.columns, s.rows,
                                self.trail.turned(p[3] + sign * step[0], p[4] + sign * step[1]))[0]
                    for sign in (1, -1)
                ]  # fmt: skip
                jacobian[:, column] = p[2] * (sides[0] - sides[1]) / (2 * sum(step))
        for k in range(len(self.near)):
            i = self.n_head + 3 * k
            value, sx, sy = pixel_image(self.psf, p[i], p[i + 1], s.columns, s.rows)
            light = light + p[i + 2] * value
            jacobian[:, i], jacobian[:, i + 1], jacobian[:, i + 2] = p[i + 2] * sx, p[i + 2] * sy, value
        jacobian[:, self.n_source :] = self.basis
        return light, self.basis @ p[self.n_source :], jacobian

    def _variance(self, light, background, look: bool = True):
        """Sky floor from the residuals away from the sources; photons of sources and slopes on top."""
        gain = self.noise.gain_e_adu
        # On a galaxy's flank the sky is not equally bright, so not equally noisy, over the stamp.
        slope = (background - float(np.mean(background[self.used]))) / gain
        if look:
            self.sky = self._sky(light, background, slope)
        floor = np.maximum(self.sky**2 + slope, 0.1 * self.sky**2)
        return self.noise.variance(light, floor)

    def _sky(self, light, background, slope) -> float:
        """Scatter of the sky at its mean level: pixels brighter by `slope` are the noisier for it."""
        away = self.used & (light < 0.05 * max(light.max(), 1e-30))
        # A long trail lights the whole stamp: then all of it has to serve.
        away = away if away.sum() > 40 else self.used
        rest = (self.stamp.values - light - background)[away]
        sky = clipped_sigma(rest)
        # The shape of the scatter depends on its size, so it is found in rounds.
        for _ in range(3 if np.ptp(slope) > 0.2 * sky**2 > 0 else 0):
            shape = np.sqrt(np.maximum(1.0 + slope[away] / sky**2, 0.1))
            sky = clipped_sigma(rest / shape)
        free = self._free(away)
        self.sky_dof = max(free * away.sum(), 3.0)
        # A computed frame without noise has no scatter: the rounding of its numbers stands in.
        least = 1e-6 * max(1.0, float(np.abs(self.stamp.values[self.used]).max()))
        return max(sky / np.sqrt(free), least)

    def _free(self, away) -> float:
        """Share of the scatter that the background did not take along; it takes most at the stamp's rim."""
        if self._leverage is None or not np.array_equal(self._leverage[0], self.used):
            q, _ = np.linalg.qr(self.basis[self.used])
            leverage = np.zeros(len(self.used))
            leverage[self.used] = np.sum(q**2, axis=1)
            self._leverage = self.used.copy(), leverage
        return max(1.0 - float(np.mean(self._leverage[1][away])), 0.1)

    # --- fit

    def run(self):
        """Fit, reject, fit again until the set of rejected pixels stays."""
        self._linear_start()
        self._iterate()
        for _ in range(MOST_REJECTIONS):
            light, background, _ = self.state
            variance = self.variance
            off = np.abs(self.stamp.values - light - background)
            off[~self.stamp.good] = 0.0
            if (off**2 > self.reject**2 * variance).any():
                variance = variance + self._width_doubt() ** 2
            z = off / np.sqrt(variance)
            # The worst first (down to half of it): a cosmic ray drags the fit and spoils good pixels.
            out = self.stamp.good & (z > self.reject) & (z > 0.5 * z.max())
            # What was out comes back only when the fit without it says that it belongs.
            kept_out = self.stamp.good & ~self.used & (z > self.reject)
            used = self.stamp.good & ~(out | kept_out)
            if np.array_equal(used, self.used) or used.sum() <= self.n_parameters + 4:
                break
            self.used = used
            self._iterate()

    def _width_doubt(self):
        """What one sigma of the PSF's width changes in each pixel: a misfit of the core is no cosmic ray."""
        error = self.psf.width_error
        if not error > 0.0:
            return np.zeros(len(self.stamp.values))
        wide, narrow = (self._image(self.psf.scaled(1.0 + side * error)) for side in (1, -1))
        return 0.5 * np.abs(self.p[2] * (wide - narrow))

    def _linear_start(self):
        """Fluxes and background at the guessed places: where the slopes of a source without light are 0."""
        fluxes = [2] + [self.n_head + 3 * k + 2 for k in range(len(self.near))]
        columns = fluxes + list(range(self.n_source, self.n_parameters))
        # With all fluxes 0 the columns of the fluxes and of the background are the whole model.
        design = self._evaluate()[2][:, columns]
        for _ in range(2):
            used = design[self.used]
            linear = np.linalg.solve(used.T @ used, used.T @ self.stamp.values[self.used])
            self.p[columns] = linear
            light = design[:, : len(fluxes)] @ linear[: len(fluxes)]
            background = self.basis @ linear[len(fluxes) :]
            self.variance = self._variance(light, background)
            z = (self.stamp.values - light - background) / np.sqrt(self.variance)
            # Before the place is settled only pixels far off are cosmic rays for certain.
            far = light < 0.02 * max(light.max(), 1e-30)
            self.used = self.stamp.good & ~(far & (np.abs(z) > 3 * self.reject))
        # A flux of 0 has no slope with its place, and the fit could not leave a place without light.
        self.p[fluxes] = np.maximum(self.p[fluxes], 2.0 * self.sky)
        self.state = self._evaluate()

    def _iterate(self):
        """Gauss-Newton, a step halved while it makes the fit worse; the weights follow the model."""
        for count in range(MOST_STEPS):
            light, background, jacobian = self.state
            # Weights that went on following would let the last digits chase each other.
            if count < 6:
                self.variance = self._variance(light, background, look=count in (0, 2))
            root = np.sqrt(self.variance[self.used])
            design = jacobian[self.used] / root[:, None]
            residual = (self.stamp.values - light - background)[self.used] / root
            normal, right = self._with_priors(design.T @ design, design.T @ residual)
            # Pixels and stored units differ by orders of magnitude: scaled, the matrix is well conditioned.
            scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
            try:
                step = np.linalg.solve(normal / np.outer(scale, scale), right / scale) / scale
            except np.linalg.LinAlgError as error:
                raise MeasurementError("the pixels there do not settle a fit") from error
            # Beyond half a FWHM the image is no longer linear in its place.
            step = step * min(1.0, 0.5 * max(self.psf.fwhm, 1.0) / max(np.hypot(step[0], step[1]), 1e-12))
            self.state, share = self._take(step, float(residual @ residual), root)
            shift = share * float(np.hypot(step[0], step[1]))
            if shift < SETTLED * self.psf.sigma and count >= 3:
                break
        else:
            # Weak pixels may keep a fit trembling; below a fiftieth of a sigma that does no harm.
            if shift > 0.02 * self.psf.sigma:
                raise MeasurementError("the fit did not settle")
        self.normal = normal

    def _take(self, step, before, root):
        """Go along a step as far as the fit does not get worse; the new evaluation and the share taken."""
        start, share = self.p.copy(), 1.0
        for _ in range(5):
            self.p = start + share * step
            if not np.isfinite(self.p).all():
                raise MeasurementError("the fit did not settle")
            state = self._evaluate()
            residual = (self.stamp.values - state[0] - state[1])[self.used] / root
            # Rounding of a settled fit must not look like a fit that got worse.
            if residual @ residual <= before * (1 + 1e-9) + 1e-3:
                break
            share *= 0.5
        return state, share

    def _with_priors(self, normal, right):
        """A neighbour is held to its detected place by half a FWHM: a faint one must not walk off."""
        weight = (0.5 * self.psf.fwhm) ** -2
        for k, place in enumerate(self.near):
            for j in (0, 1):
                i = self.n_head + 3 * k + j
                normal[i, i] += weight
                right[i] += weight * (place[j] - self.p[i])
        if self.free_trail:
            # Length within a factor of about two, direction within 40 degrees: a round dot has neither.
            for i, centre, sigma in ((3, 1.0, 0.6), (4, 0.0, 40.0)):
                normal[i, i] += sigma**-2
                right[i] += (centre - self.p[i]) / sigma**2
        return normal, right

    def _faint(self, cov):
        """Place and covariance of a faint source; what else was fitted is linear about its best value."""
        light, background, jacobian = self.state
        root = np.sqrt(self.variance[self.used])
        zero = np.zeros(self.n_parameters)
        held = np.diag(self._with_priors(np.diag(zero), zero.copy())[0])
        rest = self.stamp.values - light - background + self.p[2] * self._image()
        return faint_place(
            self.stamp.columns[self.used], self.stamp.rows[self.used], self.psf, self._trail(), self.p[:2],
            cov, lambda images: images / root[:, None], jacobian[self.used, 3:] / root[:, None],
            rest[self.used] / root, np.sqrt(held[3:]),
        )  # fmt: skip

    def _background_at(self, x, y) -> float:
        """Background at a place, stored units."""
        here = replace(self.stamp, columns=np.array([x]), rows=np.array([y]))
        return float((here.background_terms(self.order) @ self.p[self.n_source :])[0])

    def gain_of(self, order: int) -> float:
        """Fall of chi-squared that a background of a higher order promises, by one linear step."""
        light, background, jacobian = self.state
        root = np.sqrt(self.variance[self.used])
        more = self.stamp.background_terms(order)[:, self.basis.shape[1] :]
        known, new = jacobian[self.used] / root[:, None], more[self.used] / root[:, None]
        residual = (self.stamp.values - light - background)[self.used] / root
        inverse = np.linalg.pinv(known.T @ known)
        project = known @ inverse
        new, residual = new - project @ (known.T @ new), residual - project @ (known.T @ residual)
        right = new.T @ residual
        return float(right @ np.linalg.pinv(new.T @ new) @ right)

    def inner_sky(self, radius: float) -> tuple[float, int]:
        """Scatter of the sky within a smaller radius, a quadratic taken off, and its number of pixels."""
        light, background, _ = self.state
        s = self.stamp
        away = self.used & (light < 0.05 * max(light.max(), 1e-30)) & s.within(radius, self.trail)
        if away.sum() < 20:
            return self.sky, 1
        terms, rest = s.background_terms(2)[away], (s.values - light - background)[away]
        rest = rest - terms @ np.linalg.lstsq(terms, rest, rcond=None)[0]
        return clipped_sigma(rest) / np.sqrt(1.0 - terms.shape[1] / away.sum()), int(away.sum())

    def result(self, guess, max_shift: float) -> SourceFit:
        """The fit with its covariance."""
        light, background, _ = self.state
        residual = (self.stamp.values - light - background) / np.sqrt(self.variance)
        chi2, dof = float(np.sum(residual[self.used] ** 2)), int(self.used.sum() - self.n_parameters)
        covariance = np.linalg.pinv(self.normal)
        excess, narrow = chi2 / dof, self.psf.axes[1] < UNDERSAMPLED_FWHM_PX
        if narrow and excess > 1.0:
            # The width's error goes into the phase error: it is not to count twice.
            shares = 1.0 / (1.0 + self._width_doubt() ** 2 / self.variance)
            excess = float(np.sum((residual**2 * shares)[self.used])) / dof
        if excess > 1.0 + 3.0 * np.sqrt(2.0 / dof):
            covariance = covariance * excess
        else:
            # The sky's scatter is itself an estimate: the variance of Student's t.
            covariance = covariance * self.sky_dof / (self.sky_dof - 2.0)
        x, y, flux = (float(v) for v in self.p[:3])
        if not flux > 0.0:
            raise MeasurementError("no light there")
        misfit = core_misfit(flux * self._image(), residual**2 / max(excess, 1.0), self.used, self.psf)
        cov = covariance[:2, :2] * misfit
        if flux**2 < FAINT_SNR**2 * covariance[2, 2]:
            (x, y), mean_cov = self._faint(cov)
            # Nodes that miss a narrow peak promise too small a sigma, down to none.
            cov = cov + positive_part(mean_cov - cov)
        shift, doubt = beyond_quartic(self)
        x, y, cov = float(x + shift[0]), float(y + shift[1]), cov + doubt
        if np.hypot(x - guess[0], y - guess[1]) > max_shift:
            raise MeasurementError("the fit left its place")
        trail, phase = self._trail(), 0.0
        if narrow:
            phase = phase_error(self.psf, trail, flux / (self.noise.gain_e_adu * self.sky**2))
            cov += phase**2 * np.eye(2)
        i, s = self.n_head, self.stamp
        near = tuple(tuple(map(float, self.p[i + 3 * k : i + 3 * k + 3])) for k in range(len(self.near)))
        sigma = np.sqrt(np.diag(covariance))
        shown = np.where(self.used, residual, np.nan)
        return SourceFit(
            x=x, y=y, cov=cov, flux=flux, flux_sigma=float(sigma[2]),
            background=self._background_at(x, y),
            sky_sigma=float(self.sky), chi2=chi2, dof=dof,
            n_rejected=int(np.sum(s.good & ~self.used)), n_saturated=s.n_saturated,
            background_order=self.order, psf=self.psf, trail=trail,
            trail_sigma=(float(sigma[3] * self.trail.length), float(sigma[4])) if self.free_trail else None,
            phase_error_px=phase, neighbours=near, x0=s.x0, y0=s.y0,
            data=s.box(s.values), model=s.box(light + background), residual=s.box(shown),
        )  # fmt: skip


def beyond_quartic(fit: ProfileFit):
    """What a quartic background leaves out where it is rough: shift of the place, addition to its covariance.

    A quartic follows a galaxy's flank and misses the next order of a spiral arm, and no residual shows it:
    the place takes it up. The terms of the fifth order are therefore let in, held to zero with a sigma in
    proportion to what the third and fourth were found to be.
    """
    nothing = np.zeros(2), np.zeros((2, 2))
    known = fit.basis.shape[1]
    # Lower orders stay only where they promise enough (see LADDER): then there is nothing left to ask for.
    if known != 15:
        return nothing
    light, background, jacobian = fit.state
    root = np.sqrt(fit.variance[fit.used])
    before = np.linalg.pinv(fit.normal)
    rough = slice(fit.n_source + 6, fit.n_source + known)
    # How large are the third and fourth order beyond their noise? On a smooth background: not at all.
    noise2 = np.diag(before)[rough]
    certain = float(np.mean(fit.p[rough] ** 2 / noise2)) - 1.0 - CHANCE_EXCESS
    if certain <= 0.0:
        return nothing
    size2 = certain * float(np.mean(noise2))
    more = fit.stamp.background_terms(5)[:, known:]
    design = np.concatenate([jacobian, more], axis=1)[fit.used] / root[:, None]
    residual = (fit.stamp.values - light - background)[fit.used] / root
    normal = design.T @ design
    n = len(before)
    normal[:n, :n] = fit.normal
    normal[np.arange(n, len(normal)), np.arange(n, len(normal))] += 1.0 / (NEXT_ORDER**2 * size2)
    scale = np.sqrt(np.diag(normal))
    after = np.linalg.inv(normal / np.outer(scale, scale)) / np.outer(scale, scale)
    right = design.T @ residual
    right[:n] = 0.0  # the fit has settled: what is left there is rounding and priors
    return (after @ right)[:2], after[:2, :2] - before[:2, :2]


def faint_place(columns, rows, psf, trail, place, cov, whiten, known, data, prior):
    """Place and covariance of a faint source: the mean of all places that its pixels allow.

    At a signal to noise of ten the likelihood of a place is no Gaussian: its peak scatters by several per
    cent more than the mean of the places weighted by their likelihood, which has the least mean square error
    of all estimates that move with the source (Pitman), and the curvature at the peak promises too small a
    sigma. Flux, background and whatever else was fitted (columns `known`, held to 0 by `prior`, inverse
    sigmas) are integrated out, as linear parameters. `whiten` turns images of the pixels, (n, k), into
    numbers of unit noise, as `known` and `data` are already.
    """
    # 5 x 5 nodes of Gauss-Hermite over the peak's ellipse, stretched: the likelihood is near its Gaussian.
    at, share = np.polynomial.hermite_e.hermegauss(NODES)
    u, v = (a.ravel() for a in np.meshgrid(at, at))
    share = np.outer(share, share).ravel() / (2 * np.pi)
    values, vectors = np.linalg.eigh(cov)
    steps = STRETCH * (vectors * np.sqrt(np.maximum(values, 0.0))) @ np.stack([u, v])
    # Moving the pixels instead of the source: one call for the images at all nodes.
    moved = (columns - steps[0][:, None]).ravel(), (rows - steps[1][:, None]).ravel()
    images = pixel_image(psf, *place, *moved, trail, coarse=True)[0].reshape(len(u), -1)
    images = whiten(images.T).T
    design = np.concatenate([known, np.diag(prior)])
    # Images and pixels freed of what the linear parameters explain; priors are rows of their own.
    base, _ = np.linalg.qr(design)
    pad = np.zeros((len(u), len(prior)))
    images = np.concatenate([images, pad], axis=1)
    images = images - (images @ base) @ base.T
    wanted = np.concatenate([data, np.zeros(len(prior))])
    length2 = np.einsum("ij,ij->i", images, images)
    match = images @ (wanted - base @ (base.T @ wanted)) / np.sqrt(length2)
    # Flux integrated out under a flat prior; places at which it would be negative do not count.
    log = 0.5 * np.where(match > 0, match, 0.0) ** 2 - 0.5 * np.log(length2) + 0.5 * (u**2 + v**2)
    odds = share * np.exp(log - log.max())
    odds /= odds.sum()
    mean = steps @ odds
    return place + mean, (steps * odds) @ steps.T - np.outer(mean, mean)


def positive_part(matrix):
    """The part of a symmetric matrix that is a covariance."""
    values, vectors = np.linalg.eigh(matrix)
    return (vectors * np.maximum(values, 0.0)) @ vectors.T


def core_misfit(light, squares, used, psf: PSF) -> float:
    """By how much more the variance of a place grows than chi-squared of the whole stamp says; 1 or more.

    What a star image misses stands in the few pixels of its core, which make the place; spread over the whole
    stamp it looks like little. `squares` are of the residuals over their noise, as widened already.
    """
    core = used & (light > CORE_SHARE * max(float(light[used].max(initial=0.0)), 1e-300))
    n = int(core.sum())
    total = float(np.sum(squares[core]))
    if n < 4 or total < n + CORE_SIGMAS * np.sqrt(2.0 * n):
        return 1.0
    # The misfit is spread over as many independent pixels as the image has, less those that the fit followed.
    many = min(float(n), 4 * np.pi * psf.sigma**2 + 2.0)
    return 1.0 + (total - n) / max(many - 3.0, 1.0)


def phase_error(psf: PSF, trail: Trail = POINT, contrast: float = 0.0) -> float:
    """One-sigma centroid error per axis, px, from an imperfectly known width (10% where `psf` does not say).

    `contrast` is the photon noise of the source against the sky's, as variances, per unit of the pixel image:
    a fit of a bright source leans less on its core, where the width matters.
    """
    # Only where the pixels sample it well is a fit with a wrong width unbiased; below a FWHM of two pixels
    # the error runs with the place within the pixel, of which 5 x 5 are tried (Anderson & King).
    off = psf.scaled(1.0 + (psf.width_error or WIDTH_ERROR_IF_UNKNOWN))
    reach = int(np.ceil(4 * psf.axes[0] / FWHM_PER_SIGMA + trail.reach + 1))
    rows, columns = (a.ravel() for a in np.mgrid[-reach : reach + 1, -reach : reach + 1])
    x, y = (grid.ravel()[:, None] for grid in np.meshgrid(*2 * [np.arange(5) / 5 - 0.4]))
    # Moving the pixels instead of the source: one call for all of them.
    moved = (columns - x).ravel(), (rows - y).ravel()
    value, sx, sy = pixel_image(psf, 0.0, 0.0, *moved, trail).reshape(3, x.size, -1)
    truth = pixel_image(off, 0.0, 0.0, *moved, trail)[0].reshape(value.shape)
    weight = 1.0 / (1.0 + np.clip(contrast, 0.0, MAX_CONTRAST) * value)
    design = np.stack([sx, sy, value, np.ones_like(value)], axis=1)
    scaled = design * weight[:, None]
    normal = scaled @ design.transpose(0, 2, 1)
    shifts = np.linalg.solve(normal, scaled @ (truth - value)[:, :, None])[:, :2]
    return float(np.sqrt(np.mean(np.square(shifts))))


def is_plain(fit: SourceFit) -> bool:
    """Whether the pixels are those of the model, within their noise."""
    return bool(fit.chi2_per_dof <= 1.0 + PLAIN_SIGMAS * np.sqrt(2.0 / fit.dof))


def light_doubt(data, fit: SourceFit, noise, saturation=None) -> float:
    """What a wider aperture makes of the source, as an error of its magnitude; NaN where none is possible."""
    if is_plain(fit) and not fit.psf.width_error > ASSUMED_WIDTH:
        return 0.0
    # A profile of the wrong width or length, and a background free to make up for it, share the light between
    # them as the aperture has it; the right one gives the same at every radius.
    radius = APERTURE_SIGMAS * fit.psf.fwhm / FWHM_PER_SIGMA + fit.trail.length / 2.0
    neighbours = tuple((x, y) for x, y, *_ in fit.neighbours)
    options = {"trail": fit.trail, "neighbours": neighbours, "saturation": saturation, "radius": radius}
    try:
        wide = fit_source(data, fit.x, fit.y, fit.psf, noise, **options)
    except MeasurementError:
        return float("nan")
    return float(abs(2.5 * np.log10(wide.flux / fit.flux))) if wide.flux > 0 else float("nan")

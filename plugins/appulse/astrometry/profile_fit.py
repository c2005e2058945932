"""The least-squares fit behind :mod:`appulse.astrometry.centroid`."""

from dataclasses import replace

import numpy as np

from appulse.astrometry.left_out import left_out
from appulse.astrometry.pixel_phase import UNDERSAMPLED_FWHM_PX, phase_error
from appulse.astrometry.posterior import FAINT_SNR, faint_place
from appulse.astrometry.psf import pixel_image
from appulse.astrometry.source_fit import SourceFit
from appulse.astrometry.stamp import Stamp
from appulse.errors import MeasurementError
from appulse.numerics.robust import clipped_sigma

REJECT = 5.0
"""Pixels beyond so many sigmas are no noise: one good stamp in a thousand loses a pixel to it."""


class ProfileFit:
    """Parameters: x, y, flux, [length factor, turn in degrees], (x, y, flux) of neighbours, background."""

    def __init__(self, stamp: Stamp, x, y, order, neighbours, psf, noise, trail, free_trail, reject):
        self.stamp, self.psf, self.noise, self.trail, self.reject = stamp, psf, noise, trail, reject
        self.guess, self.order, self.free_trail = (x, y), order, free_trail and trail.length > 0
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

    def _trail(self):
        return self.trail.turned(self.p[3], self.p[4]) if self.free_trail else self.trail

    def _evaluate(self):
        """Light of the sources (n,), background (n,), Jacobian (n, parameters)."""
        s, p = self.stamp, self.p
        jacobian = np.zeros((len(s.values), self.n_parameters))
        value, sx, sy = pixel_image(self.psf, p[0], p[1], s.columns, s.rows, self._trail())
        light = p[2] * value
        jacobian[:, 0], jacobian[:, 1], jacobian[:, 2] = p[2] * sx, p[2] * sy, value
        if self.free_trail:
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
        """Sky floor from the residuals away from the sources; photons of sources and slopes on top.

        The scatter of the sky itself settles at once: it is looked at anew only where `look` says so.
        """
        gain = self.noise.gain_e_adu
        slope = (background - float(np.mean(background[self.used]))) / gain
        if look:
            self.sky = self._sky(light, background, slope)
        floor = np.maximum(self.sky**2 + slope, 0.1 * self.sky**2)
        return self.noise.variance(light, floor)

    def _sky(self, light, background, slope) -> float:
        """Scatter of the sky at its mean level: pixels brighter by `slope` are the noisier for it."""
        away = self.used & (light < 0.05 * max(light.max(), 1e-30))
        away = away if away.sum() > 40 else self.used
        rest = (self.stamp.values - light - background)[away]
        sky = clipped_sigma(rest)
        for _ in range(3 if np.ptp(slope) > 0.2 * sky**2 > 0 else 0):
            shape = np.sqrt(np.maximum(1.0 + slope[away] / sky**2, 0.1))
            sky = clipped_sigma(rest / shape)
        free = self._free(away)
        self.sky_dof = max(free * away.sum(), 3.0)
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
        for _ in range(12):
            light, background, _ = self.state
            variance = self.variance + (self.noise.model_error * light) ** 2
            off = np.abs(self.stamp.values - light - background)
            off[~self.stamp.good] = 0.0
            if (off**2 > self.reject**2 * variance).any():
                variance = variance + self._width_doubt() ** 2
            z = off / np.sqrt(variance)
            out = self.stamp.good & (z > self.reject) & (z > 0.5 * z.max())
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
        at = self.p[0], self.p[1], self.stamp.columns, self.stamp.rows, self._trail()
        wide, narrow = (pixel_image(self.psf.scaled(1.0 + side * error), *at)[0] for side in (1, -1))
        return 0.5 * np.abs(self.p[2] * (wide - narrow))

    def _linear_start(self):
        """Fluxes and background at the guessed places: where the slopes of a source without light are 0."""
        fluxes = [2] + [self.n_head + 3 * k + 2 for k in range(len(self.near))]
        columns = fluxes + list(range(self.n_source, self.n_parameters))
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
        self.p[fluxes] = np.maximum(self.p[fluxes], 2.0 * self.sky)
        self.state = self._evaluate()

    def _iterate(self):
        """Gauss-Newton, a step halved while it makes the fit worse; the weights follow the model."""
        for count in range(60):
            light, background, jacobian = self.state
            if count < 6:
                self.variance = self._variance(light, background, look=count in (0, 2))
            root = np.sqrt(self.variance[self.used])
            design = jacobian[self.used] / root[:, None]
            residual = (self.stamp.values - light - background)[self.used] / root
            normal, right = self._with_priors(design.T @ design, design.T @ residual)
            scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
            try:
                step = np.linalg.solve(normal / np.outer(scale, scale), right / scale) / scale
            except np.linalg.LinAlgError as error:
                raise MeasurementError("the pixels there do not settle a fit") from error
            step = step * min(1.0, 0.5 * max(self.psf.fwhm, 1.0) / max(np.hypot(step[0], step[1]), 1e-12))
            self.state, share = self._take(step, float(residual @ residual), root)
            shift = share * float(np.hypot(step[0], step[1]))
            if shift < 1e-4 * self.psf.sigma and count >= 3:
                break
        else:
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
        if self.free_trail:  # length within a factor of about two, direction within 40 degrees
            for i, centre, sigma in ((3, 1.0, 0.6), (4, 0.0, 40.0)):
                normal[i, i] += sigma**-2
                right[i] += (centre - self.p[i]) / sigma**2
        return normal, right

    def _faint(self, cov):
        """Place and covariance of a faint source; what else was fitted is linear about its best value."""
        light, background, jacobian = self.state
        weight = np.where(self.used, 1.0 / np.sqrt(self.variance), 0.0)
        zero = np.zeros(self.n_parameters)
        held = np.diag(self._with_priors(np.diag(zero), zero.copy())[0])
        own = self.p[2] * pixel_image(
            self.psf, self.p[0], self.p[1], self.stamp.columns, self.stamp.rows, self._trail()
        )[0]  # fmt: skip
        rest = self.stamp.values - light - background + own
        place, cov = faint_place(
            self.stamp, self.psf, self._trail(), self.p[:2], cov, weight, jacobian[:, 3:], rest,
            np.sqrt(held[3:]),
        )  # fmt: skip
        return float(place[0]), float(place[1]), cov

    def _background_at(self, x, y) -> float:
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

    def result(self, max_shift: float) -> SourceFit:
        """The fit with its covariance.

        Raises
        ------
        MeasurementError
            If the source has no light or has left its place.
        """
        light, background, _ = self.state
        residual = (self.stamp.values - light - background) / np.sqrt(self.variance)
        chi2, dof = float(np.sum(residual[self.used] ** 2)), int(self.used.sum() - self.n_parameters)
        covariance = np.linalg.pinv(self.normal)
        excess, narrow = chi2 / dof, self.psf.axes[1] < UNDERSAMPLED_FWHM_PX
        if narrow and excess > 1.0:  # the width's error goes into the phase error: it is not to count twice
            shares = 1.0 / (1.0 + self._width_doubt() ** 2 / self.variance)
            excess = float(np.sum((residual**2 * shares)[self.used])) / dof
        if excess > 1.0 + 3.0 * np.sqrt(2.0 / dof):
            covariance = covariance * excess
        else:  # the sky's scatter is itself an estimate: the variance of Student's t
            covariance = covariance * self.sky_dof / (self.sky_dof - 2.0)
        x, y, flux = (float(v) for v in self.p[:3])
        if not flux > 0.0:
            raise MeasurementError("no light there")
        cov = covariance[:2, :2].copy()
        if flux**2 < FAINT_SNR**2 * covariance[2, 2]:
            x, y, cov = self._faint(cov)
        shift, doubt = left_out(self)
        x, y, cov = x + float(shift[0]), y + float(shift[1]), cov + doubt
        if np.hypot(x - self.guess[0], y - self.guess[1]) > max_shift:
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

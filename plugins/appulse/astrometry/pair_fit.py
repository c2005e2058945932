"""Whether light is one point or two, and what the pixels say of which of the two is the body.

A star in no list that stands closer than the images can part makes one dot of two, which lies between them at
a fraction of its true error. What a single point leaves of the pixels shows it::

    one fit --> one more point on a grid about it, against a wider image and structure --> hopeless: one
                    | worth it
                    v
    both fitted, the body as either --> evidence against one --> one, or a pair: body first, body second

References: Jeffreys 1961, Theory of Probability, 5 (evidence of a further parameter).
"""

from dataclasses import dataclass

import numpy as np

from appulse.astrometry.psf import Trail
from appulse.astrometry.scene import FrameScene, SceneStar
from appulse.astrometry.scene_fit import REJECT, SCALES, SceneFit
from appulse.astrometry.source_fit import SourceFit
from appulse.errors import MeasurementError

REACH_FWHM, STEP_SIGMAS = 1.8, 0.8
"""Beyond it two points are two peaks; and the grid's step."""
WORTH = 7.0
"""Log odds on the grid from which the fit of two is tried."""
POSSIBLE = -4.0
"""Log evidence of two against one from which two are not forgotten: a chance of 2%."""
STAR_PRIOR = 0.01
"""Chance of a star in no list within reach (common practice, no source: crowded fields of the Milky Way)."""
LIGHT_RANGE = 5.0
"""Of the logarithm of its light, which may be anywhere."""


@dataclass(frozen=True)
class Pair:
    """Two points of light: the fits with the body as the one and as the other."""

    first: SourceFit
    second: SourceFit
    odds: float
    """Log of the likelihood of the first against the second, by the pixels alone."""
    evidence: float
    """Log of the odds that there are two, against one."""


def fit_pair(
    scene: FrameScene, fit: SourceFit, *, trail: Trail, radius: float | None = None, free_trail: bool = False
) -> Pair | None:
    """Two points of light instead of the one that was fitted; None where one explains them."""
    psf, known = scene.psf, {(star.x, star.y) for star in scene.stars}
    options = trail, radius, free_trail
    if fit.structure_cov is None:
        # Stars that a plain fit had fitted along.
        for x, y, flux in fit.neighbours:
            if flux > 0 and (x, y) not in known:
                scene = scene.with_star(SceneStar(x, y, flux * scene.star_tint, (x, y), False))
    cases = list(fit.cases) or [(("scale", 0.0), 0.0)]
    centre, reach = (fit.x, fit.y), REACH_FWHM * psf.fwhm
    try:
        one = SceneFit(scene, *centre, *options)
        one.look([case for case, _ in cases], reach)
        second = one.second_light(reach, max(STEP_SIGMAS * psf.sigma, 0.5))
    except (MeasurementError, np.linalg.LinAlgError):
        return None
    if second is None or second[3] < WORTH:
        return None
    x, y, flux, _ = second
    scales = SCALES if scene.is_rough else SCALES[:1]
    cases = list(dict.fromkeys([*cases, *((("scale", share), 0.0) for share in scales)]))
    try:
        one = SceneFit(scene, *centre, *options)
        one.run(cases)
        first = _both(scene, centre, centre, (x, y), flux, options, cases)
        evidence = float(_likelihood(first) - _cost_of_star(first, psf.fwhm) - _likelihood(one))
        if evidence < POSSIBLE:
            return None
        star = first.near_places[first.apart]
        light = float(first.result(centre, np.inf).flux)
        other = _both(scene, centre, star, tuple(first.place), light, options, cases)
        limit = reach + psf.fwhm + 0.5 * trail.length
        fits = first.result(centre, limit), other.result(centre, limit)
    except (MeasurementError, np.linalg.LinAlgError):
        return None
    odds = _likelihood(first) - _likelihood(other)
    if np.hypot(fits[0].x - fits[1].x, fits[0].y - fits[1].y) < 0.5 * psf.sigma:
        return None  # the same place twice: nothing was told apart
    return Pair(*fits, float(odds), evidence)


def _both(scene: FrameScene, centre, body, star, flux, options, cases) -> SceneFit:
    """The body near one place and a star near another, fitted together on the pixels about a centre."""
    fluxes = max(flux, 0.0) * scene.star_tint
    loose = SceneStar(*map(float, star), fluxes, tuple(map(float, star)), False, loose_px=scene.psf.fwhm)
    fit = SceneFit(scene.with_star(loose), *centre, *options)
    fit.apart = next((k for k, near in enumerate(fit.near) if near is loose), None)
    if fit.apart is None:
        raise MeasurementError("too faint to be fitted along")
    fit.place = np.array(body, dtype=float)
    fit.run(cases)
    return fit


def _likelihood(fit: SceneFit) -> float:
    """Log of the likelihood of a fit in the likeliest structure; pixels put aside count as just so far."""
    return max(found.odds for found in fit.solved) - 0.5 * REJECT**2 * int(np.sum(fit.extra > 0))


def _cost_of_star(fit: SceneFit, fwhm: float) -> float:
    """What the freedom of one star more costs in evidence: its light may be anything, its place any near."""
    nc, best = len(fit.colours), max(fit.solved, key=lambda found: found.odds)
    fluxes = np.maximum(best.values[nc * (fit.apart + 1) : nc * (fit.apart + 2)], 1e-300)
    ranges = np.r_[LIGHT_RANGE, np.ones(nc - 1)]  # colours are much alike
    light = float(np.sum(np.log(fluxes * ranges / np.sqrt(2 * np.pi))))
    return light + 2 * np.log(fwhm) - np.log(STAR_PRIOR)

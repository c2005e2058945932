"""How faint a body would have been found: proved with bodies planted on the frame's own pixels.

::

    places about the expected one --> a body's image, its photons' noise --> the same search, the same fit
                                                                             |
         brightness at which half are found and lie within their sigmas  <---+    or no number at all
         the light that is left at the expected place, and its error     <-- never fainter than this

What is found beside the place is not found at it for certain: the noise there is the one that hid the body.
Light below the search's threshold may be the body's, and a body may be as bright as that light can be.
A formula knows the noise of an even sky; it does not know the star, the filament and the hot column that
made the search fail.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from appulse.astrometry.detection import Candidate, PlaceSearch
from appulse.astrometry.psf import Trail, pixel_image
from appulse.astrometry.scene import FrameScene
from appulse.astrometry.scene_fit import fit_in_scene
from appulse.errors import MeasurementError

PLACES = 9
STEP_MAG = 0.3
MOST_BRIGHTER, MOST_FAINTER = 7, 4
"""Steps from the search's own estimate: two magnitudes up, one down."""
WITHIN_CHI2 = 11.829
"""A place that is off by more, with two degrees of freedom, is a measurement outside its sigmas (0.27%)."""
NEAR_FWHM = 0.7
LEAST_USED = 6
NINE_IN_TEN = 1.2816
"""Sigmas that the true light exceeds the measured one by once in ten."""
ASSUMED_WIDTH = 0.1
"""With a star image known no better than this planted bodies prove nothing: they share its error."""


@dataclass(frozen=True)
class Limit:
    """What a search was proved to reach: light (stored units; NaN where it cannot be said), and how."""

    flux: float
    planted: int
    words: str


def prove_limit(
    scene: FrameScene, x: float, y: float, trail: Trail, search: PlaceSearch, *,
    choose: Callable[[PlaceSearch], Candidate | None], least_snr: float,
) -> Limit:  # fmt: skip
    """Plant bodies at and around a place, zero-based px, and find how bright half of them must be.

    `search` is the one that ended without a body; a planted one goes through the same gates: `choose` takes
    a candidate of a search, `least_snr` is what the fit must give.
    """
    guess = search.flux_limit
    if not scene.psf.width_error < ASSUMED_WIDTH:
        return Limit(np.nan, 0, "no limit: the star image of this frame is not known")
    places = _places(scene, x, y, search.radius)
    if len(places) < LEAST_USED:
        return Limit(np.nan, 0, "no limit: too few usable pixels there")
    rng = np.random.default_rng([int(x), int(y), scene.x0, scene.y0])
    noise = rng.standard_normal((len(places), *scene.pixels.shape))
    trials, shares = 0, {}
    cases = [()] * len(places)  # of structure, at each place: a body does not change them

    def share(step: int) -> float:
        """Part of the bodies found and measured at a brightness."""
        nonlocal trials
        flux = guess * 10 ** (0.4 * STEP_MAG * step)
        good = bad = 0
        for k, (place, grain) in enumerate(zip(places, noise, strict=True)):
            trials += 1
            light = flux, grain
            is_measured, cases[k] = _measured(
                scene, place, search.radius, trail, light, choose, least_snr, cases[k]
            )
            if is_measured:
                good += 1
            else:
                bad += 1
            # More trials would not change on which side of a half it lies.
            if good > 0.75 * len(places) or bad > 0.75 * len(places):
                break
        shares[step] = good / (good + bad)
        return shares[step]

    up = share(0) < 0.5
    below, above = _bracket(share, 0, MOST_BRIGHTER) if up else _bracket(share, 0, -MOST_FAINTER)
    if below is None:
        if up:
            words = "no limit: bodies two magnitudes above the noise are lost there too"
        else:
            words = "no limit: bodies far below the noise seem to be found there"
        return Limit(np.nan, trials, words)
    low, high = shares[below], shares[above]
    at = below + (0.5 - low) / max(high - low, 1e-9)
    flux = guess * 10 ** (0.4 * STEP_MAG * at)
    # What stands at the very place need not stand beside it; a fit there says how well light is told from it.
    try:
        light = _planted(scene, (x, y), trail, 2.0 * flux)
        fit = fit_in_scene(replace(scene, pixels=scene.pixels + light), x, y, trail=trail)
    except MeasurementError:
        return Limit(np.nan, trials, "no limit: the pixels at the very place carry no fit")
    flux = max(flux, search.threshold * fit.flux_sigma, _brightest_there(scene, trail, search))
    return Limit(float(flux), trials, f"{trials} bodies planted there")


def _brightest_there(scene: FrameScene, trail: Trail, search: PlaceSearch) -> float:
    """Light that a body within the search may have by what its pixels show, nine times in ten."""
    there = search.strongest
    if there is None:
        return 0.0
    try:
        fit = fit_in_scene(scene, there.x, there.y, trail=trail)
    except (MeasurementError, np.linalg.LinAlgError):
        return float((there.snr + NINE_IN_TEN) * search.flux_limit / search.threshold)
    return float(fit.flux + NINE_IN_TEN * fit.flux_sigma)


def _bracket(share, step: int, last: int) -> tuple[int | None, int | None]:
    """Two neighbouring steps, the fainter first, between which half are found; None where there are none."""
    up, stride, taken = last > step, 1, 0
    # Most places are within two steps of a half; beyond, twice as far each time, then halved: a step costs.
    while True:
        beyond = min(step + stride, last) if up else max(step - stride, last)
        if (share(beyond) < 0.5) != up:
            break
        if beyond == last:
            return None, None
        step, taken = beyond, taken + 1
        stride = 1 if taken < 2 else 2 * stride
    while abs(beyond - step) > 1:
        middle = (step + beyond) // 2
        step, beyond = (middle, beyond) if (share(middle) < 0.5) == up else (step, middle)
    return (step, beyond) if up else (beyond, step)


def _places(scene: FrameScene, x, y, radius) -> np.ndarray:
    """The place itself and a ring about it, where the pixels can be used."""
    ring = max(min(radius, 2.5 * scene.psf.fwhm), 1.3 * scene.psf.fwhm)
    angles = np.arange(PLACES - 1) * 2 * np.pi / (PLACES - 1) + 0.3
    # Off the pixels' centres by a different part of a pixel each.
    around = np.column_stack([x + ring * np.cos(angles), y + ring * np.sin(angles)])
    places = np.concatenate([[[x, y]], around])
    ny, nx = scene.pixels.shape
    i, j = np.rint(places[:, 0] - scene.x0).astype(int), np.rint(places[:, 1] - scene.y0).astype(int)
    inside = (i >= 2) & (i < nx - 2) & (j >= 2) & (j < ny - 2)
    usable = scene.good & ~scene.full
    return places[[bool(ok and usable[b, a]) for ok, a, b in zip(inside, i, j, strict=True)]]


def _measured(
    scene: FrameScene, place, radius, trail, given, choose, least_snr, cases
) -> tuple[bool, tuple]:  # fmt: skip
    """Whether a planted body is found, chosen and measured within its sigmas; and the cases of structure."""
    flux, grain = given
    light = _planted(scene, place, trail, flux)
    light = light + grain * np.sqrt(light / scene.noise.gain_e_adu)
    pixels = scene.pixels + light
    found = scene.search(*place, radius, trail, pixels)
    near = NEAR_FWHM * scene.psf.fwhm + 0.25 * trail.length
    best = choose(found)
    if best is None or np.hypot(best.x - place[0], best.y - place[1]) > near:
        return False, cases
    try:
        fit = fit_in_scene(replace(scene, pixels=pixels), best.x, best.y, trail=trail, cases=cases)
    except MeasurementError:
        return False, cases
    off = np.array([fit.x - place[0], fit.y - place[1]])
    within = float(off @ np.linalg.solve(fit.cov, off)) < WITHIN_CHI2
    return bool(fit.snr >= least_snr and within), fit.cases


def _planted(scene: FrameScene, place, trail, flux) -> np.ndarray:
    """Light of a body in the pixels of the scene."""
    rows, columns = np.indices(scene.pixels.shape)
    value = pixel_image(
        scene.psf, place[0] - scene.x0, place[1] - scene.y0, columns.ravel(), rows.ravel(), trail
    )[0].reshape(scene.pixels.shape)
    return flux * value * scene.star_tint[scene.colour]

"""A body among stars, on a filament, in a nebula and behind a colour mosaic: found, and sigmas that hold."""

import numpy as np
import pytest

from appulse.astrometry.detection import Candidate
from appulse.astrometry.psf import POINT, PSF, pixel_image
from appulse.astrometry.scene import _Bar, look_around
from appulse.astrometry.scene_fit import fit_in_scene
from appulse.astrometry.sky import level_mosaic_sky
from appulse.astrometry.stamp import Noise
from appulse.registration import TrailLine
from invented_nights import NightPlan, nebula_image

SHAPE, SKY, FWHM = (110, 120), 400.0, 3.0
BODY = 60.3, 54.6
NOISE = Noise(1.0)
ROWS, COLUMNS = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
MOSAIC = np.array([[0, 1], [1, 2]])[ROWS % 2, COLUMNS % 2]
PASSES = np.array([0.774, 1.290, 0.645])
"""Light that passes each colour, mean 1 over the pixels."""
TOL_PULL_24 = 0.35
"""24 pulls have a width of 1 within 0.14 (2.5 sigma)."""


def point(x, y, fwhm=FWHM):
    """A point of unit light."""
    return pixel_image(PSF.round(fwhm), x, y, COLUMNS.ravel(), ROWS.ravel())[0].reshape(SHAPE)


def light_for(snr, fwhm=FWHM):
    """Light of a body that has this S/N on the plain sky."""
    return snr * np.sqrt(4 * np.pi * SKY) * fwhm / 2.3548


def filament(strength, aside=2.0):
    """A filament as wide as a star, so many FWHM beside the body."""
    across = (COLUMNS - BODY[0]) * 0.6 + (ROWS - BODY[1]) * 0.8 - aside * FWHM
    return strength * SKY * np.exp(-0.5 * (across / (1.2 * FWHM / 2.3548)) ** 2)


def nebula(seed):
    """A patchy nebula of half the sky."""
    plan = NightPlan(shape=SHAPE, fwhm_px=FWHM, sky_e=SKY)
    return 0.5 * SKY * nebula_image(plan, np.random.default_rng(seed))


def measured(rng, expected, **more):
    """Candidates and fit of a body at BODY in these expected electrons."""
    data = rng.poisson(expected).astype(float)
    scene = look_around(data, *BODY, 5.0, PSF.round(FWHM), NOISE, **more)
    found = scene.search(*BODY, 5.0)
    if not found.candidates:
        return scene, found, None
    return scene, found, fit_in_scene(scene, found.candidates[0].x, found.candidates[0].y)


@pytest.mark.parametrize("fainter", [-3.0, -1.5, 0.0])
def test_a_body_beside_a_listed_star_is_found_and_placed(rng_of, fainter):
    rng, star = rng_of(11), (BODY[0] + 2.2 * FWHM, BODY[1] - 1.0)
    body = light_for(25.0)
    expected = SKY + body * point(*BODY) + body * 10 ** (-0.4 * fainter) * point(*star)
    _, found, fit = measured(rng, expected, listed=[star], fluxes=[body * 10 ** (-0.4 * fainter)])
    assert fit is not None
    assert np.hypot(found.candidates[0].x - BODY[0], found.candidates[0].y - BODY[1]) < 1.0
    assert np.hypot(fit.x - BODY[0], fit.y - BODY[1]) < 4 * np.sqrt(np.trace(fit.cov))
    assert fit.snr > 12
    assert len(fit.neighbours) == 1


def test_a_star_without_a_body_leaves_nothing(rng_of):
    star = BODY[0] + 1.0, BODY[1] + 0.5
    expected = SKY + light_for(300.0) * point(*star)
    _, found, _ = measured(rng_of(12), expected, listed=[star], fluxes=[light_for(300.0)])
    assert not found.candidates


@pytest.mark.parametrize("strength", [0.1, 0.3])
def test_a_filament_within_the_search_is_no_body(rng_of, strength):
    """The search of before took it for one in 7 to 14 of 16 fields."""
    place = PSF.round(FWHM), NOISE
    along = (COLUMNS - BODY[0]) * 0.8 - (ROWS - BODY[1]) * 0.6
    rough = filament(strength, 0.8) * (1 + 0.3 * np.sin(along / (4 * FWHM)))
    found = [
        look_around(rng_of(500 + seed).poisson(SKY + rough + body).astype(float), *BODY, 5.0, *place)
        .search(*BODY, 5.0).candidates
        for body in (0.0, light_for(30.0) * point(*BODY)) for seed in range(8)
    ]  # fmt: skip
    assert not any(found[:8])
    assert all(found[8:])  # a body that stands above the filament is one


@pytest.mark.parametrize("kind", ["mono", "mosaic"])
def test_a_faint_body_beside_a_filament_is_measured(rng_of, kind):
    """As structure that is alike in all directions the filament hid 12 of 12."""
    passes, more, pulls = 1.0, {}, []
    if kind == "mosaic":
        passes, more = PASSES[MOSAIC], {"colours": MOSAIC}
    for seed in range(12):
        expected = (SKY + filament(0.3, 1.5) + light_for(13.0) * point(*BODY)) * passes
        scene, _, fit = measured(rng_of(6000 + seed), expected, **more)
        assert scene.structure.ridges
        assert not scene.structure.alike.ridges
        if fit is not None:
            assert fit.snr > 6.0
            pulls += list(np.array([fit.x - BODY[0], fit.y - BODY[1]]) / np.sqrt(np.diag(fit.cov)))
    assert len(pulls) >= 2 * 11
    assert np.max(np.abs(pulls)) < 4.0
    assert abs(np.std(pulls) - 1.0) < TOL_PULL_24


def test_chance_makes_no_filament(rng_of):
    """Faint lights here and there lie a little more one way: on a real frame one dot became two by that."""
    light = sum(light_for(6.0) * point(x, y) for x, y in rng_of(8).uniform(0, 100, (40, 2)))
    for seed in range(6):
        data = rng_of(700 + seed).poisson(SKY + light).astype(float)
        scene = look_around(data, *BODY, 5.0, PSF.round(FWHM), NOISE)
        assert scene.is_rough
        assert not scene.structure.ridges


def test_a_nebula_s_colour_is_that_of_its_small_scales(rng_of):
    """A sky levelled colour by colour shows wide light as green has it: colours looked half as deep."""
    data = rng_of(31).poisson((SKY + 4.0 * nebula(3)) * PASSES[MOSAIC]).astype(float)
    scene = look_around(level_mosaic_sky(data)[0], *BODY, 5.0, PSF.round(FWHM), NOISE, colours=MOSAIC)
    assert scene.tint == pytest.approx(PASSES, abs=0.06)


def test_a_light_must_surpass_those_of_its_surroundings():
    assert _Bar.of(np.array([]), 70.0, 4.0).at(0.5) == 4.0
    rough = _Bar.of(np.array([5.6, 4.9, 4.6, 4.0]), 70.0, 4.0)
    assert rough.tail == pytest.approx(1.0, abs=0.1)
    # A cosmic ray is no tail.
    ray = _Bar.of(np.array([5.6, 4.9, 4.6, 80.0]), 70.0, 4.0)
    assert ray.at(0.0) == pytest.approx(rough.at(0.0), abs=0.5)
    # Four lights in 70 searches, fewer by e each tail: above the bar one is left in 300 searches.
    share = np.linspace(0.0, 1.0, 1001)
    bars = np.array([rough.at(r) for r in share])
    above = np.trapezoid(2 * share * 4 / 70 * np.exp(-(bars - 4.0) / rough.tail), share)
    assert above == pytest.approx(1 / 300, rel=0.05)
    # Where the body is likely it may be fainter, by what a light there is rarer.
    assert bars[0] < 4.0 + np.log(4 / 70 * 300) - 1.0 < bars[-1] - 2.0


@pytest.mark.parametrize("kind", ["filament", "nebula", "mosaic in a nebula"])
def test_sigmas_hold_where_the_background_is_rough(rng_of, kind):
    """The fit of before gave 3 to 10 of its sigmas on a filament, and missed bodies in a nebula."""
    pulls, ratios = [], []
    passes = np.array([0.6, 1.0, 0.5])[MOSAIC] if "mosaic" in kind else 1.0
    colours = {"colours": MOSAIC} if "mosaic" in kind else {}
    for seed in range(12):
        rough = filament(0.3) if kind == "filament" else nebula(seed)
        expected = (SKY + rough + light_for(40.0) * point(*BODY)) * passes
        scene, _, fit = measured(rng_of(100 + seed), expected, **colours)
        assert scene.is_rough or kind == "filament"
        assert fit is not None
        pulls += list(np.array([fit.x - BODY[0], fit.y - BODY[1]]) / np.sqrt(np.diag(fit.cov)))
        ratios.append(np.sqrt(np.trace(fit.structure_cov) / np.trace(fit.cov)))
    assert abs(np.std(pulls) - 1.0) < TOL_PULL_24
    assert np.max(np.abs(pulls)) < 4.0
    assert 0.1 < np.median(ratios) < 1.0  # the share of the structure is stated apart


def test_each_colour_of_a_mosaic_has_its_own_light(rng_of):
    tint = np.array([1.3, 1.0, 0.7])[MOSAIC] * np.array([0.6, 1.0, 0.5])[MOSAIC]
    pulls = []
    for seed in range(12):
        expected = SKY * np.array([0.6, 1.0, 0.5])[MOSAIC] + light_for(60.0) * point(*BODY) * tint
        _, _, fit = measured(rng_of(200 + seed), expected, colours=MOSAIC)
        pulls += list(np.array([fit.x - BODY[0], fit.y - BODY[1]]) / np.sqrt(np.diag(fit.cov)))
    assert abs(np.std(pulls) - 1.0) < TOL_PULL_24


def test_a_cosmic_ray_is_put_aside(rng_of):
    expected = SKY + nebula(1) + light_for(40.0) * point(*BODY)
    data = rng_of(13).poisson(expected).astype(float)
    data[int(BODY[1]) + 3, int(BODY[0]) + 2] += 4000.0
    scene = look_around(data, *BODY, 5.0, PSF.round(FWHM), NOISE)
    fit = fit_in_scene(scene, *BODY)
    assert fit.n_rejected >= 1
    assert np.hypot(fit.x - BODY[0], fit.y - BODY[1]) < 4 * np.sqrt(np.trace(fit.cov))


@pytest.fixture
def rng_of():
    return np.random.default_rng


@pytest.mark.parametrize("fwhm", [2.2, 4.0])
def test_a_body_on_a_satellite_s_trail_is_measured(fwhm):
    line = TrailLine(20.0, 10.0, np.cos(0.83), np.sin(0.83))
    along = line.along(*BODY)
    body = line.x + along * line.dx - 0.4 * line.dy, line.y + along * line.dy + 0.4 * line.dx
    trail = 1500.0 * np.exp(-0.5 * (line.across(COLUMNS, ROWS) / (fwhm / 2.3548)) ** 2)
    expected = SKY + trail + 4.0 * light_for(40.0, fwhm) * point(*body, fwhm)
    pulls = []
    for seed in range(6):
        data = np.random.default_rng(seed).poisson(expected).astype(float)
        psf = PSF.round(fwhm)
        scene = look_around(data, *body, 4.0, psf, NOISE, trails=(line,))
        found = scene.search(*body, 4.0)
        fit = fit_in_scene(scene, found.candidates[0].x, found.candidates[0].y)
        assert fit.snr > 15
        pulls.append((np.array([fit.x, fit.y]) - body) / np.sqrt(np.diag(fit.cov)))
    assert np.abs(pulls).max() < 4.0
    assert np.sqrt(np.mean(np.square(pulls))) < 1.0 + 2.5 / np.sqrt(24)


def test_a_line_where_there_is_none_takes_nothing_off():
    data = np.random.default_rng(3).poisson(SKY + light_for(30.0) * point(*BODY)).astype(float)
    line = TrailLine(*BODY, 1.0, 0.0)
    scene = look_around(data, *BODY, 4.0, PSF.round(FWHM), NOISE, trails=(line,))
    assert not scene.trails
    assert not scene.trail_light.any()


def test_a_star_at_one_side_of_a_light_is_no_filament(rng_of):
    scene, _, _ = measured(rng_of(31), SKY + 0.0 * COLUMNS)
    peak = Candidate(*BODY, 24.0, 0.0)
    snr = np.where(BODY[0] < COLUMNS, 40.0, 1.2) * (np.abs(ROWS - BODY[1]) < FWHM)
    here = snr[scene.y0 : scene.y0 + scene.pixels.shape[0], scene.x0 : scene.x0 + scene.pixels.shape[1]]
    assert 0.0 < scene._ridge(here, peak, POINT) < 3.0
    both = np.where(here > 0, 20.0, 0.0)
    assert scene._ridge(both, peak, POINT) == pytest.approx(20.0)

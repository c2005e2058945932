"""Limits are proved on the pixels themselves: where a body of that brightness is not found, no number."""

from dataclasses import replace

import numpy as np
import pytest

from appulse.astrometry.limits import _bracket, prove_limit
from appulse.astrometry.psf import POINT, PSF, pixel_image
from appulse.astrometry.scene import look_around
from appulse.astrometry.scene_fit import fit_in_scene
from appulse.astrometry.stamp import Noise

SHAPE, SKY, FWHM, RADIUS = (110, 120), 400.0, 3.0, 5.0
PLACE = 60.3, 54.6
TOL_HALF = 0.3
"""Of 20 bodies at the limit a half is found, within 2.7 sigma of chance."""


def point(x, y):
    """A point of unit light."""
    rows, columns = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    return pixel_image(PSF.round(FWHM), x, y, columns.ravel(), rows.ravel())[0].reshape(SHAPE)


def ripples(strength):
    """A background in waves of three FWHM."""
    rows, columns = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    return strength * SKY * np.sin(columns / FWHM * 1.1) * np.sin(rows / FWHM * 0.9)


def scene_of(seed, light, rough=0.0, psf=None):
    """A scene with a body of this light at PLACE."""
    expected = SKY + ripples(rough) + light * point(*PLACE)
    data = np.random.default_rng(seed).poisson(np.maximum(expected, 1.0)).astype(float)
    return look_around(data, *PLACE, RADIUS, psf or PSF.round(FWHM), Noise(1.0))


def limit_of(scene):
    """The limit at PLACE."""
    found = scene.search(*PLACE, RADIUS)
    return prove_limit(
        scene, *PLACE, POINT, found, choose=lambda search: next(iter(search.candidates), None),
        least_snr=0.8 * found.threshold,
    )  # fmt: skip


def test_light_below_the_threshold_leaves_room_for_as_bright_a_body():
    # A body that bad luck hides stands there all the same, and so does most of its light.
    light, missed = 1.25 * limit_of(scene_of(3, 0.0)).flux, 0
    for seed in range(80):
        scene = scene_of(500 + seed, light)
        if not scene.search(*PLACE, RADIUS).candidates:
            missed += 1
            assert limit_of(scene).flux > light / 1.2  # fainter than it by 0.2 mag would be a false limit
    assert missed > 1


def test_planted_bodies_go_through_the_gates_of_the_real_one():
    scene = scene_of(3, 0.0)
    found = scene.search(*PLACE, RADIUS)
    strict = prove_limit(
        scene, *PLACE, POINT, found, choose=lambda search: next(iter(search.candidates), None), least_snr=12.0
    )  # fmt: skip
    none = prove_limit(scene, *PLACE, POINT, found, choose=lambda _: None, least_snr=3.0)
    assert strict.flux > 2.0 * limit_of(scene).flux
    assert np.isnan(none.flux)


@pytest.mark.parametrize("rough", [0.0, 0.2])
def test_half_of_the_bodies_at_the_limit_are_found(rough):
    limits = [limit_of(scene_of(seed, 0.0, rough)).flux for seed in (1, 2, 3)]
    light, found = float(np.median(limits)), 0
    for seed in range(20):
        scene = scene_of(50 + seed, light, rough)
        search = scene.search(*PLACE, RADIUS)
        near = [c for c in search.candidates if np.hypot(c.x - PLACE[0], c.y - PLACE[1]) < 0.7 * FWHM]
        found += bool(near) and fit_in_scene(scene, near[0].x, near[0].y).snr > 0.8 * search.threshold
    assert abs(found / 20 - 0.5) < TOL_HALF + 0.2 * (rough > 0)


def test_a_rough_background_costs_depth():
    smooth, rough = limit_of(scene_of(4, 0.0)).flux, limit_of(scene_of(4, 0.0, 0.3)).flux
    assert not rough < 1.2 * smooth  # fainter than that is a false limit; no number is allowed


def test_no_number_without_a_star_image():
    limit = limit_of(scene_of(5, 0.0, psf=replace(PSF.round(FWHM), width_error=0.2)))
    assert np.isnan(limit.flux)
    assert "no limit" in limit.words


@pytest.mark.parametrize(("first", "last", "half"), [(0, 7, 5.5), (0, 7, 0.5), (0, 7, 6.5), (0, -4, -2.5)])
def test_a_bracket_is_found_in_few_steps(first, last, half):
    asked = []

    def share(step):
        asked.append(step)
        return 0.0 if step < half else 1.0

    assert _bracket(share, first, last) == (int(np.floor(half)), int(np.ceil(half)))
    assert len(asked) == len(set(asked)) <= 6
    assert _bracket(lambda step: float(last < 0), first, last) == (None, None)

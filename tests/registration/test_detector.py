"""What is no light is marked, and stars, galaxies and nebulae never are."""

import numpy as np
import pytest

from appulse.astrometry import SkyMesh
from appulse.registration import Bad, bad_pixels, filled, mosaic_colours, satellite_trails, sharper
from appulse.registration.detector import peak_ratio, saturated_pixels
from invented_frames import add_point

SHAPE = (160, 200)
SKY, SIGMA, GAIN = 400.0, 20.0, 1.0


@pytest.fixture(scope="module")
def field():
    """Sharp stars to saturation's edge on a steep galaxy: noise, and nothing that is no light."""
    rng = np.random.default_rng(8)
    rows, columns = np.indices(SHAPE)
    light = 3000.0 * np.exp(-np.hypot(columns - 120, rows - 70) / 12.0)
    for x, y in rng.uniform(4, np.array(SHAPE[::-1]) - 5, (80, 2)):
        add_point(light, x, y, 10 ** rng.uniform(3, 5.7), 1.8)
    return light, rng.poisson(SKY + light).astype(np.float32)


def known_sky(sigma):
    """A flat level, and the scatter of each pixel."""
    return SkyMesh(np.full(SHAPE, SKY, np.float32), np.full(SHAPE, sigma, np.float32), 1, SHAPE)


def marked(data, fwhm=None, sigma=SIGMA, gain=GAIN):
    kinds, bright = bad_pixels(data, known_sky(sigma), gain=gain)
    return sharper(kinds, bright, fwhm, gain=gain)


def test_no_star_and_no_galaxy_trips_it(field):
    kinds = marked(field[1], fwhm=1.8)
    assert np.count_nonzero(kinds) <= 2  # 5 sigma, 32,000 pixels


def test_hot_pixels_and_cosmic_rays_are_found_and_filled(field):
    light, data = field
    rng = np.random.default_rng(2)
    data = data.copy()
    dark = np.argwhere(light < 100)
    hot = dark[rng.choice(len(dark), 60, replace=False)]
    data[tuple(hot.T)] += 10 ** rng.uniform(np.log10(400), 4, 60)
    data[100, 20:24] += 3000.0
    kinds = marked(data, fwhm=1.8)
    assert np.mean(kinds[tuple(hot.T)] & Bad.SHARP > 0) > 0.95
    good = filled(data, kinds > 0, lambda x, y: np.full(len(x), SKY))
    assert np.median(np.abs(good[tuple(hot.T)] - SKY - light[tuple(hot.T)])) < 2 * SIGMA


@pytest.mark.parametrize("axis", [0, 1])
def test_bad_lines_dead_pixels_and_blanks_are_told_apart(field, axis):
    data = field[1].copy()
    if axis == 0:
        data[:, 50] = SKY - 150.0
        data[:, 77] += 100.0
    else:
        data[50] = SKY - 150.0
        data[77] += 100.0
    data[20, 30] = 0.0
    data[130, 150] = np.nan
    kinds = marked(data)
    lines = (kinds & Bad.LINE > 0).all(axis=axis)
    assert np.flatnonzero(lines).tolist() == [50, 77]
    assert kinds[20, 30] & Bad.DEAD
    assert kinds[130, 150] & Bad.BLANK


def test_saturation_takes_the_bled_column_along():
    raw = np.full((60, 40), 100.0)
    raw[20:40, 15] = 1000.0
    raw[28:32, 13:18] = 1000.0
    full = saturated_pixels(raw, 990.0)
    assert full[17:43, 15].all()
    assert full[27:33, 12:19].all() or full[28:32, 12:19].all()
    assert full.sum() < 150


@pytest.mark.parametrize("angle", [0.03, 0.8, 1.57, 2.6])
def test_a_satellite_is_marked_and_a_frame_without_one_is_not(field, angle):
    above = field[1] - SKY
    assert not satellite_trails(above, SIGMA, 1.8)[0].any()
    rows, columns = np.indices(SHAPE)
    across = -(columns - 90.3) * np.sin(angle) + (rows - 85.1) * np.cos(angle)
    trail = 150.0 * np.exp(-0.5 * (across / 0.8) ** 2)
    found, lines = satellite_trails(above + trail, SIGMA, 1.8)
    assert np.max(np.abs(lines[0].across(columns, rows)[trail > 140.0])) < 1.5
    assert found[trail > 75.0].mean() > 0.98
    assert found.mean() < 0.1


def test_the_colours_of_a_mosaic():
    assert mosaic_colours(None, (4, 4)) is None
    assert mosaic_colours("RGGB", (3, 3)).tolist() == [[0, 1, 0], [1, 2, 1], [0, 1, 0]]


def test_a_sharper_point_may_have_a_higher_peak():
    ratios = [peak_ratio(fwhm) for fwhm in (1.2, 2.0, 3.0, 8.0)]
    assert ratios == sorted(ratios, reverse=True)
    assert ratios[-1] == pytest.approx(1.0, abs=0.1)
    assert peak_ratio(2.0, mosaic=True) > peak_ratio(2.0)


def test_hot_pixels_on_a_bright_nebula_are_found():
    rng = np.random.default_rng(6)
    rows, columns = np.indices(SHAPE)
    light = 1500.0 * (1.0 + np.sin(rows / 29.0) * np.sin(columns / 31.0))
    data = rng.poisson(SKY + light).astype(np.float32)
    hot = rng.integers(3, 150, (40, 2))
    data[tuple(hot.T)] += 900.0
    noise = np.sqrt(SKY + light).astype(np.float32)
    kinds = marked(data, 2.5, noise, np.inf)
    sharp = kinds & Bad.SHARP > 0
    assert sharp[tuple(hot.T)].mean() > 0.7  # five sigma of a bright nebula hide the rest
    assert np.count_nonzero(sharp) < 45

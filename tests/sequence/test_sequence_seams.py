"""No seams: borders of frames, stars left out over a nebula, blank and suspect pixels on the grid."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.spatial import cKDTree

from appulse.registration.resampling import BLOCK, SuspectPixels, bad_blocks, filled, resample
from appulse.registration.threads import in_order
from appulse.sequence.sky_grid import tangent_grid
from appulse.sequence.stack import Feather, Layer, StillSky, stack, star_pixels, still_mesh
from appulse.sequence.subframe import Level, calibrated

SIDE, SIGMA, DRIFT = 160, 2.0, 6.0
EXACT = Level(1.0, np.zeros(3), SIGMA, SIGMA, 0.0)


class Held:
    """A plane in memory."""

    def __init__(self, values):
        self.values = values.astype(np.float32)

    def rows(self, first, last):
        return self.values[first:last]


def nebula(x, y):
    """Light of an invented nebula, steep against the noise of a stack."""
    return 200.0 * np.exp(-0.5 * ((x - 90) ** 2 + (y - 70) ** 2) / 30.0**2)


def drifting(n=6, seed=2):
    """Frames on the grid of a body at rest, a nebula drifting through; each lacks a disc, as under a star."""
    random = np.random.default_rng(seed)
    y, x = np.indices((SIDE, SIDE)).astype(float)
    mesh = still_mesh(nebula(x, y).astype(np.float32), np.zeros((SIDE, SIDE), dtype=bool))
    layers = []
    for index in range(n):
        shift = (DRIFT * (index - n / 2), 0.0)
        values = nebula(x + shift[0], y) + random.normal(0, SIGMA, x.shape)
        mask = np.hypot(x - 60 - 8 * index, y - 70) < 6
        layers.append(
            Layer(
                Held(values), EXACT, 1.0, masked=lambda a, b, mask=mask: mask[a:b],
                local=StillSky(mesh, shift, SIDE),
            )
        )  # fmt: skip
    return layers


def step_under_discs(found, layers):
    """Mean light where one frame is left out, against the mean of all frames without noise."""
    y, x = np.indices((SIDE, SIDE)).astype(float)
    truth = np.mean([nebula(x + layer.local.shift[0], y) for layer in layers], axis=0)
    out = np.sum([layer.masked(0, SIDE) for layer in layers], axis=0) == 1
    return np.abs((found.data - truth)[out]).mean()


def test_a_star_left_out_over_a_nebula_leaves_no_step():
    layers = drifting()
    bare = [Layer(x.plane, x.level, x.weight, masked=x.masked) for x in layers]
    noise = SIGMA / np.sqrt(5) * np.sqrt(2 / np.pi)
    assert step_under_discs(stack(layers, (SIDE, SIDE)), layers) < 1.3 * noise
    assert step_under_discs(stack(bare, (SIDE, SIDE)), layers) > 2.0 * noise


def test_what_all_frames_see_is_not_changed():
    layers = [Layer(x.plane, x.level, x.weight, local=x.local) for x in drifting()]
    bare = [Layer(x.plane, x.level, x.weight) for x in layers]
    one, other = (stack(these, (SIDE, SIDE), clip=(50.0, 50.0)) for these in (layers, bare))
    np.testing.assert_allclose(one.data, other.data, atol=1e-3)
    np.testing.assert_allclose(one.noise, other.noise, rtol=1e-6)  # single precision


def test_a_frame_that_ends_fades_out():
    random = np.random.default_rng(1)
    corners = np.array([[-200.0, -200.0], [400.0, -200.0], [400.0, 80.0], [-200.0, 80.0]])
    layers = []
    for index in range(4):
        values = np.full((SIDE, SIDE), 10.0 * (index == 3)) + random.normal(0, 0.01, (SIDE, SIDE))
        share = None
        if index == 3:  # brighter by ten, and only the lower half of the grid
            values[81:] = np.nan
            share = Feather(corners, (0.0, 0.0), SIDE)
        layers.append(Layer(Held(values), EXACT, 1.0, share=share))
    rows = stack(layers, (SIDE, SIDE), clip=(900.0, 900.0)).data.mean(axis=1)
    assert rows[10] == pytest.approx(2.5, abs=0.02)
    assert rows[120] == pytest.approx(0.0, abs=0.02)
    assert np.abs(np.diff(rows)).max() < 0.1


@pytest.mark.parametrize("size", [14.0, 25.0])
def test_a_nebula_is_not_masked_as_stars(size):
    y, x = np.indices((300, 400)).astype(float)
    random = np.random.default_rng(6)
    light = 100.0 + 250.0 * np.exp(-0.5 * ((x - 150) ** 2 + (y - 150) ** 2) / size**2 / np.array(1.5))
    light += random.normal(0, 1.0, light.shape)
    places = [(60, 60), (300, 200), (150, 165), (350, 40)]
    for i, j in places:
        light += 400.0 * np.exp(-0.5 * ((x - i) ** 2 + (y - j) ** 2) / 1.1**2)
    stars = star_pixels(light.astype(np.float32), 4.0, 2.6)
    assert all(stars[j, i] for i, j in places)
    away = np.min([np.hypot(x - i, y - j) for i, j in places], axis=0) > 15
    assert stars[away].mean() < 0.01


def test_a_star_on_a_mosaic_is_no_hot_pixel():
    random = np.random.default_rng(3)
    y, x = np.indices((120, 120)).astype(float)
    light = np.zeros((120, 120))
    for j in range(15, 110, 18):
        for i in range(15, 110, 18):
            light += 9000.0 * np.exp(-4 * np.log(2) * ((x - i - 0.3) ** 2 + (y - j + 0.2) ** 2) / 2.3**2)
    light[0::2, 0::2] *= 0.6
    light[1::2, 1::2] *= 0.8
    light += random.normal(300.0, 5.0, light.shape)
    light[50, 40] += 5000.0
    frame = _frame(light)
    frame.mosaic = "RGGB"
    bad = np.argwhere(~np.isfinite(calibrated(frame, as_mosaic=True).data))
    assert bad.tolist() == [[50, 40]]
    assert calibrated(frame).colour.shape == (3, 120, 120)


def _frame(data):
    from appulse.frames.frame import SolvedFrame

    return SolvedFrame.from_arrays(data, tangent_grid(246.0, -24.0, 3.0, 0.0, data.shape).wcs)


def test_blank_pixels_stay_blank_and_spoil_nothing_else():
    random = np.random.default_rng(7)
    plane = random.normal(50.0, 1.0, (200, 220)).astype(np.float32)
    frame = tangent_grid(246.0, -24.0, 3.0, 33.0, plane.shape)
    grid = tangent_grid(246.0, -24.0, 3.0, 0.0, (120, 120))
    whole = resample(plane, frame.wcs, grid)
    holed = plane.copy()
    holed[100, 105] = np.nan
    holed[60:90, 120:150] = np.nan
    found = resample(holed, frame.wcs, grid)
    fx, fy = frame.to_pixel(*grid.to_sky(*np.meshgrid(np.arange(120.0), np.arange(120.0))))
    blank = ~np.isfinite(holed[np.round(fy).astype(int), np.round(fx).astype(int)])
    np.testing.assert_array_equal(~np.isfinite(found), blank)
    holes = cKDTree(np.argwhere(~np.isfinite(holed)))
    far = holes.query(np.dstack([fy, fx]))[0] > 9
    np.testing.assert_allclose(found[far], whole[far], atol=1e-3)


def test_many_blank_pixels_are_looked_for_everywhere():
    bad = np.zeros((80, 80), dtype=bool)
    bad[:, :40] = True
    grid = tangent_grid(246.0, -24.0, 3.0, 0.0, (80, 80))
    suspect = SuspectPixels(grid, grid.wcs, (0, 0), [bad_blocks(bad)], 1.0).shifted((0.0, 0.0))
    assert len(suspect(0, BLOCK)[0]) == BLOCK * 80
    plane = np.where(bad, np.nan, 5.0).astype(np.float32)
    assert np.nanmax(np.abs(filled(plane, bad) - 5.0)) == 0


def test_a_frame_from_elsewhere_gives_an_empty_plane():
    plane = np.ones((50, 50), np.float32)
    for ra in (250.0, 66.0):
        wcs = tangent_grid(ra, 24.0, 3.0, 0.0, (50, 50)).wcs
        out = resample(plane, wcs, tangent_grid(246.0, -24.0, 3.0, 0.0, (40, 40)))
        assert np.isnan(out).all()


def test_work_stops_where_its_consumer_stops():
    begun = []

    def work(index):
        begun.append(index)
        return index

    found = in_order(work, range(100), workers=2)
    assert next(found) == 0
    found.close()
    assert len(begun) <= 4


def test_errors_come_out_of_threads():
    def work(index):
        return SimpleNamespace(value=1 // index)

    with pytest.raises(ZeroDivisionError):
        list(in_order(work, [1, 0, 1], workers=2))

"""Pieces of the sequence room, each by a case whose answer is known."""

import io
from types import SimpleNamespace

import numpy as np
import pytest
from PIL import Image
from skimage.color import rgb2lab

from appulse import __version__
from appulse.frames.frame import SolvedFrame
from appulse.frames.masters import Masters
from appulse.overlays import place_labels
from appulse.sequence.animate import gif_bytes, played, timeline
from appulse.sequence.body_places import distance_to_trail
from appulse.sequence.colour import Transfer, lrgb, transfer_for
from appulse.sequence.composite import Dot, body_radius, over_base, spaced
from appulse.sequence.grade import transparencies, verdicts
from appulse.sequence.marks import dots_scene
from appulse.sequence.parts import digest
from appulse.sequence.picture_files import srgb_profile, to_16bit
from appulse.sequence.picture_job import PictureSettings, Recipe, versions
from appulse.sequence.sky_grid import largest_rectangle, painted, tangent_grid
from appulse.sequence.stack import Feather, StillSky, combine, star_pixels, still_mesh, weights_of
from appulse.sequence.subframe import binned, demosaic, hot_pixels, level_to


def test_a_clock_runs_over_gaps():
    steps = [(round(s.hours, 1), s.index, s.gap) for s in timeline([0.0, 1.0, 2.0, 4.0])]
    assert steps[2:] == [(2.0, 2, False), (3.0, 2, True), (4.0, 3, False)]


def test_once_round_or_there_and_back():
    assert played([1, 2, 3], "bounce") == [1, 2, 3, 2]
    assert played([1, 2, 3], "loop") == [1, 2, 3]


def test_a_gif_of_two_pictures():
    data = gif_bytes([np.zeros((8, 9, 1), np.uint8), np.full((8, 9, 1), 200, np.uint8)], fps=4)
    image = Image.open(io.BytesIO(data))
    assert (image.n_frames, image.size) == (2, (9, 8))


def test_distance_from_a_trail():
    trail = np.array([[0.0, 0.0], [2.0, 0.0]])
    assert distance_to_trail(np.array([0.0, 5.0]), np.array([3.0, 0.0]), trail).tolist() == [3.0, 3.0]


def test_a_dark_of_the_same_exposure_is_taken_off():
    masters = Masters(dark=np.full((2, 2), 5.0, np.float32), dark_seconds=10.0)
    assert (masters.apply(np.full((2, 2), 25.0, np.float32), 10.0) == 20.0).all()


def test_a_single_bright_pixel_is_hot():
    plane = np.random.default_rng(1).normal(10.0, 1.0, (40, 40))
    plane[20, 11] = 90.0
    rows, columns = hot_pixels(plane, 10.0, 1.0)
    assert (rows.tolist(), columns.tolist()) == ([20], [11])


def test_a_flat_mosaic_gives_flat_colours():
    colours = demosaic(np.tile([[1.0, 2.0], [2.0, 4.0]], (4, 4)), "RGGB")
    assert colours.mean(axis=(1, 2)).tolist() == [1.0, 2.0, 4.0]


def test_the_transfer_bends():
    """Lupton et al. 2004, PASP 116, 133, as astropy's LuptonAsinhStretch normalises it: Q 8, stretch 5."""
    shown = Transfer((0.0,), 5.0).unclipped(np.array([1.0, 5.0, 50.0]))
    assert shown == pytest.approx([0.170471, 0.378954, 0.692703], abs=1e-6)


def test_a_flat_sky_is_nearly_black():
    sky = np.random.default_rng(3).normal(100.0, 2.0, (1, 200, 200))
    transfer = transfer_for(sky)
    assert 50 < transfer.black[0] < 100
    assert 0.05 < np.median(transfer.apply(sky)) < 0.12


def test_lab_of_red_and_grey_over_grey():
    red = np.zeros((1, 1, 3))
    red[..., 0] = 1.0
    # CIE Lab of sRGB red under D65, as colour tables print it: 53.24, 80.09, 67.20.
    assert rgb2lab(red)[0, 0] == pytest.approx([53.241, 80.092, 67.203], abs=1e-3)
    assert np.allclose(lrgb(np.full((1, 1), 0.5), np.full((3, 1, 1), 0.2)), 0.5, atol=1e-3)


def test_light_of_two_dots_is_not_added_twice():
    dot = Dot("f", "t", 1, 1, used=True, x0=1, y0=1)
    dot.weight, dot.light = np.ones((1, 1), np.float32), np.full((1, 1, 1), 5.0, np.float32)
    assert over_base(np.zeros((1, 3, 3), np.float32), [dot, dot])[0, 1].tolist() == [0.0, 5.0, 0.0]


def test_dots_a_cadence_apart():
    assert spaced([0.0, 0.1, 0.6, 1.0, 1.1], 0.5) == [0, 2, 4]


def test_radius_of_a_bright_body():
    assert body_radius(100.0, 2.5) == pytest.approx(6.18, abs=0.005)


def test_light_against_the_best_frames():
    found = transparencies([1.0, 2.0, None], np.array([10.0, 10.0, 10.0]), np.ones(3))
    assert np.array_equal(found, [1.0, 0.5, np.nan], equal_nan=True)


def test_a_clouded_frame_is_left_out():
    rows = [{"fwhm": 2.5, "transparency": t, "align_stars": 40} for t in (1.0, 0.98, 0.3)]
    found = verdicts(rows)
    assert [keep for keep, _ in found] == [True, True, False]
    assert found[2][1] == "clouded: 30% of the light of the best frames"


def test_a_digest_tells_apart():
    assert digest("a", 1) == digest("a", 1) != digest("a", 2)


def test_a_profile_is_one():
    assert srgb_profile()[36:40] == b"acsp"


def test_values_as_16_bit():
    assert to_16bit(np.array([0.0, 0.5, 1.0])).tolist() == [0, 32768, 65535]


def test_settings_and_versions_of_a_recipe():
    assert PictureSettings.from_plain(PictureSettings(fps=4.0).plain()).fps == 4.0
    assert versions()["appulse"] == __version__
    assert "numpy" in versions()


def test_a_recipe_says_whether_the_pixels_are_the_same():
    recipe = Recipe("body", {}, PictureSettings(), {}, results={"base.fits": "a", "tracked.fits": "b"})
    same = "the same pixels as the recipe: base.fits"
    assert recipe.compared({"base.fits": "a", "tracked.fits": "b"}) == [f"{same}, tracked.fits"]
    other = "other pixels than the recipe: tracked.fits"
    assert recipe.compared({"base.fits": "a", "tracked.fits": "c"}) == [same, other]


def test_the_middle_of_a_grid():
    grid = tangent_grid(246.4, -24.2, 3.6, 0.0, (101, 201))
    assert grid.to_pixel(246.4, -24.2) == pytest.approx((100.0, 50.0), abs=1e-6)
    assert grid.pixel_scale == pytest.approx(3.6, abs=1e-6)


def test_polygons_and_rectangles_of_cells():
    square = np.array([[0.0, 0.0], [31.0, 0.0], [31.0, 31.0], [0.0, 31.0]])
    assert painted([square, square + 8], (40, 40)).max() == 2
    mask = np.zeros((5, 6), bool)
    mask[1:4, 2:6] = True
    assert largest_rectangle(mask) == (2, 1, 4, 3)


def test_a_stray_value_is_left_out_of_a_mean():
    values = np.full((5, 1, 4), 10.0, np.float32)
    values[2, 0, 1] = 99.0
    ones = np.ones(5, np.float32)
    mean, noise, count, n = combine(values, ones, ones, ones, ones * np.inf, None, 0.0, (4.0, 3.0))
    assert mean.tolist() == [[10.0] * 4]
    assert count.tolist() == [[5, 4, 5, 5]]
    assert n == 1
    assert noise[0, 0] == pytest.approx(5**-0.5, abs=1e-4)


@pytest.mark.parametrize("unit", [1.0, 1e-38, 1e200])
def test_weights_do_not_depend_on_the_unit_of_brightness(unit):
    assert weights_of(np.array([2.0, 1.0, 4.0]) * unit) == pytest.approx([0.25, 1.0, 0.0625])
    assert list(weights_of([0.0, 2.0, 4.0])) == [1.0, 1.0, 0.25]
    assert list(weights_of([0.0, 0.0])) == [1.0, 1.0]


def test_a_frame_fades_towards_its_border():
    square = np.array([[0.0, 0.0], [999.0, 0.0], [999.0, 999.0], [0.0, 999.0]])
    feather = Feather(square, (0.0, 0.0), 1000)
    assert feather(400, 410)[0, [0, 24, 500]] == pytest.approx([0.02, 0.5, 1.0], abs=1e-3)
    assert feather(0, 1).max() < 0.03
    wide = np.array([[-99, -99], [999, -99], [999, 999], [-99, 999.0]])
    assert Feather(wide, (0, 0), 500)(0, 300) is None


def test_the_still_sky_without_its_stars():
    light = np.full((40, 50), 7.0, np.float32)
    light[3, 4] = 900.0
    mesh = still_mesh(light, light > 100)
    assert mesh.shape == (3, 4)
    assert mesh.max() == 7.0
    mesh = np.arange(5, dtype=np.float32)[None, :] * 16 + np.zeros((4, 1), np.float32)
    assert StillSky(mesh, (10.5, 0.0), 40)(0, 2)[1, [0, 10, 20]].tolist() == [3.0, 13.0, 23.0]


def test_a_star_is_masked_and_a_nebula_is_not():
    y, x = np.mgrid[0:200, 0:240]
    nebula = 300.0 * np.exp(-0.5 * ((x - 60) ** 2 + (y - 100) ** 2) / 18.0**2)
    star = 200.0 * np.exp(-0.5 * ((x - 170) ** 2 + (y - 50) ** 2) / 1.1**2)
    stars = star_pixels((100.0 + nebula + star).astype(np.float32), 10.0, 2.6)
    assert stars[50, 170]
    assert not stars[40:160, 20:120].any()


def test_a_tilted_sky_is_levelled():
    places = np.array([[0, 0], [100, 0], [0, 100], [100, 100], [50, 50.0]])
    level = level_to(np.full(5, 100.0), 50.0 + 0.01 * places[:, 0], places, 2.0, 3.0, 100.0)
    assert np.allclose(level.plane, [0.0, 0.02, 0.0])
    assert level.sigma == 6.0


def test_pixels_taken_together():
    grid = tangent_grid(246.4, -24.2, 3.6, 0.0, (40, 60))
    small = binned(SolvedFrame.from_arrays(np.ones((40, 60)), grid.wcs), 4)
    assert small.data.shape == (10, 15)
    assert small.pixel_scale == pytest.approx(14.4, abs=1e-3)


def test_the_first_and_the_last_dot_have_their_hours():
    """However close the dots are, and whichever way they go."""
    for way in ((9.0, 2.0), (-9.0, 2.0), (1.0, -9.0)):
        places = [(300 + way[0] * i, 300 + way[1] * i, f"2027-05-04T{18 + i}:30:00") for i in range(6)]
        dots = [SimpleNamespace(x=x, y=y, time=time) for x, y, time in places]
        target = SimpleNamespace(size=20.0, at=lambda x, y: (x, y))
        scene = dots_scene(target, dots, 2.5, rings=False)
        around = {"blocked": scene.blocked, "avoid": scene.points()}
        placed = place_labels(scene.labels, (0, 0, 600, 600), lambda label: (54.0, 20.0), **around)
        assert {"18:30", "23:30"} <= {label.text for label, _, _ in placed}

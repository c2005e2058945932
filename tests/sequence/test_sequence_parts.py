"""Stacking, resampling, transfer and colour against figures from outside and against reproject."""

import os
import pickle
import re
import shutil
import zipfile
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from astropy.visualization import LuptonAsinhStretch
from reproject import reproject_interp
from skimage.color import rgb2lab

import appulse
from appulse.astrometry.psf import PSF, pixel_image
from appulse.astrometry.source_fit import fit_source
from appulse.astrometry.stamp import Noise
from appulse.errors import FrameError, InputError
from appulse.frames.masters import Masters
from appulse.registration.alignment import StarList
from appulse.registration.resampling import resample
from appulse.sequence.colour import Transfer, lrgb, transfer_for
from appulse.sequence.composite import over_base, take_dot
from appulse.sequence.parts import Parts
from appulse.sequence.sky_grid import grid_for, largest_rectangle, tangent_grid
from appulse.sequence.stack import Stack, combine
from appulse.sequence.subframe import demosaic, hot_pixels

TOL_BRIGHTNESS = 1e-3
TOL_LAB = 1e-3
RED_LAB = (53.2408, 80.0925, 67.2032)
"""sRGB red in CIE Lab, D65."""
ASINH = {1.0: 0.170471, 5.0: 0.378954, 50.0: 0.692703}
"""Lupton et al. 2004 as normalised in astropy, Q 8, stretch 5."""


def spot_image(shape=(300, 300), fwhm=2.8):
    rows, columns = np.indices(shape)
    image = np.zeros(shape)
    for x, y in ((120.3, 140.8), (170.6, 150.2), (150.0, 190.5)):
        image += np.exp(-4 * np.log(2) * ((columns - x) ** 2 + (rows - y) ** 2) / fwhm**2)
    return 1000.0 * image.astype(np.float32)


@pytest.mark.parametrize(("scale", "kernel"), [(3.0, "spline"), (3.4, "spline"), (6.0, "adaptive")])
def test_sums_are_kept_where_flux_is_asked(scale, kernel):
    source, image = tangent_grid(246.0, -24.0, 3.0, 27.0, (300, 300)), spot_image()
    grid = tangent_grid(246.0, -24.0, scale, 0.0, (int(220 * 3 / scale),) * 2)
    found = resample(image, source.wcs, grid, keep="flux", kernel=kernel)
    assert np.nansum(found) == pytest.approx(image.sum(), rel=TOL_BRIGHTNESS)


@pytest.mark.parametrize(("scale", "kernel"), [(3.0, "spline"), (2.2, "spline"), (6.0, "adaptive")])
def test_surface_brightness_is_kept(scale, kernel):
    source = tangent_grid(246.0, -24.0, 3.0, 27.0, (300, 300))
    plane = (100.0 + 0.1 * np.arange(300)[None, :] + np.zeros((300, 1))).astype(np.float32)
    grid = tangent_grid(246.0, -24.0, scale, 0.0, (int(200 * 3 / scale),) * 2)
    found = resample(plane, source.wcs, grid, kernel=kernel)
    x, _ = source.to_pixel(*grid.to_sky(*np.meshgrid(*(np.arange(n) for n in grid.shape[::-1]))))
    good = np.isfinite(found)
    assert good.mean() > 0.9
    np.testing.assert_allclose(found[good], 100.0 + 0.1 * x[good], rtol=TOL_BRIGHTNESS)


def test_the_map_is_reprojects_own():
    source = tangent_grid(246.0, -24.0, 3.0, 201.0, (200, 260))
    plane = np.indices((200, 260)).sum(axis=0).astype(np.float32)
    grid = tangent_grid(246.02, -24.01, 3.1, 0.0, (150, 150))
    theirs, _ = reproject_interp((plane, source.wcs), grid.wcs, shape_out=grid.shape, order="bilinear")
    mine = resample(plane, source.wcs, grid)
    x, y = source.to_pixel(*grid.to_sky(*np.meshgrid(np.arange(150.0), np.arange(150.0))))
    # A spline feels the frame's edge over some pixels, a straight line between two pixels does not.
    both = np.isfinite(mine) & np.isfinite(theirs) & (x > 12) & (x < 247) & (y > 12) & (y < 187)
    assert both.sum() > 15_000
    assert np.abs(mine - theirs)[both].max() < 2e-3


def test_a_bright_star_has_no_dark_ring():
    source = tangent_grid(246.0, -24.0, 3.0, 27.0, (80, 80))
    plane = np.full((80, 80), 100.0, np.float32) + np.random.default_rng(1).normal(0, 1, (80, 80)).astype(
        "f4"
    )
    plane[38:42, 38:42] = 60_000.0
    found = resample(plane, source.wcs, tangent_grid(246.0, -24.0, 3.0, 0.0, (60, 60)))
    assert np.nanmin(found) > 90.0


def test_blank_pixels_stay_blank_and_do_not_spread():
    source = tangent_grid(246.0, -24.0, 3.0, 10.0, (90, 90))
    plane = np.full((90, 90), 5.0, np.float32)
    plane[45, 45] = np.nan
    found = resample(plane, source.wcs, tangent_grid(246.0, -24.0, 3.0, 0.0, (50, 50)))
    assert 0 < np.isnan(found).sum() < 5
    np.testing.assert_allclose(found[np.isfinite(found)], 5.0, rtol=1e-5)


def plain(n, clip=(4.0, 3.0)):
    ones = np.ones(n, np.float32)
    return ones, ones, ones, ones * np.inf, None, 0.0, clip


def test_noise_falls_with_the_root_of_the_number():
    values = np.random.default_rng(4).normal(0, 1, (16, 60, 60)).astype(np.float32)
    mean, noise, count, rejected = combine(values, *plain(16, (6.0, 6.0)))
    assert mean.std() == pytest.approx(0.25, rel=0.05)
    assert noise.mean() == pytest.approx(0.25, rel=0.01)
    assert (count == 16).all()
    assert rejected == 0


def test_clipping_agrees_with_astropy():
    from astropy.stats import sigma_clip

    values = np.random.default_rng(5).normal(0, 1, (25, 20, 20)).astype(np.float32)
    values[3, 5, 5] = values[7, 9, 2] = 40.0
    theirs = sigma_clip(
        values, sigma=6, maxiters=1, axis=0, cenfunc="median", stdfunc=lambda v, axis: 1.0
    ).mean(axis=0)
    mean, *_ = combine(values.copy(), *plain(25, (6.0, 6.0)))
    np.testing.assert_allclose(mean, np.asarray(theirs), atol=1e-5)


def test_a_pixel_without_any_frame_is_blank():
    values = np.full((4, 1, 2), np.nan, np.float32)
    values[:, 0, 0] = 3.0
    mean, noise, count, _ = combine(values, *plain(4))
    assert mean[0, 0] == 3.0
    assert np.isnan(mean[0, 1])
    assert np.isnan(noise[0, 1])
    assert count.tolist() == [[4, 0]]


@pytest.mark.parametrize("light", sorted(ASINH))
def test_asinh_against_the_published_form(light):
    transfer = Transfer((0.0,), 5.0)
    assert float(transfer.unclipped(np.array(light))) == pytest.approx(ASINH[light], abs=1e-6)
    theirs = LuptonAsinhStretch(stretch=5, Q=8)(np.array([light]), clip=False)
    assert float(transfer.unclipped(np.array(light))) == pytest.approx(float(theirs[0]), abs=1e-9)


def test_lab_of_red():
    red = np.zeros((1, 1, 3))
    red[..., 0] = 1.0
    np.testing.assert_allclose(rgb2lab(red)[0, 0], RED_LAB, atol=TOL_LAB)


def test_lrgb_replaces_lightness_and_keeps_colour():
    colour = np.full((3, 4, 4), 0.5)
    colour[0] = 0.6
    before = rgb2lab(np.moveaxis(colour, 0, -1))
    after = rgb2lab(np.moveaxis(lrgb(np.full((4, 4), 0.6), colour), 0, -1))
    grey = rgb2lab(np.full((1, 1, 3), 0.6))[0, 0, 0]
    np.testing.assert_allclose(after[..., 0], grey, atol=0.05)
    np.testing.assert_allclose(after[..., 1:], before[..., 1:], atol=0.1)


def test_hue_of_a_bright_colour_survives_the_transfer():
    planes = np.stack([np.full((2, 2), v) for v in (9e5, 3e5, 1e5)])
    shown = Transfer((0.0, 0.0, 0.0), 10.0).apply(planes)
    np.testing.assert_allclose(shown[:, 0, 0] / shown[0, 0, 0], [1.0, 1 / 3, 1 / 9], rtol=1e-5)


def test_a_blank_picture_is_told():
    with pytest.raises(FrameError, match="finite"):
        transfer_for(np.full((1, 30, 30), np.nan))


def dot_of(extra=0.0, noise=1.0, flux=400.0, blank=None):
    random = np.random.default_rng(9)
    base = np.zeros((1, 80, 80), np.float32)
    rows, columns = np.indices((80, 80))
    star = 900.0 * np.exp(-((columns - 46) ** 2 + (rows - 40) ** 2) / 2.4)
    base[0] = star
    body = flux * np.exp(-((columns - 40) ** 2 + (rows - 40) ** 2) / 2.4)
    frame = (star + body + extra + random.normal(0, noise, (80, 80))).astype(np.float32)
    if blank is not None:
        frame[blank] = np.nan
    trail = np.array([[40.0, 40.0], [40.2, 40.0]])
    planes = [lambda x0, y0, x1, y1: frame[y0:y1, x0:x1]]
    return base, take_dot("f", "2027-05-04T20:00:00", planes, base, (40.0, 40.0), trail, 2.6, noise), body


def test_a_dot_has_no_seam_and_no_second_star():
    base, dot, body = dot_of(extra=25.0)
    laid = over_base(base, [dot])[0] - base[0]
    # The star beside it, already in the base, is not added once more.
    assert abs(laid[40, 46]) < 5.0
    # The local background is matched: nothing of the frame's 25 units more is left.
    away = np.hypot(*(np.indices((80, 80)) - 40))
    assert np.abs(laid[away > 6]).max() < 2.0
    assert laid[40, 40] == pytest.approx(body[40, 40], rel=0.02)


def test_a_blank_pixel_beside_the_body_spoils_no_dot():
    _, whole, _ = dot_of()
    _, dot, _ = dot_of(blank=(44, 37))
    assert dot.used
    assert dot.snr == pytest.approx(whole.snr, rel=0.05)
    assert np.isfinite(dot.light).all()


def test_a_dot_has_the_signal_to_noise_of_a_fit():
    random = np.random.default_rng(4)
    psf, gain, noise = PSF.round(2.6), 1.5, 4.0
    rows, columns = np.indices((80, 80))
    trail = np.array([[40.2, 39.7], [40.2, 39.7]])
    image = pixel_image(psf, 40.2, 39.7, columns.ravel(), rows.ravel())[0].reshape(80, 80)
    for flux in (800.0, 2e5):
        frame = random.poisson(image * flux * gain) / gain + random.normal(0, noise, (80, 80))
        fit = fit_source(frame, 40.2, 39.7, psf, Noise(gain))
        planes = [lambda x0, y0, x1, y1, frame=frame: frame[y0:y1, x0:x1].astype(np.float32)]
        base = np.zeros((1, 80, 80), np.float32)
        dot = take_dot("f", "t", planes, base, (40.2, 39.7), trail, 2.6, noise, gain_e=gain)
        # The sky's noise alone gave the brighter one 4 times as much.
        assert dot.snr == pytest.approx(fit.snr, rel=0.15)


def test_a_body_that_does_not_show_is_not_laid():
    _, dot, _ = dot_of(flux=0.0)
    assert not dot.used
    assert "does not show" in dot.reason


def test_a_body_off_the_picture_is_told():
    base = np.zeros((1, 50, 50), np.float32)
    trail = np.array([[200.0, 10.0], [201.0, 10.0]])
    assert "off the picture" in take_dot("f", "t", [], base, (200.0, 10.0), trail, 2.5, 1.0).reason


def test_no_common_sky_is_told():
    grid = tangent_grid(246.0, -24.0, 3.0, 0.0, (100, 100))
    from appulse.frames.frame import SolvedFrame

    frame = SolvedFrame.from_arrays(np.zeros((100, 100)), grid.wcs)
    apart = [frame.footprint, frame.footprint + np.array([0.2, 0.0])]
    with pytest.raises(InputError, match="no part of the sky"):
        grid_for(frame, apart)


def test_largest_rectangle_of_nothing():
    assert largest_rectangle(np.zeros((3, 3), bool)) is None


def test_masters_of_another_size_are_told():
    masters = Masters(dark=np.zeros((4, 4), np.float32))
    with pytest.raises(InputError, match="4 x 4"):
        masters.apply(np.zeros((5, 5), np.float32), 1.0)


@pytest.mark.parametrize("fwhm", [1.7, 2.5, 4.0])
def test_no_star_is_taken_for_a_hot_pixel(fwhm):
    random = np.random.default_rng(8)
    rows, columns = np.indices((200, 200))
    image = random.normal(100.0, 3.0, (200, 200))
    for y in range(15, 190, 20):
        for x in range(15, 190, 20):
            light = 60.0 * 1.06 ** (x / 2 + y / 4)
            image += light * np.exp(-4 * np.log(2) * ((columns - x) ** 2 + (rows - y) ** 2) / fwhm**2)
    assert len(hot_pixels(image, 100.0, 3.0)[0]) == 0
    image[100, 5] += 300.0
    rows, columns = hot_pixels(image, 100.0, 3.0)
    assert (rows.tolist(), columns.tolist()) == ([100], [5])


def test_mosaic_of_an_unknown_pattern_is_told():
    with pytest.raises(InputError, match="CYYM"):
        demosaic(np.zeros((4, 4)), "CYYM")


def test_a_full_disk_leaves_no_half_files(tmp_path, monkeypatch):
    parts = Parts(tmp_path / "parts")

    def full(stream):
        stream.write(b"some")
        raise OSError(28, "No space left on device")

    with pytest.raises(InputError, match="No space left on device; make room"):
        parts._keep(parts.folder / "a.f32", full)
    assert list(parts.folder.iterdir()) == []
    monkeypatch.setattr(shutil, "disk_usage", lambda path: SimpleNamespace(free=1000))
    with pytest.raises(InputError, match=r"take 2 kB .* 1 kB are free; make room"):
        parts.check_room([("aligned", "k", (20, 20))])
    parts.check_room([("aligned", "k", (10, 20))])


def test_a_plane_that_is_there_needs_no_room(tmp_path, monkeypatch):
    parts = Parts(tmp_path / "parts")
    parts.plane("aligned", "k", (20, 20), lambda: np.zeros((20, 20)))
    monkeypatch.setattr(shutil, "disk_usage", lambda path: SimpleNamespace(free=10))
    parts.check_room([("aligned", "k", (20, 20))])


def test_a_parts_folder_that_cannot_be_made_is_told(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(InputError, match="cannot be made"):
        Parts(tmp_path / "file" / "parts").record("stars", "k", dict, dict)


def a_stack(value=1.0):
    plane = np.full((4, 5), value, np.float32)
    return Stack(plane, plane / 3, np.full((4, 5), 2, np.int16), 0.125)


def same_stack(one, other):
    assert one.rejected == other.rejected
    for name in ("data", "noise", "count"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name), strict=True)


def test_a_record_comes_back_as_it_was(tmp_path):
    parts, made = Parts(tmp_path), a_stack()
    same_stack(parts.record("base", "k", Stack, lambda: made), made)
    same_stack(parts.record("base", "k", Stack, lambda: pytest.fail("it is there")), made)
    stars = StarList(
        *(np.arange(3.0) + i for i in range(5)), np.ones((3, 2)), np.float32(2.5), 0.1, np.float64(9.7),
        np.nan, np.ones((2, 2)), np.ones((2, 2)), 64, 3, ("one", "two"),
    )  # fmt: skip
    parts.record("stars", "k", StarList, lambda: stars)
    found = parts.record("stars", "k", StarList, lambda: pytest.fail("it is there"))
    assert (type(found.fwhm), type(found.sky), type(found.box)) == (np.float32, np.float64, int)
    assert (found.sky, found.box, found.notes) == (9.7, 64, ("one", "two"))
    assert np.isnan(found.sky_sigma)


class Planted:
    """What a part of somebody else would run when it is read as a pickle."""

    def __init__(self, mark):
        self.mark = mark

    def __reduce__(self):
        return os.mkdir, (str(self.mark),)


def planted(folder, key, kind):
    """A file in the place of a record, and what it is to have done if it ran."""
    mark, path = folder / f"ran-{kind}", folder / f"base-{key}"
    if kind == "pickle":
        for suffix in (".part", ".npz"):
            path.with_suffix(suffix).write_bytes(pickle.dumps(Planted(mark)))
    elif kind == "objects":
        np.savez(path.with_suffix(".npz"), header=np.array([Planted(mark)], dtype=object))
    elif kind == "bomb":
        with zipfile.ZipFile(path.with_suffix(".npz"), "w", zipfile.ZIP_DEFLATED) as members:
            members.writestr("header.npy", b"\0" * 10_000_000)
    elif kind == "pipe":
        os.mkfifo(path.with_suffix(".npz"))
    elif kind == "truncated":
        Parts(folder).record("base", key, Stack, a_stack)
        whole = path.with_suffix(".npz").read_bytes()
        path.with_suffix(".npz").write_bytes(whole[:-200])
    elif kind == "another key":
        Parts(folder).record("base", "other", Stack, lambda: a_stack(7.0))
        (folder / "base-other.npz").rename(path.with_suffix(".npz"))
    else:
        grown = replace(a_stack(), data=np.ones((9, 9), np.float32))
        Parts(folder).record("base", key, Stack, lambda: grown)
    return mark


@pytest.mark.parametrize(
    "kind", ["pickle", "objects", "bomb", "pipe", "truncated", "another key", "another shape"]
)
def test_a_planted_part_is_neither_run_nor_believed(tmp_path, kind):
    mark, wanted = planted(tmp_path, "k", kind), a_stack(2.0)
    found = Parts(tmp_path).record("base", "k", Stack, lambda: wanted, lambda s: s.data.shape == (4, 5))
    same_stack(found, wanted)
    assert not mark.exists()
    same_stack(Parts(tmp_path).record("base", "k", Stack, lambda: pytest.fail("made anew")), wanted)


def test_nothing_is_unpickled_that_lay_in_a_file():
    # A pool of workers speaks to the processes that it began itself, over their own pipes.
    pool = "workers.py"
    sources = Path(appulse.__file__).parents[1]
    knows = re.compile(r"^\s*(?:import|from)\s+(?:pickle|shelve|marshal)\b|allow_pickle=True", re.MULTILINE)
    knowing = [p.name for p in sources.rglob("*.py") if knows.search(p.read_text(encoding="utf-8"))]
    assert set(knowing) <= {pool}

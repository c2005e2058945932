"""The quick ways through a frame against the plain ones: sky boxes, the limit of detection, strips."""

import numpy as np
import pytest
from scipy import ndimage
from scipy.spatial import cKDTree

from appulse.astrometry import detection
from appulse.astrometry.sky import _box_sky, _samples, pixel_noise, sky_mesh
from appulse.errors import MeasurementError
from appulse.frames import read_frame
from appulse.registration import Mended, filled
from invented_frames import add_point
from invented_nights import NightPlan, make_night, nebula_image

SHAPE = (310, 437)
"""Of no whole number of boxes."""


@pytest.fixture(scope="module")
def frame():
    """A steep nebula, 60 stars, a bad column, a block without data, infinities."""
    rng = np.random.default_rng(12)
    rows, columns = np.indices(SHAPE)
    canvas = 300.0 + 900.0 * np.exp(-((columns - 330) ** 2 + (rows - 60) ** 2) / 2 / 70.0**2) + 0.5 * rows
    for x, y in rng.uniform(5, np.array(SHAPE[::-1]) - 6, (60, 2)):
        add_point(canvas, x, y, 10 ** rng.uniform(2.5, 4.5), 2.8)
    data = rng.poisson(canvas).astype(np.float32)
    data[:, 100] = np.nan
    data[200:260, 10:60] = np.nan
    data[5, 5:40] = np.inf
    data[6, 5:40] = -np.inf
    return data


def plain_box(values):
    """Median and scatter of the lower half, clipped five times, written out."""
    values = np.sort(values[np.isfinite(values)].astype(float))
    if len(values) < 30:
        return np.nan, np.nan
    kept = values
    for _ in range(5):
        middle = np.median(kept)
        lower = kept[: (len(kept) + 1) // 2]
        sigma = np.sqrt(np.mean((lower - middle) ** 2))
        again = values[(values >= middle - 3.5 * sigma) & (values <= middle + 2.5 * sigma)]
        if len(again) == len(kept):
            break
        kept = again
    return middle, sigma


def test_sky_of_boxes_is_the_plain_one(frame):
    values = _samples(frame.__getitem__, SHAPE, 64, 5, 7, 2)
    wanted = np.array([plain_box(row) for row in values])
    level, sigma = _box_sky(values.copy())
    np.testing.assert_allclose(level, wanted[:, 0], rtol=1e-6)
    np.testing.assert_allclose(sigma, wanted[:, 1], rtol=1e-4)


def test_every_pixel_of_a_small_frame_is_in_a_box(frame):
    assert np.isfinite(_samples(frame.__getitem__, SHAPE, 16, 19, 27, 1)).sum() == np.isfinite(frame).sum()


def test_limit_by_boxes_is_the_limit_by_pixels(frame):
    sky = sky_mesh(frame)
    smooth = np.where(np.isfinite(frame), frame, 0.0)
    for low, high in ((0, 310), (0, 90), (130, 250), (285, 310)):
        limit = sky.rows(low, high) + 2.0 * sky.rows(low, high, "sigma")
        wanted = np.argwhere(smooth[low:high] > limit)
        found = np.stack(detection._above(smooth[low:high], sky, 2.0, low), axis=1)
        assert len(wanted) > 100
        # Only pixels that lie on the limit itself, to single precision, may be counted otherwise.
        other = np.array(sorted(set(map(tuple, found)) ^ set(map(tuple, wanted))), int).reshape(-1, 2)
        assert len(other) <= 3
        y, x = other.T
        np.testing.assert_allclose(smooth[low + y, x], limit[y, x], rtol=1e-6)


def test_sources_do_not_depend_on_the_strips(frame, monkeypatch):
    whole = detection.detect_stars(frame)
    monkeypatch.setattr(detection, "STRIP_ROWS", 37)
    pieces = detection.detect_stars(frame)
    assert len(whole) > 30
    for name in ("x", "y", "flux", "snr", "peak"):
        np.testing.assert_allclose(pieces[name], whole[name], rtol=1e-5)


def test_half_of_an_interlaced_frame_is_enough():
    frame = np.random.default_rng(3).normal(100.0, 3.0, (400, 600))
    frame[::2] = np.nan
    level, sigma = sky_mesh(frame).typical
    assert level == pytest.approx(100.0, abs=0.3)
    assert sigma == pytest.approx(3.0, abs=0.3)


@pytest.mark.parametrize("value", [0.0, 65_535.0])
def test_a_frame_without_any_light_and_one_full_of_it_are_told(value):
    with pytest.raises(MeasurementError, match="alike"):
        sky_mesh(np.full((300, 300), value))


def test_a_nebula_is_no_noise_of_pixels():
    plan = NightPlan(shape=(240, 260), fwhm_px=3.0)
    nebula = 300.0 * nebula_image(plan, np.random.default_rng(3))
    data = np.random.default_rng(4).normal(100.0, 6.0, plan.shape) + nebula
    mesh = sky_mesh(data)
    noise = pixel_noise(data, mesh)
    assert mesh.typical[1] > 12.0
    assert noise.typical[1] == pytest.approx(6.0, rel=0.1)
    assert noise.typical[0] == mesh.typical[0]
    resampled = 0.5 * (data[:, 1:] + data[:, :-1])  # neighbours share their noise
    shared = pixel_noise(resampled, sky_mesh(resampled)).typical[1]
    assert shared == pytest.approx(6.0 / np.sqrt(2), rel=0.12)


@pytest.mark.parametrize("mosaic", [False, True])
def test_the_filter_in_pieces_is_the_plain_one(frame, mosaic):
    # scipy.ndimage is the other library here.
    sky, band = sky_mesh(frame), detection.BandPass(1.3, mosaic=mosaic)
    light = np.where(np.isfinite(frame), frame - sky.rows(0, SHAPE[0]), np.float32(0.0))
    smooth = ndimage.gaussian_filter(light, band.sigma, mode="nearest", truncate=detection.TRUNCATE)
    if mosaic:
        for axis in (0, 1):
            smooth = ndimage.convolve1d(smooth, [0.25, 0.5, 0.25], axis, mode="nearest")
    wide = smooth
    for _ in range(2):
        wide = ndimage.uniform_filter(wide, band.side, mode="nearest")
    # One filter after another goes over an edge twice: of a mosaic the middle is compared.
    middle = slice(band.pad, -band.pad) if mosaic else slice(None)
    for rows in (slice(120, 200),) if mosaic else (slice(0, 310), slice(120, 200), slice(300, 310)):
        found = band.rows(light, rows)
        np.testing.assert_allclose(found[:, middle], (smooth - wide)[rows, middle], atol=2e-3)


def test_mended_pixels_are_those_of_a_filled_frame(frame):
    sky = sky_mesh(frame)
    bad = ~np.isfinite(frame)
    bad[70:74, 90:95] = True
    light = np.asarray(frame - sky.rows(0, SHAPE[0]), np.float32)
    mended = Mended.of(light, bad, lambda x, y: 0.0)
    whole = detection.detect_stars(filled(light, bad, lambda x, y: 0.0), sky=sky, above_sky=True)
    mended = detection.detect_stars(light, sky=sky, above_sky=True, mended=mended)
    assert len(whole) == len(mended) > 30
    for name in whole.colnames:
        np.testing.assert_array_equal(mended[name], whole[name])


def test_scatter_is_nowhere_below_what_is_said_to_be_the_least(frame):
    sky = sky_mesh(frame)
    for first, last in ((0, 64), (150, 151), (250, 310)):
        scatter, least = sky.rows(first, last, "sigma"), sky.least(first, last, "sigma")
        assert (scatter >= least * (1 - 1e-6)).all()
        assert least.mean() > 0.5 * scatter.min(axis=0).mean()


def test_a_part_of_a_large_frame_tells_the_width_of_its_stars(tmp_path, monkeypatch):
    night = make_night(NightPlan(seed=8, frames=1, stars=900, hot_share=0.001), tmp_path)
    whole = detection.survey_frame(read_frame(night.frames[0]))
    strips, plain = [], detection.detect_stars

    def noted(*given, every=1, **more):
        strips.append(every)
        return plain(*given, every=every, **more)

    monkeypatch.setattr(detection, "detect_stars", noted)
    monkeypatch.setattr(detection, "STRIP_ROWS", 30)
    monkeypatch.setattr(detection, "ENOUGH_PIXELS", 6e4)
    monkeypatch.setattr(detection, "ENOUGH_STARS", 20)
    part = detection.survey_frame(read_frame(night.frames[0]))
    assert strips == [3, 1]
    assert part.psf.fwhm == pytest.approx(whole.psf.fwhm, rel=1e-2)
    assert np.mean(part.bad_kinds != whole.bad_kinds) < 1e-4
    # The filter is a hair narrower or wider: only what just reaches the limit may differ.
    clear = whole.sources[whole.sources["snr"] > 7.0]
    places = np.column_stack([part.sources["x"], part.sources["y"]])
    away, which = cKDTree(places).query(np.column_stack([clear["x"], clear["y"]]))
    assert len(clear) > 100
    assert away.max() < 0.2
    np.testing.assert_allclose(part.sources["snr"][which], clear["snr"], rtol=0.1)

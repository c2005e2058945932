"""Pictures: an overlay lies on the pixel it speaks of, words do not cover each other."""

import io
from types import SimpleNamespace

import numpy as np
import pytest
from astropy.time import Time
from astropy.wcs import WCS
from PIL import Image

from appulse.catalogues.deepsky import Outline, ellipse_ring
from appulse.errors import FrameError, InputError, OutputExistsError
from appulse.formats.residual_table import make_table
from appulse.frames.exposure import Exposure
from appulse.frames.frame import SolvedFrame
from appulse.overlays.track import MidPlace
from appulse.reports.picture import annotated_png, frame_picture, frame_pixels, to_png

TOL_ROUNDING_PX = 0.51
"""A drawn centre may lie half a device pixel off: places are not rounded before they are drawn."""


def frame(shape=(240, 320), mirrored=False, angle=0.0, spots=(), colour=False):
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    wcs.wcs.cd = 0.001 * np.array([[-c, s], [s, c]]) @ np.diag([-1.0 if mirrored else 1.0, 1.0])
    wcs.wcs.crval, wcs.wcs.crpix = [246.35, -24.47], [shape[1] / 2 + 0.5, shape[0] / 2 + 0.5]
    data = np.random.default_rng(3).normal(100.0, 2.0, shape)
    for x, y in spots:
        data[y, x] = 10_000.0
    exposure = Exposure.from_mid(Time("2027-05-04T22:36:00"), 120.0)
    if colour:
        data = np.stack([data, data * 2.0, data * 0.5])
    return SolvedFrame.from_arrays(data, wcs, exposure, label="memory frame")


def track(x, y, **changes):
    """What a picture needs of a track: a line, ticks, a place."""
    x, y = np.asarray(x, float), np.asarray(y, float)
    ticks = [
        SimpleNamespace(x=a, y=b, label=f"{i:02d}:00", angle=90.0)
        for i, (a, b) in enumerate(zip(x, y, strict=True))
    ]
    mid = MidPlace(Time("2027-05-04T22:36:00"), 246.0, -24.0, x.mean(), y.mean(), 6.0, 3.0, 20.0)
    values = {
        "designation": "7", "name": "(7)", "x": x, "y": y, "ticks": ticks, "mid": mid, "mag": 10.0,
        "trail_parts": (np.array([[x.mean() - 2, y.mean()], [x.mean() + 2, y.mean()]]),),
    }  # fmt: skip
    return SimpleNamespace(**(values | changes))


def pixels(canvas):
    image = np.asarray(Image.open(io.BytesIO(to_png(canvas.figure))).convert("RGB"), dtype=float)
    return image[::-1]


def remove_what_is_painted(canvas):
    for artist in [*canvas.figure.texts, *canvas.figure.artists]:
        if artist.get_zorder() > 0:
            artist.remove()


def bright_centre(image, canvas, colour=None):
    """Mean place, device pixels from the lower left, of what is white in the frame's part."""
    area = image[canvas.strip :]
    rows, columns = np.nonzero((area > 250).all(axis=2))
    return columns.mean() + 0.5, rows.mean() + canvas.strip + 0.5


# --- a frame pixel is drawn where device() says, in every scale


@pytest.mark.parametrize(("shape", "longest", "scale"), [
    ((240, 320), 1800, 3.0), ((240, 320), 320, 1.0), ((480, 641), 320, 1 / 3), ((240, 320), 1000, 3.0),
])  # fmt: skip
def test_a_bright_pixel_is_drawn_where_overlays_are(shape, longest, scale):
    x, y = (300, 37)
    world = frame(shape, spots=[(x, y)])
    canvas = frame_picture(world, longest_px=longest)
    assert canvas.scale == pytest.approx(scale)
    remove_what_is_painted(canvas)
    found = bright_centre(pixels(canvas), canvas)
    step = max(1, round(1 / scale))
    expected = canvas.target.at(x // step * step + (step - 1) / 2, y // step * step + (step - 1) / 2)
    np.testing.assert_allclose(found, expected, atol=1e-9)


@pytest.mark.parametrize("longest", [320, 1800])
def test_matplotlib_puts_data_where_the_scene_does(longest):
    canvas = frame_picture(frame(), longest_px=longest)
    places = np.array([[0.0, 0.0], [319.0, 239.0], [100.25, 7.5]])
    total = canvas.height + canvas.strip
    axes = canvas.figure.add_axes((0.0, canvas.strip / total, 1.0, canvas.height / total))
    axes.set(xlim=(-0.5, 319.5), ylim=(-0.5, 239.5))
    by_matplotlib = axes.transData.transform(places)
    np.testing.assert_allclose(by_matplotlib, canvas.target.at(*places.T), atol=1e-6)


def test_a_ring_is_drawn_around_the_measured_pixel():
    world = frame(shape=(600, 800))
    rows = make_table([{"frame": "memory frame", "designation": "7", "x": 500.0, "y": 123.0}])
    canvas, bare = frame_picture(world, residuals=rows), frame_picture(world)
    for text in list(canvas.figure.texts):
        text.remove()
    for text in list(bare.figure.texts):
        text.remove()
    changed = np.abs(pixels(canvas) - pixels(bare)).sum(axis=2) > 30
    rows_, columns = np.nonzero(changed)
    centre = ((columns.min() + columns.max() + 1) / 2, (rows_.min() + rows_.max() + 1) / 2)
    np.testing.assert_allclose(centre, canvas.target.at(500.0, 123.0), atol=TOL_ROUNDING_PX)


def test_rows_count_upwards():
    canvas = frame_picture(frame(spots=[(160, 5)]))
    remove_what_is_painted(canvas)
    assert bright_centre(pixels(canvas), canvas)[1] < canvas.strip + canvas.height / 4


@pytest.mark.parametrize(("mirrored", "angle"), [(False, 0.0), (True, 0.0), (False, 90.0), (True, 200.0)])
def test_the_compass_points_as_the_sky_does(mirrored, angle):
    world = frame(mirrored=mirrored, angle=angle)
    canvas = frame_picture(world)
    letters = {t.get_text(): np.array(t.get_position()) for t in canvas.figure.texts if t.get_text() in "NE"}
    ra, dec = world.centre
    x0, y0 = world.to_pixel(ra, dec)
    x1, y1 = world.to_pixel(ra, dec + 0.01)
    x2, y2 = world.to_pixel(ra + 0.01, dec)
    to_north, to_east = np.array([x1 - x0, y1 - y0]), np.array([x2 - x0, y2 - y0])
    seen = letters["N"] - letters["E"]
    expected = to_north / np.hypot(*to_north) - to_east / np.hypot(*to_east)
    np.testing.assert_allclose(seen / np.hypot(*seen), expected / np.hypot(*expected), atol=2e-3)


# --- words


def crowded():
    ring = ellipse_ring(246.35, -24.47, 10.0, 6.0, 30.0)
    outlines = [
        Outline(f"object {i}", "ellipse", 246.35, -24.47, 10.0, 6.0, 30.0, (ring,), "reflection nebula")
        for i in range(3)
    ]
    tracks = [track(np.linspace(100, 200, 9), np.full(9, 110.0 + 6 * i), name=f"({i})") for i in range(4)]
    return tracks, outlines


def test_no_word_covers_another_nor_leaves_the_picture():
    tracks, outlines = crowded()
    canvas = frame_picture(frame(), tracks=tracks, outlines=outlines)
    boxes = [box for _, box, _ in canvas.placed]
    assert len(boxes) >= 7
    for i, a in enumerate(boxes):
        assert a[0] >= 0
        assert a[2] <= canvas.width
        assert a[1] >= canvas.strip
        for b in boxes[:i]:
            apart = a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
            assert apart, (a, b)


def test_every_body_and_object_is_named():
    tracks, outlines = crowded()
    canvas = frame_picture(frame(), tracks=tracks, outlines=outlines)
    words = " ".join(text for text in (label.text for label, *_ in canvas.placed))
    for name in ("(0)", "(3)", "object 0", "object 2"):
        assert name in words


def test_letters_are_legible_at_every_size():
    for shape in ((60, 80), (240, 320), (3000, 4000)):
        canvas = frame_picture(frame(shape))
        assert canvas.size_px >= 12.0
        assert 0.01 < canvas.size_px / max(canvas.width, canvas.height) < 0.05


def test_no_line_of_the_caption_is_cut():
    canvas = frame_picture(frame(), title="an object of many names " * 6)
    canvas.caption(["(7) Iris", "long words for a small frame " * 6], "")
    for text in canvas.figure.texts:
        box = text.get_window_extent()
        assert box.x0 >= 0
        assert box.x1 <= canvas.width


def test_odd_names_are_drawn_as_they_are():
    assert annotated_png(frame(), tracks=[track([50, 90], [60, 70], name="$x_{2}$ <b> & \\frac")]).startswith(
        b"\x89PNG"
    )


# --- frames of all kinds


def test_colour_and_blank_pixels():
    world = frame(colour=True)
    world.colour[:, :40, :40] = np.nan
    image = pixels(frame_picture(world))
    assert image.std() > 1.0


def test_a_frame_without_a_number_is_refused():
    world = frame()
    world.data[:] = np.nan
    with pytest.raises(FrameError, match="no pixel"):
        annotated_png(world)


def test_a_flat_frame_is_drawn():
    world = frame()
    world.data[:] = 7.0
    assert annotated_png(world).startswith(b"\x89PNG")


@pytest.mark.parametrize("size", [10, 10**6])
def test_sizes_out_of_range_are_refused(size):
    with pytest.raises(InputError, match="200 to 20000"):
        annotated_png(frame(), longest_px=size)


def test_the_same_frame_gives_the_same_bytes_and_keeps_files(tmp_path):
    assert annotated_png(frame()) == annotated_png(frame())
    path = annotated_png(frame(), tmp_path / "a.png")
    with pytest.raises(OutputExistsError):
        annotated_png(frame(), path)


def test_rows_of_other_frames_are_not_drawn():
    rows = make_table([{"frame": "another", "designation": "7", "x": 10.0, "y": 20.0}])
    assert annotated_png(frame(), residuals=rows) == annotated_png(frame())


def test_dots_stand_out_of_a_nebula():
    """Ten of them on a hill of light: white, and the hill a middle grey, whether they are faint or bright."""
    y, x = np.mgrid[:300, :400]
    sky = np.random.default_rng(4).normal(100.0, 1.0, (300, 400))
    sky += 60.0 * np.exp(-(((x - 200) / 90) ** 2) - ((y - 150) / 90) ** 2)
    wcs = WCS(naxis=2)
    wcs.wcs.ctype, wcs.wcs.crval = ["RA---TAN", "DEC--TAN"], [246.35, -24.47]
    wcs.wcs.cdelt, wcs.wcs.crpix = [-0.001, 0.001], [200.5, 150.5]
    places = [(150 + 10 * k, 150) for k in range(10)]
    for light in (40.0, 4000.0):
        pixels = sky.copy()
        for column, row in places:
            pixels[row, column] += light
        shown = frame_pixels(SolvedFrame.from_arrays(pixels, wcs), standing_out=places)[..., 0].astype(float)
        dots = np.array([shown[row, column] for column, row in places])
        assert dots.min() > np.median(shown[140:148, 150:250]) + 40.0
        assert 60.0 < np.median(shown[140:148, 150:250]) < 215.0

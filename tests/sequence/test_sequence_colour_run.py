"""A colour camera's raw mosaics through a whole run; the animation's canvas against the composite."""

import numpy as np
import pytest
from astropy.io import fits
from PIL import Image

from appulse.frames.reading import read_frame
from appulse.sequence.animate import AnimationCanvas
from appulse.sequence.colour import Transfer
from appulse.sequence.composite import Dot, Look, composite
from appulse.sequence.picture_files import to_8bit
from appulse.sequence.picture_job import PictureJob, PictureSettings
from appulse.sequence.run import preview, run
from appulse.sequence.subframe import subframe_of

TOL_ALIGN_PX = 0.15
"""Frames of 300 x 360 px with some forty stars; a mosaic sees each colour in every other pixel."""
FACTORS = {"R": 0.7, "G": 1.0, "B": 0.8}


@pytest.fixture(scope="module")
def mosaics(invented_night, tmp_path_factory):
    """Three frames of the night as a camera with filters on its pixels writes them, with hot pixels."""
    folder, paths = tmp_path_factory.mktemp("mosaics"), []
    random = np.random.default_rng(5)
    hot = random.integers(8, 290, (40, 2))
    for path in invented_night.paths[:3]:
        with fits.open(path) as hdus:
            data, header = hdus[0].data.copy(), hdus[0].header.copy()
        for index, letter in enumerate("RGGB"):
            data[index // 2 :: 2, index % 2 :: 2] *= FACTORS[letter]
        data[hot[:, 0], hot[:, 1]] += 20_000.0
        header["BAYERPAT"] = "RGGB"
        paths.append(folder / path.name)
        fits.writeto(paths[-1], data, header)
    return paths, invented_night.places[:3]


def job_of(mosaics, out):
    settings = PictureSettings(longest_px=200)
    subframes = [
        subframe_of(read_frame(path), place, None, settings) for path, place in zip(*mosaics, strict=True)
    ]
    return PictureJob("body", subframes, settings, out, workers=2)


def test_mosaics_make_a_colour_picture(mosaics, tmp_path):
    result = run(job_of(mosaics, tmp_path))
    assert len(result.night.kept) == 3
    assert max(subframe.alignment.rms_px for subframe in result.night.kept) < TOL_ALIGN_PX
    base = fits.getdata(tmp_path / "base.fits")
    assert base.shape[0] == 3
    assert np.isfinite(base).all()
    # Hot pixels are filled from the other frames: none is left in any colour.
    assert base.max() < 20_000.0
    assert fits.getdata(tmp_path / "tracked.fits").shape == base.shape
    assert all(dot.used for dot in result.dots)
    with Image.open(tmp_path / "composite.png") as picture:
        assert len(picture.getbands()) == 3


def test_a_preview_of_mosaics_is_in_colour(mosaics, tmp_path):
    assert preview(job_of(mosaics, tmp_path), longest_px=150).pixels.shape[2] == 3


def invented_dots():
    """Three dots: two overlap, one reaches over the window's edge."""
    random = np.random.default_rng(4)
    dots = []
    for x0, y0 in ((20, 20), (24, 22), (48, 30)):
        dot = Dot("f", "t", x0 + 5.0, y0 + 5.0, used=True, x0=x0, y0=y0)
        dot.weight = random.uniform(0, 1, (10, 11)).astype(np.float32)
        dot.light = random.uniform(0, 400, (1, 10, 11)).astype(np.float32)
        dots.append(dot)
    return [*dots, Dot("g", "t", 0.0, 0.0, reason="off the picture")]


def assert_same_levels(found, wanted):
    """Within one of 256 levels, and few off at all: vector units round a row's remainder otherwise."""
    assert (found.dtype, found.shape) == (wanted.dtype, wanted.shape)
    off = np.abs(found.astype(int) - wanted)
    assert off.max() <= 1
    assert (off > 0).mean() <= 1e-3


@pytest.mark.parametrize("tinted", [False, True])
def test_a_canvas_shows_what_the_composite_shows(tinted):
    random = np.random.default_rng(3)
    base = random.normal(100.0, 5.0, (1, 60, 80)).astype(np.float32)
    colour = random.uniform(0.1, 0.9, (3, 60, 80)).astype(np.float32) if tinted else None
    look = Look((5, 4, 55, 58), Transfer((80.0,), 200.0), colour)
    dots = invented_dots()
    canvas = AnimationCanvas(base, look)
    for count in range(1, len(dots) + 1):
        canvas.add(dots[count - 1])
        used = [dot for dot in dots[:count] if dot.used]
        assert_same_levels(canvas.pixels, to_8bit(composite(base, used, look)))
    canvas.clear()
    assert_same_levels(canvas.pixels, to_8bit(look.picture(base)))
    canvas.add(dots[1])
    assert_same_levels(canvas.pixels, to_8bit(composite(base, dots[1:2], look)))

"""Frames calibrated as they are read, and the colour patterns of raw mosaics."""

import numpy as np
import pytest
from astropy.io import fits

from appulse.errors import FrameError, InputError
from appulse.frames.frame import luminance
from appulse.frames.reading import read_frame

SHAPE = (40, 50)


@pytest.fixture
def written(tmp_path):
    """Writes a solved frame, and master frames without a WCS."""

    def write(name, data, solved=True, **cards):
        header = fits.Header({"EXPTIME": 60.0} | cards)
        if solved:
            header.update(CTYPE1="RA---TAN", CTYPE2="DEC--TAN", CRVAL1=10.0, CRVAL2=5.0)
            header.update(CRPIX1=25.5, CRPIX2=20.5, CDELT1=-0.001, CDELT2=0.001)
            header["DATE-BEG"] = "2027-05-04T22:00:00"
        fits.writeto(tmp_path / name, np.asarray(data, np.float32), header)
        return tmp_path / name

    return write


def test_dark_bias_and_flat_are_applied_on_reading(written):
    rng = np.random.default_rng(1)
    hot = np.where(rng.uniform(size=SHAPE) < 0.02, 500.0, 0.0)
    light, flat = rng.uniform(50.0, 60.0, SHAPE), rng.uniform(0.8, 1.2, SHAPE)
    flat /= np.median(flat)
    raw = 100.0 + 2 * hot + light * flat
    raw[3, 4] = 5000.0
    options = {
        "bias": written("bias.fits", np.full(SHAPE, 100.0), solved=False),
        "dark": written("dark.fits", 100.0 + hot, solved=False, EXPTIME=30.0),
        "flat": written("flat.fits", 100.0 + 1000 * flat, solved=False),
    }
    frame = read_frame(written("a.fits", raw), require=("wcs",), saturation_adu=4900.0, **options)
    pixels = frame.data
    assert pixels[3, 4] >= 4900.0  # what was saturated still counts as such
    rest = np.ones(SHAPE, bool)
    rest[3, 4] = False
    np.testing.assert_allclose(pixels[rest], light[rest], rtol=1e-4)
    assert any("calibrated with bias bias.fits" in note and "flat flat.fits" in note for note in frame.notes)


def test_masters_of_another_camera_are_refused_at_once(written):
    dark = written("dark.fits", np.zeros((10, 12)), solved=False)
    with pytest.raises(InputError, match="dark has 12 x 10 pixels, the frame 50 x 40"):
        read_frame(written("a.fits", np.ones(SHAPE)), require=("wcs",), dark=dark)


def test_masters_of_unlike_sizes_do_not_go_together(written):
    flat, bias = written("f.fits", np.ones(SHAPE), False), written("b.fits", np.ones((1, 50)), False)
    with pytest.raises(InputError, match="the bias 50 x 1, the flat 50 x 40 pixels"):
        read_frame(written("m.fits", np.ones(SHAPE)), require=("wcs",), bias=bias, flat=flat)


@pytest.mark.parametrize(
    ("cards", "given", "pattern"),
    [
        ({"BAYERPAT": "RGGB"}, None, "RGGB"),
        ({"BAYERPAT": "RGGB", "XBAYROFF": 1}, None, "GRBG"),
        ({"BAYERPAT": "RGGB", "YBAYROFF": 1}, None, "GBRG"),
        ({"BAYERPAT": "RGGB", "XBAYROFF": 1, "YBAYROFF": 1.0}, None, "BGGR"),
        ({"BAYERPAT": "RGGB"}, "gbrg", "GBRG"),
        ({}, "RGGB", "RGGB"),
        ({"BAYERPAT": "RGGB"}, "none", None),
        ({}, None, None),
    ],
)
def test_the_pattern_of_the_card_its_offsets_or_as_given(written, cards, given, pattern):
    frame = read_frame(written("a.fits", np.ones(SHAPE), **cards), require=("wcs",), mosaic=given)
    assert frame.mosaic == pattern


def test_a_pattern_of_other_letters_is_refused(written):
    with pytest.raises(FrameError, match="four letters by rows"):
        read_frame(written("a.fits", np.ones(SHAPE)), require=("wcs",), mosaic="RGBX")


def test_luminance_weighs_planes_by_their_noise():
    rng = np.random.default_rng(5)
    sigmas = np.array([2.0, 4.0, 20.0])
    planes = (100.0 + sigmas[:, None, None] * rng.normal(size=(3, 200, 220))).astype(np.float32)
    best = np.sum(sigmas**-2.0) ** -0.5
    assert np.std(luminance(planes)) == pytest.approx(best, rel=0.03)
    assert np.std(planes.mean(axis=0)) > 3 * best

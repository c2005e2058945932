"""Camera numbers, and the gain that is none."""

import pytest
from astropy.io import fits

from appulse.errors import FrameError
from appulse.frames.camera import read_camera, read_filter, read_mosaic
from appulse.frames.header import Cards


def camera(*cards, **options):
    return read_camera(Cards(fits.Header(cards), "m1.fits"), **options)


@pytest.mark.parametrize(
    ("cards", "gain", "source"),
    [
        ([("EGAIN", 0.25), ("GAIN", 120)], 0.25, "EGAIN"),
        ([("GAIN", 1.4, "[e-/ADU]")], 1.4, "GAIN"),
        ([("GAIN", 1.4)], 1.4, "GAIN"),
        ([("GAIN", "1.4", "electrons per ADU")], 1.4, "GAIN"),
        ([("BUNIT", "electron"), ("GAIN", 120)], 1.0, "BUNIT"),
    ],
)
def test_gain(cards, gain, source):
    got, _ = camera(*cards)
    assert (got.gain_e_adu.value, got.gain_e_adu.source) == (gain, source)


@pytest.mark.parametrize(
    "card",
    [("GAIN", 120), ("GAIN", 0), ("GAIN", 5.5, "gain setting in dB"), ("GAIN", 2000.0), ("GAIN", "high")],
)
def test_setting_is_no_gain(card):
    got, notes = camera(card)
    assert got.gain_e_adu is None
    assert any("not used" in note for note in notes)


def test_unit_that_is_not_said_is_noted():
    assert "electrons per stored unit" in camera(("GAIN", 1.4))[1][0]


def test_saturation():
    assert camera(("SATURATE", 62000))[0].saturation_adu.value == 62000
    assert camera(("DATAMAX", 31000, "maximum in the array"))[0].saturation_adu is None
    assert camera(("DATAMAX", 31000, "good data below this (saturation)"))[0].saturation_adu.value == 31000


def test_given_wins():
    got, _ = camera(("EGAIN", 0.25), ("RDNOISE", 3.0), gain_e_adu=2.0, read_noise_e=5.0)
    assert str(got.gain_e_adu) == "2 (given)"
    assert got.read_noise_e.value == 5.0
    with pytest.raises(FrameError, match="gain_e_adu"):
        camera(gain_e_adu=-1.0)


def test_filter_and_mosaic():
    cards = Cards(fits.Header([("FILTER", " "), ("FILTER1", "r"), ("BAYERPAT", "rggb")]), "m1.fits")
    assert read_filter(cards) == "r"
    pattern, notes = read_mosaic(cards)
    assert pattern == "RGGB"
    assert "nothing interpolated" in notes[0]

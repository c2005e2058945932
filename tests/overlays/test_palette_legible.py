"""Colours that stand out on a dark sky, for every kind of eye."""

import itertools
import re

import numpy as np
import pytest

from appulse.catalogues.deepsky import TYPES
from appulse.overlays import palette

LEAST_CONTRAST = 6.5
"""Against the dark; 4.5 is what the Web Content Accessibility Guidelines 2.1 ask of letters."""
LEAST_DIFFERENCE = 0.08
"""Distance in linear RGB after the simulation: common practice, no source."""

COLOURS = {n: v for n, v in vars(palette).items() if n.isupper() and isinstance(v, str)}
DARK = (0.02, 0.02, 0.03)

# Machado, Oliveira & Fernandes 2009, IEEE TVCG 15, 1291: severity 1.0 (from memory).
EYES = {
    "protan": (
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
    "deutan": (
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.01182, 0.04294, 0.968881),
    ),
    "usual": ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)),
}


def linear(colour):
    """Light of a colour: the transfer function of sRGB (IEC 61966-2-1)."""
    value = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def luminance(rgb):
    """The weights of ITU-R BT.709, which sRGB takes over."""
    return float(np.dot([0.2126, 0.7152, 0.0722], rgb))


@pytest.mark.parametrize("name", [n for n in COLOURS if n != "HALO"])
def test_stands_out_on_the_dark(name):
    assert re.fullmatch("#[0-9a-f]{6}", COLOURS[name])
    contrast = (luminance(linear(COLOURS[name])) + 0.05) / (luminance(DARK) + 0.05)
    assert contrast > LEAST_CONTRAST


@pytest.mark.parametrize("eye", EYES)
def test_roles_that_meet_in_one_picture_differ(eye):
    roles = (palette.TRACK, palette.MEASURED, palette.CLUSTER, palette.NEBULA, palette.RESIDUAL)
    seen = [np.array(EYES[eye]) @ linear(c) for c in roles]
    for one, two in itertools.combinations(seen, 2):
        assert np.linalg.norm(one - two) > LEAST_DIFFERENCE


def test_every_type_of_the_catalogue_has_a_colour():
    for words in TYPES.values():
        assert palette.outline_colour(words) in COLOURS.values()
    assert palette.outline_colour("outline", "polygon") == palette.HAND_DRAWN

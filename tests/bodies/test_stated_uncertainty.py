"""No sigma is invented: a covariance, the MPC's code, or 'unknown', and the table says which."""

from types import SimpleNamespace

import numpy as np
import pytest
from astropy.time import Time

from appulse.bodies.ephemeris import NBodyEphemeris
from appulse.bodies.readers import starter_orbits
from appulse.bodies.uncertainty import CODE_LIMITS_ARCSEC, stated
from appulse.observers.site import Site


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("0", "below 1 "),
        ("1", "1 to 4.44 "),
        ("9", "above 150000 "),
        ("E", "unknown (MPC code E)"),
        ("", "unknown"),
    ],
)
def test_codes_in_words(code, words):
    assert words in stated(SimpleNamespace(covariance=None, uncertainty_code=code))


def test_limits_follow_the_published_law():
    """U = int(ln r / 1.49) + 1 (Minor Planet Center; from memory): each limit is where U steps up."""
    for u, limit in enumerate(CODE_LIMITS_ARCSEC):
        below, above = limit * 0.98, limit * 1.02
        assert (0 if below < 1 else int(np.log(below) / 1.49) + 1) == u
        assert int(np.log(above) / 1.49) + 1 == u + 1


def test_a_prediction_says_what_is_known_and_masks_the_ellipse():
    table = NBodyEphemeris(starter_orbits()).at(Time("2027-05-04"), Site.geocentre(), ["433", "7"])
    assert table.meta["uncertainty"]["433"].startswith("MPC code 0")
    assert table.meta["uncertainty"]["7"] == "unknown"
    assert table["sigma_major"].mask.all()

"""No sigma is invented: a covariance, the MPC's code, or 'unknown', and the table says which."""

from types import SimpleNamespace

import numpy as np
import pytest
from astropy.time import Time

from appulse.bodies.ephemeris import NBodyEphemeris
from appulse.bodies.listed import listed_orbits
from appulse.bodies.readers import starter_orbits
from appulse.bodies.readers.orbit_files import TABLES, bundled_tables
from appulse.bodies.uncertainty import CODE_LIMITS_ARCSEC, stated, typical_sigma
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
    bodies = ["433", "7", "8", "2P"]
    table = NBodyEphemeris(starter_orbits()).at(Time("2027-05-04"), Site.geocentre(), bodies)
    words, typical = table.meta["uncertainty"], table.meta["typical_sigma_arcsec"]
    assert words["433"].startswith("MPC code 0")
    assert words["7"].endswith("0.005 arcsec per axis")  # out of its own kernel
    assert words["8"].endswith("0.2 arcsec per axis")
    assert words["2P"].endswith("100 arcsec per axis")
    assert typical == {"433": 0.2, "7": 0.005, "8": 0.2, "2P": 100.0}
    assert table["sigma_major"].mask.all()


def test_every_bundled_orbit_has_a_stated_sigma():
    # Each of the tables, and some of the list, whose bodies have one source.
    orbits = [*bundled_tables(TABLES), *listed_orbits()[::500]]
    without = [orbit.label for orbit in orbits if np.isnan(typical_sigma(orbit))]
    assert len(without) == 1  # the one of MPC code 9: above 150,000 arcsec in ten years


def test_a_code_of_the_mpc_bounds_the_sigma():
    orbit = SimpleNamespace(covariance=None, source="MPC elements", uncertainty_code="2")
    assert typical_sigma(orbit) == pytest.approx(19.7, abs=0.05)  # exp(2 x 1.49)
    assert np.isnan(typical_sigma(SimpleNamespace(covariance=None, source="mine", uncertainty_code="2")))

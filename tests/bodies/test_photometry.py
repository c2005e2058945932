"""Phase laws against another implementation and against closed values."""

import warnings

import numpy as np
import pytest

from appulse.bodies.photometry import (
    Brightness,
    magnitude,
    magnitude_comet,
    magnitude_hg,
    magnitude_hg1g2,
    magnitude_hg12,
)

ALPHA = np.array([0.0, 0.1, 1.0, 5.0, 7.5, 12.0, 20.0, 45.0, 90.0, 120.0, 140.0])
TOL_SBPY_MAG = 2e-4
TOL_BOWELL_LONG_MAG = 0.036  # the longer form of Bowell et al. differs by as much, below 25 degrees
OPPOSITION_SLOPE_MAG = 3e-3  # below 0.3 degrees: sbpy starts Phi3 with ten times the printed slope


@pytest.fixture(scope="module")
def sbpy():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return pytest.importorskip("sbpy.photometry")


@pytest.mark.parametrize(("g1", "g2"), [(0.62, 0.14), (0.26, 0.38), (0.06, 0.63)])
def test_hg1g2_against_sbpy(sbpy, g1, g2):
    theirs = sbpy.HG1G2.evaluate(np.radians(ALPHA), 7.0, g1, g2)
    ours = magnitude_hg1g2(7.0, g1, g2, 1.0, 1.0, ALPHA)
    tolerance = np.where((ALPHA > 0) & (ALPHA < 0.3), OPPOSITION_SLOPE_MAG, TOL_SBPY_MAG)
    assert np.all(np.abs(ours - theirs) < tolerance)


@pytest.mark.parametrize("g12", [0.1, 0.3, 0.68])
def test_hg12_against_sbpy(sbpy, g12):
    theirs = sbpy.HG12.evaluate(np.radians(ALPHA), 7.0, g12)
    ours = magnitude_hg12(7.0, g12, 1.0, 1.0, ALPHA)
    tolerance = np.where((ALPHA > 0) & (ALPHA < 0.3), OPPOSITION_SLOPE_MAG, TOL_SBPY_MAG)
    assert np.all(np.abs(ours - theirs) < tolerance)


def test_hg_against_the_longer_form(sbpy):
    theirs = sbpy.HG.evaluate(np.radians(ALPHA), 7.0, 0.15)
    gap = np.abs(magnitude_hg(7.0, 0.15, 1.0, 1.0, ALPHA) - theirs)
    assert gap[ALPHA <= 45.0].max() < TOL_BOWELL_LONG_MAG


def test_distance_law():
    near, far = magnitude_hg(10.0, 0.15, 1.0, 1.0, 10.0), magnitude_hg(10.0, 0.15, 2.0, 3.0, 10.0)
    assert float(far - near) == pytest.approx(5 * np.log10(6.0))
    assert float(magnitude_comet(5.0, 10.0, 10.0, 100.0)) == pytest.approx(25.0)


def test_no_light_is_unknown_not_infinite():
    """The phase functions of H, G1, G2 end at 150 degrees (Muinonen et al. 2010, Icarus 209, 542)."""
    assert np.isnan(magnitude_hg(10.0, 0.15, 1.0, 1.0, 180.0))
    assert np.isnan(magnitude_hg1g2(10.0, 0.3, 0.3, 1.0, 1.0, 151.0))


@pytest.mark.parametrize(
    ("record", "system"),
    [
        (Brightness(), "none"), (Brightness(h=10.0), "H,G"), (Brightness(h=10.0, g=0.4), "H,G"),
        (Brightness(h=10.0, g12=0.3), "H,G12"), (Brightness(h=10.0, g1=0.3, g2=0.3), "H,G1,G2"),
        (Brightness(h=10.0, m1=5.0, k1=10.0), "M1,K1"),
    ],
)  # fmt: skip
def test_which_system_a_record_uses(record, system):
    unit = np.array([1.0])
    mag, used = magnitude(record, unit, unit, unit)
    assert used == system
    assert np.isfinite(mag).all() == (system != "none")

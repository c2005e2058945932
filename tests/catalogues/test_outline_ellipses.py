"""Ellipses on the sphere."""

import numpy as np
import pytest
from astropy.coordinates import SkyCoord

from appulse.catalogues.deepsky import ellipse_ring, shape_of
from appulse.errors import InputError

TOL_ROUNDING_ARCSEC = 1e-6
CENTRES = [(10.0, 20.0), (0.0, 0.0), (359.999, -45.0), (200.0, 89.9), (33.0, 90.0), (33.0, -90.0)]


@pytest.mark.parametrize("centre", CENTRES)
def test_vertices_lie_at_the_ellipse_s_distance(centre):
    ring = ellipse_ring(*centre, 60.0, 20.0, 30.0, vertices=72)
    away = SkyCoord(*centre, unit="deg").separation(SkyCoord(*ring.T, unit="deg")).arcsec
    turn = np.radians(np.arange(73) * 5.0)
    np.testing.assert_allclose(
        away, 1800.0 * np.hypot(np.cos(turn), np.sin(turn) / 3), atol=TOL_ROUNDING_ARCSEC
    )


@pytest.mark.parametrize("centre", CENTRES[:4])
def test_major_axis_points_along_the_position_angle(centre):
    ring = ellipse_ring(*centre, 60.0, 20.0, 30.0)
    angle = SkyCoord(*centre, unit="deg").position_angle(SkyCoord(*ring[0], unit="deg")).deg
    assert angle == pytest.approx(30.0, abs=1e-6)


def test_minor_axis_lies_across():
    ring = ellipse_ring(50.0, 60.0, 60.0, 20.0, 30.0)
    angle = SkyCoord(50.0, 60.0, unit="deg").position_angle(SkyCoord(*ring[18], unit="deg")).deg
    assert angle == pytest.approx(120.0, abs=1e-6)


def test_ring_is_closed_and_wraps():
    ring = ellipse_ring(0.0, 10.0, 60.0, 60.0, 0.0)
    assert (ring[0] == ring[-1]).all()
    assert ((ring[:, 0] >= 0) & (ring[:, 0] < 360)).all()


@pytest.mark.parametrize("bad", [(np.nan, 0, 1, 1, 0), (0, 0, 0, 1, 0), (0, 0, 1, -1, 0), (0, 95, 1, 1, 0)])
def test_impossible_ellipses_are_refused(bad):
    with pytest.raises(InputError, match="are needed"):
        ellipse_ring(*bad)


@pytest.mark.parametrize(
    ("axes", "kind", "words"),
    [
        ((30.0, 10.0, 45.0), "ellipse", ""),
        ((30.0, 10.0, np.nan), "circle", "no position angle"),
        ((30.0, 30.0, np.nan), "circle", ""),
        ((30.0, np.nan, 45.0), "circle", "one axis"),
        ((np.nan, np.nan, np.nan), "point", "no size"),
    ],
)
def test_shape_says_what_it_does_not_know(axes, kind, words):
    found, rings, note = shape_of(10.0, 20.0, *axes)
    assert found == kind
    assert bool(rings) == (kind != "point")
    assert note.startswith(words)
    assert bool(note) == bool(words)

"""The sky of a registration's grid: there and back, the zero point taken off, by the frame's own map."""

from types import SimpleNamespace

import numpy as np
import pytest
from astropy.wcs import WCS

from appulse.frames.frame import SolvedFrame
from appulse.movers.smoothed_frames import GridSky
from appulse.numerics.sphere import offsets_rad, unit_from_radec

TOL_PX = 1e-6
TOL_AXES_ARCSEC = 0.01
"""East at the place and at the middle of the frame differ by 0.4 degrees, at this declination."""
EAST_ARCSEC, NORTH_ARCSEC = 0.8, -0.5


@pytest.fixture(scope="module")
def frame():
    wcs = WCS(naxis=2)
    wcs.wcs.ctype, wcs.wcs.cdelt = ["RA---TAN", "DEC--TAN"], [-0.001, 0.001]
    wcs.wcs.crval, wcs.wcs.crpix = [0.02, 75.0], [150.5, 100.5]
    return SolvedFrame.from_arrays(np.zeros((200, 300)), wcs)


def sky_of(frame, corrected):
    model = SimpleNamespace(
        terms=lambda x, y: np.stack([np.ones_like(x), x / 1000.0], axis=1),
        east=np.array([EAST_ARCSEC, 0.1]),
        north=np.array([NORTH_ARCSEC, 0.0]),
    )
    registration = SimpleNamespace(frames=[frame], reference=0, origin=(-7, 12))
    plate = SimpleNamespace(model=model, corrected=corrected)
    return GridSky(registration, [plate], unit_from_radec(*frame.centre))


@pytest.mark.parametrize("corrected", [False, True])
def test_there_and_back(frame, corrected):
    sky = sky_of(frame, corrected)
    gx, gy = np.array([[3.0, 250.0], [100.0, 17.0]]), np.array([[0.0, 180.0], [90.0, 33.0]])
    found = np.stack(sky.to_pixel(*sky.to_sky(gx, gy)))
    np.testing.assert_allclose(found, [gx, gy], rtol=0, atol=TOL_PX)
    xi, eta = sky.offsets(gx.ravel(), gy.ravel())
    np.testing.assert_allclose(sky.grid(xi, eta), [gx.ravel(), gy.ravel()], rtol=0, atol=TOL_PX)
    np.testing.assert_allclose(
        sky.jacobian(156.5, 87.5), sky.plane_jacobian(156.5, 87.5), rtol=1e-4, atol=1e-3
    )


def test_the_zero_point_is_taken_off(frame):
    x, y = np.array([40.0]), np.array([60.0])
    plain, corrected = (sky_of(frame, flag).to_sky(x, y) for flag in (False, True))
    moved = 206264.806 * np.stack(offsets_rad(unit_from_radec(*plain), unit_from_radec(*corrected)))
    np.testing.assert_allclose(moved[:, 0], [-EAST_ARCSEC, -NORTH_ARCSEC], atol=TOL_AXES_ARCSEC)


def test_what_the_plane_does_not_reach_is_nan(frame):
    assert np.isnan(sky_of(frame, True).to_pixel([180.0], [-75.0])).all()

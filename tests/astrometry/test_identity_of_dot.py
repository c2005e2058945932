"""What else could the dot be?"""

from types import SimpleNamespace

import numpy as np
import pytest
from astropy import units as u

from appulse.astrometry.identity import identify
from appulse.astrometry.plate import check_plate, zero_point
from appulse.astrometry.residual import KEPT_ARCSEC, measure
from appulse.errors import MeasurementError
from invented_frames import ZERO_E, add_point, make_frame, tan_wcs

SHAPE = (260, 320)
RATE = u.arcsec / u.hour


def row(x, y, name="7", mag=13.0):
    ra, dec = (float(v) for v in tan_wcs(SHAPE).all_pix2world(x, y, 0))
    return {"designation": name, "ra": ra * u.deg, "dec": dec * u.deg, "ra_rate": 20.0 * RATE,
            "dec_rate": 5.0 * RATE, "mag": mag * u.mag}  # fmt: skip


@pytest.fixture(scope="module")
def scene():
    def draw(canvas):
        add_point(canvas, 150.2, 120.4, 10 ** (0.4 * (ZERO_E - 13.0)), 2.8)

    frame, stars = make_frame(np.random.default_rng(81), shape=SHAPE, n_stars=40, draw=draw)
    return frame, check_plate(frame, stars)


def test_zero_point_is_the_frame_s(scene):
    zero = zero_point(scene[1])
    assert abs(zero.magnitude(10 ** (0.4 * (ZERO_E - 13.0)) / 1.6)[0] - 13.0) < 0.03


def test_brightness_and_neighbours(scene):
    frame, plate = scene
    one = measure(frame, row(150.2, 120.4), plate)
    galaxy = SimpleNamespace(ra=one.ra_obs, dec=one.dec_obs + 0.01, name="NGC 1", major_arcmin=3.0, mag=12.0,
                             object_type="galaxy")  # fmt: skip
    found = identify(
        one, predictions=[row(151.0, 121.0, "12", 14.0), row(20.0, 20.0, "13")], objects=[galaxy]
    )
    assert set(found.others["name"]) >= {"12", "NGC 1"}
    assert "13" not in found.others["name"]
    assert abs(found.magnitude_difference) < 0.1
    assert "as bright as predicted" in found.sentence
    # the galaxy's middle is 36 arcsec away, beyond what was searched: it is no neighbour of the dot
    assert ": 1 other, nearest the body 12 at" in found.sentence
    assert found.sentence.endswith("the place is within the larger radius of NGC 1.")


def test_a_missing_body_has_a_limit(scene):
    frame, plate = scene
    one = measure(frame, row(60.0, 200.0, mag=12.0), plate)
    assert "should have shown" in identify(one).sentence
    faint = measure(frame, row(60.0, 200.0, mag=25.0), plate)
    assert "too faint" in identify(faint).sentence


def test_a_residual_keeps_its_surroundings_and_not_the_frame(scene):
    """A night of frames would else fill the memory: sources, stars and the images of all star fits."""
    frame, plate = scene
    one = measure(frame, row(150.2, 120.4), plate)
    kept, reach = one.plate, KEPT_ARCSEC / plate.pixel_scale
    for table, whole in (
        (kept.survey.sources, plate.survey.sources),
        (kept.field_stars, plate.field_stars),
    ):
        away = np.hypot(whole["x"] - 150.2, whole["y"] - 120.4)
        assert len(table) == np.sum(away <= reach) < len(whole)
    assert plate.survey.pixels is not None
    assert kept.survey.pixels is kept.survey.bad is None
    assert kept.local_offset(10.0, 20.0)[0] == plate.local_offset(10.0, 20.0)[0]
    beside = measure(frame, row(135.0, 235.0), plate)
    near = np.hypot(plate.field_stars["x"] - 135.0, plate.field_stars["y"] - 235.0) * plate.pixel_scale < 100
    assert np.sum(identify(beside, reach_arcsec=100.0).others["kind"] == "star") == np.sum(near) > 0
    with pytest.raises(MeasurementError, match="120 arcsec are known"):
        identify(one, reach_arcsec=500.0)

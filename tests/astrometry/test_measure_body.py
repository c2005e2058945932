"""One body on one invented frame: signs, sigmas, and what happens when it does not show."""

from dataclasses import replace

import numpy as np
import pytest
from astropy import units as u

from appulse.astrometry.budget import error_budget
from appulse.astrometry.plate import check_plate
from appulse.astrometry.residual import measure, residual_table
from invented_frames import DEC, RA, add_point, add_trail, make_frame, tan_wcs

SHAPE = (400, 500)
RATE, PA = 60.0, 250.0


def predict(ra, dec, **more):
    """A row of an ephemeris."""
    pa = np.radians(PA)
    rate = u.arcsec / u.hour
    return {"designation": "7", "ra": ra * u.deg, "dec": dec * u.deg, "ra_rate": RATE * np.sin(pa) * rate,
            "dec_rate": RATE * np.cos(pa) * rate, "mag": 13.0 * u.mag} | more  # fmt: skip


def at(x, y, along=0.0, across=0.0):
    """Sky place such that a body at pixel (x, y) has this O-C (arcsec)."""
    ra, dec = (float(v) for v in tan_wcs(SHAPE).all_pix2world(x, y, 0))
    pa = np.radians(PA)
    east = along * np.sin(pa) + across * np.cos(pa)
    north = along * np.cos(pa) - across * np.sin(pa)
    return ra - east / 3600 / np.cos(np.radians(dec)), dec - north / 3600


@pytest.fixture(scope="module")
def night():
    """A frame of 600 s with a body of 13 mag trailed over 10 arcsec, and its plate check."""
    angle = np.degrees(np.arctan2(np.cos(np.radians(PA)), -np.sin(np.radians(PA))))

    def draw(canvas):
        add_trail(canvas, 240.3, 170.8, 10 ** (0.4 * 13.0), 2.8, RATE / 6 / 3.6, angle)

    shown = tan_wcs(SHAPE, ra=RA + 0.7 / 3600 / np.cos(np.radians(DEC)), dec=DEC - 0.4 / 3600)
    rng = np.random.default_rng(51)
    frame, stars = make_frame(rng, shape=SHAPE, exposure_s=600.0, draw=draw, shown_wcs=shown)
    return frame, check_plate(frame, stars)


@pytest.mark.parametrize(("along", "across"), [(0.0, 0.0), (1.2, -0.8), (-2.0, 0.5)])
def test_signs_of_along_across_and_plate(night, along, across):
    frame, plate = night
    one = measure(frame, predict(*at(240.3, 170.8, along, across)), plate)
    assert one.seen, one.flag
    measured = one.rotation @ one.corrected
    sigma = np.hypot(one.sigma_motion, np.sqrt(np.diag(one.plate_covariance)).max())
    assert np.all(np.abs(measured - [along, across]) < 4 * sigma)
    assert np.allclose(one.plate_offset, [0.7, -0.4], atol=0.03)
    assert one.dra_cosdec - one.corrected[0] == pytest.approx(one.plate_offset[0])


def test_brightness_comes_from_the_frame_s_stars(night):
    frame, plate = night
    one = measure(frame, predict(*at(240.3, 170.8)), plate)
    assert abs(one.mag_obs - 13.0) < 4 * one.sigma_mag + 0.02


def test_a_body_that_does_not_show_is_flagged_and_masked(night):
    frame, plate = night
    ra, dec = at(77.0, 350.0)
    one = measure(frame, predict(ra, dec), plate)
    assert not one.seen
    assert one.flag.startswith("not seen")
    assert 15 < one.limit_mag < 20
    table = residual_table([one])
    measured = ("x", "y", "ra_obs", "dra_cosdec", "ddec", "along", "across", "sigma_ra", "dra_plate", "snr")
    assert all(bool(table[name].mask[0]) for name in measured)
    assert float(table["ra_calc"][0]) == pytest.approx(ra)


def test_outside_the_frame(night):
    frame, plate = night
    assert measure(frame, predict(RA + 3.0, DEC), plate).flag.startswith("outside the frame: 2.")


def test_a_star_is_not_taken_for_the_body(night):
    frame, plate = night
    star = plate.stars[np.argmax(plate.stars["snr"])]
    ra, dec = at(float(star["x"]), float(star["y"]))
    one = measure(frame, predict(ra, dec), plate)
    assert not one.seen
    assert "star" in one.flag


def test_pointing_at_a_source_measures_it(night):
    frame, plate = night
    one = measure(frame, predict(*at(200.0, 100.0)), plate, at_pixel=(240.0, 171.0))
    assert abs(one.x - 240.3) < 0.1


def test_without_stars_nothing_is_corrected(night):
    frame, _ = night
    one = measure(frame, predict(*at(240.3, 170.8)), None)
    assert one.seen
    assert np.isnan(one.corrected).all()


def test_a_gross_wcs_error_does_not_hide_the_body():
    def draw(canvas):
        add_point(canvas, 240.3, 170.8, 1e5, 2.8)

    shown = tan_wcs(SHAPE, ra=RA + 90.0 / 3600, dec=DEC + 0.02)
    frame, stars = make_frame(np.random.default_rng(52), shape=SHAPE, draw=draw, shown_wcs=shown)
    one = measure(frame, predict(*at(240.3, 170.8)), check_plate(frame, stars))
    assert one.seen
    assert np.all(np.abs(one.corrected) < 0.1)


def test_budget_adds_its_parts(night):
    frame, plate = night
    one = measure(frame, predict(*at(240.3, 170.8), sigma_major=0.2 * u.arcsec, sigma_minor=0.1 * u.arcsec,
                                 sigma_pa=PA * u.deg), plate)  # fmt: skip
    budget = error_budget(one, clock_sigma_s=5.0)
    lines = {row["part"]: row for row in budget.lines}
    assert lines["clock"]["sigma_along"].value == pytest.approx(5.0 * RATE / 3600)
    assert lines["clock"]["sigma_across"].value == pytest.approx(0.0, abs=1e-9)
    assert lines["ephemeris"]["sigma_along"].value == pytest.approx(0.2)
    squares = sum(np.nan_to_num(row["sigma_ra"].value) ** 2 for row in budget.lines)
    assert budget.covariance[0, 0] == pytest.approx(squares)
    assert 0 < budget.probability <= 1
    assert "arcsec" in budget.sentence


@pytest.mark.parametrize(("hours", "words"), [(1, "--time-shift +1h"), (-1.5, "--time-shift -90m")])
def test_a_body_hours_along_its_track_is_asked_about(night, hours, words):
    """Local time in DATE-OBS: three times "not seen", and nothing said."""
    frame, plate = night
    one = measure(frame, predict(*at(240.3, 170.8, along=60.0 * hours)), plate)
    assert not one.seen
    assert "DATE-OBS" in one.flag
    assert words in one.flag


def test_nothing_is_asked_where_nothing_stands(night):
    frame, plate = night
    one = measure(frame, predict(*at(77.0, 350.0)), plate)
    assert "?" not in one.flag


def test_a_structure_has_its_own_line_in_the_budget(night):
    frame, plate = night
    one = measure(frame, predict(*at(240.3, 170.8)), plate)
    names = list(error_budget(one).lines["part"])
    assert names == ["centroid", "plate", "catalogue", "ephemeris", "clock"]
    assert np.all(one.structure_covariance == 0)
    rough = replace(one, structure_covariance=0.25 * one.covariance)
    lines = error_budget(rough).lines
    row = {line["part"]: line for line in lines}
    assert row["background structure"]["sigma_ra"].value == pytest.approx(0.5 * one.sigma_sky[0])
    assert error_budget(rough).covariance == pytest.approx(error_budget(one).covariance)


def test_a_ring_does_not_know_the_light_to_a_hundred_thousandth():
    """S/N 210131 was given for bodies whose core was saturated."""

    def draw(canvas):
        add_point(canvas, 240.3, 170.8, 3e7, 2.8)

    frame, stars = make_frame(np.random.default_rng(53), shape=SHAPE, draw=draw)
    frame = replace(frame, camera=replace(frame.camera, saturation_adu=60000.0))
    frame.__dict__["data"] = np.minimum(frame.data, 60000.0)
    one = measure(frame, predict(*at(240.3, 170.8)), check_plate(frame, stars))
    assert one.seen, one.flag
    assert "saturated core" in one.flag
    assert one.snr < 250

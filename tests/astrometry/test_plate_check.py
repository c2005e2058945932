"""The plate check on invented frames whose error is known."""

import numpy as np
import pytest

from appulse.astrometry.plate import check_plate, fit_plate
from appulse.catalogues.stars import star_table
from invented_frames import DEC, RA, make_frame, tan_wcs

SHAPE = (400, 500)


def shifted(dra, ddec, **more):
    """A WCS that reads places too far east by dra and north by ddec (arcsec)."""
    return tan_wcs(SHAPE, ra=RA + dra / 3600 / np.cos(np.radians(DEC)), dec=DEC + ddec / 3600, **more)


@pytest.mark.parametrize(("turn", "mirrored"), [(0.0, False), (33.0, True), (181.0, False)])
@pytest.mark.parametrize(("dra", "ddec"), [(0.8, -0.5), (95.0, -210.0)])
def test_shift_is_found_whatever_the_frame_s_turn_and_parity(turn, mirrored, dra, ddec):
    rng = np.random.default_rng(41)
    wcs, shown = (
        tan_wcs(SHAPE, turn_deg=turn, mirrored=mirrored),
        shifted(dra, ddec, turn_deg=turn, mirrored=mirrored),
    )
    plate = check_plate(*make_frame(rng, shape=SHAPE, wcs=wcs, shown_wcs=shown))
    sigma = np.sqrt(np.diag(plate.covariance))
    assert plate.n_stars > 40
    assert np.all(np.abs(plate.offset - [dra, ddec]) < 4 * sigma + 0.002 + 1e-4 * np.hypot(dra, ddec))
    assert np.all(sigma < 0.05)
    assert any("gross error" in note for note in plate.notes) == (abs(dra) > 20)


@pytest.mark.parametrize(("turn", "mirror_wrong"), [(4.0, False), (0.0, True), (170.0, False)])
def test_wrong_turn_and_wrong_parity_are_named(turn, mirror_wrong):
    rng = np.random.default_rng(42)
    shown = tan_wcs(SHAPE, turn_deg=turn, mirrored=mirror_wrong)
    plate = check_plate(*make_frame(rng, shape=SHAPE, n_stars=80, shown_wcs=shown))
    words = " ".join(plate.notes)
    assert "gross error" in words
    assert ("mirrored" in words) == mirror_wrong
    x, y = plate.true_pixel(*(float(v) for v in tan_wcs(SHAPE).all_pix2world(310.0, 120.0, 0)))
    assert np.hypot(x - 310.0, y - 120.0) < 0.5


def test_scale_and_turn_are_measured():
    rng = np.random.default_rng(43)
    shown = tan_wcs(SHAPE, scale=3.6 * 1.0008, turn_deg=0.03)
    plate = check_plate(*make_frame(rng, shape=SHAPE, n_stars=120, shown_wcs=shown))
    scale, sigma = plate.parts["scale_ppm"]
    assert plate.model.order >= 1
    assert abs(scale - 800.0) < 5 * sigma
    turn, sigma = plate.parts["turn_arcsec"]
    assert abs(abs(turn) - 108.0) < 5 * sigma
    dra, ddec, _ = plate.local_offset(400.0, 350.0)
    true = tan_wcs(SHAPE).all_pix2world(400.0, 350.0, 0)
    seen = shown.all_pix2world(400.0, 350.0, 0)
    assert dra == pytest.approx((seen[0] - true[0]) * 3600 * np.cos(np.radians(DEC)), abs=0.06)
    assert ddec == pytest.approx((seen[1] - true[1]) * 3600, abs=0.06)


def test_wild_stars_do_not_move_the_zero_point():
    rng = np.random.default_rng(44)
    frame, table = make_frame(rng, shape=SHAPE)
    moved = table.dec.copy()
    moved[:9] += 2.0 / 3600
    wrong = star_table(
        table.ra, moved, table.g, names=table.names, epoch=table.epoch, pmra=table.pmra, pmdec=table.pmdec
    )
    plate = check_plate(frame, wrong)
    assert np.all(np.abs(plate.offset) < 0.1)
    assert np.sum(~plate.stars["used"]) >= 8


def test_faint_stars_do_not_spoil_the_bright_ones_zero_point():
    """Chance scatter of faint stars was given to the bright too: the error was 2.5 times the bound."""
    errors, pulls = [], []
    for seed in range(80):
        rng = np.random.default_rng(seed)
        x, y = rng.uniform(0, 480, 50), rng.uniform(0, 360, 50)
        # Most are faint, a few a hundred times better, arcsec.
        sigma = np.clip(0.2 * rng.uniform(0, 1, 50) ** 1.2, 0.0015, None)[:, None] * np.ones(2)
        model, _ = fit_plate(x, y, rng.normal(0, sigma), sigma, (240.0, 180.0), 240.0)
        offset, covariance = model.at(300.0, 120.0)
        known = np.sqrt(1.0 / np.sum(sigma[:, 0] ** -2))
        errors += list(offset / known)
        pulls += list(offset / np.sqrt(np.diag(covariance)))
    assert np.std(errors) < 1.3
    assert 0.92 < np.std(pulls) < 1.12


def test_pulls_of_the_zero_point():
    pulls = []
    for seed in range(8):
        plate = check_plate(*make_frame(np.random.default_rng(500 + seed), shape=(260, 320), n_stars=30))
        pulls.append(plate.offset / np.sqrt(np.diag(plate.covariance)))
    assert 0.6 < np.std(pulls) < 1.5


@pytest.mark.parametrize("count", [0, 2])
def test_fewer_than_three_stars_correct_nothing_and_say_so(count):
    frame, table = make_frame(np.random.default_rng(45), shape=(200, 200), n_stars=20)
    plate = check_plate(frame, table.select(slice(0, count)) if count else None)
    assert not plate.corrected
    assert np.isnan(plate.offset).all()
    assert "nothing is corrected" in " ".join(plate.notes)


def test_no_match_is_no_correction():
    rng = np.random.default_rng(46)
    frame, _ = make_frame(rng, shape=(300, 300), n_stars=40)
    _, other = make_frame(rng, shape=(300, 300), n_stars=40)
    assert not check_plate(frame, other).corrected


@pytest.mark.parametrize(("extra", "shown"), [(0.0, 0), (0.15, 40)])
def test_stars_that_scatter_beyond_their_errors_show_by_how_much(extra, shown):
    """What displaces single stars (images unlike the model) displaces the body too; chance alone does not."""
    rng = np.random.default_rng(45)
    found = []
    for _ in range(40):
        x, y = rng.uniform(0, 500, 30), rng.uniform(0, 400, 30)
        sigmas = rng.uniform(0.03, 0.1, (30, 2))
        offsets = rng.normal([0.4, -0.2], np.hypot(sigmas, extra))
        model, _ = fit_plate(x, y, offsets, sigmas, (250.0, 200.0), 250.0)
        found.append(model.scatter)
    assert abs(np.count_nonzero(found) - shown) <= 1
    assert np.median(found) == pytest.approx(extra, rel=0.1)

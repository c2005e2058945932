"""Movers planted in invented frames: how many are found, and how many more than were planted."""

import tempfile

import numpy as np
import pytest
from invented_movers import SHAPE, nebula, series

from appulse.astrometry.plate import check_plate
from appulse.errors import InputError
from appulse.frames.frame import SolvedFrame
from appulse.movers import smoothed_frames
from appulse.movers.mover_search import measure_detections, mover_table, search_movers
from invented_frames import READ_E, SKY_E, add_point

SNR_E = np.sqrt(SKY_E + READ_E**2) * 2 * np.sqrt(np.pi) * 2.8 / 2.354820045
"""Electrons of a point of light at a signal to noise of one, FWHM 2.8 px (2 sqrt(2 ln 2) sigma)."""
SLOW = (2.7, 0.6)
"""px per hour: ten arcsec per hour."""


def found_at(movers, planted, scale=3.6):
    """The mover that has a planted one's rate, or None."""
    _, _, dx, dy, _ = planted
    rate = scale * np.hypot(dx, dy)
    right = [m for m in movers if abs(m.rate - rate) < 5 * m.sigma_rate]
    return right[0] if right else None


def test_planted_movers_are_found_and_nothing_else():
    rng = np.random.default_rng(71)
    planted = [(40.0, 150.0, 8.0, 3.0, 4000.0), (180.0, 60.0, -10.0, 6.0, 2500.0)]
    movers = search_movers(*series(rng, planted)).movers
    assert len(movers) == 2
    for one in planted:
        assert len(found_at(movers, one).detections) >= 3
    assert list(mover_table(movers)["designation"]) == ["unknown", "unknown"]


def test_a_slow_mover_whose_light_is_in_its_own_reference():
    """At ten arcsec/h a body moves by two thirds of the FWHM from frame to frame: every frame shows it."""
    planted = (90.0, 100.0, *SLOW, 12 * SNR_E)
    movers = search_movers(*series(np.random.default_rng(73), [planted], n_stars=30)).movers
    assert len(movers) == 1
    mover = found_at(movers, planted)
    assert len(mover.detections) == 4
    for k, x, y in mover.detections:
        assert np.hypot(x - 90 - SLOW[0] * k / 1.5, y - 100 - SLOW[1] * k / 1.5) < 0.7


def test_a_satellite_and_hot_pixels_cost_a_frame_only_what_they_touch():
    """Undarked frames, on one of them a satellite's trail through the body: the body is found."""
    planted = (60.0, 100.0, 9.0, 2.0, 60 * SNR_E)
    rng = np.random.default_rng(77)
    frames, _ = series(rng, [planted], n_frames=5)
    hot = np.where(rng.uniform(size=SHAPE) < 0.001, 10 ** rng.uniform(2.5, 4.2, SHAPE), 0.0)
    y, x = np.indices(SHAPE)
    across = -(x - 60.0 - 9.0 * 4 / 3) * np.sin(0.7) + (y - 100.0 - 2.0 * 4 / 3) * np.cos(0.7)
    trail = 1500.0 * np.exp(-0.5 * (across / 1.2) ** 2)
    spoilt, plates = [], []
    for k, frame in enumerate(frames):
        data = (frame.data + hot + (trail if k == 2 else 0.0)).astype(np.float32)
        again = SolvedFrame.from_arrays(data, frame.wcs, frame.exposure, None, frame.camera)
        plates.append(check_plate(again, None))
        spoilt.append(again)
    movers = search_movers(spoilt, plates).movers
    assert len(movers) == 1
    seen = [k for k, _, _ in found_at(movers, planted).detections]
    assert len(seen) >= 4


def test_a_hot_pixel_in_the_core_does_not_cost_the_frame():
    planted = (60.0, 100.0, 9.0, 3.0, 20 * SNR_E)
    frames, _ = series(np.random.default_rng(78), [planted])
    spoilt, plates = [], []
    for k, frame in enumerate(frames):
        data = frame.data.copy()
        if k < 2:
            data[100 + 2 * k, 60 + 6 * k] += 4000.0
        spoilt.append(SolvedFrame.from_arrays(data, frame.wcs, frame.exposure, None, frame.camera))
        plates.append(check_plate(spoilt[-1], None))
    mover = found_at(search_movers(spoilt, plates).movers, planted)
    assert [k for k, _, _ in mover.detections] == [0, 1, 2, 3]
    for k, x, y in mover.detections:
        assert np.hypot(x - 60 - 6 * k, y - 100 - 2 * k) < 0.3


def test_a_mover_on_a_star_is_seen_once_the_star_is_off():
    """Every detection lies within two pixels of a star sixteen times as bright."""
    planted = (60.0, 100.0, 9.0, 0.0, 25 * SNR_E)
    stars = [(60.0 + 6 * k + 1.0, 101.0) for k in range(4)]
    cloud = np.zeros(SHAPE)
    for x, y in stars:
        add_point(cloud, x, y, 400 * SNR_E, 2.8)
    frames, plates = series(np.random.default_rng(74), [planted], cloud=cloud)
    mover = found_at(search_movers(frames, plates).movers, planted)
    assert mover is not None
    assert found_at(search_movers(frames, plates, method="lists").movers, planted) is None
    measured = measure_detections(mover, frames, plates)[0]
    assert len(measured) >= 3
    for k, one in measured:
        assert one.seen
        assert np.hypot(one.x - 60 - 6 * k, one.y - 100) < 1.2
        assert one.snr > 4
    # The frame itself shows the star there, and what was measured is said to come from elsewhere.
    assert any("star-subtracted" in one.flag for _, one in measured)


@pytest.mark.parametrize("kind", ["seeing", "poses", "nebula"])
def test_frames_that_differ_and_fields_of_clouds(kind):
    """Changing seeing; frames shifted, upside down and mirrored; knots and clouds as bright as the sky."""
    rng = np.random.default_rng(75)
    more = {
        "seeing": {"fwhms": [2.4, 3.5, 2.7, 3.1]},
        "poses": {"poses": [(0, False, 0, 0), (1, False, 25, -18), (179, False, -12, 9), (0, True, 14, 22)]},
        "nebula": {"cloud": nebula(rng, SHAPE)},
    }[kind]
    planted = [(60.0, 80.0, 12.0, 9.0, 15 * SNR_E), (150.0, 120.0, *SLOW, 20 * SNR_E)]
    search = search_movers(*series(rng, planted, **more), max_rate=300.0)
    assert search.method == "star-subtracted"
    assert len(search.movers) == 2
    assert all(found_at(search.movers, one) is not None for one in planted)


def test_saturated_stars_are_masked_and_the_share_is_stated():
    planted = (60.0, 80.0, 12.0, 9.0, 15 * SNR_E)
    frames, plates = series(np.random.default_rng(76), [planted], n_stars=40, saturation=20_000.0)
    search = search_movers(frames, plates, max_rate=300.0)
    assert len(search.movers) == 1
    bare = search_movers(*series(np.random.default_rng(76), [planted], n_stars=40), max_rate=300.0)
    assert search.masked_share > bare.masked_share + 0.005
    assert f"{100 * search.masked_share:.1f}% of the area" in search.notes[0]


def test_a_mover_that_saturates_is_found_by_the_lists():
    """Subtraction has to mask it: the lists of sources still show it."""
    planted = (60.0, 80.0, 12.0, 9.0, 12_000 * SNR_E)
    frames, plates = series(
        np.random.default_rng(80), [planted], n_stars=15, faintest=17, saturation=20_000.0
    )
    mover = found_at(search_movers(frames, plates, max_rate=300.0).movers, planted)
    assert mover is not None
    assert mover.own == ()


def test_frames_in_a_temporary_file_give_the_same(monkeypatch, tmp_path):
    planted = (60.0, 80.0, 12.0, 9.0, 15 * SNR_E)
    frames, plates = series(np.random.default_rng(81), [planted])
    inside = search_movers(frames, plates).movers
    monkeypatch.setattr(smoothed_frames, "IN_MEMORY_BYTES", 1000)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    assert search_movers(frames, plates).movers == inside
    assert list(tmp_path.iterdir()) == []


def test_cosmic_rays_make_no_movers():
    search = search_movers(*series(np.random.default_rng(77), [], hits=12), max_rate=300.0)
    assert search.movers == []


def test_false_alarms_and_completeness():
    """Five fields: no false line; of movers at 8 sigma at most one is missed."""
    false, found = 0, 0
    for seed in range(5):
        rng = np.random.default_rng(720 + seed)
        x, y, turn = *rng.uniform(60, 140, 2), rng.uniform(0, 2 * np.pi)
        planted = (x, y, 9 * np.cos(turn), 9 * np.sin(turn), 8 * SNR_E)
        movers = search_movers(*series(rng, [planted], n_stars=15)).movers
        right = found_at(movers, planted)
        found += right is not None
        false += len(movers) - (right is not None)
    assert false == 0
    assert found >= 4


def test_frames_of_other_sky_fall_back_to_the_lists():
    """Two fields without a star in common cannot be subtracted: that is said."""
    a, pa = series(np.random.default_rng(78), [], n_frames=3)
    b, pb = series(np.random.default_rng(79), [], n_frames=4)
    search = search_movers([*a[:2], b[3]], [*pa[:2], pb[3]])
    assert search.method == "lists"
    assert "stars not subtracted" in search.notes[0]


def test_two_frames_are_too_few():
    with pytest.raises(InputError, match="three"):
        search_movers([None, None], [None, None])


def test_an_unknown_method_is_refused():
    with pytest.raises(InputError, match="star-subtracted"):
        search_movers([None] * 3, [None] * 3, method="guess")

"""What a night's other frames say of the light that one frame took for the body."""

from types import SimpleNamespace

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table

from appulse.astrometry.detection import survey_frame
from appulse.astrometry.pair_night import _light_at, _scatter_px
from appulse.astrometry.psf import PSF
from appulse.frames import read_frame
from appulse.workflows.measuring import measure_night
from appulse.workflows.sources import open_bodies, open_stars
from invented_nights import NightPlan, make_night


def residuals(folder, **changes):
    """Residuals of an invented night of five frames, and their truths."""
    plan = NightPlan(shape=(240, 260), stars=70, rate_arcsec_h=130.0, **changes)
    night = make_night(plan, folder)
    bodies = open_bodies(["2099 AB1"], positions=night.positions)
    return measure_night(night.frames, bodies, open_stars(night.stars)).residuals, night.truths


def pulls(residual):
    return residual.corrected / np.sqrt(np.diag(residual.corrected_covariance))


def test_a_star_in_no_list_is_not_taken_for_the_body(tmp_path):
    found, _ = residuals(tmp_path, snr=22.0, neighbours=((0.5, 40.0, -3.5, False),), seed=31)
    assert not found[2].seen
    assert "of a star that" in found[2].flag
    others = [found[k] for k in (0, 1, 3, 4)]
    assert all(other.seen for other in others)
    assert np.max(np.abs([pulls(other) for other in others])) < 5


def test_a_fainter_star_within_its_image_widens_its_sigmas(tmp_path):
    """One light of the two was measured between them: three of 37 faint bodies were beyond 5 sigma."""
    neighbours = ((0.5, 40.0, 0.5, False),)
    found, _ = residuals(tmp_path, snr=9.0, fwhm_px=5.0, neighbours=neighbours, seed=31)
    assert all(each.seen for each in found)
    assert "of a star that 4 other frames show: sigmas widened" in found[2].flag
    alone = [found[k] for k in (0, 1, 3, 4)]
    assert not any(each.flag for each in alone)
    widths = [np.sqrt(np.trace(each.covariance)) * each.snr for each in found]
    assert widths[2] > 1.4 * max(widths[k] for k in (0, 1, 3, 4))
    assert np.max(np.abs([pulls(each) for each in found])) < 3


def test_a_star_that_only_the_surroundings_show_is_a_star():
    # On a filament the frame's list of sources has gaps.
    psf = SimpleNamespace(at=lambda x, y: PSF.round(3.0))
    sources = Table({name: np.zeros(0) for name in ("x", "y", "flux")})
    plate = SimpleNamespace(
        true_pixel=lambda ra, dec: (70.0, 50.0), reach_px=40.0,
        survey=SimpleNamespace(psf=psf, sources=sources),
    )
    other = SimpleNamespace(
        plate=plate, expected_px=(50.0, 50.0), seen=False, lights=((70.4, 50.3, 900.0), (60.0, 50.0, 400.0))
    )
    assert _light_at(other, 0.0, 0.0) == 900.0
    other.lights = ()
    assert _light_at(other, 0.0, 0.0) == 0.0


def test_a_light_unlike_that_of_the_other_frames_is_anothers(tmp_path):
    # A star of the catalogue as bright stands in the body's very place: what is left of both is no body.
    found, truths = residuals(tmp_path, snr=250.0, neighbours=((0.1, 40.0, -0.4, True),), nebula=0.6, seed=33)
    assert [each.seen for each in found].count(True) >= 4
    for residual, truth in zip(found, truths, strict=True):
        assert not residual.seen or residual.mag_obs == pytest.approx(truth.mag, abs=1.5)


@pytest.mark.parametrize("mosaic", ["", "RGGB"])
def test_few_pixels_cut_off_at_one_number_are_saturated(tmp_path, mosaic):
    plan = NightPlan(
        frames=1, shape=(200, 220), stars=0, snr=900.0, fwhm_px=1.7, beta=None, mosaic=mosaic, seed=3,
        full_well_e=15_000.0, says_saturation=False, hot_share=0.001, rate_arcsec_h=0.0,
    )  # fmt: skip
    night = make_night(plan, tmp_path)
    survey = survey_frame(read_frame(night.frames[0]))
    assert survey.saturation == pytest.approx(0.98 * (15_000 / plan.gain_e + plan.bias_adu), rel=0.03)
    plain = make_night(NightPlan(**vars(plan) | {"snr": 60.0}), tmp_path / "plain")
    assert survey_frame(read_frame(plain.frames[0])).saturation is None


@pytest.mark.parametrize("above", [0.4, 30_000.0])
def test_a_limit_of_the_header_that_no_pixel_reaches_gives_way_to_the_frame(tmp_path, above):
    plan = NightPlan(
        frames=1, shape=(200, 220), stars=0, snr=900.0, fwhm_px=1.7, beta=None, seed=3, full_well_e=15_000.0,
        says_saturation=False, hot_share=0.001, rate_arcsec_h=0.0,
    )  # fmt: skip
    night = make_night(plan, tmp_path)
    top = float(fits.getdata(night.frames[0]).max())
    fits.setval(night.frames[0], "SATURATE", value=top + above)
    survey = survey_frame(read_frame(night.frames[0]))
    assert survey.saturation == pytest.approx(0.98 * top)
    assert any("below the limit" in note for note in survey.notes)
    plain = make_night(NightPlan(**vars(plan) | {"snr": 60.0}), tmp_path / "plain")
    fits.setval(plain.frames[0], "SATURATE", value=40_000.0)
    assert survey_frame(read_frame(plain.frames[0])).saturation == 40_000.0


def test_bright_stars_of_all_frames_tell_what_sampling_does():
    rng = np.random.default_rng(5)

    def plate(scatter):
        left = rng.normal(0, np.hypot(0.01, scatter), (2, 8))
        stars = Table({
            "used": np.ones(8, bool), "snr": np.full(8, 90.0), "n_saturated": np.zeros(8, int),
            "left_dra": left[0], "left_ddec": left[1],
            "sigma_ra": np.full(8, 0.01), "sigma_dec": np.full(8, 0.01),
        })  # fmt: skip
        return SimpleNamespace(
            corrected=True, stars=stars, pixel_scale=2.0, model=SimpleNamespace(east=[0.0])
        )

    assert _scatter_px([plate(0.0) for _ in range(5)]) == 0.0
    assert _scatter_px([plate(0.06) for _ in range(5)]) == pytest.approx(0.03, rel=0.3)

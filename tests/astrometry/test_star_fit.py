"""All stars of a frame in one batch: places, their sigmas, the star image, and frames that have none."""

from dataclasses import replace

import numpy as np
import pytest

from appulse.astrometry.detection import survey_frame
from appulse.astrometry.plate import check_plate
from appulse.errors import MeasurementError
from appulse.frames import read_frame
from appulse.frames.camera import Camera, Valued
from appulse.frames.frame import SolvedFrame
from appulse.numerics import mad_sigma
from appulse.registration import Bad
from appulse.workflows.sources import open_stars
from invented_frames import tan_wcs
from invented_nights import NightPlan, make_night, point_image

SHAPE = (240, 300)
PLAN = NightPlan(
    seed=5, frames=1, shape=SHAPE, stars=220, fwhm_px=3.0, beta=3.2, snr=80.0, hot_share=0.001, bad_columns=2,
    faintest_listed=17.5, dither_px=0.0,
)  # fmt: skip


def checked(plan, folder, **changes):
    """The plate check of a night's first frame, its pixels changed by a function."""
    night = make_night(plan, folder)
    frame = read_frame(night.frames[0])
    if "mosaic" in changes:
        frame = replace(frame, mosaic=changes["mosaic"])
    return check_plate(frame, open_stars(night.stars).around(frame))


@pytest.mark.parametrize("mosaic", ["", "RGGB"])
def test_undarked_frames_mono_and_mosaic_give_the_true_star_image(tmp_path, mosaic):
    plate = checked(replace(PLAN, mosaic=mosaic), tmp_path)
    survey = plate.survey
    assert survey.psf.fwhm == pytest.approx(3.0, rel=0.03)
    assert survey.psf.beta == pytest.approx(3.2, rel=0.2)
    assert "undersampled" not in " ".join(plate.notes)
    # No hot pixel passes for a source: nearly all that is bright is a star of the table or unlisted.
    assert np.median(survey.sources["fwhm"]) > 2.0
    assert np.count_nonzero(survey.bad_kinds & Bad.SHARP) > 40
    assert np.count_nonzero((survey.bad_kinds & Bad.LINE).all(axis=0)) == 2
    used = plate.stars[plate.stars["used"]]
    assert len(used) >= 12
    pulls = [np.asarray((used[f"left_d{axis}"] / used[f"sigma_{axis}"]).value) for axis in ("ra", "dec")]
    assert 0.6 < mad_sigma(pulls) < 1.4  # 24 stars, blends among them
    if mosaic:
        assert survey.colours[:2, :2].tolist() == [[0, 1], [1, 2]]
        red, green, blue = survey.colour_sigmas
        assert green > red > blue
    else:
        assert survey.colours is None


def test_a_pattern_card_that_lies_is_named(tmp_path):
    plate = checked(replace(PLAN, mosaic="RGGB"), tmp_path, mosaic="GRBG")
    assert "colour pattern GRBG does not fit the pixels" in " ".join(plate.notes)
    assert sorted(np.unique(plate.survey.colours)) == [0, 1, 2, 3]
    assert plate.survey.psf.fwhm == pytest.approx(3.0, rel=0.03)


def frame_of(data, saturation=None):
    known = None if saturation is None else Valued(saturation, "given")
    camera = Camera(Valued(1.0, "given"), Valued(3.0, "given"), known)
    return SolvedFrame.from_arrays(data.astype(np.float32), tan_wcs(SHAPE), camera=camera)


def test_noise_only_has_no_source_and_no_star_image():
    survey = survey_frame(frame_of(np.random.default_rng(1).normal(500.0, 20.0, SHAPE)))
    assert len(survey.sources) == 0
    assert any("no star bright, alone and unsaturated" in note for note in survey.notes)


def test_a_single_star_is_no_star_image():
    data = np.random.default_rng(2).normal(500.0, 20.0, SHAPE)
    place, image = point_image(SHAPE, 150.3, 120.8, 3.0, None)
    data[place] += 30_000.0 * image
    survey = survey_frame(frame_of(data))
    assert len(survey.sources) == 1
    assert any("only 1 star" in note and "5 are needed" in note for note in survey.notes)
    assert survey.psf.width_error == pytest.approx(0.2)


def test_hot_pixels_alone_are_no_star_image():
    rng = np.random.default_rng(3)
    data = rng.normal(500.0, 20.0, SHAPE)
    data[tuple(rng.integers(5, 230, (2, 60)))] += 10 ** rng.uniform(2.5, 4.2, 60)
    survey = survey_frame(frame_of(data))
    assert survey.psf.n_stars == 0
    assert len(survey.sources) <= 6


def test_a_frame_saturated_throughout_is_refused():
    data = np.random.default_rng(4).normal(65_600.0, 30.0, SHAPE)
    with pytest.raises(MeasurementError, match="of the pixels are saturated"):
        survey_frame(frame_of(np.minimum(data, 65_535.0), saturation=65_000.0))


def test_lumps_of_a_nebula_are_no_stars(tmp_path):
    plate = checked(replace(PLAN, nebula=1.0, stars=60), tmp_path)
    assert plate.survey.psf.fwhm == pytest.approx(3.0, rel=0.06)
    assert len(plate.survey.sources) < 100


@pytest.mark.parametrize(("seed", "stars"), [(31260, 65), (4, 70)])
def test_cosmic_rays_do_not_set_the_width_of_few_broad_stars(tmp_path, seed, stars):
    night = make_night(NightPlan(
        seed=seed, frames=1, shape=(360, 400), fwhm_px=7.5, beta=3.1, stars=stars, cosmic_rays=12,
        hot_share=1e-3, nebula=0.6, snr=100.0, exposure_s=20.0,
    ), tmp_path)  # fmt: skip
    frame = read_frame(night.frames[0])
    # They were taken to be 1.2 and 1.5 px wide.
    psf = check_plate(frame, open_stars(night.stars).around(frame)).survey.psf
    assert 5.0 < psf.fwhm < 10.0

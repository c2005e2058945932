"""A whole run on an invented night: alignment, clean base, body at rest, dots, resuming, repeating."""

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table

from appulse.errors import InputError, OutputExistsError
from appulse.frames.frame import SolvedFrame
from appulse.frames.reading import read_frame
from appulse.frames.wcs import sky_to_pixel
from appulse.sequence.picture_job import PictureJob, PictureSettings
from appulse.sequence.run import Cancelled, preview, run
from appulse.sequence.subframe import subframe_of

TOL_ALIGN_PX = 0.1
TOL_STACK_SNR = 0.05
"""Allowed departure of the tracked stack's light from the frames' own."""
BODY_FLUX = 6000.0


def shots_of(night, settings, skip=()):
    return [
        subframe_of(read_frame(path), place, None, settings)
        for index, (path, place) in enumerate(zip(night.paths, night.places, strict=True))
        if index not in skip
    ]


@pytest.fixture(scope="module")
def outcome(invented_night, tmp_path_factory):
    out = tmp_path_factory.mktemp("out")
    settings = PictureSettings(longest_px=200)
    return out, run(PictureJob("body", shots_of(invented_night, settings), settings, out, workers=1))


def test_every_product_is_there(outcome):
    out, result = outcome
    names = {path.name for path in result.written}
    assert {"base.fits", "tracked.fits", "composite.png", "animation.gif", "recipe.yaml"} <= names
    assert all((out / name).stat().st_size > 0 for name in names)
    assert not (out / "parts").exists()


def test_frames_lie_on_each_other(outcome, invented_night):
    night = outcome[1].night
    truths = {
        path.name: truth for path, truth in zip(invented_night.paths, invented_night.truths, strict=True)
    }
    reference = night.reference
    places = np.stack(np.meshgrid([40.0, 120.0, 200.0], [40.0, 100.0, 160.0])).reshape(2, -1)
    ra, dec = night.grid.to_sky(*places)
    true_sky = truths[reference.frame.name].to_sky(*sky_to_pixel(reference.alignment.wcs, ra, dec))
    for subframe in night.kept:
        mine = np.stack(sky_to_pixel(subframe.alignment.wcs, ra, dec))
        real = np.stack(truths[subframe.frame.name].to_pixel(*true_sky))
        assert np.sqrt(np.mean((mine - real) ** 2)) < TOL_ALIGN_PX


def light_at(image, x, y, radius=6):
    """Light within a circle, a ring's median taken off."""
    rows, columns = np.indices(image.shape)
    away = np.hypot(columns - x, rows - y)
    ring = image[(away > radius + 3) & (away < radius + 9)]
    return np.nansum(image[away <= radius] - np.nanmedian(ring))


def test_the_base_has_no_body_in_it(outcome):
    out, result = outcome
    base = fits.getdata(out / "base.fits")
    left = [light_at(base, dot.x, dot.y, radius=3) for dot in result.dots]
    random = np.random.default_rng(2)
    empty = [light_at(base, *random.uniform(15, min(base.shape) - 15, 2), radius=3) for _ in range(200)]
    sigma = 1.4826 * np.median(np.abs(empty - np.median(empty)))  # of a normal distribution: 1 / 0.6745
    assert abs(np.mean(left) - np.median(empty)) < sigma
    assert np.abs(left).max() < 0.03 * BODY_FLUX


def test_the_tracked_stack_keeps_the_bodys_light(outcome):
    out, result = outcome
    tracked = fits.getdata(out / "tracked.fits")
    reference = result.night.reference
    dot = next(dot for dot in result.dots if dot.frame == reference.frame.name)
    light = light_at(tracked, dot.x, dot.y)
    assert light == pytest.approx(BODY_FLUX, rel=TOL_STACK_SNR)


def test_every_dot_stands_in_its_frame(outcome):
    out, _ = outcome
    table = Table.read(out / "dots.ecsv")
    assert len(table) == 8
    assert table["laid"].all()
    assert len(set(table["frame"])) == 8
    assert all(len(digest) == 64 for digest in table["sha256"])
    assert np.all(np.diff(sorted(table["x"])) > 5)


def test_a_second_run_is_refused(outcome, invented_night):
    settings = PictureSettings()
    with pytest.raises(OutputExistsError, match="--overwrite"):
        run(PictureJob("body", shots_of(invented_night, settings), settings, outcome[0]))


def test_a_broken_off_run_goes_on(invented_night, tmp_path):
    settings = PictureSettings(longest_px=200)

    told = []

    def progress(words, done, total):
        told.append((words, done, total))

    def cancelled():
        return told[-1][0] == "stacking: moving body"

    job = PictureJob("body", shots_of(invented_night, settings), settings, tmp_path, workers=1)
    with pytest.raises(Cancelled, match="moving body"):
        run(job, progress=progress, cancelled=cancelled)
    assert ("looking at frames", 8, 8) in told
    assert (tmp_path / "base.fits").exists()
    result = run(PictureJob("body", shots_of(invented_night, settings), settings, tmp_path, workers=1))
    # Eight star lists, sixteen planes and the base were there already.
    assert result.reused == 25


def test_previews_are_small(invented_night, tmp_path):
    settings = PictureSettings(bin=3)
    result = run(PictureJob("body", shots_of(invented_night, settings), settings, tmp_path, workers=1))
    assert [path.name for path in result.written] == ["preview.png"]
    assert max(result.night.grid.shape) < 140


def test_a_preview_leaves_no_trace_and_the_job_as_it_was(invented_night, tmp_path):
    settings = PictureSettings()
    job = PictureJob("body", shots_of(invented_night, settings), settings, tmp_path / "out", workers=1)
    small = preview(job, longest_px=130, most_frames=5)
    assert small.pixels.dtype == np.uint8
    assert small.pixels.shape[2] == 1
    assert max(small.pixels.shape) < 140
    assert small.n_frames == 5
    assert any(dot.used for dot in small.dots)
    assert not job.out.exists()
    assert (job.settings.bin, len(job.subframes)) == (1, 8)


def test_a_preview_can_be_stopped(invented_night, tmp_path):
    job = PictureJob(
        "body", shots_of(invented_night, PictureSettings()), PictureSettings(), tmp_path / "out", workers=1
    )
    with pytest.raises(Cancelled, match="looking at frames"):
        preview(job, cancelled=lambda: True)


def test_a_frame_out_of_memory_is_told_before_the_work(invented_night, tmp_path):
    frame = read_frame(invented_night.paths[0])
    bare = SolvedFrame.from_arrays(frame.data, frame.wcs, frame.exposure, frame.observer)
    subframes = [subframe_of(bare, invented_night.places[0], None, PictureSettings())]
    with pytest.raises(InputError, match="has no file"):
        run(PictureJob("body", subframes, PictureSettings(), tmp_path / "out"))


def test_a_single_frame_makes_a_picture(invented_night, tmp_path):
    settings = PictureSettings()
    result = run(
        PictureJob(
            "body", shots_of(invented_night, settings, skip=range(1, 8)), settings, tmp_path, workers=1
        )
    )
    assert (tmp_path / "composite.png").exists()
    assert len(result.night.kept) == 1


def test_no_frame_at_all(tmp_path):
    with pytest.raises(InputError, match="no frame"):
        run(PictureJob("body", [], PictureSettings(), tmp_path))

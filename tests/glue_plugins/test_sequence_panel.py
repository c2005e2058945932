"""Stacks and picture in the viewer: grades, preview, run, cancel, resume, what comes back as frames."""

import re

import numpy as np
import pytest
from astropy.io import fits
from astropy.time import Time, TimeDelta
from glue.core import DataCollection
from glue.core.data_factories import load_data
from glue_worlds import make_frame, make_track, make_wcs

from appulse.errors import InputError, OutputExistsError
from appulse.sequence.run import Cancelled
from glue_appulse import inputs, night_picture
from glue_appulse.data.solved_frames import frame_of
from glue_appulse.night_picture import (
    PictureRequest,
    folder_state,
    is_product,
    night_frames,
    suggested_folder,
)

SHAPE, SCALE, FRAMES = (150, 190), 3.6, 4
START = Time("2027-05-04T22:00:00", scale="utc")
SITE = (20.5, -23.0, 1250.0)
SKY, FLUX, SIGMA_PX = 400.0, 9000.0, 1.1
WAIT_S = 60.0


def write_frame(path, index, sky):
    """One small frame with invented stars and (7) where the starter orbits have it."""
    stars, body = sky
    wcs = make_wcs(*body[FRAMES // 2], scale=SCALE, rotation=4.0 * index, shape=SHAPE)
    image = np.random.default_rng(index).normal(SKY, 12.0, SHAPE)
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]]
    for ra, dec, flux in [*stars, (*body[index], FLUX)]:
        x, y = wcs.all_world2pix(ra, dec, 0)
        peak = flux / (2 * np.pi * SIGMA_PX**2)
        image += peak * np.exp(-((columns - x) ** 2 + (rows - y) ** 2) / (2 * SIGMA_PX**2))
    header = wcs.to_header()
    header["DATE-BEG"], header["EXPTIME"], header["EGAIN"] = at(index).isot, 60.0, 2.0
    header["OBSGEO-L"], header["OBSGEO-B"], header["OBSGEO-H"] = SITE
    fits.writeto(path, image.astype(np.float32), header)


def at(index):
    return START + TimeDelta(1200.0 * index, format="sec")


@pytest.fixture(scope="session")
def small_files(tmp_path_factory):
    """Four frames of 150 by 190 pixels."""
    from appulse.observers.site import Site

    folder = tmp_path_factory.mktemp("small-night")
    mids = Time([at(i) + TimeDelta(30.0, format="sec") for i in range(FRAMES)])
    table = inputs.open_orbits().ephemeris.at(mids, Site.from_geodetic(*SITE), bodies=["7"])
    body = list(zip(np.asarray(table["ra"], float), np.asarray(table["dec"], float), strict=True))
    dice, (ra, dec) = np.random.default_rng(8), body[FRAMES // 2]
    reach = SCALE * max(SHAPE) / 3600 * 0.7
    stars = [
        (ra + a / np.cos(np.radians(dec)), dec + b, flux)
        for a, b, flux in zip(*dice.uniform(-reach, reach, (2, 70)), dice.uniform(3e3, 4e4, 70), strict=True)
    ]
    paths = [folder / f"n{i}.fits" for i in range(FRAMES)]
    for i, path in enumerate(paths):
        write_frame(path, i, (stars, body))
    return paths


@pytest.fixture
def small_night(small_files, registered):
    return [load_data(str(path)) for path in small_files]


@pytest.fixture(scope="session")
def picture(small_files, registered, tmp_path_factory):
    """Answer of one whole run, and its folder; two frames are taken over from an interrupted run."""
    out = tmp_path_factory.mktemp("picture") / "out"
    frames = [load_data(str(path)) for path in small_files]
    plan = PictureRequest(frames, "7", out=str(out), keep={"n3.fits": False})
    told = []
    with pytest.raises(Cancelled):
        night_picture.run(plan, None, lambda *words: told.append(words), lambda: (out / "base.fits").exists())
    state = folder_state(out)
    return night_picture.run(plan), out, told, state


def test_only_frames_that_can_be_stacked_are_taken(small_night, picture):
    _answer, out, _told, _state = picture
    stack = load_data(str(out / "base.fits"))
    assert is_product(stack)
    assert not is_product(small_night[0])
    mute = make_frame("no-time")
    good, lines = night_frames(DataCollection([*small_night[::-1], mute, stack]))
    assert [data.label for data in good] == ["n0.fits", "n1.fits", "n2.fits", "n3.fits"]
    assert len(lines) == 1
    assert "no-time has no time" in lines[0]
    twice, told = night_frames([small_night[0], load_data(str(frame_of(small_night[0]).path))])
    assert len(twice) == 1
    assert "two frames are called n0.fits" in told[0]
    assert suggested_folder(good).endswith("picture")
    assert suggested_folder([]) == ""


def test_what_was_broken_off_goes_on_and_its_parts_are_not_made_again(picture):
    answer, out, told, state = picture
    assert state == "unfinished"
    assert folder_state(out) == "finished"
    assert answer.value.reused > 0
    assert {path.name for path in answer.value.written} >= {"base.fits", "tracked.fits", "composite.png",
                                                            "animation.gif", "recipe.yaml"}  # fmt: skip
    assert [subframe.frame.name for subframe in answer.value.night.kept] == ["n0.fits", "n1.fits", "n2.fits"]
    assert "left out by the user" in (out / "grades.ecsv").read_text()
    stages = list(dict.fromkeys(words for words, _done, _total in told))
    assert len(stages) >= 3
    assert all(0 <= done <= total for _words, done, total in told)
    assert "(7) Iris" in (out / "recipe.yaml").read_text()


@pytest.mark.parametrize(("view", "longest"), [(None, 700), (3.6, 1400), (7.6, 1050), (60.0, 700)])
def test_a_preview_of_a_part_is_finer_within_reason(small_night, tmp_path, view, longest):
    wanted = PictureRequest(small_night, "7", out=str(tmp_path), look={"view_arcmin": view})
    job = night_picture.make_job(wanted)
    assert night_picture._preview_px(job) == pytest.approx(longest, abs=2)


def test_products_are_kept_unless_told_otherwise(small_night, picture):
    _answer, out, *_ = picture
    with pytest.raises(OutputExistsError):
        night_picture.run(PictureRequest(small_night, "7", out=str(out)))
    assert not (out / "parts").exists()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"frames": []}, "no frame with time, site and file"),
        ({"body": " "}, "no body is chosen"),
        ({"out": ""}, "no folder is chosen"),
        ({"body": "no such body"}, "no such body"),
    ],
)
def test_what_is_missing_is_told(small_night, tmp_path, change, words):
    plan = PictureRequest(**{"frames": small_night, "body": "7", "out": str(tmp_path / "out"), **change})
    with pytest.raises(InputError, match=words):
        night_picture.run(plan)
    assert not (tmp_path / "out").exists()


def test_one_frame_is_a_picture_and_a_stranger_is_told(small_night, sample_data, tmp_path):
    alone = night_picture.preview(PictureRequest(small_night[:1], "7"))
    assert alone.value.n_frames == 1
    stranger = tmp_path / "elsewhere.fits"
    with fits.open(frame_of(small_night[1]).path) as hdus:
        hdus[0].header["CRVAL2"] += 5.0
        hdus.writeto(stranger)
    answer = night_picture.preview(PictureRequest([*small_night, load_data(str(stranger))], "7"))
    assert answer.value.n_frames == FRAMES
    assert any("elsewhere.fits: another field" in line for line in answer.lines)


def test_the_preview_has_marks_masters_and_colour(small_night, small_files, tmp_path):
    plain = night_picture.preview(PictureRequest(small_night, "7")).value.pixels
    marked = night_picture.preview(PictureRequest(small_night, "7", look={"marks": ("scale", "compass")}))
    assert marked.value.pixels.shape == (*plain.shape[:2], 3)
    assert (marked.value.pixels != plain).any(-1).mean() > 0.005
    # three frames for red, green and blue: the one for red twice as bright
    bright = tmp_path / "red.fits"
    with fits.open(small_files[0]) as hdus:
        hdus[0].data = hdus[0].data * 2
        hdus.writeto(bright)
    dark = tmp_path / "dark.fits"
    fits.PrimaryHDU(np.full(SHAPE, 100.0, np.float32)).writeto(dark)
    files = {"colour": [str(bright), *map(str, small_files[1:3])], "dark": [str(dark)], "flat": []}
    plan = PictureRequest(small_night, "7", out=str(tmp_path / "out"), files=files)
    job = night_picture.make_job(plan)
    assert {role: len(paths) for role, paths in job.files.items()} == {"colour": 3, "dark": 1}
    assert np.median(job.subframes[0].frame.data) == pytest.approx(SKY - 100.0, abs=5)
    assert night_picture.preview(plan).value.pixels.shape[2] == 3
    two = PictureRequest(small_night, "7", out="x", files={"colour": files["colour"][:2]})
    with pytest.raises(InputError, match="the colour base: 2 planes in 2 files"):
        night_picture.make_job(two)


def test_products_that_are_left_out_are_not_made(small_night, tmp_path):
    out = tmp_path / "out"
    left_out = frozenset({"tracked.fits", "animation.gif"})
    answer = night_picture.run(PictureRequest(small_night, "7", out=str(out), left_out=left_out))
    made = {path.name for path in answer.value.written}
    assert {"base.fits", "composite.png", "recipe.yaml"} <= made
    assert not made & left_out
    assert not any((out / name).exists() for name in left_out)


def test_stars_of_the_bundled_catalogue_are_found_for_a_frame(small_night):
    """The panel falls back on them wherever no star table is chosen."""
    frame = frame_of(small_night[0])
    stars = inputs.open_stars().around(frame)
    assert "bundled" in stars.catalogue


@pytest.fixture
def panel(app, small_night, tmp_path, monkeypatch):
    from glue_appulse.qt.sequence_panel import open_panel

    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    app.add_datasets(small_night)
    app.data_collection.append(make_track("(7) Iris"))
    app.data_collection[-1].meta["body"] = "7"
    opened = open_panel(app.session)
    opened.options.folder.setText(str(tmp_path / "out"))
    return opened


def test_the_panel_previews_grades_runs_stops_and_goes_on(panel, app, tmp_path):
    assert panel.body.chosen() == ("7", None)
    assert panel.options.values()["look"]["marks"] == ()
    assert panel.preview().wait(WAIT_S)
    assert panel.pictures.view.shows == "picture"
    assert "preview of 4 frames" in panel.status.text()
    panel.options.width.setValue(3.0)
    assert panel.preview().wait(WAIT_S)
    assert "a view of 3 arcmin is" in panel.status.text()
    panel.options.width.setValue(0.0)
    assert not (tmp_path / "out").exists()
    assert panel.grade().wait(WAIT_S)
    assert all(float(panel.table.item(row, 2).text()) > 1.0 for row in range(FRAMES))
    assert not (tmp_path / "out").exists()
    panel.table.set_keep("n3.fits", False)

    job = panel.run()
    assert not panel.run_button.isEnabled()
    assert panel.cancel_button.isEnabled()
    panel.cancel()
    assert job.wait(WAIT_S)
    assert panel.status.text().startswith("stopped")
    assert panel.run_button.text() == "Resume"

    assert panel.run().wait(WAIT_S)
    assert panel.status.text().startswith("3 of 4 frames")
    assert "reused" in panel.status.text()
    assert panel.run_button.text() == "Run"
    assert [data.label for data in app.data_collection][-2:] == ["base.fits", "tracked.fits"]
    app.app.processEvents()
    [viewer] = [one for tab in app.viewers for one in tab]
    assert {"base.fits", "tracked.fits"} <= {layer.layer.label for layer in viewer.layers}
    panel.fill()
    assert panel.table.names() == ["n0.fits", "n1.fits", "n2.fits", "n3.fits"]
    assert panel.table.kept() == ["n0.fits", "n1.fits", "n2.fits"]
    panel.options.masters["dark"].choose(["/masters/dark.fits"])
    assert panel.options.values()["files"]["dark"] == ["/masters/dark.fits"]
    panel.options.masters["dark"].click()  # takes it away again
    assert panel.options.values()["files"] == {"bias": [], "dark": [], "flat": [], "colour": []}
    panel.pictures.which.setCurrentText("animation")
    assert panel.pictures.view.shows == "animation"

    assert panel.run().wait(WAIT_S)
    assert "holds products already; tick" in panel.status.text()
    panel.options.overwrite.setChecked(True)
    panel.options.made["tracked.fits"].setChecked(False)
    panel.options.made["animation.gif"].setChecked(False)
    assert panel.run().wait(WAIT_S)
    assert panel.status.text().startswith("3 of 4 frames")
    labels = [data.label for data in app.data_collection]
    assert labels.count("base.fits") == 1


def test_ticks_follow_the_grades_until_the_user_speaks(needs_qt, app):
    from glue_appulse.qt.sequence_panel import GradesTable

    table = GradesTable()
    table.show_frames([("a", "2027-05-04T22:00:00.000"), ("b", "2027-05-04T23:00:00.000")])
    numbers = dict.fromkeys(("fwhm", "ellipticity", "sky", "n_stars", "transparency", "trail"), 2.0)
    clouded = {"frame": "b", "keep": False, "reason": "clouded", **numbers, "transparency": float("nan")}
    table.show_grades([{"frame": "a", "keep": True, "reason": "", **numbers}, clouded])
    assert table.kept() == ["a"]
    assert table.keep == {}
    assert table.item(1, 8).text() == "clouded"
    assert table.item(1, 6).text() == "–"
    table.set_keep("b", True)
    table.set_keep("a", False)
    assert table.keep == {"a": False, "b": True}
    assert table.item(0, 8).text() == "by you"
    table.show_grades([clouded])
    assert table.kept() == ["b"]
    table.forget_decisions()
    assert table.kept() == ["a"]
    assert table.keep == {}


@pytest.mark.parametrize(
    ("change", "words"),
    [("body", "no-such-body"), ("frames", "no frame with time"), ("folder", "not a (folder|directory)")],
)
def test_errors_stand_in_the_panel_in_words(panel, tmp_path, change, words, capsys):
    if change == "body":
        panel.body.box.setCurrentText("no-such-body")
    elif change == "frames":
        for data in panel.frames:
            panel.session.data_collection.remove(data)
        panel.fill()
    else:
        (tmp_path / "file").write_text("")
        panel.options.folder.setText(str(tmp_path / "file" / "out"))
    assert panel.run().wait(WAIT_S)
    assert re.search(words, panel.status.text().lower())
    assert "Traceback" not in panel.status.text()
    assert panel.run_button.isEnabled()
    assert panel.job is None
    capsys.readouterr()


def test_a_picture_keeps_its_shape_and_its_colours(needs_qt, app):
    from glue_appulse.qt.sequence_panel import PictureView

    view = PictureView("nothing yet")
    assert view.shows == "words"
    view.resize(400, 400)
    pixels = np.zeros((30, 61, 3), np.uint8)
    pixels[:15, :, 0], pixels[15:, :, 2] = 255, 255
    view.show_pixels(pixels)
    shown = view.pixmap().toImage()
    assert abs(shown.width() / shown.height() - 61 / 30) < 0.05
    top, low = shown.pixelColor(20, 5), shown.pixelColor(20, shown.height() - 5)
    assert (top.red(), top.blue(), low.red(), low.blue()) == (255, 0, 0, 255)

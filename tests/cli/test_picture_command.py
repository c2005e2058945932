"""``appulse picture`` from outside: bad frames in a batch, recipes, editing the grades."""

import re
import shutil
import signal

import numpy as np
import pytest
import yaml
from astropy.io import fits
from astropy.table import Table
from PIL import Image

from appulse.cli.main import main

TOL_PIXELS = 1e-6
"""Relative: pixels are kept in single precision, and threads may add in another order."""
TOL_LEVELS = 1
"""Of 256, where a value lies on the edge of rounding."""
SITE = "-23.4711,18.0233,1825"


@pytest.fixture(scope="module")
def night(sample_data, tmp_path_factory):
    """Three sample frames cut to a window around the body, so that a run takes a moment."""
    folder = tmp_path_factory.mktemp("cut")
    answers = yaml.safe_load((sample_data / "answers.yaml").read_text(encoding="utf-8"))["frames"]
    for number in (1, 2, 4):
        name = f"iris_{number}.fits.fz"
        with fits.open(sample_data / name) as hdus:
            x, y = round(answers[name]["x"]), round(answers[name]["y"])
            x0, y0 = max(x - 240, 0), max(y - 200, 0)
            header, data = hdus[1].header.copy(), hdus[1].data[y0 : y0 + 400, x0 : x0 + 480]
            header["CRPIX1"] -= x0
            header["CRPIX2"] -= y0
            fits.writeto(folder / f"iris_{number}.fits", data, header, output_verify="ignore")
    return folder


@pytest.fixture(scope="module")
def words(sample_data):
    return [
        "--body",
        "7",
        "--orbits",
        str(sample_data / "orbit.ecsv"),
        "--stars",
        str(sample_data / "stars.ecsv"),
    ]


@pytest.fixture(scope="module")
def made(night, words, tmp_path_factory):
    out = tmp_path_factory.mktemp("made")
    frames = [str(path) for path in sorted(night.glob("iris_*.fits"))]
    more = ["--also", "tiff,jpeg", "--jpeg-size", "200", "--keep-parts"]
    assert main(["picture", *frames, *words, *more, "--out", str(out)]) == 0
    return out


@pytest.fixture
def looked_at(made, tmp_path):
    """A folder for products in which the frames' stars are known already: fitting them takes the time."""
    out = tmp_path / "out"
    (out / "parts").mkdir(parents=True)
    for part in (made / "parts").glob("stars-*"):
        shutil.copy(part, out / "parts")
    return out


def test_products(made):
    names = {path.name for path in made.iterdir()}
    assert {"base.fits", "tracked.fits", "composite.png", "composite.tiff", "composite.jpg"} <= names
    assert {"animation.gif", "recipe.yaml", "dots.ecsv", "grades.ecsv", "grades.png"} <= names
    with Image.open(made / "composite.jpg") as picture:
        assert max(picture.size) == 200
        assert picture.info["icc_profile"][36:40] == b"acsp"
    with Image.open(made / "animation.gif") as picture:
        assert picture.n_frames >= 3


def test_wcs_of_the_stack_puts_the_dots_where_the_body_was(made, sample_data):
    answers = yaml.safe_load((sample_data / "answers.yaml").read_text(encoding="utf-8"))["frames"]
    for row in Table.read(made / "dots.ecsv"):
        truth = answers[row["frame"] + ".fz"]
        east = (row["ra"] - truth["ra_true"]) * 3600 * np.cos(np.radians(truth["dec_true"]))
        # A third of a 3.6 arcsec pixel: dots are set where the light is, in steps of a quarter FWHM.
        assert np.hypot(east, (row["dec"] - truth["dec_true"]) * 3600) < 1.2


def test_a_recipe_repeats_to_the_same_pixels(made, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("appulse.sequence.prepared_night.anchored", never)
    monkeypatch.setattr("appulse.sequence.prepared_night.align", never)
    assert main(["picture", "--recipe", str(made / "recipe.yaml"), "--out", str(tmp_path)]) == 0
    before, after = (
        yaml.safe_load((f / "recipe.yaml").read_text(encoding="utf-8")) for f in (made, tmp_path)
    )
    assert {"base.fits", "tracked.fits", "composite.png", "animation.gif"} == set(before["results"])
    assert set(after["results"]) == set(before["results"])
    for name in ("base.fits", "tracked.fits"):
        with fits.open(made / name) as old, fits.open(tmp_path / name) as new:
            assert old[0].header["CRVAL1"] == pytest.approx(new[0].header["CRVAL1"], rel=1e-14)
            for before_hdu, after_hdu in zip(old, new, strict=True):
                np.testing.assert_allclose(after_hdu.data, before_hdu.data, rtol=TOL_PIXELS)
    for name in ("composite.png", "composite.jpg", "composite.tiff", "animation.gif"):
        with Image.open(made / name) as old, Image.open(tmp_path / name) as new:
            assert new.size == old.size
            np.testing.assert_allclose(levels(new), levels(old), atol=TOL_LEVELS, rtol=0)
    # Whether sums agree to the last bit is for the processor to say; which pictures are compared is not.
    assert re.search(r"pixels (as|than) the recipe: .*base.fits", capsys.readouterr().out)


def levels(picture):
    return np.asarray(picture.convert("RGB")).astype(int)


def never(*args, **more):
    raise AssertionError("what a recipe pins is not looked for again")


def test_a_changed_frame_is_refused_by_the_recipe(made, night, tmp_path, capsys):
    shutil.copytree(night, tmp_path / "cut")
    recipe = yaml.safe_load((made / "recipe.yaml").read_text(encoding="utf-8"))
    recipe["frames"] = {f"cut/{name.rsplit('/')[-1]}": entry for name, entry in recipe["frames"].items()}
    recipe["stars"] = None
    (tmp_path / "r.yaml").write_text(yaml.safe_dump(recipe), encoding="utf-8")
    with fits.open(tmp_path / "cut" / "iris_1.fits", mode="update") as hdus:
        hdus[0].data[0, 0] += 1
    assert main(["picture", "--recipe", str(tmp_path / "r.yaml"), "--out", str(tmp_path / "o")]) == 2
    assert "iris_1.fits: its bytes are not those" in capsys.readouterr().err


def test_an_existing_output_is_refused(made, night, words, capsys):
    assert main(["picture", str(night / "iris_1.fits"), *words, "--out", str(made)]) == 2
    assert "--overwrite" in capsys.readouterr().err


def test_bad_frames_are_told_and_the_rest_goes_on(night, words, looked_at, tmp_path, capsys):
    with fits.open(night / "iris_1.fits") as hdus:
        header, data = hdus[0].header, hdus[0].data
        plain = fits.Header(
            [(c.keyword, c.value) for c in header.cards if not c.keyword.startswith(("CTYPE", "A_", "B_"))]
        )
        fits.writeto(tmp_path / "nowcs.fits", data, plain)
        other = header.copy()
        other["CRVAL1"] = header["CRVAL1"] - 20.0
        fits.writeto(tmp_path / "other.fits", data, other)
        dim = header.copy()
        sky = np.median(data)
        fits.writeto(tmp_path / "cloud.fits", (sky + (data - sky) * 0.25).astype(np.float32), dim)
        fits.writeto(tmp_path / "small.fits", data[50:350, 60:420], shifted(header, 60, 50))
    Image.new("RGB", (40, 40)).save(tmp_path / "snap.jpg")
    frames = [*sorted(night.glob("iris_[24].fits")), *sorted(tmp_path.glob("*.fits")), tmp_path / "snap.jpg"]
    out = looked_at
    assert main(["picture", *map(str, frames), *words, "--out", str(out)]) == 1
    err = capsys.readouterr().err
    for word in ("nowcs.fits", "other.fits: another field", "cloud.fits: left out, clouded", "snap.jpg"):
        assert word in err
    table = Table.read(out / "grades.ecsv")
    kept = {str(row["frame"]) for row in table if row["keep"]}
    assert kept == {"iris_2.fits", "iris_4.fits", "small.fits"}


def shifted(header, dx, dy):
    new = header.copy()
    new["CRPIX1"] -= dx
    new["CRPIX2"] -= dy
    return new


@pytest.fixture
def heeding_ctrl_c():
    """Where the tests run in the background of a shell, the process was begun with Ctrl-C ignored."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.usefixtures("heeding_ctrl_c")
def test_ctrl_c_keeps_what_is_done(night, words, looked_at, capsys, monkeypatch):
    frames = [str(path) for path in sorted(night.glob("iris_[24].fits"))]
    command = ["picture", *frames, *words, "--out", str(looked_at)]
    with monkeypatch.context() as patched:
        patched.setattr("appulse.workflows.progress.Display.__call__", interrupting)
        assert main(command) == 130
    assert "the same command goes on" in capsys.readouterr().err
    assert (looked_at / "base.fits").exists()
    assert not (looked_at / "recipe.yaml").exists()
    assert not list(looked_at.rglob(".*"))
    assert main(command) == 0
    # Two star lists, four planes and the base.
    assert "7 parts of an interrupted run" in capsys.readouterr().out
    assert not (looked_at / "parts").exists()


def interrupting(_display, words, done, total):
    """Progress that is shown when the user has seen enough."""
    if words == "stacking: moving body":
        signal.raise_signal(signal.SIGINT)


def test_edited_grades_are_followed(made, night, words, looked_at, tmp_path):
    table = Table.read(made / "grades.ecsv")
    table["keep"][0] = False
    table.write(tmp_path / "grades.ecsv")
    frames = [str(path) for path in sorted(night.glob("iris_*.fits"))]
    more = [
        "--grades",
        str(tmp_path / "grades.ecsv"),
        "--dots",
        "none",
        "--fixed",
        "body",
        "--play",
        "bounce",
        "--site",
        SITE,
        "--clock-sigma",
        "0.5",
    ]
    assert main(["picture", *frames, *words, *more, "--out", str(looked_at)]) == 0
    assert fits.getheader(looked_at / "base.fits")["NCOMBINE"] == 2
    text = (looked_at / "recipe.yaml").read_text(encoding="utf-8")
    recipe = yaml.safe_load(text)
    assert recipe["reading"] == {"clock_sigma_s": 0.5}
    assert "numpy" in recipe["made_with"]
    # As numbers of their own: the digits of another may hold them.
    numbers = re.findall(r"[\d.]+", text)
    assert not {secret.lstrip("-") for secret in SITE.split(",")} & set(numbers)


def test_a_colour_base_that_misses_the_track_is_told(night, words, looked_at, tmp_path, capsys):
    with fits.open(night / "iris_2.fits") as hdus:
        corner = hdus[0].data[:150, :150].astype(np.float32)
        fits.writeto(tmp_path / "rgb.fits", np.stack([corner] * 3), hdus[0].header, output_verify="ignore")
    frames = [str(path) for path in sorted(night.glob("iris_[24].fits"))]
    more = ["--colour", str(tmp_path / "rgb.fits"), "--marks", "scale,compass,times,ring", "--north-up"]
    assert main(["picture", *frames, *words, *more, "--out", str(looked_at)]) == 0
    assert "does not cover the body" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("more", "word"),
    [
        (["--marks", "stars"], "ring"),
        (["--also", "bmp"], "tiff"),
        (["--view", "0.1"], "64"),
        (["--cadence", "often"], "--step"),
        (["--reference", "x.fits"], "x.fits"),
    ],
)
def test_wrong_words_are_told(night, words, looked_at, capsys, more, word):
    code = main(["picture", str(night / "iris_1.fits"), *words, *more, "--out", str(looked_at)])
    assert code == 2
    assert word in capsys.readouterr().err


def test_a_body_half_a_sky_away_is_said_of_each_frame(night, looked_at, capsys):
    frames = [str(path) for path in sorted(night.glob("iris_[24].fits"))]
    assert main(["picture", *frames, "--body", "433", "--preview", "--out", str(looked_at)]) == 2
    assert capsys.readouterr().err.count("the body is predicted 121.") == 2


def test_frames_or_recipe_are_needed(tmp_path, capsys):
    assert main(["picture", "--out", str(tmp_path / "o")]) == 2
    assert "--recipe" in capsys.readouterr().err

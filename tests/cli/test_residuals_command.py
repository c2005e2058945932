"""``appulse residuals`` from outside: columns, signs, batches with bad frames in them."""

import hashlib
import subprocess
import sys

import numpy as np
import pytest
import yaml
from astropy.table import Table
from astropy.time import Time

from appulse.cli.main import main

COLUMNS = [
    *("frame", "time", "designation", "x", "y", "ra_obs", "dec_obs", "ra_calc", "dec_calc"),
    *("dra_cosdec", "ddec", "along", "across", "sigma_ra", "sigma_dec", "sigma_along", "sigma_across"),
    *("plate_dra", "plate_ddec", "dra_plate", "ddec_plate", "n_stars", "snr", "flag"),
]

BAD = {"truncated": "truncated", "nowcs": "WCS", "strings": "CRVAL1", "notime": "--time", "nosite": "--site"}
"""A word that the line about each frame must hold."""


@pytest.fixture
def words(sample_data):
    """Options that measure the sample's body with the sample's orbit and stars."""
    orbits, stars = str(sample_data / "orbit.ecsv"), str(sample_data / "stars.ecsv")
    return ["--body", "7", "--orbits", orbits, "--stars", stars]


@pytest.fixture(scope="module")
def measured(sample_data, tmp_path_factory):
    """The third sample frame, measured once for all tests that only look."""
    out = tmp_path_factory.mktemp("measured")
    words = ["--orbits", str(sample_data / "orbit.ecsv"), "--stars", str(sample_data / "stars.ecsv")]
    frame = sample_data / "iris_3.fits.fz"
    assert main(["residuals", str(frame), "--body", "7", *words, "--out", str(out)]) == 0
    return Table.read(out / "residuals.ecsv")


@pytest.fixture(scope="module")
def answer(sample_data):
    answers = yaml.safe_load((sample_data / "answers.yaml").read_text(encoding="utf-8"))
    return answers | answers["frames"]["iris_3.fits.fz"]


def test_columns(measured):
    assert [name for name in measured.colnames if name in COLUMNS] == COLUMNS
    assert len(measured) == 1


def test_time_is_the_recorded_light_weighted_middle(measured, answer):
    assert abs((Time(measured["time"][0]) - Time(answer["time_recorded"])).sec) < 0.01


@pytest.mark.parametrize(("column", "truth"), [("x", "x"), ("y", "y")])
def test_pixel_place(measured, answer, column, truth):
    assert measured[column][0] == pytest.approx(answer[truth], abs=0.05)


@pytest.mark.parametrize(
    ("column", "truth", "sigma"),
    [
        ("dra_cosdec", "dra_cosdec", "sigma_ra"),
        ("ddec", "ddec", "sigma_dec"),
        ("along", "along_frame", "sigma_along"),
        ("across", "across_frame", "sigma_across"),
    ],
)
def test_residual_by_the_frames_own_wcs(measured, answer, column, truth, sigma):
    pa = np.arctan2(answer["dra_plate"], answer["ddec_plate"])  # the clock's error lies along the motion
    east, north = answer["dra_cosdec"], answer["ddec"]
    truths = answer | {
        "along_frame": east * np.sin(pa) + north * np.cos(pa),
        "across_frame": east * np.cos(pa) - north * np.sin(pa),
    }
    assert abs(measured[column][0] - truths[truth]) < 3.0 * measured[sigma][0] + 0.005


def test_brightness(measured, answer):
    assert measured["sigma_mag"][0] < 0.03
    assert abs(measured["mag_obs"][0] - answer["mag_true"]) < 3.0 * measured["sigma_mag"][0]


def test_brightness_of_an_image_unlike_the_model_has_the_sigma_it_deserves(
    bad_frames, words, tmp_path, answer
):
    """The same frame without its list of exposures: the light is taken as even, and it was not."""
    frame = str(bad_frames / "good.fits")
    assert main(["residuals", frame, *words, "--out", str(tmp_path)]) == 0
    (row,) = Table.read(tmp_path / "residuals.ecsv")
    off = abs(row["mag_obs"] - answer["mag_true"])
    assert "not a plain dot" in row["flag"]
    assert off < 2.0 * row["sigma_mag"]
    assert row["sigma_mag"] < 0.3


def test_along_is_positive_with_the_motion(measured, answer):
    """A late clock: the body has moved on, past its place at the recorded time."""
    pa = np.arctan2(answer["dra_plate"], answer["ddec_plate"])
    along = measured["dra_plate"][0] * np.sin(pa) + measured["ddec_plate"][0] * np.cos(pa)
    assert along / answer["rate"] * 3600 == pytest.approx(answer["clock_offset_s"], abs=6.0)


def test_sigmas_are_those_of_the_same_ellipse(measured):
    row = measured[0]
    total = row["sigma_ra"] ** 2 + row["sigma_dec"] ** 2
    turned = row["sigma_along"] ** 2 + row["sigma_across"] ** 2
    assert turned == pytest.approx(total, rel=0.05)  # rounded as written


def test_provenance_names_program_frame_orbit_and_stars(measured, sample_data):
    text = str(dict(measured.meta))
    checksum = hashlib.sha256((sample_data / "iris_3.fits.fz").read_bytes()).hexdigest()
    for word in ("appulse", "numpy", "iris_3.fits.fz", checksum, "orbit.ecsv", "stars.ecsv"):
        assert word in text


def test_a_batch_goes_on_past_bad_frames(bad_frames, words, tmp_path, capsys):
    frames = [str(bad_frames / f"{name}.fits") for name in (*BAD, "good")]
    code = main(["residuals", *frames, *words, "--out", str(tmp_path / "m")])
    said = capsys.readouterr().err.splitlines()
    assert code == 1
    assert list(Table.read(tmp_path / "m" / "residuals.ecsv")["frame"]) == ["good.fits"]
    *lines, last = said
    for name in BAD:
        assert sum(f"{name}.fits" in line for line in lines) == 1, said
        assert f"{name}.fits (" in last
    assert last.startswith(f"appulse: {len(frames)} frames: 1 measured, {len(BAD)} failed: ")


@pytest.mark.parametrize("name", [*BAD, "text"])
def test_a_bad_frame_alone_is_one_line_and_code_2(bad_frames, words, tmp_path, capsys, name):
    code = main(["residuals", str(bad_frames / f"{name}.fits"), *words, "--out", str(tmp_path / "m")])
    said = capsys.readouterr().err
    assert (code, said.count("\n")) == (2, 1), said
    assert BAD.get(name, "FITS") in said
    assert not (tmp_path / "m" / "residuals.ecsv").exists()


def test_what_the_header_lacks_is_given(bad_frames, words, tmp_path):
    """The option that the message names is the one that helps."""
    site = ["--site", "20.5,-23.0,1250"]
    code = main(["residuals", str(bad_frames / "nosite.fits"), *words, *site, "--out", str(tmp_path / "m")])
    assert code == 0


def test_existing_output_is_refused(bad_frames, words, tmp_path, capsys):
    (tmp_path / "residuals.ecsv").write_text("mine", encoding="utf-8")
    assert main(["residuals", str(bad_frames / "good.fits"), *words, "--out", str(tmp_path)]) == 2
    assert (tmp_path / "residuals.ecsv").read_text(encoding="utf-8") == "mine"
    assert "--overwrite" in capsys.readouterr().err


def test_frames_are_not_written_to(bad_frames, words, tmp_path):
    before = (bad_frames / "good.fits").read_bytes()
    main(["residuals", str(bad_frames / "good.fits"), *words, "--out", str(tmp_path / "m")])
    assert (bad_frames / "good.fits").read_bytes() == before


def test_a_body_outside_the_frame_is_flagged_not_invented(bad_frames, sample_data, tmp_path):
    orbit = Table.read(sample_data / "orbit.ecsv")
    orbit["x"] = -orbit["x"]
    orbit["y"] = -orbit["y"]
    orbit.write(tmp_path / "elsewhere.ecsv")
    frame, stars = str(bad_frames / "good.fits"), str(sample_data / "stars.ecsv")
    words = ["--body", "7", "--orbits", str(tmp_path / "elsewhere.ecsv"), "--out", str(tmp_path / "m")]
    code = main(["residuals", frame, "--stars", stars, *words])
    table = Table.read(tmp_path / "m" / "residuals.ecsv")
    assert code == 0
    assert "outside" in table["flag"][0]
    assert np.ma.is_masked(table["ra_obs"][0]) or np.isnan(table["ra_obs"][0])


def positions(tmp_path, sample_data, with_time=True):
    """The truth as an ephemeris service would print it; one more body that is not in the frame."""
    truth = Table.read(sample_data / "truth.ecsv")
    table = truth["time", "ra", "dec"]
    table["designation"] = "7"
    if not with_time:
        table = table[37:39]
        table.remove_column("time")
        table["designation"] = ["7", "8"]
        table["dec"][1] += 5.0
    path = tmp_path / "positions.csv"
    table.write(path)
    return path


def test_positions_table_gives_the_same_residual(measured, sample_data, tmp_path):
    path = positions(tmp_path, sample_data)
    frame, stars = str(sample_data / "iris_3.fits.fz"), str(sample_data / "stars.ecsv")
    words = ["--body", "7", "--positions", str(path), "--stars", stars, "--out", str(tmp_path / "m")]
    assert main(["residuals", frame, *words]) == 0
    table = Table.read(tmp_path / "m" / "residuals.ecsv")
    assert table["along"][0] == pytest.approx(measured["along"][0], abs=0.002)
    assert table["across"][0] == pytest.approx(measured["across"][0], abs=0.002)


def test_all_rows_of_a_positions_table_that_fall_in_the_frame(bad_frames, sample_data, tmp_path):
    path = positions(tmp_path, sample_data, with_time=False)
    stars = str(sample_data / "stars.ecsv")
    words = ["--body", "all", "--positions", str(path), "--stars", stars, "--out", str(tmp_path / "m")]
    assert main(["residuals", str(bad_frames / "good.fits"), *words]) == 0
    assert list(Table.read(tmp_path / "m" / "residuals.ecsv")["designation"].astype(str)) == ["7"]


def test_positions_without_time_are_good_for_one_frame_only(sample_data, bad_frames, tmp_path, capsys):
    path = positions(tmp_path, sample_data, with_time=False)
    frames = [str(sample_data / "iris_3.fits.fz"), str(sample_data / "iris_4.fits.fz")]
    words = ["--body", "7", "--positions", str(path), "--out", str(tmp_path / "m")]
    assert main(["residuals", *frames, *words]) == 2
    assert "time" in capsys.readouterr().err


def test_orbits_and_positions_at_once(bad_frames, words, tmp_path, sample_data, capsys):
    path = positions(tmp_path, sample_data)
    frame = str(bad_frames / "good.fits")
    assert main(["residuals", frame, *words, "--positions", str(path), "--out", str(tmp_path / "m")]) == 2
    assert "--positions" in capsys.readouterr().err


def test_as_a_program(bad_frames, words, tmp_path):
    """The same through a process of its own: code, one line on stderr, no traceback."""
    command = [sys.executable, "-m", "appulse.cli.main", "residuals", str(bad_frames / "notime.fits"), *words]
    command += ["--out", str(tmp_path / "m")]
    found = subprocess.run(command, capture_output=True, text=True, check=False)
    assert found.returncode == 2
    assert found.stderr.count("\n") == 1
    assert "Traceback" not in found.stderr


def test_all_bodies_of_an_orbit_file_that_fall_in_the_frame(bad_frames, sample_data, tmp_path):
    """The starter set holds many; (7) is there, and of magnitude 16.9 (5457)."""
    words = ["--body", "all", "--stars", str(sample_data / "stars.ecsv"), "--out", str(tmp_path / "m")]
    assert main(["residuals", str(bad_frames / "good.fits"), *words]) == 0
    assert list(Table.read(tmp_path / "m" / "residuals.ecsv")["designation"].astype(str)) == ["7", "5457"]


def test_pictures_and_observations(bad_frames, words, tmp_path):
    frame, also = str(bad_frames / "good.fits"), ["--also", "psv,pictures"]
    code = main(["residuals", frame, *words, *also, "--out", str(tmp_path)])
    assert code == 0
    assert (tmp_path / "good.png").read_bytes()[1:4] == b"PNG"
    assert "permID" in (tmp_path / "residuals.psv").read_text(encoding="utf-8")


def test_unknown_extra(bad_frames, words, tmp_path, capsys):
    frame, also = str(bad_frames / "good.fits"), ["--also", "film"]
    assert main(["residuals", frame, *words, *also, "--out", str(tmp_path)]) == 2
    assert "film" in capsys.readouterr().err


def test_frames_of_one_name_do_not_share_a_picture(bad_frames, words, tmp_path, capsys):
    (tmp_path / "other").mkdir()
    twin = tmp_path / "other" / "good.fits"
    twin.write_bytes((bad_frames / "good.fits").read_bytes())
    frames = [str(bad_frames / "good.fits"), str(twin)]
    assert main(["residuals", *frames, *words, "--also", "pictures", "--out", str(tmp_path)]) == 2
    assert "same name" in capsys.readouterr().err


def test_private_place_stays_out_of_every_output(bad_frames, words, tmp_path):
    site = ["--site", "20.5123,-23.0456,1250"]
    frame = str(bad_frames / "nosite.fits")
    assert main(["residuals", frame, *words, *site, "--also", "psv", "--out", str(tmp_path)]) == 0
    for name in ("residuals.ecsv", "residuals.psv"):
        text = (tmp_path / name).read_text(encoding="utf-8")
        assert "20.5123" not in text
        assert "23.0456" not in text

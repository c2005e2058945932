"""``appulse demo`` from outside: the answers put in come out, within their own sigmas."""

import configparser
import shutil

import numpy as np
import pytest
import yaml

from appulse.cli import demo as demo_command
from appulse.cli.demo import program_as_typed
from appulse.cli.main import main
from appulse.formats.residual_table import read_residuals

N_SIGMA = 3.0
TOL_CATALOGUE_ARCSEC = 0.01
"""A WCS shifted by its CRVAL turns by cos(Dec) over the field: 0.005 arcsec in the corners."""
TOL_CLOCK_S = 4.0


@pytest.fixture(scope="module")
def demo(demo_night):
    return demo_night.out


@pytest.fixture(scope="module")
def table(demo):
    return read_residuals(demo / "residuals.ecsv")


@pytest.fixture(scope="module")
def answers(sample_data):
    return yaml.safe_load((sample_data / "answers.yaml").read_text(encoding="utf-8"))


def truths(table, answers, name):
    return np.array([answers["frames"][frame][name] for frame in table["frame"]])


def test_files(demo):
    names = {path.name for path in demo.iterdir()}
    assert {"residuals.ecsv", "residuals.psv", "evidence.html"} <= names
    assert sum(name.endswith(".png") for name in names) == 6


def test_one_row_a_frame_and_none_flagged(table, answers):
    assert list(table["frame"]) == sorted(answers["frames"])
    assert set(table["flag"]) == {""}


@pytest.mark.parametrize(
    ("column", "truth", "sigma"),
    [("dra_cosdec", "dra_cosdec", "sigma_ra"), ("ddec", "ddec", "sigma_dec")],
)
def test_residuals_equal_the_answers(table, answers, column, truth, sigma):
    difference = np.asarray(table[column]) - truths(table, answers, truth)
    assert np.all(np.abs(difference) < N_SIGMA * np.asarray(table[sigma]) + TOL_CATALOGUE_ARCSEC), difference


def test_sigmas_are_not_idle(table):
    """A tenth of a pixel would pass everything; the fit knows better."""
    assert np.all(np.asarray(table["sigma_along"]) < 0.1)
    assert np.all(np.asarray(table["sigma_across"]) > 0.0)


def test_plate_offset_is_the_one_put_in(table, answers):
    np.testing.assert_allclose(table["plate_dra"], answers["plate_dra"], atol=2 * TOL_CATALOGUE_ARCSEC)
    np.testing.assert_allclose(table["plate_ddec"], answers["plate_ddec"], atol=2 * TOL_CATALOGUE_ARCSEC)


def test_clock_error_is_the_one_put_in(table, answers):
    """Along the track, with the plate's offset off, over the rate: true minus recorded time."""
    pa = np.arctan2(truths(table, answers, "dra_plate"), truths(table, answers, "ddec_plate"))
    along = table["dra_plate"] * np.sin(pa) + table["ddec_plate"] * np.cos(pa)
    clock_s = np.asarray(along) / truths(table, answers, "rate") * 3600
    np.testing.assert_allclose(clock_s, answers["clock_offset_s"], atol=TOL_CLOCK_S)


def test_evidence_sheet_is_one_page_that_needs_nothing_else(demo):
    text = (demo / "evidence.html").read_text(encoding="utf-8")
    assert "<html" in text
    assert "http://" not in text.replace("http://www.w3.org", "")
    assert 'src="file' not in text


def test_second_run_is_refused_without_overwrite(demo, capsys):
    assert main(["demo", "--out", str(demo)]) == 2
    assert "--overwrite" in capsys.readouterr().err


def test_data_elsewhere_that_is_not_there(tmp_path, capsys):
    assert main(["demo", "--data", str(tmp_path), "--out", str(tmp_path / "out")]) == 2
    assert "--data" in capsys.readouterr().err


def test_printed_table_shows_answer_beside_measurement(sample_data, tmp_path, capsys):
    """With one frame only, as a person would try it on a part of the data."""
    data = tmp_path / "data"
    data.mkdir()
    for name in ("iris_1.fits.fz", "stars.ecsv", "orbit.ecsv", "answers.yaml"):
        shutil.copy(sample_data / name, data)
    assert main(["demo", "--data", str(data), "--out", str(tmp_path / "out")]) == 0
    said = capsys.readouterr().out
    for word in ("iris_1", "95", "0.85", "-0.55", "evidence.html", "appulse view"):
        assert word in said


def test_the_night_is_judged_rightly(demo):
    """The orbit is good to some mas, so an offset along the track is the clock's."""
    text = (demo / "evidence.html").read_text(encoding="utf-8")
    assert "the clock is off by +95" in text


def test_the_last_line_can_be_typed_where_the_program_is_not_on_the_path(tmp_path):
    program = tmp_path / ".venv" / "bin" / "appulse"
    program.parent.mkdir(parents=True)
    program.touch()
    assert program_as_typed(str(program)) == str(program)


def test_an_installation_without_the_checkout_finds_the_night(sample_data, tmp_path, monkeypatch):
    """The wheel's own list of files leads there; setup.cfg puts all that the demo needs into the wheel."""

    class Installed:
        name, parts = "answers.yaml", ("..", "share", "appulse", "sample_data", "answers.yaml")

        def locate(self):
            return sample_data / self.name

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(demo_command.importlib.metadata, "files", lambda name: [Installed()])
    monkeypatch.setattr(demo_command, "__file__", str(tmp_path / "a" / "b" / "c" / "d" / "demo.py"))
    assert demo_command.find_data(None) == sample_data
    config = configparser.ConfigParser()
    config.read(sample_data.parent / "setup.cfg")
    patterns = config["options.data_files"]["share/appulse/sample_data"].split()
    shipped = {path.name for pattern in patterns for path in sample_data.parent.glob(pattern)}
    assert set(demo_command.NEEDED) < shipped
    assert {f"iris_{i}.fits.fz" for i in range(1, 7)} < shipped

"""``appulse residuals`` as a batch: outputs all or none, a last line that counts, frames from space."""

import subprocess
import sys

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table

from appulse.astrometry.residual import BARE_SNR
from appulse.bodies.kernels import EARTH, SUN, default_kernels
from appulse.cli import residuals
from appulse.cli.main import main
from appulse.constants import AU_KM
from appulse.formats.ades.files import read_ades
from appulse.formats.obs80 import read_obs80
from appulse.observers.timescales import parse_utc, tdb_days
from appulse.workflows import measuring

NOBODYS = "/proc/self/measured"
LARGEST_FILE = 60_000
"""More than the tables need, less than a sheet with its picture."""
OFF_AU = np.array([4e-5, 2e-5, -1e-5])


@pytest.fixture
def words(sample_data):
    orbits, stars = str(sample_data / "orbit.ecsv"), str(sample_data / "stars.ecsv")
    return ["--body", "7", "--orbits", orbits, "--stars", stars]


@pytest.fixture
def no_measuring(monkeypatch):
    """Whoever comes as far as measuring has noticed too late."""

    def fail(*args, **options):
        raise AssertionError("measured before the outputs were looked at")

    monkeypatch.setattr(measuring, "measure_frame", fail)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="needs a folder that nobody may write to")
def test_a_folder_that_cannot_be_written_to_costs_no_measuring(bad_frames, words, no_measuring, capsys):
    assert main(["residuals", str(bad_frames / "good.fits"), *words, "--out", NOBODYS]) == 2
    said = capsys.readouterr().err
    assert "cannot be written" in said
    assert said.count("\n") == 1


@pytest.mark.parametrize(
    "name", ["residuals.ecsv", "verdict.yaml", "residuals.xml", "evidence.pdf", "good.png"]
)
def test_an_existing_output_of_any_kind_costs_no_measuring(
    bad_frames, words, tmp_path, no_measuring, capsys, name
):
    (tmp_path / name).write_text("mine", encoding="utf-8")
    frame, out = str(bad_frames / "good.fits"), ["--also", "all", "--out", str(tmp_path)]
    assert main(["residuals", frame, *words, *out]) == 2
    assert f"{name} exists and is kept" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == [name]


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="needs a limit on the size of files")
def test_a_file_that_cannot_be_written_leaves_none_and_says_so(bad_frames, words, tmp_path):
    """As on a full disk, but surely: the tables can be written, the sheet after them cannot."""
    command = [sys.executable, "-m", "appulse.cli.main", "residuals", str(bad_frames / "good.fits"), *words]
    command += ["--also", "psv,evidence", "--out", str(tmp_path / "made" / "m")]

    def bound():
        import resource  # there is none on every system

        resource.setrlimit(resource.RLIMIT_FSIZE, (LARGEST_FILE, LARGEST_FILE))

    found = subprocess.run(command, capture_output=True, text=True, check=False, preexec_fn=bound)
    assert found.returncode == 2, found.stderr
    last = found.stderr.splitlines()[-1]
    assert "evidence.html was not written: File too large" in last
    assert list(tmp_path.iterdir()) == []


def test_the_last_line_counts(bad_frames, sample_data, tmp_path, capsys):
    """One good frame, one that cannot be read, and none of them with the second body in it."""
    frames = [str(bad_frames / "good.fits"), str(bad_frames / "text.fits")]
    words = ["--body", "7", "--stars", str(sample_data / "stars.ecsv"), "--out", str(tmp_path / "m")]
    assert main(["residuals", *frames, *words]) == 1
    last = capsys.readouterr().err.splitlines()[-1]
    assert last.startswith("appulse: 2 frames: 1 measured, 1 failed: text.fits (")


def test_frames_that_do_not_show_the_body_are_counted(bad_frames, sample_data, tmp_path, capsys):
    twin = tmp_path / "twin.fits"
    twin.write_bytes((bad_frames / "good.fits").read_bytes())
    frames = [str(bad_frames / "good.fits"), str(twin)]
    words = ["--body", "1", "--stars", str(sample_data / "stars.ecsv"), "--out", str(tmp_path / "m")]
    assert main(["residuals", *frames, *words]) == 0
    last = capsys.readouterr().err.splitlines()[-1]
    assert last == "appulse: 2 frames: 2 measured, 2 of them without a body seen: good.fits, twin.fits"


def test_nothing_to_send_on_is_said(bad_frames, sample_data, tmp_path, capsys):
    words = ["--body", "1", "--stars", str(sample_data / "stars.ecsv"), "--also", "psv,obs80"]
    assert main(["residuals", str(bad_frames / "good.fits"), *words, "--out", str(tmp_path)]) == 0
    assert "no observation to send on" in capsys.readouterr().err
    assert {path.name for path in tmp_path.iterdir()} == {"residuals.ecsv", "verdict.yaml"}


def test_a_fault_of_the_program_in_one_frame_costs_only_that(
    bad_frames, words, tmp_path, capsys, monkeypatch
):
    measure = measuring.measure_frame

    def fail(frame, *args, **options):
        if frame.name == "twin.fits":
            raise KeyError("odd")
        return measure(frame, *args, **options)

    monkeypatch.delenv("APPULSE_DEBUG", raising=False)
    monkeypatch.setattr(measuring, "measure_frame", fail)
    twin = tmp_path / "twin.fits"
    twin.write_bytes((bad_frames / "good.fits").read_bytes())
    frames = [str(twin), str(bad_frames / "good.fits")]
    assert main(["residuals", *frames, *words, "--out", str(tmp_path / "m")]) == 1
    assert "1 measured, 1 failed: twin.fits (unexpected KeyError" in capsys.readouterr().err
    assert list(Table.read(tmp_path / "m" / "residuals.ecsv")["frame"]) == ["good.fits"]


def spoilt(folder, good):
    """More frames that are wrong, each with a word that its line must hold."""
    with fits.open(good) as hdus:
        header, pixels = hdus[0].header, hdus[0].data

    def changed(**cards):
        other = header.copy()
        other.update(cards)
        return other

    fits.writeto(folder / "nan.fits", np.full(pixels.shape, np.nan, "f4"), header)
    fits.writeto(folder / "pole.fits", pixels, changed(CRVAL2=90.0))
    fits.writeto(folder / "midnight.fits", pixels, changed(CRVAL1=0.0))
    fits.writeto(folder / "before.fits", pixels, changed(XPOSURE=-5.0))
    for name, side in (("huge", 50_000), ("vast", 2_000_000)):
        words = changed(NAXIS1=side, NAXIS2=side).tostring(padding=True).encode()
        (folder / f"{name}.fits").write_bytes(words + bytes(5000))
    (folder / "empty.fits").write_bytes(b"")
    (folder / "folder.fits").mkdir()
    return {
        "nan": "no pixel has a value", "before": "-5.0 s is not an exposure time", "huge": "cut short",
        "vast": "more than any camera has", "empty": "empty", "folder": "is a folder",
        "missing": "no such file",
    }  # fmt: skip


def test_hostile_frames_cost_one_line_each_and_the_others_go_on(bad_frames, words, tmp_path, capsys):
    """Lies about the size are found before memory is asked for; the sky's edges are no errors."""
    needles = spoilt(tmp_path, bad_frames / "good.fits")
    usable = [tmp_path / "pole.fits", tmp_path / "midnight.fits", bad_frames / "good.fits"]
    frames = [tmp_path / f"{name}.fits" for name in needles] + usable
    code = main(["residuals", *map(str, frames), *words, "--out", str(tmp_path / "m")])
    *lines, last = capsys.readouterr().err.splitlines()
    assert code == 1
    for name, needle in needles.items():
        (line,) = (line for line in lines if f"{name}.fits: " in line)
        assert needle in line
    assert last.startswith(
        f"appulse: {len(frames)} frames: 3 measured, 2 of them without a body seen: pole.fits, midnight.fits"
        f"; {len(needles)} failed: nan.fits (no pixel has a value), "
    )
    table = Table.read(tmp_path / "m" / "residuals.ecsv")
    assert all(flag.startswith("outside the frame: ") for flag in table["flag"][:2])
    assert not np.ma.is_masked(table["ra_obs"][2])


# --- least signal to noise


def test_the_help_states_the_default_that_is_used():
    assert f"{BARE_SNR:g}" in residuals._MIN_SNR_HELP


@pytest.mark.parametrize(("least", "seen"), [("5", True), ("100000", False)])
def test_least_signal_to_noise(bad_frames, words, tmp_path, least, seen):
    frame, out = str(bad_frames / "good.fits"), ["--min-snr", least, "--out", str(tmp_path / "m")]
    assert main(["residuals", frame, *words, *out]) == 0
    table = Table.read(tmp_path / "m" / "residuals.ecsv")
    (row,) = table
    assert table.meta["options"]["min_snr"] == float(least)
    assert (not np.ma.is_masked(row["ra_obs"])) == seen
    assert ("100000.0 are needed" in row["flag"]) != seen


@pytest.mark.parametrize("least", ["2", "-1", "nan", "inf"])
def test_least_signal_to_noise_that_makes_no_sense(bad_frames, words, tmp_path, capsys, least):
    frame, out = str(bad_frames / "good.fits"), [f"--min-snr={least}", "--out", str(tmp_path / "m")]
    assert main(["residuals", frame, *words, *out]) == 2
    assert "--min-snr" in capsys.readouterr().err


# --- from space


@pytest.fixture(scope="module")
def from_space(bad_frames, sample_data, tmp_path_factory):
    """The good frame as taken from the middle of the Earth's own path, by a vector from the Sun."""
    folder = tmp_path_factory.mktemp("space")
    with fits.open(bad_frames / "good.fits") as hdus:
        header = hdus[0].header
        for keyword in ("OBSGEO-L", "OBSGEO-B", "OBSGEO-H"):
            del header[keyword]
        time = parse_utc(header["DATE-AVG"])
        places, speeds = default_kernels().major(np.atleast_1d(tdb_days(time)))
        place, speed = (array[0, EARTH] - array[0, SUN] for array in (places, speeds))
        for axis, where, fast in zip("XYZ", place + OFF_AU, speed, strict=True):
            header[f"SUN2SC{axis}"], header[f"SCVEL{axis}"] = float(where), float(fast)
        hdus.writeto(folder / "space.fits")
    words = ["--body", "7", "--orbits", str(sample_data / "orbit.ecsv"), "--min-snr", "5"]
    words += [
        "--stars",
        str(sample_data / "stars.ecsv"),
        "--also",
        "psv,xml,obs80",
        "--out",
        str(folder / "m"),
    ]
    assert main(["residuals", str(folder / "space.fits"), *words, "--station", "C51"]) == 0
    return folder / "m"


@pytest.mark.parametrize("name", ["residuals.psv", "residuals.xml"])
def test_a_spacecrafts_place_goes_out_as_the_standard_has_it(from_space, name):
    (row,) = read_ades(from_space / name)[0].rows
    assert (row["stn"], row["sys"], row["ctr"]) == ("C51", "ICRF_KM", "399")
    km = [float(row[f"pos{i}"]) for i in (1, 2, 3)]
    np.testing.assert_allclose(km, OFF_AU * AU_KM, atol=0.1)


def test_a_spacecrafts_place_goes_out_in_80_columns(from_space):
    (one,) = read_obs80(from_space / "residuals.txt")
    assert (one.note2, one.place[0]) == ("S", "km")
    np.testing.assert_allclose(one.place[1:], OFF_AU * AU_KM, atol=0.1)

"""``appulse movers`` on frames cut out of the sample night: the body is found and named."""

import pytest
from astropy.table import Table

from appulse.cli.main import main


@pytest.fixture(scope="module")
def found(sample_data, tmp_path_factory):
    out = tmp_path_factory.mktemp("movers")
    frames = [str(sample_data / f"iris_{k}.fits.fz") for k in (1, 2, 3)]
    words = ["--stars", str(sample_data / "stars.ecsv"), "--max-rate", "60", "--min-snr", "12"]
    words += ["--sightings", str(out / "seen.ecsv"), "--out", str(out / "m.ecsv")]
    assert main(["movers", *frames, *words]) == 0
    return Table.read(out / "m.ecsv"), Table.read(out / "seen.ecsv")


def test_the_body_is_the_only_mover_and_named(found):
    movers, _ = found
    assert [str(name) for name in movers["designation"]] == ["7"]
    assert movers["rate"][0] == pytest.approx(29.5, abs=5 * movers["sigma_rate"][0])
    assert movers["mag"][0] == pytest.approx(10.0, abs=0.3)


def test_sightings_are_measured(found):
    _, seen = found
    assert len(seen) == 3
    assert (seen["sigma_ra"] < 0.05).all()


def test_two_frames_are_too_few(bad_frames, tmp_path, capsys):
    frame = str(bad_frames / "good.fits")
    assert main(["movers", frame, "--out", str(tmp_path / "m.ecsv")]) == 2
    assert "three" in capsys.readouterr().err


def test_a_name_that_ends_in_no_format_is_refused_before_the_work(sample_data, tmp_path, capsys):
    frames = [str(path) for path in sorted(sample_data.glob("iris_[123].fits.fz"))]
    assert main(["movers", *frames, "--out", str(tmp_path / "movers")]) == 2
    assert "end the name in one of these" in capsys.readouterr().err

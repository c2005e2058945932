"""``appulse frame``: plain words, exit codes."""

import numpy as np
import pytest
from astropy.io import fits

from appulse.cli.main import main

CARDS = {
    "CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRVAL1": 246.42, "CRVAL2": -24.16, "CRPIX1": 40.5,
    "CRPIX2": 30.5, "CDELT1": -0.001, "CDELT2": 0.001, "DATE-OBS": "2027-05-04T22:35:30", "EXPTIME": 60.0,
}  # fmt: skip


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "m1.fits"
    fits.writeto(path, np.ones((60, 80), dtype=np.int16), fits.Header(CARDS))
    return path


def test_ready(path, capsys):
    assert main(["frame", str(path), "--site", "20.5,-23,1250", "--checksum"]) == 0
    out, err = capsys.readouterr()
    assert "middle 2027-05-04T22:36:00.000 UTC" in out
    assert "--time-is start|mid|end" in out
    assert "sha256" in out
    assert out.rstrip().endswith("ready")
    assert err == ""


def test_missing_site_is_named(path, capsys):
    assert main(["frame", str(path)]) == 2
    assert "not ready: no site" in capsys.readouterr().out


def test_bad_frame_costs_only_itself(path, capsys):
    bad = path.with_name("bad.fits")
    bad.write_bytes(path.read_bytes()[:-2880])
    assert main(["frame", str(bad), str(path), "--site", "geocentre", "--time-is", "mid"]) == 1
    out, err = capsys.readouterr()
    assert "middle 2027-05-04T22:35:30.000 UTC" in out
    assert "bad.fits: the file is cut short" in err
    assert len(err.splitlines()) == 1

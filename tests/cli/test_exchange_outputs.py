"""What ``appulse residuals --also`` writes for others: valid under the standard's own schemas."""

from importlib import resources

import pytest
import yaml

from appulse.astrometry.identity import PREDICTED_MAG_SIGMA
from appulse.cli.main import main
from appulse.formats.ades.files import ades_xml, read_ades
from appulse.formats.obs80 import read_obs80

etree = pytest.importorskip("lxml.etree")
pytest.importorskip("ades")

WHO = ["--submitter", "A. Nonym", "--observer", "A. Nonym,B. Nonym", "--telescope", "reflector,0.25,CMOS"]


def check(blocks, name):
    path = resources.files("ades") / "data" / "xsd" / f"{name}.xsd"
    validator = etree.XMLSchema(etree.fromstring(path.read_bytes()))
    if not validator.validate(etree.fromstring(ades_xml(blocks).encode())):
        raise AssertionError("\n".join(str(error) for error in validator.error_log))


@pytest.fixture(scope="module")
def run(bad_frames, sample_data, tmp_path_factory):
    """Measure one frame with more options; returns the folder."""

    def go(*more):
        out = tmp_path_factory.mktemp("sent")
        words = ["--body", "7", "--orbits", str(sample_data / "orbit.ecsv")]
        words += ["--stars", str(sample_data / "stars.ecsv"), "--out", str(out), *more]
        assert main(["residuals", str(bad_frames / "good.fits"), *words]) == 0
        return out

    return go


@pytest.fixture(scope="module")
def sent(run):
    return run("--also", "psv,xml,obs80", "--station", "X05", "--band", "G", *WHO)


@pytest.mark.parametrize("name", ["residuals.psv", "residuals.xml"])
def test_observations_are_fit_to_submit(sent, name):
    blocks = read_ades(sent / name)
    check(blocks, "submit")
    row, context = blocks[0].rows[0], dict(blocks[0].context)
    assert (row["stn"], row["band"], row["mode"]) == ("X05", "G", "CMO")
    assert 9.5 < float(row["mag"]) < 10.5
    assert ("name", "B. Nonym") in context["observers"]
    assert ("aperture", "0.25") in context["telescope"]


def test_80_columns_hold_the_same_place(sent):
    (one,) = read_obs80(sent / "residuals.txt")
    row = read_ades(sent / "residuals.psv")[0].rows[0]
    assert (one.packed, one.station, one.band) == ("00007", "X05", "G")
    assert one.ra == pytest.approx(float(row["ra"]), abs=1e-5)
    assert one.dec == pytest.approx(float(row["dec"]), abs=1e-5)


def test_private_site_goes_out_only_when_told(run):
    out = run("--also", "psv", "--disclose-site", "--with-oc")
    blocks = read_ades(out / "residuals.psv")
    check(blocks, "general")
    row = blocks[0].rows[0]
    assert row["stn"] == "247"
    assert {"pos1", "pos2", "pos3", "resRA", "resDec"} <= set(row)


def test_verdict_names_causes_limit_and_identity(sent):
    told = yaml.safe_load((sent / "verdict.yaml").read_text(encoding="utf-8"))
    causes = {entry["cause"] for entry in told["alternatives"]}
    assert {"all well", "clock", "orbit", "plate"} <= causes
    assert told["clock"]["offset_s"] == pytest.approx(95.0, abs=5 * told["clock"]["sigma_s"])
    assert told["plate"]["is_off"]
    assert any("one frame" in words for words in told["cannot_tell"])
    (place,) = told["places"]
    assert place["detection_limit"] > 14.0
    assert abs(place["magnitude_minus_predicted"]) < PREDICTED_MAG_SIGMA
    parts = set(place["budget"]["parts"]) - {"background structure"}
    assert parts == {"centroid", "plate", "catalogue", "ephemeris", "clock"}


@pytest.mark.parametrize(
    ("words", "needle"),
    [
        (["--station", "no code"], "--station"),
        (["--telescope", "reflector,wide,CMOS"], "--telescope"),
        (["--band", "magenta"], "--band"),
    ],
)
def test_what_cannot_be_understood(bad_frames, tmp_path, capsys, words, needle):
    frame = str(bad_frames / "good.fits")
    assert main(["residuals", frame, "--body", "7", *words, "--out", str(tmp_path)]) == 2
    assert needle in capsys.readouterr().err

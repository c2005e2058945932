"""``appulse tails``: over a frame, on the sky, with facts; refusals."""

import numpy as np
import pytest
import yaml
from astropy.io import fits
from astropy.table import Table
from astropy.time import Time
from astropy.wcs import WCS

from appulse.bodies import predict, starter_orbits
from appulse.cli.main import main
from appulse.observers import Site

WHEN = "2027-01-15T19:00:00"
SITE = "20.5,-23,1250"
COMET = (
    "designation,name,epoch,q,e,i,node,peri,tp,M1,K1\n"
    "C/2026 X1,Invented,2461400.5,0.7,1.0,110,40,20,2461430.5,5.5,10\n"
)


@pytest.fixture(scope="module")
def comet(tmp_path_factory):
    """An orbit table of an invented comet, and a frame of it as a camera writes it."""
    folder = tmp_path_factory.mktemp("comet")
    (folder / "comet.csv").write_text(COMET, encoding="utf-8")
    from appulse.bodies import read_orbits

    row = predict(read_orbits(folder / "comet.csv"), Time(WHEN), Site.parse(SITE))[0]
    wcs = WCS(naxis=2)
    wcs.wcs.ctype, wcs.wcs.cdelt = ["RA---TAN", "DEC--TAN"], [-15 / 3600, 15 / 3600]
    wcs.wcs.crval, wcs.wcs.crpix = [row["ra"].value, row["dec"].value], [200.5, 150.5]
    header = wcs.to_header()
    header["DATE-OBS"], header["EXPTIME"] = WHEN, 60.0
    header["SITELAT"], header["SITELONG"], header["SITEELEV"] = -23.0, 20.5, 1250.0
    pixels = np.random.default_rng(5).poisson(900.0, (300, 400)).astype("u2")
    fits.writeto(folder / "f1.fits", pixels, header)
    return folder


def test_over_a_frame_lines_facts_and_picture(comet, tmp_path, capsys):
    out = tmp_path / "out"
    words = ["--orbits", str(comet / "comet.csv"), "--body", "C/2026 X1", "--out", str(out), "--quiet"]
    assert main(["tails", str(comet / "f1.fits"), *words]) == 0
    said = capsys.readouterr().out
    assert "antisolar direction at position angle" in said
    assert (out / "f1-tail.png").read_bytes()[1:4] == b"PNG"
    table = Table.read(out / "tails.ecsv")
    assert set(table["line"]) == {"antisolar", "ion tail (estimate)", "syndyne", "synchrone"}
    first = table[(table["line"] == "antisolar") & (table["along"] == 0)]
    # A minute's exposure begins at the header's time: the comet has moved by less than a pixel.
    assert abs(first["x"][0] - 199.5) < 1.0
    assert abs(first["y"][0] - 149.5) < 1.0
    facts = yaml.safe_load((out / "facts.yaml").read_text(encoding="utf-8"))
    for key in ("tail_length", "tail_angle", "dust_age", "coma_diameter"):
        assert facts[key]["low"] < facts[key]["value"] < facts[key]["high"]
        assert facts[key]["source"]
    angle = facts["tail_length"]["inputs"]["angle_arcmin"]
    assert angle == pytest.approx(facts["tail_angle"]["value"], abs=0.01)


def test_a_length_of_ones_own_is_what_the_facts_assume(comet, tmp_path):
    out = tmp_path / "out"
    words = ["--orbits", str(comet / "comet.csv"), "--body", "C/2026 X1", "--out", str(out)]
    words += ["--length", "1.25", "--betas", "0.1,0.3,1"]
    assert main(["tails", "--at", WHEN, "--site", "geocentre", *words]) == 0
    facts = yaml.safe_load((out / "facts.yaml").read_text(encoding="utf-8"))
    assert facts["tail_angle"]["value"] == pytest.approx(75.0)
    assert facts["tail_length"]["uncertainty"].startswith("that of the assumed angle")
    table = Table.read(out / "tails.ecsv")
    assert "x" not in table.colnames
    assert sorted({float(v) for v in table["value"][table["line"] == "syndyne"]}) == [0.1, 0.3, 1.0]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--body", "7"], "is no comet"),
        (["--body", "2P,103P"], "a tail is of one comet"),
        (["--body", "2P", "--length", "170"], "above 0 and at most 90"),
        (["--body", "2P", "--betas", "some"], "numbers with commas"),
    ],
)
def test_what_is_refused(words, said, tmp_path, capsys):
    out = str(tmp_path / "out")
    assert main(["tails", "--at", WHEN, "--site", "geocentre", *words, "--out", out]) == 2
    assert said in capsys.readouterr().err


def test_a_faint_comet_gets_lines_and_no_length(tmp_path, capsys):
    """2P is of magnitude 14 here: the law of lengths knows nothing of such comets."""
    assert starter_orbits(own=False).select("2P").m1 == 15.6
    out = tmp_path / "out"
    assert main(["tails", "--at", WHEN, "--site", "geocentre", "--body", "2P", "--out", str(out)]) == 0
    assert "no length is assumed" in capsys.readouterr().err
    facts = yaml.safe_load((out / "facts.yaml").read_text(encoding="utf-8"))
    assert "tail_length" not in facts
    assert "coma_diameter" not in facts


def test_facts_of_a_caption_hold_the_tail(comet, tmp_path):
    out = tmp_path / "words"
    words = ["--orbits", str(comet / "comet.csv"), "--body", "C/2026 X1", "--out", str(out), "--quiet"]
    assert main(["facts", str(comet / "f1.fits"), *words]) == 0
    text = (out / "caption.md").read_text(encoding="utf-8")
    assert "Its tail is about" in text
    assert "light took" in text


def test_a_frame_that_shows_nothing_of_the_comet_says_so(comet, tmp_path, capsys):
    words = ["--body", "2P", "--out", str(tmp_path / "out"), "--quiet"]
    assert main(["tails", str(comet / "f1.fits"), *words]) == 0
    assert "nothing of it is in the frame: the comet is" in capsys.readouterr().err

"""Values that no measurement, date, file or cell has: each one line, and never half an answer."""

import re

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table
from cases import KERNELS, _crop, _short_kernel

from appulse.cli.main import main
from appulse.formats import read_observations, write_table

HEAD = "# version=2022\npermID|mode|stn|obsTime|ra|dec|rmsRA|rmsDec|rmsCorr|astCat\n"
XML = (
    '<?xml version="1.0" encoding="{}"?>\n<ades version="2022"><optical><permID>7</permID><mode>CCD</mode>'
    "<stn>X05</stn><obsTime>2027-05-05T03:00:00Z</obsTime><ra>246.35</ra><dec>-24.40</dec><astCat>Gaia3</astCat>"
    "</optical></ades>\n"
)


def places(path, ra="246.35", dec="-24.40", sigmas="0.1|0.1", rho="", hours=(3, 4), year=2027):
    lines = (f"7|CCD|X05|{year}-05-05T{h:02}:00:00Z|{ra}|{dec}|{sigmas}|{rho}|Gaia3\n" for h in hours)
    path.write_text(HEAD + "".join(lines))
    return path


def run(capsys, *words):
    """Exit code and the lines that are no notes."""
    code = main([str(word) for word in words])
    lines = [line for line in capsys.readouterr().err.splitlines() if line and "appulse: note: " not in line]
    assert code != 70, lines
    assert not any("Traceback" in line or "unexpected" in line for line in lines)
    return code, lines


def orbits(sample_data):
    return ["--body", "7", "--orbits", sample_data / "orbit.ecsv"]


NO_OBSERVATION = {
    "a time that no kernel reaches": {"year": 2927},
    "a place on the other side of the sky": {"ra": "66.35", "dec": "24.40"},
    "the north pole": {"dec": "90.0"},
    "the south pole": {"dec": "-90"},
}


@pytest.mark.filterwarnings("ignore::erfa.ErfaWarning")  # which no user sees: a year far from ours
@pytest.mark.parametrize("kind", NO_OBSERVATION)
@pytest.mark.parametrize("also", [[], ["--also", "evidence"]])
def test_when_every_observation_fails_nothing_is_written(tmp_path, sample_data, capsys, kind, also):
    path = places(tmp_path / "a.psv", **NO_OBSERVATION[kind])
    words = ["residuals", "--observations", path, *orbits(sample_data), *also, "--out", tmp_path / "out"]
    code, lines = run(capsys, *words)
    assert code == 2
    assert "2 observations: 0 compared, 2 failed" in lines[-1]
    assert not (tmp_path / "out").exists()
    code, lines = run(capsys, "improve", path, *orbits(sample_data), "--out", tmp_path / "o.ecsv")
    assert code == 2
    assert lines
    assert not (tmp_path / "o.ecsv").exists()


def test_one_good_observation_among_bad_ones_is_written(tmp_path, sample_data, capsys):
    path = places(tmp_path / "a.psv")
    path.write_text(path.read_text() + "7|CCD|X05|2027-05-05T05:00:00Z|246.33|90|0.1|0.1||Gaia3\n")
    words = ["residuals", "--observations", path, *orbits(sample_data), "--also", "evidence"]
    code, lines = run(capsys, *words, "--out", tmp_path / "out")
    assert code == 1
    assert "3 observations: 2 compared, 1 failed" in lines[-1]
    assert (tmp_path / "out" / "evidence.html").is_file()


SIGMAS = ["1e300|1e300", "1e-300|1e-300", "nan|0.1", "inf|inf", "-1|0.1"]


@pytest.mark.parametrize("sigmas", SIGMAS)
def test_an_error_that_can_be_none_is_refused(tmp_path, sample_data, capsys, sigmas):
    path = places(tmp_path / "a.psv", sigmas=sigmas)
    for words in (["improve", path], ["residuals", "--observations", path]):
        code, lines = run(capsys, *words, *orbits(sample_data), "--out", tmp_path / "o.ecsv")
        assert code == 2
        assert re.search(r"observation 1: sigma_|not a number", lines[-1])
        assert not (tmp_path / "o.ecsv").exists()


@pytest.mark.parametrize("offset", ["9e29", "nan", "-inf"])
def test_a_clock_of_another_age(tmp_path, sample_data, capsys, offset):
    path = places(tmp_path / "a.psv")
    words = ["improve", path, *orbits(sample_data), f"--clock-offset={offset}", "--out", tmp_path / "o.ecsv"]
    code, lines = run(capsys, *words)
    assert code == 2
    assert "--clock-offset" in lines[-1]


def test_a_line_that_quotes_without_end_is_cut(tmp_path, capsys):
    (tmp_path / "orbit.csv").write_text("- " * 20_000 + "designation,epoch,a\n7,2461400.5,2.4\n")
    code, lines = run(capsys, "orbits", "list", tmp_path / "orbit.csv")
    assert code == 2
    assert max(map(len, lines)) < 2100


@pytest.mark.parametrize("rho", ["1", "0.9999999999999", "nan"])
def test_an_ellipse_without_width_is_refused(tmp_path, sample_data, capsys, rho):
    path = places(tmp_path / "a.psv", rho=rho)
    code, lines = run(capsys, "improve", path, *orbits(sample_data), "--out", tmp_path / "o.ecsv")
    assert code == 2
    assert "corr_ra_dec" in lines[-1]


@pytest.mark.parametrize("sigmas", ["|", "0|0"])
def test_errors_that_are_not_stated_are_assumed(tmp_path, sample_data, capsys, sigmas):
    path = places(tmp_path / "a.psv", sigmas=sigmas)
    code, _ = run(
        capsys, "residuals", "--observations", path, *orbits(sample_data), "--out", tmp_path / "out"
    )
    assert code == 0


@pytest.mark.parametrize("coding", ["utf-16", "utf-32", "utf-8-sig", "latin-1", "cp037", "utf-16-le"])
def test_observations_in_encodings_of_the_standard(tmp_path, coding):
    # Of the same name inside, and where the first bytes tell it without one.
    path = tmp_path / "a.xml"
    declared = {"utf-8-sig": "UTF-8", "utf-16-le": "UTF-16"}.get(coding, coding)
    path.write_bytes(XML.format(declared).encode(coding))
    assert len(read_observations(path)) == 1


CODINGS = ["rot13", "zlib", "no-such", "undefined", "utf-32", "punycode", "hex"]


@pytest.mark.parametrize("coding", CODINGS)
def test_encodings_that_a_file_does_not_have(tmp_path, sample_data, capsys, coding):
    path = tmp_path / "a.xml"
    path.write_text(XML.format(coding))
    words = ["residuals", "--observations", path, *orbits(sample_data), "--out", tmp_path / "out"]
    code, lines = run(capsys, *words)
    assert code == 2
    assert len(lines) == 1


DEEP = {
    "lists.json": "[" * 200_000 + "]" * 200_000,
    "objects.json": '{"orbit": ' * 50_000 + "1" + "}" * 50_000,
    "lists.yaml": "[" * 50_000,
    "objects.yaml": "{a: " * 50_000,
    "elements.xml": "<ades>" * 100_000 + "</ades>" * 100_000,
}


@pytest.mark.parametrize("name", DEEP)
def test_what_is_nested_without_end(tmp_path, sample_data, capsys, name):
    path = tmp_path / name
    path.write_text(DEEP[name])
    words = {
        "json": [["orbits", "list", path]],
        "yaml": [["campaign", "check", path], ["entries", path, "--out", tmp_path / "out"],
                 ["picture", "--recipe", path, "--out", tmp_path / "out"]],
        "xml": [["residuals", "--observations", path, *orbits(sample_data), "--out", tmp_path / "out"]],
    }  # fmt: skip
    for command in words[name.rpartition(".")[2]]:
        code, lines = run(capsys, *command)
        assert code == 2
        assert len(lines) == 1


@pytest.mark.parametrize("hdu", ["²", "９", "-1", "9" * 30, "9" * 5000, "①", "1_0", ""])
def test_an_hdu_that_no_file_has(sample_data, capsys, hdu):
    code, lines = run(capsys, "frame", sample_data / "iris_1.fits.fz", f"--hdu={hdu}")
    assert code == 2
    assert "no HDU" in lines[-1]


@pytest.mark.parametrize("number", ["²", "9" * 5000])
def test_signs_that_are_digits_and_no_number(tmp_path, sample_data, capsys, number):
    (tmp_path / "orbit.csv").write_text(
        f"designation,epoch,a,e,i,node,peri,M,H\n{number},2461400.5,2.3867,0.2297,5.518,259.5,145.5,200.0,5.6\n"
    )
    run(capsys, "orbits", "list", tmp_path / "orbit.csv")
    words = ["plan", sample_data / "campaign.yaml", "--site", "home", "--out", tmp_path / "out"]
    good = "7-IC4603-20270504"
    for more in (["--encounter", good[:-1] + "²"], ["--encounter", good, f"--seed={number}"]):
        code, lines = run(capsys, *words, *more)
        assert code == 2
        assert lines


@pytest.mark.parametrize("date", ["''", "' '", "null", "[]", "1", "2027-13-01", "true"])
@pytest.mark.parametrize("key", ["from", "to"])
def test_a_campaign_without_a_date(tmp_path, sample_data, capsys, date, key):
    text = (sample_data / "campaign.yaml").read_text(encoding="utf-8")
    text, count = re.subn(rf"{key}: 2027-\d\d-\d\d", f"{key}: {date}", text)
    assert count == 1
    (tmp_path / "campaign.yaml").write_text(text, encoding="utf-8")
    code, lines = run(capsys, "campaign", "check", tmp_path / "campaign.yaml")
    assert code == 2
    assert f"'{key}'" in " ".join(lines)


@pytest.mark.parametrize("text", ["name,level,ring,ra,dec\n", "", "name,level,ring,ra,dec\nx,1,1,,\n"])
def test_outlines_without_an_outline(tmp_path, sample_data, capsys, text):
    (tmp_path / "outlines.csv").write_text(text)
    words = ["field", sample_data / "iris_1.fits.fz", "--outlines", tmp_path / "outlines.csv"]
    code, lines = run(capsys, *words, *orbits(sample_data), "--out", tmp_path / "o.ecsv")
    assert code == 2
    assert len(lines) == 1
    assert "outlines.csv" in lines[0]


def test_damaged_tiles_are_one_line(tmp_path, sample_data, capsys):
    raw = bytearray((sample_data / "iris_3.fits.fz").read_bytes())
    raw[len(raw) // 3 : len(raw) * 2 // 3] = bytes(range(256)) * (len(raw) // 3 // 256 + 1)
    (tmp_path / "a.fits.fz").write_bytes(raw)
    words = ["residuals", tmp_path / "a.fits.fz", *orbits(sample_data), "--out", tmp_path / "out"]
    code, lines = run(capsys, *words)
    assert code == 2
    assert "compressed pixels are damaged" in lines[0]


@pytest.mark.parametrize("card", [("EXPTIME", "long"), ("EXPTIME", 1e300), None])
@pytest.mark.parametrize("role", ["dark", "bias", "flat"])
def test_master_frames_of_nothing(tmp_path, sample_data, capsys, role, card):
    _crop(sample_data / "iris_1.fits.fz", tmp_path / "f1.fits")
    shape = fits.getdata(tmp_path / "f1.fits").shape
    pixels = np.full(shape, np.nan if card is None else 100.0, np.float32)
    header = fits.Header() if card is None else fits.Header([card])
    fits.writeto(tmp_path / "master.fits", pixels, header)
    words = ["residuals", tmp_path / "f1.fits", *orbits(sample_data), f"--{role}"]
    run(capsys, *words, tmp_path / "master.fits", "--out", tmp_path / "out")


@pytest.mark.parametrize("damage", ["cut", "zeros", "ones", "text", "nothing"])
@pytest.mark.parametrize("which", ["planets", "asteroids"])
def test_kernels_that_are_damaged(tmp_path, sample_data, capsys, which, damage):
    for name, source in KERNELS.items():
        _short_kernel(source, tmp_path / f"{name}.bsp")
    raw = (tmp_path / f"{which}.bsp").read_bytes()
    spoilt = {
        "cut": raw[: len(raw) // 2], "zeros": raw[:1024] + bytes(len(raw) - 1024), "text": b"no kernel",
        "ones": raw[:8000] + b"\xff" * (len(raw) - 8000), "nothing": b"",
    }  # fmt: skip
    (tmp_path / f"{which}.bsp").write_bytes(spoilt[damage])
    words = ["predict", *orbits(sample_data), "--site", "X05", "--from", "2027-05-04", "--to", "2027-05-05"]
    words += ["--step", "6h", "--kernels", *(tmp_path / f"{name}.bsp" for name in KERNELS)]
    code, lines = run(capsys, *words, "--out", tmp_path / "o.ecsv")
    assert code == 2
    assert len(lines) == 1
    assert not (tmp_path / "o.ecsv").exists()


CELLS = ["=1+1", "+1", "-x", "@sum(a)", "\tx", "plain", "", "=cmd|' /C calc'!A0"]


def test_no_cell_of_a_csv_is_a_formula(tmp_path):
    table = Table({"name": CELLS, "number": np.arange(len(CELLS)) - 3.5})
    write_table(table, tmp_path / "a.csv")
    back = Table.read(tmp_path / "a.csv", format="ascii.csv", converters={"name": str})
    pairs = zip(back["name"], CELLS, strict=True)
    guarded = [str(value) for value, cell in pairs if cell not in ("plain", "")]
    assert [value[0] for value in guarded] == ["'"] * 6
    assert list(back["number"]) == list(table["number"])  # a negative number is no text
    assert list(table["name"]) == CELLS


PAGES = re.compile(rb"<(?:!doctype html|html)[\s>]", re.IGNORECASE)


def test_every_page_forbids_what_it_does_not_hold():
    """Whatever in the package is the beginning of an HTML page says its policy before anything else."""
    from pathlib import Path

    import appulse
    import glue_appulse

    pages = [
        path
        for package in (appulse, glue_appulse)
        for path in Path(package.__file__).parent.rglob("*")
        if path.suffix in (".py", ".html", ".jinja", ".j2") and PAGES.search(path.read_bytes())
    ]
    assert pages
    for path in pages:
        text = path.read_text(encoding="utf-8")
        assert "default-src 'none'" in text.partition("<style")[0], path
        assert "<script" not in text.lower()

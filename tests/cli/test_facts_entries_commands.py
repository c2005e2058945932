"""``appulse facts`` and ``appulse entries`` from outside."""

import numpy as np
import pytest
import yaml
from PIL import Image

from appulse.cli.main import main
from appulse.sequence.picture_files import png_bytes


@pytest.fixture
def words(sample_data):
    frames = [str(sample_data / f"iris_{n}.fits.fz") for n in (1, 3)]
    return [*frames, "--body", "7", "--orbits", str(sample_data / "orbit.ecsv")]


def test_facts_are_written_and_printed(words, tmp_path, capsys):
    assert main(["facts", *words, "--object", "IC 4603", "--out", str(tmp_path)]) == 0
    assert "(7) in front of the nebula IC 4603" in capsys.readouterr().out
    facts = yaml.safe_load((tmp_path / "facts.yaml").read_text(encoding="utf-8"))
    assert all(entry["source"] for entry in facts.values())
    assert (tmp_path / "caption.md").read_text(encoding="utf-8").startswith("## Short")
    assert main(["facts", *words, "--out", str(tmp_path)]) == 2


def test_own_template(words, tmp_path, capsys):
    template = tmp_path / "mine.md"
    assert main(["facts", "--write-template", str(template)]) == 0
    template.write_text("## medium\nSeen from {place}.\n", encoding="utf-8")
    capsys.readouterr()
    assert main(["facts", *words, "--template", str(template), "--place", "a quiet hill"]) == 0
    assert capsys.readouterr().out.strip() == "Seen from a quiet hill."


@pytest.mark.parametrize(
    ("more", "word"),
    [
        (["--distance", "450", "--object", "IC 4603"], "--distance-source"),
        (["--object", "IC 46033"], "IC 46033"),
    ],
)
def test_wrong_facts_are_told(words, capsys, more, word):
    assert main(["facts", *words, *more]) == 2
    assert word in capsys.readouterr().err


def picture(path, size, channels=3):
    path.write_bytes(png_bytes(np.full((size, size, channels), 90, np.uint8), "test"))


RULES = "{count: 1, shortest_px: 80, formats: [png], profile: sRGB, taken_from: 2027-01-01, hired: declared}"


def entries(folder, lines):
    path = folder / "year.yaml"
    path.write_text(f"rules: {RULES}\npictures:\n{lines}", encoding="utf-8")
    return str(path)


def test_a_good_set(tmp_path, capsys):
    picture(tmp_path / "a.png", 100)
    (tmp_path / "a.md").write_text("words", encoding="utf-8")
    line = "  - {file: a.png, title: One, dates: [2027-05-04], instrument: hired, facts: a.md}\n"
    out = tmp_path / "set"
    assert main(["entries", entries(tmp_path, line), "--out", str(out)]) == 0
    assert {path.name for path in out.iterdir()} == {
        "01_one.png",
        "01_one.md",
        "contact.png",
        "manifest.yaml",
    }
    assert (out / "01_one.png").read_bytes() == (tmp_path / "a.png").read_bytes()
    kept = yaml.safe_load((out / "manifest.yaml").read_text(encoding="utf-8"))["pictures"][0]
    assert kept["instrument"] == "hired"
    assert len(kept["sha256"]) == 64
    with Image.open(out / "contact.png") as sheet:
        assert sheet.size[0] > 400


def test_broken_rules_are_named(tmp_path, capsys):
    picture(tmp_path / "a.png", 100)
    picture(tmp_path / "b.png", 60)
    lines = "  - {file: a.png, title: One, dates: [2027-05-04], instrument: own}\n"
    lines += (
        "  - {file: b.png, title: Two, dates: [2026-05-04]}\n  - {file: c.png, title: Three, chosen: false}\n"
    )
    assert main(["entries", entries(tmp_path, lines), "--out", str(tmp_path / "set")]) == 1
    err = capsys.readouterr().err
    for word in (
        "2 pictures are chosen",
        "60 px",
        "taken 2026-05-04",
        "hired instrument: the list does not say",
    ):
        assert word in err
    assert "Three" not in err


def test_mistakes_in_the_list_carry_their_line(tmp_path, capsys):
    line = "  - {file: a.png, titel: One, dates: [yesterday]}\n"
    assert main(["entries", entries(tmp_path, line), "--out", str(tmp_path / "set")]) == 2
    err = capsys.readouterr().err
    assert "year.yaml:3" in err
    assert "did you mean 'title'" in err
    assert "yesterday" in err

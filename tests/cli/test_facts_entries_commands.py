"""``appulse facts`` and ``appulse entries`` from outside."""

import os
import zlib

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


SECRET = "a line that nobody asked for"


@pytest.mark.parametrize("way", ["absolute", "dots", "link"])
@pytest.mark.parametrize("role", ["file", "facts", "evidence"])
def test_a_list_copies_nothing_from_outside_its_folder(tmp_path, capsys, role, way):
    folder = tmp_path / "list"
    folder.mkdir()
    picture(folder / "a.png", 100)
    secret = tmp_path / "secret.txt"
    secret.write_text(SECRET, encoding="utf-8")
    name = {"absolute": str(secret), "dots": "../secret.txt", "link": "link.txt"}[way]
    (folder / "link.txt").symlink_to(secret)
    files = {"file": "a.png", role: name}
    words = ", ".join(f"{key}: {value}" for key, value in files.items())
    line = f"  - {{{words}, title: One, dates: [2027-05-04], instrument: own}}\n"
    assert main(["entries", entries(folder, line), "--out", str(tmp_path / "set")]) == 2
    assert "year.yaml:3" in (err := capsys.readouterr().err)
    assert "outside the list's folder" in err
    assert not (tmp_path / "set").exists()
    code = main(["entries", entries(folder, line), "--out", str(tmp_path / "set"), "--allow-outside"])
    assert code == (1 if role == "file" else 0)
    copied = [p for p in (tmp_path / "set").iterdir() if SECRET.encode() in p.read_bytes()]
    assert bool(copied) is (role != "file")


def damaged(folder, kind):
    """A file that calls itself a picture, or facts, and is none."""
    path = folder / "b.png"
    picture(path, 100)
    if kind == "cut":
        path.write_bytes(path.read_bytes()[:-60])
    elif kind == "bomb":  # 60,000 x 60,000 px in its header
        content = bytearray(path.read_bytes())
        content[16:24] = (60_000).to_bytes(4, "big") * 2
        content[29:33] = zlib.crc32(content[12:29]).to_bytes(4, "big")
        path.write_bytes(content)
    elif kind == "text":
        path.write_text(SECRET, encoding="utf-8")
    elif kind == "pipe":
        path.unlink()
        os.mkfifo(path)
    return path


@pytest.mark.parametrize("kind", ["cut", "bomb", "text", "pipe"])
def test_what_is_no_picture_is_reported_and_not_copied(tmp_path, capsys, kind):
    damaged(tmp_path, kind)
    line = "  - {file: b.png, title: One, dates: [2027-05-04], instrument: own}\n"
    assert main(["entries", entries(tmp_path, line), "--out", str(tmp_path / "set")]) == 1
    assert "b.png is no" in capsys.readouterr().err
    assert {path.name for path in (tmp_path / "set").iterdir()} == {"contact.png", "manifest.yaml"}


def test_facts_that_are_no_text_are_not_copied_and_modes_stay_narrow(tmp_path, capsys):
    picture(tmp_path / "a.png", 100)
    (tmp_path / "a.png").chmod(0o600)
    (tmp_path / "a.md").write_bytes(b"\xff\xfe\x00key")
    (tmp_path / "e.pdf").write_bytes(b"%PDF-1.4\xff")
    files = "file: a.png, facts: a.md, evidence: e.pdf"
    line = f"  - {{{files}, title: One, dates: [2027-05-04], instrument: own}}\n"
    assert main(["entries", entries(tmp_path, line), "--out", str(tmp_path / "set")]) == 1
    assert "is no UTF-8 text" in capsys.readouterr().err
    assert {p.name for p in (tmp_path / "set").iterdir()} == {
        "01_one.png", "01_one_evidence.pdf", "contact.png", "manifest.yaml"
    }  # fmt: skip
    assert (tmp_path / "set" / "01_one.png").stat().st_mode & 0o077 == 0

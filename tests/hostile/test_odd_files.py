"""Pipes, devices, endless and packed files in the place of ordinary ones: refused at once."""

import gzip
import os
import resource
import socket
import time

import numpy as np
import pytest
from astropy.io import fits

from appulse import files
from appulse.cli.main import main
from appulse.errors import FrameError, InputError
from appulse.frames import read_frame

AT_ONCE_S = 20.0
"""A pipe that is read is waited for without end; the commands load their libraries within this."""
LITTLE_MEMORY = 40_000_000
"""Bytes that a refusal may take."""


def card(text: str) -> bytes:
    return f"{text:80}".encode()


def blocks(*cards: str) -> bytes:
    raw = b"".join(card(text) for text in (*cards, "END"))
    return raw + b" " * (-len(raw) % 2880)


def odd_file(folder, kind):
    path = folder / "odd"
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "device":
        return "/dev/zero"
    elif kind == "socket":
        with socket.socket(socket.AF_UNIX) as door:
            door.bind(str(path))
    elif kind == "folder":
        path.mkdir()
    return str(path)


COMMANDS = {
    "frame": ["frame", "ODD"],
    "side header": ["frame", "FRAME", "--wcs-from", "ODD"],
    "orbits": ["orbits", "list", "ODD"],
    "times": ["predict", "--body", "7", "--site", "X05", "--times", "ODD", "--out", "OUT.ecsv"],
    "stars": ["residuals", "FRAME", "--body", "7", "--stars", "ODD", "--out", "OUT"],
    "positions": ["residuals", "FRAME", "--body", "7", "--positions", "ODD", "--out", "OUT"],
    "observations": ["residuals", "--observations", "ODD", "--body", "7", "--out", "OUT"],
    "campaign": ["campaign", "check", "ODD"],
    "entries": ["entries", "ODD", "--out", "OUT"],
    "recipe": ["picture", "--recipe", "ODD", "--out", "OUT"],
    "template": ["facts", "FRAME", "--body", "7", "--template", "ODD", "--out", "OUT"],
    "measured": ["improve", "ODD", "--body", "7", "--out", "OUT.ecsv"],
}


@pytest.mark.parametrize("kind", ["pipe", "device", "socket", "folder"])
@pytest.mark.parametrize("command", COMMANDS)
def test_only_ordinary_files_are_read(tmp_path, sample_data, capsys, command, kind):
    places = {"ODD": odd_file(tmp_path, kind), "FRAME": str(sample_data / "iris_1.fits.fz")}
    places |= {"OUT": str(tmp_path / "out"), "OUT.ecsv": str(tmp_path / "out.ecsv")}
    began = time.monotonic()
    assert main([places.get(word, word) for word in COMMANDS[command]]) == 2
    assert time.monotonic() - began < AT_ONCE_S
    err = capsys.readouterr().err
    assert f"is a {kind}" in err
    assert not any(path.name.startswith("out") for path in tmp_path.iterdir())


def test_an_endless_file_of_no_size_is_cut_off(tmp_path, monkeypatch):
    # The system's own files say that they are empty, and grow while they are read.
    monkeypatch.setattr(files.os, "stat", lambda path: os.lstat(tmp_path / "empty"))
    (tmp_path / "empty").touch()
    with pytest.raises(InputError, match="at most 1 are read"):
        files.read_bytes("/dev/zero", "a list", most=1_000_000)


HEAD = ("SIMPLE  =                    T", "BITPIX  =                   16", "NAXIS   =                    2")


def bomb(folder, kind):
    path = folder / f"{kind}.fits"
    if kind == "more than promised":
        raw = blocks(*HEAD, "NAXIS1  =                   10", "NAXIS2  =                   10") + b"\0" * 2880
        path.write_bytes(gzip.compress(raw + b"\0" * 30_000_000, 1))
    elif kind == "promises much":
        raw = blocks(*HEAD, "NAXIS1  =                60000", "NAXIS2  =                30000")
        path.write_bytes(gzip.compress(raw + b"\0" * 30_000_000, 1))
    elif kind == "many axes":
        path.write_bytes(blocks(*HEAD[:2], "NAXIS   =     9999999999999999") + b"\0" * 2880)
    elif kind == "negative axis":
        path.write_bytes(blocks(*HEAD, "NAXIS1  =                  -10", "NAXIS2  =                   10"))
    elif kind == "many HDUs":
        more = blocks("XTENSION= 'IMAGE   '", HEAD[1], "NAXIS   =                    0",
                      "PCOUNT  =                    0", "GCOUNT  =                    1")  # fmt: skip
        path.write_bytes(blocks(*HEAD[:2], "NAXIS   =                    0") + more * 5000)
    elif kind == "long header":
        path.write_bytes(b"".join(map(card, HEAD)) + card("COMMENT x") * 400_000)
    else:
        table = fits.CompImageHDU(np.ones((64, 64), np.int16))
        table.writeto(path)
        raw = path.read_bytes()
        for axis in b"12":
            key = b"ZNAXIS%c =" % axis
            at = raw.index(key)
            raw = raw[:at] + card(f"{key.decode()} {60_000:20}") + raw[at + 80 :]
        path.write_bytes(raw)
    return path


KINDS = [
    "more than promised", "promises much", "many axes", "negative axis", "many HDUs", "long header", "tiles",
]  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_a_header_is_not_taken_at_its_word(tmp_path, kind):
    path = bomb(tmp_path, kind)
    began, before = time.monotonic(), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(FrameError) as caught:
        read_frame(path, require=()).data  # noqa: B018
    assert time.monotonic() - began < AT_ONCE_S
    assert (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) * 1024 < 3 * LITTLE_MEMORY
    assert str(caught.value).startswith(path.name)


def test_a_packed_table_that_unpacks_without_end_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(files, "UNPACKED_BYTES", 1_000_000)
    path = tmp_path / "orbits.csv.gz"
    path.write_bytes(gzip.compress(b"number,a\n" + b"0" * 30_000_000, 1))
    with pytest.raises(InputError, match="unpacks to more than"):
        files.gunzip(path.read_bytes(), path)


def test_gzip_of_several_members_is_whole():
    packed = gzip.compress(b"one ") + gzip.compress(b"two") + b"\0" * 512
    assert files.gunzip(packed, "x") == b"one two"
    with pytest.raises(InputError, match="end early"):
        files.gunzip(packed[:-530], "x")

"""80-column observations: read, written again to the letter, damaged lines named."""

import numpy as np
import pytest
from astropy.time import Time

from appulse.errors import TableError
from appulse.formats.obs80 import Obs80, format_obs80, from_ades, parse_obs80, read_obs80


def exact(*parts):
    """A line from (column from 1, text)."""
    line = [" "] * 80
    for column, text in parts:
        line[column - 1 : column - 1 + len(text)] = text
    return "".join(line)


def optical(note2="C", date="2027 05 05.12503", ra="16 25 24.02", dec="-24 24 00.1", mag="10.0",
            station="X05", packed="00007", **more):  # fmt: skip
    parts = [(1, packed), (15, note2), (16, date), (33, ra), (45, dec), (66, mag), (71, "G"), (72, "W")]
    return exact(*parts, *((int(k[1:]), v) for k, v in more.items()), (78, station))


FAR = exact((1, "00007"), (15, "s"), (16, "2027 05 05.12503"), (33, "1"), (35, "+ 1234.5678"),
            (47, "- 4321.0000"), (59, "+   12.3400"), (78, "C51"))  # fmt: skip
ROVING = exact((1, "00007"), (15, "v"), (16, "2027 05 05.12503"), (33, "1"), (35, "289.200000"),
               (46, "-23.000000"), (57, " 2400"), (78, "247"))  # fmt: skip
ROUND = [
    optical(), optical(ra="16 25 24.021", dec="-24 24 00.13", date="2027 05 05.125031", mag="10.02"),
    optical(packed="     K27J05A", c13="*", ra="00 00 00.0", dec="-00 00 01"), optical(mag=" 9.5 "),
    optical(ra="23 59 59.999", dec="+89 59 59.99"), optical(ra="16 25.2", dec="-24 24"), optical(mag="18"),
    optical(date="1898 08 14.5", ra="16 25 24.", dec="-24 24 00."), optical(mag="    ", c73="12345"),
    "\n".join([optical("S", station="C51"), FAR]), "\n".join([optical("V", station="247"), ROVING]),
]  # fmt: skip


@pytest.mark.parametrize("text", ROUND)
def test_what_was_read_is_written_to_the_letter(text):
    found = parse_obs80(text)
    assert not found.rejected
    assert len(found) == 1
    assert "\n".join(format_obs80(found[0])) == text


def test_numbers_of_a_line():
    one = parse_obs80(optical())[0]
    assert one.ra == pytest.approx(15 * (16 + 25 / 60 + 24.02 / 3600), abs=1e-12)
    assert one.dec == pytest.approx(-(24 + 24 / 60 + 0.1 / 3600), abs=1e-12)
    assert abs((one.time - Time("2027-05-05T03:00:02.592")).sec) < 1e-6
    assert (one.mag, one.band, one.ast_cat, one.station, one.packed) == (10.0, "G", "Gaia3", "X05", "00007")


@pytest.mark.parametrize(("text", "place"), [
    ("\n".join([optical("S", station="C51"), FAR]), ("km", 1234.5678, -4321.0, 12.34)),
    ("\n".join([optical("V", station="247"), ROVING]), ("geodetic", 289.2, -23.0, 2400.0)),
])  # fmt: skip
def test_places_of_pairs(text, place):
    assert parse_obs80(text)[0].place == place


def test_a_small_negative_declination_keeps_its_sign():
    assert parse_obs80(optical(dec="-00 00 00.5"))[0].dec == pytest.approx(-0.5 / 3600)


@pytest.mark.parametrize("place", [
    ("km", 7000.123, -12.5, 0.25), ("km", -1_234_567.8, 9_876_543.2, 5.0), ("au", 0.012345678, -0.5, 1.25),
    ("geodetic", 289.2, -23.0, 2400.0),
])  # fmt: skip
def test_made_pairs_are_read_back(place):
    kind = "V" if place[0] == "geodetic" else "S"
    one = Obs80("00007", "", Time("2027-05-05T03:00:00"), 246.35, -24.4, "C51", note2=kind, place=place)
    lines = format_obs80(one)
    assert [len(line) for line in lines] == [80, 80]
    again = parse_obs80("\n".join(lines))[0]
    assert again.place[0] == place[0]
    np.testing.assert_allclose(again.place[1:], place[1:], rtol=1e-7, atol=1e-4)


def test_rounding_never_makes_sixty():
    one = Obs80("00007", "", Time("2027-05-05T23:59:59.99999"), 359.9999999, 9.99999999, "X05")
    line = format_obs80(one)[0]
    assert line[15:32] == "2027 05 06.000000"
    assert line[32:44] == "00 00 00.000"
    assert line[44:56] == "+10 00 00.00"


def test_ades_and_80_columns_say_the_same():
    row = {"stn": "C51", "obsTime": "2027-05-05T03:00:02.5Z", "ra": "246.3500000", "dec": "-24.400000",
           "rmsRA": "0.02", "rmsDec": "0.02", "astCat": "Gaia3", "sys": "ICRF_KM", "ctr": "399",
           "pos1": "+1000.5", "pos2": "-2.25", "pos3": "0.0", "mag": "10.1", "band": "G"}  # fmt: skip
    again = parse_obs80("\n".join(format_obs80(from_ades(row, "00007"))))[0]
    assert again.ra == pytest.approx(246.35, abs=0.5e-3 / 240)
    assert again.dec == pytest.approx(-24.4, abs=0.005 / 3600)
    assert again.place == ("km", 1000.5, -2.25, 0.0)
    assert (again.mag, again.ast_cat, again.note2) == (10.1, "Gaia3", "S")
    with pytest.raises(TableError, match="80 columns hold"):
        from_ades(row | {"sys": "IAU"}, "00007")
    with pytest.raises(TableError, match="ra, dec and stn"):
        from_ades({"stn": "X05"}, "00007")


@pytest.mark.parametrize(("text", "reason"), [
    (optical(ra="16 65 24.02"), "out of range"), (optical(dec="-24 xx 00"), "not sexagesimal"),
    (optical(mag="1O.0"), "not a number"), (optical("S"), "second line is missing"),
    (FAR, "without its first"),
    (optical("R"), "radar"), ("what is this", "not an 80-column"), (optical(date="2027 13 05.1"), ""),
    ("\n".join([optical("S", station="C51"), FAR.replace("1 + 1234", "9 + 1234")]), "unit '9'"),
])  # fmt: skip
def test_damaged_lines_are_named_and_cost_only_themselves(text, reason):
    found = parse_obs80(text + "\n" + optical())
    assert len(found) == 1
    assert found.rejected[0][0] == len(text.splitlines())
    assert reason in found.rejected[0][1]


def test_files(tmp_path):
    path = tmp_path / "a.txt"
    path.write_text("COD X05\nOBS A. Nonym\n\n" + "\n".join(ROUND) + "\n")
    found = read_obs80(path)
    assert len(found) == len(ROUND)
    assert not found.rejected
    lines = [line for observation in found for line in format_obs80(observation)]
    assert "\n".join(lines) == "\n".join(ROUND)
    path.write_text("nothing of the kind\n")
    with pytest.raises(TableError, match="line 1: not an 80-column"):
        read_obs80(path)
    with pytest.raises(TableError, match="cannot be read"):
        read_obs80(tmp_path / "absent.txt")

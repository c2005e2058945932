"""MPCORB lines: values as printed, packed epochs, and broken lines listed by number."""

import gzip

import numpy as np
import pytest

from appulse.bodies.designations import pack
from appulse.bodies.readers import file_kind, read_orbits
from appulse.bodies.readers.mpcorb import julian_date, unpack_epoch
from appulse.errors import DesignationError, OrbitError

# Published lines of MPCORB, of epochs 2020-05-31 and 2011-08-27, as public repositories carry them.
PALLAS = (
    "00002    4.2   0.15 K205V 144.97567  310.20237  173.02474   34.83293  0.2299723  0.21334458   "
    "2.7738415  0 MPO530953  8031 109 1821-2019 0.58 M-v 28h MPCW       0000"
    "      (2) Pallas             20190812"
)
IRIS = (
    "00007    5.51  0.15 K118R 111.53561  145.26277  259.65080    5.52306  0.2305428  0.26737788   "
    "2.3862672  0 MPO135420  4443  76 1848-2008 0.60 M-v 38h MPCW       0000"
    "      (7) Iris               20080308"
)
HEADER = (
    "MINOR PLANET CENTER ORBIT DATABASE (MPCORB)   File prepared 2026 Nov. 20\n\nDes'n     H     G\n"
    + "-" * 160
    + "\n"
)


def synthetic(designation, rng):
    """A line of invented elements in the columns of the format."""
    a, e = rng.uniform(2.0, 3.3), rng.uniform(0.0, 0.3)
    i, node, peri, m = rng.uniform(0, 30), *rng.uniform(0, 360, 3)
    motion = np.degrees(0.01720209895) / a**1.5  # Gauss's constant, IAU 1976
    start = f"{pack(designation):7} {15.0:5.2f} {0.15:5.2f} K2655 {m:9.5f}  {peri:9.5f}  {node:9.5f}  "
    middle = f"{i:9.5f}  {e:9.7f} {motion:11.8f} {a:11.7f}  0 MPO492748  6751 115 1801-2019 0.60 M-v 30h"
    return f"{start + middle + ' Nobody     0000':166}{'         ' + designation:28}20260915", (
        a,
        e,
        i,
        node,
        peri,
        m,
    )


def read(folder, *lines, header=HEADER):
    path = folder / "MPCORB.DAT"
    path.write_text(header + "\n".join(lines) + "\n", encoding="ascii")
    return read_orbits(path)


def test_published_lines(tmp_path):
    catalogue = read(tmp_path, PALLAS, "", IRIS)
    assert catalogue.rejected == []
    assert [catalogue.label(0), catalogue.label(1)] == ["(2) Pallas", "(7) Iris"]
    assert catalogue.epoch_jd_tdb.tolist() == [2459000.5, 2455800.5]
    q, e, i, node, peri, tp = catalogue.elements[1]
    assert (e, i, node, peri) == (0.2305428, 5.52306, 259.6508, 145.26277)
    assert q == pytest.approx(2.3862672 * (1 - 0.2305428), rel=1e-15)
    assert 0.26737788 * (2455800.5 - tp) == pytest.approx(111.53561, abs=1e-5)  # n and a are printed to 2e-8
    orbit = catalogue.select("Iris")
    assert (orbit.h, orbit.g, orbit.uncertainty_code) == (5.51, 0.15, "0")
    assert (orbit.source, orbit.source_date) == ("MPC, MPCORB.DAT", "2026 Nov. 20")


def test_numbers_are_read_as_python_reads_them(tmp_path):
    rng = np.random.default_rng(3)
    names = [f"20{year:02d} {half}{order}{count}" for year, half, order, count in
             zip(rng.integers(0, 27, 300), rng.choice(list("ABCDEFGHJKLMNOPQRSTUVWXY"), 300),
                 rng.choice(list("ABCDEFGHJKLMNOPQRSTUVWXYZ"), 300), rng.integers(1, 900, 300),
                 strict=True)]  # fmt: skip
    lines, truth = zip(*(synthetic(name, rng) for name in names), strict=True)
    catalogue = read(tmp_path, *lines)
    assert catalogue.designation.tolist() == names
    printed = np.array(
        [[float(line[a:b]) for a, b in ((70, 79), (59, 68), (48, 57), (37, 46))] for line in lines]
    )
    assert np.array_equal(catalogue.elements[:, 1:5], printed)
    assert catalogue.elements[:, 0] == pytest.approx([a * (1 - e) for a, e, *_ in truth], abs=4e-7)


@pytest.mark.parametrize("number", [99_999, 100_000, 619_999, 620_000, 1_234_567])
def test_large_numbers(tmp_path, number):
    line, _ = synthetic(str(number), np.random.default_rng(1))
    line = line[:166] + f"({number})".rjust(9).ljust(28) + line[194:]
    catalogue = read(tmp_path, line)
    assert catalogue.number.tolist() == [number]
    assert catalogue.select(str(number)).designation == str(number)


@pytest.mark.parametrize("cut", [10, 50, 101, 104, 140, 159])
def test_half_written_lines_are_listed_by_number(tmp_path, cut):
    catalogue = read(tmp_path, PALLAS, IRIS[:cut], IRIS)
    assert len(catalogue) == 2
    ((line, reason),) = catalogue.rejected
    assert line == 6  # four lines of header, then Pallas
    assert f"{cut} of 202 columns" in reason


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("K118R", "K1?8R", "no packed epoch"),
        ("K118R", "     ", "no packed epoch"),
        ("111.53561", "111.5x561", "m '111.5x561'"),
        ("  2.3862672", "           ", "a ''"),
        ("  2.3862672", "  2.8862672", "contradict"),
        ("0.2305428", "1.2305428", "e = 1.23"),
        ("0.2305428", "      nan", "e 'nan'"),
        ("   5.52306", " 185.52306", "between 0 and 180"),
    ],
)
def test_broken_lines(tmp_path, old, new, words):
    catalogue = read(tmp_path, PALLAS, IRIS.replace(old, new))
    ((line, reason),) = catalogue.rejected
    assert line == 6
    assert words in reason
    assert "00007" in reason


def test_a_file_with_no_usable_line(tmp_path):
    with pytest.raises(OrbitError, match=r"line 5.*was cut"):
        read(tmp_path, IRIS[:120])


def test_lines_without_header_gzipped_and_with_carriage_returns(tmp_path):
    path = tmp_path / "some.gz"
    path.write_bytes(gzip.compress(f"{PALLAS}\r\n{IRIS}\r\n".encode()))
    assert read_orbits(path).number.tolist() == [2, 7]


def test_a_gzip_that_ends_early(tmp_path):
    path = tmp_path / "cut.gz"
    path.write_bytes(gzip.compress((PALLAS + "\n").encode() * 50)[:-12])
    with pytest.raises(OrbitError, match="end early"):
        read_orbits(path)


def test_missing_h_is_not_a_number_but_none(tmp_path):
    catalogue = read(tmp_path, IRIS.replace(" 5.51  0.15", "           "))
    assert (catalogue.orbit(0).h, catalogue.orbit(0).g) == (None, None)


def test_the_last_line_may_lack_its_newline(tmp_path):
    path = tmp_path / "x.txt"
    path.write_text(PALLAS + "\n" + IRIS, encoding="ascii")
    assert len(read_orbits(path)) == 2


@pytest.mark.parametrize(
    ("packed", "jd"),
    [
        ("J9611", 2450083.5),
        ("J961A", 2450092.5),
        ("J969U", 2450356.5),
        ("J96AF", 2450371.5),
        ("K01AM", 2452204.5),
    ],
)
def test_packed_dates(packed, jd):
    # The examples of the MPC's description: 1996 Jan 1, Jan 10, Sept 30, Oct 15; 2001 Oct 22.
    assert unpack_epoch(packed) == jd


@pytest.mark.parametrize(
    ("date", "jd"),
    [
        ((2000, 1, 1.5), 2451545.0),
        ((1987, 6, 19.5), 2446966.0),
        ((837, 4, 10.3), 2026871.8),
        ((-1000, 7, 12.5), 1356001.0),
    ],
)
def test_julian_dates(date, jd):
    # Meeus 1998, Astronomical Algorithms, table on p. 62 (from memory).
    assert julian_date(*date) == pytest.approx(jd, abs=1e-9)


def test_sniffing_lines_without_header():
    assert file_kind(IRIS) == "MPCORB lines"


def test_a_skipped_line_is_not_an_unknown_body(tmp_path):
    catalogue = read(tmp_path, PALLAS, IRIS[:120])
    with pytest.raises(DesignationError, match=r"'7' is not among the 1 orbits at hand; line 6 was skipped"):
        catalogue.select("7")
    with pytest.raises(DesignationError, match=r"'8' is not among the 1 orbits at hand \("):
        catalogue.select("8")

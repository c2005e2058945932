"""Designations against an independent implementation, and the readings of what users type."""

import string

import mpc_designation
import pytest
from hypothesis import given
from hypothesis import strategies as st

from appulse.bodies.designations import LAST_NUMBER, LETTERS, normalise, pack, pack_number, read_name, unpack
from appulse.errors import DesignationError

HALF_MONTHS = "ABCDEFGHJKLMNOPQRSTUVWXY"
halves, orders = st.sampled_from(HALF_MONTHS), st.sampled_from(LETTERS)


def agrees(readable):
    """Pack and unpack as the other implementation does; returns the packed form."""
    packed = pack(readable)
    assert packed.strip() == mpc_designation.pack(readable).strip()
    assert unpack(packed) == mpc_designation.unpack(packed) == readable
    return packed


@given(st.integers(1, LAST_NUMBER))
def test_numbers(number):
    packed = pack_number(number)
    assert packed == mpc_designation.pack(str(number)).strip()
    assert unpack(packed) == str(number)


@given(st.integers(1925, 2099), halves, orders, st.integers(0, 619))
def test_provisional(year, half, order, count):
    assert len(agrees(f"{year} {half}{order}{count or ''}")) == 7


@given(st.integers(2000, 2061), halves, orders, st.integers(620, 15_000))
def test_extended_provisional(year, half, order, count):
    assert agrees(f"{year} {half}{order}{count}").startswith("_")


@given(st.integers(1001, 9999), st.sampled_from(["P-L", "T-1", "T-2", "T-3"]))
def test_survey(number, survey):
    agrees(f"{number:04d} {survey}")


@given(st.sampled_from("CPDXA"), st.integers(1800, 2099), halves, st.integers(1, 99))
def test_comets(kind, year, half, count):
    assert len(agrees(f"{kind}/{year} {half}{count}")) == 8


@given(st.sampled_from("CPDA"), st.integers(1925, 2099), halves, orders, st.integers(0, 619))
def test_comets_found_as_asteroids(kind, year, half, order, count):
    assert len(agrees(f"{kind}/{year} {half}{order}{count or ''}")) == 8


@given(st.integers(1, 999), st.sampled_from("PD"))
def test_numbered_comets(number, kind):
    agrees(f"{number}{kind}")


@given(st.integers(1800, 2099), halves, st.integers(1, 99), st.sampled_from(string.ascii_uppercase))
def test_fragments_of_comets(year, half, count, fragment):
    readable = f"C/{year} {half}{count}-{fragment}"
    assert unpack(pack(readable)) == readable == mpc_designation.unpack(mpc_designation.pack(readable))


@given(st.text(max_size=14))
def test_any_text_is_read_or_refused_by_name(text):
    try:
        name = read_name(text)
    except DesignationError:
        assert not text.split()
    else:
        assert name.designation or name.name


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("7", "7"),
        ("(7)", "7"),
        ("(7) Iris", "7"),
        ("7 Iris", "7"),
        ("00007", "7"),
        ("K3289", "203289"),
        ("~0000", "620000"),
        ("2020 AB", "2020 AB"),
        ("2020ab", "2020 AB"),
        ("K20A00B", "2020 AB"),
        ("A898 PA", "1898 PA"),
        ("2040 P-L", "2040 P-L"),
        ("PLS2040", "2040 P-L"),
        ("2P/Encke", "2P"),
        ("0002P", "2P"),
        ("73P-AA", "73P-AA"),
        ("73P/Schwassmann-Wachmann 3-B", "73P-B"),
        ("C/2023 A3 (Some Name)", "C/2023 A3"),
        ("P/2004 CB", "P/2004 CB"),
        ("C/1995 O1-A", "C/1995 O1-A"),
        ("1I", "1I"),
        ("  Iris ", "Iris"),
        ("3200 Phaethon (1983 TB)", "3200"),
    ],
)
def test_what_users_type(typed, meant):
    assert normalise(typed) == meant


@pytest.mark.parametrize("packed", ["", "K20A00I", "K20I00A", "J95Z00A", "~00-0", "00P07", "CK23A03", "Iris"])
def test_malformed_packed_forms_are_refused(packed):
    with pytest.raises(DesignationError):
        unpack(packed)


@pytest.mark.parametrize("number", [0, -1, LAST_NUMBER + 1])
def test_numbers_without_a_packed_form(number):
    with pytest.raises(DesignationError, match="packed numbers run from 1"):
        pack_number(number)


def test_a_name_has_no_packed_form():
    with pytest.raises(DesignationError, match="is a name"):
        pack("Iris")

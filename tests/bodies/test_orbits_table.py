"""Our orbit table: units honoured, mixtures refused, every bad row named."""

import dataclasses
import warnings

import numpy as np
import pytest
from astropy import units as u
from astropy.table import QTable, Table
from astropy.time import Time

from appulse.bodies.catalogue import OrbitCatalogue
from appulse.bodies.orbit import NonGrav, Orbit
from appulse.bodies.readers import read_orbits
from appulse.bodies.readers.orbit_table import orbit_table
from appulse.errors import AppulseWarning, OrbitError, TableError

ANGLES = {"e": 0.2, "i": 5.0, "node": 10.0, "peri": 20.0}
EXPECTED = Orbit.from_elements("7", 2461000.5, q=1.1, tp=2461050.5, **ANGLES)
STATE_COLUMNS = ("x", "y", "z", "vx", "vy", "vz")


def state_table(**columns):
    table = Table({"designation": ["7"], "epoch": [2461000.5]})
    for name, value in zip(STATE_COLUMNS, EXPECTED.state, strict=True):
        table[name] = [value]
    for name, value in columns.items():
        table[name] = value
    return table


def write(table, folder, name="orbits.ecsv"):
    path = folder / name
    table.write(path)
    return path


def write_csv(folder, header, *rows):
    path = folder / "orbits.csv"
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("header", "row"),
    [
        ("designation,epoch,q,e,i,node,peri,tp", "7,2461000.5,1.1,0.2,5,10,20,2461050.5"),
        ("designation,epoch,a,e,i,node,peri,M", "7,2461000.5,1.375,0.2,5,10,20,{m}"),
        ("# a comment\nepoch,tp,peri,node,i,e,q,designation", "2461000.5,2461050.5,20,10,5,0.2,1.1,7"),
    ],
)
def test_three_ways_to_write_one_orbit(tmp_path, header, row):
    motion = 0.985607669 / 1.375**1.5  # Gauss's constant (IAU 1976) in degrees
    catalogue = read_orbits(write_csv(tmp_path, header, row.format(m=repr(-50.0 * motion))))
    assert catalogue.select("7").state == pytest.approx(EXPECTED.state, abs=2e-9)


def test_angles_that_look_like_radians_are_asked_about(tmp_path):
    header = "designation,epoch,a,e,i,node,peri,M"
    with pytest.warns(AppulseWarning, match="all angles are below 2 pi: degrees are taken"):
        read_orbits(write_csv(tmp_path, header, "7,2461000.5,2.4,0.2,0.09,4.5,2.5,1.7"))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        read_orbits(write_csv(tmp_path, header, "7,2461000.5,2.4,0.2,0.09,4.5,2.5,170"))
        read_orbits(write_csv(tmp_path, header, "7,2461000.5,2.4,0,0,0,0,1.7"))


def test_units_are_honoured(tmp_path):
    table = QTable({"designation": ["7"], "epoch": [2461000.5] * u.d})
    for name, value in zip(STATE_COLUMNS, EXPECTED.state, strict=True):
        unit = u.km if name in "xyz" else u.km / u.s
        table[name] = [(value * (u.au if name in "xyz" else u.au / u.d)).to(unit).value] * unit
    orbit = read_orbits(write(table, tmp_path)).orbit(0)
    assert orbit.state == pytest.approx(EXPECTED.state, rel=1e-13)


def test_angles_in_radians(tmp_path):
    table = QTable(
        {"designation": ["7"], "epoch": [2461000.5], "q": [1.1] * u.au, "e": [0.2], "tp": [2461050.5] * u.d}
    )
    for name in ("i", "node", "peri"):
        table[name] = np.radians([ANGLES[name]]) * u.rad
    assert read_orbits(write(table, tmp_path)).orbit(0).state == pytest.approx(EXPECTED.state, rel=1e-12)


def test_epoch_as_time_column_of_another_scale(tmp_path):
    table = state_table()
    table["epoch"] = Time([2461000.5], format="jd", scale="tdb").utc
    assert read_orbits(write(table, tmp_path)).epoch_jd_tdb == pytest.approx([2461000.5], abs=1e-8)


def test_optional_columns(tmp_path):
    table = state_table(
        H=[8.5], G=[0.15], M1=[7.0], K1=[10.0], A1=[1e-9], A2=[0.0], A3=[0.0], name=["Iris"], U=["0"]
    )
    orbit = read_orbits(write(table, tmp_path)).select("Iris")
    assert (orbit.h, orbit.g, orbit.m1, orbit.k1, orbit.uncertainty_code) == (8.5, 0.15, 7.0, 10.0, "0")
    assert orbit.nongrav.a1 == 1e-9
    assert orbit.nongrav.r0 == 2.808


def test_empty_optional_cells_are_not_given(tmp_path):
    header = "designation,epoch,q,e,i,node,peri,tp,H,M1,A2"
    rows = [
        "7,2461000.5,1.1,0.2,5,10,20,2461050.5,5.5,,",
        "2P,2461000.5,1.1,0.2,5,10,20,2461050.5,,11.0,1e-10",
    ]
    first, second = read_orbits(write_csv(tmp_path, header, *rows))
    assert (first.h, first.m1, first.nongrav) == (5.5, None, None)
    assert (second.h, second.m1, second.nongrav.a2) == (None, 11.0, 1e-10)


def test_rows_may_differ_in_form(tmp_path):
    header = "designation,epoch,q,a,e,i,node,peri,tp,M"
    path = write_csv(
        tmp_path, header, "A,2461000.5,1.1,,0.2,5,10,20,2461050.5,", "B,2461000.5,,1.375,0.2,5,10,20,,0"
    )
    assert read_orbits(path).elements[:, 0] == pytest.approx([1.1, 1.1])


def test_plain_numbers_as_designations_stay_text(tmp_path):
    path = write_csv(
        tmp_path, "designation,epoch,q,e,i,node,peri,tp", "00007,2461000.5,1.1,0.2,5,10,20,2461050.5"
    )
    catalogue = read_orbits(path)
    assert catalogue.designation.tolist() == ["00007"]
    assert catalogue.select("7").number == 7


@pytest.mark.parametrize(
    ("header", "row", "words"),
    [
        ("designation,epoch,q,e,i,node,peri", "7,2461000.5,1,0,0,0,0", "column tp is missing"),
        ("designation,epoch,H", "7,2461000.5,5", "no columns of an orbit"),
        ("designation,q,e,i,node,peri,tp", "7,1,0,0,0,0,2461050.5", "no column 'epoch'"),
        (
            "epoch,designation,q,e,i,node,peri,tp",
            "2461000.5,,1,0,0,0,0,2461050.5",
            "row 1 has no designation",
        ),
        ("designation,epoch,q,e,i,node,peri,tp", "7,2027-05-04,1,0,0,0,0,2461050.5", "a JD TDB"),
        ("designation,epoch,q,e,i,node,peri,tp", "7,2461000.5,1.1 au,0,0,0,0,2461050.5", "where a number"),
        ("designation,epoch,q,e,i,node,peri,tp", "7,2461000.5,,0,0,0,0,2461050.5", "row 1 has no q"),
        ("designation,epoch,q,e,i,node,peri,tp", "7,2461000.5,nan,0,0,0,0,2461050.5", "row 1.*q"),
        ("designation,epoch,q,e,i,node,peri,tp", "7,2461000.5,1.1,0,0", "cannot be read|row 1 has no"),
        (
            "designation,epoch,a,e,i,node,peri,M",
            "7,2461000.5,2.0,1.2,0,0,0,5",
            r"row 1 \(7\): e = 1.2 with a",
        ),
        ("designation,epoch,a,e,i,node,peri,M", "7,2461000.5,2.0,1.0,0,0,0,5", "a parabola has none"),
        ("designation,epoch,x,y,z,vx,vy,vz", "7,2461000.5,0,0,0,0,0,0", "position vector is zero"),
        ("designation,epoch,x,y,z,vx,vy,vz", "7,61000.5,1,0,0,0,0.01,0", "looks like an MJD"),
        (
            "designation,epoch,q,a,e,i,node,peri,tp,M",
            "7,2461000.5,1,1,0,0,0,0,2461000.5,0",
            "two descriptions",
        ),
        ("designation,epoch,q,e,i,node,peri,tp", "", "no rows"),
    ],
)
def test_bad_tables(tmp_path, header, row, words):
    with pytest.raises((TableError, OrbitError), match=words) as caught:
        read_orbits(write_csv(tmp_path, header, row))
    assert "orbits.csv" in str(caught.value)


def test_mixed_units_within_a_vector(tmp_path):
    table = state_table()
    table["x"].unit, table["y"].unit, table["z"].unit = u.au, u.km, u.au
    with pytest.raises(TableError, match=r"mixed units \(x in AU, y in km, z in AU\)"):
        read_orbits(write(table, tmp_path))


def test_units_for_some_columns_only(tmp_path):
    table = state_table()
    table["x"].unit = u.km
    with pytest.raises(TableError, match="mixed units"):
        read_orbits(write(table, tmp_path))


def test_units_of_another_kind(tmp_path):
    table = state_table()
    for name in "xyz":
        table[name].unit = u.kg
    with pytest.raises(TableError, match="column x is in kg"):
        read_orbits(write(table, tmp_path))


def test_a_unit_too_small_for_a_number_is_refused(tmp_path):
    path = write(state_table(), tmp_path)
    text = path.read_text("utf-8")
    path.write_text(text.replace("{name: vz,", "{name: vz, unit: 1e-320 / d,"), "utf-8")
    with pytest.raises(TableError, match="column vz is in"):
        read_orbits(path)


def test_a_bad_row_among_good_ones_is_named(tmp_path):
    row = "{},2461000.5,1.1,{},5,10,20,2461050.5"
    path = write_csv(
        tmp_path, "designation,epoch,q,e,i,node,peri,tp", row.format("7", 0.2), row.format("8", -0.2)
    )
    with pytest.raises(OrbitError, match=r"row 2 \(8\): e = -0.2"):
        read_orbits(path)


def test_the_sample_orbit(sample_data):
    orbit = read_orbits(sample_data / "orbit.ecsv").select("7")
    assert orbit.epoch_jd_tdb == 2461480.5
    assert orbit.elements.a == pytest.approx(2.387, abs=0.002)  # (7): 2.386 au, osculating, MPCORB of 2011


def full_orbits():
    rng = np.random.default_rng(5)
    half = rng.normal(size=(8, 8)) * np.r_[np.full(6, 1e-8), 1e-11, 1e-12]
    names = ("x", "y", "z", "vx", "vy", "vz", "A1", "A2")
    comet = Orbit.from_elements(
        "2P", 2461000.5, q=0.34, tp=2461050.5, e=0.85, i=5.0, node=10.0, peri=20.0, name="Encke",
        m1=11.0, k1=15.0,
        nongrav=NonGrav(a1=1e-9, a2=-1e-10, dt_d=12.5), covariance=half.T @ half, covariance_names=names,
        aliases=("P/1786 B1", "P/1795 V1"), source="here, and 'there'", source_date="2026-11-25",
    )  # fmt: skip
    rock = Orbit("7", 2461000.5, EXPECTED.state, name="Iris", h=5.5, g=0.15, uncertainty_code="0")
    law = NonGrav(a2=1e-14, r0=1.0, alpha=1.0, nm=1.9, nn=5.093, nk=0.0)
    pebble = Orbit("2020 AB", 2461000.5, EXPECTED.state, nongrav=law, h=26.0, g12=0.4)
    return OrbitCatalogue.from_orbits([comet, rock, pebble])


def test_a_table_written_and_read_is_the_same_catalogue(tmp_path):
    catalogue = full_orbits()
    again = read_orbits(write(orbit_table(catalogue), tmp_path))
    for before, after in zip(catalogue, again, strict=True):
        for field in dataclasses.fields(Orbit):
            was, now = getattr(before, field.name), getattr(after, field.name)
            if field.name == "source" and not was:
                continue
            assert np.array_equal(was, now), (before.label, field.name)


@pytest.mark.parametrize(("gap", "words"), [("cov_23", "cov_23"), ("cov_00", "cov_00"), ("cov_67", "cov_67")])
def test_a_covariance_with_gaps(tmp_path, gap, words):
    table = orbit_table(full_orbits())
    table.remove_column(gap)
    with pytest.raises(TableError, match=f"row 1: the covariance has gaps .*{words}"):
        read_orbits(write(table, tmp_path))


def test_a_law_that_is_none(tmp_path):
    table = orbit_table(full_orbits())
    table["g_law"] = ["vapour", "", ""]
    with pytest.raises(TableError, match="row 1: g_law 'vapour'"):
        read_orbits(write(table, tmp_path))


ROW = "7,2461000.5,1.1,0.2,5,10,20,2461050.5"


@pytest.mark.parametrize(
    ("header", "row"),
    [
        ("Designation,EPOCH,q,e,i,Node,Peri,Tp", ROW),
        ("designation;epoch;q;e;i;node;peri;tp", ROW.replace(",", ";")),
        ("designation\tepoch\tq\te\ti\tnode\tperi\ttp", ROW.replace(",", "\t")),
        ("designation, epoch, q, e, i, node, peri, tp", ROW.replace(",", ", ")),
        ("\ufeffdesignation,epoch,q,e,i,node,peri,tp", ROW),
    ],
)
def test_ways_of_writing_a_csv(tmp_path, header, row):
    assert read_orbits(write_csv(tmp_path, header, row)).select("7").state == pytest.approx(EXPECTED.state)


@pytest.mark.parametrize(
    ("written", "typed"),
    [
        ("C/2023 A3 (Some Name)", ["C/2023 A3", "CK23A030", "Some Name", "C/2023 A3 (Some Name)"]),
        ("2P/Encke", ["2P", "Encke", "0002P", "2P/Encke"]),
        ("(7) Iris", ["7", "iris", "(7) Iris", "00007"]),
        ("K20A00B", ["2020 AB", "K20A00B"]),
    ],
)
def test_what_a_designation_cell_says_is_found_by_each_part(tmp_path, written, typed):
    path = write_csv(tmp_path, "designation,epoch,q,e,i,node,peri,tp", ROW.replace("7", written, 1))
    catalogue = read_orbits(path)
    for text in typed:
        assert catalogue.select(text).designation == written
    assert catalogue.label(0).count("Name") <= 1


@pytest.mark.parametrize(
    ("header", "row", "words"),
    [
        ("designation,epoch,q,e,i,node,peri,tp,q", ROW + ",2", "two columns are called 'q'"),
        ("designation,epoch,q,e,i,node,peri,tp", ROW.replace("2461050.5", "1e12"), "million years"),
        ("designation,epoch,a,e,i,node,peri,M", "7,2461000.5,2.3,0.2,5,10,20,1e300", "within a turn"),
    ],
)
def test_more_bad_tables(tmp_path, header, row, words):
    with pytest.raises((TableError, OrbitError), match=words):
        read_orbits(write_csv(tmp_path, header, row))


@pytest.mark.parametrize("old", ["float64", "{name: epoch", "# datatype:", "string}"])
@pytest.mark.parametrize("new", ["", "floa", "# 0"])
def test_damaged_ecsv_headers(tmp_path, old, new):
    path = write(state_table(), tmp_path)
    path.write_text(path.read_text().replace(old, new, 1), encoding="utf-8")
    with pytest.raises(TableError, match=r"orbits\.ecsv: "):
        read_orbits(path)

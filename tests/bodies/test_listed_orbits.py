"""The bundled list of named minor planets: as printed, where others have them; rough places lose nobody."""

import csv
import gzip

import numpy as np
import pytest
from astropy import units as u
from astropy.time import Time

from appulse.bodies import listed
from appulse.bodies.catalogue import OrbitCatalogue
from appulse.bodies.ephemeris import NBodyEphemeris
from appulse.bodies.field_search import bodies_in_field, may_be_bright
from appulse.bodies.kernels import default_kernels
from appulse.bodies.orbit import Orbit
from appulse.bodies.readers import starter_orbits
from appulse.numerics import separation_rad, unit_from_radec
from appulse.observers import Site, tdb_days

ARCSEC = np.degrees(1.0) * 3600.0


@pytest.fixture(scope="module")
def some():
    """Every fortieth body of the list."""
    whole = listed.listed_orbits()
    return whole.take(np.arange(0, len(whole), 40))


@pytest.mark.needs_shared
def test_the_packed_elements_are_those_printed(shared):
    """Minor Planet Center, MPCORB of 2025 Nov, as the check material records it."""
    with gzip.open(shared / "orbits" / "mpc_named_22304_2025.csv.gz", "rt", encoding="utf-8") as file:
        printed = {int(row["number"]): row for row in csv.DictReader(file)}
    packed = listed.listed_orbits()
    for row in range(0, len(packed), 97):
        want, orbit = printed[int(packed.number[row])], packed.orbit(row)
        assert orbit.name == want["name"].replace("_", " ")
        assert (orbit.h, orbit.g) == (float(want["H"]), float(want["G"]))
        q, e, i, node, peri, _ = packed.elements[row]
        assert q / (1.0 - e) == pytest.approx(float(want["a"]), abs=1e-9)
        others = [float(want[key]) for key in ("e", "i", "node", "peri")]
        assert [e, i, node, peri] == pytest.approx(others, abs=1e-9)


@pytest.mark.needs_shared
def test_listed_orbits_stand_where_de430_has_them(shared):
    """JPL DE430's states of 2000 (Folkner et al. 2014, IPN PR 42-196), carried here by our integrator."""
    with open(shared / "checks" / "de430_343_states_j2000.csv", encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))[::6]
    keys = ("x", "y", "z", "vx", "vy", "vz")
    name = next(key for key in rows[0] if key.lower() in ("number", "designation"))
    columns = {key: next(k for k in rows[0] if k.lower().split("_")[0] == key) for key in keys}
    whole = listed.listed_orbits()
    rows = [row for row in rows if int(row[name]) in set(whole.number.tolist())]
    theirs = [
        Orbit.from_state(row[name], 2_451_545.0, [float(row[columns[key]]) for key in keys]) for row in rows
    ]
    when = Time("2026-11-15")
    there = NBodyEphemeris(theirs).vectors(when, Site.geocentre())[:, 0]
    ours = NBodyEphemeris(whole.take([whole.row_of(row[name]) for row in rows]))
    here = ours.vectors(when, Site.geocentre())[:, 0]
    apart = separation_rad(there, here) * ARCSEC
    assert len(apart) > 40
    assert np.median(apart) < 0.2
    assert np.percentile(apart, 90) < 0.6


@pytest.mark.parametrize("date", ["1991-07-01", "2012-12-31", "2047-06-01"])
def test_rough_places_of_other_years_lose_nobody(some, date):
    when, kernels = Time(date, scale="tdb"), default_kernels()
    vectors = NBodyEphemeris(some, tolerance=1e-8).vectors(when, Site.geocentre())[:, 0]
    rough = listed.roughly(some, float(when.tdb.jd))
    assert abs(rough.epoch_jd_tdb - when.jd) < 2.6 * 365.25
    assert len(rough.rows) == len(some)
    sun = kernels.major(np.array([rough.epoch_jd_tdb - 2_451_545.0]))[0][0, 0]
    then = NBodyEphemeris(some, tolerance=1e-8).states(
        np.arange(len(some)), np.full((len(some), 1), rough.epoch_jd_tdb - 2_451_545.0)
    )
    off = np.linalg.norm(rough.state[:, :3] - (then[:, 0, :3] - sun), axis=1)
    assert (off < rough.doubt_au).all()
    centre = (120.0, 20.0)
    apart = np.degrees(separation_rad(vectors, np.broadcast_to(unit_from_radec(*centre), vectors.shape)))
    found = bodies_in_field(some, when, Site.geocentre(), *centre, 20.0)
    assert set(found["designation"]) == set(some.designation[apart < 20.0])
    assert 3 < len(found) < 100


@pytest.mark.parametrize("typed", ["1937 NN", "J37N00N", "5452", "(5452) 1937 NN"])
def test_a_body_without_a_name_is_found_by_its_provisional_designation(typed):
    assert starter_orbits(own=False).select(typed).label == "(5452) 1937 NN"


def test_a_newer_orbit_is_not_the_lists():
    whole = listed.listed_orbits()
    mine = whole.orbit(whole.row_of("8"))
    newer = Orbit.from_state("8", mine.epoch_jd_tdb, mine.state * (1.0 + 1e-9))
    assert len(listed.roughly(OrbitCatalogue.from_orbits([mine]), 2_455_000.5).rows) == 1
    assert len(listed.roughly(OrbitCatalogue.from_orbits([newer]), 2_455_000.5).rows) == 0
    assert listed.roughly(OrbitCatalogue.from_orbits([mine]), 2_461_100.5) is None


@pytest.mark.parametrize("limit", [11.0, 14.0, 17.0])
def test_no_body_that_becomes_bright_is_left_out(limit):
    """Near-Earth and named ones over three months, day by day, against the full prediction."""
    whole = starter_orbits(own=False)
    catalogue = whole.take(np.r_[0:460:3, 500 : len(whole) : 150])
    catalogue = catalogue.take(np.flatnonzero(np.isfinite(catalogue.h)))
    days = Time("2028-02-01") + np.arange(91.0) * u.day
    ephemeris = NBodyEphemeris(catalogue, tolerance=1e-8)
    table = ephemeris.table(np.arange(len(catalogue)), days, Site.geocentre(), uncertainty=False)
    mag = np.where(table["mag"].mask, np.inf, table["mag"].unmasked.value).reshape(len(catalogue), len(days))
    bright = set(np.flatnonzero(mag.min(axis=1) <= limit))
    span = (float(tdb_days(days[0])), float(tdb_days(days[-1])))
    kept = set(may_be_bright(catalogue, *span, limit, default_kernels()))
    assert bright <= kept
    assert len(kept) < 0.85 * len(catalogue)

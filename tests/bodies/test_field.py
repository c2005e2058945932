"""Nobody in the field is lost: the two-body cut against integration of everybody."""

import numpy as np
import pytest
from astropy.time import Time
from invented_sky import EPOCH_JD, HARD_MIX, invented_catalogue

from appulse.bodies import field_search
from appulse.bodies.catalogue import OrbitCatalogue
from appulse.bodies.ephemeris import NBodyEphemeris
from appulse.bodies.field_search import bodies_in_field, heliocentric, night_sky
from appulse.bodies.kernels import default_kernels
from appulse.bodies.orbit import Orbit
from appulse.errors import EphemerisSpanError, InputError
from appulse.numerics.kepler import ECLIPTIC_TO_ICRF, state_from_elements
from appulse.numerics.sphere import separation_rad, unit_from_radec
from appulse.observers.site import Site, SpacecraftVector
from appulse.observers.timescales import parse_utc

SITE = Site.from_mpc_code("X05")
COUNT = 1500
TOL_ROUGH_RAD = 5e-6  # single precision, one arcsecond
TOL_SAME_PLACE_DEG = 1e-9


@pytest.fixture(scope="module")
def catalogue():
    return invented_catalogue(COUNT, HARD_MIX, seed=4)


@pytest.fixture(scope="module")
def ephemeris(catalogue):
    return NBodyEphemeris(catalogue)


@pytest.mark.parametrize("age", [-200.4, 0.3, 20.2, 180.4, 400.7])
def test_every_body_lies_within_its_margin(catalogue, ephemeris, age):
    """The margin is what recall rests on: it is held for every body, not only for those in some field."""
    time = Time(EPOCH_JD + age, format="jd", scale="tdb")
    t_d = EPOCH_JD + age - 2_451_545.0
    sky = night_sky(catalogue, float(np.floor(t_d + 0.5)), default_kernels())
    exact = ephemeris.vectors(time, SITE)[:, 0]
    off = separation_rad(exact, sky.unit.astype(float))
    allowed = sky.margin + sky.pace * abs(t_d - sky.t_d)
    assert np.all(off <= allowed)
    mag = ephemeris.table(np.arange(COUNT), time, SITE, uncertainty=False)["mag"].unmasked.value
    assert np.all(np.abs(mag - sky.mag) <= sky.slack)


def test_the_margin_is_not_the_whole_sky(catalogue):
    """A margin of half the sky would lose nobody either, and be of no use."""
    sky = night_sky(catalogue, EPOCH_JD + 180 - 2_451_545.0, default_kernels())
    belt = sky.margin[: int(COUNT * HARD_MIX[0])]
    assert np.degrees(np.median(belt)) < 0.1
    assert np.mean(sky.margin > 0.5) < 0.01


def test_fields_against_brute_force(catalogue, ephemeris):
    time = Time(EPOCH_JD + 90.3, format="jd", scale="tdb")
    everybody = ephemeris.table(np.arange(COUNT), time, SITE, uncertainty=False)
    unit = unit_from_radec(everybody["ra"].value, everybody["dec"].value)
    rng = np.random.default_rng(8)
    found = 0
    for row in rng.integers(0, COUNT, 12):
        ra, dec = everybody["ra"][row].value, everybody["dec"][row].value
        apart = np.degrees(separation_rad(unit, unit_from_radec(ra, dec)))
        for radius, limit in ((3.0, None), (8.0, 19.0)):
            expected = apart <= radius
            if limit is not None:
                expected &= everybody["mag"].unmasked.value <= limit
            table = bodies_in_field(catalogue, time, SITE, ra, dec, radius, limit_mag=limit)
            assert set(table["designation"]) == set(everybody["designation"][expected])
            assert np.all(np.diff(table["mag"].unmasked.value) >= 0)
            found += len(table)
    assert found > 100


def test_places_are_the_integrated_ones(catalogue, ephemeris):
    time = Time(EPOCH_JD + 90.3, format="jd", scale="tdb")
    alone = ephemeris.table(np.array([7]), time, SITE, uncertainty=False)
    table = bodies_in_field(catalogue, time, SITE, alone["ra"][0].value, alone["dec"][0].value, 0.5)
    mine = table[table["designation"] == "S7"]
    assert abs(mine["ra"][0] - alone["ra"][0]).value < TOL_SAME_PLACE_DEG
    assert mine["separation"][0].to_value("deg") < TOL_SAME_PLACE_DEG


def test_an_observer_in_space_has_a_sky_of_its_own(catalogue, ephemeris):
    time = Time(EPOCH_JD + 30.3, format="jd", scale="tdb")
    craft = SpacecraftVector("far telescope", time, (0.3, -0.2, 0.1), (0.0, 0.0, 0.0), "earth")
    places = ephemeris.table(np.arange(COUNT), time, craft, uncertainty=False)
    ra, dec = places["ra"][3].value, places["dec"][3].value
    unit = unit_from_radec(places["ra"].value, places["dec"].value)
    inside = separation_rad(unit, unit_from_radec(ra, dec)) <= np.radians(4.0)
    table = bodies_in_field(catalogue, time, craft, ra, dec, 4.0)
    assert set(table["designation"]) == set(places["designation"][inside])


def test_no_magnitude_is_no_reason_to_be_left_out():
    orbit = Orbit.from_elements("x", EPOCH_JD, q=1.8, e=0.2, i=5, node=10, peri=20, tp=EPOCH_JD + 50)
    catalogue = OrbitCatalogue.from_orbits([orbit])
    time = Time(EPOCH_JD + 10, format="jd", scale="tdb")
    place = NBodyEphemeris(catalogue).at(time, SITE)[0]
    table = bodies_in_field(catalogue, time, SITE, place["ra"].value, place["dec"].value, 0.1, limit_mag=5.0)
    assert len(table) == 1
    assert table["mag"].mask[0]


def test_an_empty_field_is_an_empty_table(catalogue):
    table = bodies_in_field(catalogue, Time("2026-02-01"), SITE, 10.0, 89.0, 0.01)
    assert len(table) == 0
    assert {"designation", "ra", "separation", "mag"} <= set(table.colnames)


@pytest.mark.parametrize("circle", [(np.nan, 0.0, 1.0), (0.0, 91.0, 1.0), (0.0, 0.0, 0.0), (0.0, 0.0, 181.0)])
def test_what_is_no_circle_is_refused(catalogue, circle):
    with pytest.raises(InputError, match="radius"):
        bodies_in_field(catalogue, Time("2026-02-01"), SITE, *circle)


def test_one_time_and_inside_the_kernels(catalogue):
    with pytest.raises(InputError, match="one time"):
        bodies_in_field(catalogue, Time(["2026-02-01", "2026-02-02"]), SITE, 0.0, 0.0, 1.0)
    with pytest.raises(EphemerisSpanError, match="2051"):
        bodies_in_field(catalogue, parse_utc("2051-02-01"), SITE, 0.0, 0.0, 1.0)


def test_rough_places_are_good_to_an_arcsecond():
    catalogue = invented_catalogue(4000, seed=6)
    el = catalogue.elements
    t_d = EPOCH_JD + 700.0 - 2_451_545.0
    place, velocity = heliocentric(el, t_d)
    exact = state_from_elements(
        el[:, 0], el[:, 1], *np.radians(el[:, 2:5]).T, el[:, 5], EPOCH_JD + 700.0
    )  # fmt: skip
    r = exact[:, :3] @ ECLIPTIC_TO_ICRF.T
    v = exact[:, 3:] @ ECLIPTIC_TO_ICRF.T
    assert (np.linalg.norm(place.T - r, axis=1) / np.linalg.norm(r, axis=1)).max() < TOL_ROUGH_RAD
    assert (np.linalg.norm(velocity.T - v, axis=1) / np.linalg.norm(v, axis=1)).max() < 4 * TOL_ROUGH_RAD


def test_the_rough_look_far_from_the_epochs_loses_nobody(catalogue, monkeypatch):
    """Four years away, more bodies than are integrated in full at once: the field is the same."""
    some = catalogue.take(np.arange(60))
    time, site = Time(EPOCH_JD - 1500.0, format="jd", scale="tdb"), Site.geocentre()
    where = NBodyEphemeris(some).at(time, site, bodies=str(some.designation[7]), uncertainty=False)[0]
    circle = where["ra"].value, where["dec"].value, 60.0
    looked = bodies_in_field(some, time, site, *circle)
    monkeypatch.setattr(field_search, "MANY", 10_000)
    in_full = bodies_in_field(catalogue.take(np.arange(60)), time, site, *circle)
    assert list(looked["designation"]) == list(in_full["designation"])
    assert 10 < len(looked) < 60
    np.testing.assert_allclose(looked["ra"].value, in_full["ra"].value, atol=1e-9)

"""Passes of the massive asteroids by catalogue objects, against JPL's own kernel."""

from concurrent.futures import ProcessPoolExecutor

import numpy as np
import pytest
import shapely
from astropy import units as u
from astropy.time import Time
from numpy.testing import assert_allclose
from scipy.optimize import minimize_scalar

from appulse.bodies.ephemeris import NBodyEphemeris
from appulse.bodies.kernels import EARTH, default_kernels
from appulse.bodies.readers import starter_orbits
from appulse.catalogues.deepsky import Outline
from appulse.constants import C_AU_DAY, J2000_JD
from appulse.encounters.outline_pass import crosses, plane, radec_of_plane
from appulse.encounters.passes import PassSearch, find_passes, make_id, utc
from appulse.encounters.paths import circumstances, follow
from appulse.encounters.targets import Targets
from appulse.errors import InputError
from appulse.numerics.sphere import unit_from_radec
from appulse.observers.site import Site

TOL_TIME_S = 10.0
TOL_SEPARATION_ARCSEC = 0.05

# Places in the OpenNGC catalogue (CC-BY-SA-4.0), ICRF degrees; least separations in arcmin from the JPL
# kernel SB441-N16 by a search of its own, rounded as they were handed on.
TRUTH = [
    (2, "NGC3705", 172.531258, 9.276728, "2028-03-28", 3.7),
    (7, "IC4603", 246.352, -24.4684, "2027-05-04", 3.7),
    (52, "NGC3384", 162.070417, 12.629306, "2027-02-11", 4.8),
    (65, "NGC6342", 260.291958, -19.587389, "2027-03-06", 6.1),
]


def target(name, ra, dec, **more):
    return Outline(name, more.pop("kind", "point"), ra, dec, **more)


def targets(*outlines):
    return Targets.from_outlines(outlines)


def kernel_separation(number, place, t_d):
    """Separation in radians straight from the kernel, light time by fixed-point rounds."""
    kernels = default_kernels()
    earth = kernels.major(np.array([t_d]))[0][0, EARTH]
    delay = 0.0
    for _ in range(4):
        body = kernels.asteroid(number, np.array([t_d - delay]))[0][0]
        delay = np.linalg.norm(body - earth) / C_AU_DAY
    unit = (body - earth) / np.linalg.norm(body - earth)
    return 2 * np.arcsin(np.linalg.norm(unit - place) / 2)


@pytest.mark.parametrize(("number", "name", "ra", "dec", "date", "arcmin"), TRUTH)
def test_passes_of_the_massive_asteroids(number, name, ra, dec, date, arcmin):
    catalogue = starter_orbits()
    row = np.flatnonzero(catalogue.number == number)
    dates = Time(date) - 10 * u.day, Time(date) + 10 * u.day
    search = PassSearch(targets(target(name, ra, dec)), *dates, Site.geocentre())
    found = find_passes(catalogue.take(row), search)
    assert len(found) == 1
    assert found[0].id == f"{number}-{name}-{date.replace('-', '')}"
    a, d = np.radians([ra, dec])
    place = np.array([np.cos(d) * np.cos(a), np.cos(d) * np.sin(a), np.sin(d)])
    t_d = (found[0].time.tdb.jd1 - J2000_JD) + found[0].time.tdb.jd2
    best = minimize_scalar(
        lambda t: kernel_separation(number, place, t) * 206265,
        bounds=(t_d - 0.3, t_d + 0.3),
        method="bounded",
        options={"xatol": 1e-7},
    )
    assert_allclose((best.x - t_d) * 86400, 0.0, atol=TOL_TIME_S)
    assert_allclose(found[0].separation_arcsec, best.fun, atol=TOL_SEPARATION_ARCSEC)
    assert_allclose(found[0].separation_arcsec / 60, arcmin, atol=0.06)


def test_the_retrograde_loop_brings_iris_back_to_the_same_nebula():
    catalogue = starter_orbits()
    nebula = target("IC4603", 246.352, -24.4684)
    search = PassSearch(targets(nebula), Time("2027-02-01"), Time("2027-06-01"), Site.geocentre(), 15.0)
    found = find_passes(catalogue.take(np.flatnonzero(catalogue.number == 7)), search)
    assert [one.id for one in found] == ["7-IC4603-20270227", "7-IC4603-20270504"]


def test_spline_and_circumstances_agree_with_the_ephemeris():
    """Same engine, so this separates the spline's error from the model's: below 0.2 mas."""
    ephemeris = NBodyEphemeris(starter_orbits().take([4, 0]))
    [paths] = follow(ephemeris, Time("2027-04-01"), Time("2027-06-01"))
    t_d = np.linspace(paths.t_d[5], paths.t_d[-6], 31)
    table = ephemeris.at(Time(J2000_JD, t_d, format="jd", scale="tdb"), Site.geocentre(), ["7"])
    path = paths.spline(0)
    unit = path(t_d) / np.linalg.norm(path(t_d), axis=1, keepdims=True)
    a, d = table["ra"].to_value("rad"), table["dec"].to_value("rad")
    theirs = np.stack([np.cos(d) * np.cos(a), np.cos(d) * np.sin(a), np.sin(d)], axis=1)
    assert np.linalg.norm(unit - theirs, axis=1).max() * 206264806 < 0.2
    facts = circumstances(path, ephemeris.orbit(0), t_d, default_kernels())
    tolerances = {"delta": 1e-8, "r": 1e-5, "elongation": 1e-4, "rate": 1e-3, "mag": 1e-3}
    for name, tolerance in tolerances.items():
        assert_allclose(facts[name], np.asarray(table[name].value, dtype=float), atol=tolerance)


def test_a_site_on_the_ground_sees_the_pass_displaced_by_parallax():
    """Iris at 1.96 au: parallax up to 8.794 / 1.96 = 4.5 arcsec; the refined pass is a true minimum there."""
    catalogue = starter_orbits().take([4])
    nebula = target("IC4603", 246.352, -24.4684)
    dates = Time("2027-05-01"), Time("2027-05-09")
    site = Site.from_geodetic(-68.0, -23.0, 2400.0)
    [centre] = find_passes(catalogue, PassSearch(targets(nebula), *dates, Site.geocentre()))
    [ground] = find_passes(catalogue, PassSearch(targets(nebula), *dates, site))
    assert 0.05 < abs(ground.separation_arcsec - centre.separation_arcsec) < 4.6
    ephemeris = NBodyEphemeris(catalogue)
    near = ground.time + np.linspace(-600, 600, 41) * u.s
    vector = ephemeris.vectors(near, site)[0]
    vector /= np.linalg.norm(vector, axis=1, keepdims=True)
    a, d = np.radians([246.352, -24.4684])
    place = np.array([np.cos(d) * np.cos(a), np.cos(d) * np.sin(a), np.sin(d)])
    separation = np.linalg.norm(vector - place, axis=1) * 206265
    assert separation.argmin() in (19, 20, 21)
    assert_allclose(ground.separation_arcsec, separation.min(), atol=0.01)


def test_outline_entry_exit_and_chord():
    """Iris crosses a circle of 20' about the nebula's centre: the chord follows by Pythagoras."""
    catalogue = starter_orbits().take([4])
    nebula = target("IC4603", 246.352, -24.4684, kind="circle", major_arcmin=20.0)
    dates = Time("2027-05-01"), Time("2027-05-09")
    [found] = find_passes(catalogue, PassSearch(targets(nebula), *dates, Site.geocentre()))
    assert found.inside_outline
    half = np.sqrt(10.0**2 - (found.separation_arcsec / 60) ** 2)
    assert_allclose(found.crossing.chord_arcmin, 2 * half, rtol=2e-3)
    hours = (found.crossing.leaves_d - found.crossing.enters_d) * 24
    assert_allclose(hours, 2 * half * 60 / found.rate, rtol=5e-3)
    assert_allclose(found.in_sizes, found.separation_arcsec / 600, rtol=1e-12)


def test_chunks_on_processes_give_equal_results(monkeypatch):
    monkeypatch.setattr("appulse.encounters.passes.CHUNK", 5)
    rng = np.random.default_rng(3)
    objects = tuple(
        target(f"T{i}", ra, dec)
        for i, (ra, dec) in enumerate(zip(rng.uniform(0, 360, 3000), rng.uniform(-25, 25, 3000), strict=True))
    )
    search = PassSearch(targets(*objects), Time("2027-05-01"), Time("2027-06-15"), Site.geocentre(), 20.0)
    catalogue = starter_orbits().take(np.arange(12))
    here = find_passes(catalogue, search)
    with ProcessPoolExecutor(2) as pool:
        done = []
        there = find_passes(catalogue, search, run=pool.map, progress=done.append)
    assert len(here) > 5
    assert sum(done) == 12
    assert [one.id for one in here] == [one.id for one in there]
    assert [one.separation_arcsec for one in here] == [one.separation_arcsec for one in there]


def test_a_short_list_shows_many_steps():
    dates = Time("2027-05-01"), Time("2027-05-03")
    search = PassSearch(targets(target("x", 200, 1)), *dates, Site.geocentre())
    done = []
    find_passes(starter_orbits().take(np.arange(400)), search, progress=done.append)
    assert done == [50] * 8


def test_nothing_to_search_is_said():
    dates = Time("2027-05-01"), Time("2027-05-09")
    with pytest.raises(InputError, match="no object"):
        find_passes(starter_orbits(), PassSearch(targets(), *dates, Site.geocentre()))
    with pytest.raises(InputError, match="before it begins"):
        find_passes(starter_orbits(), PassSearch(targets(target("x", 1, 1)), *dates[::-1], Site.geocentre()))


def test_the_id_of_an_encounter():
    assert make_id("2020 AB", "IC 4603", "2027-05-04T22:35:43.000") == "2020AB-IC4603-20270504"


def test_days_from_j2000_as_utc():
    """J2000.0 is 2000-01-01 12h TDB: 32.184 s + 32 leap seconds before it in UTC."""
    assert utc(0.0).isot == "2000-01-01T11:58:55.816"


def test_a_path_through_a_square():
    square = shapely.box(-1, -1, 1, 1)
    [found] = crosses([square], np.array([[-3.0, 0.5], [3.0, 0.5]]), np.array([0.0, 6.0]), [0, 2])
    assert (found.inside, found.enters_d, found.leaves_d, found.chord_arcmin) == (True, 2.0, 4.0, 2.0)


def test_the_plane_of_the_sky_and_back():
    place = radec_of_plane(plane(unit_from_radec(10.3, -24.2), 10.0, -24.0), 10.0, -24.0)
    assert_allclose(place, (10.3, -24.2), atol=1e-9)

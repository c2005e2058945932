"""Orbits carried to other years: the bundled ones, those that gather in the user's cache, damage."""

import numpy as np
import pytest
from worlds import EPOCH_D, EPOCH_JD, main_belt

from appulse.bodies import carried, engine
from appulse.bodies.catalogue import OrbitCatalogue
from appulse.bodies.engine import Trajectory, catalogue_bodies, trajectory
from appulse.bodies.ephemeris import NBodyEphemeris
from appulse.bodies.field_search import bodies_in_field
from appulse.bodies.kernels import default_kernels
from appulse.bodies.orbit import Orbit
from appulse.bodies.readers import starter_orbits
from appulse.bodies.readers.orbit_files import TABLES, bundled_tables
from appulse.observers.site import Site
from appulse.observers.timescales import parse_utc

TOL_KEPT_KM = 1.0  # one integration against two in succession; 1 mas at 1.4 au is 1 km
KM = 149_597_870.7


@pytest.fixture
def empty_cache(tmp_path, monkeypatch):
    monkeypatch.setenv("APPULSE_CACHE", str(tmp_path))
    return tmp_path


def belt(count=5):
    return OrbitCatalogue.from_orbits(
        [Orbit.from_state(str(90_001 + i), EPOCH_JD, s) for i, s in enumerate(main_belt(count))]
    )


@pytest.fixture
def steps(monkeypatch):
    """Days that are integrated, longest way of each call, in order."""
    days, advance = [], engine.OwnSteps.advance

    def watched(self, target_d, **options):
        before = self.t.copy()
        advance(self, target_d, **options)
        days.append(float(np.abs(self.t - before).max()))

    monkeypatch.setattr(engine.OwnSteps, "advance", watched)
    return days


@pytest.mark.parametrize("year", [1995, 2045])
def test_every_orbit_of_the_tables_begins_within_half_a_year(year, steps, empty_cache):
    catalogue = bundled_tables(TABLES)
    found, _ = carried.nearest(
        carried.orbit_keys(catalogue_bodies(catalogue, np.arange(len(catalogue)))),
        np.full(len(catalogue), carried.year_d(year + 0.4)),
    )
    assert np.abs(found - carried.year_d(year + 0.4)).max() < 0.5 * 366
    bodies_in_field(catalogue, parse_utc(f"{year}-05-27T00:00:00"), Site.geocentre(), 200.0, -10.0, 20.0)
    assert 0 < max(steps) < 250  # half a year, and the last step may go past it
    assert not list(empty_cache.iterdir())  # nothing new is worth keeping


def test_bundled_states_are_those_of_an_integration():
    catalogue = starter_orbits(own=False)
    rows, t = np.array([4, 30, 200]), carried.year_d(2015)
    bodies = catalogue_bodies(catalogue, rows)
    there = trajectory(bodies, default_kernels()).states(np.arange(3), np.full((3, 1), t))[:, 0]
    _, states = carried.nearest(carried.orbit_keys(bodies), np.full(3, t))
    sun = np.hstack([part[0, 0] for part in default_kernels().major(np.array([t]))])
    assert np.abs(there - sun - states)[:, :3].max() * KM < TOL_KEPT_KM


def test_years_passed_are_kept_for_the_next_run(empty_cache, steps):
    catalogue, t = belt(), EPOCH_D - 3600.0
    first = NBodyEphemeris(catalogue).states(np.arange(5), np.full((5, 1), t))
    assert max(steps) > 3500
    assert carried.carried_path().is_file()
    steps.clear()
    again = NBodyEphemeris(belt()).states(np.arange(5), np.full((5, 1), t + 20.0))
    assert max(steps) < 250
    direct = Trajectory(default_kernels(), np.full(5, EPOCH_D), main_belt(5))
    wanted = direct.states(np.arange(5), np.array([[t, t + 20.0]] * 5))
    assert np.abs(first[:, 0] - wanted[:, 0])[:, :3].max() * KM < TOL_KEPT_KM
    assert np.abs(again[:, 0] - wanted[:, 1])[:, :3].max() * KM < TOL_KEPT_KM


def test_another_orbit_of_the_body_does_not_begin_from_the_kept_years(empty_cache, steps):
    NBodyEphemeris(belt()).states(np.arange(5), np.full((5, 1), EPOCH_D - 1500.0))
    steps.clear()
    newer = OrbitCatalogue.from_orbits(
        [Orbit.from_state("90001", EPOCH_JD, main_belt(1)[0] * (1.0 + 1e-9))]  # 0.4 km aside
    )
    NBodyEphemeris(newer).states([0], np.full((1, 1), EPOCH_D - 1500.0))
    assert max(steps) > 1450


@pytest.mark.parametrize("damage", ["words", "cut", "other columns", "no order", "no folder"])
def test_a_damaged_file_is_made_anew(empty_cache, damage):
    path = carried.carried_path()
    ask = lambda: NBodyEphemeris(belt(2)).states([0, 1], np.full((2, 1), EPOCH_D - 1500.0))  # noqa: E731
    before = ask()
    if damage == "words":
        path.write_text("nothing of the kind")
    elif damage == "cut":
        path.write_bytes(path.read_bytes()[:200])
    elif damage == "other columns":
        np.save(path, np.zeros(3))
    elif damage == "no order":
        np.save(path, np.load(path)[::-1])
    else:
        path.unlink()
        path.parent.rmdir()
        path.parent.write_text("a file where the folder was")
    after = ask()
    assert np.abs(after - before)[..., :3].max() * KM < TOL_KEPT_KM


def test_the_file_stays_bounded(empty_cache, monkeypatch):
    monkeypatch.setattr(carried, "MOST_RECORDS", 10)
    for start in range(0, 40, 4):
        keys = np.arange(start, start + 4, dtype=np.uint64)
        carried.keep(np.full(4, 2001), keys, np.ones((4, 6)))
    kept = np.load(carried.carried_path())
    assert len(kept) <= 10
    assert 39 in kept["key"]


def test_a_looser_integration_keeps_nothing(empty_cache):
    NBodyEphemeris(belt(2), tolerance=1e-8).states([0, 1], np.full((2, 1), EPOCH_D - 1500.0))
    assert not carried.carried_path().exists()

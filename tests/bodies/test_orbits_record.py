"""The record of an orbit: conversions against outside figures, and everything that must be refused."""

import numpy as np
import pytest

from appulse.bodies.catalogue import OrbitCatalogue
from appulse.bodies.orbit import NonGrav, Orbit, covariance_icrf, states_icrf
from appulse.constants import GM_SUN
from appulse.errors import DesignationError, OrbitError

# JPL Horizons, (1) Ceres, solution JPL#48, epoch JD 2458849.5 TDB: elements and the equivalent ICRF
# state. The reply is recorded in astroquery 0.4.11, jplhorizons/tests/data/ceres_elements_single.txt.
CERES = {"e": 0.07687465013145245, "q": 2.556401146697176, "tp": 2458240.1791309435, "node": 80.3011901917491,
         "peri": 73.80896808746482, "i": 10.59127767086216}  # fmt: skip
CERES_STATE = [1.007608869613381, -2.390064275223502, -1.332124522752402,
               9.201724467227128e-3, 3.370381135398406e-3, -2.850337057661093e-4]  # fmt: skip
TOL_JD_DOUBLE_AU, TOL_JD_DOUBLE_AU_D = 5e-12, 5e-14
"""A Julian date in one double steps by 4.7e-10 d; with 0.01 au/d and 1e-4 au/d^2: 5e-12 au, 5e-14 au/d."""

GOOD = {"e": 0.2, "i": 5.0, "node": 10.0, "peri": 20.0, "q": 1.1, "tp": 2461050.5}


def make(**changes):
    given = {**GOOD, **changes}
    return Orbit.from_elements(
        "X", given.pop("epoch", 2461000.5), **{k: v for k, v in given.items() if v is not None}
    )


def test_elements_give_the_state_that_horizons_gives():
    orbit = Orbit.from_elements("1", 2458849.5, **CERES)
    assert orbit.state[:3] == pytest.approx(CERES_STATE[:3], abs=TOL_JD_DOUBLE_AU)
    assert orbit.state[3:] == pytest.approx(CERES_STATE[3:], abs=TOL_JD_DOUBLE_AU_D)


def test_state_gives_the_elements_that_horizons_gives():
    elements = Orbit.from_state("1", 2458849.5, CERES_STATE).elements
    for name, value in CERES.items():
        assert getattr(elements, name) == pytest.approx(value, abs=1e-9), name


@pytest.mark.parametrize("e", [0.0, 0.3, 0.9999999, 1.0, 1.0000001, 3.4])
def test_every_conic_goes_there_and_back(e):
    orbit = make(e=e)
    back = orbit.elements
    assert back.q == pytest.approx(1.1, rel=1e-12)
    assert back.e == pytest.approx(e, abs=1e-12)
    if e > 0:
        assert back.tp == pytest.approx(2461050.5, abs=1e-6)


def test_mean_anomaly_and_time_of_perihelion_agree():
    motion = np.degrees(np.sqrt(GM_SUN / (1.1 / 0.8) ** 3))
    anomaly = motion * (2461000.5 - 2461050.5)
    assert make(q=None, a=1.1 / 0.8, tp=None, m=anomaly).state == pytest.approx(make().state, abs=1e-12)


def test_hyperbola_by_its_semi_major_axis():
    assert make(e=1.5, q=None, a=-2.2).state == pytest.approx(make(e=1.5).state, abs=1e-14)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"e": np.nan}, "e is nan"),
        ({"q": np.nan}, "q is nan"),
        ({"tp": np.inf}, "tp is inf"),
        ({"epoch": np.nan}, "epoch is nan"),
        ({"epoch": 61000.5}, "looks like an MJD"),
        ({"epoch": 9e6}, "no Julian date"),
        ({"e": -0.1}, "cannot be negative"),
        ({"q": -1.0}, "must be positive"),
        ({"q": 0.0}, "must be positive"),
        ({"q": 1.5e8}, "more than a parsec"),
        ({"i": 181.0}, "between 0 and 180"),
        ({"i": -1.0}, "between 0 and 180"),
        ({"e": 1.2, "q": None, "a": 2.0}, "negative semi-major axis"),
        ({"e": 0.2, "q": None, "a": -2.0}, "positive semi-major axis"),
        ({"e": 1.0, "q": None, "a": 2.0}, "a parabola has none"),
        ({"e": 1.0, "tp": None, "m": 3.0}, "a parabola has none"),
        ({"q": None, "a": 0.0}, "cannot be zero"),
        ({"a": 2.0}, "one of q and a"),
        ({"tp": None}, "one of tp and the mean anomaly"),
    ],
)
def test_elements_that_make_no_orbit(changes, words):
    with pytest.raises(OrbitError, match=words):
        make(**changes)


@pytest.mark.parametrize(
    ("state", "words"),
    [
        ([0, 0, 0, 0, 0.01, 0], "position vector is zero"),
        ([1, 0, 0, 0, 0, 0], "velocity vector is zero"),
        ([1, 0, 0, 0.01, 0, 0], "are parallel"),
        ([1, 0, np.nan, 0, 0.01, 0], "z is nan"),
        ([1, 0, 0, 0, np.inf, 0], "vy is inf"),
        ([1.5e8, 0, 0, 0, 0.01, 0], "more than a parsec"),
        ([1, 0, 0, 0, 29.8, 0], "not km/s"),
        ([1, 0, 0], "6 numbers"),
    ],
)
def test_states_that_make_no_orbit(state, words):
    with pytest.raises(OrbitError, match=words):
        Orbit.from_state("X", 2461000.5, state)


def test_no_message_is_silent_about_the_body():
    with pytest.raises(OrbitError, match=r"^2020 XX: "):
        Orbit.from_state("2020 XX", 2461000.5, np.zeros(6))


@pytest.mark.parametrize(
    ("matrix", "words"),
    [
        (np.eye(5), "shape"),
        (-np.eye(6), "negative variance"),
        (np.full((6, 6), np.nan), "not finite"),
        (np.eye(6) + np.eye(6, k=1), "not symmetric"),
        (np.eye(7), "needs its name"),
    ],
)
def test_matrices_that_are_no_covariance(matrix, words):
    with pytest.raises(OrbitError, match=words):
        Orbit.from_state("X", 2461000.5, CERES_STATE, covariance=matrix)


def test_covariance_agrees_with_drawn_orbits():
    """Linear propagation against 4000 drawn sets of elements (seeded): sigmas scatter by 1/sqrt(8000)."""
    elements = np.array([1.1, 0.2, 5.0, 10.0, 20.0, 2461050.5])
    sigma = np.array([1e-6, 1e-6, 1e-4, 1e-4, 1e-4, 1e-3])
    correlation = np.full((6, 6), 0.3) + 0.7 * np.eye(6)
    covariance = correlation * np.outer(sigma, sigma)
    drawn = np.random.default_rng(7).multivariate_normal(elements, covariance, 4000)
    states = states_icrf(drawn, np.full(4000, 2461000.5))
    linear = np.sqrt(np.diag(covariance_icrf(elements, 2461000.5, covariance)))
    assert linear / states.std(axis=0) == pytest.approx(1.0, abs=4 / np.sqrt(8000))


def test_ecliptic_states_turn_with_their_covariance():
    covariance = np.diag([1.0, 2.0, 3.0, 4.0, 5.0, 6.0]) * 1e-12
    orbit = Orbit.from_state(
        "X", 2461000.5, [1, 0.1, 0.2, 0.001, 0.017, 0], frame="ecliptic", covariance=covariance
    )
    assert np.linalg.eigvalsh(orbit.covariance) == pytest.approx(np.diag(covariance), rel=1e-9)
    assert orbit.elements.i < np.degrees(0.25)


def test_water_ice_law_is_one_at_one_au():
    # Marsden, Sekanina & Yeomans 1973 normalise g(1 au) = 1 with alpha = 0.111262 (from memory).
    assert NonGrav().g(1.0) == pytest.approx(1.0, abs=1e-6)
    assert NonGrav().g(5.0) < 0.04 * NonGrav.inverse_square().g(1.0)


def two(first, second):
    a, b = make(), make(i=6.0)
    rows = []
    for base, (designation, name) in ((a, first), (b, second)):
        rows.append(Orbit(designation, base.epoch_jd_tdb, base.state, name=name))
    return OrbitCatalogue.from_orbits(rows)


def test_a_name_that_means_two_bodies_names_both():
    catalogue = two(("2P", "Encke"), ("9134", "Encke"))
    with pytest.raises(DesignationError, match=r"'Encke' means 2 bodies: 2P/Encke .*\(9134\) Encke"):
        catalogue.select("Encke")
    assert catalogue.select("9134").number == 9134
    assert catalogue.select("0002P").designation == "2P"


def test_one_designation_twice_is_ambiguous():
    with pytest.raises(DesignationError, match="means 2 bodies"):
        two(("7", "Iris"), ("7", "Iris")).select("00007")


def test_a_comet_of_which_only_fragments_are_listed():
    with pytest.raises(DesignationError, match=r"73P-B.*73P-C"):
        two(("73P-B", ""), ("73P-C", "")).select("73P")


def test_unknown_names_come_with_neighbours():
    with pytest.raises(DesignationError, match="near: Iris"):
        two(("7", "Iris"), ("8", "Flora")).select("Irsi")


def test_catalogue_keeps_what_the_records_hold():
    force = NonGrav(a1=1e-9)
    first = make(nongrav=force, h=12.0, source="here", aliases=("2020 AB",), covariance=np.eye(6) * 1e-12)
    catalogue = OrbitCatalogue.concatenate(
        [OrbitCatalogue.from_orbits([first]), two(("7", "Iris"), ("8", ""))]
    )
    assert catalogue.select("2020 AB").nongrav == force
    again = catalogue[np.array([2, 0])]
    assert again.designation.tolist() == ["8", "X"]
    assert again[1].covariance == pytest.approx(np.eye(6) * 1e-12)
    assert (again[1].source, again[1].h, again[0].h) == ("here", 12.0, None)
    assert [orbit.designation for orbit in catalogue] == ["X", "7", "8"]
    assert len(catalogue[1:]) == 2


def test_elements_and_states_of_a_catalogue_belong_together():
    catalogue = two(("7", "Iris"), ("8", "Flora"))
    by_elements = OrbitCatalogue(["7", "8"], catalogue.epoch_jd_tdb, elements=catalogue.elements)
    assert by_elements.state == pytest.approx(catalogue.state, abs=1e-13)
    assert by_elements.orbit(1).state == pytest.approx(catalogue.state[1], abs=1e-13)

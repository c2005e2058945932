"""Places without frames: read back, compared, and what an orbit gains by them."""

import numpy as np
import pytest
from astropy.io import fits

from appulse.errors import InputError
from appulse.observers.site import Site
from appulse.workflows import (
    NightOutputs,
    compare_observations,
    example_night,
    improve_by_places,
    measure_to_folder,
    open_bodies,
    open_stars,
    read_places,
    save_comparison,
)


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """Three frames of the example, measured: the folder with table and observations."""
    folder = tmp_path_factory.mktemp("night")
    paths = example_night(folder, 3)
    for path in paths:
        # Observations that are sent in need a station that the MPC knows.
        with fits.open(path, mode="update") as file:
            for key in ("SITELONG", "SITELAT", "SITEELEV", "OBSERVAT"):
                del file[0].header[key]
            file[0].header["MPCCODE"] = "X05"
    outputs = NightOutputs(folder / "m", frozenset({"psv"}))
    measure_to_folder(paths, open_bodies("7"), open_stars(), outputs)
    return folder / "m"


@pytest.fixture(scope="module")
def orbit(sample_data):
    """(7) with a covariance."""
    return open_bodies("7", orbits=sample_data / "orbit.ecsv")


def test_places_of_a_table_come_with_their_stations(measured, orbit):
    places = read_places(measured / "residuals.ecsv", orbit.orbits[0])
    assert [observer.code for observer in places.observers] == ["X05"] * 3
    assert all(residual.seen for residual in places.residuals)


def test_observations_are_compared_station_by_station(measured, orbit, tmp_path):
    steps = []
    compared = compare_observations(
        measured / "residuals.psv", orbit, progress=lambda *step: steps.append(step)
    )
    assert steps == [("comparing", 0, 1), ("comparing", 1, 1)]
    assert [(line["station"], line["n"]) for line in compared.statistics] == [("X05", 3), ("all", 3)]
    assert (compared.total, compared.failed) == (3, {})
    written = save_comparison(compared, orbit, tmp_path)
    assert [path.name for path in written] == ["residuals.ecsv", "verdict.yaml"]


def test_what_gains_nothing_is_refused(measured, orbit):
    with pytest.raises(InputError, match="Nothing is written"):
        improve_by_places(measured / "residuals.ecsv", orbit)


def test_a_massive_asteroid_far_from_its_orbit_is_not_pulled_by_itself(measured, orbit, monkeypatch):
    """(7) is among the perturbers: moved by thousands of kilometres it must not meet itself on the way."""
    from appulse.astrometry import orbit_fit

    seen = []
    real = orbit_fit.NBodyEphemeris

    def watched(orbits):
        seen.extend(orbits)
        return real(orbits)

    monkeypatch.setattr(orbit_fit, "NBodyEphemeris", watched)
    places = read_places(measured / "residuals.ecsv", orbit.orbits[0], Site.geocentre())
    fit = orbit_fit.improve_orbit(orbit.orbits[0], list(places.residuals), list(places.observers))
    moved = np.linalg.norm(fit.orbit.state[:3] - orbit.orbits[0].state[:3])
    assert moved > 0
    assert {str(given.number) for given in seen} == {"7"}

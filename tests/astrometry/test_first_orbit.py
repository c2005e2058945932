"""First orbits by ranging: invented bodies, JPL Horizons' states, and what carries no orbit."""

import sys
from pathlib import Path

import numpy as np
import pytest
from astropy.time import TimeDelta

from appulse.astrometry import distance_by_parallax, first_orbit
from appulse.astrometry.parallax import example_sightings
from appulse.errors import MeasurementError
from appulse.observers import Site

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
import bench_parallax

SITE = {"A": Site.from_geodetic(20.5, -23.0, 1250)}


def test_the_distance_lies_within_the_sample_and_more_nights_narrow_it():
    widths = []
    for nights in (1, 3):
        seen = example_sightings(SITE, distance_au=0.25, sigma_arcsec=0.15, nights=nights, count=4, seed=2)
        found = first_orbit(seen)
        low, high = np.quantile(found.elements()["distance"], [0.01, 0.99])
        assert low < 0.25 < high
        widths.append(high / low)
    assert widths[1] < widths[0]


def test_elements_are_those_of_the_orbits_themselves():
    found = first_orbit(example_sightings(SITE, distance_au=0.25, sigma_arcsec=0.15, count=4, seed=2))
    elements, orbit = found.elements(), found.orbits(4)[3]
    assert elements["i"][3] == pytest.approx(orbit.elements.i, abs=1e-6)
    assert elements["e"][3] == pytest.approx(orbit.elements.e, abs=1e-9)
    assert elements["q"][3] == pytest.approx(orbit.elements.q, abs=1e-9)


def test_what_carries_no_orbit_is_refused():
    seen = example_sightings(SITE, distance_au=1.4, sigma_arcsec=0.15, count=4)
    with pytest.raises(MeasurementError, match="three or more"):
        first_orbit(seen[:2])
    still = [seen[0]._replace(time=s.time) for s in seen]
    with pytest.raises(MeasurementError, match="does not rise above its error"):
        first_orbit(still)
    near = [seen[0]._replace(time=seen[0].time + TimeDelta(k * 60.0, format="sec")) for k in range(4)]
    with pytest.raises(MeasurementError, match="span 3 minutes"):
        first_orbit(near)
    wild = [
        s._replace(ra_deg=s.ra_deg + 0.01 * (-1) ** k)
        for k, s in enumerate(example_sightings(SITE, distance_au=0.25, sigma_arcsec=0.1, nights=2, count=4))
    ]
    with pytest.raises(MeasurementError, match="no orbit about the Sun fits"):
        first_orbit(wild)


@pytest.fixture
def bodies(shared, monkeypatch):
    monkeypatch.setattr(bench_parallax, "STATES", shared / "checks/horizons_states.csv")
    return bench_parallax.rows_by_body(shared)


@pytest.mark.needs_shared
def test_states_of_horizons_lie_in_their_own_regions(bodies):
    """JPL Horizons (../shared/checks); all of the hundred are counted by bench_parallax.py."""
    levels = bench_parallax.levels(bodies, 6, seed=31)
    assert np.isfinite(levels).all()
    assert np.sum(levels < 0.99) >= 5


@pytest.mark.needs_shared
@pytest.mark.parametrize(
    ("name", "code", "first"), [("15788 (1993 SB)", "W84", 18), ("6522 Aci (1991 NQ)", "X05", 9)]
)
def test_far_and_flat_arcs_do_not_end_in_a_false_hollow(bodies, name, code, first):
    """The first lies at 27 au, beyond where the search began; the second has no parabola (JPL Horizons)."""
    rows = bodies[name, code][first : first + 12]
    for seed in (1, 2):
        seen = bench_parallax.noisy_sightings(rows, 0.25, np.random.default_rng(seed))
        fit = distance_by_parallax(seen, **bench_parallax.exact(seen))
        true = bench_parallax.true_inverse(rows, fit.epoch.utc.mjd)
        assert abs(fit.inverse_au - true) < 3.5 * fit.sigma_inverse_au


def test_a_place_elsewhere_on_the_sky_is_named():
    seen = list(example_sightings(SITE, distance_au=1.4, sigma_arcsec=0.1, nights=2))
    seen[-1] = seen[-1]._replace(ra_deg=(seen[-1].ra_deg + 120.0) % 360.0)
    with pytest.raises(MeasurementError, match=f"{seen[-1].time.utc.isot}.*degrees from the middle one"):
        first_orbit(seen)

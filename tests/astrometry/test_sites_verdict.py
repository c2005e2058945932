"""Verdicts over several sites: a clock is one site's, an orbit everybody's, a longitude shows as parallax."""

import numpy as np
import pytest

from appulse.astrometry import judge_sites, site_offset
from appulse.astrometry.parallax import example_sightings
from appulse.constants import ARCSEC_PER_RAD
from appulse.numerics import axes_from_radec, offsets_rad, unit_from_radec
from appulse.observers import Site

SITES = {"A": Site.from_geodetic(20.5, -23.0, 1250), "B": Site.from_geodetic(8.5, 50.0, 120)}
MIRRORED = SITES | {"B": Site.from_geodetic(-8.5, 50.0, 120)}
SPEED = np.array([-8.0, 18.0]) / 3600  # arcsec/s, the motion of the invented body


def verdict(seed, *, true=SITES, late_s=0.0, orbit=(0.0, 0.0), sigma=0.15, **known):
    """Joint verdict on two sites' O-C with errors of centroids and plates."""
    rng = np.random.default_rng(seed)
    seen = example_sightings(true, distance_au=0.5, sigma_arcsec=sigma, seed=seed, count=6)
    predicted = example_sightings(SITES, distance_au=0.5, sigma_arcsec=1e-7, seed=seed, count=6)
    plates = {name: rng.normal(0, 0.05, 2) for name in SITES}
    middle, rows = np.mean([s.time.jd for s in seen]), []
    for one, there in zip(seen, predicted, strict=True):
        ends = [unit_from_radec(place.ra_deg, place.dec_deg) for place in (there, one)]
        left = np.array(offsets_rad(*ends)) * ARCSEC_PER_RAD + plates[one.site] + orbit
        left = left + (SPEED * late_s if one.site == "B" else 0.0)
        axes = np.array(axes_from_radec(one.ra_deg, one.dec_deg))
        hours = (one.time.jd - middle) * 24
        rows.append(
            site_offset(one.site, hours, (*left, axes), one.covariance, SPEED, SITES[one.site], one.time, 0.5)
        )
    return judge_sites(rows, zero_arcsec={"A": 0.05, "B": 0.05}, clock_s={}, **known)


@pytest.mark.parametrize(("options", "cause", "words"), [
    ({"late_s": 150.0}, ("clock", "B"), "B's clock is late by"),
    ({"late_s": -150.0}, ("clock", "B"), "B's clock is early by"),
    ({"orbit": (1.2, -0.6)}, ("orbit", ""), "off for all sites"),
    ({"true": MIRRORED}, ("longitude", "B"), "longitude of B has the wrong sign"),
])  # fmt: skip
def test_the_cause_and_its_site_are_named(options, cause, words):
    found = [verdict(seed, **options) for seed in range(4)]
    assert sum(one.causes == (cause,) and words in one.sentence for one in found) >= 3
    assert not any(set(one.causes) - {cause} for one in found if one.cause != "can't tell")
    assert min(one.odds for one in found if one.causes == (cause,)) > 20


def test_nobody_is_accused_of_nothing_and_weak_data_say_so():
    found = [verdict(seed) for seed in range(5)]
    assert {one.cause for one in found} <= {"all well", "can't tell"}
    assert sum(one.cause == "all well" for one in found) >= 2
    weak = verdict(3, late_s=25.0, sigma=0.4)
    assert weak.cause in ("can't tell", "all well")


def test_a_late_clock_is_measured_within_its_sigma():
    found = verdict(5, late_s=150.0)
    value, sigma = (float(word) for word in found.sentence.split(" by ")[1].split(" s ")[0].split(" ± "))
    assert abs(value - 150.0) < 3.5 * sigma


def test_an_orbit_that_hides_a_clock_is_named_with_room_for_it():
    """Orbit and one clock off: what is named is true, its figures hold the truth, and more is not told."""
    found = [verdict(seed, late_s=120.0, orbit=(1.2, -0.6)) for seed in range(3)]
    for one in found:
        assert ("orbit", "") in one.causes
        assert "to 1" in one.sentence
        east = one.sentence.split("by ")[1].split(" arcsec")[0]
        value, sigma = (float(word) for word in east.split(" ± "))
        assert abs(value - 1.2) < 3 * sigma
    assert any("something else is off that cannot be told" in one.sentence for one in found)

"""Distances by parallax: against invented bodies, and against distances that JPL Horizons prints."""

import csv

import numpy as np
import pytest
from astropy.time import Time, TimeDelta

from appulse.astrometry.parallax import Sighting, distance_by_parallax, example_sightings
from appulse.errors import MeasurementError
from appulse.numerics import unit_from_radec
from appulse.observers import Site

SITES = {"A": Site.from_geodetic(20.5, -23.0, 1250), "B": Site.from_geodetic(8.5, 50.0, 120)}
# Light, au per day: 299,792.458 km/s (SI) and an au of 149,597,870.7 km (IAU 2012, B2).
C_AU_DAY = 173.144632674


@pytest.mark.parametrize("distance", [0.05, 0.6])
def test_two_sites_in_one_night_measure_the_distance(distance):
    """Honest sigmas: the error of the inverse distance over its sigma, over plates that are off."""
    pulls = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        zero = {name: rng.normal(0, 0.03, 2) / 3600 for name in SITES}
        seen = [
            s._replace(
                ra_deg=s.ra_deg + zero[s.site][0] / np.cos(np.radians(s.dec_deg)),
                dec_deg=s.dec_deg + zero[s.site][1],
            )
            for s in example_sightings(SITES, distance_au=distance, sigma_arcsec=0.1, seed=seed, count=4)
        ]
        fit = distance_by_parallax(seen, zero_arcsec={"A": 0.03, "B": 0.03}, air_arcsec=0.0)
        assert fit.is_measured
        assert fit.baseline_km == pytest.approx(8545, abs=30)
        near, far = fit.range_au()
        assert 10 <= round((far - near) * 10**fit.decimals, 6) < 100 or fit.decimals == 0  # two digits
        pulls.append((fit.inverse_au - 1 / distance) / fit.sigma_inverse_au)
        assert sum(part**2 for part in fit.budget.values()) == pytest.approx(
            fit.sigma_inverse_au**2, rel=0.02
        )
    assert 0.3 < np.sqrt(np.mean(np.square(pulls))) < 1.9
    assert np.max(np.abs(pulls)) < 3.5


def test_a_body_too_far_for_the_baseline_has_a_least_distance_only():
    near = {"A": SITES["A"], "B": Site.from_geodetic(20.6, -23.0, 1250)}
    seen = example_sightings(near, distance_au=30.0, sigma_arcsec=0.3, count=4)
    fit = distance_by_parallax(seen)
    assert not fit.is_measured
    assert np.isnan(fit.distance_au)
    assert fit.range_au(3.0)[0] < 30.0
    assert fit.range_au(3.0)[1] == np.inf


def test_what_no_short_arc_carries_is_refused():
    seen = example_sightings(SITES, distance_au=0.3, sigma_arcsec=0.1)
    with pytest.raises(MeasurementError, match="2 sightings"):
        distance_by_parallax(seen[:2])
    later = seen[0]._replace(time=seen[0].time + TimeDelta(40.0, format="jd"))
    with pytest.raises(MeasurementError, match="span 40"):
        distance_by_parallax([*seen, later])


def geocentric_distance(rows, site, epoch_mjd):
    """Distance at the epoch from Horizons' topocentric vectors; it prints where light left the body."""
    times = np.array([float(row["mjd_utc"]) for row in rows])
    vectors = [
        unit_from_radec(float(row["RA"]), float(row["DEC"])) * float(row["delta"])
        + np.ravel(site.posvel_au(Time([time], format="mjd", scale="utc"))[0])
        for row, time in zip(rows, times, strict=True)
    ]
    coefficients = np.polyfit(times - epoch_mjd, np.linalg.norm(vectors, axis=1), 3)
    return coefficients[-1] * (1 + coefficients[-2] / C_AU_DAY)


@pytest.mark.needs_shared
def test_four_nights_of_one_site_agree_with_the_distance_that_horizons_prints(shared):
    """JPL Horizons, topocentric places and delta (../shared/checks/horizons_positions.csv), noise added."""
    lines = (shared / "checks/horizons_positions.csv").read_text("utf-8").splitlines()
    table = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    rng, pulls = np.random.default_rng(8), []
    names = "163693 Atira (2003 CP20)", "433 Eros (A898 PA)", "3753 Cruithne (1986 TO)", "6 Hebe (A847 NA)"
    for name in names:
        rows = [row for row in table if row["targetname"] == name and row["observatory_code"] == "X05"][6:18]
        assert len(rows) == 12, name
        site, seen = Site.from_mpc_code("X05"), []
        for row in rows:
            off = rng.normal(0, 0.1, 2) / 3600
            ra, dec = float(row["RA"]), float(row["DEC"])
            time = Time(float(row["mjd_utc"]), format="mjd", scale="utc")
            place = ra + off[0] / np.cos(np.radians(dec)), dec + off[1]
            seen.append(Sighting("X05", time, *place, 0.01 * np.eye(2), site))
        fit = distance_by_parallax(seen, zero_arcsec={"X05": 0.0}, clock_s={"X05": 0.01}, air_arcsec=0.0)
        true = geocentric_distance(rows, site, fit.epoch.utc.mjd)
        if fit.is_measured:
            pulls.append((fit.inverse_au - 1 / true) / fit.sigma_inverse_au)
    assert len(pulls) >= 3
    assert np.max(np.abs(pulls)) < 3.5

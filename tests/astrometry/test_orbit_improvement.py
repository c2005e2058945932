"""A wrong orbit comes back to the true one by its own residuals."""

from dataclasses import replace

import numpy as np
import pytest
from astropy.time import Time

from appulse.astrometry.orbit_fit import improve_orbit
from appulse.astrometry.prediction import Prediction
from appulse.astrometry.residual import Residual
from appulse.bodies.ephemeris import NBodyEphemeris
from appulse.bodies.readers import read_orbits
from appulse.errors import InputError
from appulse.observers.site import Site

SITE = Site.geocentre()
SIGMA = 0.1


@pytest.fixture(scope="module")
def truth(sample_data):
    return read_orbits(sample_data / "orbit.ecsv").orbit(0)


def observe(orbit, days, rng):
    """Measured places with Gaussian errors of SIGMA arcsec."""
    times = Time(Time("2027-05-04T22:00:00", scale="utc").jd + np.asarray(days), format="jd", scale="utc")
    made = []
    for row in NBodyEphemeris([orbit]).at(times, SITE):
        error = rng.normal(0, SIGMA, 2)
        dec = row["dec"].value + error[1] / 3600
        ra = row["ra"].value + error[0] / 3600 / np.cos(np.radians(dec))
        made.append(Residual("o", "", "7", Prediction("7", ra, dec), seen=True, ra_obs=ra, dec_obs=dec,
                             covariance=SIGMA**2 * np.eye(2), mid=row["time"]))  # fmt: skip
    return made


def displaced(orbit, rng, position=2e-6, speed=2e-8):
    sigma = np.repeat([position, speed], 3)
    return replace(orbit, state=orbit.state + rng.normal(0, sigma), covariance=np.diag(sigma**2),
                   covariance_names=("x", "y", "z", "vx", "vy", "vz"))  # fmt: skip


def place_error(orbit, truth, day):
    time = Time(Time("2027-05-04T22:00:00", scale="utc").jd + day, format="jd", scale="utc")
    rows = NBodyEphemeris([truth, replace(orbit, designation="x", name="", number=None)]).at(time, SITE)
    dra = (rows["ra"][1] - rows["ra"][0]).to_value("arcsec") * np.cos(rows["dec"][0].to_value("rad"))
    return float(np.hypot(dra, (rows["dec"][1] - rows["dec"][0]).to_value("arcsec")))


def test_a_night_with_prior_takes_the_offset_off(truth):
    rng = np.random.default_rng(91)
    start = displaced(truth, rng)
    fit = improve_orbit(start, observe(truth, np.linspace(0, 0.2, 20), rng), [SITE] * 20)
    assert fit.chi2_after < fit.chi2_before
    assert 0.5 < fit.chi2_after / fit.dof < 1.6
    assert place_error(fit.orbit, truth, 0.1) < 0.1 < place_error(start, truth, 0.1)
    assert fit.gain.min() < 0.5
    assert "shrinks" in fit.sentence


def test_correction_is_within_the_stated_covariance(truth):
    pulls = []
    for seed in range(6):
        rng = np.random.default_rng(920 + seed)
        fit = improve_orbit(displaced(truth, rng), observe(truth, np.linspace(0, 20, 12), rng), [SITE] * 12)
        error = fit.orbit.state - truth.state
        scale = np.sqrt(np.diag(fit.orbit.covariance))
        pulls.append(error / scale)
    assert 0.4 < np.std(pulls) < 1.8


def test_a_short_arc_without_prior_is_refused(truth):
    rng = np.random.default_rng(93)
    bare = replace(truth, covariance=None, covariance_names=())
    with pytest.raises(InputError, match="cannot carry"):
        improve_orbit(bare, observe(truth, np.linspace(0, 0.2, 20), rng), [SITE] * 20)

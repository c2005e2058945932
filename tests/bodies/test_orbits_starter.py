"""The bundled orbits: present, sourced, and the massive asteroids where the kernel has them."""

from importlib import resources

import numpy as np
import pytest
from astropy.time import Time
from jplephem.spk import SPK

from appulse.bodies.ephemeris import NBodyEphemeris
from appulse.bodies.readers import starter_orbits
from appulse.constants import AU_KM
from appulse.numerics.sphere import separation_rad, unit_from_radec
from appulse.observers.site import Site

TOL_PRINTED_ARCSEC = 0.05  # five printed decimals of a degree, 0.018 on each axis
MASSIVE = (1, 2, 3, 4, 7, 10, 15, 16, 31, 52, 65, 87, 88, 107, 511, 704)


@pytest.fixture(scope="module")
def starter():
    return starter_orbits(own=False)


def test_every_row_has_source_and_date_and_no_invented_sigma(starter):
    assert len(starter) > 22_500
    for orbit in starter[np.r_[0:500, 500 : len(starter) : 300]]:
        assert orbit.source, orbit.label
        assert orbit.source_date, orbit.label
        assert orbit.covariance is None


@pytest.mark.parametrize("number", MASSIVE)
def test_massive_asteroids_stand_where_the_kernel_has_them(starter, number):
    orbit = starter.select(str(number))
    with SPK.open(resources.files("appulse.data") / "sb441-n16_1990_2050.bsp") as kernel:
        segment = next(
            s
            for s in kernel.segments
            if s.target == 2_000_000 + number and s.start_jd <= orbit.epoch_jd_tdb <= s.end_jd
        )
        position, velocity = segment.compute_and_differentiate(orbit.epoch_jd_tdb)
    assert orbit.state[:3] * AU_KM == pytest.approx(position, rel=1e-14)
    assert orbit.state[3:] * AU_KM == pytest.approx(velocity, rel=1e-14)
    assert orbit.h is not None


@pytest.mark.needs_shared
def test_encke_where_horizons_has_it(starter, shared):
    """61 days of 2024: from an orbit carried from 2022 to 2026, with its jets, and back again."""
    text = (shared / "checks" / "horizons_ephemeris_2p.txt").read_text(encoding="ascii", errors="replace")
    rows = [line.split(",") for line in text.split("$$SOE")[1].split("$$EOE")[0].strip().splitlines()]
    jd, ra, dec, total = (np.array([float(row[i]) for row in rows]) for i in (1, 4, 5, 8))
    table = NBodyEphemeris([starter.select("2P")]).at(Time(jd, format="jd", scale="utc"), Site.geocentre())
    apart = separation_rad(unit_from_radec(ra, dec), unit_from_radec(table["ra"].value, table["dec"].value))
    assert len(rows) == 61
    assert np.degrees(apart).max() * 3600.0 < TOL_PRINTED_ARCSEC
    assert table["mag"].unmasked.value == pytest.approx(total, abs=0.001)


@pytest.mark.parametrize("comet", ["2P", "52P", "87P", "98P"])
def test_comets_near_perihelion_carry_their_outgassing(starter, comet):
    orbit = starter.select(comet)
    assert orbit.nongrav.a1 != 0.0
    assert orbit.m1 is not None
    assert "with its outgassing" in orbit.source


@pytest.mark.parametrize(("typed", "label"), [("Eros", "(433) Eros"), ("1898 PA", "(433) Eros"),
                                              ("67P", "67P/Churyumov-Gerasimenko"),
                                              ("Iris", "(7) Iris")])  # fmt: skip
def test_selecting(starter, typed, label):
    assert starter.select(typed).label == label

"""The bundled orbits: present, sourced, and the massive asteroids where the kernel has them."""

from importlib import resources

import pytest
from jplephem.spk import SPK

from appulse.bodies.readers import starter_orbits
from appulse.constants import AU_KM

MASSIVE = (1, 2, 3, 4, 7, 10, 15, 16, 31, 52, 65, 87, 88, 107, 511, 704)


@pytest.fixture(scope="module")
def starter():
    return starter_orbits(own=False)


def test_every_row_has_source_and_date_and_no_invented_sigma(starter):
    assert len(starter) > 450
    for orbit in starter:
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


@pytest.mark.parametrize(("typed", "label"), [("Eros", "(433) Eros"), ("1898 PA", "(433) Eros"),
                                              ("67P", "67P/Churyumov-Gerasimenko"),
                                              ("Iris", "(7) Iris")])  # fmt: skip
def test_selecting(starter, typed, label):
    assert starter.select(typed).label == label

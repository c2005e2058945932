"""The small functions of the room, each by an example that can be checked by head."""

import subprocess
import sys
from types import SimpleNamespace

import numpy as np
import pytest
from astropy.time import Time

from appulse.bodies.astrometric import clean_times
from appulse.bodies.catalogue import text_at
from appulse.bodies.field_search import heliocentric, two_body_error_rad
from appulse.bodies.kernels import default_kernels
from appulse.bodies.orbit import NonGrav, derivative, make_label
from appulse.bodies.own_steps import find_impacts
from appulse.bodies.photometry import magnitude_comet, magnitude_hg, magnitude_hg1g2, magnitude_hg12
from appulse.bodies.readers.comets import read_jpl_list
from appulse.bodies.readers.json_orbits import read_json
from appulse.bodies.readers.oef import read_oef
from appulse.bodies.readers.orbit_files import join_orbits, own_orbits_path, starter_orbits
from appulse.bodies.readers.orbit_text import to_float
from appulse.bodies.uncertainty import sky_ellipse
from appulse.errors import OrbitError


def test_places_need_no_slow_parts_of_scipy():
    """A first place waits for no library that it does not use: each of these takes a third of a second."""
    code = "import sys, appulse.bodies.field_search; print([m for m in SLOW if m in sys.modules])"
    code = f"SLOW = ('scipy.interpolate', 'scipy.integrate', 'scipy.optimize', 'matplotlib'); {code}"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"


def test_bodies_inside_a_planet_are_found():
    places = np.zeros((11, 3)) + np.arange(11)[:, None]
    assert find_impacts(np.array([[3.0, 0.5]] * 3), places[:, :, None]).tolist() == [3, -1]
    assert find_impacts(np.array([[3.0, 0.5]] * 3), places[:, :, None], np.array([3, -1])) is None


def test_differences_of_sixth_order():
    assert derivative(lambda x: x**3, np.array([2.0]), np.array([1e-2]))[0, 0] == pytest.approx(12, abs=1e-9)


def test_law_of_sunlight():
    assert NonGrav.inverse_square(a2=1e-14).g(2.0) == 0.25


@pytest.mark.parametrize(
    ("parts", "label"),
    [
        (("7", 7, "Iris"), "(7) Iris"),
        (("2P", None, "Encke"), "2P/Encke"),
        (("C/2023 A3", None, "A. Name"), "C/2023 A3 (A. Name)"),
    ],
)
def test_labels(parts, label):
    assert make_label(*parts) == label


def test_texts_of_either_kind():
    assert text_at(np.array([b"7", b"8"]), 1) == text_at(np.array(["7", "8"]), 1) == "8"
    assert to_float(" 1.5 ") == 1.5
    assert to_float("1.5D-3") == 0.0015
    assert np.isnan(to_float("half"))


def test_times_become_utc():
    times = clean_times(Time(2451545.0, format="jd", scale="tt"))
    assert (times.scale, times.shape) == ("utc", (1,))


def test_rough_place_at_perihelion():
    place, velocity = heliocentric(np.array([[2.0, 0.1, 0.0, 0.0, 0.0, 2451545.0]]), 0.0)
    assert place[:, 0] == pytest.approx([2.0, 0.0, 0.0], abs=1e-6)
    assert velocity[0, 0] == pytest.approx(0.0, abs=1e-8)


def test_bound_of_two_body_motion_in_the_main_belt():
    bound = two_body_error_rad(np.array([100.0, 365.25]), np.array([2.0, 2.0]), np.array([3.0, 3.0]))
    assert np.degrees(bound) == pytest.approx([0.026, 0.31], abs=5e-4)


def test_magnitudes_at_one_au_and_no_phase_are_absolute_ones():
    assert float(magnitude_hg(10.0, 0.15, 1.0, 1.0, 0.0)) == 10.0
    assert float(magnitude_hg1g2(7.063, 0.62, 0.14, 1.0, 1.0, 0.0)) == pytest.approx(7.063, abs=1e-12)
    assert float(magnitude_hg12(7.121, 0.68, 1.0, 1.0, 0.0)) == pytest.approx(7.121, abs=1e-12)
    assert float(magnitude_comet(5.0, 10.0, 2.0, 1.0)) == pytest.approx(5.0 + 10.0 * np.log10(2.0))


def test_ellipse_of_one_direction():
    """Straight east, 1e-6 rad at one sigma: 0.206265 arcsec at a position angle of 90 degrees."""
    displaced = np.array([[[1.0, 1e-7, 0.0]], [[1.0, -1e-7, 0.0]]])
    major, minor, pa = sky_ellipse(np.array([[1.0, 0.0, 0.0]]), displaced, np.array([10.0]))
    assert (major[0], minor[0], pa[0]) == pytest.approx((0.206265, 0.0, 90.0), abs=1e-6)


def test_the_orbits_at_hand():
    bundled = starter_orbits(own=False)
    assert len(join_orbits(bundled[:3], bundled)) == len(bundled)
    assert own_orbits_path().name == "orbits.ecsv"
    assert default_kernels().description == "de440_1990_2050.bsp + sb441-n16_1990_2050.bsp"


JPL_LIST = """
Num  Name    Epoch      q           e        i         w        Node          Tp
----------- ------- ----------- ---------- --------- --------- --------- --------------
  2P/Encke    57296  0.33594951 0.84833946  11.78142 186.54728 334.56778 20170310.03668"""

OEF = """format = 'OEF2.0'
refsys = ECLM J2000
END_OF_HEADER
433
 KEP 1.458121 0.222836 10.82847 304.2701 178.92976 310.55432
 MJD 61000.0 TDT
 MAG 10.82 0.46
"""


def test_shortest_files_of_their_kinds():
    assert read_jpl_list(JPL_LIST, "list").label(0) == "2P/Encke"
    orbit = read_oef(OEF, SimpleNamespace(name="433.ke1")).orbit(0)
    assert (orbit.label, orbit.epoch_jd_tdb, orbit.h) == ("(433) Eros", 2461000.5, 10.82)
    assert orbit.elements.a == pytest.approx(1.458121, abs=1e-9)
    with pytest.raises(OrbitError, match=r"x.json: none of .*line 1: the entry lacks 'timesystem'"):
        read_json('{"CAR": {}, "epoch_data": {"timeform": "MJD"}}', "x.json")

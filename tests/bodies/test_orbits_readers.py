"""Comet lists, JSON, OEF2.0 and CSV: values, covariances on ICRF axes, broken entries."""

import importlib.resources
import json

import numpy as np
import pytest

from appulse.bodies.orbit import check_states, covariance_icrf
from appulse.bodies.readers import file_kind, read_orbits
from appulse.errors import OrbitError
from appulse.numerics.kepler import ECLIPTIC_TO_ICRF

# A published line of the MPC's comet list, quoted in the documentation of its format.
HALE_BOPP = (
    "    CJ95O010  1997 03 29.6333  0.916241  0.994928  130.6448  283.3593   88.9908  20200531  -2.0  4.0  "
    "C/1995 O1 (Hale-Bopp)                                    MPC106342"
)
HALLEY = HALE_BOPP.replace("    CJ95O010", "0001P       ").replace(
    "C/1995 O1 (Hale-Bopp)", "1P/Halley            "
)
TOL_OTHER_GM_SIGMAS = 0.01
"""The files' elements go with k^2 or an older GM of the Sun, parts in 1e11; in printed sigmas."""

TOL_PRINTED_COVARIANCE = 1e-5
"""mpc_orb prints 12 digits of terms that cancel by up to 1e6 between the two sets of elements."""


def write(folder, text, name="orbits.txt"):
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def recorded(package, *names):
    return importlib.resources.files(package).joinpath(*names)


def sbdb(name):
    return read_orbits(recorded("astroquery.jplsbdb", "tests", "data", f"{name}.dat")).orbit(0)


def test_mpc_comet_lines(tmp_path):
    catalogue = read_orbits(write(tmp_path, HALE_BOPP + "\n" + HALLEY + "\n"))
    orbit = catalogue.select("C/1995 O1")
    assert orbit.label == "C/1995 O1 (Hale-Bopp)"
    assert orbit.epoch_jd_tdb == 2459000.5
    assert catalogue.elements[0] == pytest.approx(
        [0.916241, 0.994928, 88.9908, 283.3593, 130.6448, 2450537.1333], abs=1e-9
    )
    assert (orbit.m1, orbit.k1) == (-2.0, 10.0)
    assert catalogue.select("Halley").designation == "1P"


def test_mpc_comet_without_epoch_is_taken_at_perihelion(tmp_path):
    orbit = read_orbits(write(tmp_path, HALE_BOPP.replace("20200531", "        "))).orbit(0)
    assert orbit.epoch_jd_tdb == pytest.approx(2450537.1333)


def test_parabola_and_hyperbola_in_a_list(tmp_path):
    lines = [
        HALE_BOPP.replace("0.994928", e).replace("J95O010", f"J95O0{k}0")
        for k, e in enumerate(("1.000000", "1.352800"))
    ]
    assert read_orbits(write(tmp_path, "\n".join(lines))).elements[:, 1].tolist() == [1.0, 1.3528]


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (HALE_BOPP[:60], "not a whole line"),
        (HALE_BOPP.replace("0.916241", "       x"), "q is nan"),
        (HALE_BOPP.replace("0.916241", "-0.91624"), "must be positive"),
        (HALE_BOPP.replace("J95O010", "J95!010"), "not a whole line"),
    ],
)
def test_broken_comet_lines_are_listed(tmp_path, line, words):
    catalogue = read_orbits(write(tmp_path, f"{HALLEY}\n{line}\n"))
    ((number, reason),) = catalogue.rejected
    assert number == 2
    assert words in reason


@pytest.mark.needs_shared
def test_jpl_comet_list(shared):
    catalogue = read_orbits(shared / "orbits" / "JPL_ELEMENTS.COMET.gz")
    assert (len(catalogue), catalogue.rejected) == (3771, [])
    encke = catalogue.select("2P/Encke")
    assert encke.epoch_jd_tdb == 57296 + 2400000.5
    assert encke.elements.tp == pytest.approx(2457822.53668, abs=1e-6)  # 2017 March 10.03668
    assert encke.source == "JPL K204/19"
    assert catalogue.select("3D").epoch_jd_tdb == 2400000.5 - 9480
    assert np.isfinite(catalogue.state).all()
    assert len(check_states(catalogue.state, catalogue.epoch_jd_tdb)) == 0
    assert catalogue.select("73P-AA").label == "73P-AA/Schwassmann-Wachmann 3"


@pytest.mark.needs_shared
@pytest.mark.parametrize("cut", [20, 70, 110, 113])
def test_a_cut_jpl_list(shared, tmp_path, cut):
    import gzip

    text = gzip.decompress((shared / "orbits" / "JPL_ELEMENTS.COMET.gz").read_bytes()).decode("latin-1")
    lines = text.splitlines()[:6]
    lines[4] = lines[4][:cut]
    catalogue = read_orbits(write(tmp_path, "\n".join(lines)))
    assert [number for number, _ in catalogue.rejected] == [5]
    assert len(catalogue) == 3


@pytest.mark.needs_shared
def test_bright_near_earth_asteroids(shared):
    """Elements as the Minor Planet Center's list prints them."""
    catalogue = read_orbits(shared / "orbits" / "mpc_bright_neas.csv")
    assert len(catalogue) == 449
    eros = catalogue.select("1898 PA")
    assert (eros.label, eros.epoch_jd_tdb, eros.h, eros.uncertainty_code) == (
        "(433) Eros",
        2461000.5,
        10.38,
        "0",
    )
    assert eros.elements.a == pytest.approx(1.458121, abs=1e-9)


@pytest.mark.needs_shared
@pytest.mark.parametrize("name", ["2012HN13_mpcorb_yarkovsky", "2020AB_mpcorb", "2062_mpcorb_v07"])
def test_mpc_orb_state_and_covariance_against_its_own_elements(shared, name):
    """The file holds the covariance twice: the Jacobian must carry the cometary into the Cartesian one."""
    path = shared / "orbits" / f"{name}.json"
    orbit, com = read_orbits(path).orbit(0), json.loads(path.read_text())["COM"]
    values = np.array(com["coefficient_values"])
    elements = values[:6] + np.array([0, 0, 0, 0, 0, 2400000.5])
    n = len(values)
    given = np.array([[com["covariance"][f"cov{min(j, k)}{max(j, k)}"] for k in range(n)] for j in range(n)])
    if n == 7:  # Yarkovsky coefficients are printed in 1e-10 au/d^2
        given *= np.outer([1] * 6 + [1e-10], [1] * 6 + [1e-10])
    ours = covariance_icrf(elements, orbit.epoch_jd_tdb, given)
    sigma = np.sqrt(np.diag(orbit.covariance))
    assert ours / np.outer(sigma, sigma) == pytest.approx(
        orbit.covariance / np.outer(sigma, sigma), abs=TOL_PRINTED_COVARIANCE
    )
    found = orbit.elements
    off = np.array([found.q, found.e, found.i, found.node, found.peri, found.tp]) - elements
    assert np.abs(off / com["coefficient_uncertainties"][:6]).max() < TOL_OTHER_GM_SIGMAS


@pytest.mark.needs_shared
def test_mpc_orb_non_gravitational_terms(shared):
    """As the Minor Planet Center's own file prints them."""
    orbit = read_orbits(shared / "orbits" / "2012HN13_mpcorb_yarkovsky.json").orbit(0)
    assert orbit.covariance_names[6:] == ("A2",)
    assert orbit.nongrav.a2 == pytest.approx(-1.18541929703336e-13)
    assert orbit.nongrav.g(2.0) == 0.25
    assert np.sqrt(orbit.covariance[6, 6]) == pytest.approx(1.57222e-14, rel=1e-5)


def test_sbdb_orbit_is_taken_at_the_epoch_of_its_covariance():
    """JPL's Small-Body Database, (1): its reply as astroquery records it."""
    ceres = sbdb("ceres")
    assert ceres.epoch_jd_tdb == 2449731.5
    assert ceres.elements.e == pytest.approx(0.07610292126891821, abs=1e-14)
    assert (ceres.label, ceres.h, ceres.g, ceres.aliases) == ("(1) Ceres", 3.34, 0.12, ("1943 XB", "1899 OF"))


@pytest.mark.parametrize(("name", "label"), [("67P", "67P/Churyumov-Gerasimenko"),
                                             ("apophis", "(99942) Apophis"),
                                             ("phaethon", "(3200) Phaethon")])  # fmt: skip
def test_sbdb_covariance_gives_the_printed_sigma_of_q_back(name, label):
    """Turned back from the state, q must have the sigma that SBDB prints."""
    orbit = sbdb(name)
    assert orbit.label == label
    printed = json.loads(recorded("astroquery.jplsbdb", "tests", "data", f"{name}.dat").read_text())["orbit"]
    sigma = next(float(e["sigma"]) for e in printed["elements"] if e["name"] == "q")
    matrix = orbit.covariance[:6, :6]
    step = 1e-6 * np.repeat([1.0, 0.01], 3)
    gradient = np.array(
        [
            (_q(orbit.state + d) - _q(orbit.state - d)) / 2 / s
            for d, s in zip(np.diag(step), step, strict=True)
        ]
    )
    assert np.sqrt(gradient @ matrix @ gradient) == pytest.approx(sigma, rel=2e-3)  # printed with four digits


def _q(state):
    from appulse.numerics.kepler import elements_from_state

    rotated = np.r_[state[:3] @ ECLIPTIC_TO_ICRF, state[3:] @ ECLIPTIC_TO_ICRF]
    return elements_from_state(rotated[None, :], 2451545.0).q_au[0]


def test_sbdb_forces():
    """JPL's Small-Body Database, 67P and (99942): its replies as astroquery records them."""
    comet, asteroid = sbdb("67P"), sbdb("apophis")
    assert comet.nongrav.a1 == 1.066669918189136e-9
    assert (comet.nongrav.r0, comet.nongrav.dt_d) == (2.808, 35.07142445377104)
    assert (comet.m1, comet.k1) == (11.3, 11.0)
    assert asteroid.nongrav.a2 == -5.592840054057059e-14
    assert asteroid.nongrav.g(2.0) == pytest.approx(0.25)
    assert comet.covariance_names[6:] == ("A1", "A2", "A3")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('{"CAR": ', "no valid JSON"),
        ('{"a": 1}', "neither mpc_orb nor SBDB"),
        (
            '{"message": "specified object was not found"}',
            "the service wrote: specified object was not found",
        ),
        ("[]", "no orbit found"),
        ('{"orbit": {}, "object": {"des": "7"}}', "lacks 'elements'"),
    ],
)
def test_bad_json(tmp_path, text, words):
    with pytest.raises(OrbitError, match=words):
        read_orbits(write(tmp_path, text, "x.json"))


def test_an_sbdb_orbit_with_null_elements_is_refused(tmp_path):
    entry = json.loads(recorded("astroquery.jplsbdb", "tests", "data", "ceres.dat").read_text())
    entry["orbit"]["covariance"] = None
    entry["orbit"]["elements"][0]["value"] = None
    with pytest.raises(OrbitError, match="e is nan"):
        read_orbits(write(tmp_path, json.dumps(entry), "x.json"))


@pytest.mark.needs_shared
def test_oef_keplerian(shared):
    orbit = read_orbits(shared / "checks" / "eros_orbit_neocc.ke1.txt").orbit(0)
    assert (orbit.label, orbit.epoch_jd_tdb, orbit.h, orbit.g) == ("(433) Eros", 2461000.5, 10.819, 0.46)
    assert orbit.elements.q == pytest.approx(1.1331992196500305, abs=1e-14)  # the file's own PERIHELION line
    assert orbit.elements.i == pytest.approx(10.8284725705595, abs=1e-12)
    # The plane's own sigma: i is printed with 1.6e-6 degrees, which at 1.5 au is 4e-8 au across the orbit.
    assert 1e-9 < np.sqrt(np.diag(orbit.covariance)[:3]).max() < 1e-7


def test_oef_equinoctial():
    path = recorded("astroquery.solarsystem.neodys", "tests", "data", "2018vp1_eq0.txt")
    orbit = read_orbits(path).orbit(0)
    elements = orbit.elements
    assert orbit.designation == "2018 VP1"
    assert elements.e == pytest.approx(np.hypot(0.037761493287417, 0.428349632624671), abs=1e-13)
    assert np.tan(np.radians(elements.i / 2)) == pytest.approx(
        np.hypot(0.018136658554010, 0.021742631955843), abs=1e-13
    )
    assert elements.a == pytest.approx(1.5881497559207589, abs=1e-13)
    mean = np.degrees(np.sqrt(2.959122082841196e-4 / elements.a**3)) * (orbit.epoch_jd_tdb - elements.tp)
    longitude = mean + elements.peri + elements.node
    assert longitude % 360 == pytest.approx(14.9386830433169, abs=1e-6)
    assert (np.linalg.eigvalsh(orbit.covariance) > 0).all()


def test_oef_records_that_were_cut(tmp_path):
    text = recorded("astroquery.solarsystem.neodys", "tests", "data", "2018vp1_eq0.txt").read_text()
    header, body = text.split("END_OF_HEADER\n")
    cut = "\n".join(body.splitlines()[:13]).replace("2018VP1", "2019AB")
    catalogue = read_orbits(write(tmp_path, f"{header}END_OF_HEADER\n{body}\n{cut}\n"))
    assert len(catalogue) == 1
    ((line, reason),) = catalogue.rejected
    assert "numbers, 21 are needed" in reason
    assert line == 4 + len(body.splitlines()) + 1


def test_oef_on_other_axes(tmp_path):
    text = (
        "format  = 'OEF2.0'\nrefsys  = EQUM J2000\nEND_OF_HEADER\n433\n KEP 1 0 0 0 0 0\n MJD 61000.0 TDT\n"
    )
    with pytest.raises(OrbitError, match="only files on ecliptic J2000 axes"):
        read_orbits(write(tmp_path, text))


def test_named_csv_with_broken_rows(tmp_path):
    header = "Number,Name,Principal_desig,H,G,Epoch,a,e,i,Node,Peri,M,U"
    good = "(433),Eros,A898 PA,10.38,0.15,2461000.5,1.458,0.22,10.8,304.2,178.9,310.5,0"
    bad = good.replace("0.22", "1.22")
    cut = good[: good.index("310.5") + 3]
    catalogue = read_orbits(write(tmp_path, "\n".join([header, good, bad, cut])))
    assert [line for line, _ in catalogue.rejected] == [3, 4]
    assert len(catalogue) == 1


@pytest.mark.parametrize(
    ("text", "words"),
    [("", "the file is empty"), ("hello\nworld\n", "not recognised"), ("\0\1\2" * 50, "not a text file")],
)
def test_files_that_are_no_orbits(tmp_path, text, words):
    with pytest.raises(OrbitError, match=words):
        read_orbits(write(tmp_path, text))


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(OrbitError, match="no such file"):
        read_orbits(tmp_path / "gone.csv")
    with pytest.raises(OrbitError, match="is a folder"):
        read_orbits(tmp_path)


def test_comet_lines_are_not_taken_for_asteroid_lines():
    assert file_kind(HALLEY) == "MPC comet lines"

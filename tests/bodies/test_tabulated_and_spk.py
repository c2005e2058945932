"""Places from tables and from kernels of every type that is read."""

import io

import numpy as np
import pytest
from astropy.table import Table
from astropy.time import Time, TimeDelta
from jplephem.daf import DAF
from worlds import EPOCH_JD, main_belt

from appulse.bodies.ephemeris import NBodyEphemeris
from appulse.bodies.kernels import DEFAULT_ASTEROIDS, DEFAULT_PLANETS, default_kernels
from appulse.bodies.orbit import Orbit
from appulse.bodies.spk import SPKEphemeris
from appulse.bodies.tabulated import TabulatedEphemeris
from appulse.errors import DesignationError, EphemerisSpanError, InputError, TableError
from appulse.numerics import radec_from_unit
from appulse.observers.site import Site

SITE = Site.parse("X05")
TOL_SPLINE_ARCSEC = 2e-3  # two-hourly topocentric rows: parallax bends the track at the ends of the night
TOL_SPLINE_RATE = 5e-3  # arcsec/h, the same bend
TOL_SPK_AU = 1e-13
AU_KM = 149_597_870.7


def separation(a, b):
    dra = (a["ra"].value - b["ra"].value + 180) % 360 - 180
    return np.hypot(dra * np.cos(np.radians(b["dec"].value)), a["dec"].value - b["dec"].value) * 3600.0


@pytest.fixture(scope="module")
def ephemeris():
    orbits = [Orbit.from_state(str(i + 1), EPOCH_JD, row, h=9.0) for i, row in enumerate(main_belt(2))]
    return NBodyEphemeris(orbits)


def night(step_h, ephemeris):
    times = Time(EPOCH_JD + np.arange(0.0, 1.0001, step_h / 24.0), format="jd", scale="utc")
    return ephemeris.at(times, SITE)


def test_interpolation_gives_the_integrated_places(ephemeris):
    table = TabulatedEphemeris.from_table(night(2.0, ephemeris))
    assert table.designations == ["1", "2"]
    times = Time(EPOCH_JD + np.linspace(0.01, 0.99, 37), format="jd", scale="utc")
    ours, exact = table.at(times, SITE), ephemeris.at(times, SITE)
    assert separation(ours, exact).max() < TOL_SPLINE_ARCSEC
    assert ours["rate"].value == pytest.approx(exact["rate"].value, abs=TOL_SPLINE_RATE)
    assert ours["mag"].unmasked.value == pytest.approx(exact["mag"].unmasked.value, abs=1e-4)
    assert ours.colnames == exact.colnames
    assert ours["sigma_major"].mask.all()


def test_directions_without_a_table_are_those_of_the_table(ephemeris):
    dense = night(1.0, ephemeris)
    times = Time(dense["time"][0].jd + np.array([0.01, 0.02]), format="jd", scale="utc")
    for source in (ephemeris, TabulatedEphemeris.from_table(Table(dense))):
        name = str(dense["designation"][0])
        rows = source.at(times, Site.geocentre(), bodies=[name], uncertainty=False)
        ra, dec = radec_from_unit(source.vectors(times, Site.geocentre(), source.rows([name]))[0])
        np.testing.assert_array_equal([ra, dec], [rows["ra"].value, rows["dec"].value])
    with pytest.raises(EphemerisSpanError, match="nothing is extrapolated"):
        source.vectors(times + TimeDelta(30.0, format="jd"), Site.geocentre(), source.rows([name]))


def test_a_table_written_and_read_is_the_same_source(ephemeris, tmp_path):
    rows = night(2.0, ephemeris)
    rows.write(tmp_path / "night.ecsv")
    time = Time(EPOCH_JD + 0.3, format="jd", scale="utc")
    again = TabulatedEphemeris.from_table(tmp_path / "night.ecsv").at(time, SITE, bodies="2")
    assert separation(again, TabulatedEphemeris.from_table(rows).at(time, SITE, bodies="2")).max() < 1e-6


def test_nothing_is_extrapolated(ephemeris):
    table = TabulatedEphemeris.from_table(night(2.0, ephemeris))
    for days in (-0.001, 1.001):
        with pytest.raises(EphemerisSpanError, match="nothing is extrapolated"):
            table.at(Time(EPOCH_JD + days, format="jd", scale="utc"), SITE)


def test_without_times_one_moment_only():
    table = TabulatedEphemeris.from_table(Table({"number": [7, 8], "ra": [10.0, 20.0], "dec": [1.0, 2.0]}))
    place = table.at(Time("2020-01-01"), SITE, bodies="(8)")
    assert place["ra"][0].value == pytest.approx(20.0)
    assert place["rate"].mask.all()
    assert place["delta"].mask.all()
    table.at(Time("2020-01-01"), SITE, bodies="7")
    with pytest.raises(EphemerisSpanError, match="one moment"):
        table.at(Time("2020-01-02"), SITE)


def test_sexagesimal_and_across_zero_hours(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text(
        "designation,time,ra,dec\n"
        "X,2020-01-01T00:00,23 59 58.0,+00 00 10\nX,2020-01-01T01:00,23 59 59.0,+00 00 20\n"
        "X,2020-01-01T02:00,00 00 00.0,+00 00 30\nX,2020-01-01T03:00,00 00 01.0,+00 00 40\n"
    )
    place = TabulatedEphemeris.from_table(path).at(Time("2020-01-01T02:30"), SITE)
    assert place["ra"][0].value == pytest.approx(0.5 * 15 / 3600, abs=1e-9)
    assert place["ra_rate"][0].value == pytest.approx(15.0, rel=1e-6)
    assert place["dec_rate"][0].value == pytest.approx(10.0, rel=1e-6)


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"ra": [1.0], "dec": [1.0]}, "designation"),
        ({"designation": [], "ra": [], "dec": []}, "no rows"),
        ({"designation": ["a"], "ra": [1.0]}, "dec"),
        ({"designation": ["a", "a"], "ra": [1.0, 2.0], "dec": [1.0, 2.0]}, "no column 'time'"),
        (
            {"designation": ["a"] * 2, "ra": [1.0, 2.0], "dec": [1.0, 2.0], "time": ["2020-01-01"] * 2},
            "same time",
        ),
        ({"designation": ["a"], "ra": [np.nan], "dec": [1.0]}, "no ra or dec"),
    ],
)
def test_tables_that_cannot_be_used(columns, words):
    with pytest.raises(TableError, match=words):
        TabulatedEphemeris.from_table(Table(columns))


def test_a_body_that_is_not_there(ephemeris):
    with pytest.raises(DesignationError, match="it holds 1, 2"):
        TabulatedEphemeris.from_table(night(2.0, ephemeris)).at(Time("2026-01-01"), SITE, bodies="3")


def write_spk(path, segments):
    """A new SPK file with (target, center, frame, type, start_s, end_s, words) segments."""
    with open(DEFAULT_ASTEROIDS, "rb") as handle:
        record = handle.read(1024)
    blank = b"\0" * 1024
    buffer = io.BytesIO(record + blank + b" " * 1024)
    daf = DAF(buffer)
    daf.fward = daf.bward = 2
    daf.free = 3 * 128 + 1
    daf.write_file_record()
    for target, center, frame, kind, start, end, words in segments:
        daf.add_array(b"TEST", (start, end, target, center, frame, kind), np.asarray(words, dtype=float))
    path.write_bytes(buffer.getvalue())
    return path


def motion(t_s):
    """A smooth path, km and km/s."""
    w = 2e-7
    pos = np.stack([3e8 * np.cos(w * t_s), 2e8 * np.sin(w * t_s), 1e7 * np.sin(2 * w * t_s)], axis=-1)
    vel = np.stack(
        [-3e8 * w * np.sin(w * t_s), 2e8 * w * np.cos(w * t_s), 2e7 * w * np.cos(2 * w * t_s)], axis=-1
    )
    return pos, vel


@pytest.mark.parametrize("window", [4, 5])
def test_hermite_segments(tmp_path, window):
    """Type 13 from states at uneven epochs; the osculating polynomial reproduces the smooth path."""
    epochs = np.cumsum(np.r_[0.0, np.random.default_rng(1).uniform(2e4, 6e4, 60)])
    pos, vel = motion(epochs)
    words = np.concatenate([np.hstack([pos, vel]).ravel(), epochs, [window - 1, len(epochs)]])
    path = write_spk(tmp_path / "h.bsp", [(20000099, 10, 1, 13, epochs[0], epochs[-1], words)])
    with SPKEphemeris(path) as kernel:
        t = np.linspace(epochs[0], epochs[-1], 97) / 86_400.0
        sun_pos, sun_vel = default_kernels().major(t)
        helio = kernel.states([0], t[None])[0] - np.hstack([sun_pos[:, 0], sun_vel[:, 0]])
    exact_pos, exact_vel = motion(t * 86_400.0)
    assert kernel.designations == ["99"]
    assert np.abs(helio[:, :3] - exact_pos / AU_KM).max() < 1e-11
    assert np.abs(helio[:, 3:] - exact_vel * 86_400.0 / AU_KM).max() < 1e-11


def test_chebyshev_segments_with_velocities(tmp_path):
    """Type 3, and ecliptic axes (frame 17)."""
    from numpy.polynomial import chebyshev

    radius = 432_000.0
    grid = radius + radius * chebyshev.chebpts1(14)
    pos, vel = motion(grid)
    series = [chebyshev.chebfit((grid - radius) / radius, part, 13) for part in (*pos.T, *vel.T)]
    words = np.concatenate([[radius, radius], *series, [0.0, 2 * radius, 2 + 6 * 14, 1]])
    spk = [(target, 0, frame, 3, 0.0, 2 * radius, words) for target, frame in ((-77, 1), (-78, 17))]
    with SPKEphemeris(write_spk(tmp_path / "c.bsp", spk)) as kernel:
        t = np.linspace(0.1, 9.9, 23)
        plain, tilted = (kernel.states(kernel.rows(name), t[None])[0] for name in ("-77", "-78"))
    exact, speed = motion(t * 86_400.0)
    assert np.abs(plain[:, :3] - exact / AU_KM).max() < TOL_SPK_AU
    assert np.abs(plain[:, 3:] - speed * 86_400 / AU_KM).max() < TOL_SPK_AU
    cos = np.cos(np.radians(84_381.448 / 3600))
    sin = np.sin(np.radians(84_381.448 / 3600))
    assert np.abs(tilted[:, 1] - (cos * exact[:, 1] - sin * exact[:, 2]) / AU_KM).max() < TOL_SPK_AU


def test_planets_through_the_same_door():
    kernels, t = default_kernels(), np.array([[8000.0, 9000.5]])
    with SPKEphemeris(DEFAULT_PLANETS) as planets:
        states = planets.states(planets.rows("399"), t)[0]
    pos, vel = kernels.major(t[0])
    assert np.abs(states - np.hstack([pos[:, 3], vel[:, 3]])).max() < 1e-12


def test_spk_magnitudes_come_from_records():
    record = Orbit.from_state("4", EPOCH_JD, main_belt(1)[0], number=4, h=3.2, g=0.32)
    with SPKEphemeris(DEFAULT_ASTEROIDS, orbits=[record]) as kernel:
        lit = kernel.at(Time("2027-05-04"), SITE, bodies=["4", "7"])
    assert 5.0 < lit["mag"][0].unmasked.value < 9.0
    assert lit["mag"].mask.tolist() == [False, True]


def test_spk_refusals(tmp_path):
    with pytest.raises(InputError, match="does not exist"):
        SPKEphemeris(tmp_path / "gone.bsp")
    (tmp_path / "words.bsp").write_text("words " * 300)
    with pytest.raises(InputError, match="not an SPK"):
        SPKEphemeris(tmp_path / "words.bsp")
    path = write_spk(tmp_path / "odd.bsp", [(5, 0, 1, 8, 0.0, 10.0, np.zeros(20))])
    with pytest.raises(InputError, match="type 8"):
        SPKEphemeris(path)
    with SPKEphemeris(DEFAULT_ASTEROIDS) as kernel:
        with pytest.raises(DesignationError, match="it holds 1, 2, 3"):
            kernel.at(Time("2027-05-04"), SITE, bodies="5")
        with pytest.raises(EphemerisSpanError):
            kernel.states([0], np.array([[30_000.0]]))

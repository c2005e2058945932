"""Sites, spacecraft, time scales and Earth orientation against ERFA, astropy and published tables."""

import subprocess
import sys

import astropy_iers_data
import erfa
import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import EarthLocation
from astropy.time import Time
from astropy.utils import iers

from appulse.errors import EphemerisSpanError, SiteError, TimeError
from appulse.observers.earth import accuracy_note, itrs_to_gcrs
from appulse.observers.iers import table_ends_mjd, ut1_minus_tai_s, ut1_sigma_s
from appulse.observers.site import Site, SpacecraftVector
from appulse.observers.timescales import parse_utc, quiet_erfa, read_times_file, tdb_days, tdb_jd, tt_jd

AU_M = 149_597_870_700.0
TOL_NUTATION_M = 0.05  # IAU 2000B against 2000A: 1 mas of 6378 km is 3 cm
TOL_DTDB_S = 3e-6  # topocentric part of TDB-TT, left out here
TOL_UT1_S = 5e-4  # Bulletin A as first published against the final series; 0.2 m on the ground
TOL_PARALLAX_CONSTANTS_M = 50.0  # printed to 1e-6 of the Earth's radius (6 m), longitudes to 1e-5 degree


def test_geocentric_place_and_velocity_against_astropy():
    times = Time(["1995-03-03T03:00:00", "2016-12-31T23:59:59", "2020-05-05T05:05:05", "2024-10-10T10:10:10"])
    site = Site.from_geodetic(16.5, -23.2, 1800.0)
    pos, vel = site.posvel_au(times)
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        astropy_pos, astropy_vel = site.earth_location.get_gcrs_posvel(times)
    assert np.abs(pos * AU_M - astropy_pos.xyz.to_value("m").T).max() < TOL_NUTATION_M
    assert np.abs(vel * AU_M / 86_400 - astropy_vel.xyz.to_value("m/s").T).max() < TOL_NUTATION_M * 1e-4


def test_geodetic_to_earth_fixed_against_sofa():
    """SOFA's t_sofa_c.c, gd2gc: WGS84, longitude 3.1, latitude -0.5 rad, height 2500 m."""
    site = Site.from_geodetic(np.degrees(3.1), np.degrees(-0.5), 2500.0)
    sofa = (-5599000.5577049947, 233011.67223479203, -3040909.4706983363)
    assert site.itrs_m == pytest.approx(sofa, abs=1e-6)
    assert site.geodetic == pytest.approx((np.degrees(3.1), np.degrees(-0.5), 2500.0), abs=1e-6)


def test_quantities_and_floats_are_the_same_site():
    a = Site.from_geodetic(16.5 * u.deg, -23.2 * u.deg, 1.8 * u.km)
    assert a.itrs_m == pytest.approx(Site.from_geodetic(16.5, -23.2, 1800.0).itrs_m, abs=1e-9)


def test_mpc_code_stands_where_the_observatory_does():
    """Cerro Tololo, W 70 48 23.5 S 30 10 10.8, 2207 m (astropy's site list)."""
    known = EarthLocation.from_geodetic(-70.806525 * u.deg, -30.169661 * u.deg, 2206.8 * u.m)
    off = np.array(Site.parse("807").itrs_m) - np.array([known.x.value, known.y.value, known.z.value])
    assert np.linalg.norm(off) < 4 * TOL_PARALLAX_CONSTANTS_M


@pytest.mark.parametrize("text", ["geocentre", "Geocenter", "500"])
def test_geocentre(text):
    site = Site.parse(text)
    pos, vel = site.posvel_au(Time(["2020-01-01", "2021-01-01"]))
    assert not pos.any()
    assert not vel.any()
    with pytest.raises(SiteError, match="neither longitude"):
        _ = site.geodetic


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("ZZZ", "observatory codes"), ("C51", "position vector"), ("1,2", "is the height missing"),
        ("east,3,4", "not understood"), ("10,95,0", "latitude 95 is out of range"),
        ("400,10,0", "longitude 400 is out of range"),
        ("10,20,nan", "finite"), ("10,20,2e6", "height"), ("", "not understood"),
        ("1,2,3,4", "not understood"),
    ],
)  # fmt: skip
def test_sites_that_cannot_be_understood(text, words):
    with pytest.raises(SiteError, match=words):
        Site.parse(text)


def test_every_code_of_the_list_is_a_place_or_a_clear_refusal():
    from appulse.observers.site import _mpc_table

    nowhere = 0
    for code in _mpc_table():
        try:
            r = np.linalg.norm(Site.from_mpc_code(code).itrs_m)
        except SiteError:
            nowhere += 1
        else:
            assert r == 0 or 6.33e6 < r < 6.40e6
    assert 0 < nowhere < 60


def test_spacecraft_goes_straight_and_not_far():
    start = Time("2024-01-01T00:00:00", scale="utc")
    craft = SpacecraftVector("low orbit", start, (4.6e-5, 0.0, 0.0), (0.0, 4.4e-3, 0.0), "earth")
    pos, vel = craft.posvel_au(start + [0.0, 10.0] * u.s)
    assert pos[1] == pytest.approx([4.6e-5, 4.4e-3 * 10.0 / 86_400.0, 0.0], rel=1e-9)
    assert vel.shape == (2, 3)
    assert 10.0 < craft.span_s < 20.0  # 0.5 g t^2 = 1 km
    with pytest.raises(EphemerisSpanError, match="straight line"):
        craft.posvel_au(start + 60 * u.s)
    long = SpacecraftVector("low orbit", start, (4.6e-5, 0, 0), (0, 4.4e-3, 0), "earth", span_s=100.0)
    assert long.posvel_au(start + 60 * u.s)[0].shape == (1, 3)


@pytest.mark.parametrize(
    "bad", [{"position_au": (1.0, 2.0)}, {"position_au": (np.nan, 0, 0)}, {"origin": "mars"}]
)
def test_spacecraft_that_cannot_be(bad):
    good = {"name": "x", "time": Time("2024-01-01"), "position_au": (1, 0, 0), "velocity_au_d": (0, 0, 0)}
    with pytest.raises(SiteError):
        SpacecraftVector(**(good | bad))


@pytest.mark.parametrize(
    ("text", "isot"),
    [
        ("2027-05-04T22:36:00", "2027-05-04T22:36:00.000"), ("2027-05-04 22:36", "2027-05-04T22:36:00.000"),
        (" 2027-05-04T22:36:01.5Z ", "2027-05-04T22:36:01.500"), ("2027-05-04", "2027-05-04T00:00:00.000"),
        ("2016-12-31T23:59:60.5", "2016-12-31T23:59:60.500"),
        ("2027-05-04T22:36:00+00:00", "2027-05-04T22:36:00.000"),
    ],
)  # fmt: skip
def test_times_that_are_read(text, isot):
    assert parse_utc(text).isot == isot


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("yesterday", "not understood"), ("2027-13-01", "month"), ("2027-02-29", "day"),
        ("2027-01-01T25:00", "hour"), ("2027-01-01T00:60", "minute"), ("2027-01-01T00:00:61", "second"),
        ("2027-06-30T23:59:60", "no second 60"), ("2027-01-01T00:00:00+02:00", "zone"),
        ("1959-12-31T00:00", "begins in 1960"), ("61000.5", "not understood"),
    ],
)  # fmt: skip
def test_times_that_are_refused(text, words):
    with pytest.raises(TimeError, match=words):
        parse_utc(text)


def test_tdb_through_every_leap_second():
    """Each inserted second since 1972 lasts one second of TDB, no more and no less."""
    table = erfa.leap_seconds.get()
    for year, month in [(int(r["year"]), int(r["month"])) for r in table if r["year"] > 1972]:
        day = Time(f"{year}-{month:02d}-01", scale="utc") - 1 * u.day
        before = parse_utc(f"{day.isot[:10]}T23:59:59")
        inside = parse_utc(f"{day.isot[:10]}T23:59:60")
        after = parse_utc(f"{year}-{month:02d}-01T00:00:00")
        steps = [_seconds(inside) - _seconds(before), _seconds(after) - _seconds(inside)]
        assert steps == pytest.approx([1.0, 1.0], abs=1e-5)


def _seconds(time):
    jd1, jd2 = tdb_jd(time)
    return float((jd1 - 2_451_545.0) * 86_400.0 + jd2 * 86_400.0)


@pytest.mark.parametrize("scale", ["utc", "tai", "tt", "tdb", "tcg", "tcb"])
def test_scales_against_astropy(scale):
    times = Time(["1995-06-01T01:02:03", "2019-11-30T12:00:00"], scale=scale)
    jd1, jd2 = tdb_jd(times)
    gap = (jd1 - times.tdb.jd1) + (jd2 - times.tdb.jd2)
    assert np.abs(gap * 86_400.0).max() < TOL_DTDB_S


def test_ut1_goes_there_and_back():
    utc = Time(57_000.25, format="mjd", scale="utc")
    tt1, tt2 = tt_jd(utc)
    ut1_jd2 = float(tt2) + (float(ut1_minus_tai_s(57_000.25)) - 32.184) / 86_400.0  # TT - TAI: IAU 1991
    ut1 = Time(float(tt1), ut1_jd2, format="jd", scale="ut1")
    back1, back2 = tt_jd(ut1)
    assert float((back1 - tt1) + (back2 - tt2)) * 86_400.0 == pytest.approx(0.0, abs=1e-6)


def test_ut1_is_that_of_the_other_series():
    """EOP C04 of the IERS against the Bulletin A that is used; whole file 2000 to 2020."""
    gaps = []
    with open(astropy_iers_data.IERS_B_FILE, encoding="ascii") as handle:
        for line in handle:
            words = line.split()
            if line.startswith("#") or not 51_544 <= float(words[4]) <= 58_849:
                continue
            mjd = float(words[4])
            tai_utc = round((erfa.ufunc.utctai(2_400_000.5, mjd)[1] - mjd) * 86_400.0)
            gaps.append(float(words[7]) - tai_utc - float(ut1_minus_tai_s(mjd)))
    assert len(gaps) > 7000
    assert np.abs(gaps).max() < TOL_UT1_S


def test_2050_is_neither_error_nor_warning_nor_silence():
    times = parse_utc("2050-01-01T00:00:00")
    pos, _ = Site.from_geodetic(10.0, 50.0, 0.0).posvel_au(times)
    assert np.linalg.norm(pos) * AU_M == pytest.approx(6.366e6, rel=1e-3)
    assert "beyond" in accuracy_note(times)
    assert 0.1 < float(ut1_sigma_s(69_807.0)) < 0.5
    assert np.isfinite(tdb_days(times))
    with quiet_erfa():
        assert times.isot.startswith("2050")


def test_accuracy_in_words():
    measured, predicted = table_ends_mjd()
    assert accuracy_note(Time(measured - 100, format="mjd")) == "measured Earth rotation"
    assert "predicted" in accuracy_note(Time(0.5 * (measured + predicted), format="mjd"))
    assert "before" in accuracy_note(Time("1965-01-01", scale="utc"))


def test_earth_rotates_once_in_a_sidereal_day():
    # Capitaine, Guinot & McCarthy 2000, A&A 355, 398: turns of the Earth in a day.
    turn = 1.0 / 1.002_737_811_911_354_48
    pos, _ = itrs_to_gcrs([6.378e6, 0.0, 0.0], Time([2_459_000.5, 2_459_000.5 + turn], format="jd"))
    assert np.linalg.norm(pos[1] - pos[0]) * AU_M < 10.0


def test_times_file_names_its_bad_line(tmp_path):
    path = tmp_path / "times.txt"
    path.write_text("# night\n2027-05-04T22:00\n\n2027-05-04T99:00\n")
    with pytest.raises(TimeError, match="line 4"):
        read_times_file(path)
    path.write_text("# nothing\n")
    with pytest.raises(TimeError, match="holds no time"):
        read_times_file(path)
    with pytest.raises(TimeError, match="cannot be read"):
        read_times_file(tmp_path / "absent.txt")
    path.write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(TimeError, match="not UTF-8 text"):
        read_times_file(path)


def test_the_host_program_keeps_its_settings():
    """No change of astropy's IERS settings or tables, in a fresh interpreter that predicts a place."""
    code = (
        "from astropy.utils import iers\n"
        "before = (iers.conf.auto_download, iers.conf.auto_max_age, iers.conf.iers_degraded_accuracy)\n"
        "tables = (iers.IERS_A.iers_table, iers.IERS_B.iers_table, iers.IERS_Auto.iers_table)\n"
        "from astropy.time import Time\n"
        "from appulse.observers.site import Site\n"
        "from appulse.bodies.ephemeris import NBodyEphemeris\n"
        "from appulse.bodies.catalogue import Orbit\n"
        "o = Orbit.from_elements('7', 2461000.5, q=1.84, e=0.23, i=5.5, node=260, peri=145, tp=2461200.5)\n"
        "NBodyEphemeris([o]).at(Time('2026-01-01'), Site.parse('X05'))\n"
        "after = (iers.conf.auto_download, iers.conf.auto_max_age, iers.conf.iers_degraded_accuracy)\n"
        "assert before == after, (before, after)\n"
        "assert tables == (iers.IERS_A.iers_table, iers.IERS_B.iers_table, iers.IERS_Auto.iers_table)\n"
    )
    command = [sys.executable, "-W", "error", "-c", code]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_ut1_and_its_uncertainty_on_known_days():
    """After the leap second of 2016-12-31 TAI-UTC was 37 s and UT1-UTC 0.591 s (IERS Bulletin A)."""
    assert float(ut1_minus_tai_s(57_754.0)) == pytest.approx(-36.409, abs=5e-4)
    assert float(ut1_sigma_s(58_000.0)) < 1e-4
    measured, predicted = table_ends_mjd()
    assert 300 < predicted - measured < 500

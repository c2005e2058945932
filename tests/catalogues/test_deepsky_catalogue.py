"""The catalogue: names, places, corrections, honest shapes."""

import numpy as np
import pytest
from astropy.coordinates import SkyCoord

from appulse.catalogues import deepsky
from appulse.catalogues.deepsky import all_objects, find_object, objects_near, outline_of
from appulse.errors import InputError

TOL_PLACE_ARCSEC = 20.0
"""Where the centre of an extended object is put differs between authors by so much."""

# J2000 places of well-known objects, from memory.
KNOWN = {
    "M31": "00h42m44.3s +41d16m09s",
    "M13": "16h41m41.2s +36d27m37s",
    "M57": "18h53m35.1s +33d01m45s",
    "M104": "12h39m59.4s -11d37m23s",
    "NGC 5139": "13h26m47.3s -47d28m46s",
}


@pytest.mark.parametrize("name", KNOWN)
def test_well_known_objects_lie_where_they_should(name):
    outline = find_object(name)
    away = SkyCoord(outline.ra, outline.dec, unit="deg").separation(SkyCoord(KNOWN[name]))
    assert away.arcsec < TOL_PLACE_ARCSEC


SPELLINGS = ("NGC 224", "ngc224", "NGC0224", "M31", "m 031", "Messier 31", "Andromeda Galaxy", "PGC 2557")


@pytest.mark.parametrize("spelling", SPELLINGS)
def test_every_spelling_finds_the_object(spelling):
    found = find_object(spelling)
    assert "NGC 224" in (found.name, *found.other_names)


@pytest.mark.parametrize(
    ("asked", "called"),
    [("M105", "M 105"), ("ngc3379", "NGC 3379"), ("messier 031", "M 31"), ("Caldwell 20", "C 20")],
)
def test_an_object_keeps_the_name_it_was_asked_for(asked, called):
    assert find_object(asked).name == called


@pytest.mark.parametrize(("double", "main"), [("IC 2118", "NGC 1909"), ("IC 11", "NGC 281")])
def test_doubles_lead_to_their_object(double, main):
    found = find_object(double)
    assert found.name == double
    assert main in found.other_names


def test_doubles_and_objects_that_do_not_exist_are_gone():
    assert not {"Dup", "NonEx"} & set(deepsky.load().type)
    assert len(set(all_objects()["name"])) == len(all_objects())


def test_unknown_name_offers_what_comes_near():
    with pytest.raises(InputError, match=r"no deep-sky object is called 'IC 46033'.*IC 4603"):
        find_object("IC 46033")


def test_targets_of_the_sample_night_are_honest_circles():
    for name, size in (("IC 4603", 20.0), ("IC 4604", 60.0)):
        outline = find_object(name)
        assert outline.kind == "circle"
        assert outline.major_arcmin == size
        assert "no position angle" in outline.note


def test_shapes_follow_what_the_catalogue_has():
    for row in range(0, len(all_objects()), 41):
        outline = outline_of(row)
        assert (outline.kind == "point") == (not outline.rings) == (outline.major_arcmin is None)
        if outline.kind == "ellipse":
            assert outline.pa_deg is not None
        if outline.kind == "circle" and outline.minor_arcmin != outline.major_arcmin:
            assert "drawn as a circle" in outline.note


def test_every_correction_takes_effect_and_is_said():
    from importlib import resources

    from appulse.formats.tables import read_table

    catalogue = deepsky.load()
    with resources.as_file(resources.files("appulse.data") / "outline_corrections.ecsv") as path:
        table = read_table(path)
    for name, field, value, source in table.iterrows("name", "field", "value", "source"):
        row = catalogue.index[deepsky.key(str(name))]
        assert f"({source})" in outline_of(row).note
        if field != "names" and not np.ma.is_masked(value):
            assert getattr(catalogue, str(field))[row] == float(value)


def test_flame_nebula_is_not_the_horsehead_s_background():
    assert find_object("Flame Nebula").other_names[0] == "NGC 2024"
    assert "Flame Nebula" not in find_object("IC 434").other_names


@pytest.mark.parametrize("centre", [(0.0, 0.0), (359.99, 30.0), (123.0, 90.0), (77.0, -90.0), (10.68, 41.27)])
def test_circle_holds_what_a_full_search_finds(centre):
    table = all_objects()
    away = SkyCoord(*centre, unit="deg").separation(SkyCoord(table["ra"], table["dec"])).deg
    wanted = away <= 2.0 + np.nan_to_num(table["major"].value) / 120.0
    wanted &= ~np.isin(table["type"], ["star", "double star", "nova"])
    assert {o.name for o in objects_near(*centre, 2.0)} == set(table["name"][wanted].tolist())


def test_limits():
    virgo = objects_near(187.7, 12.4, 1.5)
    bright = objects_near(187.7, 12.4, 1.5, brighter_than=10.0)
    large = objects_near(187.7, 12.4, 1.5, larger_than=3.0)
    assert 0 < len(bright) < len(virgo)
    assert all(o.mag <= 10.0 for o in bright)
    assert all(o.major_arcmin >= 3.0 for o in large)
    # A nebula without a magnitude is not lost by a limit.
    assert "IC 4603" in {o.name for o in objects_near(246.35, -24.4, 0.5, brighter_than=8.0)}


def test_types_are_checked():
    assert all("galax" in o.object_type for o in objects_near(187.7, 12.4, 1.0, types="galaxy"))
    with pytest.raises(InputError, match="'comet'; known: galaxy"):
        objects_near(187.7, 12.4, 1.0, types=["comet"])


@pytest.mark.parametrize("place", [(np.nan, 0, 1), (0, 91, 1), (0, 0, 0), (0, 0, np.inf)])
def test_impossible_places_are_refused(place):
    with pytest.raises(InputError, match="are needed"):
        objects_near(*place)


def test_only_galaxies_carry_a_redshift():
    assert find_object("M31").redshift == pytest.approx(-0.001, abs=2e-4)
    assert find_object("IC 434").redshift is None

"""Facts against figures from outside; sentences only for what is known."""

from dataclasses import replace

import numpy as np
import pytest
import yaml

from appulse.bodies.ephemeris import NBodyEphemeris
from appulse.bodies.readers import read_orbits
from appulse.captions.caption_text import (
    caption,
    captions_text,
    degrees_text,
    error_text,
    facts_yaml,
    number_text,
    parse_template,
    read_template,
    rounded,
    size_comparison,
    value_text,
)
from appulse.captions.formulas import (
    KEYS,
    LY_PER_PC,
    Fact,
    body_diameter,
    distance_from_redshift,
    light_time_s,
    object_size_ly,
    relative_speed_km_s,
)
from appulse.captions.picture_facts import body_facts, frame_facts, object_facts, orbit_error_text, pass_facts
from appulse.catalogues.deepsky import find_object
from appulse.constants import AU_KM
from appulse.errors import InputError
from appulse.frames.reading import read_frame

TOL_PUBLISHED = 5e-4
"""Worked examples are given to three or four figures."""
KPC_LY = 1000 * LY_PER_PC


@pytest.mark.parametrize(("albedo", "km"), [(0.25, 66.8), (0.05, 149.3), (0.5, 47.2)])
def test_diameter_of_h_8(albedo, km):
    """D = 1329/sqrt(p) 10^(-H/5), worked for H 8."""
    assert body_diameter(8.0, albedo=albedo).value == pytest.approx(km, abs=0.05)


def test_diameter_without_an_albedo_has_limits():
    """H 8, albedo 0.05 to 0.25: 66.8 to 149.3 km by the same law."""
    fact = body_diameter(8.0)
    assert (round(fact.low, 1), round(fact.high, 1)) == (66.8, 149.3)


def test_distance_by_hubbles_law():
    """c z / H0 with z = 0.01 and H0 = 67.66 km/s/Mpc is 44.3 Mpc, 144.5 million light years."""
    fact = distance_from_redshift(0.01, "catalogue")
    assert fact.value / 1e6 == pytest.approx(299_792.458 * 0.01 / 67.66 * 3.261564, rel=1e-5)
    assert fact.low < fact.value < fact.high
    with pytest.raises(InputError, match="gives no distance"):
        distance_from_redshift(0.2, "catalogue")


def test_speed_of_a_body_that_runs_an_au_across_in_a_day():
    """149,597,870.7 km in 86,400 s."""
    speed = relative_speed_km_s(1.0, 1.0, 1.0, np.degrees(1.0) * 3600 / 24, 24)
    assert speed.value == pytest.approx(149_597_870.7 / 86_400)


def test_light_time_of_one_au():
    assert light_time_s(1.0).value == pytest.approx(499.004783836, abs=1e-9)


@pytest.mark.parametrize(("arcmin", "kpc", "size_kpc"), [(10.0, 10_000.0, 29.09), (190.0, 765.0, 42.28)])
def test_size_of_an_object(arcmin, kpc, size_kpc):
    size = object_size_ly(arcmin, kpc * KPC_LY, "worked example").value / KPC_LY
    assert size == pytest.approx(size_kpc, rel=TOL_PUBLISHED)


def test_ratio_of_a_large_spiral_to_a_large_minor_planet():
    """Common practice, no source: a little under 1,000 km against 160,000 light years is of order 10^15."""
    ratio = 160_000 * 9.4607e12 / 950
    assert 15 <= np.log10(ratio) < 16
    assert number_text(ratio).endswith("thousand million million")


@pytest.fixture(scope="module")
def night(sample_data):
    frames = [read_frame(path) for path in sorted(sample_data.glob("iris_*.fits.fz"))]
    orbits = read_orbits(sample_data / "orbit.ecsv")
    return frames, NBodyEphemeris(orbits), find_object("IC 4603")


@pytest.fixture(scope="module")
def facts(night):
    frames, ephemeris, outline = night
    found = frame_facts(frames) + body_facts(frames, ephemeris, "7", h=5.64, source="orbit of the sample")
    found += object_facts(
        outline, distance_ly=450.0, distance_error_ly=20.0, distance_source="worked example"
    )
    return found + pass_facts(frames, ephemeris, "7", outline, found, source="orbit of the sample")


def by_key(facts):
    return {fact.key: fact for fact in facts}


def test_the_pass_is_the_known_one(facts):
    """Geocentric by the JPL kernel: 3.7 arcmin on 2027-05-04 at 22:36 UT, 28.8 arcsec/h, 1.96 au."""
    known = by_key(facts)
    assert known["least_separation"].value == pytest.approx(3.7, abs=0.15)
    assert known["least_separation_time"].value.startswith("2027-05-04 22:")
    assert known["body_distance_au"].value == pytest.approx(1.96, abs=0.005)
    assert known["motion_per_hour"].value == pytest.approx(28.8, abs=1.5)


def test_facts_hang_together(facts):
    known = by_key(facts)
    assert known["body_distance_km"].value == pytest.approx(known["body_distance_au"].value * AU_KM)
    assert known["exposure"].value == pytest.approx(120 + 600 + 900 + 1200 + 600 + 120)
    light_years_in_s = 450.0 * 365.25 * 86_400
    assert known["times_nearer"].value == pytest.approx(
        light_years_in_s / known["body_light_time"].value, rel=1e-6
    )


def test_every_fact_has_a_source_and_a_known_name(facts):
    assert all(fact.source and fact.formula for fact in facts)
    assert {fact.key for fact in facts} <= KEYS
    assert set(yaml.safe_load(facts_yaml(facts))) == {fact.key for fact in facts}


def test_the_site_is_rounded_unless_allowed(night):
    assert by_key(frame_facts(night[0]))["place"].value == "about 23\u00b0 south, 20\u00b0 east"
    assert "20.50" in by_key(frame_facts(night[0], exact_place=True))["place"].value


def test_a_figure_without_a_source_is_refused(night):
    with pytest.raises(InputError, match="source"):
        Fact("mass", 3.0, "kg", "weighed", " ")
    with pytest.raises(InputError, match="--distance-source"):
        object_facts(night[2], distance_ly=450.0)


def test_without_a_distance_nothing_rests_on_one(night):
    frames, ephemeris, outline = night
    found = body_facts(frames, ephemeris, "7", h=None) + object_facts(outline)
    found += pass_facts(frames, ephemeris, "7", outline, found)
    known = by_key(found)
    assert not {"object_distance", "object_size", "times_nearer", "size_ratio", "body_diameter"} & set(known)
    text = captions_text(found, read_template(), markdown=False, known=KEYS)
    assert "{" not in text
    assert "light years" not in text


@pytest.mark.parametrize("length", ["short", "medium", "long"])
def test_three_lengths(facts, length):
    text = caption(facts, read_template()[length], known=KEYS)
    assert "IC 4603" in text
    assert "nan" not in text.split()


def test_longer_is_longer(facts):
    lengths = [len(caption(facts, read_template()[name], known=KEYS)) for name in ("short", "medium", "long")]
    assert lengths == sorted(lengths)


def test_a_misspelt_fact_is_told(facts):
    with pytest.raises(InputError, match="distanze"):
        caption(facts, ["It is {distanze} away."], known=KEYS)


@pytest.mark.parametrize("text", ["no section at all", "## tiny\nwords", "{body} first\n## short\n"])
def test_wrong_templates_are_told(text):
    with pytest.raises(InputError, match="short"):
        parse_template(text)


def test_an_estimate_says_about():
    assert value_text(body_diameter(8.0)).startswith("about")
    measured = body_diameter(None, measured_km=200.0, measured_error_km=7.0, measured_source="published")
    assert value_text(measured) == "200 km (193 to 207 km)"


def test_every_number_says_how_sure_it_is(facts):
    numbers = [fact for fact in facts if isinstance(fact.value, float)]
    assert len(numbers) > 10
    assert all(error_text(fact) for fact in numbers)
    with pytest.raises(InputError, match="error"):
        Fact("mass", 3.0, "kg", "weighed", "scales")


def test_the_orbits_ellipse_stands_beside_its_figures(facts):
    """The sample's orbit has a covariance."""
    assert "1 sigma" in by_key(facts)["least_separation"].uncertainty
    assert "1 sigma" in by_key(facts)["body_distance_km"].uncertainty


@pytest.mark.parametrize(("width", "words"), [(20.0, "in front of"), (2.0, "close to"), (None, "close to")])
def test_in_front_only_if_the_path_is_inside_the_outline(night, width, words):
    """The body stays 3.7 arcmin from the middle: inside a circle 20 arcmin wide, outside one of 2."""
    frames, ephemeris, outline = night
    circle = replace(outline, kind="circle", major_arcmin=width, minor_arcmin=width)
    known = by_key(pass_facts(frames, ephemeris, "7", circle, []))
    assert known["passing"].value == words


@pytest.mark.parametrize(
    ("got", "expected"),
    [
        (rounded(123.456), 123.0),
        (rounded(123.456, 0.0, 250.0), 120.0),
        (rounded(0.0), 0.0),
        (number_text(1234567.0), "1.23 million"),
        (number_text(12.5), "12.5"),
        (number_text(3e9), "3 thousand million"),
        (number_text(0.31), "0.31"),
        (value_text(body_diameter(8.0)), "about 100 km (66.8 to 149 km)"),
        (value_text(light_time_s(1.96)), "16.3 minutes"),
        (error_text(body_diameter(8.0)), "66.8 to 149 km"),
        (error_text(light_time_s(1.96)), "that of the distance"),
        (degrees_text(-22.7, "north", "south"), "about 23\u00b0 south"),
        (orbit_error_text(0.0213), "that of the orbit: on the sky 0.021\u2033 (1 sigma)"),
        (orbit_error_text(float("nan")), "that of the orbit, which has no covariance"),
        (size_comparison(3e7), "were the first a grain of sand of 1 mm, the second would be 30 km wide"),
        (
            size_comparison(1.5e15),
            "were the first a grain of sand of 1 mm, the second would be 1.5 thousand million km wide, "
            "10 times the distance of the Sun",
        ),
        (parse_template("# note\n## short\n{body} by {object}.\n"), {"short": ["{body} by {object}."]}),
    ],
)
def test_figures_in_words(got, expected):
    """No more digits than are known, no more words than are needed."""
    assert got == expected


@pytest.mark.parametrize(
    ("value", "unit", "said"),
    [
        (81.0, "s", "81 seconds"), (1800.0, "s", "30 minutes"), (9000.0, "s", "2.5 hours"),
        (0.02, "hours", "1.2 minutes"), (0.4, "arcmin", "24\u2033"),
    ],
)  # fmt: skip
def test_units_that_make_a_number_one_to_speak_of(value, unit, said):
    assert value_text(Fact("x", value, unit, "formula", "source", uncertainty="none")) == said

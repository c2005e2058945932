"""Facts against figures from outside; sentences only for what is known."""

from dataclasses import replace

import numpy as np
import pytest
import yaml

from appulse.bodies import measured_diameter, starter_orbits
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
    share_text,
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
from appulse.captions.picture_facts import (
    body_facts,
    check_in_view,
    frame_facts,
    object_facts,
    orbit_error_text,
    pass_facts,
)
from appulse.catalogues.deepsky import find_object
from appulse.constants import AU_KM
from appulse.errors import InputError
from appulse.frames.reading import read_frame
from appulse.workflows import GivenFigures, gather_facts, open_bodies

TOL_PUBLISHED = 5e-4
"""Worked examples are given to three or four figures."""
KPC_LY = 1000 * LY_PER_PC


@pytest.mark.parametrize(("albedo", "km"), [(0.25, 66.8), (0.05, 149.3), (0.5, 47.2)])
def test_diameter_of_h_8(albedo, km):
    """D = 1329/sqrt(p) 10^(-H/5) (Fowler & Chillemi 1992, IRAS Minor Planet Survey), worked for H 8."""
    assert body_diameter(8.0, albedo=albedo).value == pytest.approx(km, abs=0.05)


def test_diameter_without_an_albedo_has_limits():
    """H 8, albedo 0.05 to 0.25: 66.8 to 149.3 km by the same law."""
    fact = body_diameter(8.0)
    assert (round(fact.low, 1), round(fact.high, 1)) == (66.8, 149.3)


def test_distance_by_hubbles_law():
    """c z / H0 with z = 0.01 and H0 = 67.66 km/s/Mpc is 44.3 Mpc, 144.5 million light years.

    H0: Planck Collaboration 2020, A&A 641, A6; a parsec (IAU 2015, B2) is 3.261564 light years.
    """
    fact = distance_from_redshift(0.01, "catalogue")
    assert fact.value / 1e6 == pytest.approx(299_792.458 * 0.01 / 67.66 * 3.261564, rel=1e-5)
    assert fact.low < fact.value < fact.high
    with pytest.raises(InputError, match="gives no distance"):
        distance_from_redshift(0.2, "catalogue")


def test_speed_of_a_body_that_runs_an_au_across_in_a_day():
    """149,597,870.7 km in 86,400 s."""
    speed = relative_speed_km_s(1.0, 1.0, 1.0, np.degrees(1.0) * 3600 / 24, 24)
    assert speed.value == pytest.approx(149_597_870.7 / 86_400)


def test_the_speed_follows_from_the_figures_beside_it(facts):
    """By the fact's own formula, to the digits of its inputs."""
    speed = by_key(facts)["relative_speed"]
    inputs = speed.inputs
    across = np.radians(inputs["motion_arcsec_h"] / 3600) / 3600 * inputs["distance_au"] * AU_KM
    assert speed.value == pytest.approx(np.hypot(inputs["range_rate_km_s"], across), rel=1e-9)


def test_light_time_of_one_au():
    """The IAU's 149,597,870.7 km (Resolution B2 of 2012) over the SI's 299,792.458 km/s."""
    assert light_time_s(1.0).value == pytest.approx(499.004783836, abs=1e-9)


@pytest.mark.parametrize(("arcmin", "kpc", "size_kpc"), [(10.0, 10_000.0, 29.09), (190.0, 765.0, 42.28)])
def test_size_of_an_object(arcmin, kpc, size_kpc):
    """Plane geometry, 2 d tan(angle / 2), worked by hand: 10,000 kpc and 10 arcmin, 765 kpc and 190."""
    size = object_size_ly(arcmin, kpc * KPC_LY, "worked example").value / KPC_LY
    assert size == pytest.approx(size_kpc, rel=TOL_PUBLISHED)


def test_ratio_of_a_large_spiral_to_a_large_minor_planet():
    """Common practice, no source: a little under 1,000 km against 160,000 light years is of order 10^15."""
    ratio = 160_000 * 9.4607e12 / 950
    assert 15 <= np.log10(ratio) < 16
    assert number_text(ratio) == "1.59 × 10^15"


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
        (number_text(3e9), "3 billion"),
        (number_text(9.999e14), "1 × 10^15"),
        (share_text(0.184), "about a fifth of the width"),
        (share_text(0.02), "about 2 % of the width"),
        (share_text(1.0), "about the width"),
        (share_text(2.31), "about 2.3 times the width"),
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
            "were the first a grain of sand of 1 mm, the second would be 1.5 billion km wide, "
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


@pytest.mark.parametrize(("pick", "said"), [([0], "after the last frame"), ([-1], "before the first frame")])
def test_a_least_separation_outside_the_series_says_so(night, pick, said):
    """The body comes nearest at 22:36 UT; the first frame ends before, the last begins after."""
    frames, ephemeris, outline = night
    some = [frames[i] for i in pick]
    known = by_key(pass_facts(some, ephemeris, "7", outline, []))
    assert known["least_separation_time"].value.endswith(said)


def test_what_is_not_in_the_frames_is_refused(night):
    frames, ephemeris, outline = night
    check_in_view(frames, ephemeris, "7", outline)
    with pytest.raises(InputError, match=r"NGC 4565 is in none of the 6 frames.*in the field: .*IC 4604"):
        check_in_view(frames, ephemeris, "7", find_object("NGC 4565"))
    with pytest.raises(InputError, match=r"\(1\) Ceres is in none of the 6 frames"):
        check_in_view(frames, NBodyEphemeris([starter_orbits().select("1")]), "1", name="(1) Ceres")


def test_a_measured_diameter_wins_over_one_from_h(sample_data):
    """(7) is 199.83 km by IRAS (Tedesco et al. 2004); from H alone it came out as 310 (210 to 470) km."""
    frames = sorted(sample_data.glob("iris_*.fits.fz"))[:1]
    known = by_key(gather_facts(frames, open_bodies("7", sample_data / "orbit.ecsv")).facts)
    assert known["body_diameter"].value == pytest.approx(199.83)
    assert "Tedesco" in known["body_diameter"].source
    own = gather_facts(frames, open_bodies("7", sample_data / "orbit.ecsv"), given=GivenFigures(albedo=0.28))
    assert by_key(own.facts)["body_diameter"].value != pytest.approx(199.83)
    assert measured_diameter(123456) is None
    assert measured_diameter(None) is None

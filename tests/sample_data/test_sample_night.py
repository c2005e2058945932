"""The sample night: its truth stands without appulse, and its files are those that the generator makes."""

import ast
import hashlib
import importlib
import sys
from types import SimpleNamespace

import numpy as np
import pytest
import yaml
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.io import fits
from astropy.table import Table
from astropy.time import Time

MODULES = ("scenario", "truth", "sky", "make_sample")
MAX_BYTES = 12_000_000

TOL_UT1_DEG = 1e-8
"""UT1 of the night is a prediction; when it is known, the site will have moved some metres: 4e-9 degrees."""

TOL_SKYFIELD_MAS = 0.5
"""Skyfield's Earth leaves polar motion out: ten metres, 0.01 mas here; the rest is UT1 and delta T tables."""

ROUNDED = {"ra": 9, "dec": 9, "ra_error": 4, "dec_error": 4, "parallax": 4, "pmra": 3, "pmdec": 3,
           "phot_g_mean_mag": 3, "ref_epoch": 1, "ra_true": 9, "dec_true": 9, "mag_true": 3}  # fmt: skip
"""Decimals of the star table's columns and of the answers; the other answers have four."""

TOL_LAST_DIGIT = 1.01
"""Mathematical libraries differ in the last bit, which turns a number on a rounding edge by one digit."""

TOL_ADU, MAX_SHARE_OFF = 1, 5e-6
"""The same, where a pixel's value lies on the edge of rounding to whole ADU: a few in a million, by one."""

TOL_CARD = 1e-12
"""Relative, of a header's numbers: sines and cosines of the frame's rotation, by the processor at hand."""

# JPL DE440 and SB441-N16, geocentric, 2027-05-04 22:36 UTC: from IC 4603's centre, rate, delta.
JPL_SEPARATION_ARCMIN, JPL_RATE_ARCSEC_H, JPL_DELTA_AU = 3.7, 28.8, 1.96
IC_4603 = SkyCoord("16h25m24.48s -24d28m06.1s")  # OpenNGC


@pytest.fixture(scope="module")
def generator(sample_data):
    """The generator's modules, imported from their folder and forgotten afterwards."""
    sys.path.insert(0, str(sample_data))
    try:
        yield SimpleNamespace(**{name: importlib.import_module(name) for name in MODULES})
    finally:
        sys.path.remove(str(sample_data))
        for name in MODULES:
            sys.modules.pop(name, None)


@pytest.fixture(scope="module")
def kernels(generator):
    found = generator.truth.Kernels(generator.truth.PLANETS, generator.truth.ASTEROIDS)
    yield found
    found.close()


@pytest.fixture(scope="module")
def truth_table(sample_data):
    return Table.read(sample_data / "truth.ecsv")


@pytest.fixture(scope="module")
def made_again(generator, tmp_path_factory):
    """The first frame, the stars and the answers, made afresh."""
    folder = tmp_path_factory.mktemp("sample")
    generator.make_sample.make(folder, only="iris_1")
    return folder


def test_checksums(sample_data):
    listed = dict(reversed(line.split()) for line in (sample_data / "SHA256SUMS").read_text().splitlines())
    found = {name: hashlib.sha256((sample_data / name).read_bytes()).hexdigest() for name in listed}
    assert found == listed
    assert sum(name.endswith(".fits.fz") for name in listed) == 6


def test_size(sample_data):
    assert sum(path.stat().st_size for path in sample_data.iterdir() if path.is_file()) <= MAX_BYTES


def last_digit(name):
    return TOL_LAST_DIGIT * 10.0 ** -ROUNDED.get(name, 4)


def test_stars_are_those_of_the_seed(sample_data, made_again):
    stored, again = (Table.read(folder / "stars.ecsv") for folder in (sample_data, made_again))
    assert (again.colnames, dict(again.meta)) == (stored.colnames, dict(stored.meta))
    for table in (stored, again):
        assert (np.diff(table["phot_g_mean_mag"]) >= 0).all()
        table.sort("source_id")  # stars of one magnitude may stand the other way round
    for name in stored.colnames:
        assert again[name].unit == stored[name].unit
        np.testing.assert_allclose(again[name], stored[name], rtol=0, atol=last_digit(name), err_msg=name)


def test_answers_are_those_of_the_seed(sample_data, made_again):
    texts = [(folder / "answers.yaml").read_text(encoding="utf-8") for folder in (sample_data, made_again)]
    comments = [[line for line in text.splitlines() if line.startswith("#")] for text in texts]
    assert comments[1] == comments[0]
    stored, again = map(yaml.safe_load, texts)
    frames, frames_again = stored.pop("frames"), again.pop("frames")
    assert (again, list(frames_again)) == (stored, list(frames))
    for frame, answers in frames.items():
        assert list(frames_again[frame]) == list(answers)
        for name, value in answers.items():
            wanted = value if isinstance(value, str) else pytest.approx(value, rel=0, abs=last_digit(name))
            assert frames_again[frame][name] == wanted, (frame, name)


def test_pixels_are_those_of_the_seed(sample_data, made_again):
    stored, again = (fits.getdata(folder / "iris_1.fits.fz", "FRAME") for folder in (sample_data, made_again))
    assert (again.dtype, again.shape) == (stored.dtype, stored.shape)
    off = np.abs(again.astype(int) - stored)
    assert off.max() <= TOL_ADU
    assert (off > 0).mean() <= MAX_SHARE_OFF


def test_header_is_that_of_the_scenario(sample_data, made_again):
    stored, again = (fits.getheader(at / "iris_1.fits.fz", "FRAME") for at in (sample_data, made_again))
    assert [(card.keyword, card.comment) for card in again.cards] == [
        (card.keyword, card.comment) for card in stored.cards
    ]
    for card, wanted in zip(again.cards, stored.cards, strict=True):
        same = pytest.approx(wanted.value, rel=TOL_CARD) if isinstance(wanted.value, float) else wanted.value
        assert card.value == same, card.keyword


@pytest.mark.parametrize("name", MODULES)
def test_the_generator_does_not_use_appulse(sample_data, name):
    tree = ast.parse((sample_data / f"{name}.py").read_text(encoding="utf-8"))
    imported = {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    imported |= {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert not any(module.partition(".")[0] == "appulse" for module in imported)


def test_truth_is_that_of_the_kernels(generator, kernels, truth_table):
    time = Time(list(truth_table["time"]), scale="utc")
    again = generator.truth.places(kernels, time, generator.truth.site_km(time))
    np.testing.assert_allclose(again["ra"], truth_table["ra"], atol=TOL_UT1_DEG, rtol=0)
    np.testing.assert_allclose(again["dec"], truth_table["dec"], atol=TOL_UT1_DEG, rtol=0)


def test_truth_agrees_with_skyfield(generator, truth_table):
    from skyfield.api import load, wgs84
    from skyfield.jpllib import SpiceKernel

    scenario = generator.scenario
    planets, asteroids = SpiceKernel(generator.truth.PLANETS), SpiceKernel(generator.truth.ASTEROIDS)
    site = wgs84.latlon(scenario.SITE_LAT_DEG, scenario.SITE_LON_DEG, elevation_m=scenario.SITE_HEIGHT_M)
    moments = load.timescale(builtin=True).from_astropy(Time(list(truth_table["time"]), scale="utc"))
    body = planets["sun"] + next(one for one in asteroids.segments if one.target == generator.truth.TARGET)
    ra, dec, _ = (planets["earth"] + site).at(moments).observe(body).radec()
    theirs = SkyCoord(ra.hours * u.hourangle, dec.degrees * u.deg)
    ours = SkyCoord(truth_table["ra"], truth_table["dec"], unit="deg")
    planets.close()
    asteroids.close()
    assert ours.separation(theirs).to_value(u.mas).max() < TOL_SKYFIELD_MAS


def test_pass_is_the_one_of_the_jpl_kernels(generator, kernels):
    time = Time(["2027-05-04T22:06:00", "2027-05-04T22:36:00", "2027-05-04T23:06:00"], scale="utc")
    table = generator.truth.places(kernels, time, np.zeros((3, len(time))))
    place = SkyCoord(table["ra"], table["dec"], unit="deg")
    assert place[1].separation(IC_4603).to_value(u.arcmin) == pytest.approx(JPL_SEPARATION_ARCMIN, abs=0.05)
    assert place[0].separation(place[2]).to_value(u.arcsec) == pytest.approx(JPL_RATE_ARCSEC_H, abs=0.1)
    assert table["delta"][1] == pytest.approx(JPL_DELTA_AU, abs=0.005)


def test_answers_say_what_the_scenario_put_in(sample_data, generator):
    answers = yaml.safe_load((sample_data / "answers.yaml").read_text(encoding="utf-8"))
    assert answers["clock_offset_s"] == generator.scenario.CLOCK_ERROR_S
    for frame in answers["frames"].values():
        late = (Time(frame["time_true"]) - Time(frame["time_recorded"])).sec
        assert late == pytest.approx(generator.scenario.CLOCK_ERROR_S, abs=1e-3)
        assert frame["along_plate"] / frame["rate"] * 3600 == pytest.approx(late, abs=0.1)

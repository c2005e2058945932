"""Measuring without a screen: one frame, a night, progress, cancelling, what fails, what goes to a folder."""

import pickle
from pathlib import Path

import numpy as np
import pytest
from astropy.table import Table

from appulse.bodies.kernels import EARTH, SUN, default_kernels
from appulse.errors import DesignationError, FrameError, InputError, OutputExistsError, TableError
from appulse.formats.ades.files import read_ades
from appulse.frames import read_frame
from appulse.observers.site import SpacecraftVector
from appulse.observers.timescales import parse_utc, tdb_days
from appulse.workflows import (
    AdesChoice,
    MeasuredNight,
    NightOutputs,
    example_frame,
    example_night,
    measure_frame,
    measure_night,
    measure_to_folder,
    night_provenance,
    observation_options,
    open_bodies,
    open_bodies_of_file,
    open_stars,
    save_night,
    surroundings_of,
)
from appulse.workflows.export import frame_drawer, from_the_earth

TOL_NOISE_ARCSEC = 1.0
"""Pixels of 12 arcsec, S/N above 100: a tenth of an arcsec is the error, ten of them no accident."""


@pytest.fixture(scope="module")
def iris():
    return open_bodies("7")


@pytest.fixture(scope="module")
def frame():
    return example_frame()


@pytest.fixture(scope="module")
def paths(tmp_path_factory):
    return example_night(tmp_path_factory.mktemp("night"), 3)


# --- sources


def test_orbits_and_positions_exclude_each_other(tmp_path):
    with pytest.raises(InputError, match="two sources"):
        open_bodies("7", orbits=tmp_path / "a.csv", positions=tmp_path / "b.csv")


def test_a_night_keeps_no_pixels_and_its_plates_serve_again(paths, iris):
    whole = measure_frame(read_frame(paths[0]), iris)
    kept = measure_night(paths, iris).measured
    largest = max(len(pickle.dumps(one_frame.plate.survey)) for one_frame in kept)
    assert largest < 0.1 * whole.plate.survey.pixels.nbytes
    again = measure_frame(read_frame(paths[0]), iris, plate=kept[0].plate)
    assert again.residuals[0].row() == whole.residuals[0].row()
    np.testing.assert_array_equal(again.plate.survey.bad_kinds, whole.plate.survey.bad_kinds)


def test_a_name_that_is_not_there_is_one_error_and_not_one_for_each_frame(iris):
    with pytest.raises(DesignationError):
        open_bodies("99999999")
    with pytest.raises(DesignationError):
        iris.of("no such body")


def positions(frame, path, **columns):
    row = open_bodies("7").in_frame(frame)[0]
    table = Table({"designation": ["7"], "ra": [row["ra"].value], "dec": [row["dec"].value], **columns})
    table.write(path)
    return path


def test_a_file_is_orbits_or_positions_by_its_columns(frame, tmp_path, sample_data):
    places = open_bodies_of_file(positions(frame, tmp_path / "anything.ecsv"))
    assert (places.catalogue, places.one_moment, places.find("7")) == (None, True, "7")
    orbits = open_bodies_of_file(sample_data / "orbit.ecsv")
    assert orbits.catalogue is not None
    assert orbits.label == "orbit.ecsv"
    assert open_bodies_of_file(None).label == "bundled starter set"


def test_positions_of_one_moment_serve_one_frame_only(frame, tmp_path, paths):
    places = open_bodies(positions=positions(frame, tmp_path / "p.ecsv"))
    assert measure_night(paths[:1], places).residuals[0].seen
    with pytest.raises(TableError, match="no column 'time'"):
        measure_night(paths[:2], places)


def test_the_same_source_asked_for_one_body_reads_nothing_again(iris):
    both = open_bodies()
    assert both.of("7").ephemeris is both.ephemeris
    assert both.of("7").names == ("7",)


# --- one frame


def test_a_frame_is_measured_as_its_stars_and_orbit_have_it(frame, iris):
    measured = measure_frame(frame, iris, surroundings=surroundings_of(iris))
    (residual,), (identity,) = measured.residuals, measured.identities
    assert np.hypot(residual.dra_cosdec, residual.ddec) < TOL_NOISE_ARCSEC
    assert abs(identity.magnitude_difference) < 3 * identity.magnitude_sigma
    assert any("zero point" in words for words in measured.notes)


def test_a_plate_that_is_known_is_not_looked_at_again(frame, iris, monkeypatch):
    plate = measure_frame(frame, iris).plate
    monkeypatch.setattr("appulse.astrometry.plate.check_plate", None)
    again = measure_frame(frame, iris, plate=plate, min_snr=1e5)
    assert again.plate is plate
    assert "needed" in again.residuals[0].flag


def test_a_frame_without_time_or_site_says_what_it_lacks(frame, iris):
    from dataclasses import replace

    with pytest.raises(FrameError, match="no time"):
        measure_frame(replace(frame, exposure=None), iris)
    with pytest.raises(FrameError, match="no site"):
        measure_frame(replace(frame, observer=None), iris)


# --- a night


def test_progress_and_each_follow_the_frames(paths, iris):
    steps, seen = [], []
    night = measure_night(
        [*paths[:2], Path("none.fits")],
        iris,
        each=lambda result: seen.append(result.name),
        progress=lambda words, done, total: steps.append((words, done, total)),
    )
    assert steps == [("measuring", done, 3) for done in range(4)]
    assert seen == ["example_1.fits", "example_2.fits", "none.fits"]
    assert [failed.path.name for failed in night.failed] == ["none.fits"]
    assert (night.total, night.stopped, night.without_body) == (3, False, [])
    assert night.verdict.cause == "all well"


def test_what_was_measured_before_cancelling_is_kept(paths, iris):
    begun = []
    night = measure_night(paths, iris, each=begun.append, cancelled=lambda: len(begun) >= 1)
    assert night.stopped
    assert [measured.name for measured in night.measured] == ["example_1.fits"]


def test_a_fault_of_the_program_costs_one_frame_unless_it_is_looked_for(paths, iris, monkeypatch):
    from appulse.workflows import measuring

    def fail(frame, *args, **options):
        raise KeyError("odd")

    monkeypatch.setattr(measuring, "measure_frame", fail)
    monkeypatch.delenv("APPULSE_DEBUG", raising=False)
    night = measure_night(paths[:1], iris)
    assert "unexpected KeyError" in night.failed[0].reason
    monkeypatch.setenv("APPULSE_DEBUG", "1")
    with pytest.raises(KeyError):
        measure_night(paths[:1], iris)


# --- to a folder


def test_a_night_goes_to_a_folder_whole(paths, iris, tmp_path):
    outputs = NightOutputs(tmp_path / "m", frozenset({"psv", "evidence", "pictures"}))
    saved = measure_to_folder(paths, iris, open_stars(), outputs, min_snr=5.0)
    names = {path.name for path in saved.written}
    assert names == {path.name for path in (tmp_path / "m").iterdir()}
    assert {"residuals.ecsv", "verdict.yaml", "residuals.psv", "evidence.html", "example_1.png"} <= names
    assert saved.table.meta["options"] == {"body": "7", "min_snr": 5.0}
    assert len(read_ades(tmp_path / "m" / "residuals.psv")[0].rows) == 3
    with pytest.raises(OutputExistsError):
        measure_to_folder(paths, iris, open_stars(), outputs)


@pytest.mark.parametrize("kinds", [{"pictures", "evidence"}, {"pdf"}, {"pictures"}])
def test_a_frame_is_drawn_once_for_both_its_pictures(kinds, paths, iris, monkeypatch):
    from appulse.reports import picture

    drawn, draw = [], picture.frame_picture
    monkeypatch.setattr(picture, "frame_picture", lambda *one, **more: drawn.append(1) or draw(*one, **more))
    frame = read_frame(paths[0])
    pictures = frame_drawer(iris, kinds)(frame, [])
    begins = {"picture": b"\x89PNG", "small": b"\xff\xd8"}
    wanted = {"pictures": "picture", "evidence": "small", "pdf": "small"}
    assert set(pictures) == {wanted[kind] for kind in kinds}
    assert len(drawn) == 1
    assert all(content.startswith(begins[name]) for name, content in pictures.items())


def test_nothing_is_written_of_frames_that_all_fail(iris, tmp_path):
    saved = measure_to_folder([Path("none.fits")], iris, open_stars(), NightOutputs(tmp_path / "m"))
    assert saved.table is None
    assert not (tmp_path / "m").exists()


def test_frames_measured_one_by_one_are_saved_like_a_night(frame, iris, tmp_path):
    """As a viewer does it: measured on the screen, written when the user says so."""
    night = MeasuredNight((measure_frame(frame, iris, surroundings=surroundings_of(iris)),), total=1)
    about = night_provenance(night, iris, open_stars(), site="8.5,50,120")
    saved = save_night(night, NightOutputs(tmp_path), about)
    assert sorted(path.name for path in saved.written) == ["residuals.ecsv", "verdict.yaml"]
    assert "8.5,50" not in (tmp_path / "residuals.ecsv").read_text(encoding="utf-8")


def test_a_site_without_a_code_stays_private_and_a_spacecraft_does_not(frame, iris):
    from appulse.astrometry.residual import residual_table
    from appulse.observers.site import Site

    table = residual_table(measure_frame(frame, iris).residuals)
    home = Site.parse("8.5,50,120")
    craft = SpacecraftVector("far", frame.exposure.mid, (1e-4, 0.0, 0.0), (0.0, 0.0, 0.0), origin="earth")
    options, notes = observation_options(table, {"a": home, "b": craft}, AdesChoice())
    assert list(options["observers"]) == ["b"]
    assert any("draft" in words for words in notes)
    options, _ = observation_options(table, {"a": home}, AdesChoice(disclose_site=True))
    assert list(options["observers"]) == ["a"]


def test_a_vector_from_the_sun_becomes_one_from_the_earth():
    """Against the kernel's own places, by hand: craft - Earth = (craft - Sun) + Sun - Earth."""
    time = parse_utc("2027-05-05T03:00:00")
    places, speeds = default_kernels().major(np.atleast_1d(tdb_days(time)))
    off, drift = np.array([0.001, -0.002, 0.0005]), np.array([1e-4, 2e-4, -1e-4])
    origin = {"sun": (places[0, SUN], speeds[0, SUN]), "ssb": (np.zeros(3), np.zeros(3))}
    for name, (place, speed) in origin.items():
        vector = (places[0, EARTH] + off - place, speeds[0, EARTH] + drift - speed)
        craft = from_the_earth(SpacecraftVector("far", time, *map(tuple, vector), origin=name))
        assert craft.origin == "earth"
        np.testing.assert_allclose(craft.position_au, off, atol=1e-14)
        np.testing.assert_allclose(craft.velocity_au_d, drift, atol=1e-14)

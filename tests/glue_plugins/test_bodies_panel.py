"""Bodies in a frame: listed, chosen, added as tracks; from orbits and from tables of places."""

import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from glue.core.data_factories import load_data

from appulse.workflows import BodySource
from glue_appulse import inputs
from glue_appulse.data import track_data
from glue_appulse.data.kinds import OUTLINES, TRACK, all_of
from glue_appulse.data.solved_frames import frame_of
from glue_appulse.layers.track_layer import TrackLayerArtist
from glue_appulse.layers.track_model import TrackModel

#: The sample's WCS is off by an arcsecond on purpose and its clock by 95 s; the prediction itself is not.
TOL_TRUTH_ARCSEC = 0.05


@pytest.fixture
def first(sample_data, registered):
    return load_data(str(sample_data / "iris_1.fits.fz"))


@pytest.fixture(scope="module")
def iris(sample_data):
    return inputs.open_orbits(sample_data / "orbit.ecsv")


def test_the_body_of_the_night_is_listed(first, iris):
    found = track_data.bodies_in(frame_of(first), iris)
    assert [body.key for body in found] == ["7"]
    assert found[0].rate == pytest.approx(29.0, abs=0.1)
    assert found[0].mag == pytest.approx(10.0, abs=0.3)


def test_a_fainter_limit_is_needed_for_a_faint_body(first, iris):
    assert track_data.bodies_in(frame_of(first), iris, limit_mag=9.0) == []


def test_the_track_goes_through_the_true_places(first, iris, sample_data):
    from astropy.table import Table
    from astropy.time import Time

    tracks, lines = track_data.make_tracks(iris, [first], ["7"])
    assert not lines
    truth = Table.read(sample_data / "truth.ecsv")
    model = TrackModel.from_data(tracks[0])
    times = Time(truth["time"].astype(str)).utc.mjd
    near = (times > model.curve.start) & (times < model.curve.end)
    ours = SkyCoord(*model.at(times[near]), unit="deg")
    theirs = SkyCoord(truth["ra"][near], truth["dec"][near], unit="deg")
    assert near.sum() > 3
    assert ours.separation(theirs).arcsec.max() < TOL_TRUTH_ARCSEC


def test_the_place_of_the_frame_is_the_ephemeris_itself(first, iris):
    tracks, _lines = track_data.make_tracks(iris, [first], ["7"])
    place = TrackModel.from_data(tracks[0]).places[0]
    frame = frame_of(first)
    row = iris.ephemeris.at(frame.exposure.mid, frame.observer, bodies=["7"])
    assert place.ra == pytest.approx(row["ra"][0].value, abs=1e-10)
    assert place.frame == frame.checksum


def test_places_of_one_moment_make_a_track_without_a_line(first, tmp_path):
    table = tmp_path / "places.csv"
    table.write_text("designation,ra,dec\n(7) Iris,246.39,-24.41\n")
    source = inputs.open_orbits(table)
    tracks, lines = track_data.make_tracks(source, [first], [source.find("(7) iris")])
    assert not lines
    model = TrackModel.from_data(tracks[0])
    assert model.curve is None
    assert (model.places[0].ra, model.places[0].dec) == pytest.approx((246.39, -24.41))


@pytest.mark.needs_qt
def test_the_panel_lists_and_adds(app, first, sample_data, monkeypatch):
    monkeypatch.setattr(inputs, "_choices", inputs.Choices(orbits=str(sample_data / "orbit.ecsv")))
    from qtpy.QtCore import Qt

    from glue_appulse.qt.add_overlays import open_bodies

    app.data_collection.append(first)
    dialog = open_bodies(app.session)
    assert dialog.search().wait()
    assert dialog.table.rowCount() == 1
    assert float(dialog.table.item(0, 2).text()) == pytest.approx(29.0, abs=0.1)
    dialog.table.item(0, 0).setCheckState(Qt.Checked)
    assert dialog.add_chosen().wait()
    assert [track.label for track in all_of(app.data_collection, TRACK)] == ["(7) Iris"]
    viewer = app.viewers[0][0]
    assert any(isinstance(layer, TrackLayerArtist) for layer in viewer.layers)
    assert "added (7)" in dialog.status.text()


@pytest.mark.needs_qt
def test_an_unknown_name_is_told_and_nothing_added(app, first, sample_data, monkeypatch):
    monkeypatch.setattr(inputs, "_choices", inputs.Choices(orbits=str(sample_data / "orbit.ecsv")))
    from glue_appulse.qt.add_overlays import open_bodies

    app.data_collection.append(first)
    dialog = open_bodies(app.session)
    dialog.name_line.setText("no such body")
    assert dialog.add_named() is None
    assert "no such body" in dialog.status.text()
    assert not all_of(app.data_collection, TRACK)


@pytest.mark.needs_qt
def test_outlines_are_added_within_limits(app, first):
    from glue_appulse.qt.add_overlays import open_outlines

    app.data_collection.append(first)
    dialog = open_outlines(app.session)
    assert dialog.add().wait()
    names = set(all_of(app.data_collection, OUTLINES)[0]["name"])
    assert {"IC 4603", "IC 4604"} <= names
    dialog.larger.setValue(40.0)
    assert dialog.add().wait()
    assert "IC 4603" not in set(all_of(app.data_collection, OUTLINES)[0]["name"])
    assert len(all_of(app.data_collection, OUTLINES)) == 1
    dialog.larger.setValue(0.0)
    dialog.types.choose(["nebula", "galaxy"])
    assert dialog.add().wait()
    assert set(all_of(app.data_collection, OUTLINES)[0]["type"]) <= {"nebula", "galaxy"}
    dialog.types.choose(["globular cluster"])
    assert dialog.add().wait()
    assert "no catalogue object lies in these frames" in dialog.status.text()
    dialog.types.tick_all(False)
    assert dialog.add() is None
    assert "no type is ticked" in dialog.status.text()
    dialog.types.tick_all()
    assert "types" not in dialog.limits()


@pytest.mark.needs_qt
def test_several_types_are_chosen_in_the_style_of_a_layer(app):
    from glue_worlds import make_frame, make_outlines
    from qtpy.QtCore import Qt

    from glue_appulse.qt.desk import add_overlay
    from glue_appulse.qt.style_editors import OutlineEditor

    app.data_collection.append(make_frame())
    (viewer,) = add_overlay(app.session, make_outlines([(246.3, -24.3), (246.5, -24.4)]))
    layer = viewer.layers[-1]
    editor = OutlineEditor(layer)
    assert layer.graphic.visible_objects().tolist() == [True, True]
    galaxies = editor.types.findItems("galaxy", Qt.MatchExactly)[0]
    galaxies.setCheckState(Qt.Unchecked)
    assert layer.state.types == ["reflection nebula"]
    assert layer.graphic.visible_objects().tolist() == [True, False]
    layer.state.types = ["galaxy"]
    assert galaxies.checkState() == Qt.Checked
    row = editor.types.parentWidget()
    row.none_button.click()
    assert editor.types.none_ticked
    assert layer.graphic.visible_objects().tolist() == [True, True]
    galaxies.setCheckState(Qt.Checked)
    assert layer.state.types == ["galaxy"]
    row.all_button.click()
    assert layer.state.types == []
    assert not editor.types.none_ticked


def invented_catalogue(iris_orbits, n=2000):
    """The night's body among minor planets strewn over the main belt."""
    from appulse.bodies.catalogue import OrbitCatalogue
    from appulse.bodies.orbit import Orbit

    rng = np.random.default_rng(11)
    body = iris_orbits.catalogue.orbit(0)
    others = [
        Orbit.from_elements(
            f"{100_000 + i}", body.epoch_jd_tdb, q=rng.uniform(1.9, 3.0), e=rng.uniform(0, 0.2),
            i=rng.uniform(0, 15), node=rng.uniform(0, 360), peri=rng.uniform(0, 360),
            tp=body.epoch_jd_tdb + rng.uniform(-900, 900), h=15.0, g=0.15,
        )
        for i in range(n)
    ]  # fmt: skip
    return OrbitCatalogue.from_orbits([body, *others])


def test_a_large_catalogue_is_searched_by_place(first, iris, monkeypatch):
    from appulse.bodies.ephemeris import NBodyEphemeris

    monkeypatch.setattr(track_data, "LISTED", 1000)
    catalogue = invented_catalogue(iris)
    assert len(catalogue) > track_data.LISTED
    source = BodySource("large", None, NBodyEphemeris(catalogue), catalogue=catalogue)
    frame = frame_of(first)
    found = track_data.bodies_in(frame, source)
    assert "7" in [body.key for body in found]
    small = track_data.bodies_in(frame, iris)[0]
    mine = next(body for body in found if body.key == "7")
    assert (mine.x, mine.y) == pytest.approx((small.x, small.y), abs=1e-3)
    assert mine.name == small.name
    keys = [catalogue.orbit(row).designation for row in range(len(catalogue))]
    every = NBodyEphemeris(catalogue).at(frame.exposure.mid, frame.observer)
    inside = frame.contains(every["ra"].value, every["dec"].value)
    assert sorted(body.key for body in found) == sorted(str(keys[i]) for i in np.flatnonzero(inside))


@pytest.mark.needs_qt
@pytest.mark.needs_shared
def test_hand_drawn_outlines_of_a_file_are_added(app, shared):
    from glue_appulse.qt.add_overlays import open_outlines

    app.data_collection.append(load_data(str(shared / "frames" / "w5-wise12um.fits")))
    dialog = open_outlines(app.session)
    assert dialog.add_file(shared / "outlines" / "nebulae.csv").wait()
    data = all_of(app.data_collection, OUTLINES)[0]
    assert any("1848" in name for name in data["name"])
    viewer = app.viewers[0][0]
    viewer.figure.canvas.draw()
    graphic = viewer.layers[-1].graphic
    inside = graphic.visible_objects()
    assert inside.any()
    assert np.isfinite(graphic.pixels[graphic.model.owner == np.flatnonzero(inside)[0]]).all()


@pytest.mark.needs_qt
def test_facts_of_a_comet_are_those_of_the_command_line(app, sample_data, monkeypatch):
    from qtpy.QtWidgets import QApplication

    from appulse.captions import facts_lines, value_text
    from appulse.workflows import gather_facts, open_bodies
    from glue_appulse.qt.add_overlays import open_bodies as open_panel

    monkeypatch.setattr(inputs, "_choices", inputs.Choices())
    folder = sample_data / "comet"
    paths, orbit = [folder / f"encke_{i}.fits.fz" for i in (1, 6)], folder / "orbit.ecsv"
    app.add_datasets([load_data(str(path)) for path in paths])
    panel = open_panel(app.session)
    panel.use_orbits(str(orbit))
    assert panel.show_facts() is None
    assert "tick a body" in panel.status.text()
    panel.name_line.setText("2P")
    assert panel.show_facts().wait()
    facts = next(panel for cls, panel in app._appulse_panels.items() if cls.__name__ == "FactsPanel")
    wanted = gather_facts(paths, open_bodies("2P", orbit)).facts
    shown = {facts.table.item(row, 0).text(): facts.table.item(row, 1).text()
             for row in range(facts.table.rowCount())}  # fmt: skip
    named = {fact.key.replace("_", " "): value_text(fact) for fact in wanted}
    named["body"] = shown["body"]  # the viewer's words for it
    assert shown == named
    assert {"tail pa", "body mag", "elongation"} <= set(shown)
    assert "tail length" not in shown  # the law of lengths says nothing of a comet as faint as this
    facts.tail_line.setText("0.5")
    assert facts.again().wait()
    by_key = {fact.key: fact for fact in facts.facts}
    assert by_key["tail_angle"].value == pytest.approx(30.0)
    assert by_key["tail_length"].unit == "km"
    facts.copy()
    assert QApplication.clipboard().text() == facts_lines(facts.facts)
    facts.tail_line.setText("long")
    assert facts.again() is None
    assert "a length in degrees" in facts.status.text()

"""Tails of comets as layers: drawn, toggled part by part, kept in sessions, exported."""

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pytest
from astropy.table import Table
from astropy.time import Time
from glue.core import DataCollection
from glue.core.session import Session
from glue.core.state import GlueSerializer, GlueUnSerializer
from glue.viewers.image.viewer import SimpleImageViewer
from glue_worlds import make_frame
from matplotlib.backend_bases import FigureCanvasBase

from appulse.observers import Site
from appulse.workflows import open_bodies, tail_at
from glue_appulse.data.links import link_overlay
from glue_appulse.data.tail_data import tail_data
from glue_appulse.layers.board import LabelBoard
from glue_appulse.layers.script import draw_tail
from glue_appulse.layers.tail_layer import PARTS, TAIL_LOOK, TailLayerArtist, tail_of

mpl.use("Agg")


@pytest.fixture(autouse=True)
def draw_when_asked(monkeypatch):
    monkeypatch.setattr(FigureCanvasBase, "draw_idle", lambda self, *args: None)
    yield
    plt.close("all")


@pytest.fixture(scope="module")
def orbit_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("orbits") / "comet.csv"
    path.write_text(
        "designation,name,epoch,q,e,i,node,peri,tp,M1,K1\n"
        "C/2026 X1,Invented,2461400.5,0.7,1.0,110,40,20,2461430.5,5.5,10\n",
        encoding="utf-8",
    )
    return path


@pytest.fixture(scope="module")
def found(orbit_file):
    return tail_at(Time("2027-01-15T19:00:00"), Site.geocentre(), open_bodies("C/2026 X1", orbit_file))


@pytest.fixture
def viewer(registered, found):
    frame, tail = make_frame(ra=found.tail.ra, dec=found.tail.dec, scale=60.0), tail_data(found)
    collection = DataCollection([frame, tail])
    link_overlay(collection, tail)
    viewer = SimpleImageViewer(Session(data_collection=collection))
    for data in (frame, tail):
        viewer.add_data(data)
    viewer.figure.canvas.draw()
    return viewer


def _artist(viewer):
    return next(layer for layer in viewer.layers if isinstance(layer, TailLayerArtist))


def _pixels(viewer):
    viewer.figure.canvas.draw()
    return np.asarray(viewer.figure.canvas.buffer_rgba())[..., :3].astype(int)


def _words(viewer):
    return {found.label.text for found in LabelBoard.of(viewer.axes).placed}


def test_the_data_set_gives_the_tail_back(found):
    kept = tail_of(tail_data(found))
    assert [curve.label for curve in kept.curves] == [curve.label for curve in found.tail.curves]
    for curve, before in zip(kept.curves, found.tail.curves, strict=True):
        np.testing.assert_allclose(curve.ra, before.ra)
        np.testing.assert_allclose(curve.dec, before.dec)
    assert len(kept.ticks) == len(found.tail.ticks)


def test_lines_are_drawn_with_their_words(viewer, found):
    artist = _artist(viewer)
    before = _pixels(viewer)
    words = _words(viewer)
    assert any(word.startswith("\u03b2") for word in words)
    assert any(word.endswith("km") for word in words)
    artist.state.visible = False
    assert np.abs(_pixels(viewer) - before).max() > 50


@pytest.mark.parametrize("part", [*PARTS, "show_ticks", "show_labels"])
def test_each_part_has_its_own_tick(viewer, part):
    artist = _artist(viewer)
    before = _pixels(viewer)
    setattr(artist.state, part, False)
    assert (_pixels(viewer) != before).any()
    setattr(artist.state, part, True)
    np.testing.assert_allclose(_pixels(viewer), before, atol=1)


def test_what_is_out_of_the_window_is_culled(viewer, found):
    viewer.state.x_min, viewer.state.x_max, viewer.state.y_min, viewer.state.y_max = 5000, 5400, 5000, 5300
    before = _pixels(viewer)
    assert not _words(viewer)
    _artist(viewer).state.visible = False
    assert (_pixels(viewer) == before).all()


def test_a_selection_draws_its_vertices_alone(viewer):
    collection = viewer.session.data_collection
    tail = collection[1]
    collection.new_subset_group("young", tail.id["along"] < 10)
    viewer.add_subset(tail.subsets[0])
    chosen = [layer for layer in viewer.layers if isinstance(layer, TailLayerArtist)][-1]
    viewer.figure.canvas.draw()
    assert 0 < chosen.graphic.chosen.sum() < tail.size


def test_a_session_brings_it_back(found):
    collection = DataCollection([tail_data(found)])
    again = GlueUnSerializer.loads(GlueSerializer(collection).dumps()).object("__main__")
    kept = tail_of(again[0])
    assert kept.curves[-1].label == found.tail.curves[-1].label


def test_an_exported_script_draws_the_same(viewer, found):
    artist = _artist(viewer)
    imports, call = artist._python_exporter(artist)
    assert imports == ["from glue_appulse.layers.script import draw_tail"]
    frame, tail = viewer.session.data_collection[:2]
    figure, axes = plt.subplots()
    axes.set_xlim(0, frame.shape[1])
    axes.set_ylim(0, frame.shape[0])
    assert call.startswith("draw_tail(ax, layer_data, ref_data, ")
    look = {name: getattr(artist.state, name) for name in TAIL_LOOK}
    graphic = draw_tail(axes, tail, frame, **look)
    figure.canvas.draw()
    assert graphic.labels()


def test_the_panel_of_bodies_adds_the_tail_of_a_comet(app, sample_data, orbit_file, tmp_path):
    """From a frame of a comet, by its designation; an asteroid has none."""
    from astropy.io import fits
    from astropy.wcs import WCS
    from glue.core.data_factories import load_data

    from appulse.bodies import predict, read_orbits
    from glue_appulse import inputs
    from glue_appulse.data.kinds import TAILS, all_of
    from glue_appulse.qt.add_overlays import open_bodies as open_panel
    from glue_appulse.qt.desk import show_frames
    from glue_appulse.qt.style_editors import TailEditor

    when, site = "2027-01-15T19:00:00", Site.parse("20.5,-23,1250")
    row = predict(read_orbits(orbit_file), Time(when), site)[0]
    wcs = WCS(naxis=2)
    wcs.wcs.ctype, wcs.wcs.cdelt = ["RA---TAN", "DEC--TAN"], [-20 / 3600, 20 / 3600]
    wcs.wcs.crval, wcs.wcs.crpix = [row["ra"].value, row["dec"].value], [200.5, 150.5]
    header = wcs.to_header()
    header["DATE-OBS"], header["EXPTIME"] = when, 60.0
    header["SITELAT"], header["SITELONG"], header["SITEELEV"] = -23.0, 20.5, 1250.0
    fits.writeto(tmp_path / "f1.fits", np.full((300, 400), 900, "u2"), header)
    frame = load_data(str(tmp_path / "f1.fits"))
    app.data_collection.append(frame)
    viewer = show_frames(app.session, [frame])
    panel = open_panel(app.session)
    before = inputs.chosen().orbits
    try:
        panel.use_orbits(str(orbit_file))
        panel.name_line.setText("C/2026 X1")
        panel.add_tails().wait(60)
        (data,) = all_of(app.data_collection, TAILS)
        assert data.label == "tail of C/2026 X1 (Invented)"
        artist = next(layer for layer in viewer.layers if isinstance(layer, TailLayerArtist))
        editor = TailEditor(artist)
        editor.bool_show_synchrones.setChecked(False)
        assert not artist.state.show_synchrones
        panel.use_orbits(str(sample_data / "orbit.ecsv"))
        panel.name_line.setText("7")
        assert panel.add_tails() is None
        assert "others have no tail" in panel.status.text()
    finally:
        inputs.chosen().orbits = before


def test_the_table_holds_every_vertex(found):
    assert isinstance(found.table, Table)
    assert len(found.table) == sum(len(curve.ra) for curve in found.tail.curves)

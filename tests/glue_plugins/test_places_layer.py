"""Clouds, parallax vectors and nights of several sites in glue: loaded, drawn, in one residual plot."""

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pytest
from astropy.table import QTable
from glue.core import DataCollection
from glue.core.session import Session
from glue.viewers.image.viewer import SimpleImageViewer
from glue_worlds import make_frame
from matplotlib.backend_bases import FigureCanvasBase

from appulse.errors import InputError
from appulse.formats import make_table, write_residuals
from glue_appulse.data.links import link_overlay
from glue_appulse.data.places_data import (
    is_cloud,
    is_sightings,
    load_cloud,
    load_sightings,
    open_nights,
)
from glue_appulse.layers.places_layer import CloudLayerArtist, ParallaxLayerArtist

mpl.use("Agg")
RA, DEC = 246.4, -24.2


@pytest.fixture(autouse=True)
def draw_when_asked(monkeypatch):
    monkeypatch.setattr(FigureCanvasBase, "draw_idle", lambda self, *args: None)
    yield
    plt.close("all")


@pytest.fixture
def cloud_file(tmp_path):
    rng = np.random.default_rng(1)
    table = QTable({
        "night": np.repeat([1, 2], 40), "time": np.repeat(["2027-05-05T22:00:00", "2027-05-06T22:00:00"], 40),
        "member": np.tile(np.arange(40), 2), "ra": RA + np.repeat([0.0, 0.02], 40) + rng.normal(0, 0.003, 80),
        "dec": DEC + rng.normal(0, 0.003, 80),
    })  # fmt: skip
    table.write(tmp_path / "cloud.ecsv", format="ascii.ecsv")
    return tmp_path / "cloud.ecsv"


@pytest.fixture
def sightings_file(tmp_path):
    table = QTable({
        "site": ["south", "south", "north", "north"], "time": ["2027-05-04T22:00:00"] * 4,
        "ra": [RA, RA + 0.002, RA, RA + 0.002], "dec": [DEC - 0.02] * 2 + [DEC + 0.02] * 2,
        "ra_middle": [RA, RA + 0.002] * 2, "dec_middle": [DEC] * 4,
    })  # fmt: skip
    table.write(tmp_path / "sightings.ecsv", format="ascii.ecsv")
    return tmp_path / "sightings.ecsv"


def shown(data):
    """A viewer of a frame with an overlay, and its pixels without and with it."""
    frame = make_frame(ra=RA, dec=DEC, scale=1.0)
    collection = DataCollection([frame, data])
    link_overlay(collection, data)
    viewer = SimpleImageViewer(Session(data_collection=collection))
    viewer.add_data(frame)

    def pixels():
        viewer.figure.canvas.draw()
        return np.asarray(viewer.figure.canvas.buffer_rgba())[..., :3].astype(int).copy()

    before = pixels()
    viewer.add_data(data)
    return viewer, before, pixels()


def test_a_cloud_is_dots_with_their_dates(registered, cloud_file, sightings_file):
    assert is_cloud(cloud_file)
    assert not is_cloud(sightings_file)
    viewer, before, after = shown(load_cloud(cloud_file))
    artist = next(layer for layer in viewer.layers if isinstance(layer, CloudLayerArtist))
    assert np.any(before != after, axis=2).sum() > 300
    assert {label.text for label in artist.graphic.labels()} == {"2027-05-05", "2027-05-06"}


def test_parallax_vectors_lead_from_the_middle_to_each_place(registered, sightings_file, cloud_file):
    assert is_sightings(sightings_file)
    assert not is_sightings(cloud_file)
    data = load_sightings(sightings_file)
    viewer, before, after = shown(data)
    artist = next(layer for layer in viewer.layers if isinstance(layer, ParallaxLayerArtist))
    assert {label.text for label in artist.graphic.labels()} == {"south", "north"}
    changed = np.argwhere(np.any(before != after, axis=2))
    assert np.ptp(changed[:, 0]) > np.ptp(changed[:, 1])  # the vectors stand upright
    subset = data.new_subset()
    subset.subset_state = data.id["Dec"] > DEC
    viewer.add_subset(subset)
    chosen = [layer for layer in viewer.layers if isinstance(layer, ParallaxLayerArtist)][-1]
    assert list(dict.fromkeys(chosen.graphic.columns["text"])) == ["north"]


def night(folder, east):
    rows = [
        {"frame": f"{k}.fits", "time": f"2027-05-04T22:0{k}:00", "designation": "433", "ra_obs": RA,
         "dec_obs": DEC, "dra_cosdec": east, "ddec": 0.1 * k, "sigma_ra": 0.1, "sigma_dec": 0.1, "flag": ""}
        for k in range(3)
    ]  # fmt: skip
    folder.mkdir()
    return write_residuals(make_table(rows, {"stations": {}}), folder / "residuals.ecsv")


def test_two_nights_share_one_table_with_a_selection_each(registered, tmp_path):
    collection = DataCollection()
    paths = [night(tmp_path / name, east) for name, east in (("south", 0.5), ("north", -0.5))]
    assert open_nights(collection, paths) == ["south", "north"]
    (data,) = collection
    assert data.size == 6
    assert len(set(data.get_component("frame").labels)) == 6  # both cameras counted alike
    for group, east in zip(collection.subset_groups, (0.5, -0.5), strict=True):
        chosen = np.asarray(data["dra_cosdec"])[group.subsets[0].to_mask()]
        assert chosen.tolist() == [east] * 3
    colours = {group.style.color for group in collection.subset_groups}
    assert len(colours) == 2
    with pytest.raises(InputError, match="two or more"):
        open_nights(collection, paths[:1])


@pytest.mark.needs_qt
def test_the_residual_viewer_shows_both_nights_and_the_layers_have_editors(
    app, tmp_path, cloud_file, sightings_file
):
    from glue_appulse.qt import menus
    from glue_appulse.qt.desk import show_frames

    collection = app.session.data_collection
    paths = [night(tmp_path / name, east) for name, east in (("south", 0.5), ("north", -0.5))]
    viewer = menus._nights(app.session, collection, paths)
    assert viewer.data.size == 6
    colours = viewer.colours()
    assert len(set(colours[:3])) == len(set(colours[3:])) == 1
    assert colours[0] != colours[3]
    assert menus._nights(app.session, collection, paths[:1]) is None
    frame = make_frame(ra=RA, dec=DEC, scale=1.0)
    collection.append(frame)
    for path in (cloud_file, sightings_file):
        app.load_data(str(path))
    show_frames(app.session, [frame])
    from glue_appulse.qt.overlay_sync import overlays_for

    assert {data.label for data in overlays_for(app.session, frame)} >= {"cloud", "sightings"}

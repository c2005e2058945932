"""Layers drawn by glue-core's own image viewer, without Qt."""

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from glue.core import DataCollection
from glue.core.session import Session
from glue.viewers.image.viewer import SimpleImageViewer
from glue_worlds import make_frame, make_outlines, make_track
from matplotlib.backend_bases import FigureCanvasBase

from glue_appulse.data.links import frame_links, link_overlay
from glue_appulse.layers.board import LabelBoard
from glue_appulse.layers.outline_layer import OutlineLayerArtist
from glue_appulse.layers.track_layer import TrackLayerArtist, TrackSubsetArtist

mpl.use("Agg")

#: Round-off of the projection's own arithmetic and of SIP's iteration.
TOL_PROJECTION_PX = 1e-6

SKIES = {
    "north up": {},
    "rotated": {"rotation": 37.0},
    "mirrored": {"mirrored": True, "rotation": -120.0},
    "sip": {"sip": True},
    "0h": {"ra": 0.02, "dec": 5.0},
    "pole": {"ra": 40.0, "dec": 89.6},
    "sin": {"ctype": "SIN"},
}


@pytest.fixture(autouse=True)
def draw_when_asked(monkeypatch):
    """Without an event loop matplotlib would draw at once whenever anything changes."""
    monkeypatch.setattr(FigureCanvasBase, "draw_idle", lambda self, *args: None)
    yield
    plt.close("all")


def view(frames, overlays):
    """A viewer with frames and overlays, drawn once."""
    collection = DataCollection([*frames, *overlays])
    collection.add_link(frame_links(collection))
    for overlay in overlays:
        link_overlay(collection, overlay)
    viewer = SimpleImageViewer(Session(data_collection=collection))
    viewer.register_to_hub(collection.hub)
    for data in [*frames, *overlays]:
        viewer.add_data(data)
    viewer.figure.canvas.draw()
    return viewer


def artist_of(viewer, cls):
    return next(layer for layer in viewer.layers if isinstance(layer, cls))


@pytest.fixture
def simple(registered):
    return view([make_frame()], [make_track(rate_deg_d=(-0.9, 0.25))])


def pixels(viewer):
    viewer.figure.canvas.draw()
    return np.asarray(viewer.figure.canvas.buffer_rgba())[..., :3].astype(int)


@pytest.mark.parametrize("sky", SKIES)
def test_track_vertices_are_where_skycoord_puts_them(registered, sky):
    options = SKIES[sky]
    ra, dec = options.get("ra", 246.4), options.get("dec", -24.3)
    frame, track = make_frame(**options), make_track(ra=ra, dec=dec)
    graphic = artist_of(view([frame], [track]), TrackLayerArtist).graphic
    x, y = SkyCoord(track["RA"], track["Dec"], unit="deg").to_pixel(frame.coords)
    near = np.hypot(x - 200, y - 150) < 400
    assert near.sum() > 100
    np.testing.assert_allclose(
        graphic.vertices[near], np.column_stack([x, y])[near], atol=TOL_PROJECTION_PX, rtol=0
    )


@pytest.mark.parametrize("sky", SKIES)
def test_outline_vertices_are_where_skycoord_puts_them(registered, sky):
    options = SKIES[sky]
    ra, dec = options.get("ra", 246.4), options.get("dec", -24.3)
    frame = make_frame(**options)
    graphic = artist_of(view([frame], [make_outlines([(ra, dec)], size_deg=0.1)]), OutlineLayerArtist).graphic
    sky_ring = graphic.model.vertices
    x, y = SkyCoord(sky_ring[:, 0], sky_ring[:, 1], unit="deg").to_pixel(frame.coords)
    np.testing.assert_allclose(graphic.pixels, np.column_stack([x, y]), atol=TOL_PROJECTION_PX, rtol=0)


def test_a_galactic_frame_shows_the_track_in_its_own_axes(registered):
    here = SkyCoord(246.4, -24.3, unit="deg")
    frame = make_frame(ra=here.galactic.l.deg, dec=here.galactic.b.deg, system="galactic")
    graphic = artist_of(view([frame], [make_track()]), TrackLayerArtist).graphic
    np.testing.assert_allclose(graphic.vertices[120], [199.5, 149.5], atol=TOL_PROJECTION_PX)


def test_what_lies_behind_the_sky_is_left_out_and_the_rest_drawn(registered):
    overlay = make_outlines([(246.4, -24.3), (66.4, 24.3), (150.0, 60.0)])
    viewer = view([make_frame()], [overlay])
    artist = artist_of(viewer, OutlineLayerArtist)
    assert artist.enabled
    assert artist.graphic.visible_objects().tolist() == [True, False, False]


def test_toggling_a_layer_changes_the_picture_and_back(simple):
    with_track = pixels(simple)
    artist_of(simple, TrackLayerArtist).state.visible = False
    without = pixels(simple)
    artist_of(simple, TrackLayerArtist).state.visible = True
    again = pixels(simple)
    assert np.abs(with_track.astype(int) - without).max() > 50
    np.testing.assert_allclose(again.astype(int), with_track, atol=1)  # of 256 levels


def test_the_line_is_painted_where_the_body_passes(simple):
    graphic = artist_of(simple, TrackLayerArtist).graphic
    x, y = simple.axes.transData.transform(graphic.vertices[60])
    image = pixels(simple)
    patch = image[image.shape[0] - round(y) - 3 : image.shape[0] - round(y) + 2, round(x) - 2 : round(x) + 3]
    # '#ffb000' has red far above blue; noise in grey has not
    assert (patch[..., 0] - patch[..., 2]).max() > 100


def test_lines_and_symbols_keep_their_size_on_a_fine_screen(registered):
    outlines = make_outlines([(246.3, -24.1), (246.5, -24.3)], size_deg=0.05)
    viewer = view([make_frame()], [make_track(rate_deg_d=(-0.9, 0.25)), outlines])
    track, ovals = artist_of(viewer, TrackLayerArtist).state, artist_of(viewer, OutlineLayerArtist).state
    track.show_labels = track.show_name = ovals.show_names = False
    shares = {track: [], ovals: []}
    for dpi in (100, 200):
        viewer.figure.dpi = dpi
        for state, share in shares.items():
            state.visible = True
            with_layer = pixels(viewer)
            state.visible = False
            share.append((with_layer != pixels(viewer)).any(-1).mean())
            state.visible = True
    for share in shares.values():
        assert share[1] == pytest.approx(share[0], rel=0.15)


def test_the_picture_stays_open_where_the_body_is_predicted(simple):
    graphic = artist_of(simple, TrackLayerArtist).graphic
    artist_of(simple, TrackLayerArtist).state.show_ellipse = False
    x, y = simple.axes.transData.transform(graphic.vertices[120])
    image = pixels(simple)
    patch = image[image.shape[0] - round(y) - 5 : image.shape[0] - round(y) + 4, round(x) - 4 : round(x) + 5]
    assert (patch[..., 0] - patch[..., 2]).max() < 20


def test_labels_never_overlap_however_many_bodies(registered):
    bodies = [
        make_track(f"({i}) body", ra=246.4 + 0.04 * (i - 6), dec=-24.3 + 0.02 * (i - 6), rate_deg_d=(-1, 0.2))
        for i in range(12)
    ]
    viewer = view([make_frame()], bodies)
    board = LabelBoard.of(viewer.axes)
    boxes = np.array([box for _label, box, _leader in board.placed])
    assert len(boxes) > 12
    for i, box in enumerate(boxes):
        others = np.delete(boxes, i, axis=0)
        apart = (
            (others[:, 0] >= box[2])
            | (others[:, 2] <= box[0])
            | (others[:, 1] >= box[3])
            | (others[:, 3] <= box[1])
        )
        assert apart.all()


def test_ticks_refine_under_zoom_and_stay_on_whole_steps(simple):
    board = LabelBoard.of(simple.axes)
    coarse = {label.text for label, *_ in board.placed}
    assert "2027-05-05" in coarse
    simple.state.x_min, simple.state.x_max = 190, 210
    simple.figure.canvas.draw()
    fine = {label.text for label, *_ in board.placed}
    assert any(text.endswith(("5", "15", "30", "45")) for text in fine - coarse)


def test_the_place_is_marked_only_while_its_frame_is_shown(registered):
    frames = [make_frame("frame-1"), make_frame("frame-2", seed=2)]
    viewer = view(frames, [make_track(frames=("frame-1", "frame-2"))])
    board = LabelBoard.of(viewer.axes)
    names = lambda: sum(label.text == "(7) Iris" for label, *_ in board.placed)  # noqa: E731
    assert names() == 2
    viewer.layers[1].state.visible = False
    viewer.figure.canvas.draw()
    assert names() == 1


def test_changing_the_reference_frame_redraws_exactly(registered):
    frames = [make_frame("frame-1"), make_frame("frame-2", rotation=90.0, scale=5.0)]
    track = make_track()
    viewer = view(frames, [track])
    viewer.state.reference_data = frames[1]
    graphic = artist_of(viewer, TrackLayerArtist).graphic
    x, y = SkyCoord(track["RA"], track["Dec"], unit="deg").to_pixel(frames[1].coords)
    np.testing.assert_allclose(graphic.vertices, np.column_stack([x, y]), atol=TOL_PROJECTION_PX)


def test_a_stretch_selected_in_time_lights_up_its_rows(simple):
    track = simple.session.data_collection[1]
    simple.session.data_collection.new_subset_group("evening", track.id["MJD (UTC)"] < 61529.9)
    artist = artist_of(simple, TrackSubsetArtist)
    assert artist.graphic.chosen.sum() == (track["MJD (UTC)"] < 61529.9).sum() > 0


def test_a_box_in_the_picture_selects_the_rows_inside(simple):
    from glue.core.roi import RectangularROI

    track = simple.session.data_collection[1]
    simple.apply_roi(RectangularROI(150, 199.5, 100, 200))
    x = artist_of(simple, TrackLayerArtist).graphic.vertices[:, 0]
    mask = track.subsets[0].to_mask()
    np.testing.assert_array_equal(mask, (x > 150) & (x < 199.5))
    assert mask.any()


def test_limits_hide_small_and_faint_objects(registered):
    viewer = view([make_frame()], [make_outlines([(246.3, -24.3), (246.4, -24.4), (246.5, -24.2)])])
    artist = artist_of(viewer, OutlineLayerArtist)
    artist.state.types = ["galaxy"]
    assert artist.graphic.visible_objects().tolist() == [False, True, False]
    artist.state.types, artist.state.max_magnitude = [], 8.0
    assert artist.graphic.visible_objects().tolist() == [False, True, False]
    artist.state.max_magnitude, artist.state.min_size = 99.0, 7.0
    assert not artist.graphic.visible_objects().any()


def test_without_a_celestial_wcs_the_layer_says_why(registered):
    from glue.core import Data

    plain = Data(label="plain", pixels=np.zeros((10, 10)))
    track = make_track()
    viewer = SimpleImageViewer(Session(data_collection=DataCollection([plain, track])))
    viewer.add_data(plain)
    viewer.add_data(track)
    assert "no celestial WCS" in artist_of(viewer, TrackLayerArtist).disabled_message


def test_every_class_that_earlier_sessions_name_is_found(registered):
    from glue.core.state import lookup_class_with_patches

    from glue_appulse.host import SESSION_PATHS

    for before, now in SESSION_PATHS.items():
        found = lookup_class_with_patches(before)
        assert f"{found.__module__}.{found.__qualname__}" == now

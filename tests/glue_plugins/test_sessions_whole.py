"""A whole night's desk saved and brought back: with the data inside, by path, and as a Python script."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from glue.core.data_factories import load_data

from glue_appulse import inputs, measurements
from glue_appulse.data import residual_data, track_data
from glue_appulse.data.kinds import FRAME, OUTLINES, RESIDUALS, TRACK, all_of
from glue_appulse.data.solved_frames import frame_of

pytestmark = pytest.mark.needs_qt

#: Steps of grey that an eye takes for the same, and the share of pixels on the edges of lines and letters,
#: which a window's size, restored to the pixel but not below, smears otherwise.
VISIBLE_STEP, SHARE_OF_EDGES = 24, 0.003


@pytest.fixture
def desk(app, sample_data, monkeypatch):
    """Two frames, outlines, the track, a measured row, a selection."""
    from glue_appulse.data.outline_data import objects_of, outlines_data
    from glue_appulse.qt.desk import add_overlay, add_tracks, show_frames
    from glue_appulse.qt.measure_panel import PutRows

    orbits, stars = (str(sample_data / name) for name in ("orbit.ecsv", "stars.ecsv"))
    monkeypatch.setattr(inputs, "_choices", inputs.Choices(orbits=orbits, stars=stars))
    frames = [load_data(str(sample_data / f"iris_{i}.fits.fz")) for i in (1, 4)]
    app.add_datasets(frames)
    app.viewer = show_frames(app.session, frames)
    add_overlay(app.session, outlines_data(objects_of(frames)))
    add_tracks(app.session, track_data.make_tracks(inputs.open_orbits(orbits), frames, ["7"])[0])
    measured = measurements.measure(measurements.Task(frames[0], "7", orbits, stars))
    app.session.command_stack.do(PutRows(table=measured.table))
    track = all_of(app.data_collection, TRACK)[0]
    app.data_collection.new_subset_group("evening", track.id["MJD (UTC)"] < track["MJD (UTC)"][60])
    return app


def grab(viewer):
    viewer.figure.canvas.draw()
    return np.asarray(viewer.figure.canvas.buffer_rgba())[..., :3].astype(int)


@pytest.mark.parametrize("how", [{"include_data": True}, {"absolute_paths": True}, {"absolute_paths": False}])
def test_everything_comes_back_and_looks_the_same(desk, tmp_path, how):
    before = grab(desk.viewer)
    path = tmp_path / "night.glu"
    desk.save_session(str(path), **how)
    again = desk.restore_session(str(path), show=False)
    try:
        collection = again.data_collection
        assert [len(all_of(collection, kind)) for kind in (FRAME, TRACK, OUTLINES, RESIDUALS)] == [2, 1, 1, 1]
        assert (
            frame_of(collection[0]).exposure.mid.isot == frame_of(desk.data_collection[0]).exposure.mid.isot
        )
        assert len(residual_data.table_of(all_of(collection, RESIDUALS)[0])) == 1
        track = all_of(collection, TRACK)[0]
        assert track.subsets[0].to_mask().sum() == 60
        viewer = again.viewers[0][0]
        viewer.viewer_size = desk.viewer.viewer_size
        apart = np.abs(grab(viewer) - before).max(axis=2)
        assert (apart > VISIBLE_STEP).mean() < SHARE_OF_EDGES
    finally:
        again.close()


def test_a_session_of_the_layout_before_the_data_room_comes_back(app, sample_data, monkeypatch):
    """Saved on 2026-11-28, when all modules lay at the root; only the folder's name is changed."""
    monkeypatch.setenv("APPULSE_FRAMES", str(sample_data))
    again = app.restore_session(str(Path(__file__).parent / "sessions/before_data_room.glu"), show=False)
    try:
        collection = again.data_collection
        assert [len(all_of(collection, kind)) for kind in (FRAME, TRACK, OUTLINES, RESIDUALS)] == [2, 1, 1, 1]
        frame, track = all_of(collection, FRAME)[1], all_of(collection, TRACK)[0]
        assert frame_of(frame).exposure is not None
        assert np.isfinite(frame["pixels"]).all()
        assert track.subsets[0].to_mask().sum() == 60
        image, residuals = again.viewers[0]
        drawn = {type(layer).__name__ for layer in image.layers}
        assert {"OutlineLayerArtist", "TrackLayerArtist", "TrackSubsetArtist", "MarkLayerArtist"} <= drawn
        assert type(residuals).__name__ == "ResidualViewer"
        assert len(residual_data.table_of(residuals.data)) == 1
    finally:
        again.close()


def test_the_script_of_the_whole_desk_runs_and_draws_it(desk, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    grab(desk.viewer)
    desk.viewer.export_as_script("picture.py")
    text = (tmp_path / "picture.py").read_text()
    assert all(name in text for name in ("draw_track", "draw_stretch", "draw_outlines", "draw_marks"))
    done = subprocess.run(
        [sys.executable, "picture.py"], capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 0, done.stderr
    from matplotlib.image import imread

    drawn = imread(tmp_path / "glue_plot.png")[..., :3]
    # the track's orange and the nebulae's violet, neither of which a grey picture has
    assert (drawn[..., 0] - drawn[..., 2] > 0.5).sum() > 50
    assert (drawn[..., 2] - drawn[..., 1] > 0.25).sum() > 100

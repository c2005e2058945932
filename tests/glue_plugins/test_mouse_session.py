"""From frames to a saved session with mouse and keys alone, and back again."""

import shutil
from pathlib import Path

import mouse_session
import numpy as np
import pytest
import yaml

from glue_appulse import inputs
from glue_appulse.data import residual_data, solved_frames
from glue_appulse.data.kinds import FRAME, OUTLINES, RESIDUALS, TRACK, all_of


@pytest.mark.needs_qt
def test_a_night_by_mouse_and_keys_and_back(app, sample_data, tmp_path, monkeypatch, capfd):
    monkeypatch.setattr(inputs, "_choices", inputs.Choices())
    answers = yaml.safe_load((sample_data / "answers.yaml").read_text())["frames"]
    (tmp_path / "frames").mkdir()
    frames = [shutil.copy(sample_data / f"iris_{i}.fits.fz", tmp_path / "frames") for i in (1, 3)]
    frames = [Path(path) for path in frames]
    first = answers[frames[0].name]
    pulse = mouse_session.run(
        app, frames, sample_data / "orbit.ecsv", sample_data / "stars.ecsv", (first["x"], first["y"]),
        tmp_path, monkeypatch,
    )  # fmt: skip
    assert "measure the night" in pulse.gaps
    assert "Traceback" not in capfd.readouterr().err
    assert_restored(app, tmp_path)
    # one frame has gone, and nobody knows where it is: the rest comes back as it was
    frames[1].rename(tmp_path / "elsewhere.fits.fz")
    # and no folder in which another test of this process found a moved frame helps
    monkeypatch.setattr(solved_frames, "_folders", [])
    # what stands in for standard error belongs to the windows of this process's earlier tests
    lines = []
    monkeypatch.setattr(solved_frames, "say", lines.append)
    again = assert_restored(app, tmp_path)
    assert [line.split()[0] for line in lines] == ["iris_3.fits.fz"]
    assert np.isnan(again.data_collection["iris_3.fits.fz"]["pixels"]).all()


def assert_restored(app, folder):
    """Open the session, find everything in it, and close it."""
    again = app.restore_session(str(folder / "night.glu"), show=False)
    try:
        kinds = (FRAME, TRACK, OUTLINES, RESIDUALS)
        assert [len(all_of(again.data_collection, kind)) for kind in kinds] == [2, 1, 1, 1]
        data = residual_data.find(again.data_collection)
        assert data.subsets[0].to_mask().tolist() == [False, True]
        assert {type(viewer).__name__ for viewer in again.viewers[0]} == {"ImageViewer", "ResidualViewer"}
    finally:
        again.close()
    return again

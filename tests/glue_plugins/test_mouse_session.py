"""From frames to a saved session with mouse and keys alone, and back again."""

import mouse_session
import pytest
import yaml

from glue_appulse import inputs
from glue_appulse.data import residual_data
from glue_appulse.data.kinds import FRAME, OUTLINES, RESIDUALS, TRACK, all_of


@pytest.mark.needs_qt
def test_a_night_by_mouse_and_keys_and_back(app, sample_data, tmp_path, monkeypatch, capfd):
    monkeypatch.setattr(inputs, "_choices", inputs.Choices())
    answers = yaml.safe_load((sample_data / "answers.yaml").read_text())["frames"]
    frames = [sample_data / f"iris_{i}.fits.fz" for i in (1, 3)]
    first = answers[frames[0].name]
    pulse = mouse_session.run(
        app, frames, sample_data / "orbit.ecsv", sample_data / "stars.ecsv", (first["x"], first["y"]),
        tmp_path, monkeypatch,
    )  # fmt: skip
    assert "measure the night" in pulse.gaps
    assert "Traceback" not in capfd.readouterr().err
    again = app.restore_session(str(tmp_path / "night.glu"), show=False)
    try:
        kinds = (FRAME, TRACK, OUTLINES, RESIDUALS)
        assert [len(all_of(again.data_collection, kind)) for kind in kinds] == [2, 1, 1, 1]
        data = residual_data.find(again.data_collection)
        assert data.subsets[0].to_mask().tolist() == [False, True]
        assert {type(viewer).__name__ for viewer in again.viewers[0]} == {"ImageViewer", "ResidualViewer"}
    finally:
        again.close()

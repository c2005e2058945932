"""A night with damaged files in the viewer: the others open, the damaged are named, in their own words."""

import shutil
from types import SimpleNamespace

import numpy as np
import pytest
from astropy.io import fits
from glue.core.data_factories import load_data
from glue.core.state import GlueSerializer, GlueUnSerializer

from glue_appulse import desktop
from glue_appulse.data.kinds import FRAME, all_of

pytestmark = pytest.mark.needs_qt


@pytest.fixture
def night(sample_data, tmp_path):
    """Two good frames and, between them by name, what may lie in a folder with them."""
    for number, name in ((1, "a.fits.fz"), (4, "z.fits.fz")):
        shutil.copy(sample_data / f"iris_{number}.fits.fz", tmp_path / name)
    raw = (sample_data / "iris_3.fits.fz").read_bytes()
    (tmp_path / "cut.fits.fz").write_bytes(raw[: len(raw) // 2])
    (tmp_path / "head.fits").write_bytes(raw[:700])
    (tmp_path / "words.fits").write_text("no frame at all")
    (tmp_path / "nothing.fits").touch()
    return tmp_path


DAMAGED = {
    "cut.fits.fz": "the file is cut short",
    "head.fits": "the file is cut short in a header",
    "words.fits": "is not a FITS file",
    "nothing.fits": "the file is empty",
}


def boxes():
    from qtpy.QtWidgets import QApplication, QMessageBox

    QApplication.processEvents()
    return [w for w in QApplication.topLevelWidgets() if isinstance(w, QMessageBox) and w.isVisible()]


def assert_named():
    (box,) = boxes()
    assert not box.isModal()  # it waits for nobody
    lines = box.text().split("\n\n")
    assert [line.split(":")[0] for line in lines] == ["left out"] * len(DAMAGED)
    for (name, words), line in zip(sorted(DAMAGED.items()), lines, strict=True):
        assert f"{name}: {words}" in line
    box.close()
    assert boxes() == []


def chosen_in_the_dialog(application, paths, monkeypatch):
    from glue.config import data_factory
    from glue.core.data_factories import auto_data
    from glue_qt.dialogs.data_wizard import data_wizard_dialog as wizard

    automatic = next(item for item in data_factory if item.function is auto_data)
    monkeypatch.setattr(
        wizard.GlueDataDialog, "_get_paths_and_factory", lambda self: ([str(p) for p in paths], automatic)
    )
    monkeypatch.setattr(wizard.QtWidgets.QMessageBox, "exec_", lambda box: pytest.fail(box.text()), False)
    application._import_helper._choose_load_data_wizard()


def dropped(application, paths, _monkeypatch):
    from qtpy.QtCore import QUrl

    urls = [QUrl.fromLocalFile(str(path)) for path in paths]
    event = SimpleNamespace(mimeData=lambda: SimpleNamespace(urls=lambda: urls), accept=lambda: None)
    application.dropEvent(event)


@pytest.mark.parametrize("way", [chosen_in_the_dialog, dropped])
def test_a_night_with_damaged_files_opens_the_others_and_names_them(app, night, monkeypatch, capsys, way):
    way(app, sorted(night.iterdir()), monkeypatch)
    assert [data.label for data in all_of(app.data_collection, FRAME)] == ["a.fits.fz", "z.fits.fz"]
    assert len(app.data_collection) == 2
    assert_named()
    assert capsys.readouterr().err.count("left out") == len(DAMAGED)  # the console has them as well


def test_the_program_opens_the_others_as_well(needs_qt, registered, night):
    args = desktop.parser().parse_args([*map(str, sorted(night.iterdir())), "--no-outlines"])
    application, _job = desktop.open_window(args)
    try:
        assert len(application.viewers[0]) == 1
        assert len(all_of(application.data_collection, FRAME)) == 2
        assert_named()
    finally:
        application.close()


def test_when_all_are_damaged_the_program_says_so_once(needs_qt, registered, night, capsys):
    assert desktop.main([str(night / name) for name in DAMAGED]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert all(f"{name}: {words}" in line for name, words in DAMAGED.items())


def test_what_is_no_frame_is_opened_without_a_word(app, tmp_path, capsys):
    table = fits.BinTableHDU.from_columns([fits.Column("ra", "D", array=np.arange(3.0))])
    table.writeto(tmp_path / "table.fits")
    fits.writeto(tmp_path / "cube.fits", np.ones((5, 6, 7)))
    for name in ("table.fits", "cube.fits"):
        app.load_data([str(tmp_path / name)])
    assert len(app.data_collection) == 2
    assert boxes() == []
    assert capsys.readouterr().err == ""
    # An image of the sky without a solution is what a user may take for a frame.
    fits.writeto(tmp_path / "unsolved.fits", np.ones((50, 60)))
    app.load_data([str(tmp_path / "unsolved.fits")])
    assert "no celestial WCS" in capsys.readouterr().err


def test_pixels_that_turn_out_damaged_are_blank_and_said_once(app, sample_data, tmp_path):
    from glue_appulse.qt.desk import show_frames

    raw = bytearray((sample_data / "iris_3.fits.fz").read_bytes())
    raw[len(raw) // 3 : len(raw) * 2 // 3] = bytes(range(256)) * (len(raw) // 3 // 256 + 1)
    path = tmp_path / "tiles.fits.fz"
    path.write_bytes(raw)
    data = load_data(str(path))
    app.add_datasets([data])
    viewer = show_frames(app.session, [data])
    viewer.figure.canvas.draw()
    (box,) = boxes()
    assert box.text().count("tiles.fits.fz") == 1
    assert "shown blank" in box.text()
    box.close()
    assert np.isnan(data["pixels", ::64, ::64]).all()


def test_a_session_opens_though_a_frame_was_damaged_since(app, night, capsys):
    app.load_data([str(night / "a.fits.fz"), str(night / "z.fits.fz")])
    saved = GlueSerializer(app.data_collection, absolute_paths=True).dumps()
    path = night / "z.fits.fz"
    path.write_bytes(path.read_bytes()[:9000])
    restored = GlueUnSerializer.loads(saved).object("__main__")
    whole, blank = all_of(restored, FRAME)
    assert np.isfinite(whole["pixels", ::64, ::64]).all()
    assert np.isnan(blank["pixels", ::64, ::64]).all()
    assert "z.fits.fz the file is cut short in a header" in capsys.readouterr().err


def test_a_box_outlives_its_window_until_it_is_read(app):
    from qtpy.QtCore import QCoreApplication, QEvent
    from qtpy.QtWidgets import QApplication, QMainWindow

    from glue_appulse import host

    def gone(window):
        window.deleteLater()
        QCoreApplication.sendPostedEvents(None, QEvent.DeferredDelete)
        QApplication.processEvents()

    first, second, third = (QMainWindow() for _ in range(3))
    first.show()
    host.warn("one frame was left out")
    second.show()
    gone(first)
    (box,) = boxes()
    assert box.text() == "one frame was left out"
    assert box.parentWidget() is second
    box.close()
    third.show()
    gone(second)
    assert boxes() == []
    third.close()

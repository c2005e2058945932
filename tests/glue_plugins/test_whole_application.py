"""The application as its user meets it: plugins, menus, the program, and what is said on failure."""

import subprocess
import sys
import threading

import numpy as np
import pytest
from glue.main import list_loaded_plugins

from glue_appulse import desktop, health, inputs
from glue_appulse.data.kinds import FRAME, OUTLINES, TRACK, all_of
from glue_appulse.layers.outline_layer import OutlineLayerArtist
from glue_appulse.layers.track_layer import TrackLayerArtist


@pytest.fixture
def chosen(monkeypatch):
    monkeypatch.setattr(inputs, "_choices", inputs.Choices())


@pytest.fixture
def words(sample_data):
    """Command line of the sample night."""
    frames = [str(sample_data / f"iris_{i}.fits.fz") for i in (3, 1, 4)]
    return [
        *frames,
        f"--orbits={sample_data / 'orbit.ecsv'}",
        f"--stars={sample_data / 'stars.ecsv'}",
        "--body=all",
    ]


@pytest.mark.needs_qt
def test_every_plugin_is_loaded_by_glue(app):
    assert {point.module for point in health.our_plugins()} <= set(list_loaded_plugins())
    assert health.plugin_problems() == []


@pytest.mark.needs_qt
def test_our_actions_stand_in_the_menu(app):
    labels = {action.text() for action in app._actions["plugins"]}
    assert {"Add tracks: bodies in this frame…", "Add outlines of deep-sky objects…", "Measure…"} <= labels


@pytest.mark.needs_qt
def test_a_plugin_that_fails_is_told_with_its_reason(app, monkeypatch, capsys):
    from importlib.metadata import EntryPoint

    broken = EntryPoint("appulse_broken", "glue_appulse.no_such_module:setup", health.GROUP)
    monkeypatch.setattr(health, "our_plugins", lambda: [broken])
    health.check_desktop()
    assert "appulse_broken is not loaded: ModuleNotFoundError" in capsys.readouterr().err


@pytest.mark.needs_qt
def test_frames_open_through_the_file_menu(app, sample_data, monkeypatch):
    from qtpy import QtWidgets

    path = str(sample_data / "iris_1.fits.fz")
    monkeypatch.setattr(QtWidgets.QFileDialog, "exec_", lambda self: 1, raising=False)
    monkeypatch.setattr(QtWidgets.QFileDialog, "exec", lambda self: 1)
    monkeypatch.setattr(QtWidgets.QFileDialog, "selectedFiles", lambda self: [path])
    app._actions["data_new"].trigger()
    assert [data.label for data in all_of(app.data_collection, FRAME)] == ["iris_1.fits.fz"]


@pytest.mark.needs_qt
def test_the_program_puts_everything_in_place(needs_qt, registered, chosen, words):
    application = desktop.build(desktop.parser().parse_args(words))
    try:
        frames = all_of(application.data_collection, FRAME)
        assert len(frames) == 3
        assert [track.label for track in all_of(application.data_collection, TRACK)] == ["(7) Iris"]
        assert "IC 4603" in set(all_of(application.data_collection, OUTLINES)[0]["name"])
        viewer = application.viewers[0][0]
        kinds = {type(layer) for layer in viewer.layers}
        assert {TrackLayerArtist, OutlineLayerArtist} <= kinds
        shown = [layer.layer.label for layer in viewer.layers if layer.visible and layer.layer in frames]
        assert shown == ["iris_1.fits.fz"]  # the first of the night, whatever the order of the words
    finally:
        application.close()


@pytest.mark.needs_qt
def test_a_site_given_on_the_command_line_reaches_the_frame(needs_qt, registered, chosen, words):
    application = desktop.build(desktop.parser().parse_args([words[0], "--site=X05", "--no-outlines"]))
    try:
        data = all_of(application.data_collection, FRAME)[0]
        assert "Rubin" in data.meta["site"]
    finally:
        application.close()


@pytest.mark.needs_qt
def test_a_second_frame_lies_under_the_same_sky(needs_qt, registered, chosen, words):
    """Frames 1 and 4 stand upside down to each other; shown in one viewer their stars coincide."""
    application = desktop.build(desktop.parser().parse_args([words[1], words[2], "--no-outlines"]))
    try:
        first, second = all_of(application.data_collection, FRAME)
        viewer = application.viewers[0][0]
        layer = next(layer for layer in viewer.layers if layer.layer is second)
        bounds = [(400, 800, 401), (500, 900, 401)]
        drawn = second.compute_fixed_resolution_buffer(
            bounds, target_data=first, target_cid=second.id["pixels"]
        )
        own = first["pixels"][400:801, 500:901]
        good = np.isfinite(drawn)
        assert layer.enabled
        assert np.corrcoef(drawn[good], own[good])[0, 1] > 0.5
    finally:
        application.close()


def run(*command):
    return subprocess.run(
        [sys.executable, *command], capture_output=True, text=True, timeout=120, check=False
    )


def test_the_viewer_refuses_what_is_not_there():
    done = run("-m", "appulse.cli.main", "view", "no_such.fits")
    assert done.returncode == 2
    assert done.stderr == "appulse: no_such.fits does not exist\n"


@pytest.mark.needs_qt
def test_a_file_that_nobody_reads_is_one_line(needs_qt, tmp_path):
    path = tmp_path / "notes.md"
    path.write_text("no frame")
    done = run("-m", "glue_appulse.desktop", str(path))
    assert done.returncode == 2
    assert "notes.md" in done.stderr.splitlines()[-1]
    assert "Traceback" not in done.stderr


def test_without_glue_qt_the_line_names_the_extra(sample_data):
    code = ("import sys, importlib.util as u; find = u.find_spec\n"
            "u.find_spec = lambda name, *a: None if name == 'glue_qt' else find(name, *a)\n"
            "from appulse.cli.main import main\n"
            f"sys.exit(main(['view', {str(sample_data / 'iris_1.fits.fz')!r}]))")  # fmt: skip
    done = run("-c", code)
    assert done.returncode == 2
    assert "pip install 'appulse[desktop]'" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_missing_system_library_is_named_with_the_line_that_brings_it(monkeypatch):
    real = health.importlib.import_module

    def without(name):
        if name.startswith("qtpy"):
            raise ImportError("libEGL.so.1: cannot open shared object file: No such file or directory")
        return real(name)

    monkeypatch.setattr(health.importlib, "import_module", without)
    if health.importlib.util.find_spec("glue_qt") is None:
        pytest.skip("glue-qt is not installed")
    assert health.qt_problem().endswith(health.APT_LINE)
    monkeypatch.setattr(health, "missing", lambda libraries: ["libEGL.so.1"])
    assert health.qt_problem().endswith("apt-get install -y libegl1")
    assert "libEGL.so.1" in health.qt_problem()


@pytest.mark.needs_qt
def test_doctor_finds_nothing_missing(needs_qt):
    done = run("-m", "appulse.cli.main", "doctor")
    assert done.returncode == 0, done.stdout
    wanted = ("plugin appulse_tracks is loaded", "libraries of Qt", "starter orbits", "Earth orientation")
    for line in wanted:
        assert line in done.stdout


def test_only_what_is_missing_is_named(monkeypatch):
    from glue_appulse import health

    lacking = {"libGL.so.1", "libxcb-cursor.so.0"}
    monkeypatch.setattr(health, "_loads", lambda name: name not in lacking)
    monkeypatch.setattr(health.sys, "platform", "linux")
    monkeypatch.delenv("DISPLAY", raising=False)
    found, wrong = health.libraries_state()
    assert wrong == ["system libraries of Qt are missing: libGL.so.1: apt-get install -y libgl1"]
    assert "libxcb-cursor0 (of use with a screen only)" in found[0]
    monkeypatch.setenv("DISPLAY", ":0")
    assert len(health.libraries_state()[1]) == 2


def test_the_network_is_asked_on_request_only(monkeypatch):
    import argparse

    from appulse import services
    from appulse.cli import doctor
    from appulse.errors import ServiceError

    asked = []

    def no_answer(body, *, policy=None):
        asked.append(policy)
        raise ServiceError("the service did not answer")

    monkeypatch.setattr(services, "sbdb_orbit", no_answer)
    monkeypatch.setattr(doctor, "check_viewer", lambda: ([], []))
    assert doctor.run(argparse.Namespace(online=False)) == 0
    assert not asked
    assert doctor.run(argparse.Namespace(online=True)) == 1
    assert asked[0].cache is None


@pytest.mark.needs_qt
def test_the_window_comes_first_and_a_broken_frame_is_left_out(
    needs_qt, registered, chosen, words, tmp_path, capsys, monkeypatch
):
    from glue_appulse.data import track_data

    (tmp_path / "broken.fits").write_bytes(b"no frame")
    begun, go = threading.Event(), threading.Event()
    make = track_data.make_tracks

    def slow(*args, **options):
        begun.set()
        assert go.wait(60)
        return make(*args, **options)

    monkeypatch.setattr(track_data, "make_tracks", slow)
    given = [str(tmp_path / "broken.fits"), words[1], *words[3:4], "--body=7", "--time-shift-s=60"]
    application, job = desktop.open_window(desktop.parser().parse_args(given))
    try:
        assert begun.wait(60)
        assert len(application.viewers[0]) == 1  # there is a picture while the tracks are computed
        frame = all_of(application.data_collection, FRAME)[0]
        assert frame.meta["mid-exposure (UTC)"].startswith("2027-05-04T19:55:37")
        assert all_of(application.data_collection, TRACK) == []
        go.set()
        assert job.wait()
        assert len(all_of(application.data_collection, TRACK)) == 1
        assert "left out: " in capsys.readouterr().err
    finally:
        go.set()
        application.close()


@pytest.mark.needs_qt
def test_a_frame_that_is_dragged_in_is_stretched_so_that_nebulae_show(app, sample_data):
    from glue.core.data_factories import load_data
    from glue_qt.viewers.image import ImageViewer
    from qtpy.QtTest import QTest

    data = load_data(str(sample_data / "iris_1.fits.fz"))
    app.add_datasets([data])
    viewer = app.new_data_viewer(ImageViewer)
    viewer.add_data(data)  # what a drop does
    QTest.qWait(50)
    assert (viewer.layers[0].state.stretch, viewer.layers[0].state.percentile) == ("arcsinh", 99.5)

"""Measuring in the viewer: click, panel, night, residuals; against the sample night's right answers."""

import subprocess
import sys
import threading

import numpy as np
import pytest
import yaml
from glue.core.data_factories import load_data
from matplotlib.backend_bases import KeyEvent, MouseEvent

from glue_appulse import inputs, measurements
from glue_appulse.data import residual_data, track_data
from glue_appulse.data.kinds import RESIDUALS, all_of

#: Five of the measurement's own standard deviations; a sixth of a hair of a 3.6 arcsec pixel.
SIGMAS = 5.0


@pytest.fixture(scope="module")
def answers(sample_data):
    return yaml.safe_load((sample_data / "answers.yaml").read_text())


@pytest.fixture
def sample(sample_data, monkeypatch, registered):
    """Frames of the sample night; sources as its user would choose them."""
    orbits, stars = (str(sample_data / name) for name in ("orbit.ecsv", "stars.ecsv"))
    monkeypatch.setattr(inputs, "_choices", inputs.Choices(orbits=orbits, stars=stars))
    return [load_data(str(sample_data / f"iris_{i}.fits.fz")) for i in (1, 3)]


def task(data):
    chosen = inputs.chosen()
    return measurements.Task(data, "7", chosen.orbits, chosen.stars)


def agrees(measured, answer):
    """Whether the plate-corrected O-C is the answer put in."""
    sigma = np.hypot(measured.number("sigma_ra"), measured.number("sigma_plate_ra"))
    return (abs(measured.number("dra_plate") - answer["dra_plate"]) < SIGMAS * sigma
            and abs(measured.number("ddec_plate") - answer["ddec_plate"]) < SIGMAS * sigma)  # fmt: skip


def test_the_answer_put_in_comes_out(sample, answers):
    measured = measurements.measure(task(sample[0]))
    assert measured.flag == ""
    assert agrees(measured, answers["frames"][sample[0].label])
    assert "σ" in measurements.verdict(measured) or "sigma" in measurements.verdict(measured)


def test_a_frame_without_site_says_what_to_do(sample, tmp_path):
    from astropy.io import fits
    from glue_worlds import SHAPE, make_wcs

    from appulse.errors import FrameError

    fits.writeto(tmp_path / "bare.fits", np.zeros(SHAPE, "f4"), make_wcs().to_header())
    with pytest.raises(FrameError, match=r"bare.fits has no time; give it in"):
        measurements.measure(task(load_data(str(tmp_path / "bare.fits"))))


def test_a_rejected_row_has_a_reason_and_no_numbers(sample):
    row = measurements.rejected(measurements.measure(task(sample[0])), "cloud")
    assert row["flag"][0] == "set aside by the observer: cloud"
    assert row["x"].mask.all()
    assert not row["ra_calc"].mask.any()


def test_a_night_goes_on_where_one_frame_fails_and_can_be_stopped(sample):
    unknown = measurements.Task(sample[0], "no such body", inputs.chosen().orbits)
    measured, lines = measurements.measure_night([unknown, task(sample[1])])
    assert len(measured) == 1
    assert "no such body" in lines[0]

    class Enough(Exception):
        pass

    def stop(done, _total):
        if done == 1:
            raise Enough

    with pytest.raises(Enough):
        measurements.measure_night([task(sample[1])] * 3, stop)


def test_two_processes_measure_the_night_as_one_does(sample):
    unknown = measurements.Task(sample[0], "no such body", inputs.chosen().orbits)
    counts, tasks = [], [task(sample[0]), unknown, task(sample[1])]
    alone, failed = measurements.measure_night(tasks)
    measurements._plates.clear()  # the others start from nothing
    spread, failed_too = measurements.measure_night(tasks, lambda *count: counts.append(count), jobs=2)
    assert failed_too == failed
    assert "no such body" in failed[0]
    assert [m.name for m in spread] == [m.name for m in alone]
    for one, other in zip(alone, spread, strict=True):
        assert list(map(str, one.table[0].values())) == list(map(str, other.table[0].values()))
        assert np.array_equal(one.residual.fit.data, other.residual.fit.data, equal_nan=True)  # the stamp
    assert counts == [(0, 3), (1, 3), (2, 3), (3, 3)]
    stopped, words = measurements.measure_night(tasks, None, lambda: True, jobs=2)
    assert (stopped, words) == ([], ["stopped after 0 of 3: what was measured is kept"])


def test_frames_without_the_body_count_in_the_verdict_of_a_night():
    from types import SimpleNamespace

    from astropy.time import Time

    from appulse.astrometry.prediction import Prediction
    from appulse.astrometry.residual import Residual
    from appulse.workflows import MeasuredFrame

    place = Prediction("7", 246.0, -24.0, 30.0, 0.0, 17.0, np.full((2, 2), np.nan))
    bright = {"seen": True, "dra_cosdec": 0.9, "ddec": -0.7, "covariance": 1e-3 * np.eye(2), "mag_obs": 17.0,
              "snr": 30.0, "plate_offset": np.zeros(2), "plate_covariance": 1e-4 * np.eye(2)}  # fmt: skip
    night = []
    for k in range(5):
        time = f"2027-05-04T22:{10 * k:02d}:00"
        more = bright if k == 2 else {"flag": "not seen", "limit_mag": 18.6, "threshold": 5.0}
        residual = Residual(f"f{k}.fits", time, "7", place, mid=Time(time), search_arcsec=3.0, **more)
        frame = MeasuredFrame(SimpleNamespace(name=residual.frame), None, (residual,))
        night.append(SimpleNamespace(result=frame, found=residual.seen))
    assert measurements.verdict_of_night(night).startswith("An impostor: the light on f2.fits")


def test_what_else_the_dot_could_be_is_said(sample):
    measured = measurements.measure(task(sample[0]))
    assert measured.identity.sentence
    assert measured.identity.sentence in measurements.circumstances(measured)
    assert measurements.doubts_of([measured]) == []


def test_a_body_below_the_least_signal_to_noise_counts_as_not_seen(sample):
    measured = measurements.measure(task(sample[0]))
    asked = measurements.measure(task(sample[0]).again(min_snr=2 * measured.number("snr")))
    assert measured.found
    assert not asked.found
    assert asked.flag


def test_a_spacecraft_is_named_and_goes_into_the_observations(sample, tmp_path):
    from dataclasses import replace

    from appulse.observers.site import SpacecraftVector
    from glue_appulse.data.solved_frames import frame_of, replace_frame

    frame = frame_of(sample[0])
    position, velocity = frame.observer.posvel_au(frame.exposure.mid)  # as if it stood in the site's dome
    there = SpacecraftVector("an orbiter", frame.exposure.mid, position.ravel(), velocity.ravel(), code="250")
    replace_frame(sample[0], replace(frame, observer=there, checksum_source=lambda: frame.checksum))
    measured = measurements.measure(task(sample[0]))
    assert "observer: an orbiter, 6,3" in measurements.circumstances(measured)  # km from the Earth's centre
    data = residual_data.data_of(measurements.joined([measured]))
    measurements.write_residuals_psv(str(tmp_path / "night.psv"), data)
    text = (tmp_path / "night.psv").read_text()
    assert "ICRF_KM" in text or "ICRF_AU" in text
    assert "|250" in text


@pytest.fixture
def desk(app, sample):
    """Application with two frames of the night, the track, and the measuring panel."""
    from glue_appulse.qt.desk import add_tracks, show_frames
    from glue_appulse.qt.measure_panel import open_panel

    app.add_datasets(sample)
    app.viewer = show_frames(app.session, sample)
    tracks, _lines = track_data.make_tracks(inputs.open_orbits(inputs.chosen().orbits), sample, ["7"])
    add_tracks(app.session, tracks)
    app.panel = open_panel(app.session)
    return app


def place(desk, answers):
    x, y = (answers["frames"][desk.data_collection[0].label][name] for name in ("x", "y"))
    desk.viewer.figure.canvas.draw()
    return desk.viewer.axes.transData.transform([x, y])


def click(desk, answers):
    """Click on the body with the tool's button down, and wait for the fit."""
    desk.viewer.toolbar.active_tool = "appulse:measure"
    canvas = desk.viewer.figure.canvas
    event = MouseEvent("button_press_event", canvas, *place(desk, answers), button=1)
    canvas.callbacks.process("button_press_event", event)
    assert desk.panel.job.wait()


@pytest.mark.needs_qt
def test_a_click_measures_the_body_and_accept_keeps_it(desk, answers):
    click(desk, answers)
    assert agrees(desk.panel.current, answers["frames"]["iris_1.fits.fz"])
    assert "±" in desk.panel.numbers.values["dra", residual_data.AS_MEASURED].text()
    assert residual_data.find(desk.data_collection) is None
    desk.panel.accept_button.click()
    table = residual_data.table_of(residual_data.find(desk.data_collection))
    assert table["frame"].tolist() == ["iris_1.fits.fz"]


def press(canvas, key):
    """Press a key as a keyboard does."""
    from qtpy.QtTest import QTest

    QTest.keyClicks(canvas, key)


@pytest.mark.needs_qt
def test_a_key_over_the_body_measures_too(desk, answers):
    canvas = desk.viewer.figure.canvas
    press(canvas, "d")
    assert desk.viewer.toolbar.active_tool.tool_id == "appulse:measure"
    assert "E or Enter" in desk.viewer.statusBar().currentMessage()
    canvas.callbacks.process(
        "key_press_event", KeyEvent("key_press_event", canvas, "e", *place(desk, answers))
    )
    assert desk.panel.job.wait()
    assert desk.panel.current.found
    press(canvas, "d")
    assert desk.viewer.toolbar.active_tool is None


@pytest.mark.needs_qt
def test_no_key_makes_an_axis_of_a_picture_logarithmic(desk, answers):
    canvas, axes = desk.viewer.figure.canvas, desk.viewer.axes
    for key in ("k", "l", "L"):
        at = place(desk, answers)
        event = KeyEvent("key_press_event", canvas, key, *at)
        event.inaxes = axes
        canvas.callbacks.process("key_press_event", event)
        assert (axes.get_xscale(), axes.get_yscale()) == ("linear", "linear")


@pytest.mark.needs_qt
def test_our_keys_are_free_in_glue_and_in_matplotlib(app):
    from glue.config import viewer_tool
    from glue_qt.viewers.image import ImageViewer
    from matplotlib import rcParamsDefault

    from glue_appulse.qt.tools import KEYS, MODE_KEY

    ImageViewer(app.session)  # brings every tool of the image viewer
    of_glue = {
        tool.shortcut.lower()
        for name, tool in viewer_tool.members.items()
        if tool.shortcut and not name.startswith("appulse")
    }
    of_matplotlib = {
        key.lower() for name in rcParamsDefault if name.startswith("keymap.") for key in rcParamsDefault[name]
    }
    assert {"m", "k"} <= of_glue | of_matplotlib
    assert not {MODE_KEY, *KEYS} & (of_glue | of_matplotlib | {"tab", "backspace"})


@pytest.mark.needs_qt
def test_the_reasons_can_be_read_whole(desk):
    box = desk.panel.reason
    longest = max(range(box.count()), key=lambda k: len(box.itemText(k)))
    assert box.view().minimumWidth() >= box.fontMetrics().horizontalAdvance(box.itemText(longest))
    box.setCurrentIndex(longest)
    assert box.itemText(longest) in box.toolTip()
    assert box.lineEdit().cursorPosition() == 0  # its beginning is what shows


@pytest.mark.needs_qt
def test_reject_keeps_the_reason_and_undo_takes_it_back(desk, answers):
    click(desk, answers)
    desk.panel.reason.setCurrentText("double image")
    desk.panel.reject_button.click()
    table = residual_data.table_of(residual_data.find(desk.data_collection))
    assert table["flag"][0] == "set aside by the observer: double image"
    desk.panel.undo_button.click()
    assert residual_data.find(desk.data_collection) is None


@pytest.mark.needs_qt
def test_refit_takes_the_search_radius_and_the_free_trail(desk, answers):
    click(desk, answers)
    desk.panel.reach.setValue(4.0)
    desk.panel.trail.setChecked(True)
    assert desk.panel.refit().wait()
    assert desk.panel.current.task.search_arcsec == 4.0
    assert desk.panel.current.residual.search_arcsec == 4.0
    assert desk.panel.current.residual.fit.trail_sigma is not None


@pytest.mark.needs_qt
def test_refit_with_another_aperture_fits_other_pixels(desk, answers):
    click(desk, answers)
    first = desk.panel.current
    desk.panel.aperture.setValue(4.0)
    desk.panel.refit_button.click()
    assert desk.panel.job.wait()
    second = desk.panel.current
    assert second.task.aperture_px == 4.0
    assert second.residual.fit.data.size < first.residual.fit.data.size
    assert agrees(second, answers["frames"]["iris_1.fits.fz"])


@pytest.mark.needs_qt
def test_a_click_without_a_track_says_what_is_missing(app, sample):
    from glue_appulse.qt.desk import show_frames
    from glue_appulse.qt.measure_panel import open_panel

    app.add_datasets(sample)
    viewer = show_frames(app.session, sample)
    panel = open_panel(app.session)
    assert panel.measure_click(viewer, 100, 100) is None
    assert "add its track first" in panel.status.text()


def one_meaning_everywhere(desk, viewer, measured):
    """Plot, table and panel show the same number for each meaning of O-C, and say which."""
    from glue_appulse.layers.residual_plot import BOTH, PLOTS

    row = 1  # the last frame is the one in the panel
    assert "O−C" in desk.panel.verdict.text()
    assert "O-C" not in desk.panel.verdict.text()
    for plate_off, meaning in ((True, "plate-corrected"), (False, "as measured")):
        viewer.options.bool_plate_off.setChecked(plate_off)
        headers = [viewer.table.horizontalHeaderItem(i).text() for i in range(viewer.table.columnCount())]
        time, body = (viewer.table.item(row, i).text() for i in (1, 2))
        assert (body, time[:11]) == ("(7) Iris", "2027-05-04 ")
        assert f"along\n{meaning}, ″" in headers[3:11]  # the chosen meaning comes first
        along = viewer.table.item(row, headers.index(f"along\n{meaning}, ″")).text()
        assert "-" not in along  # a true minus
        shown = float(along.replace("−", "-"))
        sigma = float(viewer.table.item(row, headers.index(f"σ along\n{meaning}, ″")).text())
        assert shown == pytest.approx(viewer.columns()["along"][row], abs=6e-4)
        assert sigma == pytest.approx(viewer.columns()["sigma_along"][row], abs=6e-4)
        panel = desk.panel.numbers.values["along", meaning].text()
        assert panel == f"{shown:+.3f} ± {sigma:.3f}″".replace("-", "−")
        for plot in PLOTS:
            viewer.state.plot = plot
            assert meaning in viewer.axes.get_ylabel()
        viewer.state.plot = BOTH
    assert measured.number("along") == pytest.approx(shown, abs=6e-4)
    viewer.options.bool_plate_off.setChecked(True)


def the_observations_are_asked_about(viewer, tmp_path):
    """The dialog says what would stay a draft, and what it was told is written."""
    from qtpy.QtWidgets import QDialogButtonBox

    from glue_appulse.qt.ades_dialog import AdesDialog

    dialog = AdesDialog(viewer.data)
    assert "draft (station XXX)" in dialog.state.text()
    dialog.fields["mpc_code"].setText("X05")
    dialog.fields["observers"].setText("A. Nonym; B. Nonym")
    dialog.fields["submitter"].setText("A. Nonym")
    assert "draft" not in dialog.state.text()
    dialog.fields["aperture_m"].setText("wide")
    assert not dialog.buttons.button(QDialogButtonBox.Save).isEnabled()
    dialog.fields["aperture_m"].setText("0.07")
    assert dialog.buttons.button(QDialogButtonBox.Save).isEnabled()
    assert viewer.export("Observations (ADES PSV)", tmp_path / "sent.psv", choice=dialog.choice()).wait()
    text = (tmp_path / "sent.psv").read_text()
    assert "! mpcCode X05" in text
    assert "! name B. Nonym" in text
    assert "! aperture 0.07" in text


@pytest.mark.needs_qt
def test_the_night_is_measured_plotted_saved_and_written(desk, answers, tmp_path, monkeypatch):
    from glue_qt.viewers.scatter import ScatterViewer

    from appulse.formats.residual_table import read_residuals
    from glue_appulse.qt.residual_viewer import ResidualTable, ResidualViewer, show_residuals

    assert desk.panel.measure_night().wait()
    data = residual_data.find(desk.data_collection)
    assert data.size == 2
    assert "2 measured, 0 flagged" in desk.panel.status.text()
    assert "clock" in desk.panel.status.text()

    scatter = desk.new_data_viewer(ScatterViewer, data=data)
    assert scatter.layers[0].enabled

    filled, fill = [], ResidualTable.show_rows
    monkeypatch.setattr(ResidualTable, "show_rows", lambda *args: (filled.append(args), fill(*args)))
    viewer = show_residuals(desk.session)
    assert len(filled) == 1  # a night of sixty frames is put into the table once
    headers = [viewer.table.horizontalHeaderItem(i).text() for i in range(viewer.table.columnCount())]
    assert headers[3] == "ΔRA·cosδ\nplate-corrected, ″"
    assert not any("_" in words for words in headers)
    one_meaning_everywhere(desk, viewer, measured=desk.panel.current)
    viewer.select_rows([1])
    assert data.subsets[0].to_mask().tolist() == [False, True]
    opened = viewer.open_row(1)
    assert opened.state.reference_data.label == "iris_3.fits.fz"
    middle = (opened.state.x_min + opened.state.x_max) / 2
    assert middle == pytest.approx(answers["frames"]["iris_3.fits.fz"]["x"], abs=1.0)

    for (label, suffix), wanted in zip(
        (("Residuals (ECSV)", "ecsv"), ("Observations (ADES PSV)", "psv"), ("Evidence sheet (HTML)", "html")),
        ("iris_3.fits.fz", "# version=2022", "<html"), strict=True):  # fmt: skip
        job = viewer.export(label, tmp_path / f"night.{suffix}")
        assert viewer.writing == str(tmp_path / f"night.{suffix}")  # the window stays alive meanwhile
        assert job.wait()
        assert not viewer.writing
        assert wanted in (tmp_path / f"night.{suffix}").read_text()
    assert len(read_residuals(tmp_path / "night.ecsv")) == 2

    the_observations_are_asked_about(viewer, tmp_path)
    desk.save_session(str(tmp_path / "night.glu"), include_data=True)
    again = desk.restore_session(str(tmp_path / "night.glu"), show=False)
    try:
        assert any(isinstance(one, ResidualViewer) for tab in again.viewers for one in tab)
        restored = residual_data.table_of(all_of(again.data_collection, RESIDUALS)[0])
        np.testing.assert_array_equal(restored["dra_plate"], residual_data.table_of(data)["dra_plate"])
    finally:
        again.close()


def drag(viewer, start, end):
    """Press, move and release the left button between two points of a plot, as its mouse would."""
    canvas = viewer.canvas
    low, high = (viewer.axes.transData.transform(point) for point in (start, end))
    for name, at in (("button_press", low), ("motion_notify", (low + high) / 2), ("motion_notify", high),
                     ("button_release", high)):  # fmt: skip
        event = MouseEvent(f"{name}_event", canvas, *at, button=1)
        canvas.callbacks.process(f"{name}_event", event)


@pytest.mark.needs_qt
def test_glues_tools_select_zoom_and_write_residuals(desk, tmp_path, monkeypatch):
    from glue_appulse.layers.residual_plot import BOTH, SKY, wanted_limits
    from glue_appulse.qt.residual_viewer import show_residuals

    assert desk.panel.measure_night().wait()
    viewer = show_residuals(desk.session)
    viewer.canvas.draw()
    c, data, state = viewer.columns(), residual_data.find(desk.data_collection), viewer.state
    # the range holds every point with its error
    assert state.y_min < np.min([c["along"] - c["sigma_along"], c["across"] - c["sigma_across"]])
    assert state.y_max > np.max([c["along"] + c["sigma_along"], c["across"] + c["sigma_across"]])
    # a box with glue's rectangle, in either plot, makes a subset
    top, bottom = 0.99 * state.y_max + 0.01 * state.y_min, 0.01 * state.y_max + 0.99 * state.y_min
    viewer.toolbar.active_tool = "select:rectangle"
    drag(viewer, (c["hours"][0] - 0.04, bottom), (c["hours"][0] + 0.04, top))
    assert data.subsets[0].to_mask().tolist() == [True, False]
    state.plot = SKY
    viewer.canvas.draw()
    assert state.x_min > max(c["dra"].max(), 0.0)  # east to the left, and zero in sight
    assert state.x_max < min(c["dra"].min(), 0.0)
    viewer.toolbar.active_tool = "select:rectangle"
    apart = np.hypot(np.diff(c["dra"]), np.diff(c["ddec"]))[0] / 3
    drag(viewer, (c["dra"][1] - apart, c["ddec"][1] - apart), (c["dra"][1] + apart, c["ddec"][1] + apart))
    assert data.subsets[0].to_mask().tolist() == [False, True]
    # a range that the user has chosen stays when rows come; Home brings all back
    state.plot = BOTH
    state.y_min, state.y_max = -5.0, 5.0
    viewer.layers[0].update()
    assert (state.y_min, state.y_max) == (-5.0, 5.0)
    viewer.toolbar.tools["mpl:home"].activate()
    assert state.limits() == wanted_limits(c, BOTH)
    # a double click opens the frame
    at = viewer.axes.transData.transform([c["hours"][1], c["along"][1]])
    event = MouseEvent("button_press_event", viewer.canvas, *at, button=1, dblclick=True)
    viewer.canvas.callbacks.process("button_press_event", event)
    assert desk.viewer.state.reference_data.label == "iris_3.fits.fz"
    the_plot_is_written_as_a_script(viewer, tmp_path, monkeypatch)
    # and all of it is saved
    state.plot = SKY
    state.show_inset = False
    desk.save_session(str(tmp_path / "night.glu"))
    again = desk.restore_session(str(tmp_path / "night.glu"), show=False)
    try:
        shown = again.viewers[0][1].state
        assert (shown.plot, shown.show_inset, shown.plate_off) == (SKY, False, True)
        assert shown.x_min > shown.x_max
    finally:
        again.close()


def the_plot_is_written_as_a_script(viewer, tmp_path, monkeypatch):
    """The script that glue exports runs and draws the rows and the selection."""
    monkeypatch.chdir(tmp_path)
    viewer.export_as_script("plot.py")
    text = (tmp_path / "plot.py").read_text()
    assert text.count("draw_residuals(ax") == 2
    done = subprocess.run(
        [sys.executable, "plot.py"], capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "glue_plot.png").stat().st_size > 5000


@pytest.mark.needs_qt
def test_measured_places_are_marked_in_the_picture(desk, answers):
    from glue_appulse.layers.measured_layer import MarkLayerArtist

    assert desk.panel.measure_night().wait()
    layer = next(layer for layer in desk.viewer.layers if isinstance(layer, MarkLayerArtist))
    assert layer.graphic.visible_rows().tolist() == [True, False]  # the other frame is not in sight
    first = answers["frames"]["iris_1.fits.fz"]
    assert layer.graphic.measured[0] == pytest.approx((first["x"], first["y"]), abs=0.05)
    desk.panel.undo_button.click()
    assert not any(isinstance(layer, MarkLayerArtist) for layer in desk.viewer.layers)


@pytest.mark.needs_qt
def test_stop_ends_the_night_and_keeps_what_was_measured(desk, monkeypatch):
    measure, begun, clicked = measurements.measure, threading.Event(), threading.Event()

    def measure_once_clicked(task):
        begun.set()
        clicked.wait(30)
        return measure(task)

    monkeypatch.setattr(measurements, "measure", measure_once_clicked)
    job = desk.panel.measure_night()
    assert begun.wait(30)
    desk.panel.stop_button.click()
    clicked.set()
    assert job.wait()
    table = residual_data.table_of(residual_data.find(desk.data_collection))
    assert table["frame"].tolist() == ["iris_1.fits.fz"]
    assert "stopped after 1 of 2" in desk.panel.status.text()
    assert desk.panel.night_button.isEnabled()
    desk.panel.undo_button.click()
    assert residual_data.find(desk.data_collection) is None


@pytest.mark.needs_qt
def test_an_outline_that_is_clicked_is_selected_and_its_row_shown(desk):
    from glue_appulse.data.outline_data import objects_of, outlines_data
    from glue_appulse.qt.desk import add_overlay

    outlines = outlines_data(objects_of(list(desk.data_collection)[:1]))
    add_overlay(desk.session, outlines)
    desk.viewer.toolbar.active_tool = "appulse:pick"
    row = outlines["name"].tolist().index("IC 4603")
    frame = desk.data_collection[0]
    x, y = frame.coords.all_world2pix(outlines["RA"][row], outlines["Dec"][row], 0)
    desk.viewer.toolbar.active_tool.act(float(x), float(y))
    assert np.flatnonzero(outlines.subsets[0].to_mask()).tolist() == [row]
    assert "IC 4603" in desk.viewer.statusBar().currentMessage()


@pytest.mark.needs_qt
def test_every_observation_format_and_the_sheet_after_a_restore(desk, tmp_path, monkeypatch):
    """XML, 80 columns and the sheet from a restored session: the stamps are measured again."""
    assert desk.panel.measure_night().wait()
    desk.panel.show_measured(desk.panel.current)
    desk.panel.reject()  # the last frame is set aside: it is not in the sheet as a measurement
    desk.save_session(str(tmp_path / "night.glu"), absolute_paths=True)
    monkeypatch.setattr(measurements, "kept", {})  # another run of the program
    again = desk.restore_session(str(tmp_path / "night.glu"), show=False)
    try:
        data = residual_data.find(again.data_collection)
        choice = measurements.AdesChoice(disclose_site=True)
        assert not any("draft" in line for line in measurements.ades_notes(data, choice))
        assert any("draft" in line for line in measurements.ades_notes(data, measurements.AdesChoice()))
        measurements.write_residuals_xml(tmp_path / "open.xml", data, choice=choice)
        measurements.write_residuals_xml(tmp_path / "private.xml", data)
        assert "<stn>247</stn>" in (tmp_path / "open.xml").read_text()
        assert "<stn>XXX</stn>" in (tmp_path / "private.xml").read_text()
        measurements.write_residuals_80(tmp_path / "night.txt", data, choice=choice)
        lines = (tmp_path / "night.txt").read_text().splitlines()
        assert any(len(line) == 80 for line in lines)
        measurements.write_evidence_sheet(tmp_path / "night.html", data)
        sheet = (tmp_path / "night.html").read_text()
        assert "iris_3.fits.fz, 7 is left out: set aside by the observer" in sheet
        assert "is left out" not in sheet.replace("iris_3.fits.fz, 7 is left out", "")
        assert "data:image/png" in sheet
        measurements.write_residuals_ecsv(tmp_path / "night.ecsv", data)
        assert residual_data.TASKS not in (tmp_path / "night.ecsv").read_text()
    finally:
        again.close()


@pytest.mark.needs_qt
def test_glues_export_data_is_a_job_that_asks_first(desk, tmp_path, monkeypatch):
    """File > Export Data: the window lives on, its foot says what is written, a dialog asks first."""
    from glue.config import data_exporter

    from glue_appulse.qt import ades_dialog

    assert desk.panel.measure_night().wait()
    data = residual_data.find(desk.data_collection)
    exporters = {item.label: item.function for item in data_exporter.members}
    job = exporters["Evidence sheet (HTML)"](str(tmp_path / "night.html"), data, components=None)
    assert "writing night.html" in desk.statusBar().currentMessage()
    assert job.wait()
    assert "written: " in desk.statusBar().currentMessage()
    assert (tmp_path / "night.html").stat().st_size > 1000
    filled = lambda self: self.fields["mpc_code"].setText("X05") or 1  # noqa: E731
    monkeypatch.setattr(ades_dialog.AdesDialog, "exec_", filled)
    assert exporters["Observations (ADES PSV)"](str(tmp_path / "sent.psv"), data).wait()
    assert "! mpcCode X05" in (tmp_path / "sent.psv").read_text()
    monkeypatch.setattr(ades_dialog.AdesDialog, "exec_", lambda self: 0)
    assert exporters["Observations (ADES PSV)"](str(tmp_path / "no.psv"), data) is None
    refused = exporters["Residuals (ECSV)"](str(tmp_path / "no folder" / "night.ecsv"), data)
    assert refused.wait()
    assert "no folder" in desk.statusBar().currentMessage()

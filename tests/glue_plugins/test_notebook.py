"""The night in a notebook, run in a kernel: layers, options, measuring by click, the night, plots, files."""

import importlib.util
import json

import pytest
import yaml

MISSING = [name for name in ("glue_jupyter", "ipympl", "nbclient") if importlib.util.find_spec(name) is None]
pytestmark = pytest.mark.skipif(
    bool(MISSING), reason=f"not installed: {', '.join(MISSING)}; pip install '.[jupyter,test]'"
)

OPEN = """
import json, sys
from pathlib import Path
import numpy as np
from glue_appulse.jupyter import view
night = view([*sorted(Path({folder!r}).glob("iris_[13].fits.fz")), {broken!r}], body="7",
             orbits={folder!r} + "/orbit.ecsv", stars={folder!r} + "/stars.ecsv")
found = {{"qt": sorted({{name.split(".")[0] for name in sys.modules}} & {{"PyQt6", "PySide6", "qtpy"}})}}
found["notes"] = night.notes
night
"""

LAYERS = """
viewer = night.viewer
found["layers"] = {layer.layer.label: [layer.enabled, layer.state.visible] for layer in viewer.layers}
def dark(name):
    layer = next(layer for layer in viewer.layers if layer.layer.label == name)
    viewer.figure.canvas.draw()
    on = np.asarray(viewer.figure.canvas.buffer_rgba()).copy()
    layer.state.visible = False
    viewer.figure.canvas.draw()
    off = np.asarray(viewer.figure.canvas.buffer_rgba()).copy()
    layer.state.visible = True
    return int((on != off).any(-1).sum())
found["pixels of the layers"] = {name: dark(name) for name in ("outlines", "(7) Iris")}
panels = {item["label"]: item["layer_panel"] for item in viewer.layer_options.layers}
found["options"] = {name: type(panel).__name__ for name, panel in panels.items()}
found["colour said"] = [image.mouseover for image in viewer.axes.images]
track = next(layer for layer in viewer.layers if layer.layer.label == "(7) Iris")
fields = {child.description: child for child in panels["(7) Iris"].children}
fields["times"].value = False
fields["ticks every"].value = 120
fields["line width, pt"].value = 5.0
found["track"] = [track.state.show_labels, track.state.tick_step, track.state.width]
outlines = next(layer for layer in viewer.layers if layer.layer.label == "outlines")
types = next(child for child in panels["outlines"].children if child.description == "types")
types.value = types.options[:1]
found["types"] = [list(outlines.state.types), list(types.value)]
types.value = ()
"""

CLICK = """
def click(x, y, *modifiers):
    canvas = viewer.figure.canvas
    canvas.draw()
    at = viewer.axes.transData.transform([x, y])
    x, y = at[0], canvas.figure.bbox.height - at[1]
    message = {"x": x / canvas.device_pixel_ratio, "y": y / canvas.device_pixel_ratio, "button": 0,
               "buttons": 1, "guiEvent": {}, "modifiers": list(modifiers)}
    for kind in ("button_press", "button_release"):  # as the browser sends it
        canvas._handle_message(canvas, {"type": kind, **message}, [])
viewer.toolbar.active_tool_id = "appulse:notebook-measure"
click(%(x)r + 1.0, %(y)r - 1.0)
panel = night.panel
found["title"], found["numbers"], found["verdict"] = panel.title.value, panel.numbers.value, panel.words.value
found["stamp"] = panel.stamp.value[:4] == b"\\x89PNG"
x, y = panel.current.number("x"), panel.current.number("y")
found["place"] = [x, y]
found["before"] = night.residuals is None
panel.keep_button.click()
found["kept"] = night.residuals["frame"].tolist()
panel.undo_button.click()
found["undone"] = night.residuals is None
panel.reason.value = "double image"
panel.aside_button.click()
found["aside"] = night.residuals["flag"].tolist()
panel.undo_button.click()
"""

NIGHT = """
from glue.core.subset import ElementSubsetState
from glue_appulse.layers.measured_layer import MarkLayerArtist
panel.night_button.click()
found["rows"], found["said"] = len(night.residuals), panel.status.value
found["dra_plate"] = [float(value) for value in night.residuals["dra_plate"]]
plot, table = night.plot(show=False), night.table(show=False)
low, high = plot.axes.get_ylim()
ends = [value + side * error for value, error in zip(night.residuals["along"], night.residuals["sigma_along"])
        for side in (-1, 1)]
found["errors in sight"] = bool(low < min(ends) and max(ends) < high)
found["axis"] = [plot.axes.get_ylabel(), bool(plot.layers[0].state.yerr_visible)]
rows = plot.layers[0].layer
plot.apply_subset_state(ElementSubsetState(indices=[1], data=rows))
found["selected"] = [subset.to_mask().tolist() for subset in rows.subsets]
found["marks"] = sum(isinstance(layer, MarkLayerArtist) for layer in viewer.layers)
panel.frame.value = 1
found["shown"] = night.frame.label
night.show_colour(0, 1, 0)
images = [layer for layer in viewer.layers
          if layer.visible and any(layer.layer is data for data in night.frames)]
found["colour"] = [viewer.state.color_mode, sorted(layer.state.color for layer in images)]
try:
    night.show_colour(0, 1)
except ValueError as error:
    found["no colour"] = str(error)
night.show_frame(1)
found["grey"] = [viewer.state.color_mode, night.frame.label]
import contextlib, io
with contextlib.redirect_stderr(io.StringIO()) as words:
    other = night.app.imshow(data=night.frames[0], show=False)
    other.add_data(night.tracks[0])
found["bqplot"] = words.getvalue()
for name in ("r.ecsv", "r.psv", "r.html", "r.ecsv", "r.doc"):
    panel.path.value = {out!r} + "/" + name
    panel.write_button.click()
    found.setdefault("written", []).append(panel.status.value)
from glue_appulse.jupyter import restore
track.state.width, track.state.show_labels, outlines.state.visible = 4.0, False, False
viewer.state.x_min, viewer.state.x_max = 100.0, 400.0
limits = [viewer.state.x_min, viewer.state.x_max, viewer.state.y_min, viewer.state.y_max]
saved = night.save({out!r} + "/night.glu")
found["bytes"] = saved.stat().st_size
again = restore(saved)
state = again.viewer.state
found["limits"] = [limits, [state.x_min, state.x_max, state.y_min, state.y_max]]
sets = list(again.app.data_collection)
layers = {layer.layer.label: layer for layer in again.viewer.layers if layer.layer in sets}
found["again"] = {label: layer.state.visible for label, layer in layers.items()}
found["look"] = [layers["(7) Iris"].state.width, layers["(7) Iris"].state.show_labels]
found["rows again"] = [len(again.residuals), again.frame.label, again.panel.frame.value]
rows = again.app.data_collection["residuals"]
found["selected again"] = [subset.to_mask().tolist() for subset in rows.subsets]
found["measured again"] = len(again.measure())
for bad in ("r.ecsv", "none.glu"):
    try:
        restore({out!r} + "/" + bad)
    except ValueError as error:
        found.setdefault("refused", []).append(str(error))
again.add_places({out!r} + "/cloud.ecsv")
found["cloud"] = [type(item["layer_panel"]).__name__ for item in again.viewer.layer_options.layers
                  if item["label"] == "cloud"]
try:
    again.add_places({out!r} + "/r.ecsv")
except ValueError as error:
    found["no places"] = str(error)
print(json.dumps(found))
"""


CLOUD = """# %ECSV 1.0
# ---
# datatype:
# - {name: night, datatype: int64}
# - {name: time, datatype: string}
# - {name: member, datatype: int64}
# - {name: ra, unit: deg, datatype: float64}
# - {name: dec, unit: deg, datatype: float64}
night time member ra dec
1 2027-05-05T22:00:00 0 246.4 -24.4
1 2027-05-05T22:00:00 1 246.41 -24.41
"""


@pytest.fixture(scope="module")
def answers(sample_data):
    return yaml.safe_load((sample_data / "answers.yaml").read_text())["frames"]


@pytest.fixture(scope="module")
def found(sample_data, answers, tmp_path_factory):
    """What a notebook of a user's ordinary steps found, run without a browser."""
    import nbformat
    from nbclient import NotebookClient

    out = tmp_path_factory.mktemp("notebook")
    (out / "broken.fits").write_bytes(b"no frame")
    (out / "cloud.ecsv").write_text(CLOUD)
    cells = [OPEN.format(folder=str(sample_data), broken=str(out / "broken.fits")), LAYERS,
             CLICK % answers["iris_1.fits.fz"], NIGHT.replace("{out!r}", repr(str(out)))]  # fmt: skip
    book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(cell) for cell in cells])
    NotebookClient(book, timeout=120, kernel_name="python3", resources={"metadata": {"path": out}}).execute()
    outputs = book.cells[-1].outputs
    first = [output for output in book.cells[0].outputs if output.output_type == "display_data"]
    told = json.loads("".join(output.text for output in outputs if output.get("name") == "stdout"))
    return told | {"widget": list(first[0].data), "files": sorted(path.name for path in out.iterdir())}


def test_a_notebook_gets_its_viewer_and_no_qt(found):
    assert found["qt"] == []
    assert "application/vnd.jupyter.widget-view+json" in found["widget"]
    assert len(found["notes"]) == 1
    assert "broken.fits" in found["notes"][0]


def test_frames_track_and_outlines_are_layers_with_options(found):
    assert found["layers"] == {
        "iris_1.fits.fz": [True, True], "iris_3.fits.fz": [True, False], "outlines": [True, True],
        "(7) Iris": [True, True],
    }  # fmt: skip
    assert min(found["pixels of the layers"].values()) > 100
    assert found["colour said"] == [False]
    assert found["options"]["(7) Iris"] == "TrackOptions"
    assert found["options"]["outlines"] == "OutlineOptions"
    assert found["track"] == [False, 120, 5.0]
    assert found["types"][0] == found["types"][1]
    assert len(found["types"][0]) == 1


def test_a_click_measures_and_the_buttons_keep_set_aside_and_undo(found, answers):
    assert found["title"] == "<b>(7) Iris in iris_1.fits.fz</b>"
    assert found["place"] == pytest.approx([answers["iris_1.fits.fz"][name] for name in "xy"], abs=0.1)
    assert "as measured" in found["numbers"]
    assert "plate-corrected" in found["numbers"]
    assert found["numbers"].count("±") > 8
    assert all(found[name] for name in ("stamp", "verdict", "before", "undone"))
    assert found["kept"] == ["iris_1.fits.fz"]
    assert found["aside"] == ["set aside by the observer: double image"]


def test_the_night_is_measured_plotted_and_written(found, answers):
    assert found["rows"] == 2
    wanted = [answers[f"iris_{i}.fits.fz"]["dra_plate"] for i in (1, 3)]
    assert found["dra_plate"] == pytest.approx(wanted, abs=0.1)
    assert "clock" in found["said"]
    assert found["axis"] == ["along: O−C, as measured (arcsec)", True]
    assert found["errors in sight"]
    assert found["selected"] == [[False, True]]
    assert found["marks"] == 2  # the rows, and the selected ones
    assert found["shown"] == "iris_3.fits.fz"
    assert {"r.ecsv", "r.psv", "r.html"} <= set(found["files"])
    assert [">written: " in line for line in found["written"]] == [True, True, True, False, False]
    assert "exists" in found["written"][3]
    assert ".ecsv, .psv, .xml, .txt, .html" in found["written"][4]


def test_colour_is_shown_and_the_other_viewer_says_why_it_draws_nothing(found):
    assert found["colour"] == ["One color per layer", ["#0000ff", "#00ff00", "#ff0000"]]
    assert "2 frames make no colour" in found["no colour"]
    assert found["grey"] == ["Colormaps", found["shown"]]
    assert "not drawn in glue's bqplot image viewer" in found["bqplot"]
    assert "widget='matplotlib'" in found["bqplot"]


def test_a_saved_night_comes_back_with_its_looks_and_selections(found):
    assert found["bytes"] < 1_000_000  # frames stay in their files
    assert found["again"]["outlines"] is False
    assert found["again"]["(7) Iris"] is True
    assert found["look"] == [4.0, False]
    assert found["limits"][0] == pytest.approx(found["limits"][1])
    assert found["rows again"] == [2, "iris_3.fits.fz", 1]
    assert found["selected again"] == found["selected"]
    assert found["measured again"] == 2
    assert ["as a session of glue" in words for words in found["refused"]] == [True, True]


def test_a_cloud_of_a_first_orbit_is_a_layer_with_options(found):
    assert found["cloud"] == ["PlacesOptions"]
    assert "sightings.ecsv" in found["no places"]

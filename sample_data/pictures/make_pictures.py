"""Screenshots of the guide, made from the sample night by the viewer itself, so that none goes stale.

Run: python sample_data/pictures/make_pictures.py [FOLDER]
It needs the extra 'desktop' and works without a screen.
"""

import os
import sys
from contextlib import chdir
from pathlib import Path
from tempfile import TemporaryDirectory

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ["GLUE_TESTING"] = "True"  # no message box waits for a click

HERE = Path(__file__).resolve().parent
SAMPLE = HERE.parent
SIZE = (1280, 800)
#: A screen of greys with a few coloured lines: so many greys, and so many colours chosen for the rest.
GREYS, COLOURS = 80, 150
SETTLED_MS = 1500


def palette_of(picture):
    """Greys, and the colours of whatever is not grey.

    Parameters
    ----------
    picture : PIL.Image.Image
        RGB.

    Returns
    -------
    PIL.Image.Image
        With the palette.
    """
    import numpy as np
    from PIL import Image

    pixels = np.asarray(picture).reshape(-1, 3)
    coloured = pixels[np.ptp(pixels, axis=1) > 24]
    chosen = Image.fromarray(coloured[None, :, :]).quantize(COLOURS).getpalette()
    greys = np.repeat(np.linspace(0, 255, GREYS).round().astype(int), 3).tolist()
    holder = Image.new("P", (1, 1))
    holder.putpalette([*greys, *chosen[: 3 * COLOURS]])
    return holder


def save(widget, path):
    """Write a widget's picture with few colours.

    Parameters
    ----------
    widget : QWidget
    path : pathlib.Path
    """
    from PIL import Image
    from qtpy.QtTest import QTest
    from qtpy.QtWidgets import QApplication

    # glue draws coarsely while a window changes its size, and finely half a second later
    QTest.qWait(SETTLED_MS)
    QApplication.processEvents()
    raw = path.with_suffix(".raw.png")
    widget.grab().save(str(raw))
    with Image.open(raw) as picture:
        rgb = picture.convert("RGB")
        few = rgb.quantize(palette=palette_of(rgb), dither=Image.Dither.NONE)
    few.save(path, optimize=True)
    raw.unlink()
    print(f"{path.name}: {path.stat().st_size // 1000} kB")


def make(folder):
    """Make all pictures.

    Parameters
    ----------
    folder : pathlib.Path
    """
    from glue_appulse import desktop
    from glue_appulse.qt.measure_panel import open_panel
    from glue_appulse.qt.residual_viewer import show_residuals
    from glue_appulse.qt.sequence_panel import open_panel as open_stacks

    frames = [str(SAMPLE / f"iris_{i}.fits.fz") for i in range(1, 7)]
    sources = [f"--orbits={SAMPLE / 'orbit.ecsv'}", f"--stars={SAMPLE / 'stars.ecsv'}"]
    application = desktop.build(desktop.parser().parse_args([*frames, *sources, "--body=7"]))
    application.resize(*SIZE)
    application.show()
    viewer = application.viewers[0][0]

    overlays = [layer for layer in viewer.layers if layer.layer.ndim == 1]
    for layer in overlays:
        layer.state.visible = False
    save(application, folder / "load.png")
    for layer in overlays:
        layer.state.visible = True
    save(application, folder / "overlay.png")

    panel = open_panel(application.session)
    state = viewer.state
    state.x_min, state.x_max, state.y_min, state.y_max = 700, 930, 270, 430
    viewer.figure.canvas.draw()
    panel.measure_click(viewer, 814, 346).wait()
    save(application, folder / "measure.png")
    panel.measure_night().wait(300)

    residuals = show_residuals(application.session)
    application.removeDockWidget(panel)  # its room is the table's
    residuals.select_rows([2])
    save(residuals, folder / "export.png")

    with TemporaryDirectory() as aside, chdir(aside):
        stacks = open_stacks(application.session)
        stacks.options.folder.setText("iris-2027-05-04")
        stacks.resize(1180, 720)
        stacks.run().wait(600)
        save(stacks, folder / "stack.png")
        application.close()


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)

"""What the plugin set costs glue: start, panning, linking, memory, and how long the window stands still.

Run: QT_QPA_PLATFORM=offscreen python tests/benchmarks/bench_viewer.py [PART...]; the parts are linking,
panning, memory, start, tracks, frames and mouse. With PICTURES=DIR and a screen (QT_QPA_PLATFORM=xcb) the
part mouse keeps a picture of the screen after every step.
"""

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ["GLUE_TESTING"] = "True"
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "glue_plugins"))

import numpy as np
from glue_worlds import make_frame, make_outlines, make_track

from glue_appulse.layers.board import MOVING_S

START = """
import time; begin = time.perf_counter()
from glue_qt.app import GlueApplication
{switch}
GlueApplication(); print(time.perf_counter() - begin)
"""
WITHOUT = """
import glue._plugin_helpers as helpers, glue.main
every = helpers.iter_plugin_entry_points
helpers.iter_plugin_entry_points = lambda: [p for p in every() if not p.module.startswith("glue_appulse")]
"""


def start_up(rounds=5):
    """Median seconds to glue's window, without and with our plugins, taken in turns."""
    seconds = {False: [], True: []}
    for _ in range(rounds):
        for ours in (False, True):
            code = START.format(switch="" if ours else WITHOUT)
            done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
            seconds[ours].append(float(done.stdout.split()[-1]))
    plain, ours = np.median(seconds[False]), np.median(seconds[True])
    print(f"start: glue {plain:.2f} s, with ours {ours:.2f} s, ratio {ours / plain:.2f} (at most 1.15)")


def pan_seconds(viewer, rounds=40, step=60, pause=0.0):
    """Mean processor seconds of a drawing on a pan to and fro by half a window; drawing uses one thread."""
    state, scale = viewer.state, (viewer.state.x_max - viewer.state.x_min) / viewer.axes.bbox.width
    viewer.figure.canvas.draw()
    seconds = []
    for i in range(rounds):
        move = scale * step * (1 if i < rounds // 2 else -1)
        time.sleep(pause)
        begin = time.process_time()
        state.x_min, state.x_max = state.x_min + move, state.x_max + move
        viewer.figure.canvas.draw()
        seconds.append(time.process_time() - begin)
    return np.mean(seconds)


def panning():
    """A 24-megapixel frame alone, and with tracks and outlines."""
    from glue_qt.app import GlueApplication

    from glue_appulse.qt.desk import add_overlay, show_frames

    rng = np.random.default_rng(7)
    shape = (4000, 6000)
    for n_tracks, n_outlines, limit in ((20, 500, 1.2), (20, 2000, 1.2)):
        app = GlueApplication()
        frame = make_frame(shape=shape, scale=1.2)
        app.data_collection.append(frame)
        viewer = show_frames(app.session, [frame])
        viewer.viewer_size = (1400, 1000)
        app.show()
        alone = pan_seconds(viewer)
        places = np.column_stack([rng.uniform(245.4, 247.4, n_outlines), rng.uniform(-25, -23.6, n_outlines)])
        add_overlay(app.session, make_outlines(places.tolist(), size_deg=0.03))
        for i in range(n_tracks):
            ra, dec = rng.uniform(245.6, 247.2), rng.uniform(-24.9, -23.7)
            add_overlay(app.session, make_track(f"({i}) body", ra=ra, dec=dec, rate_deg_d=(-0.6, 0.2)))
        full = pan_seconds(viewer)
        rest = pan_seconds(viewer, rounds=6, pause=1.5 * MOVING_S)
        print(f"pan, 24 Mpx, {n_tracks} tracks, {n_outlines} outlines: {1e3 * alone:.0f} ms alone, "
              f"{1e3 * full:.0f} ms with, ratio {full / alone:.2f} (at most {limit}); "
              f"the drawing at rest {rest / alone:.2f}")  # fmt: skip
        app.close()


def linking(n=60):
    """Seconds to link a night's frames and three overlays."""
    from glue.core import DataCollection

    from glue_appulse.data.links import frame_links, link_overlay

    small = {"shape": (30, 40), "scale": 90.0}
    frames = [make_frame(f"frame-{i}", seed=i, rotation=i * 0.1, **small) for i in range(n)]
    overlays = [make_track(), make_track("(8) Flora", ra=246.5), make_outlines([(246.4, -24.3)])]
    collection = DataCollection(frames + overlays)
    begin = time.perf_counter()
    collection.add_link(frame_links(collection))
    frames_s = time.perf_counter() - begin
    for overlay in overlays:
        link_overlay(collection, overlay)
    print(f"link: {n} frames {frames_s:.2f} s (at most 1), three overlays to all of them "
          f"{time.perf_counter() - begin - frames_s:.2f} s more")  # fmt: skip


def memory(n=60, shape=(4000, 6000)):
    """Most memory that showing a night of 24-megapixel frames one after the other takes, beside one frame."""
    import resource

    from astropy.io import fits
    from glue.core import DataCollection
    from glue_worlds import make_wcs

    from appulse.frames.reading import read_frame
    from appulse.observers.site import Site
    from glue_appulse.data.solved_frames import STORE, frame_data

    with tempfile.TemporaryDirectory() as folder:
        path, header = Path(folder) / "frame.fits", make_wcs(shape=shape, scale=1.2).to_header()
        header["DATE-OBS"], header["EXPTIME"] = "2027-05-05T23:00:00", 60.0
        fits.PrimaryHDU(np.ones(shape, np.int16), header).writeto(path)
        site = Site.geocentre()
        collection = DataCollection()
        for i in range(n):
            data = frame_data(read_frame(path, site=site))
            data.label = f"frame-{i}"
            collection.append(data)
        peaks = []
        for data in collection:
            data["pixels"].sum()
            peaks.append(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
        one = np.prod(shape) * 4 / 1e6
        print(f"memory: {n} frames of 24 Mpx looked at, {one:.0f} MB each: peak {peaks[0]:.0f} MB after the "
              f"first, {peaks[n // 2]:.0f} after half, {peaks[-1]:.0f} after all (at most 1600); held "
              f"{STORE.held / 1e6:.0f} MB of {STORE.limit / 1e6:.0f} allowed")  # fmt: skip


def sample(*numbers):
    """Frames of the sample night, its orbits and its stars."""
    folder = Path(__file__).resolve().parents[2] / "sample_data"
    return [folder / f"iris_{i}.fits.fz" for i in numbers], folder / "orbit.ecsv", folder / "stars.ecsv"


def still(pulse, words):
    """How long the window stood still, and how long it worked itself while it did."""
    return (f"the window stood still for at most {pulse.gaps[words]:.2f} s (at most 0.3), "
            f"its own work {pulse.work[words]:.2f} s")  # fmt: skip


def many_tracks(n=35):
    """From the window to so many tracks in it, and the longest time that it stood still meanwhile."""
    import mouse_session

    from glue_appulse import desktop
    from glue_appulse.data.kinds import TRACK, all_of

    names = [str(number) for number in range(1, n + 1)]
    paths, _orbits, _stars = sample(1, 2, 3, 4, 5, 6)
    words = [*map(str, paths), f"--body={','.join(names)}"]
    app, job = desktop.open_window(desktop.parser().parse_args(words))
    app.show()
    begin, pulse = time.perf_counter(), mouse_session.Pulse()
    pulse.begin("tracks")
    try:
        mouse_session.wait_for(lambda: len(app.viewers[0][0].layers) >= n + len(paths), 300)
    finally:
        pulse.stop()
    shown, seconds = len(all_of(app.data_collection, TRACK)), time.perf_counter() - begin
    print(f"tracks: {shown} shown {seconds:.1f} s after the window (at most 5); {still(pulse, 'tracks')}")
    job.wait()
    app.close()


def timed(pulse, whose, words, work):
    """Do something in the window, and print what it took."""
    import mouse_session

    pulse.begin(words)
    begin = time.process_time()
    work()
    mouse_session.QTest.qWait(100)
    seconds = time.process_time() - begin
    print(f"{whose}: {words}, {seconds:.1f} s of the processor; {still(pulse, words)}")


def new_window(ahead=("mpl_toolkits.axes_grid1", "astropy.visualization.wcsaxes")):
    """glue's window, with what an image viewer needs imported."""
    import importlib

    from glue_qt.app import GlueApplication

    app = GlueApplication()
    app.show()
    for name in ahead:
        importlib.import_module(name)
    return app


def many_frames(n=60):
    """A night in one viewer: what it takes, and the longest time that the window stood still."""
    import mouse_session

    from glue_appulse.qt import smooth
    from glue_appulse.qt.desk import show_frames

    subprocess.run([sys.executable, "-c", GLUES_OWN.format(n=n)], check=True, cwd=Path(__file__).parent)
    app = new_window(smooth.AHEAD)
    frames = [make_frame(f"frame-{i}", seed=i, shape=(100, 150), scale=24.0) for i in range(n)]
    pulse = mouse_session.Pulse()
    timed(pulse, "frames", f"{n} added", lambda: app.add_datasets(frames))
    timed(pulse, "frames", f"{n} shown", lambda: show_frames(app.session, frames))
    pulse.stop()
    app.close()


GLUES_OWN = WITHOUT + """
import bench_viewer
bench_viewer.glues_own({n})
"""


def glues_own(n):
    """The same as :func:`many_frames` does, by a user of glue without our plugins."""
    import mouse_session
    from glue.core.link_helpers import LinkSame
    from glue_qt.viewers.image import ImageViewer
    from qtpy.QtWidgets import QApplication

    app, whose = new_window(), "frames in glue alone"
    frames = [make_frame(f"frame-{i}", seed=i, shape=(100, 150), scale=24.0) for i in range(n)]
    collection, first = app.data_collection, frames[0].world_component_ids
    pairs = [pair for data in frames[1:] for pair in zip(first, data.world_component_ids, strict=True)]
    links = [LinkSame(*pair) for pair in pairs]
    pulse = mouse_session.Pulse()
    timed(pulse, whose, f"{n} added", lambda: collection.extend(frames))
    timed(pulse, whose, f"{n} linked at once", lambda: collection.add_link(links))
    timed(pulse, whose, "viewer opened with one", lambda: app.new_data_viewer(ImageViewer, data=frames[0]))

    def rest():
        for data in frames[1:]:
            app.viewers[0][0].add_data(data)
            QApplication.processEvents()

    timed(pulse, whose, f"{n - 1} more shown, one by one", rest)
    pulse.stop()


def by_mouse():
    """A night by mouse and keys: the longest time that the window stood still, step by step."""
    import mouse_session
    import pytest
    import yaml
    from glue_qt.app import GlueApplication

    from glue_appulse import inputs

    paths, orbits, stars = sample(1, 2, 3, 4, 5, 6)
    answers = yaml.safe_load((orbits.parent / "answers.yaml").read_text())["frames"][paths[0].name]
    with pytest.MonkeyPatch.context() as patch, tempfile.TemporaryDirectory() as folder:
        # what is chosen here is not to be the choice of the parts that follow
        patch.setattr(inputs, "_choices", inputs.Choices())
        app = GlueApplication()
        place = answers["x"], answers["y"]
        pictures = os.environ.get("PICTURES")

        def seen(words):
            if pictures:
                name = f"{len(os.listdir(pictures)):02d}-{'-'.join(words.split())}.png"
                app.screen().grabWindow(0).save(str(Path(pictures) / name))

        pulse = mouse_session.run(app, paths, orbits, stars, place, Path(folder), patch, seen)
        for words in pulse.gaps:
            print(f"mouse: {words}: {still(pulse, words)}")
        app.close()


PARTS = {"linking": linking, "panning": panning, "memory": memory, "start": start_up, "tracks": many_tracks,
         "frames": many_frames, "mouse": by_mouse}  # fmt: skip


if __name__ == "__main__":
    import glue_qt.app  # noqa: F401  our desktop parts ask whether it is what loads them

    from glue_appulse import frames, outlines, residuals, sequence, tracks

    for plugin in (frames, tracks, outlines, residuals, sequence):
        plugin.setup()
    for part in sys.argv[1:] or PARTS:
        PARTS[part]()

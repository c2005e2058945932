"""A night in a notebook: the viewer with its layers, measurements, the residual table, plots and files."""

import contextlib
import glob
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from appulse.errors import AppulseError, FrameError, InputError
from glue_appulse import inputs, measurements
from glue_appulse.data import residual_data
from glue_appulse.data.frame_wcs import SkyProjector
from glue_appulse.data.kinds import FRAME, TRACK, all_of, from_json, is_frame, to_json
from glue_appulse.data.links import link_overlay
from glue_appulse.data.places_data import is_cloud, is_sightings, load_cloud, load_sightings
from glue_appulse.data.solved_frames import frame_data, frame_of, link_frames, remember_file
from glue_appulse.data.tail_data import make_tails
from glue_appulse.data.track_data import bodies_wanted, make_tracks, nearest_track, usable
from glue_appulse.layers.sky_layer import is_swapped, soften

EXTRA_LINE = "pip install 'appulse[jupyter]'"
LIMITS = ("x_min", "x_max", "y_min", "y_max")
#: Plugins of glue that are of use with Qt alone: where Qt is installed they would load it into a notebook.
QT_PLUGINS = ("glue_qt", "glue.plugins.tools", "glue.plugins.dendro_viewer")


@contextlib.contextmanager
def _without_qt() -> Iterator[None]:
    """glue looks for plugins; those of Qt are not among them."""
    from glue import _plugin_helpers

    found = _plugin_helpers.iter_plugin_entry_points
    _plugin_helpers.iter_plugin_entry_points = lambda: (
        point for point in found() if not point.module.startswith(QT_PLUGINS)
    )
    try:
        yield
    finally:
        _plugin_helpers.iter_plugin_entry_points = found


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """glue-jupyter's image options name properties that glue's image layers do not have, and warn of it."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Vue template references")
        yield


def new_application():
    """glue's application for notebooks, with the plugins that need no Qt."""
    try:
        import glue_jupyter
    except ImportError as exc:
        raise InputError(f"a notebook's viewer needs glue-jupyter ({exc}): {EXTRA_LINE}") from exc
    with _without_qt():
        return glue_jupyter.JupyterApplication()


def _listed(frames) -> list:
    """Paths and solved frames out of what the user gave: one or several, patterns spelled out."""
    given = [frames] if isinstance(frames, str | Path) or not hasattr(frames, "__iter__") else list(frames)
    found = []
    for item in given:
        pattern = isinstance(item, str) and glob.has_magic(item) and not Path(item).exists()
        found += sorted(glob.glob(item)) if pattern else [item]
    return found


def _opened(frames, options) -> tuple[list, list[str]]:
    """Data sets of the frames in their order of time, and a line about each that cannot be opened."""
    from appulse.frames import SolvedFrame, read_frame

    opened, lines, listed = [], [], _listed(frames)
    for item in listed:
        try:
            frame = item if isinstance(item, SolvedFrame) else read_frame(item, require=("wcs",), **options)
        except (AppulseError, OSError) as exc:
            lines.append(f"left out: {exc}")
        else:
            opened.append(frame_data(frame))
            if frame is not item:
                remember_file(opened[-1], item)
    if not opened:
        words = "; ".join(lines) or f"no file of the name {frames!r}"
        raise FrameError(f"{words}. Plate-solved frames are wanted: paths, a pattern, or frames read before")
    early = lambda data: getattr(getattr(frame_of(data).exposure, "mid", None), "mjd", 0.0)  # noqa: E731
    return sorted(opened, key=early), lines


def view(
    frames,
    body: str | None = None,
    *,
    orbits: str | Path | None = None,
    stars: str | Path | None = None,
    outlines: bool = True,
    **reading,
) -> "NightView":
    """Show frames of a night in a notebook, with tracks and outlines as layers that can be measured in.

    Parameters
    ----------
    frames : path, pattern (``"night/*.fits"``), SolvedFrame, or several of them
        Plate-solved frames. One that cannot be read is left out, and named in `notes`.
    body : str, optional
        Name, number or designation; several with commas between; ``"all"``: whatever the orbits have there.
    orbits, stars : path, optional
        A file of orbits or of places, and a table of reference stars; by default the bundled ones.
    outlines : bool
        Whether outlines of deep-sky objects are drawn.
    **reading
        What headers do not say, as :func:`appulse.read_frame` takes it: ``site=``, ``time=``, ...

    Returns
    -------
    NightView
        As a cell's last line it shows itself.

    Raises
    ------
    FrameError
        If no frame can be read.
    InputError
        If the extra ``jupyter`` is not installed, or a body is not known.

    Examples
    --------
    >>> import appulse
    >>> from glue_appulse.jupyter import view
    >>> night = view([appulse.example_frame(n) for n in (1, 2)], body="7")  # doctest: +SKIP
    >>> night.measure()["along"]  # doctest: +SKIP
    """
    night = NightView(*_opened(frames, reading), orbits=orbits, stars=stars)
    if outlines:
        night.add_outlines()
    if body is not None:
        night.add_tracks(body)
    return night


#: Key of the first frame's metadata under which a session keeps how the night was looked at.
VIEW_KEY = "appulse_view"


def restore(path: str | Path) -> "NightView":
    """Open a night that :meth:`NightView.save` has saved, or a session of glue's desktop with frames in it.

    Parameters
    ----------
    path : path
        A session file (``.glu``).

    Returns
    -------
    NightView
        With its layers and their looks, measurements and selections.

    Raises
    ------
    InputError
        If the session cannot be read, or holds no solved frame.

    Examples
    --------
    >>> from glue_appulse.jupyter import restore
    >>> night = restore("night.glu")  # doctest: +SKIP
    """
    new_application()  # the plugins are loaded before the session names what is in them
    from glue_jupyter import JupyterApplication

    try:
        with _without_qt():
            app = JupyterApplication.restore_session(str(path))
    except (OSError, ValueError, KeyError, AttributeError, ImportError) as exc:
        raise InputError(f"{path} cannot be opened as a session of glue, as save() makes one: {exc}") from exc
    frames = all_of(app.data_collection, FRAME)
    if not frames:
        raise InputError(f"{path} holds no solved frame: sessions of nights are wanted")
    kept = from_json(frames[0].meta.get(VIEW_KEY)) or {}
    night = NightView(frames, [], orbits=kept.get("orbits"), stars=kept.get("stars"), app=app)
    night._look_as(kept)
    return night


class NightView:
    """Frames, layers and measurements of a night; made by :func:`view`.

    Attributes
    ----------
    app : glue_jupyter.JupyterApplication
        glue itself, with `data_collection` and every viewer of its own.
    viewer : glue image viewer
        The frames with their layers.
    frames, tracks : list of glue data sets
    notes : list of str
        What was left out, and why.
    """

    def __init__(self, frames: list, notes: list[str], *, orbits=None, stars=None, app=None):
        from glue_appulse.jupyter.measure_panel import MeasureBox, NightImageViewer

        chosen = inputs.chosen()
        self.orbits, self.stars = str(orbits or chosen.orbits or "") or None, stars or chosen.stars
        self.frames, self.tracks, self.notes, self._undo = frames, [], list(notes), []
        self.app = new_application() if app is None else app
        self.app.data_collection.extend(frames)  # those of a session are in it already
        link_frames(self.app.data_collection)
        with _quiet():
            self.viewer = self.app.new_data_viewer(NightImageViewer, data=frames[0], show=False)
            for data in frames[1:]:
                self.viewer.add_data(data)
        self.viewer.canvas.header_visible = False
        # below the picture stands the place under the pointer, without the colour glue has painted there
        for image in self.viewer.axes.images:
            image.mouseover = False
        for layer in self.viewer.layers:
            soften(layer)
        self.viewer.measure_click = self.measure_at
        self.panel = MeasureBox(self)
        self.show_frame(0)
        for data in [data for data in self.app.data_collection if not is_frame(data)]:
            self._add(data)
        self.tracks = all_of(self.app.data_collection, TRACK)

    def _ipython_display_(self):
        from IPython.display import display

        display(self.panel.around(self.viewer.layout))

    # --- layers

    def show_frame(self, index: int):
        """Show one frame alone, by its place in the night, from 0."""
        from glue_appulse.layers.colour import show_grey

        show_grey(self.viewer, self.frames[index])

    def show_colour(self, *frames: int):
        """Show a colour frame, or three frames as red, green and blue, by their places in the night, from 0.

        :meth:`show_frame` goes back to grey.
        """
        from glue_appulse.layers.colour import CHANNELS, ColourPlane, show_colour, suggested_planes

        data = [self.frames[index] for index in frames]
        chosen = suggested_planes(data)
        if len(data) == 3:
            chosen = dict(zip(CHANNELS, (ColourPlane(one, "pixels") for one in data), strict=True))
        if None in chosen.values():
            raise InputError(
                f"{len(data)} frames make no colour: give one frame of three planes, or three frames for "
                "red, green and blue"
            )
        with _quiet():
            show_colour(self.viewer, chosen)

    @property
    def frame(self):
        """The frame that one sees: the visible one that is drawn last."""
        shown = [layer for layer in self.viewer.layers
                 if layer.visible and any(layer.layer is data for data in self.frames)]  # fmt: skip
        return max(shown, key=lambda layer: layer.state.zorder).layer if shown else self.frames[0]

    def _add(self, overlay):
        collection = self.app.data_collection
        if overlay not in collection:
            collection.append(overlay)
        link_overlay(collection, overlay, self.frames)
        with _quiet():
            self.viewer.add_data(overlay)

    def add_outlines(self):
        """Draw the outlines of the deep-sky objects in the frames."""
        from glue_appulse.data.outline_data import objects_of, outlines_data

        objects = objects_of(self.frames)
        if objects:
            self._add(outlines_data(objects))

    def add_tracks(self, body: str):
        """Draw the tracks of bodies: names with commas between, or ``"all"``."""
        source = inputs.open_orbits(self.orbits)
        keys = bodies_wanted(body, source, self.frames)
        tracks, lines = make_tracks(source, self.frames, keys, first_color=len(self.tracks))
        self.notes += lines
        for track in tracks:
            self._add(track)
        self.tracks += tracks

    def add_tails(self, body: str):
        """Draw the tails of comets: names with commas between, or ``"all"``."""
        source = inputs.open_orbits(self.orbits)
        tails, lines = make_tails(source, self.frames, bodies_wanted(body, source, self.frames))
        self.notes += lines
        for tail in tails:
            self._add(tail)

    def add_places(self, path: str | Path):
        """Draw a cloud of ``appulse first-orbit``, or the parallax in the sightings of ``appulse together``.

        Raises
        ------
        InputError
            If the file is neither.
        """
        for known, load in ((is_cloud, load_cloud), (is_sightings, load_sightings)):
            if known(str(path)):
                self._add(load(str(path)))
                return
        raise InputError(
            f"{path} holds no places that can be drawn: cloud.ecsv of 'appulse first-orbit' and "
            "sightings.ecsv of 'appulse together' are allowed"
        )

    # --- sessions

    def save(self, path: str | Path, *, overwrite: bool = False) -> Path:
        """Save the night as a session of glue, which :func:`restore` opens; frames stay in their files.

        Raises
        ------
        InputError
            If the file exists and `overwrite` is false.
        """
        path = Path(path)
        if path.exists() and not overwrite:
            raise InputError(f"{path} exists; choose another name, or say overwrite=True")
        state = self.viewer.state
        looks = {
            layer.layer.label: {name: value for name, value in layer.state.as_dict().items()
                                if isinstance(value, bool | int | float | str)}
            for layer in self.viewer.layers
        }  # fmt: skip
        kept = {"orbits": self.orbits, "stars": None if self.stars is None else str(self.stars),
                "limits": [getattr(state, name) for name in LIMITS], "looks": looks}  # fmt: skip
        self.frames[0].meta[VIEW_KEY] = to_json(kept)
        self.app.save_session(str(path), absolute_paths=True)
        return path

    def _look_as(self, kept: dict):
        """Give layers and range the look that a session has kept."""
        for layer in self.viewer.layers:
            for name, value in kept.get("looks", {}).get(layer.layer.label, {}).items():
                # a look of another version, or a choice that is gone, leaves what is there
                with contextlib.suppress(AttributeError, TypeError, ValueError):
                    setattr(layer.state, name, value)
        if kept.get("limits"):
            for name, value in zip(LIMITS, kept["limits"], strict=True):
                setattr(self.viewer.state, name, value)
        shown = [i for i, data in enumerate(self.frames) if data is self.frame]
        if shown:
            self.panel.frame.value = shown[0]

    # --- measurements

    def _task(self, frame, track):
        return measurements.Task(frame, track.meta["body"], track.meta["orbits path"] or None, self.stars)

    def measure_at(self, x: float, y: float, *, pointed: bool = False) -> measurements.Measured | None:
        """Measure, in the frame that one sees, the body that is predicted nearest to a pixel of the viewer.

        With `pointed`, what is there is measured, wherever the body is predicted.
        """
        reference, frame = self.viewer.state.reference_data, self.frame
        if is_swapped(self.viewer.state):
            x, y = y, x
        ra, dec = (float(v) for v in SkyProjector(reference.coords, reference.shape).to_sky(x, y))
        track, _distance = nearest_track(self.app.data_collection, frame, ra, dec)
        if track is None:
            self.panel.say(f"no body is predicted in {frame.label}: night.add_tracks(...) adds one")
            return None
        at = tuple(float(v) for v in frame_of(frame).to_pixel(ra, dec)) if pointed else None
        try:
            measured = measurements.measure(self._task(frame, track).again(at=at))
        except AppulseError as exc:
            self.panel.say(str(exc))
            return None
        self.panel.show_measured(measured)
        return measured

    def measure(self, progress: Callable | None = None):
        """Measure every body that has a track in every frame; returns the residual table.

        What cannot be measured is named in `notes`; `progress(done, total)` is called before every frame.
        """
        good, lines = usable(self.frames)
        tasks = [self._task(data, track) for track in self.tracks for data in good]
        if not tasks:
            raise InputError(
                "; ".join(lines) or "no track is drawn; give view(..., body=...) or call add_tracks"
            )
        measured, failed = measurements.measure_night(tasks, progress)
        self.notes += [*lines, *failed]
        if measured:
            self.keep(measurements.joined(measured))
            self.panel.show_measured(measured[-1])
        self.verdict = measurements.verdict_of_night(measured)
        self.panel.say("\n".join([self.verdict, *measurements.doubts_of(measured), *failed, *lines]).strip())
        return self.residuals

    #: What a measured night says, in a sentence; empty before.
    verdict = ""

    def keep(self, table):
        """Put rows into the residuals."""
        collection = self.app.data_collection
        fresh = residual_data.find(collection) is None
        self._undo.append(residual_data.add_rows(collection, table))
        if fresh:
            self._add(residual_data.find(collection))

    def undo(self) -> bool:
        """Take back the last change of the residuals; False where there is none."""
        if not self._undo:
            return False
        self._undo.pop()()
        return True

    # --- what has been measured: as a table, a plot, a file

    @property
    def residuals(self):
        """The residual table (astropy), or None before anything is measured."""
        data = residual_data.find(self.app.data_collection)
        return None if data is None else residual_data.table_of(data)

    def _residual_data(self):
        data = residual_data.find(self.app.data_collection)
        if data is None:
            raise InputError("nothing is measured yet; call measure(), or click with the measuring tool")
        return data

    def table(self, *, show: bool = True):
        """glue's table of the residuals; what is selected in it is selected in every plot."""
        return self.app.table(data=self._residual_data(), show=show)

    def plot(self, x: str = residual_data.MJD, y: str = "along", *, show: bool = True):
        """glue's plot of two columns of the residuals; a selection in it shows in the frames and the table.

        Columns with errors show them; the axis says which O-C it is, as measured or plate-corrected.
        """
        data = self._residual_data()
        with _quiet():
            plot = self.app.scatter2d(data=data, x=x, y=y, widget="matplotlib", show=show)
        sigma = residual_data.SIGMA_OF.get(y)
        if sigma in {cid.label for cid in data.main_components}:
            layer, state = plot.layers[0].state, plot.state
            layer.yerr_att, layer.yerr_visible = data.id[sigma], True
            # glue's limits hold the points, not their errors
            low, high = (np.nanmin(data[y] - data[sigma]), np.nanmax(data[y] + data[sigma]))
            margin = 0.05 * (high - low)
            if np.isfinite(margin):
                state.y_min, state.y_max = float(low - margin), float(high + margin)
        plot.canvas.header_visible = False
        if y in residual_data.MEANING_OF:
            plot.state.y_axislabel = f"{y}: O−C, {residual_data.MEANING_OF[y]} (arcsec)"
        return plot

    def export(self, path: str | Path, *, overwrite: bool = False) -> Path:
        """Write the residuals: ``.ecsv``, ``.psv``, ``.xml`` (ADES), ``.txt`` (80 columns), ``.html``.

        Raises
        ------
        InputError
            If the ending is another, nothing is measured yet, or the file exists and `overwrite` is false.
        """
        path, data = Path(path), self._residual_data()
        writers = {ends[0]: write for _label, ends, write in measurements.EXPORTERS}
        write = writers.get(path.suffix.lstrip(".").lower())
        if write is None:
            raise InputError(f"{path.name} cannot be written: one of .{', .'.join(writers)} is allowed")
        if path.exists() and not overwrite:
            raise InputError(f"{path} exists; choose another name, or say overwrite=True")
        write(str(path), data)
        return path

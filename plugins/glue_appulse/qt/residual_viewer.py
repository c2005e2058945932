"""Viewer of residuals: glue's plot and tools over a linked table, options and exports where glue has them."""

import numpy as np
from echo import CallbackProperty, SelectionCallbackProperty, delay_callback
from echo.qt import autoconnect_callbacks_to_qt
from glue.config import viewer_tool
from glue.core.data import BaseData
from glue.core.subset import ElementSubsetState
from glue.utils import defer_draw
from glue.viewers.common.tool import Tool
from glue.viewers.matplotlib.state import MatplotlibDataViewerState
from glue_qt.utils import fix_tab_widget_fontsize
from glue_qt.viewers.matplotlib.axes_editor import AxesEditorWidget
from glue_qt.viewers.matplotlib.data_viewer import MatplotlibDataViewer
from glue_qt.viewers.matplotlib.legend_editor import LegendEditorWidget
from matplotlib.legend import Legend
from qtpy.QtCore import Qt, Signal
from qtpy.QtGui import QColor
from qtpy.QtWidgets import (
    QAbstractItemView,
    QCheckBox,
    QComboBox,
    QFileDialog,
    QFormLayout,
    QHBoxLayout,
    QLineEdit,
    QProgressBar,
    QPushButton,
    QSplitter,
    QTableWidget,
    QTableWidgetItem,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from appulse.bodies import body_label
from appulse.formats import COLUMNS
from glue_appulse.data import residual_data
from glue_appulse.data.kinds import FRAME, RESIDUALS, all_of, is_frame, kind_of
from glue_appulse.layers.residual_plot import (
    PLOTS,
    SKY,
    ResidualLayerArtist,
    axis_words,
    draw_ground,
    key_of,
    numbers_of,
    plot_columns,
    plotted,
    wanted_limits,
)
from glue_appulse.measurements import EXPORTERS, OBSERVATIONS
from glue_appulse.qt.desk import image_viewers, show_frames
from glue_appulse.qt.panels import BackgroundWork, ElidedLine, failure_words, report_failure
from glue_appulse.qt.style_editors import ResidualEditor

#: Columns of the table beside the offsets: header, decimals.
FIRST_COLUMNS = {"frame": ("frame", 0), "time": ("mid-exposure\nUTC", 0), "designation": ("body", 0)}
LAST_COLUMNS = {"snr": ("signal to noise", 1), "n_stars": ("stars", 0), "flag": ("reason or caution", 0)}
#: Offsets of :func:`residual_data.offsets`, in both meanings: header.
OFFSET_COLUMNS = {"dra": "ΔRA·cosδ", "sigma_dra": "σ", "ddec": "ΔDec", "sigma_ddec": "σ",
                  "along": "along", "sigma_along": "σ along", "across": "across",
                  "sigma_across": "σ across"}  # fmt: skip
ARCSEC_DECIMALS = 3
#: Text as people read it; the data set keeps what files have, by which rows are told apart.
SHOWN = {"time": lambda text: str(text).replace("T", " "), "designation": body_label}


def table_columns(plate_off: bool) -> list[tuple[str, str | None, str]]:
    """Name, meaning (None where there is but one) and header of every column; the chosen meaning first."""
    meanings = (residual_data.PLATE_OFF, residual_data.AS_MEASURED)
    return [
        *((name, None, header) for name, (header, _) in FIRST_COLUMNS.items()),
        *(
            (name, meaning, f"{header}\n{meaning}, ″")
            for meaning in (meanings if plate_off else meanings[::-1])
            for name, header in OFFSET_COLUMNS.items()
        ),
        *((name, None, header) for name, (header, _) in LAST_COLUMNS.items()),
    ]


#: Opacity of a row's colour, of 255: words stay readable on it, on light and on dark.
SHADE = 90


class ResidualTable(QTableWidget):
    """Rows of residuals."""

    #: Rows that the user has selected, in their order.
    chosen = Signal(list)

    def __init__(self, parent=None):
        super().__init__(0, len(table_columns(True)), parent)
        self._filling = False
        self.setSelectionBehavior(QAbstractItemView.SelectRows)
        self.setEditTriggers(QAbstractItemView.NoEditTriggers)
        self.itemSelectionChanged.connect(self._selected)

    def _name_columns(self, columns):
        self.setHorizontalHeaderLabels([header for _name, _meaning, header in columns])
        described = {column.name: column.meaning for column in COLUMNS}
        for i, (name, meaning, header) in enumerate(columns):
            words = described.get(name, header.split("\n")[0]) if meaning is None else MEANINGS[meaning]
            self.horizontalHeaderItem(i).setToolTip(words)

    def show_rows(self, data, colours: list[str] | None, plate_off: bool = True):
        """Fill the table."""
        # Filling selects and deselects rows; nobody has chosen those.
        self._filling = True
        self.setRowCount(data.size)
        columns = table_columns(plate_off)
        self._name_columns(columns)
        get = numbers_of(data)
        both = {residual_data.PLATE_OFF: residual_data.offsets(get, True),
                residual_data.AS_MEASURED: residual_data.offsets(get, False)}  # fmt: skip
        decimals = {name: number for name, (_, number) in {**FIRST_COLUMNS, **LAST_COLUMNS}.items()}
        for i, (name, meaning, _header) in enumerate(columns):
            component = data.get_component(name) if meaning is None else None
            text = component is not None and component.categorical
            values = component.labels if text else get(name) if meaning is None else both[meaning][name]
            words = SHOWN.get(name, str) if text else None
            for row in range(data.size):
                number = None if text else decimals.get(name, ARCSEC_DECIMALS)
                self.setItem(row, i, _cell(words(values[row]) if text else values[row], number, colours[row]))
        self.resizeColumnsToContents()
        self._filling = False

    def _selected(self):
        if not self._filling:
            self.chosen.emit(sorted({index.row() for index in self.selectedIndexes()}))


#: What the two meanings of an O-C are, for those who point at a header.
MEANINGS = {
    residual_data.AS_MEASURED: "observed minus calculated by the frame's own plate solution",
    residual_data.PLATE_OFF: "observed minus calculated, the plate's own offset (from its stars) taken off; "
    "the errors hold the plate's own",
}


def _cell(value, decimals, colour):
    item = QTableWidgetItem(str(value) if decimals is None else _cell_text(value, decimals))
    if decimals is not None:
        item.setTextAlignment(Qt.AlignRight | Qt.AlignVCenter)
    if colour is not None:
        shade = QColor(colour)
        shade.setAlpha(SHADE)
        item.setBackground(shade)
    return item


def _cell_text(value, decimals):
    # a fixed count of decimals: numbers of one column are compared at a glance
    return "–" if value != value else f"{value:.{decimals}f}".replace("-", "−")


#: Half width of the picture around a residual that is opened, pixels.
CLOSE_UP_PX = 60
#: A double click farther from every point, pixels of the screen, means none.
NEAR_PX = 25
#: The close-up of the sky: its side as a share of the plot's, its least side, and the room for its words to
#: the left, below, right and above, points.
INSET_SHARE, LEAST_INSET_PT, INSET_GUTTER_PT = 0.36, 70, (34, 18, 6, 16)
LIMITS = ("x_min", "x_max", "y_min", "y_max")


class ResidualViewerState(MatplotlibDataViewerState):
    """What is set about the viewer."""

    plot = SelectionCallbackProperty(docstring="What is plotted")
    plate_off = CallbackProperty(True, docstring="Whether the residuals are plate-corrected")
    show_inset = CallbackProperty(True, docstring="Whether the places on the sky are shown close up")
    show_table = CallbackProperty(True, docstring="Whether the table stands below the plot")

    def __init__(self, **kwargs):
        ResidualViewerState.plot.set_choices(self, list(PLOTS))
        super().__init__(**kwargs)

    def data(self):
        """The residuals that are shown, or None."""
        return next((s.layer for s in self.layers if isinstance(s.layer, BaseData)), None)

    def reset_limits(self):
        """Show all points with their errors."""
        data = self.data()
        if data is None or not data.size:
            return
        x0, x1, y0, y1 = wanted_limits(plot_columns(data, self.plate_off), self.plot)
        if self.aspect == "equal" and self._axes_aspect_ratio:
            # widened, never cut, so that both scales are equal
            wide, high = abs(x1 - x0), y1 - y0
            more_x = max(high / self._axes_aspect_ratio - wide, 0.0) / 2 * np.sign(x1 - x0)
            more_y = max(wide * self._axes_aspect_ratio - high, 0.0) / 2
            x0, x1, y0, y1 = x0 - more_x, x1 + more_x, y0 - more_y, y1 + more_y
        self.set_limits((x0, x1, y0, y1))

    def set_limits(self, limits):
        """Change all four limits at once."""
        with delay_callback(self, *LIMITS):
            self.x_min, self.x_max, self.y_min, self.y_max = limits

    def limits(self) -> tuple:
        """The four limits."""
        return tuple(getattr(self, name) for name in LIMITS)

    def _adjust_limits_aspect(self, *args, **kwargs):
        # glue turns an axis that runs to the left, as the sky's does, when it makes both scales equal
        leftward = None not in self.limits() and self.x_min > self.x_max
        super()._adjust_limits_aspect(*args, **kwargs)
        if leftward and self.x_min < self.x_max:
            self.set_limits((self.x_max, self.x_min, self.y_min, self.y_max))


class ResidualOptions(QWidget):
    """Options of the viewer, in glue's panel of plot options."""

    def __init__(self, viewer_state, session, parent=None):
        super().__init__(parent)
        self.session, self.viewer_state = session, viewer_state
        self.tabs, general, form = QTabWidget(), QWidget(), QFormLayout()
        fix_tab_widget_fontsize(self.tabs)
        general.setLayout(form)
        self._add(form, "plot", QComboBox(), "combosel_plot")
        for name, words, tip in (
            ("plate_off", "plate-corrected", MEANINGS[residual_data.PLATE_OFF]),
            ("show_inset", "places on the sky close up", "Every place with its error, one sigma"),
            ("show_table", "table below the plot", ""),
        ):
            box = QCheckBox(words)
            box.setToolTip(tip)
            self._add(form, "", box, f"bool_{name}")
        for axis in "xy":
            ends, row = [QLineEdit(), QLineEdit()], QHBoxLayout()
            for end, line in zip(("min", "max"), ends, strict=True):
                setattr(self, f"valuetext_{axis}_{end}", line)
                row.addWidget(line)
            form.addRow(f"{axis} limits", row)
        self.whole_button = QPushButton("show all with their errors")
        self.whole_button.clicked.connect(lambda _on=False: viewer_state.reset_limits())
        form.addRow(self.whole_button)
        self.axes_editor, self.legend_editor = AxesEditorWidget(), LegendEditorWidget()
        self.axes_editor.button_apply_all.hide()  # of use between viewers of one kind
        for words, page in (("General", general), ("Axes", self.axes_editor), ("Legend", self.legend_editor)):
            self.tabs.addTab(page, words)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self.tabs)
        self._connections = [
            autoconnect_callbacks_to_qt(viewer_state, self),
            autoconnect_callbacks_to_qt(viewer_state, self.axes_editor.ui),
            autoconnect_callbacks_to_qt(
                viewer_state.legend, self.legend_editor.ui, {"alpha": {"value_range": (0, 1)}}
            ),
        ]

    def _add(self, form, words, widget, name):
        setattr(self, name, widget)
        form.addRow(words, widget)


def _write_tool(label, suffix):
    """A tool of the bar's menu of exports that writes the residuals in one way."""

    def activate(self):
        self.viewer.choose_export(label, suffix)

    about = {"tool_id": f"appulse:write-{suffix}", "icon": "glue_filesave", "action_text": f"{label}…",
             "tool_tip": f"Write the residuals: {label}", "activate": activate}  # fmt: skip
    return viewer_tool(type(f"Write{suffix.capitalize()}", (Tool,), about)).tool_id


WRITE_TOOLS = [_write_tool(label, suffixes[0]) for label, suffixes, _function in EXPORTERS]


class ResidualViewer(MatplotlibDataViewer):
    """Residuals against time or on the sky, with their table."""

    LABEL = "Residuals"
    _state_cls = ResidualViewerState
    _options_cls = ResidualOptions
    _layer_style_widget_cls = {ResidualLayerArtist: ResidualEditor}  # noqa: RUF012  glue's own protocol
    _data_artist_cls = _subset_artist_cls = ResidualLayerArtist
    tools = [  # noqa: RUF012
        "select:rectangle", "select:xrange", "select:yrange", "select:circle", "select:polygon",
    ]  # fmt: skip
    subtools = {"save": ["save:python", *WRITE_TOOLS]}  # noqa: RUF012

    def __init__(self, session, parent=None, state=None):
        restored = None if state is None else state.limits()
        super().__init__(session, parent=parent, state=state)
        # the limits that this viewer chose: while they stand, new rows may widen them
        self._chosen = None
        self.inset = self.axes.inset_axes([0, 0, 1, 1], zorder=20)
        self.inset.tick_params(labelsize=6, pad=1, length=2)
        self.inset.set_title("on the sky, close up", fontsize=7, pad=2)
        self._ground, self._restored = [], restored
        self.table = ResidualTable()
        self.table.chosen.connect(self.select_rows)
        self.table.cellDoubleClicked.connect(lambda row, _column: self.open_row(row))
        split = QSplitter(Qt.Vertical)
        split.addWidget(self.mpl_widget)
        split.addWidget(self.table)
        split.setSizes([380, 180])
        self.status, self.busy = ElidedLine(), QProgressBar()
        self.busy.setRange(0, 0)
        self.busy.setMaximumWidth(90)
        self.busy.hide()
        foot = QHBoxLayout()
        foot.addWidget(self.status, 1)
        foot.addWidget(self.busy)
        body = QWidget()
        layout = QVBoxLayout(body)
        layout.setContentsMargins(2, 2, 2, 2)
        layout.addWidget(split, 1)
        layout.addLayout(foot)
        self.setCentralWidget(body)
        self.resize(900, 620)
        self.canvas = self.mpl_widget.canvas
        self.canvas.mpl_connect("button_press_event", self._pressed)
        for name in ("plot", "plate_off"):
            self.state.add_callback(name, self._other_plot)
        self.state.add_callback("show_inset", self.refresh)
        # glue's legend of the layers takes the place of the key of the marks
        self.state.legend.add_callback("visible", self.refresh)
        self.state.add_callback("show_table", self.table.setVisible)
        self.table.setVisible(self.state.show_table)
        if restored is not None:
            self.refresh()

    def get_layer_artist(self, cls, layer=None, layer_state=None):
        return cls(self.axes, self.state, layer=layer, layer_state=layer_state,
                   inset=self.inset, drawn=self.refresh)  # fmt: skip

    def add_data(self, data):
        if kind_of(data) != RESIDUALS:
            self.status.setText(f"'{data.label}' holds no residuals: measure a body first")
            return False
        # glue changes the layer several times until it stands: what is shown of it is made once
        self._adding = True
        try:
            added = super().add_data(data)
        finally:
            self._adding = False
        self.refresh()
        return added

    @property
    def data(self):
        """The residuals shown, or None."""
        return self.state.data()

    def columns(self) -> dict[str, np.ndarray]:
        """Numbers of the plots."""
        return plot_columns(self.data, self.state.plate_off)

    def colours(self) -> list[str | None]:
        """Colour of every row: that of the last visible selection that holds it, or none."""
        colours = [None] * self.data.size
        for layer in self.layers:
            if isinstance(layer.layer, BaseData) or not layer.visible:
                continue
            for i in np.flatnonzero(layer.rows):
                colours[i] = layer.layer.style.color
        return colours

    def _other_plot(self, *_args):
        self.state.aspect = "equal" if self.state.plot == SKY else "auto"
        self.state.reset_limits()
        self._chosen = self.state.limits()
        self.refresh()

    @defer_draw
    def refresh(self, *_args):
        """Bring table, ground, words and range of the plot up to date; the layers draw themselves."""
        if self._adding or self.data is None or not hasattr(self, "table"):
            return
        state, columns = self.state, self.columns()
        if self._chosen is None and self._restored is not None and None not in self._restored:
            # a session brings the range that its user had chosen
            self._chosen, self._restored = (), None
        elif self._chosen is None or state.limits() == self._chosen:
            state.aspect = "equal" if state.plot == SKY else "auto"
            state.reset_limits()
            self._chosen = state.limits()
        for artist in self._ground:
            artist.remove()
        self._ground = draw_ground(self.axes, columns, state.plot)
        if not state.legend.visible:
            handles, words = key_of(state.plot)
            # above the plot: within it the marks of the key would pass for points
            key = Legend(self.axes, handles, words, loc="lower left", bbox_to_anchor=(0, 1), fontsize=8,
                         frameon=False, ncols=2, borderaxespad=0.2)  # fmt: skip
            self._ground.append(self.axes.add_artist(key))
        state.x_axislabel, state.y_axislabel = axis_words(state.plot, state.plate_off)
        self._show_inset(columns)
        self.table.show_rows(self.data, self.colours(), state.plate_off)
        self.canvas.draw_idle()

    def _show_inset(self, columns):
        """The places on the sky with their errors, in the corner that hides the fewest points."""
        place = np.array([columns["dra"], columns["ddec"]])
        good = np.isfinite(place).all(0)
        self.inset.set_visible(bool(self.state.show_inset) and bool(good.any()))
        if not good.any():
            return
        around = {name: values[good] for name, values in columns.items()}
        reach = [np.nan_to_num(around[name]) for name in ("sigma_dra", "sigma_ddec")]
        low = [np.min(v - s) for v, s in zip((around["dra"], around["ddec"]), reach, strict=True)]
        high = [np.max(v + s) for v, s in zip((around["dra"], around["ddec"]), reach, strict=True)]
        half = 0.6 * max(*np.subtract(high, low), 1e-3)
        middle = np.add(high, low) / 2
        self.inset.set(xlim=(middle[0] + half, middle[0] - half), ylim=(middle[1] - half, middle[1] + half))
        self.inset.set_aspect("equal", adjustable="box", anchor="C")
        self.inset.locator_params(nbins=3)
        self._place_inset(columns)

    def _place_inset(self, columns):
        """A square where it hides the fewest points; of equals that nearest to the corner below right."""
        room = np.array([self.axes.bbox.width, self.axes.bbox.height])
        points = self.figure.dpi / 72
        side = max(INSET_SHARE * room.min(), LEAST_INSET_PT * points)
        left, below, right, above = np.array(INSET_GUTTER_PT) * points
        shown = np.concatenate([np.column_stack(part[1:3]) for part in plotted(columns, self.state.plot)])
        at = self.axes.transData.transform(shown[np.isfinite(shown).all(1)]) - self.axes.bbox.extents[:2]
        places = [
            (x, y)
            for y in np.linspace(below, max(room[1] - side - above, below), 7)
            for x in np.linspace(max(room[0] - side - right, left), left, 9)
        ]
        hidden = [
            np.sum((at > [x - left, y - below]).all(1) & (at < [x + side + right, y + side + above]).all(1))
            for x, y in places
        ]
        x, y = places[int(np.argmin(hidden))]
        self._inset_at = [x / room[0], y / room[1], side / room[0], side / room[1]]
        self.inset.set_axes_locator(lambda _axes, _renderer: self._inset_box())

    def _inset_box(self):
        from matplotlib.transforms import Bbox, TransformedBbox

        to_figure = self.axes.transAxes + self.figure.transSubfigure.inverted()
        return TransformedBbox(Bbox.from_bounds(*self._inset_at), to_figure)

    # --- selections, as glue's tools make them

    def apply_roi(self, roi, override_mode=None):
        """Select the rows of which a point lies in the region."""
        if self.data is None:
            return
        inside = np.zeros(self.data.size, bool)
        for _name, x, y, *_sigmas in plotted(self.columns(), self.state.plot):
            good = np.isfinite(x) & np.isfinite(y)
            inside[good] |= roi.contains(x[good], y[good])
        self.select_rows(np.flatnonzero(inside).tolist(), override_mode)

    def select_rows(self, rows: list[int], override_mode=None):
        """Make rows the active selection everywhere."""
        if self.data is None:
            return
        self.apply_subset_state(ElementSubsetState(indices=rows, data=self.data), override_mode=override_mode)
        names = dict.fromkeys(str(self.data.get_component("frame").labels[row]) for row in rows)
        self.status.setText("selected: " + (", ".join(names) or "none"))

    def _pressed(self, event):
        if not event.dblclick or event.inaxes is None or self.data is None:
            return
        best, least = None, np.inf
        # the close-up stands on the plot, and its events are the plot's
        close_up = self.inset.get_visible() and self.inset.bbox.contains(event.x, event.y)
        axes, plot = (self.inset, SKY) if close_up else (self.axes, self.state.plot)
        for _name, x, y, *_sigmas in plotted(self.columns(), plot):
            good = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
            if len(good):
                at = axes.transData.transform(np.column_stack([x[good], y[good]]))
                apart = np.hypot(*(at - [event.x, event.y]).T)
                if apart.min() < least:
                    best, least = int(good[np.argmin(apart)]), apart.min()
        if best is not None and least < NEAR_PX:
            self.open_row(best)

    def open_row(self, row: int):
        """Show the frame of a row around its place."""
        label = str(self.data.get_component("frame").labels[row])
        frames = [data for data in all_of(self.session.data_collection, FRAME) if data.label == label]
        if not frames:
            self.status.setText(f"{label} is not loaded; open it with File > Open Data Set")
            return None
        frame = frames[0]
        viewers = [v for v in image_viewers(self.session) if any(layer.layer is frame for layer in v.layers)]
        viewer = viewers[0] if viewers else show_frames(self.session, [frame])
        viewer.state.reference_data = frame
        for layer in viewer.layers:
            if is_frame(layer.layer):
                layer.state.visible = layer.layer is frame
        x, y = self._place(row, frame)
        viewer.state.x_min, viewer.state.x_max = x - CLOSE_UP_PX, x + CLOSE_UP_PX
        viewer.state.y_min, viewer.state.y_max = y - CLOSE_UP_PX, y + CLOSE_UP_PX
        return viewer

    def _place(self, row, frame):
        x, y = (float(self.data[name][row]) for name in ("x", "y"))
        if np.isfinite([x, y]).all():
            return x, y
        from glue_appulse.data.solved_frames import frame_of

        ra, dec = (float(self.data[name][row]) for name in ("ra_calc", "dec_calc"))
        return tuple(float(v) for v in frame_of(frame).to_pixel(ra, dec))

    # --- exports

    def choose_export(self, label: str, suffix: str):
        """Ask where to, and of observations what for, and write."""
        if self.data is None:
            return
        if self.writing:
            self.status.setText(f"{self.writing} is still being written")
            return
        more = {}
        if suffix in OBSERVATIONS:
            from glue_appulse.qt.ades_dialog import AdesDialog

            dialog = AdesDialog(self.data, self)
            if not dialog.exec_():
                return
            more["choice"] = dialog.choice()
        path, _kind = QFileDialog.getSaveFileName(self, label, f"residuals.{suffix}")
        if path:
            self.export(label, path, **more)

    def export(self, label: str, path: str, **more) -> BackgroundWork:
        """Write the residuals off the interface thread: a sheet of a night takes its time."""
        function = next(function for name, _suffixes, function in EXPORTERS if name == label)
        data = self.data
        self.writing = str(path)
        self.busy.show()
        self.status.setText(f"writing {path}…")
        self.job = BackgroundWork(lambda _job: function(str(path), data, **more))
        self.job.done.connect(self._written)
        self.job.failed.connect(self._failed)
        self.job.ended.connect(self._export_ended)
        return self.job.start()

    #: What is being written; empty where nothing is.
    writing = ""
    #: Whether data are being added just now.
    _adding = False
    #: Whether the viewer has been closed: a job may end later, when there are no widgets any more.
    _closed = False

    def closeEvent(self, event):
        super().closeEvent(event)
        self._closed = event.isAccepted()

    def _written(self, _nothing):
        if not self._closed:
            self.status.setText(f"written: {self.writing}")

    def _failed(self, exc):
        report_failure(exc)
        if not self._closed:
            self.status.setText(failure_words(exc))

    def _export_ended(self):
        self.writing = ""
        if not self._closed:
            self.busy.hide()


def show_residuals(session) -> ResidualViewer | None:
    """Menu action: open the viewer on the residuals."""
    from glue_appulse.host import say

    data = residual_data.find(session.data_collection)
    if data is None:
        say("there are no residuals yet; measure a body with the tool in an image viewer's bar")
        return None
    return session.application.new_data_viewer(ResidualViewer, data=data)

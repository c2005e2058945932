"""Viewer of residuals: a table beside two plots, all linked; saved in sessions; exports from its own bar."""

import numpy as np
from echo import CallbackProperty
from glue.core.data import BaseData
from glue.core.exceptions import IncompatibleAttribute
from glue.core.subset import ElementSubsetState
from glue.viewers.common.layer_artist import LayerArtist
from glue.viewers.common.state import ViewerState
from glue_qt.viewers.common.data_viewer import DataViewer
from matplotlib.backends.backend_qtagg import FigureCanvasQTAgg
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure
from matplotlib.widgets import RectangleSelector
from qtpy.QtCore import Qt, Signal
from qtpy.QtGui import QColor
from qtpy.QtWidgets import (
    QAbstractItemView,
    QCheckBox,
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QProgressBar,
    QPushButton,
    QSplitter,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from appulse.astrometry import THREE_SIGMA_CHI2
from appulse.formats import COLUMNS
from glue_appulse.data import residual_data
from glue_appulse.data.kinds import FRAME, RESIDUALS, all_of, is_frame, kind_of
from glue_appulse.measurements import EXPORTERS
from glue_appulse.qt.desk import image_viewers, show_frames
from glue_appulse.qt.panels import BackgroundWork, failure_words, report_failure

#: Half axes of the two-dimensional gate that holds 99.73 %, in standard deviations.
GATE_SIGMA = np.sqrt(THREE_SIGMA_CHI2)
INK, FAINT = "#20242c", "#9aa0a8"
ALONG, ACROSS = "#b45309", "#0369a1"


def ellipse_points(
    x: np.ndarray, y: np.ndarray, sx: np.ndarray, sy: np.ndarray, rho: np.ndarray, scale=1.0, n=49
) -> np.ndarray:
    """Rings of error ellipses around (x, y), of n points each: shape (m, n, 2)."""
    turn = np.linspace(0, 2 * np.pi, n)
    circle = np.stack([np.cos(turn), np.sin(turn)])
    # Cholesky factor of the covariance: a unit circle becomes the one-sigma ellipse. Rounding may leave rho
    # a hair above 1.
    rest = np.sqrt(np.clip(1 - rho**2, 0, 1))
    east = x[:, None] + scale * sx[:, None] * circle[0]
    north = y[:, None] + scale * sy[:, None] * (rho[:, None] * circle[0] + rest[:, None] * circle[1])
    return np.stack([east, north], axis=-1)


class ResidualCanvas(FigureCanvasQTAgg):
    """Both plots; a box drawn in either calls ``brushed(rows)``, a double click ``opened(row)``."""

    def __init__(self, brushed, opened):
        super().__init__(Figure(figsize=(8.6, 4.2), layout="constrained"))
        self.sky, self.time = self.figure.subplots(1, 2, width_ratios=[1, 1.35])
        self._brushed, self._opened, self._columns = brushed, opened, None
        self._selectors = [
            RectangleSelector(axis, lambda a, b, axis=axis: self._box(axis, a, b), button=1, useblit=False,
                              minspanx=4, minspany=4, spancoords="pixels") for axis in (self.sky, self.time)
        ]  # fmt: skip
        # The selectors draw artists of their own, which must outlive a redraw.
        self._kept = {axis: {*axis.lines, *axis.collections} for axis in (self.sky, self.time)}
        self.mpl_connect("button_press_event", self._pressed)

    def draw_rows(self, columns: dict[str, np.ndarray], colours: list, meaning: str):
        """Draw all rows; the meaning of their O-C stands at the axes."""
        self._columns, self._meaning = columns, meaning
        self._wipe()
        self._draw_sky(columns, colours)
        self._draw_time(columns, colours)
        self.draw_idle()

    def _start(self, axis, xlabel, ylabel):
        axis.axhline(0, color=FAINT, lw=0.9, zorder=0)
        axis.set_xlabel(xlabel)
        axis.set_ylabel(ylabel)

    def _wipe(self):
        """Take away what was drawn; the selectors' own artists stay."""
        for axis, kept in self._kept.items():
            for container in list(axis.containers):
                axis.containers.remove(container)
            for artist in [*axis.lines, *axis.collections]:
                if artist not in kept:
                    artist.remove()
            if axis.get_legend() is not None:
                axis.get_legend().remove()

    def _draw_sky(self, c, colours):
        axis = self.sky
        self._start(axis, f"ΔRA·cosδ, {self._meaning}  (″, east to the left)",
                    f"ΔDec, {self._meaning}  (″)")  # fmt: skip
        axis.axvline(0, color=FAINT, lw=0.9, zorder=0)
        good = np.isfinite(c["dx"]) & np.isfinite(c["dy"])
        if good.any():
            part = [c[name][good] for name in ("dx", "dy", "sx", "sy", "rho")]
            shades = [colour for colour, ok in zip(colours, good, strict=True) if ok]
            rings = ellipse_points(*part)
            axis.add_collection(PolyCollection(rings, facecolors="none", edgecolors=shades, lw=1.2))
            axis.scatter(part[0], part[1], s=26, c=shades, edgecolors=INK, linewidths=0.6, zorder=3)
            self._draw_gate(axis, part)
            # square about zero, so that an offset shows as one; never narrower than a milliarcsecond
            reach = 1.15 * max(np.max(np.abs(part[0]) + part[2]), np.max(np.abs(part[1]) + part[3]), 1e-3)
            # east to the left, as on the sky
            axis.set(xlim=(reach, -reach), ylim=(-reach, reach))
        axis.set_aspect("equal", adjustable="box")

    @staticmethod
    def _draw_gate(axis, part):
        zero = np.zeros(1)
        # The gate is of a typical row, about zero: rows have ellipses of their own around them.
        typical = [np.array([np.median(values)]) for values in part[2:]]
        gate = ellipse_points(zero, zero, *typical, scale=GATE_SIGMA)[0]
        axis.plot(*gate.T, ls="--", lw=1.0, color=INK, zorder=1, label="99.73 % of measuring errors")
        axis.legend(loc="upper right", fontsize=7, frameon=False)

    def _draw_time(self, c, colours):
        axis = self.time
        self._start(axis, "hours (UT of the first day)", f"O−C, {self._meaning}  (″)")
        for name, ink, marker in (("along", ALONG, "o"), ("across", ACROSS, "s")):
            x, y, sigma = (c[column] for column in ("hours", name, f"sigma_{name}"))
            good = np.isfinite(y)
            if good.any():
                axis.errorbar(x[good], y[good], sigma[good], fmt=marker, color=ink, ms=5, mfc="none", mew=1.4,
                              capsize=2, lw=1.1, label=f"{name} the motion")  # fmt: skip
        chosen = np.array([colour != self.plain for colour in colours]) & np.isfinite(c["along"])
        if chosen.any():
            shades = [colour for colour, ok in zip(colours, chosen, strict=True) if ok]
            for name in ("along", "across"):
                axis.scatter(c["hours"][chosen], c[name][chosen], s=110, facecolors="none", edgecolors=shades,
                             linewidths=2.0)  # fmt: skip
        self._set_time_limits(c)
        if axis.containers:
            axis.legend(loc="best", fontsize=8, frameon=False)

    def _set_time_limits(self, c):
        height = np.concatenate([np.abs(c[n]) + np.nan_to_num(c[f"sigma_{n}"]) for n in ("along", "across")])
        reach = 1.2 * float(np.nanmax(height, initial=1e-3, where=np.isfinite(height)))
        self.time.set_ylim(-reach, reach)
        hours = c["hours"][np.isfinite(c["hours"])]
        if hours.size:
            pad = 0.06 * np.ptp(hours) + 0.1
            self.time.set_xlim(hours.min() - pad, hours.max() + pad)

    #: Colour of rows that no selection holds.
    plain = "#c2410c"

    def _places(self, axis):
        c = self._columns
        if axis is self.sky:
            return [(c["dx"], c["dy"])]
        return [(c["hours"], c["along"]), (c["hours"], c["across"])]

    def _box(self, axis, first, second):
        if self._columns is None or first.xdata is None or second.xdata is None:
            return
        (x0, x1), (y0, y1) = sorted((first.xdata, second.xdata)), sorted((first.ydata, second.ydata))
        rows = {int(i) for x, y in self._places(axis)
                for i in np.flatnonzero((x >= x0) & (x <= x1) & (y >= y0) & (y <= y1))}  # fmt: skip
        self._brushed(sorted(rows))

    def _pressed(self, event):
        if not event.dblclick or event.inaxes not in (self.sky, self.time) or self._columns is None:
            return
        best, least = None, np.inf
        for x, y in self._places(event.inaxes):
            good = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
            if len(good):
                at = event.inaxes.transData.transform(np.column_stack([x[good], y[good]]))
                apart = np.hypot(*(at - [event.x, event.y]).T)
                if apart.min() < least:
                    best, least = int(good[np.argmin(apart)]), apart.min()
        # a double click beside all points, by 25 pixels of the screen, means none
        if best is not None and least < 25:
            self._opened(best)


#: Columns of the table beside the offsets: header, decimals.
FIRST_COLUMNS = {"frame": ("frame", 0), "time": ("mid-exposure\nUTC", 0), "designation": ("body", 0)}
LAST_COLUMNS = {"snr": ("signal to noise", 1), "n_stars": ("stars", 0), "flag": ("reason or caution", 0)}
#: Offsets of :func:`residual_data.offsets`, in both meanings: header.
OFFSET_COLUMNS = {"dra": "ΔRA·cosδ", "sigma_dra": "σ", "ddec": "ΔDec", "sigma_ddec": "σ",
                  "along": "along", "sigma_along": "σ along", "across": "across",
                  "sigma_across": "σ across"}  # fmt: skip
ARCSEC_DECIMALS = 3


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
        get = _numbers(data)
        both = {residual_data.PLATE_OFF: residual_data.offsets(get, True),
                residual_data.AS_MEASURED: residual_data.offsets(get, False)}  # fmt: skip
        decimals = {name: number for name, (_, number) in {**FIRST_COLUMNS, **LAST_COLUMNS}.items()}
        for i, (name, meaning, _header) in enumerate(columns):
            component = data.get_component(name) if meaning is None else None
            text = component is not None and component.categorical
            values = component.labels if text else get(name) if meaning is None else both[meaning][name]
            for row in range(data.size):
                number = None if text else decimals.get(name, ARCSEC_DECIMALS)
                self.setItem(row, i, _cell(values[row], number, colours[row]))
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


def _numbers(data):
    """A reader of a data set's columns as floats; residuals of an earlier version lack some: not a number."""
    known = {cid.label for cid in data.main_components}
    return lambda name: np.asarray(data[name], float) if name in known else np.full(data.size, np.nan)


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
    return "–" if value != value else f"{value:.{decimals}f}"


#: Half width of the picture around a residual that is opened, pixels.
CLOSE_UP_PX = 60


class ResidualViewerState(ViewerState):
    """What is set about the viewer."""

    plate_off = CallbackProperty(True, docstring="Whether the residuals are plate-corrected")


class ResidualLayerArtist(LayerArtist):
    """Rows of the residuals, or a selection of them; the viewer draws them all at once."""

    def __init__(self, viewer, viewer_state, layer_state=None, layer=None):
        self._viewer = viewer
        super().__init__(viewer_state, layer_state=layer_state, layer=layer)
        self.state.add_global_callback(self._again)

    def _again(self, **_changed):
        self._viewer.refresh()

    def redraw(self):
        self._viewer.refresh()

    update = redraw

    def clear(self):
        self._viewer.refresh()


class ResidualViewer(DataViewer):
    """Table, residuals on the sky, residuals along and across the motion."""

    LABEL = "Residuals"
    _state_cls = ResidualViewerState
    _data_artist_cls = _subset_artist_cls = ResidualLayerArtist
    inherit_tools = False
    tools = ["window"]  # noqa: RUF012  glue's own protocol
    subtools = {"window": ["window:movetab", "window:title"]}  # noqa: RUF012

    def __init__(self, session, state=None, parent=None):
        super().__init__(session, state=state, parent=parent)
        self.canvas, self.table = ResidualCanvas(self.select_rows, self.open_row), ResidualTable()
        self.table.chosen.connect(self.select_rows)
        self.table.cellDoubleClicked.connect(lambda row, _column: self.open_row(row))
        split = QSplitter(Qt.Vertical)
        split.addWidget(self.canvas)
        split.addWidget(self.table)
        split.setSizes([360, 200])
        body = QWidget()
        layout = QVBoxLayout(body)
        layout.setContentsMargins(4, 4, 4, 4)
        layout.addWidget(split, 1)
        layout.addLayout(self._bar())
        self.setCentralWidget(body)
        self.resize(900, 620)
        self.state.add_callback("plate_off", self.refresh)

    def _bar(self):
        self.plate_box = QCheckBox("plate-corrected")
        self.plate_box.setToolTip(MEANINGS[residual_data.PLATE_OFF])
        self.plate_box.setChecked(bool(self.state.plate_off))
        self.plate_box.toggled.connect(lambda on: setattr(self.state, "plate_off", on))
        self.status = QLabel("")
        row = QHBoxLayout()
        row.addWidget(self.plate_box)
        row.addWidget(self.status, 1)
        self.export_buttons = []
        for label, suffixes, _function in EXPORTERS:
            button = QPushButton(f"{label}…")
            button.clicked.connect(
                lambda _on=False, name=label, end=suffixes[0]: self._choose_export(name, end)
            )
            self.export_buttons.append(button)
            row.addWidget(button)
        self.busy = QProgressBar()
        self.busy.setRange(0, 0)
        self.busy.setMaximumWidth(90)
        self.busy.hide()
        row.insertWidget(2, self.busy)
        return row

    def get_layer_artist(self, cls, layer=None, layer_state=None):
        return cls(self, self.state, layer=layer, layer_state=layer_state)

    def add_data(self, data):
        if kind_of(data) != RESIDUALS:
            self.status.setText(f"'{data.label}' holds no residuals: measure a body first")
            return False
        return super().add_data(data)

    @property
    def data(self):
        """The residuals shown, or None."""
        return next((layer.layer for layer in self.layers if isinstance(layer.layer, BaseData)), None)

    def columns(self) -> dict[str, np.ndarray]:
        """Numbers of the plots."""
        get = _numbers(self.data)
        shown = residual_data.offsets(get, self.state.plate_off)
        mjd = get(residual_data.MJD)
        # residuals of an earlier version have no correlation: their ellipses stand upright
        rho = np.nan_to_num(get("corr_ra_dec"))
        # the plate's error has no correlation of its own and rounds the ellipse
        scale = get("sigma_ra") * get("sigma_dec") / (shown["sigma_dra"] * shown["sigma_ddec"])
        return shown | {
            "dx": shown["dra"], "dy": shown["ddec"], "sx": shown["sigma_dra"], "sy": shown["sigma_ddec"],
            "rho": rho * np.nan_to_num(scale), "hours": (mjd - np.floor(np.nanmin(mjd))) * 24,
        }  # fmt: skip

    def colours(self) -> list[str]:
        """Colour of every row: the last visible selection that holds it, else the plain one."""
        colours = [self.canvas.plain] * self.data.size
        for layer in self.layers:
            if isinstance(layer.layer, BaseData) or not layer.visible:
                continue
            try:
                mask = layer.layer.to_mask()
            except IncompatibleAttribute:
                continue
            for i in np.flatnonzero(mask):
                colours[i] = layer.layer.style.color
        return colours

    def refresh(self, *_args):
        """Draw table and plots."""
        if self.data is None or not hasattr(self, "canvas"):
            return
        colours = self.colours()
        meaning = residual_data.PLATE_OFF if self.state.plate_off else residual_data.AS_MEASURED
        self.canvas.draw_rows(self.columns(), colours, meaning)
        shades = [None if colour == self.canvas.plain else colour for colour in colours]
        self.table.show_rows(self.data, shades, self.state.plate_off)

    def select_rows(self, rows: list[int]):
        """Make rows the active selection everywhere."""
        if not rows or self.data is None:
            return
        self.apply_subset_state(ElementSubsetState(indices=rows, data=self.data))
        names = dict.fromkeys(str(self.data.get_component("frame").labels[row]) for row in rows)
        self.status.setText("selected: " + ", ".join(names))

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

    def _choose_export(self, label, suffix):
        more = {}
        if suffix == "psv":
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
        self._allow_export(False)
        self.status.setText(f"writing {path}…")
        self.job = BackgroundWork(lambda _job: function(str(path), data, **more))
        self._writing = path
        self.job.done.connect(self._written)
        self.job.failed.connect(self._failed)
        self.job.ended.connect(self._export_ended)
        return self.job.start()

    #: Whether the viewer has been closed: a job may end later, when there are no widgets any more.
    _closed = False

    def closeEvent(self, event):
        super().closeEvent(event)
        self._closed = event.isAccepted()

    def _written(self, _nothing):
        if not self._closed:
            self.status.setText(f"written: {self._writing}")

    def _failed(self, exc):
        report_failure(exc)
        if not self._closed:
            self.status.setText(failure_words(exc))

    def _export_ended(self):
        if not self._closed:
            self._allow_export(True)

    def _allow_export(self, allowed):
        for button in self.export_buttons:
            button.setEnabled(allowed)
        self.busy.setVisible(not allowed)


def show_residuals(session) -> ResidualViewer | None:
    """Menu action: open the viewer on the residuals."""
    from glue_appulse.host import say

    data = residual_data.find(session.data_collection)
    if data is None:
        say("there are no residuals yet; measure a body with the tool in an image viewer's bar")
        return None
    return session.application.new_data_viewer(ResidualViewer, data=data)

"""Viewer of residuals: a table beside two plots, all linked; saved in sessions; exports from its own bar."""

import numpy as np
from echo import CallbackProperty
from glue.core.data import BaseData
from glue.core.exceptions import IncompatibleAttribute
from glue.core.subset import ElementSubsetState
from glue.viewers.common.layer_artist import LayerArtist
from glue.viewers.common.state import ViewerState
from glue_qt.viewers.common.data_viewer import DataViewer
from qtpy.QtCore import Qt
from qtpy.QtWidgets import (
    QCheckBox,
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSplitter,
    QVBoxLayout,
    QWidget,
)

from glue_appulse import residual_data
from glue_appulse.exporters import EXPORTERS
from glue_appulse.kinds import FRAME, RESIDUALS, all_of, is_frame, kind_of
from glue_appulse.qt.desk import image_viewers, show_frames
from glue_appulse.qt.jobs import tell
from glue_appulse.qt.residual_plots import ResidualCanvas
from glue_appulse.qt.residual_rows import ResidualTable

#: Half width of the picture around a residual that is opened, pixels.
CLOSE_UP_PX = 60


class ResidualViewerState(ViewerState):
    """What is set about the viewer."""

    plate_off = CallbackProperty(True, docstring="Whether the plate's own offset is taken off")


class ResidualLayerArtist(LayerArtist):
    """Rows of the residuals, or a selection of them; the viewer draws them all at once."""

    def __init__(self, viewer, viewer_state, layer_state=None, layer=None):
        self._viewer = viewer
        super().__init__(viewer_state, layer_state=layer_state, layer=layer)
        self.state.add_global_callback(self._again)

    def _again(self, **_changed):
        self._viewer.refresh()

    def redraw(self):
        """Draw."""
        self._viewer.refresh()

    update = redraw

    def clear(self):
        """Draw without."""
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
        self.plate_box = QCheckBox("plate's offset taken off")
        self.plate_box.setChecked(bool(self.state.plate_off))
        self.plate_box.toggled.connect(lambda on: setattr(self.state, "plate_off", on))
        self.status = QLabel("")
        row = QHBoxLayout()
        row.addWidget(self.plate_box)
        row.addWidget(self.status, 1)
        for label, suffixes, _function in EXPORTERS:
            button = QPushButton(f"{label}…")
            button.clicked.connect(
                lambda _on=False, name=label, end=suffixes[0]: self._choose_export(name, end)
            )
            row.addWidget(button)
        return row

    def get_layer_artist(self, cls, layer=None, layer_state=None):
        """Make a layer artist that knows its viewer.

        Parameters
        ----------
        cls : type
        layer : glue.core.data.Data or glue.core.subset.Subset
        layer_state : LayerState or None

        Returns
        -------
        ResidualLayerArtist
        """
        return cls(self, self.state, layer=layer, layer_state=layer_state)

    def add_data(self, data):
        """Take residuals; refuse everything else with a word.

        Parameters
        ----------
        data : glue.core.data.Data

        Returns
        -------
        bool
        """
        if kind_of(data) != RESIDUALS:
            self.status.setText(f"'{data.label}' holds no residuals: measure a body first")
            return False
        return super().add_data(data)

    @property
    def data(self):
        """The residuals shown, or None."""
        return next((layer.layer for layer in self.layers if isinstance(layer.layer, BaseData)), None)

    def columns(self):
        """Numbers of the plots.

        Returns
        -------
        dict of str to ndarray, (n,)
        """
        data = self.data
        get = lambda name: np.asarray(data[name], float)  # noqa: E731
        dx, dy = get("dra_cosdec"), get("ddec")
        along, across = get("along"), get("across")
        if self.state.plate_off:
            dx, dy, pa = get("dra_plate"), get("ddec_plate"), np.radians(get("motion_pa"))
            along, across = dx * np.sin(pa) + dy * np.cos(pa), dx * np.cos(pa) - dy * np.sin(pa)
        mjd = get(residual_data.MJD)
        rho = (
            np.nan_to_num(get("corr_ra_dec"))
            if "corr_ra_dec" in [c.label for c in data.main_components]
            else 0 * dx
        )
        return {"dx": dx, "dy": dy, "sx": get("sigma_ra"), "sy": get("sigma_dec"), "rho": rho,
                "hours": (mjd - np.floor(np.nanmin(mjd))) * 24, "along": along, "across": across,
                "sigma_along": get("sigma_along"), "sigma_across": get("sigma_across")}  # fmt: skip

    def colours(self):
        """Colour of every row: the last visible selection that holds it, else the plain one.

        Returns
        -------
        list of str
        """
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
        self.canvas.draw_rows(self.columns(), colours)
        self.table.show_rows(self.data, [None if one == self.canvas.plain else one for one in colours])

    def select_rows(self, rows):
        """Make rows the active selection everywhere.

        Parameters
        ----------
        rows : list of int
        """
        if not rows or self.data is None:
            return
        self.apply_subset_state(ElementSubsetState(indices=rows, data=self.data))
        names = dict.fromkeys(str(self.data.get_component("frame").labels[row]) for row in rows)
        self.status.setText("selected: " + ", ".join(names))

    def open_row(self, row):
        """Show the frame of a row around its place.

        Parameters
        ----------
        row : int

        Returns
        -------
        glue_qt.viewers.image.ImageViewer or None
        """
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
        from glue_appulse.frames import frame_of

        ra, dec = (float(self.data[name][row]) for name in ("ra_calc", "dec_calc"))
        return tuple(float(v) for v in frame_of(frame).to_pixel(ra, dec))

    def _choose_export(self, label, suffix):
        path, _kind = QFileDialog.getSaveFileName(self, label, f"residuals.{suffix}")
        if path:
            self.export(label, path)

    def export(self, label, path):
        """Write the residuals.

        Parameters
        ----------
        label : str
            Of :data:`glue_appulse.exporters.EXPORTERS`.
        path : str
        """
        function = next(function for name, _suffixes, function in EXPORTERS if name == label)
        try:
            function(str(path), self.data)
        except (ValueError, OSError) as exc:
            tell(exc)
            self.status.setText(str(exc))
        else:
            self.status.setText(f"written: {path}")


def show_residuals(session):
    """Menu action: open the viewer on the residuals.

    Parameters
    ----------
    session : glue.core.session.Session

    Returns
    -------
    ResidualViewer or None
    """
    from glue_appulse.notices import say

    data = residual_data.find(session.data_collection)
    if data is None:
        say("there are no residuals yet; measure a body with the tool in an image viewer's bar")
        return None
    return session.application.new_data_viewer(ResidualViewer, data=data)

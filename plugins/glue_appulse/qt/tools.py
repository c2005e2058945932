"""Toolbar modes of the image viewer: measure what is clicked, pick the object that is clicked."""

from glue.config import viewer_tool
from glue.core.subset import ElementSubsetState
from glue.viewers.matplotlib.toolbar_mode import ToolbarModeBase
from matplotlib import rcParamsDefault
from matplotlib.backend_bases import key_press_handler
from qtpy.QtCore import QPointF, QRectF, Qt
from qtpy.QtGui import QColor, QIcon, QPainter, QPen, QPixmap

from glue_appulse.data.kinds import OUTLINES, kind_of
from glue_appulse.data.outline_data import object_at
from glue_appulse.qt.desk import clicked_sky

ICON_PX = 64


def _painted(paint):
    picture = QPixmap(ICON_PX, ICON_PX)
    picture.fill(Qt.transparent)
    painter = QPainter(picture)
    painter.setRenderHint(QPainter.Antialiasing)
    paint(painter)
    painter.end()
    return QIcon(picture)


def _pen(color, width=5):
    pen = QPen(QColor(color), width)
    pen.setCapStyle(Qt.RoundCap)
    return pen


def measure_icon() -> QIcon:
    """A dot between two bars, with an offset cross beside."""

    def paint(painter):
        painter.setPen(_pen("#b06a00"))
        painter.drawLine(QPointF(10, 16), QPointF(10, 48))
        painter.drawLine(QPointF(54, 16), QPointF(54, 48))
        painter.setBrush(QColor("#20242c"))
        painter.setPen(_pen("#20242c", 2))
        painter.drawEllipse(QPointF(28, 36), 8, 8)
        painter.setPen(_pen("#c2410c", 4))
        painter.drawLine(QPointF(34, 22), QPointF(46, 22))
        painter.drawLine(QPointF(40, 16), QPointF(40, 28))

    return _painted(paint)


def pick_icon() -> QIcon:
    """An ellipse with a pointer."""

    def paint(painter):
        painter.setPen(_pen("#0f766e"))
        painter.drawEllipse(QRectF(6, 10, 46, 28))
        painter.setPen(_pen("#20242c"))
        painter.drawLine(QPointF(34, 30), QPointF(54, 56))
        painter.drawLine(QPointF(34, 30), QPointF(36, 46))
        painter.drawLine(QPointF(34, 30), QPointF(49, 36))

    return _painted(paint)


MEASURE, PICK = "appulse:measure", "appulse:pick"
#: Free in glue and in matplotlib, which share the canvas: m is glue's Pan, k matplotlib's logarithmic axis.
MODE_KEY, KEYS = "d", ("e", "enter", "return")
#: Keys of matplotlib that make an axis logarithmic: on a picture of the sky, overlays would slide off it.
SCALE_KEYS = (*rcParamsDefault["keymap.xscale"], *rcParamsDefault["keymap.yscale"])


def own_keys(viewer):
    """Let the canvas of an image viewer know our key, and no longer matplotlib's logarithmic axes."""
    canvas = viewer.central_widget.canvas
    manager = canvas.manager

    def pressed(event):
        if event.key == MODE_KEY and MEASURE in viewer.toolbar.tools:
            active = viewer.toolbar.active_tool
            on = getattr(active, "tool_id", None) == MEASURE
            viewer.toolbar.active_tool = None if on else MEASURE
        elif event.key not in SCALE_KEYS:
            key_press_handler(event)

    canvas.mpl_disconnect(manager.key_press_handler_id)
    manager.key_press_handler_id = canvas.mpl_connect("key_press_event", pressed)


class _ClickMode(ToolbarModeBase):
    """A mode that acts on a click, or on a key pressed over the picture."""

    def __init__(self, viewer, **kwargs):
        super().__init__(viewer, **kwargs)
        self._press_callback = self._clicked

    def activate(self):
        super().activate()
        # else keys go to the button that was clicked, or to the list of layers
        self._canvas.setFocus()

    def _clicked(self, _mode):
        if self._event_xdata is not None and self.viewer is not None:
            self.act(self._event_xdata, self._event_ydata)

    def key(self, event):
        """Handle a key."""
        if event.key in KEYS and event.xdata is not None:
            self.act(event.xdata, event.ydata)

    def act(self, x: float, y: float):
        """Do what the mode is for."""
        raise NotImplementedError


@viewer_tool
class MeasureMode(_ClickMode):
    """Measures the body whose predicted place is nearest to the click."""

    tool_id = MEASURE
    action_text = "Measure a body"
    tool_tip = "Click on a body, or press E or Enter over it, to measure it against its prediction"
    status_tip = (
        "Click on a body, or press E or Enter over it, to measure it; Shift: just there; D leaves the mode"
    )
    shortcut = MODE_KEY.upper()

    def __init__(self, viewer, **kwargs):
        from glue_appulse.qt.overlay_sync import follow

        super().__init__(viewer, **kwargs)
        follow(viewer)  # each new image viewer makes its tools once
        own_keys(viewer)

    @property
    def icon(self):
        """Painted icon."""
        return measure_icon()

    def press(self, event):
        self._pointed = "shift" in (event.key or "")
        super().press(event)

    _pointed = False

    def act(self, x: float, y: float):
        """Measure."""
        from glue_appulse.qt.measure_panel import open_panel

        open_panel(self.viewer.session).measure_click(self.viewer, x, y, pointed=self._pointed)


@viewer_tool
class PickMode(_ClickMode):
    """Selects the outline that is clicked, in every linked plot and table."""

    tool_id = PICK
    action_text = "Pick a deep-sky object"
    tool_tip = "Click into an outline to select the object and see its row"
    status_tip = "Click into an outline: the object is selected in every plot and table"

    @property
    def icon(self):
        """Painted icon."""
        return pick_icon()

    def act(self, x: float, y: float):
        """Select."""
        ra, dec = clicked_sky(self.viewer, x, y)
        loaded = self.viewer.session.data_collection
        visible = [layer.layer for layer in self.viewer.layers if layer.visible and layer.layer in loaded]
        for data in visible:
            if kind_of(data) != OUTLINES:
                continue
            row = object_at(data, ra, dec)
            if row is not None:
                self.viewer.apply_subset_state(ElementSubsetState(indices=[row], data=data))
                self.viewer.set_status(row_words(data, row))
                return
        self.viewer.set_status("no outline here")


def row_words(data, row: int) -> str:
    """A catalogue row in one line."""
    words = [str(data["name"][row])]
    if data["other names"][row]:
        words.append(f"({data['other names'][row]})")
    words.append(str(data["type"][row]))
    for name, unit in (("major axis", "′"), ("minor axis", "′"), ("magnitude", " mag")):
        if data[name][row] == data[name][row]:
            words.append(f"{data[name][row]:.1f}{unit}")
    return "  ".join([*words, str(data["note"][row])]).strip()

"""Style editors of our layers, where glue shows those of its own; the list of types that dialogs share."""

import numpy as np
from echo.qt import autoconnect_callbacks_to_qt
from glue_qt.utils.colors import QColorBox
from qtpy.QtCore import Qt, Signal
from qtpy.QtWidgets import (
    QCheckBox,
    QComboBox,
    QDoubleSpinBox,
    QFormLayout,
    QGridLayout,
    QHBoxLayout,
    QListWidget,
    QListWidgetItem,
    QPushButton,
    QSlider,
    QVBoxLayout,
    QWidget,
)

LIST_HEIGHT_PX = 110


class TypeList(QListWidget):
    """Ticks for several types at once."""

    #: The list of ticked types; empty where all are.
    changed = Signal(list)

    def __init__(self, types, parent=None):
        super().__init__(parent)
        self.setMaximumHeight(LIST_HEIGHT_PX)
        self.setToolTip("Where nothing is ticked, a layer draws all types")
        for name in types:
            item = QListWidgetItem(name, self)
            item.setFlags(item.flags() | Qt.ItemIsUserCheckable)
            item.setCheckState(Qt.Checked)
        self.itemChanged.connect(lambda _item: self.changed.emit(self.chosen()))

    def _items(self):
        return [self.item(row) for row in range(self.count())]

    def _ticked(self):
        return [item.text() for item in self._items() if item.checkState() == Qt.Checked]

    @property
    def none_ticked(self):
        """Whether there are types and none of them is ticked."""
        return bool(self.count()) and not self._ticked()

    def chosen(self) -> list[str]:
        """Types that are ticked."""
        ticked = self._ticked()
        return [] if len(ticked) == self.count() else ticked

    def choose(self, types: list[str]):
        """Tick types; what means the same already stays as it is."""
        if list(types) != self.chosen():
            self._tick(lambda name: not types or name in types)

    def tick_all(self, on: bool = True):
        """Tick all types, or none, in one change."""
        self._tick(lambda _name: on)
        self.changed.emit(self.chosen())

    def _tick(self, wanted):
        self.blockSignals(True)
        for item in self._items():
            item.setCheckState(Qt.Checked if wanted(item.text()) else Qt.Unchecked)
        self.blockSignals(False)
        self.viewport().update()


class TypeRow(QWidget):
    """A list of types with buttons for all and none beside it."""

    def __init__(self, types):
        super().__init__()
        self.all_button, self.none_button = QPushButton("All"), QPushButton("None")
        buttons = QVBoxLayout()
        for button, on in ((self.all_button, True), (self.none_button, False)):
            button.setAutoDefault(False)
            button.clicked.connect(lambda _on=False, on=on: types.tick_all(on))
            buttons.addWidget(button)
        buttons.addStretch(1)
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(types, 1)
        row.addLayout(buttons)


def _spin(low, high, step, decimals=1, suffix=""):
    box = QDoubleSpinBox()
    box.setRange(low, high)
    box.setSingleStep(step)
    box.setDecimals(decimals)
    box.setSuffix(suffix)
    box.setKeyboardTracking(False)
    return box


class LayerEditor(QWidget):
    """Form with a colour and an opacity; sub-classes add rows in :meth:`fill`."""

    def __init__(self, layer, parent=None):
        super().__init__(parent)
        self._state = layer.state
        self.form = QFormLayout(self)
        self.form.setContentsMargins(6, 6, 6, 6)
        self.color_color = QColorBox()
        self.value_alpha = QSlider(Qt.Horizontal)
        self.row("colour", self.color_color, "color_color")
        self.row("opacity", self.value_alpha, "value_alpha")
        self.fill()
        self._connections = autoconnect_callbacks_to_qt(layer.state, self, {"alpha": {"value_range": (0, 1)}})

    def row(self, words: str, widget: QWidget, name: str):
        """Add a row; the widget's name tells which property it drives."""
        widget.setObjectName(name)
        setattr(self, name, widget)
        self.form.addRow(words, widget)

    def boxes(self, pairs: list[tuple[str, str]]):
        """Add check boxes, two in a line."""
        grid = QGridLayout()
        for i, (name, words) in enumerate(pairs):
            box = QCheckBox(words)
            box.setObjectName(f"bool_{name}")
            setattr(self, f"bool_{name}", box)
            grid.addWidget(box, i // 2, i % 2)
        self.form.addRow(grid)

    def fill(self):
        """Add the rows of a kind of layer."""


class TrackEditor(LayerEditor):
    """Editor of a track."""

    def fill(self):
        """Add the rows of a track."""
        self.row("line width", _spin(0.4, 12, 0.2, suffix=" pt"), "value_width")
        self.row("ticks every", QComboBox(), "combosel_tick_step")
        self.boxes(
            [
                ("show_ticks", "ticks"),
                ("show_labels", "times"),
                ("show_name", "name"),
                ("show_places", "place"),
                ("show_direction", "direction"),
                ("show_ellipse", "ellipse"),
            ]
        )
        self.row("ellipse", _spin(0.5, 100, 0.5, suffix=" sigma"), "value_ellipse_sigma")
        self.row("words", _spin(5, 30, 1, 0, " pt"), "value_label_size")


class StretchEditor(LayerEditor):
    """Editor of a selected stretch of a track."""

    def fill(self):
        """Add the rows of a stretch."""
        self.row("line width", _spin(1, 20, 0.5, suffix=" pt"), "value_width")


class OutlineEditor(LayerEditor):
    """Editor of outlines."""

    def fill(self):
        """Add the rows of outlines."""
        self.row("line width", _spin(0.4, 12, 0.2, suffix=" pt"), "value_width")
        self.boxes([("show_names", "names"), ("by_type", "colour by type")])
        self.row("words", _spin(5, 30, 1, 0, " pt"), "value_label_size")
        self._types_row()
        self.row("at least", _spin(0, 10_000, 1, suffix=" arcmin"), "value_min_size")
        self.row("not fainter than", _spin(-5, 99, 0.5, suffix=" mag"), "value_max_magnitude")

    def _types_row(self):
        state = self._state
        data = getattr(state.layer, "data", state.layer)
        self.types = TypeList(sorted(set(np.asarray(data["type"]).astype(str))))
        self.types.choose(state.types)
        self.types.changed.connect(lambda types: setattr(state, "types", types))
        self._follow_types = lambda types: self.types.choose(list(types))
        state.add_callback("types", self._follow_types)
        self.form.addRow("types", TypeRow(self.types))


class TailEditor(LayerEditor):
    """Editor of a comet's tail."""

    def fill(self):
        """Add the rows of a tail."""
        self.row("line width", _spin(0.4, 12, 0.2, suffix=" pt"), "value_width")
        self.boxes(
            [
                ("show_antisolar", "antisolar line"),
                ("show_ticks", "ticks, degrees and km"),
                ("show_syndynes", "syndynes (\u03b2)"),
                ("show_synchrones", "synchrones (age)"),
                ("show_ion", "ion tail (estimate)"),
                ("show_labels", "words"),
            ]
        )
        self.row("words", _spin(5, 30, 1, 0, " pt"), "value_label_size")


class PlacesEditor(LayerEditor):
    """Editor of a cloud, or of parallax vectors."""

    def fill(self):
        """Add the rows of places."""
        self.row("dots, lines", _spin(0.4, 12, 0.2, suffix=" pt"), "value_width")
        self.boxes([("show_labels", "words")])
        self.row("words", _spin(5, 30, 1, 0, " pt"), "value_label_size")


class MarkEditor(LayerEditor):
    """Editor of measured places."""

    def fill(self):
        """Add the rows of measured places."""
        self.row("line width", _spin(0.4, 12, 0.2, suffix=" pt"), "value_width")
        self.boxes([("show_offset", "line from the prediction")])


class ResidualEditor(LayerEditor):
    """Editor of rows of residuals."""

    def fill(self):
        """Add the rows of residuals."""
        self.row("size of the marks", _spin(2, 30, 1, suffix=" pt"), "value_size")
